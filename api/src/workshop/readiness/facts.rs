//! Loads what the gates check about an engine.

use crate::{
    boilers::{
        codes, installations,
        papers::{self, BoilerHistory},
    },
    engines::photographs,
    firm::firm,
    ground::{db::RunQueryDsl, problem::Problem},
    schema::{
        asking_prices, boiler_codes, engines as engines_table, findings, jobs, listings, payments,
        preparation_ticks, returns, sales, survey_grades, surveys as surveys_table,
    },
    workshop::checklist_items::ShutsGate,
};
use diesel::{
    dsl::{exists, max, sum},
    prelude::*,
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::Touches,
        codes::{Jurisdiction, Rule},
        papers::Sentence,
        readiness::{Asbestos, BoilerFacts, CameBack, Facts, Link, Shown},
    },
    days::Day,
    engines::{
        engine::{Kind, OfferedAs},
        surveys::Severity,
    },
    money::Money,
    units::Mass,
    workshop::jobs::JobStatus,
};
use rust_decimal::Decimal;
use std::{
    collections::{HashMap, HashSet},
    sync::Arc,
};

/// Those of the engines that have a row of the table dated on or before the day.
macro_rules! having {
    ($table:ident, $conn:expr, $stock_nos:expr, $on:expr) => {{
        let found = $table::table
            .filter($table::stock_no.eq_any($stock_nos))
            .filter($table::on_day.le($on))
            .select($table::stock_no)
            .distinct();
        let found: Vec<i32> = found.load($conn).await?;
        found.into_iter().collect::<HashSet<i32>>()
    }};
}

/// Everything that the gates check about each of these engines, in order of stock number, as recorded now, for day
/// `on`. Later records do not count, except those that the boiler code orders itself. The number of queries does not
/// depend on the number of engines.
pub(crate) async fn load_facts(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<Vec<(i32, Facts)>, Problem> {
    let engines = engines_of(conn, stock_nos).await?;
    let mut boilers = boilers_of(conn, &engines, on).await?;
    let sales = sales_of(conn, stock_nos, on).await?;
    let prepared = prepared(conn, stock_nos, on).await?;
    let preparation = ShutsGate::load(conn).await?;
    let listed = listed(conn, stock_nos).await?;
    let priced = having!(asking_prices, conn, stock_nos, on);
    let surveyed = having!(surveys_table, conn, stock_nos, on);
    let mut findings = open_findings(conn, stock_nos, on).await?;
    let mut jobs = jobs_started(conn, stock_nos).await?;
    let graded = graded_on(conn, stock_nos, on).await?;
    let photographs = photographs::counted(conn, stock_nos).await?;
    let not_described = photographs::not_described(conn, stock_nos).await?;
    let settled_by_survey = surveyed_asbestos(conn, stock_nos, on).await?;
    let code_rules = code_rules(conn).await?;
    let heavy = heavy_job_on(conn, stock_nos, on).await?;
    let came_back = came_back(conn, stock_nos, on).await?;
    let facts = engines.into_iter().map(|engine| {
        let stock_no = engine.stock_no;
        let there = |what: &str| Link::new(&format!("/v1/engines/{stock_no}{what}"));
        let sale = sales.get(&stock_no);
        let shown_by_sale = |is: bool| {
            sale.map(|sale| Shown {
                is,
                link: Link::new(&sale.address),
            })
        };
        let ticked = |item: &str| {
            prepared
                .contains(&(stock_no, item.to_owned()))
                .then(|| Shown {
                    is: true,
                    link: there("/checklist-ticks"),
                })
        };
        let by_listing = || {
            listed.contains(&stock_no).then(|| Shown {
                is: true,
                link: there("/listing"),
            })
        };
        let (boiler_in_it, boiler, boiler_not_known) = match boilers.remove(&stock_no) {
            None | Some(OnBoard::Nothing) => (None, None, None),
            Some(OnBoard::TooLittleRecorded(id, what)) => (id, None, Some(Sentence::new(what))),
            Some(OnBoard::Boiler(id, facts)) => (Some(id), Some(*facts), None),
        };
        let found = findings.remove(&stock_no).unwrap_or_default();
        let facts = Facts {
            engine: there(""),
            boiler_in_it: boiler_in_it.map(|id| Link::new(&format!("/v1/boilers/{id}"))),
            code_rules: code_rules.clone(),
            not_described: not_described
                .get(&stock_no)
                .map(|id| Link::new(&format!("/v1/photographs/{id}"))),
            offer: engine.offered_as,
            boiler,
            boiler_not_known,
            open_findings: surveyed.contains(&stock_no).then_some(found),
            jobs_started: jobs.remove(&stock_no).unwrap_or_default(),
            graded_on: graded.get(&stock_no).cloned(),
            heavy_job_on: heavy.get(&stock_no).cloned(),
            asbestos: engine
                .asbestos_suspected
                .map(|suspected| asbestos(suspected, settled_by_survey.get(&stock_no), there(""))),
            // A public listing states this itself, from how the engine is offered.
            listing_says_so: by_listing(),
            buyer_acknowledged: sale.and_then(|it| shown_by_sale(it.acknowledged)),
            photographs: photographs.get(&stock_no).map(|counts| Shown {
                is: *counts,
                link: there("/photographs"),
            }),
            description: by_listing(),
            asking_price: priced.contains(&stock_no).then(|| there("/asking-prices")),
            money_settled: sale.and_then(|it| shown_by_sale(it.settled)),
            buyer_abroad: sale.and_then(|it| shown_by_sale(it.buyer_abroad)),
            sale: sale.map(|sale| Link::new(&sale.address)),
            drained: ticked("drained"),
            lifting_weight: engine.weight.is_some().then(|| there("")),
            spares_packed: ticked("spares_packed"),
            papers_packed: ticked("papers_packed"),
            not_prepared: sale.and_then(|sale| {
                let asked: Vec<(&str, &str)> = preparation
                    .of_sale(engine.kind, sale.at_distance, sale.buyer_abroad)
                    .collect();
                let left = asked.iter().filter(|(item, _)| ticked(item).is_none());
                (!asked.is_empty()).then(|| Shown {
                    is: left.map(|(_, words)| (*words).to_owned()).collect(),
                    link: Link::new(&format!("{}/despatch-checklist", sale.address)),
                })
            }),
            came_back: came_back.get(&stock_no).cloned(),
        };
        (stock_no, facts)
    });
    Ok(facts.collect())
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = engines_table)]
struct EngineSeen {
    kind: Kind,
    stock_no: i32,
    offered_as: OfferedAs,
    has_boiler: bool,
    asbestos_suspected: Option<bool>,
    weight: Option<Mass>,
}

async fn engines_of(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<EngineSeen>, Problem> {
    Ok(engines_table::table
        .filter(engines_table::stock_no.eq_any(stock_nos))
        .order(engines_table::stock_no)
        .select(EngineSeen::as_select())
        .load(conn)
        .await?)
}

enum OnBoard {
    /// The engine was built without a boiler.
    Nothing,
    /// `Some`: the boiler in the engine.
    TooLittleRecorded(Option<i64>, &'static str),
    Boiler(i64, Box<BoilerFacts>),
}

async fn boilers_of(
    conn: &mut AsyncPgConnection,
    engines: &[EngineSeen],
    on: Day,
) -> Result<HashMap<i32, OnBoard>, Problem> {
    let with_boiler = engines.iter().filter(|engine| engine.has_boiler);
    let stock_nos: Vec<i32> = with_boiler.map(|engine| engine.stock_no).collect();
    let fitted = installations::in_engines_on(conn, &stock_nos, on).await?;
    let ids: Vec<i64> = fitted.values().copied().collect();
    let histories = papers::histories(conn, &ids).await?.into_iter();
    let mut histories: HashMap<i64, BoilerHistory> = histories
        .map(|history| (history.particulars.id, history))
        .collect();
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules: Arc<[Rule]> = codes::rules_of(conn, &jurisdiction).await?.into();
    let on_board = engines.iter().map(|engine| {
        let what = match (engine.has_boiler, fitted.get(&engine.stock_no)) {
            (false, _) => OnBoard::Nothing,
            (true, None) => {
                OnBoard::TooLittleRecorded(None, "no boiler is recorded as fitted to the engine")
            }
            (true, Some(id)) => match histories.remove(id) {
                Some(history) => with_history(*id, history, &jurisdiction, &rules),
                None => OnBoard::TooLittleRecorded(Some(*id), papers::NO_VOLUME),
            },
        };
        (engine.stock_no, what)
    });
    Ok(on_board.collect())
}

fn with_history(
    id: i64,
    history: BoilerHistory,
    jurisdiction: &Jurisdiction,
    rules: &Arc<[Rule]>,
) -> OnBoard {
    let Some(boiler) = history.boiler() else {
        return OnBoard::TooLittleRecorded(Some(id), papers::NO_VOLUME);
    };
    let recorded = history.particulars;
    let evidence = recorded.conformity_evidence.as_ref();
    let facts = BoilerFacts {
        jurisdiction: jurisdiction.clone(),
        boiler,
        rules: Arc::clone(rules),
        events: history.events,
        papers: Link::new(&format!("/v1/boilers/{id}/papers")),
        has_gas_tank: recorded.has_gas_tank,
        first_marketed_on: recorded.first_marketed_on,
        evidence: evidence
            .map(|_| Link::new(&format!("/v1/boilers/{id}")))
            .into_iter()
            .collect(),
    };
    OnBoard::Boiler(id, Box::new(facts))
}

/// What is recorded for the engine, with a link to the survey that found it if there is one.
fn asbestos(suspected: bool, surveyed: Option<&(i64, Asbestos)>, engine: Link) -> Shown<Asbestos> {
    let found = surveyed.filter(|(_, found)| (*found == Asbestos::Suspected) == suspected);
    match (found, suspected) {
        (Some((survey, is)), _) => Shown {
            is: *is,
            link: Link::new(&format!("/v1/surveys/{survey}")),
        },
        (None, true) => Shown {
            is: Asbestos::Suspected,
            link: engine,
        },
        (None, false) => Shown {
            is: Asbestos::NotSuspected,
            link: engine,
        },
    }
}

/// The last survey of each engine that checked for asbestos.
async fn surveyed_asbestos(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, (i64, Asbestos)>, Problem> {
    let found: Vec<(i32, i64, Asbestos)> = surveys_table::table
        .filter(surveys_table::stock_no.eq_any(stock_nos))
        .filter(surveys_table::on_day.le(on))
        .filter(surveys_table::asbestos.is_not_null())
        .order((surveys_table::on_day, surveys_table::id))
        .select((
            surveys_table::stock_no,
            surveys_table::id,
            surveys_table::asbestos.assume_not_null(),
        ))
        .load(conn)
        .await?;
    // The last survey of the engine overwrites the others.
    let last = found
        .into_iter()
        .map(|(stock_no, id, is)| (stock_no, (id, is)));
    Ok(last.collect())
}

/// Where to add rules to the code of the firm's jurisdiction.
async fn code_rules(conn: &mut AsyncPgConnection) -> Result<Option<Link>, Problem> {
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let code: Option<i64> = boiler_codes::table
        .filter(boiler_codes::jurisdiction.eq(jurisdiction))
        .order(boiler_codes::id)
        .select(boiler_codes::id)
        .first(conn)
        .await
        .optional()?;
    Ok(code.map(|id| Link::new(&format!("/v1/boiler-codes/{id}/rules"))))
}

async fn listed(conn: &mut AsyncPgConnection, stock_nos: &[i32]) -> Result<HashSet<i32>, Problem> {
    let found = listings::table
        .filter(listings::stock_no.eq_any(stock_nos))
        .select(listings::stock_no);
    let found: Vec<i32> = found.load(conn).await?;
    Ok(found.into_iter().collect())
}

async fn open_findings(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, Vec<Shown<Severity>>>, Problem> {
    let open: Vec<(i32, i64, Severity)> = findings::table
        .filter(findings::stock_no.eq_any(stock_nos))
        .filter(findings::found_on.le(on))
        .filter(
            findings::cleared_on
                .is_null()
                .or(findings::cleared_on.assume_not_null().gt(on)),
        )
        .order(findings::id)
        .select((findings::stock_no, findings::id, findings::severity))
        .load(conn)
        .await?;
    let mut by_engine: HashMap<i32, Vec<Shown<Severity>>> = HashMap::new();
    for (stock_no, id, severity) in open {
        by_engine.entry(stock_no).or_default().push(Shown {
            is: severity,
            link: Link::new(&format!("/v1/findings/{id}")),
        });
    }
    Ok(by_engine)
}

async fn jobs_started(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Vec<Link>>, Problem> {
    let found: Vec<(i32, i64)> = jobs::table
        .filter(jobs::stock_no.eq_any(stock_nos))
        .filter(jobs::status.eq(JobStatus::Started))
        .order(jobs::id)
        .select((jobs::stock_no, jobs::id))
        .load(conn)
        .await?;
    let mut by_engine: HashMap<i32, Vec<Link>> = HashMap::new();
    for (stock_no, id) in found {
        let link = Link::new(&format!("/v1/jobs/{id}"));
        by_engine.entry(stock_no).or_default().push(link);
    }
    Ok(by_engine)
}

/// The last day on which condition grades were given.
async fn graded_on(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, Shown<Day>>, Problem> {
    let graded: Vec<(i32, i64, Day)> = surveys_table::table
        .filter(surveys_table::stock_no.eq_any(stock_nos))
        .filter(surveys_table::on_day.le(on))
        .filter(exists(
            survey_grades::table.filter(survey_grades::survey_id.eq(surveys_table::id)),
        ))
        .order((surveys_table::on_day, surveys_table::id))
        .select((
            surveys_table::stock_no,
            surveys_table::id,
            surveys_table::on_day,
        ))
        .load(conn)
        .await?;
    // The last survey of the engine overwrites the others.
    let shown = graded.into_iter().map(|(stock_no, id, is)| {
        let link = Link::new(&format!("/v1/surveys/{id}"));
        (stock_no, Shown { is, link })
    });
    Ok(shown.collect())
}

/// The last heavy job: one that touched pressure parts, safety valves and fittings, or motion.
async fn heavy_job_on(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, Shown<Day>>, Problem> {
    let heavy = vec![
        Touches::PressureParts,
        Touches::SafetyValvesAndFittings,
        Touches::Motion,
    ];
    let done: Vec<(i32, i64, Option<Day>)> = jobs::table
        .filter(jobs::stock_no.eq_any(stock_nos))
        .filter(jobs::status.eq(JobStatus::Finished))
        .filter(jobs::touches.overlaps_with(heavy))
        .filter(jobs::finished_on.assume_not_null().le(on))
        .order((jobs::finished_on, jobs::id))
        .select((jobs::stock_no, jobs::id, jobs::finished_on))
        .load(conn)
        .await?;
    let shown = done.into_iter().filter_map(|(stock_no, id, finished_on)| {
        let link = Link::new(&format!("/v1/jobs/{id}"));
        let is = finished_on?;
        Some((stock_no, Shown { is, link }))
    });
    Ok(shown.collect())
}

/// The last return of each engine delivered to a buyer, and whether it was surveyed since.
async fn came_back(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, Shown<CameBack>>, Problem> {
    let back: Vec<(i32, i64, Day)> = returns::table
        .inner_join(sales::table)
        .filter(sales::stock_no.eq_any(stock_nos))
        .filter(returns::delivery_id.is_not_null())
        .filter(returns::on_day.le(on))
        .order((returns::on_day, returns::id))
        .select((sales::stock_no, returns::id, returns::on_day))
        .load(conn)
        .await?;
    let surveyed: Vec<(i32, Option<Day>)> = surveys_table::table
        .filter(surveys_table::stock_no.eq_any(stock_nos))
        .filter(surveys_table::on_day.le(on))
        .group_by(surveys_table::stock_no)
        .select((surveys_table::stock_no, max(surveys_table::on_day)))
        .load(conn)
        .await?;
    let surveyed: HashMap<i32, Option<Day>> = surveyed.into_iter().collect();
    // The last return of the engine overwrites the others.
    let shown = back.into_iter().map(|(stock_no, id, back_on)| {
        let last = surveyed.get(&stock_no).copied().flatten();
        let is = CameBack {
            on: back_on,
            surveyed_since: last.is_some_and(|last| last >= back_on),
        };
        let link = Link::new(&format!("/v1/returns/{id}"));
        (stock_no, Shown { is, link })
    });
    Ok(shown.collect())
}

/// What the gate checks of a sale.
struct SaleSeen {
    address: String,
    settled: bool,
    acknowledged: bool,
    buyer_abroad: bool,
    at_distance: bool,
}

async fn sales_of(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, SaleSeen>, Problem> {
    type Row = (i32, i64, Money, bool, bool, Option<Day>);
    let sold: Vec<Row> = sales::table
        .filter(sales::stock_no.eq_any(stock_nos))
        .filter(sales::on_day.le(on))
        .filter(
            sales::sale_cancelled_on
                .is_null()
                .or(sales::sale_cancelled_on.assume_not_null().gt(on)),
        )
        .select((
            sales::stock_no,
            sales::id,
            sales::price,
            sales::buyer_abroad,
            sales::at_distance,
            sales::papers_acknowledged_on,
        ))
        .load(conn)
        .await?;
    let ids: Vec<i64> = sold.iter().map(|(_, id, ..)| *id).collect();
    let paid: Vec<(i64, Option<Decimal>)> = payments::table
        .filter(payments::sale_id.eq_any(ids))
        .filter(payments::on_day.le(on))
        .group_by(payments::sale_id)
        .select((payments::sale_id, sum(payments::amount)))
        .load(conn)
        .await?;
    let paid: HashMap<i64, Option<Decimal>> = paid.into_iter().collect();
    let seen = sold.into_iter().map(
        |(stock_no, id, price, buyer_abroad, at_distance, acknowledged_on)| {
            let paid = paid.get(&id).copied().flatten().unwrap_or_default();
            let seen = SaleSeen {
                address: format!("/v1/sales/{id}"),
                settled: paid >= price.decimal(),
                acknowledged: acknowledged_on.is_some_and(|day| day <= on),
                buyer_abroad,
                at_distance,
            };
            (stock_no, seen)
        },
    );
    Ok(seen.collect())
}

/// The ticked items of the despatch checklists.
async fn prepared(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashSet<(i32, String)>, Problem> {
    let ticks: Vec<(i32, String)> = preparation_ticks::table
        .filter(preparation_ticks::stock_no.eq_any(stock_nos))
        .filter(preparation_ticks::done_on.le(on))
        .select((preparation_ticks::stock_no, preparation_ticks::item))
        .load(conn)
        .await?;
    Ok(ticks.into_iter().collect())
}
