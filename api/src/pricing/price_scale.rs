//! The price scale: the firm's base prices and factors. Every version is kept for ever.

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::{Reply, respond},
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::Prose,
    },
    schema::price_scales,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    pricing::price_scale::{Factor, PriceScale, PriceScaleTerms, Ratio, Start},
};
use outshop_operation::{get, post};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(get_price_scale)
        .service(list_price_scale_versions)
        .service(create_price_scale_version)
        .service(get_price_scale_version);
}

// Types

/// A version of the price scale, without its base prices and factors.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = price_scales)]
#[schema(example = json!({"version": 3, "from": "2026-01-01", "uncertainty": "0.25", "notes": "as agreed at the winter meeting"}))]
pub struct PriceScaleHeading {
    #[schema(minimum = 1)]
    pub version: i32,
    /// The first day on which this version applies.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// The firm expects four prices in five between likely / (1 + uncertainty) and likely x (1 + uncertainty).
    pub uncertainty: Ratio,
    pub notes: Option<Prose>,
}

/// A version of the price scale.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"version": 3, "from": "2026-01-01", "uncertainty": "0.25", "notes": null,
    "starts": [{"kind": "locomotive", "gauge": {"from": {"value": "5", "unit": "in", "mm": "127"},
        "to": {"value": "5", "unit": "in", "mm": "127"}}, "scale": null, "price": "6200.00"}],
    "factors": [{"feature": "build_quality", "level": "fine", "factor": "1.05"}]}))]
pub struct PriceScaleVersion {
    #[schema(minimum = 1)]
    pub version: i32,
    /// The first day on which this version applies.
    pub from: Day,
    /// The firm expects four prices in five between likely / (1 + uncertainty) and likely x (1 + uncertainty).
    pub uncertainty: Ratio,
    pub notes: Option<Prose>,
    /// Base prices by kind and size.
    #[schema(min_items = 1, max_items = 200)]
    pub starts: Vec<Start>,
    /// Factors by feature and level, each applied to the base price.
    #[schema(max_items = 200)]
    pub factors: Vec<Factor>,
}

/// A version of the price scale to add.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2026-01-01", "uncertainty": "0.25", "notes": "as agreed at the winter meeting",
    "starts": [
        {"kind": "locomotive", "gauge": {"from": {"value": "5", "unit": "in"}, "to": {"value": "5", "unit": "in"}}, "price": "6200.00"},
        {"kind": "road_engine", "scale": {"from": "2 in to the foot", "to": "3 in to the foot"}, "price": "8000.00"},
        {"kind": "stationary", "price": "400.00"}],
    "factors": [
        {"feature": "build_quality", "level": "fine", "factor": "1.05"},
        {"feature": "motion", "level": "worn", "factor": "0.96"}]}))]
pub struct NewPriceScaleVersion {
    /// The first day on which this version applies. On a given day the version with the latest such day applies; of two
    /// with the same day, the later version.
    pub from: Day,
    /// Above 0, up to 2. The firm expects four prices in five between likely / (1 + uncertainty) and likely x (1 +
    /// uncertainty).
    pub uncertainty: Ratio,
    pub notes: Option<Prose>,
    /// At most one base price may apply to an engine.
    #[schema(min_items = 1, max_items = 200)]
    pub starts: Vec<Start>,
    /// At most one factor for each level of a feature.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub factors: Vec<Factor>,
}

impl NewPriceScaleVersion {
    /// Reports every broken rule at once.
    fn check(&self) -> Result<(), Problem> {
        let terms = PriceScaleTerms {
            // The version number is assigned on insert; no rule looks at it.
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
                detail: "must be at most 2; a wider range says nothing".to_owned(),
            });
        }
        if let Err(faults) = PriceScale::new(terms) {
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

impl PriceScaleVersion {
    /// The price scale as the pricing rules take it.
    pub(crate) fn rules(self) -> Result<PriceScale, Problem> {
        PriceScale::new(PriceScaleTerms {
            version: self.version,
            from: self.from,
            uncertainty: self.uncertainty,
            starts: self.starts,
            factors: self.factors,
        })
        .map_err(|faults| {
            Problem::internal(format!(
                "a stored price scale breaks the rules of price scales: {faults:?}"
            ))
        })
    }
}

// Routes

/// Get the price scale
///
/// The version in force today. 404 if there is none yet.
#[get("/price-scale", 404, 200 = PriceScaleVersion)]
async fn get_price_scale(Staff(actor): Staff, req: HttpRequest, db: web::Data<Db>) -> Reply {
    let found = in_force(&mut *db.read().await?, actor.today).await?;
    let price_scale = found.ok_or_else(|| {
        Problem::not_found(
            "no price scale is in force today; the proprietor adds one at /v1/price-scale/versions",
        )
    })?;
    respond(&req, &price_scale)
}

/// List the versions of the price scale
#[get("/price-scale/versions", 200 = Page<PriceScaleHeading>)]
async fn list_price_scale_versions(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let mut query = price_scales::table
            .select(PriceScaleHeading::as_select())
            .order(price_scales::version)
            .limit(page.limit)
            .into_boxed();
        if let Some(after) = page.after_id() {
            query =
                query.filter(price_scales::version.gt(i32::try_from(after).unwrap_or(i32::MAX)));
        }
        query
    };
    list.rows(rows, |it: &PriceScaleHeading| i64::from(it.version))
        .await
}

/// Add a version of the price scale
///
/// Kept for ever, because valuations refer to it. To correct a mistake, add another version.
#[post("/price-scale/versions", 201 = PriceScaleVersion)]
async fn create_price_scale_version(
    Owner(actor): Owner,
    db: web::Data<Db>,
    new: Body<NewPriceScaleVersion>,
) -> Reply {
    new.check()?;
    db.create(&actor, &new, async |tx| {
        let price_scale = insert(tx, &new).await?;
        Ok((
            format!("/v1/price-scale/versions/{}", price_scale.version),
            price_scale,
        ))
    })
    .await
}

/// Get a version of the price scale
#[get("/price-scale/versions/{version:\\d+}", 200 = PriceScaleVersion)]
async fn get_price_scale_version(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    version: web::Path<i32>,
) -> Reply {
    let row: Option<Row> = price_scales::table
        .find(*version)
        .select(Row::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let row = row.ok_or_else(|| {
        Problem::not_found(format!("there is no version {version} of the price scale"))
    })?;
    respond(&req, &row.price_scale()?)
}

// SQL

#[derive(Queryable, Selectable)]
#[diesel(table_name = price_scales)]
struct Row {
    #[diesel(embed)]
    heading: PriceScaleHeading,
    starts: Value,
    factors: Value,
}

impl Row {
    fn price_scale(self) -> Result<PriceScaleVersion, Problem> {
        let PriceScaleHeading {
            version,
            from,
            uncertainty,
            notes,
        } = self.heading;
        Ok(PriceScaleVersion {
            version,
            from,
            uncertainty,
            notes,
            starts: serde_json::from_value(self.starts).map_err(Problem::internal)?,
            factors: serde_json::from_value(self.factors).map_err(Problem::internal)?,
        })
    }
}

async fn insert(tx: &mut Tx<'_>, new: &NewPriceScaleVersion) -> Result<PriceScaleVersion, Problem> {
    let starts = new.starts.iter().map(as_written).collect();
    let row: Row = diesel::insert_into(price_scales::table)
        .values((
            price_scales::from_day.eq(new.from),
            price_scales::uncertainty.eq(new.uncertainty),
            price_scales::notes.eq(&new.notes),
            price_scales::starts.eq(Value::Array(starts)),
            price_scales::factors.eq(json!(new.factors)),
        ))
        .returning(Row::as_returning())
        .get_result(tx.conn())
        .await?;
    let data = json!({"version": row.heading.version, "from": row.heading.from});
    tx.record("price_scale.created", None, data).await?;
    row.price_scale()
}

/// Without the millimetres, which are calculated on reading.
fn as_written(start: &Start) -> Value {
    let mut json = json!(start);
    for end in ["/gauge/from", "/gauge/to"] {
        if let Some(length) = json.pointer_mut(end).and_then(Value::as_object_mut) {
            length.remove("mm");
        }
    }
    json
}

/// A version that a model or valuation refers to.
pub(crate) async fn of_version(
    conn: &mut AsyncPgConnection,
    version: i32,
) -> Result<PriceScaleVersion, Problem> {
    let row: Row = price_scales::table
        .find(version)
        .select(Row::as_select())
        .first(conn)
        .await?;
    row.price_scale()
}

/// The version in force on that day.
pub(crate) async fn in_force(
    conn: &mut AsyncPgConnection,
    on: Day,
) -> Result<Option<PriceScaleVersion>, Problem> {
    let row: Option<Row> = price_scales::table
        .filter(price_scales::from_day.le(on))
        .order((price_scales::from_day.desc(), price_scales::version.desc()))
        .select(Row::as_select())
        .first(conn)
        .await
        .optional()?;
    row.map(Row::price_scale).transpose()
}
