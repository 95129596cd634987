//! What is on record of engines that their prices hang on, each on a day; the number of queries does not depend on the
//! number of engines.

use crate::{
    boilers, codes,
    db::RunQueryDsl,
    firm,
    papers::{self, BoilerHistory},
    problem::Problem,
    schema::{engines, jobs, survey_grades, surveys},
    text::Line,
};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    engine::{BuilderStanding, Fuel, GoesWith, Kind, Scale, WorkingOrder},
    jobs::JobStanding,
    pricing_facts::Included,
    surveys::{Area, BuildQuality, Grade},
    units::{Length, Mass},
    valuation::engine_features::EngineOnSale,
};
use std::collections::{BTreeMap, HashMap};

/// By stock number the facts of each of these engines on its day: its particulars as they are now, what surveys and papers
/// said up to that day. An engine that does not exist is missing.
///
/// Medals, the record from the beginning and the worth of work done are not kept, and so not known.
pub(crate) async fn load(
    conn: &mut AsyncPgConnection,
    days: &BTreeMap<i32, Day>,
) -> Result<HashMap<i32, EngineOnSale>, Problem> {
    let stock_nos: Vec<i32> = days.keys().copied().collect();
    let mut facts = particulars(conn, &stock_nos, days).await?;
    add_build_quality(conn, &stock_nos, &mut facts).await?;
    add_grades(conn, &stock_nos, &mut facts).await?;
    add_boilers(conn, &stock_nos, &mut facts).await?;
    add_work(conn, &stock_nos, &mut facts).await?;
    Ok(facts)
}

type Facts = HashMap<i32, EngineOnSale>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = engines)]
struct Row {
    stock_no: i32,
    kind: Kind,
    gauge: Option<Length>,
    scale: Option<Scale>,
    weight: Option<Mass>,
    working_order: Option<WorkingOrder>,
    builder_standing: Option<BuilderStanding>,
    design: Option<Line>,
    fuel: Option<Fuel>,
    built_year: Option<i32>,
    goes_with: Vec<GoesWith>,
}

async fn particulars(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    days: &BTreeMap<i32, Day>,
) -> Result<Facts, Problem> {
    let rows: Vec<Row> = engines::table
        .filter(engines::stock_no.eq_any(stock_nos))
        .select(Row::as_select())
        .load(conn)
        .await?;
    let facts = rows.into_iter().filter_map(|row| {
        let on = *days.get(&row.stock_no)?;
        let goes_with = row.goes_with.iter();
        let engine = EngineOnSale {
            gauge: row.gauge,
            scale: row.scale,
            weight: row.weight,
            working_order: row.working_order,
            builder: row.builder_standing,
            design: row.design.map(|design| design.to_string()),
            fuel: row.fuel,
            built_in: row.built_year.and_then(|year| i16::try_from(year).ok()),
            goes_with: goes_with.map(|item| (*item, Included::Included)).collect(),
            ..EngineOnSale::of(row.kind, on)
        };
        Some((row.stock_no, engine))
    });
    Ok(facts.collect())
}

/// By the latest survey that judged it.
async fn add_build_quality(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    facts: &mut Facts,
) -> Result<(), Problem> {
    let judged: Vec<(i32, Day, Option<BuildQuality>)> = surveys::table
        .filter(surveys::stock_no.eq_any(stock_nos))
        .filter(surveys::build_quality.is_not_null())
        .order((surveys::on_day, surveys::id))
        .select((surveys::stock_no, surveys::on_day, surveys::build_quality))
        .load(conn)
        .await?;
    for (stock_no, on, quality) in judged {
        if let Some(engine) = up_to(facts, stock_no, on) {
            engine.build_quality = quality;
        }
    }
    Ok(())
}

/// For each area, by the latest survey that looked at it.
async fn add_grades(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    facts: &mut Facts,
) -> Result<(), Problem> {
    let graded: Vec<(i32, Day, Area, Grade)> = survey_grades::table
        .inner_join(surveys::table)
        .filter(surveys::stock_no.eq_any(stock_nos))
        .order((surveys::on_day, surveys::id))
        .select((
            surveys::stock_no,
            surveys::on_day,
            survey_grades::area,
            survey_grades::grade,
        ))
        .load(conn)
        .await?;
    for (stock_no, on, area, grade) in graded {
        if let Some(engine) = up_to(facts, stock_no, on) {
            engine.grades.insert(area, grade);
        }
    }
    Ok(())
}

/// Material and papers of the boiler that was in the engine on the day.
async fn add_boilers(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    facts: &mut Facts,
) -> Result<(), Problem> {
    let mut in_engine: HashMap<i32, i64> = HashMap::new();
    for fitted in boilers::fitted_in(conn, stock_nos).await? {
        let on = facts.get(&fitted.stock_no).map(|engine| engine.on);
        if on.is_some_and(|on| fitted.on(on)) {
            in_engine.insert(fitted.stock_no, fitted.boiler_id);
        }
    }
    let mut ids: Vec<i64> = in_engine.values().copied().collect();
    ids.sort_unstable();
    ids.dedup();
    let histories = papers::histories(conn, &ids).await?.into_iter();
    let histories: HashMap<i64, BoilerHistory> = histories
        .map(|history| (history.particulars.id, history))
        .collect();
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    for (stock_no, boiler_id) in in_engine {
        let found = (facts.get_mut(&stock_no), histories.get(&boiler_id));
        if let (Some(engine), Some(history)) = found {
            engine.boiler_material = Some(history.particulars.material);
            engine.papers_months_left = history.months_left(&jurisdiction, &rules, engine.on);
        }
    }
    Ok(())
}

/// How long ago the last job was finished.
async fn add_work(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    facts: &mut Facts,
) -> Result<(), Problem> {
    let finished: Vec<(i32, Option<Day>)> = jobs::table
        .filter(jobs::stock_no.eq_any(stock_nos))
        .filter(jobs::standing.eq(JobStanding::Finished))
        .order((jobs::finished_on, jobs::id))
        .select((jobs::stock_no, jobs::finished_on))
        .load(conn)
        .await?;
    for (stock_no, on) in finished {
        let engine = on.and_then(|on| Some((up_to(facts, stock_no, on)?, on)));
        if let Some((engine, on)) = engine {
            engine.months_since_work = Some(engine.on.whole_months_since(on));
        }
    }
    Ok(())
}

/// The engine, if what is of that day counts for it.
fn up_to(facts: &mut Facts, stock_no: i32, on: Day) -> Option<&mut EngineOnSale> {
    facts.get_mut(&stock_no).filter(|engine| on <= engine.on)
}
