//! The recorded facts that prices depend on, each as of a day. The number of queries does not depend on the number of
//! engines.

use crate::{
    boilers::{
        codes, installations,
        papers::{self, BoilerHistory},
    },
    firm::firm,
    ground::{db::RunQueryDsl, problem::Problem, text::Line},
    schema::{engines, jobs, survey_grades, surveys},
    workshop::{
        hour_rates::{self, HourPrices},
        jobs::{self as jobs_file, Job},
    },
};
use diesel::{
    prelude::*,
    sql_types::{Array, Date, Integer, Numeric},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::BoilerNumber,
        codes::{Jurisdiction, Rule},
        events::{Event, Lacks, TestKind},
    },
    books::costs::work_line,
    days::{Day, TimeOfDay},
    engines::{
        engine::{BuilderStanding, Fuel, IncludedItem, Kind, Scale, WorkingOrder},
        surveys::{Area, BuildQuality, Grade},
    },
    money::Money,
    pricing::{pricing_facts::Included, valuation::engine_features::EngineOnSale},
    units::{Length, Mass},
    workshop::jobs::{Hours, JobStatus},
};
use std::collections::{BTreeMap, HashMap};

/// Work in this many months before the day counts as recent; common practice, no source.
const RECENT_MONTHS: i32 = 24;

/// The facts of each of these engines on its day, by stock number: its particulars as they are now, and surveys,
/// certificates and jobs up to that day. An engine that does not exist is left out.
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

/// Work assumed to be done on the day of an engine's facts.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Done<'a> {
    /// Jobs of the engine that are still open.
    pub jobs: &'a [i64],
    /// Passed after the jobs, each as the boiler code requires.
    pub tests: &'a [TestKind],
}

/// The engine as it would be then. `pointer` is the member of the request that asks for it.
pub(crate) async fn after(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    engine: &EngineOnSale,
    done: Done<'_>,
    pointer: &str,
) -> Result<EngineOnSale, Problem> {
    let jobs = open_jobs(conn, stock_no, done.jobs, pointer).await?;
    let work = Work::load(conn, stock_no, engine.on).await?;
    if work.history.is_none() && !done.tests.is_empty() {
        let detail =
            "no boiler is recorded in the engine on that day; record its installation first";
        return Err(Problem::invalid(format!("{pointer}/tests_passed"), detail));
    }
    let jobs: Vec<&Job> = jobs.iter().collect();
    work.done(engine, &jobs, done.tests)
}

/// The records needed to work out what any work does to an engine.
pub(crate) struct Work {
    on: Day,
    /// The boiler in the engine.
    history: Option<BoilerHistory>,
    jurisdiction: Jurisdiction,
    pub rules: Vec<Rule>,
    /// The recovery rates of hours.
    pub hours: HourPrices,
}

impl Work {
    pub(crate) async fn load(
        conn: &mut AsyncPgConnection,
        stock_no: i32,
        on: Day,
    ) -> Result<Work, Problem> {
        let history = match installations::in_engine_on(conn, stock_no, on).await? {
            Some(id) => papers::histories(conn, &[id]).await?.pop(),
            None => None,
        };
        let jurisdiction = firm::find(conn).await?.jurisdiction;
        Ok(Work {
            on,
            history,
            rules: codes::rules_of(conn, &jurisdiction).await?,
            jurisdiction,
            hours: hour_rates::on(conn, on).await?,
        })
    }

    pub(crate) const fn has_boiler(&self) -> bool {
        self.history.is_some()
    }

    /// The engine with the grades and working order expected of the jobs, and with the effect of jobs and tests on its
    /// certificates.
    pub(crate) fn done(
        &self,
        engine: &EngineOnSale,
        jobs: &[&Job],
        tests: &[TestKind],
    ) -> Result<EngineOnSale, Problem> {
        let mut changed = engine.clone();
        for job in jobs {
            changed.grades.extend(job.grades_after.given());
            changed.working_order = job.facts.working_order_after.or(changed.working_order);
            changed.months_since_work = Some(0);
            let so_far = changed.recent_work.unwrap_or_default();
            let worth = worth_of(job, self.on, &self.hours)?;
            changed.recent_work = Some(so_far.checked_add(worth).map_err(Problem::internal)?);
        }
        if let Some(history) = &self.history
            && !(jobs.is_empty() && tests.is_empty())
        {
            let mut history = history.clone();
            let number = history.particulars.number.clone();
            history.events.extend(finishes(jobs, self.on));
            history.events.extend(passes(tests, self.on, &number));
            changed.papers_months_left =
                history.months_left(&self.jurisdiction, &self.rules, self.on);
        }
        Ok(changed)
    }
}

async fn open_jobs(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    ids: &[i64],
    pointer: &str,
) -> Result<Vec<Job>, Problem> {
    let found = jobs_file::find_all(conn, ids).await?;
    let is_open = |id: &i64| {
        let job = found.iter().find(|job| job.facts.id == *id);
        job.is_some_and(|job| job.facts.stock_no == stock_no && !job.facts.status.is_closed())
    };
    match ids.iter().position(|id| !is_open(id)) {
        None => Ok(found),
        Some(wrong) => Err(Problem::invalid(
            format!("{pointer}/finished_jobs/{wrong}"),
            "must be an open job of this engine",
        )),
    }
}

/// Uses the hours agreed, or those booked if that is more.
fn worth_of(job: &Job, on: Day, prices: &HourPrices) -> Result<Money, Problem> {
    let agreed = job.facts.hours_agreed.unwrap_or(Hours::ZERO);
    let hours = agreed.max(job.hours_booked);
    let rate = prices.of(job.facts.fitter_id, job.facts.skill).rate.worth;
    let work =
        work_line(on, hours, Money::ZERO, rate).map_err(|fault| Problem::from(vec![fault]))?;
    let of_others = job.facts.outside_work.unwrap_or_default();
    let parts = job.facts.parts_expected.unwrap_or_default();
    let parts = parts.max(job.parts_cost);
    Money::sum([work.worth, of_others, parts]).map_err(Problem::internal)
}

fn finishes(jobs: &[&Job], on: Day) -> impl Iterator<Item = Event> {
    jobs.iter().map(move |job| Event::JobFinished {
        on,
        at: time("08:00"),
        touches: job.facts.touches.clone(),
        gauge_glass_only: Some(job.facts.gauge_glass_only),
    })
}

fn time(of_day: &str) -> Option<TimeOfDay> {
    of_day.parse().ok()
}

/// Steam test last, as its certificate depends on the others.
fn passes(tests: &[TestKind], on: Day, number: &BoilerNumber) -> impl Iterator<Item = Event> {
    tests.iter().map(move |test| Event::Test {
        test: *test,
        jurisdiction: None,
        lacks: Lacks {
            supposed: true,
            ..Lacks::default()
        },
        on,
        at: time(match test {
            TestKind::Steam => "16:00",
            TestKind::HydraulicFirst
            | TestKind::HydraulicRepeat
            | TestKind::GasTank
            | TestKind::ExternalExamination
            | TestKind::InternalExamination
            | TestKind::Ultrasonic => "12:00",
        }),
        pressure: None,
        hold_minutes: None,
        highest_pressure: None,
        passed: Some(true),
        boiler_number: Some(number.clone()),
        stated_until: None,
        inspector_interest: None,
    })
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
    included_items: Vec<IncludedItem>,
    medals: Option<i32>,
    full_record: Option<bool>,
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
        let included_items = row.included_items.iter();
        let engine = EngineOnSale {
            gauge: row.gauge,
            scale: row.scale,
            weight: row.weight,
            working_order: row.working_order,
            builder: row.builder_standing,
            design: row.design.map(|design| design.to_string()),
            fuel: row.fuel,
            built_in: row.built_year.and_then(|year| i16::try_from(year).ok()),
            included_items: included_items
                .map(|item| (*item, Included::Included))
                .collect(),
            medals: row.medals.and_then(|medals| u32::try_from(medals).ok()),
            full_record: row.full_record,
            ..EngineOnSale::of(row.kind, on)
        };
        Some((row.stock_no, engine))
    });
    Ok(facts.collect())
}

/// From the latest survey that judged it.
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

/// For each area, from the latest survey that covered it.
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

/// Material and certificates of the boiler in the engine on the day.
async fn add_boilers(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    facts: &mut Facts,
) -> Result<(), Problem> {
    let mut in_engine: HashMap<i32, i64> = HashMap::new();
    for fitted in installations::installed_in(conn, stock_nos).await? {
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

/// The time since the last job was finished, and the value of recent work. Nothing is known of work before the engine
/// arrived, so no line on record does not mean no work.
async fn add_work(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    facts: &mut Facts,
) -> Result<(), Problem> {
    let finished: Vec<(i32, Option<Day>)> = jobs::table
        .filter(jobs::stock_no.eq_any(stock_nos))
        .filter(jobs::status.eq(JobStatus::Finished))
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
    let lines: Vec<WorkLine> = diesel::sql_query(include_str!("pricing_facts/work.sql"))
        .bind::<Array<Integer>, _>(stock_nos)
        .load(conn)
        .await?;
    for line in lines {
        let engine = up_to(facts, line.stock_no, line.on_day);
        let recent = engine.filter(|engine| line.on_day > engine.on.plus_months(-RECENT_MONTHS));
        if let Some(engine) = recent {
            let so_far = engine.recent_work.unwrap_or_default();
            let sum = so_far.checked_add(line.worth).map_err(Problem::internal)?;
            engine.recent_work = Some(sum);
        }
    }
    Ok(())
}

#[derive(QueryableByName)]
struct WorkLine {
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = Date)]
    on_day: Day,
    #[diesel(sql_type = Numeric)]
    worth: Money,
}

/// The engine, if a record of that day counts for it.
fn up_to(facts: &mut Facts, stock_no: i32, on: Day) -> Option<&mut EngineOnSale> {
    facts.get_mut(&stock_no).filter(|engine| on <= engine.on)
}
