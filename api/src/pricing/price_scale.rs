//! The guide: the firm's own starting prices and factors, in versions that are kept for ever.

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::{Reply, shown},
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::Prose,
    },
    schema::guides,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    pricing::price_scale::{Factor, Guide, GuideTerms, Ratio, Start},
};
use outshop_operation::{get, post};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(get_guide)
        .service(list_guide_versions)
        .service(create_guide_version)
        .service(get_guide_version);
}

// Types

/// A version of the guide, without its rows.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = guides)]
#[schema(example = json!({"version": 3, "from": "2026-01-01", "uncertainty": "0.25", "words": "as agreed at the winter meeting"}))]
pub struct GuideHeading {
    #[schema(minimum = 1)]
    pub version: i32,
    /// The first day on which it can count.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// u of the range likely / (1 + u) to likely x (1 + u), in which the firm expects four prices in five.
    pub uncertainty: Ratio,
    pub words: Option<Prose>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"version": 3, "from": "2026-01-01", "uncertainty": "0.25", "words": null,
    "starts": [{"kind": "locomotive", "gauge": {"from": {"value": "5", "unit": "in", "mm": "127"},
        "to": {"value": "5", "unit": "in", "mm": "127"}}, "scale": null, "price": "6200.00"}],
    "factors": [{"feature": "build_quality", "level": "fine", "factor": "1.05"}]}))]
pub struct GuideVersion {
    #[schema(minimum = 1)]
    pub version: i32,
    /// The first day on which it can count.
    pub from: Day,
    /// u of the range likely / (1 + u) to likely x (1 + u), in which the firm expects four prices in five.
    pub uncertainty: Ratio,
    pub words: Option<Prose>,
    #[schema(min_items = 1, max_items = 200)]
    pub starts: Vec<Start>,
    #[schema(max_items = 200)]
    pub factors: Vec<Factor>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2026-01-01", "uncertainty": "0.25", "words": "as agreed at the winter meeting",
    "starts": [
        {"kind": "locomotive", "gauge": {"from": {"value": "5", "unit": "in"}, "to": {"value": "5", "unit": "in"}}, "price": "6200.00"},
        {"kind": "road_engine", "scale": {"from": "2 in to the foot", "to": "3 in to the foot"}, "price": "8000.00"},
        {"kind": "stationary", "price": "400.00"}],
    "factors": [
        {"feature": "build_quality", "level": "fine", "factor": "1.05"},
        {"feature": "motion", "level": "worn", "factor": "0.96"}]}))]
pub struct NewGuideVersion {
    /// The first day on which it can count. Of all versions that can count on a day, the one with the latest such day
    /// does, and of two from one day the later one.
    pub from: Day,
    /// Up to 2: u of the range likely / (1 + u) to likely x (1 + u), in which the firm expects four prices in five.
    pub uncertainty: Ratio,
    pub words: Option<Prose>,
    /// One starting price at most for any engine.
    #[schema(min_items = 1, max_items = 200)]
    pub starts: Vec<Start>,
    /// One factor at most for any level of a feature.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub factors: Vec<Factor>,
}

impl NewGuideVersion {
    /// Tells all broken rules at once.
    fn check(&self) -> Result<(), Problem> {
        let terms = GuideTerms {
            // Its number is given when it is stored; no rule asks which.
            version: 1,
            from: self.from,
            uncertainty: self.uncertainty,
            starts: self.starts.clone(),
            factors: self.factors.clone(),
        };
        let mut errors: Vec<FieldError> = Vec::new();
        if self.uncertainty.decimal() > Decimal::TWO {
            errors.push(FieldError {
                pointer: "/uncertainty".to_owned(),
                detail: "more than 2: a range that wide says nothing".to_owned(),
            });
        }
        if let Err(faults) = Guide::new(terms) {
            errors.extend(faults.iter().take(100).map(|fault| FieldError {
                pointer: fault.pointer(),
                detail: fault.to_string(),
            }));
        }
        if errors.is_empty() {
            Ok(())
        } else {
            Err(Problem::invalid_all(errors))
        }
    }
}

impl GuideVersion {
    /// As the rules of pricing take it.
    pub(crate) fn rules(self) -> Result<Guide, Problem> {
        Guide::new(GuideTerms {
            version: self.version,
            from: self.from,
            uncertainty: self.uncertainty,
            starts: self.starts,
            factors: self.factors,
        })
        .map_err(|faults| {
            Problem::internal(format!(
                "a stored guide breaks the rules of guides: {faults:?}"
            ))
        })
    }
}

// Routes

/// Read the guide
///
/// The version that counts today.
#[get("/guide", 200 = GuideVersion)]
async fn get_guide(Staff(actor): Staff, req: HttpRequest, db: web::Data<Db>) -> Reply {
    let found = in_force(&mut *db.read().await?, actor.today).await?;
    let guide = found.ok_or_else(|| {
        Problem::not_found("no guide counts today; the proprietor writes one at /v1/guide/versions")
    })?;
    shown(&req, &guide)
}

/// List the versions of the guide
#[get("/guide/versions", 200 = Page<GuideHeading>)]
async fn list_guide_versions(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let mut query = guides::table
            .select(GuideHeading::as_select())
            .order(guides::version)
            .limit(page.limit)
            .into_boxed();
        if let Some(after) = page.after_id() {
            query = query.filter(guides::version.gt(i32::try_from(after).unwrap_or(i32::MAX)));
        }
        query
    };
    list.rows(rows, |it: &GuideHeading| i64::from(it.version))
        .await
}

/// Write a version of the guide
///
/// Kept for ever, as valuations rest on it; a mistake is mended by another version.
#[post("/guide/versions", 201 = GuideVersion)]
async fn create_guide_version(
    Owner(actor): Owner,
    db: web::Data<Db>,
    new: Body<NewGuideVersion>,
) -> Reply {
    new.check()?;
    db.create(&actor, &new, async |tx| {
        let guide = insert(tx, &new).await?;
        Ok((format!("/v1/guide/versions/{}", guide.version), guide))
    })
    .await
}

/// Read a version of the guide
#[get("/guide/versions/{version:\\d+}", 200 = GuideVersion)]
async fn get_guide_version(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    version: web::Path<i32>,
) -> Reply {
    let row: Option<Row> = guides::table
        .find(*version)
        .select(Row::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let row = row
        .ok_or_else(|| Problem::not_found(format!("there is no version {version} of the guide")))?;
    shown(&req, &row.guide()?)
}

// SQL

#[derive(Queryable, Selectable)]
#[diesel(table_name = guides)]
struct Row {
    #[diesel(embed)]
    heading: GuideHeading,
    starts: Value,
    factors: Value,
}

impl Row {
    fn guide(self) -> Result<GuideVersion, Problem> {
        let GuideHeading {
            version,
            from,
            uncertainty,
            words,
        } = self.heading;
        Ok(GuideVersion {
            version,
            from,
            uncertainty,
            words,
            starts: serde_json::from_value(self.starts).map_err(Problem::internal)?,
            factors: serde_json::from_value(self.factors).map_err(Problem::internal)?,
        })
    }
}

async fn insert(tx: &mut Tx<'_>, new: &NewGuideVersion) -> Result<GuideVersion, Problem> {
    let starts = new.starts.iter().map(as_written).collect();
    let row: Row = diesel::insert_into(guides::table)
        .values((
            guides::from_day.eq(new.from),
            guides::uncertainty.eq(new.uncertainty),
            guides::words.eq(&new.words),
            guides::starts.eq(Value::Array(starts)),
            guides::factors.eq(json!(new.factors)),
        ))
        .returning(Row::as_returning())
        .get_result(tx.conn())
        .await?;
    let data = json!({"version": row.heading.version, "from": row.heading.from});
    tx.record("guide.written", None, data).await?;
    row.guide()
}

/// Without the converted figures, which are no part of what is read back.
fn as_written(start: &Start) -> Value {
    let mut json = json!(start);
    for end in ["/gauge/from", "/gauge/to"] {
        if let Some(length) = json.pointer_mut(end).and_then(Value::as_object_mut) {
            length.remove("mm");
        }
    }
    json
}

/// A version that something rests on.
pub(crate) async fn of_version(
    conn: &mut AsyncPgConnection,
    version: i32,
) -> Result<GuideVersion, Problem> {
    let row: Row = guides::table
        .find(version)
        .select(Row::as_select())
        .first(conn)
        .await?;
    row.guide()
}

/// The version that counts on that day.
pub(crate) async fn in_force(
    conn: &mut AsyncPgConnection,
    on: Day,
) -> Result<Option<GuideVersion>, Problem> {
    let row: Option<Row> = guides::table
        .filter(guides::from_day.le(on))
        .order((guides::from_day.desc(), guides::version.desc()))
        .select(Row::as_select())
        .first(conn)
        .await
        .optional()?;
    row.map(Row::guide).transpose()
}
