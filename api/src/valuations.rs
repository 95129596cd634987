//! Valuations: what an engine would fetch on a day, with its reasons; each kept for ever.
//!
//! They rest on the firm's own guide alone, and say so.

use crate::{
    body::Body,
    boilers,
    db::{Db, RunQueryDsl, Tx},
    engines,
    guide::in_force,
    keys::{Selling, Staff},
    page::{Keyset, ListQuery, NoFilters, Page, PageParams, shown},
    papers,
    problem::{Problem, Problems},
    schema::{survey_grades, surveys, valuations},
    text::Text,
};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    guide::{self, GuidePrice, NoPrice, Ratio},
    money::Money,
    papers::Reason,
    pricing_facts::{Feature, Included, Papers, PricingFacts},
    surveys::{Area, BuildQuality, Grade},
    trade::ValuationBasis,
};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;

pub fn routes(cfg: &mut ServiceConfig<'_>) {
    cfg.service(list_valuations)
        .service(create_valuation)
        .service(get_valuation);
}

// Types

/// What an engine would fetch on a day, as it was answered.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 77, "stock_no": 417, "on": "2026-05-14", "basis": "guide", "guide_version": 3,
    "low": "4999.68", "likely": "6249.60", "high": "7812.00", "level_percent": 80, "start": "6200.00",
    "steps": [{"feature": "build_quality", "level": "fine", "factor": "1.05", "effect": "303.71"},
        {"feature": "motion", "level": "worn", "factor": "0.96", "effect": "-254.11"}],
    "not_known": ["papers"], "warnings": ["From the firm's guide alone: the range is the uncertainty of 0.25 that the guide \
states, and no sale supports it.", "papers: not known, no factor applied."]}))]
pub struct Valuation {
    #[schema(minimum = 1)]
    pub id: i64,
    #[schema(minimum = 1)]
    pub stock_no: i32,
    pub on: Day,
    /// What it rests on.
    pub basis: ValuationBasis,
    #[schema(minimum = 1)]
    pub guide_version: i32,
    pub low: Money,
    pub likely: Money,
    pub high: Money,
    #[serde(flatten)]
    pub why: Why,
}

/// The reasons of a valuation, in the form in which they are kept.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(as = ValuationReasons)]
pub struct Why {
    /// How many of 100 such prices the range from low to high is meant to hold.
    #[schema(minimum = 1, maximum = 99)]
    pub level_percent: u8,
    /// The guide's starting price for its kind and size.
    pub start: Money,
    /// `start` and all effects add up to `likely` to the penny.
    #[schema(max_items = 100)]
    pub steps: Vec<ValuationStep>,
    /// What the guide asks about and no record tells: no factor was applied.
    #[schema(max_items = 100)]
    pub not_known: Vec<Feature>,
    #[schema(max_items = 100)]
    pub warnings: Vec<Text<1000>>,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(example = json!({"feature": "build_quality", "level": "fine", "factor": "1.05", "effect": "303.71"}))]
pub struct ValuationStep {
    pub feature: Feature,
    /// A word of the feature.
    #[schema(max_length = 60)]
    pub level: String,
    /// 1 where the guide has factors for the feature, but none for this level.
    pub factor: Ratio,
    pub effect: Money,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14"}))]
pub struct NewValuation {
    /// Today unless told otherwise, and today at the latest.
    pub on: Option<Day>,
}

impl Why {
    fn of(price: &GuidePrice) -> Result<Why, Problem> {
        let warnings = price.warnings.iter().map(|w| w.to_string().parse());
        Ok(Why {
            level_percent: price.range_percent,
            start: price.start,
            steps: price
                .steps
                .iter()
                .map(|step| ValuationStep {
                    feature: step.feature,
                    level: step.level.to_owned(),
                    factor: step.factor,
                    effect: step.effect,
                })
                .collect(),
            not_known: price.missing.clone(),
            warnings: warnings
                .collect::<Result<_, _>>()
                .map_err(Problem::internal)?,
        })
    }
}

// Routes

/// List the valuations of an engine
///
/// The latest first.
#[utoipa::path(tag = "prices", operation_id = "list_valuations", params(("stock_no" = i32, Path, example = 417, minimum = 1), PageParams),
    responses((status = 200, body = Page<Valuation>), Problems),
    extensions(("x-roles" = json!(["proprietor", "fitter", "seller", "bookkeeper"]))))]
#[get("/engines/{stock_no:\\d+}/valuations")]
async fn list_valuations(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let stock_no = *stock_no;
    engines::find(&mut *db.read().await?, stock_no).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = valuations::table
            .filter(valuations::stock_no.eq(stock_no))
            .select(Row::as_select())
            .order(valuations::id.desc())
            .limit(page.limit)
            .into_boxed();
        if let Some(after) = page.after_id() {
            query = query.filter(valuations::id.lt(after));
        }
        let rows: Vec<Row> = query.load(conn).await?;
        rows.into_iter().map(Row::valuation).collect()
    };
    let key = |valuation: &Valuation| (Value::Null, valuation.id);
    list.answer(&req, &db, fetch, key).await
}

/// Value an engine
///
/// From the guide that counts on that day, and from what is on record of the engine, its surveys and its papers. It rests
/// on the firm's guide alone and on no sales; the answer says so, and says what is not known.
#[utoipa::path(tag = "prices", operation_id = "create_valuation",
    params(("stock_no" = i32, Path, example = 417, minimum = 1), crate::body::Repeatable), request_body = NewValuation,
    responses((status = 201, body = Valuation), Problems), extensions(("x-roles" = json!(["proprietor", "seller"]))))]
#[post("/engines/{stock_no:\\d+}/valuations")]
async fn create_valuation(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewValuation>,
) -> Result<HttpResponse, Problem> {
    let on = new.on.unwrap_or(actor.today);
    db.create(&actor, &new, async |tx| {
        let facts = load_facts(tx.conn(), *stock_no, on).await?;
        if on > tx.actor.today {
            let detail = "after today: nothing is on record of that day";
            return Err(Problem::invalid("/on", detail));
        }
        let price = price(tx.conn(), &facts, on).await?;
        let valuation = insert(tx, *stock_no, on, &price).await?;
        Ok((format!("/v1/valuations/{}", valuation.id), valuation))
    })
    .await
}

/// Read a valuation
#[utoipa::path(tag = "prices", operation_id = "get_valuation", params(("id" = i64, Path, example = 77, minimum = 1)),
    responses((status = 200, body = Valuation), Problems),
    extensions(("x-roles" = json!(["proprietor", "fitter", "seller", "bookkeeper"]))))]
#[get("/valuations/{id:\\d+}")]
async fn get_valuation(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let row: Option<Row> = valuations::table
        .find(*id)
        .select(Row::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let row = row.ok_or_else(|| Problem::not_found(format!("there is no valuation {id}")))?;
    shown(&req, &row.valuation()?)
}

async fn price(
    conn: &mut AsyncPgConnection,
    facts: &PricingFacts,
    on: Day,
) -> Result<GuidePrice, Problem> {
    let guide = in_force(conn, on).await?.ok_or_else(|| {
        Problem::conflict(format!(
            "no guide counts on {on}; the proprietor writes one at /v1/guide/versions"
        ))
    })?;
    let version = guide.version;
    guide::value(&guide.rules()?, facts).map_err(|no_price| {
        let way_out = match no_price {
            NoPrice::NoStartForKind { .. }
            | NoPrice::NoStartForSize { .. }
            | NoPrice::OutOfRange => "write a version of the guide that covers it",
            NoPrice::GaugeNotKnown { .. } | NoPrice::ScaleNotKnown { .. } => {
                "record it on the engine"
            }
        };
        Problem::conflict(format!(
            "version {version} of the guide gives no price: {no_price}; {way_out}"
        ))
    })
}

// SQL

#[derive(Queryable, Selectable)]
#[diesel(table_name = valuations)]
struct Row {
    id: i64,
    stock_no: i32,
    on_day: Day,
    basis: ValuationBasis,
    guide_version: i32,
    low: Money,
    likely: Money,
    high: Money,
    answer: Value,
}

impl Row {
    fn valuation(self) -> Result<Valuation, Problem> {
        Ok(Valuation {
            id: self.id,
            stock_no: self.stock_no,
            on: self.on_day,
            basis: self.basis,
            guide_version: self.guide_version,
            low: self.low,
            likely: self.likely,
            high: self.high,
            why: serde_json::from_value(self.answer).map_err(Problem::internal)?,
        })
    }
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    on: Day,
    price: &GuidePrice,
) -> Result<Valuation, Problem> {
    let row: Row = diesel::insert_into(valuations::table)
        .values((
            valuations::stock_no.eq(stock_no),
            valuations::on_day.eq(on),
            valuations::basis.eq(ValuationBasis::Guide),
            valuations::guide_version.eq(price.guide_version),
            valuations::low.eq(price.low),
            valuations::likely.eq(price.likely),
            valuations::high.eq(price.high),
            valuations::answer.eq(json!(Why::of(price)?)),
        ))
        .returning(Row::as_returning())
        .get_result(tx.conn())
        .await?;
    let data =
        json!({"valuation_id": row.id, "guide_version": row.guide_version, "likely": row.likely});
    tx.record("engine.valued", Some(stock_no), data).await?;
    row.valuation()
}

/// What is on record of the engine: its particulars as they are now, its surveys and papers up to that day.
async fn load_facts(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<PricingFacts, Problem> {
    let engine = engines::find(conn, stock_no).await?.particulars;
    let included = engine
        .goes_with
        .iter()
        .map(|item| (*item, Included::Included));
    Ok(PricingFacts {
        kind: engine.kind,
        gauge: engine.gauge,
        scale: engine.scale,
        build_quality: build_quality(conn, stock_no, on).await?,
        grades: grades(conn, stock_no, on).await?,
        builder: engine.builder_standing,
        fuel: engine.fuel,
        papers: papers(conn, stock_no, on).await?,
        goes_with: included.collect(),
        working_order: engine.working_order,
    })
}

/// By the latest survey that judged it.
async fn build_quality(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<BuildQuality>, Problem> {
    let judged: Option<Option<BuildQuality>> = surveys::table
        .filter(surveys::stock_no.eq(stock_no))
        .filter(surveys::on_day.le(on))
        .filter(surveys::build_quality.is_not_null())
        .order((surveys::on_day.desc(), surveys::id.desc()))
        .select(surveys::build_quality)
        .first(conn)
        .await
        .optional()?;
    Ok(judged.flatten())
}

/// For each area, by the latest survey that looked at it.
async fn grades(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<BTreeMap<Area, Grade>, Problem> {
    let graded: Vec<(Area, Grade)> = survey_grades::table
        .inner_join(surveys::table)
        .filter(surveys::stock_no.eq(stock_no))
        .filter(surveys::on_day.le(on))
        .distinct_on(survey_grades::area)
        .order((
            survey_grades::area,
            surveys::on_day.desc(),
            surveys::id.desc(),
        ))
        .select((survey_grades::area, survey_grades::grade))
        .load(conn)
        .await?;
    Ok(graded.into_iter().collect())
}

/// Whether the papers of the boiler that was in it on that day hold then. Not known without a boiler on record, and where
/// the code has no answer: no row of it asks, or the boiler is beyond its limit.
async fn papers(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<Papers>, Problem> {
    let Some(boiler_id) = boilers::in_engine_on(conn, stock_no, on).await? else {
        return Ok(None);
    };
    let Some(answer) = papers::answer_for(conn, boiler_id, on).await? else {
        return Ok(None);
    };
    let silent = |reason: &Reason| matches!(reason, Reason::NoCode | Reason::OutsideCode);
    let day = answer
        .days
        .iter()
        .find(|day| day.on == on && !day.reasons.iter().any(silent));
    Ok(day.map(|day| {
        if day.papers_hold {
            Papers::InDate
        } else {
            Papers::NotInDate
        }
    }))
}
