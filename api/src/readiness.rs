//! Readiness: may an engine be listed, may it leave, on a day; every reason, and what clears it.

use crate::{
    body::Patch,
    boilers, codes,
    db::{Db, RunQueryDsl},
    engines::{self, Particulars},
    firm,
    keys::{Owner, Staff},
    page::{Query, shown},
    papers,
    problem::{self, Problem, Problems},
    schema::{
        asking_prices, findings, jobs, listings, payments, preparation_ticks, readiness_bars,
        sales, survey_grades, surveys as surveys_table,
    },
    text::{present, present_at_most},
};
use actix_web::{HttpRequest, HttpResponse, get, patch, web};
use diesel::{
    dsl::{exists, sum},
    prelude::*,
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boiler::Touches,
    days::Day,
    jobs::JobStanding,
    money::Money,
    papers::Sentence,
    readiness::{
        self, Asbestos, Bars, BoilerFacts, Check, Facts, Gate, Link, Outcome, Readiness, Shown,
    },
    surveys::Severity,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;

pub fn routes(cfg: &mut ServiceConfig<'_>) {
    cfg.service(get_readiness)
        .service(get_bars)
        .service(change_bars);
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct GateAndDay {
    /// The day asked about; today when left out.
    #[param(example = "2026-12-19")]
    on: Option<Day>,
    /// `deliver` when left out.
    #[param(value_type = Option<Gate>, example = "deliver")]
    gate: Option<Gate>,
}

/// What the firm sets for its own gates.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = readiness_bars)]
#[schema(example = json!({"watch_bars": ["inspector"], "watch_days": 30, "frost_months": [11, 12, 1, 2, 3]}))]
pub struct ReadinessBars {
    /// Checks whose `watch` shuts a gate too. An `unmet` always does.
    #[schema(max_items = 40)]
    pub watch_bars: Vec<Check>,
    /// A paper that lapses within so many days is watched.
    #[schema(minimum = 0, maximum = 366)]
    pub watch_days: i32,
    /// Months in which an engine travels drained.
    #[schema(max_items = 12)]
    pub frost_months: Vec<i32>,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = readiness_bars)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"watch_days": 60}))]
pub struct ReadinessBarsPatch {
    #[serde(default, deserialize_with = "present_at_most::<40, _, _>")]
    #[schema(nullable = false, max_items = 40)]
    pub watch_bars: Option<Vec<Check>>,
    #[serde(default, deserialize_with = "present")]
    #[schema(nullable = false, minimum = 0, maximum = 366)]
    pub watch_days: Option<i32>,
    /// 1 to 12, each once.
    #[serde(default, deserialize_with = "present_at_most::<12, _, _>")]
    #[schema(nullable = false, max_items = 12)]
    pub frost_months: Option<Vec<i32>>,
}

impl ReadinessBarsPatch {
    fn check(&self) -> Result<(), Problem> {
        if self
            .watch_days
            .is_some_and(|days| !(0..=366).contains(&days))
        {
            return Err(Problem::invalid("/watch_days", "not 0 to 366 days"));
        }
        let months = self.frost_months.iter().flatten();
        match months.enumerate().find(|(_, m)| !(1..=12).contains(*m)) {
            Some((i, _)) => Err(Problem::invalid(
                format!("/frost_months/{i}"),
                "not a month from 1 to 12",
            )),
            None => Ok(()),
        }
    }
}

// Routes

/// Read whether an engine may be listed or may leave on a day
///
/// Says which records hold, never that an engine is safe. `open_days` are those of the 24 months from the day.
#[utoipa::path(tag = "selling", operation_id = "get_readiness",
    params(("stock_no" = i32, Path, example = 417, minimum = 1), GateAndDay),
    responses((status = 200, body = Readiness, example = json!({
        "on": "2026-06-02", "gate": "deliver", "open": false,
        "checks": [{"check": "steam_paper", "outcome": "unmet", "reason": "the steam paper ran out on 2026-06-01",
            "clears": "A steam test", "evidence": ["/v1/boilers/88/papers"], "holds_until": null}],
        "open_days": [],
        "cautions": ["Boiler reports do not cross borders: abroad the engine needs the papers of that country."]})), Problems),
    extensions(("x-roles" = json!(["proprietor", "fitter", "seller", "bookkeeper"]))))]
#[get("/engines/{stock_no:\\d+}/readiness")]
async fn get_readiness(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    query: Query<GateAndDay>,
) -> Result<HttpResponse, Problem> {
    let on = query.on.unwrap_or(actor.today);
    let gate = query.gate.unwrap_or(Gate::Deliver);
    let mut conn = db.read().await?;
    let answer = answer(&mut conn, *stock_no, gate, on).await?;
    shown(&req, &answer)
}

/// Read what the firm sets for its gates
#[utoipa::path(tag = "selling", operation_id = "get_readiness_bars", responses((status = 200, body = ReadinessBars), Problems),
    extensions(("x-roles" = json!(["proprietor", "fitter", "seller", "bookkeeper"]))))]
#[get("/readiness-bars")]
async fn get_bars(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let bars = find_bars(&mut *db.read().await?).await?;
    shown(&req, &bars)
}

/// Change what the firm sets for its gates
#[utoipa::path(tag = "selling", operation_id = "change_readiness_bars", params(crate::body::IfMatch),
    request_body(content = ReadinessBarsPatch, content_type = "application/merge-patch+json"),
    responses((status = 200, body = ReadinessBars), Problems), extensions(("x-roles" = json!(["proprietor"]))))]
#[patch("/readiness-bars")]
async fn change_bars(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    patch: Patch<ReadinessBarsPatch>,
) -> Result<HttpResponse, Problem> {
    let changed = db
        .write(&actor, async |tx| {
            let current: ReadinessBars = readiness_bars::table
                .select(ReadinessBars::as_select())
                .for_update()
                .first(tx.conn())
                .await?;
            let change = patch.against(&current)?;
            change.check()?;
            if patch.is_empty() {
                tx.unchanged();
                return Ok(current);
            }
            let changed: ReadinessBars = diesel::update(readiness_bars::table)
                .set(&change)
                .returning(ReadinessBars::as_returning())
                .get_result(tx.conn())
                .await?;
            let entry = json!({"members": patch.members()});
            tx.record("readiness_bars.changed", None, entry).await?;
            Ok(changed)
        })
        .await?;
    shown(&req, &changed)
}

/// For acts that need an open gate: `not_ready` with every reason while it is shut. Lock the engine first, so that what
/// the gate saw still holds when the act is stored.
pub(crate) async fn must_be_open(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    gate: Gate,
    on: Day,
) -> Result<Readiness, Problem> {
    let answer = answer(conn, stock_no, gate, on).await?;
    if answer.open {
        Ok(answer)
    } else {
        let bars = bars(conn).await?;
        Err(shut(&answer, &bars))
    }
}

/// A gate that is not open, as a problem with the checks that shut it.
pub(crate) fn shut(answer: &Readiness, bars: &Bars) -> Problem {
    let bar = |outcome: Outcome, check: Check| match outcome {
        Outcome::Met => false,
        Outcome::Watch => bars.watch_bars.contains(&check),
        Outcome::Unmet => true,
    };
    let reasons = answer
        .checks
        .iter()
        .filter(|check| bar(check.outcome, check.check))
        .map(|check| problem::GateReason {
            check: check.check.to_string(),
            reason: check.reason.as_str().to_owned(),
            clears: check
                .clears
                .as_ref()
                .map_or_else(String::new, |clears| clears.as_str().to_owned()),
            evidence: check
                .evidence
                .iter()
                .take(50)
                .map(|link| link.as_str().to_owned())
                .collect(),
        })
        .collect();
    let act = match answer.gate {
        Gate::List => "be listed",
        Gate::Deliver => "leave",
    };
    Problem::not_ready(
        format!("the engine may not {act} on {}", answer.on),
        reasons,
    )
}

// SQL

/// The answer of a gate from what is recorded now.
pub(crate) async fn answer(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    gate: Gate,
    on: Day,
) -> Result<Readiness, Problem> {
    let facts = load_facts(conn, stock_no, on).await?;
    let bars = bars(conn).await?;
    Ok(readiness::gate(&facts, &bars, gate, on))
}

/// What the firm sets for itself.
pub(crate) async fn bars(conn: &mut AsyncPgConnection) -> Result<Bars, Problem> {
    let found = find_bars(conn).await?;
    Ok(Bars {
        watch_bars: found.watch_bars,
        watch_days: u16::try_from(found.watch_days).map_err(Problem::internal)?,
        frost_months: found
            .frost_months
            .into_iter()
            .filter_map(|month| i8::try_from(month).ok())
            .collect(),
        // Photographs are not kept by the service yet, so that nobody could clear the check.
        not_kept: vec![Check::Photographs],
    })
}

async fn find_bars(conn: &mut AsyncPgConnection) -> Result<ReadinessBars, Problem> {
    Ok(readiness_bars::table
        .select(ReadinessBars::as_select())
        .first(conn)
        .await?)
}

/// All that the gates look at, as recorded now, for a question about day `on`: what is dated later does not count, except
/// what the papers' clock orders itself. `not_found` when there is no such engine.
pub(crate) async fn load_facts(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Facts, Problem> {
    let engine = engines::find(conn, stock_no).await?.particulars;
    let address = format!("/v1/engines/{stock_no}");
    let there = |what: &str| Link::new(&format!("{address}{what}"));
    let sale = sale(conn, stock_no, on).await?;
    let shown_by_sale = |is: bool| {
        sale.as_ref().map(|sale| Shown {
            is,
            link: Link::new(&sale.address),
        })
    };
    let prepared = prepared(conn, stock_no, on).await?;
    let ticked = |item: &str| {
        prepared.get(item).map(|_| Shown {
            is: true,
            link: there("/preparations"),
        })
    };
    let listed: bool = diesel::select(exists(listings::table.find(stock_no)))
        .get_result(conn)
        .await?;
    let by_listing = || {
        listed.then(|| Shown {
            is: true,
            link: there("/listing"),
        })
    };
    let priced: bool = diesel::select(exists(
        asking_prices::table.filter(
            asking_prices::stock_no
                .eq(stock_no)
                .and(asking_prices::on_day.le(on)),
        ),
    ))
    .get_result(conn)
    .await?;
    let (boiler, boiler_not_known) = match boiler(conn, &engine, on).await? {
        OnBoard::Nothing => (None, None),
        OnBoard::TooLittleRecorded(what) => (None, Some(Sentence::new(what))),
        OnBoard::Boiler(facts) => (Some(*facts), None),
    };
    Ok(Facts {
        offer: engine.offered_as,
        boiler,
        boiler_not_known,
        open_findings: open_findings(conn, stock_no, on).await?,
        jobs_in_hand: jobs_in_hand(conn, stock_no).await?,
        graded_on: graded_on(conn, stock_no, on).await?,
        heavy_job_on: heavy_job_on(conn, stock_no, on).await?,
        asbestos: engine.asbestos_suspected.map(|suspected| Shown {
            is: if suspected {
                Asbestos::Suspected
            } else {
                Asbestos::NotSuspected
            },
            link: there(""),
        }),
        // What the public reads of a listing says it by itself, from how the engine is offered.
        listing_says_so: by_listing(),
        buyer_acknowledged: sale.as_ref().and_then(|it| shown_by_sale(it.acknowledged)),
        photographs: None,
        words: by_listing(),
        asking_price: priced.then(|| there("/asking-prices")),
        money_settled: sale.as_ref().and_then(|it| shown_by_sale(it.settled)),
        buyer_abroad: sale.as_ref().and_then(|it| shown_by_sale(it.buyer_abroad)),
        sale: sale.as_ref().map(|sale| Link::new(&sale.address)),
        drained: ticked("drained"),
        lifting_weight: engine.weight.as_ref().map(|_| there("")),
        spares_packed: ticked("spares_packed"),
        papers_packed: ticked("papers_packed"),
    })
}

enum OnBoard {
    /// The engine is made without a boiler.
    Nothing,
    TooLittleRecorded(&'static str),
    Boiler(Box<BoilerFacts>),
}

async fn boiler(
    conn: &mut AsyncPgConnection,
    engine: &Particulars,
    on: Day,
) -> Result<OnBoard, Problem> {
    if !engine.has_boiler {
        return Ok(OnBoard::Nothing);
    }
    let fitted = boilers::in_engine_on(conn, engine.stock_no, on).await?;
    let Some(boiler_id) = fitted else {
        return Ok(OnBoard::TooLittleRecorded(
            "no boiler is recorded as fitted to the engine",
        ));
    };
    let history = papers::histories(conn, &[boiler_id]).await?.pop();
    let known = history.and_then(|history| Some((history.boiler()?, history)));
    let Some((boiler, history)) = known else {
        return Ok(OnBoard::TooLittleRecorded(papers::NO_VOLUME));
    };
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    let recorded = history.particulars;
    let evidence = recorded.conformity_evidence.as_ref();
    Ok(OnBoard::Boiler(Box::new(BoilerFacts {
        jurisdiction,
        boiler,
        rules,
        events: history.events,
        papers: Link::new(&format!("/v1/boilers/{boiler_id}/papers")),
        has_gas_tank: recorded.has_gas_tank,
        first_marketed_on: recorded.first_marketed_on,
        evidence: evidence
            .map(|_| Link::new(&format!("/v1/boilers/{boiler_id}")))
            .into_iter()
            .collect(),
    })))
}

async fn open_findings(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<Vec<Shown<Severity>>>, Problem> {
    let surveyed: bool = diesel::select(exists(
        surveys_table::table.filter(
            surveys_table::stock_no
                .eq(stock_no)
                .and(surveys_table::on_day.le(on)),
        ),
    ))
    .get_result(conn)
    .await?;
    if !surveyed {
        return Ok(None);
    }
    let open: Vec<(i64, Severity)> = findings::table
        .filter(
            findings::stock_no
                .eq(stock_no)
                .and(findings::found_on.le(on)),
        )
        .filter(
            findings::cleared_on
                .is_null()
                .or(findings::cleared_on.assume_not_null().gt(on)),
        )
        .order(findings::id)
        .select((findings::id, findings::severity))
        .load(conn)
        .await?;
    let shown = open.into_iter().map(|(id, severity)| Shown {
        is: severity,
        link: Link::new(&format!("/v1/findings/{id}")),
    });
    Ok(Some(shown.collect()))
}

async fn jobs_in_hand(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Vec<Link>, Problem> {
    let ids: Vec<i64> = jobs::table
        .filter(jobs::stock_no.eq(stock_no))
        .filter(jobs::standing.eq(JobStanding::InHand))
        .order(jobs::id)
        .select(jobs::id)
        .load(conn)
        .await?;
    Ok(ids
        .into_iter()
        .map(|id| Link::new(&format!("/v1/jobs/{id}")))
        .collect())
}

async fn graded_on(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<Shown<Day>>, Problem> {
    let graded: Option<(i64, Day)> = surveys_table::table
        .filter(surveys_table::stock_no.eq(stock_no))
        .filter(surveys_table::on_day.le(on))
        .filter(exists(
            survey_grades::table.filter(survey_grades::survey_id.eq(surveys_table::id)),
        ))
        .order((surveys_table::on_day.desc(), surveys_table::id.desc()))
        .select((surveys_table::id, surveys_table::on_day))
        .first(conn)
        .await
        .optional()?;
    Ok(graded.map(|(id, is)| Shown {
        is,
        link: Link::new(&format!("/v1/surveys/{id}")),
    }))
}

/// A job is heavy that touched pressure parts, safety valves and fittings, or motion.
async fn heavy_job_on(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<Shown<Day>>, Problem> {
    let heavy = vec![
        Touches::PressureParts,
        Touches::SafetyValvesAndFittings,
        Touches::Motion,
    ];
    let last: Option<(i64, Option<Day>)> = jobs::table
        .filter(jobs::stock_no.eq(stock_no))
        .filter(jobs::standing.eq(JobStanding::Finished))
        .filter(jobs::touches.overlaps_with(heavy))
        .filter(jobs::finished_on.assume_not_null().le(on))
        .order(jobs::finished_on.desc())
        .select((jobs::id, jobs::finished_on))
        .first(conn)
        .await
        .optional()?;
    Ok(last.and_then(|(id, finished_on)| {
        Some(Shown {
            is: finished_on?,
            link: Link::new(&format!("/v1/jobs/{id}")),
        })
    }))
}

/// What a sale answers at the gate.
struct SaleSeen {
    address: String,
    settled: bool,
    acknowledged: bool,
    buyer_abroad: bool,
}

async fn sale(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<SaleSeen>, Problem> {
    let sold: Option<(i64, Money, bool, Option<Day>)> = sales::table
        .filter(sales::stock_no.eq(stock_no).and(sales::on_day.le(on)))
        .select((
            sales::id,
            sales::price,
            sales::buyer_abroad,
            sales::papers_acknowledged_on,
        ))
        .first(conn)
        .await
        .optional()?;
    let Some((id, price, buyer_abroad, acknowledged_on)) = sold else {
        return Ok(None);
    };
    let paid: Option<Decimal> = payments::table
        .filter(payments::sale_id.eq(id).and(payments::on_day.le(on)))
        .select(sum(payments::amount))
        .first(conn)
        .await?;
    Ok(Some(SaleSeen {
        address: format!("/v1/sales/{id}"),
        settled: paid.unwrap_or_default() >= price.decimal(),
        acknowledged: acknowledged_on.is_some_and(|day| day <= on),
        buyer_abroad,
    }))
}

async fn prepared(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<HashMap<String, Day>, Problem> {
    let ticks: Vec<(String, Day)> = preparation_ticks::table
        .filter(preparation_ticks::stock_no.eq(stock_no))
        .filter(preparation_ticks::done_on.le(on))
        .select((preparation_ticks::item, preparation_ticks::done_on))
        .load(conn)
        .await?;
    Ok(ticks.into_iter().collect())
}
