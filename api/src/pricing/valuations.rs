//! Valuations: what an engine would fetch on a day, and why. Every valuation is kept for ever.

pub(crate) mod answer;
pub(crate) mod picture;

use crate::{
    ground::{
        actor::{Selling, Staff},
        answers::{Reply, accepts, respond},
        body::Body,
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, newest_of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Text, at_most},
    },
    pricing::{
        margins,
        pricing_facts::{self, Done},
    },
    schema::valuations,
    stock,
};
use actix_web::{HttpRequest, web};
use answer::{Answer, Case, Question, Supposition};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day, money::Money, pricing::valuation::engine_features::EngineOnSale,
    trade::ValuationBasis,
};
use outshop_operation::{get, post};
use picture::ChartMarks;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};
use utoipa::{IntoParams, ToSchema};

/// Engines valued in one request.
const MOST_AT_ONCE: usize = 1000;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(create_valuation)
        .service(list_valuations)
        .service(create_valuations)
        .service(get_valuation);
}

// Types

/// What an engine would fetch on a day, as it was answered.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 77, "stock_no": 10, "on": "2026-05-14", "basis": "sales", "price_scale_version": 3, "price_model_id": 12,
    "low": "5612.40", "likely": "6480.15", "high": "7482.06", "level_percent": 80, "start": "6200.00",
    "steps": [{"feature": "build_quality", "level": "fine", "from": "price_scale", "factor": "1.05", "effect": "309.20"},
        {"feature": "market", "level": null, "from": "sales", "factor": "0.995415", "effect": "-29.05"}],
    "not_known": ["papers"],
    "comparables": [{"comparable_id": 903, "sale_id": null, "on": "2025-11-08", "price": "6200.00", "weight": "0.2113",
        "adjusted_price": "6510.00", "steps": [{"difference": "price_scale", "factor": "1.050000", "price": "6510.00"}]}],
    "would_narrow": [{"feature": "papers_months_left", "share": "0.0412"}],
    "supposing": [{"supposing": {"grades": {"boiler": null, "fittings_and_feeds": null, "cylinders_and_valves": null, "motion": null,
            "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": "good", "completeness": null},
            "build_quality": null, "working_order": null, "papers_months_left": null, "included_items": [], "finished_jobs": [],
            "tests_passed": []},
        "low": "5740.10", "likely": "6627.61", "high": "7652.34", "difference": "147.46"}],
    "warnings": ["builder: only 2 past sale(s) of this kind."]}))]
pub struct Valuation {
    pub id: i64,
    pub stock_no: i32,
    pub on: Day,
    #[serde(flatten)]
    pub answer: Answer,
}

/// A valuation to make.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "level_percent": 80, "supposing": [{"tests_passed": ["steam"]}]}))]
pub struct NewValuation {
    /// The day to value for, not after today; null: today.
    pub on: Option<Day>,
    /// How many of 100 such prices are expected in the range; null: 80.
    #[schema(minimum = 50, maximum = 95)]
    pub level_percent: Option<u8>,
    /// Changes to the facts, each valued on its own: better paint, a fresh steam test.
    #[serde(default, deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub supposing: Vec<Supposition>,
}

impl NewValuation {
    fn check(&self, today: Day) -> Result<(), Problem> {
        let mut broken = Vec::new();
        if self.on.is_some_and(|on| on > today) {
            let detail = "must not be after today";
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

/// Valuations to make.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "stock_nos": [10, 11]}))]
pub struct NewValuations {
    /// The day to value for, not after today; null: today.
    pub on: Option<Day>,
    /// How many of 100 such prices are expected in each range; null: 80.
    #[schema(minimum = 50, maximum = 95)]
    pub level_percent: Option<u8>,
    /// Empty: all engines in stock.
    #[serde(default, deserialize_with = "at_most::<1000, _, _>")]
    #[schema(min_items = 1, max_items = 1000)]
    pub stock_nos: Vec<i32>,
}

/// Several engines valued for one day on the same basis.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"on": "2026-05-14", "level_percent": 80, "items": [
    {"stock_no": 10, "valuation_id": 78, "low": "5612.40", "likely": "6480.15", "high": "7482.06", "likely_before": "6510.00",
        "not_valued": null},
    {"stock_no": 11, "valuation_id": null, "low": null, "likely": null, "high": null, "likely_before": null,
        "not_valued": "version 3 of the price scale gives no price: the gauge is not known; record it on the engine"}]}))]
pub struct Revaluation {
    pub on: Day,
    /// How many of 100 such prices are expected in each range.
    #[schema(minimum = 50, maximum = 95)]
    pub level_percent: u8,
    /// By stock number.
    #[schema(max_items = 1000)]
    pub items: Vec<Revalued>,
}

/// An engine's valuation, or why there is none.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Revalued {
    pub stock_no: i32,
    /// null if it could not be valued; the prices are then null too.
    pub valuation_id: Option<i64>,
    pub low: Option<Money>,
    pub likely: Option<Money>,
    pub high: Option<Money>,
    /// The likely price of the previous valuation; null without one.
    pub likely_before: Option<Money>,
    /// Why it could not be valued; null if it was.
    #[schema(max_length = 1000)]
    pub not_valued: Option<String>,
}

#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ValuationFilters {
    /// Only this engine.
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
    /// Only valuations for this day.
    #[param(example = "2026-05-14")]
    on: Option<Day>,
}

/// The rules for the level and the suppositions of every valuation request.
pub(crate) fn level_and_suppositions(
    level_percent: Option<u8>,
    supposing: &[Supposition],
) -> Vec<FieldError> {
    let mut broken = Vec::new();
    if level_percent.is_some_and(|level| !(50..=95).contains(&level)) {
        broken.push(at("/level_percent", "must be 50 to 95"));
    }
    for (i, supposition) in supposing.iter().enumerate() {
        if *supposition == Supposition::default() {
            broken.push(at(
                format!("/supposing/{i}"),
                "changes nothing; give at least one fact, or leave it out",
            ));
        }
        if supposition.papers_months_left.is_some_and(|n| n > 60) {
            let pointer = format!("/supposing/{i}/papers_months_left");
            broken.push(at(pointer, "must be 0 to 60 months"));
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

/// Value an engine
///
/// Uses the engine's records, surveys and certificates up to that day, and the sales known by then. With fewer than 8
/// sales only the price scale is used, and `basis` says so. Every penny between the price scale's base price and the
/// likely price is explained. 409 if the price scale gives no price.
#[post("/engines/{stock_no:\\d+}/valuations", 201 = Valuation)]
async fn create_valuation(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewValuation>,
) -> Reply {
    let on = new.on.unwrap_or(actor.today);
    db.create(&actor, &new, async |tx| {
        let engine = facts_of(tx.conn(), *stock_no, on).await?;
        new.check(tx.actor.today)?;
        let question = Question {
            supposing: cases(tx.conn(), *stock_no, &engine, &new.supposing).await?,
            level_percent: new.level_percent.unwrap_or(80),
            engine,
        };
        let answer = answer::to(tx.conn(), question, on).await?;
        let mut kept = insert(tx, on, vec![(*stock_no, answer)]).await?;
        let valuation = kept.pop().expect("one valuation per answer");
        Ok((format!("/v1/valuations/{}", valuation.id), valuation))
    })
    .await
}

/// List valuations
///
/// Newest first.
#[get("/valuations", 200 = Page<Valuation>)]
async fn list_valuations(_by: Staff, list: ListQuery<ValuationFilters>) -> Reply {
    let filters = list.filters.clone();
    let fetch =
        async move |conn: &mut AsyncPgConnection, page: Keyset| load(conn, &filters, &page).await;
    list.answer(fetch, |it: &Valuation| it.id).await
}

/// Value several engines
///
/// All engines in stock, or those listed, each as `POST /v1/engines/{stock_no}/valuations` does. Engines that cannot be
/// valued are returned with the reason; the rest are valued.
#[post("/valuations", 201 = Revaluation)]
async fn create_valuations(
    Selling(actor): Selling,
    db: web::Data<Db>,
    new: Body<NewValuations>,
) -> Reply {
    let on = new.on.unwrap_or(actor.today);
    let level_percent = new.level_percent.unwrap_or(80);
    let rules = NewValuation {
        on: new.on,
        level_percent: new.level_percent,
        supposing: Vec::new(),
    };
    rules.check(actor.today)?;
    // Calculated before the transaction, which would time out as idle while hundreds of engines are valued.
    let mut conn = db.read().await?;
    let engines = asked_for(&mut conn, &new.stock_nos, on).await?;
    let before = likely_before(&mut conn, engines.keys().copied().collect()).await?;
    let (stock_nos, questions): (Vec<i32>, Vec<Question>) = engines
        .into_iter()
        .map(|(stock_no, engine)| {
            let question = Question {
                engine,
                level_percent,
                supposing: Vec::new(),
            };
            (stock_no, question)
        })
        .unzip();
    let answers = answer::each(&mut conn, questions, on).await?;
    drop(conn);
    let (mut answered, mut not_valued) = (Vec::new(), Vec::new());
    for (stock_no, answer) in stock_nos.into_iter().zip(answers) {
        match answer {
            Ok(answer) => answered.push((stock_no, answer)),
            Err(reason) => not_valued.push(Revalued::not_valued(stock_no, &reason)),
        }
    }
    db.create(&actor, &new, async |tx| {
        if answered.is_empty() {
            tx.unchanged();
        }
        let kept = insert(tx, on, answered.clone()).await?;
        let mut items = not_valued.clone();
        items.extend(kept.iter().map(Revalued::of));
        for item in &mut items {
            item.likely_before = before.get(&item.stock_no).copied();
        }
        items.sort_by_key(|item| item.stock_no);
        let revaluation = Revaluation {
            on,
            level_percent,
            items,
        };
        Ok((format!("/v1/valuations?on={on}"), revaluation))
    })
    .await
}

impl Revalued {
    fn of(valuation: &Valuation) -> Revalued {
        let answer = &valuation.answer;
        Revalued {
            stock_no: valuation.stock_no,
            valuation_id: Some(valuation.id),
            low: Some(answer.low),
            likely: Some(answer.likely),
            high: Some(answer.high),
            likely_before: None,
            not_valued: None,
        }
    }

    fn not_valued(stock_no: i32, reason: &Problem) -> Revalued {
        Revalued {
            stock_no,
            valuation_id: None,
            low: None,
            likely: None,
            high: None,
            likely_before: None,
            not_valued: Some(reason.to_string()),
        }
    }
}

/// Get a valuation
///
/// Send `Accept: image/svg+xml` for a picture: the range, the comparables before and after adjustment to this engine,
/// today's asking price and, for roles that may see it, the break-even price.
#[get("/valuations/{id:\\d+}", 200(content((Valuation = "application/json"), (Text<1_000_000> = "image/svg+xml"))))]
async fn get_valuation(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let row = Row::find(&mut conn, *id).await?;
    let valuation = row.valuation()?;
    if !accepts(&req, picture::MEDIA_TYPE) {
        return respond(&req, &valuation);
    }
    let stock_no = valuation.stock_no;
    let marks = ChartMarks {
        asking_price: stock::asking_price_of(&mut conn, stock_no).await?,
        break_even_price: margins::break_even_price(&mut conn, &actor, stock_no).await?,
    };
    let heading = format!(
        "What engine {stock_no} would fetch on {}",
        valuation.on.in_words()
    );
    picture::respond(&req, &mut conn, &heading, &valuation.answer, &marks).await
}

/// The engine under each supposition.
async fn cases(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    engine: &EngineOnSale,
    supposing: &[Supposition],
) -> Result<Vec<Case>, Problem> {
    let mut cases = Vec::with_capacity(supposing.len());
    for (i, supposition) in supposing.iter().enumerate() {
        let done = Done {
            jobs: &supposition.finished_jobs,
            tests: &supposition.tests_passed,
        };
        let by_the_records = if done.jobs.is_empty() && done.tests.is_empty() {
            engine.clone()
        } else {
            let pointer = format!("/supposing/{i}");
            pricing_facts::after(conn, stock_no, engine, done, &pointer).await?
        };
        cases.push(Case {
            engine: supposition.of(&by_the_records),
            told: supposition.clone(),
        });
    }
    Ok(cases)
}

/// The records of one engine.
pub(crate) async fn facts_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<EngineOnSale, Problem> {
    let mut found = pricing_facts::load(conn, &BTreeMap::from([(stock_no, on)])).await?;
    found
        .remove(&stock_no)
        .ok_or_else(|| stock::missing(stock_no))
}

// SQL

by_id!(Row, valuations, "there is no valuation {id}");

/// The high figure of an engine's last valuation.
pub(crate) async fn last_high(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Option<Money>, Problem> {
    let last = valuations::table
        .filter(valuations::stock_no.eq(stock_no))
        .order(valuations::id.desc())
        .select(valuations::high);
    Ok(last.first(conn).await.optional()?)
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = valuations)]
struct Row {
    id: i64,
    stock_no: i32,
    on_day: Day,
    basis: ValuationBasis,
    price_scale_version: i32,
    price_model_id: Option<i64>,
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
                price_scale_version: self.price_scale_version,
                price_model_id: self.price_model_id,
                low: self.low,
                likely: self.likely,
                high: self.high,
                reason: serde_json::from_value(self.answer).map_err(Problem::internal)?,
            },
        })
    }
}

async fn load(
    conn: &mut AsyncPgConnection,
    filters: &ValuationFilters,
    page: &Keyset,
) -> Result<Vec<Valuation>, Problem> {
    let mut query = valuations::table.select(Row::as_select()).into_boxed();
    if let Some(stock_no) = filters.stock_no {
        query = query.filter(valuations::stock_no.eq(stock_no));
    }
    if let Some(on) = filters.on {
        query = query.filter(valuations::on_day.eq(on));
    }
    let rows: Vec<Row> = newest_of_page!(page, query, valuations::id)
        .load(conn)
        .await?;
    rows.into_iter().map(Row::valuation).collect()
}

/// The engines listed, or all in stock.
async fn asked_for(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<BTreeMap<i32, EngineOnSale>, Problem> {
    let days: BTreeMap<i32, Day> = if stock_nos.is_empty() {
        let in_stock = stock::in_stock(conn).await?;
        if in_stock.len() > MOST_AT_ONCE {
            let detail = format!(
                "more than {MOST_AT_ONCE} engines are in stock; list at most {MOST_AT_ONCE} at a time"
            );
            return Err(Problem::invalid("/stock_nos", detail));
        }
        in_stock
            .into_iter()
            .map(|stock_no| (stock_no, on))
            .collect()
    } else {
        stock_nos.iter().map(|stock_no| (*stock_no, on)).collect()
    };
    let found = pricing_facts::load(conn, &days).await?;
    match stock_nos
        .iter()
        .position(|asked| !found.contains_key(asked))
    {
        None => Ok(found.into_iter().collect()),
        Some(wrong) => {
            let detail = format!("there is no engine {}", stock_nos[wrong]);
            Err(Problem::invalid(format!("/stock_nos/{wrong}"), detail))
        }
    }
}

/// The likely price of the last valuation, by stock number.
async fn likely_before(
    conn: &mut AsyncPgConnection,
    stock_nos: Vec<i32>,
) -> Result<HashMap<i32, Money>, Problem> {
    let last: Vec<(i32, Money)> = valuations::table
        .filter(valuations::stock_no.eq_any(stock_nos))
        .distinct_on(valuations::stock_no)
        .order((
            valuations::stock_no,
            valuations::on_day.desc(),
            valuations::id.desc(),
        ))
        .select((valuations::stock_no, valuations::likely))
        .load(conn)
        .await?;
    Ok(last.into_iter().collect())
}

/// Stores the answers of a day, at most one per engine.
async fn insert(
    tx: &mut Tx<'_>,
    on: Day,
    answers: Vec<(i32, Answer)>,
) -> Result<Vec<Valuation>, Problem> {
    let rows: Vec<_> = answers
        .iter()
        .map(|(stock_no, answer)| {
            (
                valuations::stock_no.eq(stock_no),
                valuations::on_day.eq(on),
                valuations::basis.eq(answer.basis),
                valuations::price_scale_version.eq(answer.price_scale_version),
                valuations::price_model_id.eq(answer.price_model_id),
                valuations::low.eq(answer.low),
                valuations::likely.eq(answer.likely),
                valuations::high.eq(answer.high),
                valuations::answer.eq(json!(answer.reason)),
            )
        })
        .collect();
    let ids: Vec<(i32, i64)> = diesel::insert_into(valuations::table)
        .values(rows)
        .returning((valuations::stock_no, valuations::id))
        .load(tx.conn())
        .await?;
    let ids: HashMap<i32, i64> = ids.into_iter().collect();
    let kept = answers.into_iter().filter_map(|(stock_no, answer)| {
        let id = *ids.get(&stock_no)?;
        Some(Valuation {
            id,
            stock_no,
            on,
            answer,
        })
    });
    let kept: Vec<Valuation> = kept.collect();
    let entries = kept.iter().map(|valuation| {
        let answer = &valuation.answer;
        let data = json!({"valuation_id": valuation.id, "price_scale_version": answer.price_scale_version, "price_model_id": answer.price_model_id,
            "likely": answer.likely});
        (Some(valuation.stock_no), data)
    });
    tx.record_each("engine.valued", entries.collect()).await?;
    Ok(kept)
}
