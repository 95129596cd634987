//! Valuations: what an engine would fetch on a day, with its reasons; each kept for ever.

pub(crate) mod answer;

use crate::{
    body::Body,
    db::{Db, RunQueryDsl, Tx},
    engine_facts, engines,
    keys::{Selling, Staff},
    page::{Keyset, ListQuery, NoFilters, Page, PageParams, shown},
    problem::{FieldError, Problem, Problems},
    schema::valuations,
    text::at_most,
};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use answer::{Answer, Question, Supposition};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day, money::Money, trade::ValuationBasis, valuation::engine_features::EngineOnSale,
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
#[schema(example = json!({"id": 77, "stock_no": 417, "on": "2026-05-14", "basis": "sales", "guide_version": 3, "fit_id": 12,
    "low": "5612.40", "likely": "6480.15", "high": "7482.06", "level_percent": 80, "start": "6200.00",
    "steps": [{"feature": "build_quality", "level": "fine", "from": "guide", "factor": "1.05", "effect": "309.20"},
        {"feature": "market", "level": null, "from": "sales", "factor": "0.995415", "effect": "-29.05"}],
    "not_known": ["papers"],
    "comparables": [{"comparable_id": 903, "sale_id": null, "on": "2025-11-08", "price": "6200.00", "weight": "0.2113",
        "adjusted_price": "6510.00", "steps": [{"difference": "guide", "factor": "1.050000", "price": "6510.00"}]}],
    "would_narrow": [{"feature": "papers_months_left", "share": "0.0412"}],
    "supposing": [{"supposing": {"grades": {"boiler": null, "fittings_and_feeds": null, "cylinders_and_valves": null, "motion": null,
            "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": "good", "completeness": null},
            "build_quality": null, "working_order": null, "papers_months_left": null, "goes_with": []},
        "low": "5740.10", "likely": "6627.61", "high": "7652.34", "difference": "147.46"}],
    "warnings": ["builder: no more than 2 of the sales were of such an engine."]}))]
pub struct Valuation {
    #[schema(minimum = 1)]
    pub id: i64,
    #[schema(minimum = 1)]
    pub stock_no: i32,
    pub on: Day,
    #[serde(flatten)]
    pub answer: Answer,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "level_percent": 80, "supposing": [{"papers_months_left": 14}]}))]
pub struct NewValuation {
    /// Today unless told otherwise, and today at the latest.
    pub on: Option<Day>,
    /// How many of 100 such prices the range is to hold; 80 unless told otherwise.
    #[schema(minimum = 50, maximum = 95)]
    pub level_percent: Option<u8>,
    /// Changes of the facts, each valued by itself: better paint, a fresh steam test.
    #[serde(default, deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub supposing: Vec<Supposition>,
}

impl NewValuation {
    fn check(&self, today: Day) -> Result<(), Problem> {
        let mut broken = Vec::new();
        if self.on.is_some_and(|on| on > today) {
            let detail = "after today: nothing is on record of that day";
            broken.push(at("/on", detail));
        }
        broken.extend(level_and_suppositions(self.level_percent, &self.supposing));
        if broken.is_empty() {
            Ok(())
        } else {
            Err(Problem::invalid_all(broken))
        }
    }
}

/// The rules of what every question about a price may ask.
pub(crate) fn level_and_suppositions(
    level_percent: Option<u8>,
    supposing: &[Supposition],
) -> Vec<FieldError> {
    let mut broken = Vec::new();
    if level_percent.is_some_and(|level| !(50..=95).contains(&level)) {
        broken.push(at("/level_percent", "not 50 to 95"));
    }
    for (i, supposition) in supposing.iter().enumerate() {
        if *supposition == Supposition::default() {
            broken.push(at(format!("/supposing/{i}"), "changes nothing"));
        }
        if supposition.papers_months_left.is_some_and(|n| n > 60) {
            let pointer = format!("/supposing/{i}/papers_months_left");
            broken.push(at(pointer, "not 0 to 60 months"));
        }
    }
    broken
}

fn at(pointer: impl Into<String>, detail: &str) -> FieldError {
    FieldError {
        pointer: pointer.into(),
        detail: detail.to_owned(),
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
/// From what is on record of the engine, its surveys and its papers up to that day, and from the sales learned from by
/// then. With fewer than 8 sales it rests on the firm's guide alone, and says so. Every penny from the guide's starting
/// price to the likely one is explained.
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
        let engine = facts_of(tx.conn(), *stock_no, on).await?;
        new.check(tx.actor.today)?;
        let question = Question {
            engine,
            level_percent: new.level_percent.unwrap_or(80),
            supposing: new.supposing.clone(),
        };
        let answer = answer::to(tx.conn(), question, on).await?;
        let valuation = insert(tx, *stock_no, on, answer).await?;
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

/// What is on record of one engine.
pub(crate) async fn facts_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<EngineOnSale, Problem> {
    let mut found = engine_facts::load(conn, &BTreeMap::from([(stock_no, on)])).await?;
    found
        .remove(&stock_no)
        .ok_or_else(|| engines::missing(stock_no))
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
    fit_id: Option<i64>,
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
            answer: Answer {
                basis: self.basis,
                guide_version: self.guide_version,
                fit_id: self.fit_id,
                low: self.low,
                likely: self.likely,
                high: self.high,
                why: serde_json::from_value(self.answer).map_err(Problem::internal)?,
            },
        })
    }
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    on: Day,
    answer: Answer,
) -> Result<Valuation, Problem> {
    let id: i64 = diesel::insert_into(valuations::table)
        .values((
            valuations::stock_no.eq(stock_no),
            valuations::on_day.eq(on),
            valuations::basis.eq(answer.basis),
            valuations::guide_version.eq(answer.guide_version),
            valuations::fit_id.eq(answer.fit_id),
            valuations::low.eq(answer.low),
            valuations::likely.eq(answer.likely),
            valuations::high.eq(answer.high),
            valuations::answer.eq(json!(answer.why)),
        ))
        .returning(valuations::id)
        .get_result(tx.conn())
        .await?;
    let data = json!({"valuation_id": id, "guide_version": answer.guide_version, "fit_id": answer.fit_id,
        "likely": answer.likely});
    tx.record("engine.valued", Some(stock_no), data).await?;
    Ok(Valuation {
        id,
        stock_no,
        on,
        answer,
    })
}
