//! Jobs: work on an engine, its moves, hours and parts, and what it does to the papers.

use crate::{
    boilers::{
        boilers::{self, WorkedOn},
        codes, papers,
    },
    books::tax_periods,
    engines::surveys::{self, Grades},
    firm::firm,
    ground::{
        actor::{Staff, Workshop},
        answers::shown,
        body::{Body, Patch},
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx, hashtextextended, pg_advisory_xact_lock},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        query::any_of,
        text::{Line, Prose, Text, at_most},
    },
    schema::{job_findings, job_grades, job_hours, job_needs, job_parts, jobs},
    stock,
    workshop::fitters,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::Touches,
        codes::{Jurisdiction, Rule, RuleKey},
        papers::{self as clock, Due, Event, PaperKind, TestKind},
    },
    days::{Day, TimeOfDay},
    engines::{
        engine::WorkingOrder,
        surveys::{Area, Grade},
    },
    money::Money,
    sense::{self, Member},
    workshop::jobs::{
        Hours, JobDays, JobStanding, MoveFault, Skill, Took, WorkPlace, consequences,
    },
};
use outshop_operation::{get, patch, post};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(list_engine_jobs)
        .service(create_job)
        .service(list_jobs)
        .service(get_job)
        .service(change_job)
        .service(move_job)
        .service(book_hours)
        .service(book_hours_of_engine)
        .service(use_parts)
        .service(reverse_line)
        .service(get_consequences);
}

/// How many lines of hours, and how many of parts, a job has at most.
const MOST_LINES: usize = 1000;

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = jobs)]
pub struct JobFacts {
    pub id: i64,
    pub stock_no: i32,
    pub title: Line,
    pub standing: JobStanding,
    #[schema(min_items = 1, max_items = 5)]
    pub touches: Vec<Touches>,
    /// Nothing but a gauge glass is changed.
    pub gauge_glass_only: bool,
    pub hours_agreed: Option<Hours>,
    /// What others are to be paid, net of their tax.
    pub outside_work: Option<Money>,
    /// When the part on order, or the work by others, that it waits for is expected.
    pub expected_on: Option<Day>,
    /// Who asks after that.
    pub chased_by: Option<Line>,
    /// What its parts are expected to cost in all, net of tax.
    pub parts_expected: Option<Money>,
    /// Null: any fitter can do it.
    pub skill: Option<Skill>,
    /// Who is to do it; null: whoever has the skill and the hours.
    pub fitter_id: Option<i64>,
    /// What the engine takes meanwhile; null: no room of the shop.
    pub work_place: Option<WorkPlace>,
    /// How many days others have it; null: it is done in the shop.
    #[schema(minimum = 1, maximum = 366)]
    pub days_away: Option<i32>,
    pub proposed_on: Day,
    pub agreed_on: Option<Day>,
    pub begun_on: Option<Day>,
    pub finished_on: Option<Day>,
    /// Where the order of this job and a test on one day matters.
    pub finished_at: Option<TimeOfDay>,
    pub called_off_on: Option<Day>,
    /// The working order that the work is to bring about; null: it stays as it is.
    pub working_order_after: Option<WorkingOrder>,
    /// The boiler that the work was on, as a fact of the finished job; null before, or where none is on record. Moving boilers
    /// later changes nothing of it.
    pub boiler_id: Option<i64>,
    pub notes: Option<Prose>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 33, "stock_no": 10, "title": "Left injector", "standing": "finished",
    "touches": ["safety_valves_and_fittings"], "gauge_glass_only": false, "hours_agreed": "4", "outside_work": null, "expected_on": null,
    "chased_by": null, "parts_expected": "20.00", "skill": "fitting", "fitter_id": null, "work_place": "bench", "days_away": null, "needs": [],
    "proposed_on": "2026-04-09", "agreed_on": "2026-04-10", "begun_on": "2026-04-18", "finished_on": "2026-04-20",
    "finished_at": "11:30", "called_off_on": null, "working_order_after": null, "boiler_id": 88, "notes": null, "findings": [205],
    "grades_after": {"boiler": null, "fittings_and_feeds": "good", "cylinders_and_valves": null, "motion": null,
        "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": null, "completeness": null},
    "hours_booked": "3.5", "hours": [{"id": 710, "on": "2026-04-18", "fitter": "Edda Morlock", "hours": "3.5", "reverses_id": null, "confirmed": []}],
    "parts_cost": "18.40", "parts": [{"id": 91, "on": "2026-04-18", "words": "injector cones", "cost": "18.40", "reverses_id": null}]}))]
pub struct Job {
    #[serde(flatten)]
    pub facts: JobFacts,
    /// The findings that it is to clear when it is finished.
    #[schema(max_items = 200)]
    pub findings: Vec<i64>,
    /// Jobs of the same engine that have to be finished before it is begun.
    #[schema(max_items = 20)]
    pub needs: Vec<i64>,
    /// The condition grades that the work is to bring about.
    pub grades_after: Grades,
    /// Sum of the hours below.
    pub hours_booked: Hours,
    #[schema(max_items = 1000)]
    pub hours: Vec<HoursLine>,
    /// Sum of the parts below.
    pub parts_cost: Money,
    #[schema(max_items = 1000)]
    pub parts: Vec<PartsLine>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = job_hours)]
pub struct HoursLine {
    pub id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub fitter: Line,
    /// Below nought where the line reverses another.
    pub hours: Hours,
    /// The line that this one takes back.
    pub reverses_id: Option<i64>,
    /// Members whose values are outside the usual limits and were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = job_parts)]
pub struct PartsLine {
    pub id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub words: Line,
    /// Net of the supplier's tax; below nought where the line reverses another.
    pub cost: Money,
    /// The line that this one takes back.
    pub reverses_id: Option<i64>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"title": "Left injector", "touches": ["safety_valves_and_fittings"], "hours_agreed": "4",
    "grades_after": {"fittings_and_feeds": "good"}}))]
pub struct NewJob {
    pub title: Line,
    /// What the work touches; decides which papers it voids.
    #[serde(deserialize_with = "at_most::<5, _, _>")]
    #[schema(min_items = 1, max_items = 5)]
    pub touches: Vec<Touches>,
    /// Nothing but a gauge glass is changed; then the job touches safety valves and fittings alone.
    #[serde(default)]
    pub gauge_glass_only: bool,
    pub hours_agreed: Option<Hours>,
    /// What others are to be paid, net of their tax.
    pub outside_work: Option<Money>,
    /// When the part on order, or the work by others, that it waits for is expected.
    pub expected_on: Option<Day>,
    /// Who asks after that.
    pub chased_by: Option<Line>,
    /// What its parts are expected to cost in all, net of tax.
    pub parts_expected: Option<Money>,
    /// Any fitter can do it unless told otherwise.
    pub skill: Option<Skill>,
    /// Who is to do it; whoever has the skill and the hours unless told otherwise.
    pub fitter_id: Option<i64>,
    /// What the engine takes meanwhile; no room of the shop unless told otherwise.
    pub work_place: Option<WorkPlace>,
    /// How many days others have it; such a job has no hours of ours.
    #[schema(minimum = 1, maximum = 366)]
    pub days_away: Option<i32>,
    /// Jobs of the same engine that have to be finished before it is begun.
    #[serde(default, deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub needs: Vec<i64>,
    /// Today unless told otherwise.
    pub proposed_on: Option<Day>,
    /// Open findings of the engine that the job is to clear.
    #[serde(default, deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    pub findings: Vec<i64>,
    /// The condition grades that the work is to bring about: what it is worth follows from them.
    #[serde(default)]
    pub grades_after: Grades,
    /// The working order that the work is to bring about, if another.
    pub working_order_after: Option<WorkingOrder>,
    pub notes: Option<Prose>,
}

/// What a job touches, clears and brings about is fixed once it is finished or called off.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = jobs, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"hours_agreed": "6"}))]
pub struct JobPatch {
    pub title: Line,
    #[serde(deserialize_with = "at_most::<5, _, _>")]
    #[schema(min_items = 1, max_items = 5)]
    pub touches: Vec<Touches>,
    pub gauge_glass_only: bool,
    pub hours_agreed: Option<Hours>,
    pub outside_work: Option<Money>,
    pub expected_on: Option<Day>,
    pub chased_by: Option<Line>,
    pub parts_expected: Option<Money>,
    pub skill: Option<Skill>,
    #[schema(minimum = 1)]
    pub fitter_id: Option<i64>,
    pub work_place: Option<WorkPlace>,
    #[schema(minimum = 1, maximum = 366)]
    pub days_away: Option<i32>,
    /// All jobs that have to be finished before.
    #[serde(deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    #[diesel(skip_update)]
    pub needs: Vec<i64>,
    /// All findings that the job is to clear.
    #[serde(deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    #[diesel(skip_update)]
    pub findings: Vec<i64>,
    /// The grades that the work is to bring about: those that are left out stay, and null takes one away.
    #[diesel(skip_update)]
    pub grades_after: Grades,
    pub working_order_after: Option<WorkingOrder>,
    pub notes: Option<Prose>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"to": "agreed", "on": "2026-04-10"}))]
pub struct NewMove {
    /// A proposed job is agreed, then in hand, then finished; until then it can be called off.
    pub to: JobStanding,
    /// Not before the move before it, not in the future.
    pub on: Day,
    /// Time of day at which it was finished, where a test was made on the same day or a boiler was moved.
    pub at: Option<TimeOfDay>,
    /// Of a finished job the boiler that it was on, where more than one was in the engine on that day, or none. It was in the
    /// engine on a day from the job's beginning to its finish.
    pub boiler_id: Option<i64>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-04-18", "fitter": "Edda Morlock", "hours": "3.5"}))]
pub struct NewHours {
    /// From the day the engine came to today.
    pub on: Day,
    pub fitter: Line,
    /// More than 0. With what is booked already at most 24 of one fitter on one day unless confirmed.
    pub hours: Hours,
    #[serde(default)]
    pub hours_confirmed: bool,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 30, "hours": "3.5"}))]
pub struct NewBenchHours {
    pub stock_no: i32,
    /// The job in hand, where the engine has but one.
    pub job_id: Option<i64>,
    /// More than 0. With what is booked already at most 24 of one fitter on one day unless confirmed.
    pub hours: Hours,
    #[serde(default)]
    pub hours_confirmed: bool,
    /// Who was at it before, unless told otherwise.
    pub fitter: Option<Line>,
    /// Today unless told otherwise.
    pub on: Option<Day>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-04-18", "words": "injector cones", "cost": "18.40"}))]
pub struct NewParts {
    /// From the day the engine came to today.
    pub on: Day,
    pub words: Line,
    /// Net of the supplier's tax; 0 or more.
    pub cost: Money,
}

/// The wrong line: one of hours or one of parts.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"hours_id": 710}))]
pub struct NewReversal {
    pub hours_id: Option<i64>,
    pub parts_id: Option<i64>,
}

/// A promise that a job touches.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"sale_id": 31, "promised_on": "2026-05-16", "days_left": 3}))]
pub struct PromiseInDanger {
    pub sale_id: i64,
    /// The day on which the engine is to leave.
    pub promised_on: Day,
    /// From the day that the papers are void to the day promised; below 0: the day is past.
    pub days_left: i32,
}

/// What a job does to the papers of the boiler.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"from": "2026-04-20", "boiler_id": 88, "voids": ["steam"], "calls_for": ["steam"],
    "tests": [{"test": "steam", "from": "2026-04-21", "by": "2026-04-20", "pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}}],
    "endangers": {"sale_id": 31, "promised_on": "2026-05-16", "days_left": 26},
    "cautions": ["The local code and the independent inspector decide what has to be tested."]}))]
pub struct JobConsequences {
    /// The day the job was finished; today, as if it were finished today, where it is not.
    pub from: Day,
    /// The boiler that the finished job was on, else the one that is in the engine on that day; null where none is on record.
    pub boiler_id: Option<i64>,
    /// Papers that no longer hold from that day.
    #[schema(max_items = 10)]
    pub voids: Vec<PaperKind>,
    /// Tests that bring papers again, in their order.
    #[schema(max_items = 10)]
    pub calls_for: Vec<TestKind>,
    /// The same tests as they have to be made to count, with day and pressure; empty where no boiler is on record in the engine, or
    /// its volume is not recorded.
    #[schema(max_items = 10)]
    pub tests: Vec<Due>,
    /// The day promised to the buyer, where the papers that the job voids have to be renewed before it.
    pub endangers: Option<PromiseInDanger>,
    #[schema(max_items = 10)]
    pub cautions: Vec<Text<400>>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct EngineJobFilters {
    /// Any of these standings, joined with commas.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "agreed,in_hand")]
    standing: Vec<JobStanding>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct JobFilters {
    /// Any of these standings, joined with commas.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "agreed,in_hand")]
    standing: Vec<JobStanding>,
    /// The engine.
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
}

impl JobFacts {
    fn days(&self) -> JobDays {
        JobDays {
            standing: self.standing,
            proposed_on: self.proposed_on,
            agreed_on: self.agreed_on,
            begun_on: self.begun_on,
            finished_on: self.finished_on,
            called_off_on: self.called_off_on,
        }
    }
}

/// A job as it would be after the request.
struct Asked<'a> {
    touches: &'a [Touches],
    gauge_glass_only: bool,
    hours_agreed: Option<Hours>,
    outside_work: Option<Money>,
    parts_expected: Option<Money>,
    days_away: Option<i32>,
}

/// Rules of a job, whatever its days.
fn broken_rules(asked: &Asked<'_>) -> Vec<FieldError> {
    let &Asked {
        touches,
        gauge_glass_only,
        hours_agreed,
        outside_work,
        parts_expected,
        days_away,
    } = asked;
    let mut broken = Vec::new();
    let mut rule = |holds: bool, pointer: &str, detail: &str| {
        if !holds {
            broken.push(at(pointer, detail));
        }
    };
    rule(
        !touches.is_empty(),
        "/touches",
        "empty; work on nothing in particular touches `other`",
    );
    rule(
        !gauge_glass_only || touches == [Touches::SafetyValvesAndFittings],
        "/gauge_glass_only",
        "a job on a gauge glass alone touches safety_valves_and_fittings and nothing else",
    );
    rule(
        hours_agreed.is_none_or(|hours| hours >= Hours::ZERO),
        "/hours_agreed",
        "not 0 or more",
    );
    rule(
        !outside_work.is_some_and(Money::is_negative),
        "/outside_work",
        "not 0 or more",
    );
    rule(
        !parts_expected.is_some_and(Money::is_negative),
        "/parts_expected",
        "not 0 or more",
    );
    rule(
        days_away.is_none_or(|days| (1..=366).contains(&days)),
        "/days_away",
        "not 1 to 366 days",
    );
    rule(
        days_away.is_none() || hours_agreed.is_none_or(|hours| hours == Hours::ZERO),
        "/days_away",
        "others have it, so that it has no hours of ours; what we do before or after is another job",
    );
    broken
}

/// Rules of the day of a record of an engine that came on `came_on`.
fn broken_day(on: Day, pointer: &str, came_on: Day, today: Day) -> Option<FieldError> {
    if on > today {
        Some(at(pointer, "in the future"))
    } else if on < came_on {
        Some(at(pointer, format!("before the engine came on {came_on}")))
    } else {
        None
    }
}

fn at(pointer: impl Into<String>, detail: impl Into<String>) -> FieldError {
    FieldError {
        pointer: pointer.into(),
        detail: detail.into(),
    }
}

fn refuse_if_any(broken: Vec<FieldError>) -> Result<(), Problem> {
    if broken.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid_all(broken))
    }
}

// Routes

/// List the jobs of an engine
#[get("/engines/{stock_no:\\d+}/jobs", 200 = Page<Job>)]
async fn list_engine_jobs(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    list: ListQuery<EngineJobFilters>,
) -> Result<HttpResponse, Problem> {
    stock::must_exist(&mut *db.read().await?, *stock_no).await?;
    let filters = JobFilters {
        standing: list.filters.standing.clone(),
        stock_no: Some(*stock_no),
    };
    let fetch =
        async move |conn: &mut AsyncPgConnection, page: Keyset| load(conn, &filters, &page).await;
    list.answer(&req, &db, fetch, |job: &Job| (Value::Null, job.facts.id))
        .await
}

/// Propose a job
#[post("/engines/{stock_no:\\d+}/jobs", 201 = Job)]
async fn create_job(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewJob>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), *stock_no).await?;
        let proposed_on = new.proposed_on.unwrap_or(actor.today);
        let came_on = stock::came_on(tx.conn(), *stock_no).await?;
        let mut broken = broken_rules(&Asked {
            touches: &new.touches,
            gauge_glass_only: new.gauge_glass_only,
            hours_agreed: new.hours_agreed,
            outside_work: new.outside_work,
            parts_expected: new.parts_expected,
            days_away: new.days_away,
        });
        broken.extend(broken_needs(tx.conn(), *stock_no, None, &new.needs).await?);
        broken.extend(fitters::broken_id(tx.conn(), new.fitter_id).await?);
        broken.extend(broken_day(
            proposed_on,
            "/proposed_on",
            came_on,
            actor.today,
        ));
        surveys::open_ones(
            tx.conn(),
            *stock_no,
            &new.findings,
            "/findings",
            &mut broken,
        )
        .await?;
        refuse_if_any(broken)?;
        let job = insert(tx, *stock_no, &new, proposed_on).await?;
        Ok((address(job.facts.id), job))
    })
    .await
}

/// List all jobs
#[get("/jobs", 200 = Page<Job>)]
async fn list_jobs(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    list: ListQuery<JobFilters>,
) -> Result<HttpResponse, Problem> {
    let filters = list.filters.clone();
    let fetch =
        async move |conn: &mut AsyncPgConnection, page: Keyset| load(conn, &filters, &page).await;
    list.answer(&req, &db, fetch, |job: &Job| (Value::Null, job.facts.id))
        .await
}

/// Read a job
#[get("/jobs/{id:\\d+}", 200 = Job)]
async fn get_job(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let job = find(&mut *db.read().await?, *id).await?;
    shown(&req, &job)
}

/// Change a job
///
/// What it touches, clears and brings about can be changed until it is finished or called off.
#[patch("/jobs/{id:\\d+}", 200 = Job)]
async fn change_job(
    Workshop(actor): Workshop,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<JobPatch>,
) -> Result<HttpResponse, Problem> {
    let changed = db
        .write(&actor, async |tx| {
            let current = lock(tx.conn(), *id).await?;
            let change = patch.merged(&current)?;
            if patch.is_empty() {
                tx.unchanged();
                return Ok(current);
            }
            update(tx, &current, &patch, &change).await?;
            tx.record(
                "job.changed",
                Some(current.facts.stock_no),
                json!({"job_id": *id, "members": patch.members()}),
            )
            .await?;
            find(tx.conn(), *id).await
        })
        .await?;
    shown(&req, &changed)
}

/// Move a job on
///
/// A job is agreed, taken in hand, finished; until then it can be called off. When it is finished it clears its findings
/// from that day, and the boiler that was in the engine then is recorded: its papers answer for the work. Where what is recorded
/// does not tell which boiler that was, this asks for the time of day or the boiler.
#[post("/jobs/{id:\\d+}/moves", 201 = Job)]
async fn move_job(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewMove>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let current = lock(tx.conn(), *id).await?;
        if new.at.is_some() && new.to != JobStanding::Finished {
            let detail = "a time of day is kept of the finish of a job only";
            return Err(Problem::invalid("/at", detail));
        }
        if new.boiler_id.is_some() && new.to != JobStanding::Finished {
            let detail = "the boiler is recorded when the job is finished";
            return Err(Problem::invalid("/boiler_id", detail));
        }
        let days = current
            .facts
            .days()
            .moved(new.to, new.on, actor.today)
            .map_err(|fault| match fault {
                MoveFault::NotAllowed { .. } => Problem::conflict(fault.to_string()),
                MoveFault::StillToCome { .. } | MoveFault::TooEarly { .. } => {
                    Problem::invalid("/on", fault.to_string())
                }
            })?;
        store_move(tx, &current, days, &new).await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

/// Book hours on a job
#[post("/jobs/{id:\\d+}/hours", 201 = Job)]
async fn book_hours(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewHours>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let job = lock(tx.conn(), *id).await?;
        book(tx, &job, &new).await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

/// Book hours by the number of the engine
///
/// For the bench: with no more than the stock number and the hours where the engine has one job in hand, and one fitter booked on
/// it or one is named by it. A wrong line is reversed, not changed.
#[post("/hours", 201 = Job)]
async fn book_hours_of_engine(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    new: Body<NewBenchHours>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        stock::lock_named(tx.conn(), new.stock_no, "/stock_no").await?;
        let in_hand: Vec<i64> = jobs::table
            .filter(jobs::stock_no.eq(new.stock_no))
            .filter(jobs::standing.eq(JobStanding::InHand))
            .select(jobs::id)
            .order(jobs::id)
            .load(tx.conn())
            .await?;
        let id = match (new.job_id, &in_hand[..]) {
            (Some(id), _) => id,
            (None, [one]) => *one,
            (None, []) => {
                let detail = "the engine has no job in hand; say which job";
                return Err(Problem::invalid("/job_id", detail));
            }
            (None, several) => {
                let detail = format!("the engine has the jobs {several:?} in hand; say which");
                return Err(Problem::invalid("/job_id", detail));
            }
        };
        let job = lock(tx.conn(), id).await?;
        if job.facts.stock_no != new.stock_no {
            return Err(Problem::invalid("/job_id", "a job of another engine"));
        }
        let fitter = match &new.fitter {
            Some(fitter) => fitter.clone(),
            None => fitters::of_job(tx.conn(), &job).await?.ok_or_else(|| {
                Problem::invalid("/fitter", "the job does not tell who works at it; say who")
            })?,
        };
        let line = NewHours {
            on: new.on.unwrap_or(actor.today),
            fitter,
            hours: new.hours,
            hours_confirmed: new.hours_confirmed,
        };
        book(tx, &job, &line).await?;
        Ok((address(id), find(tx.conn(), id).await?))
    })
    .await
}

/// Record parts used for a job
#[post("/jobs/{id:\\d+}/parts", 201 = Job)]
async fn use_parts(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewParts>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let job = lock(tx.conn(), *id).await?;
        let came_on = stock::came_on(tx.conn(), job.facts.stock_no).await?;
        let mut broken = Vec::from_iter(broken_day(new.on, "/on", came_on, actor.today));
        if new.cost.is_negative() {
            broken.push(at(
                "/cost",
                "not 0 or more; a wrong line is reversed by a reversal",
            ));
        }
        refuse_if_any(broken)?;
        room_for_a_line(job.parts.len())?;
        tax_periods::must_be_open(tx.conn(), new.on).await?;
        let line: i64 = diesel::insert_into(job_parts::table)
            .values((
                job_parts::job_id.eq(*id),
                job_parts::on_day.eq(new.on),
                job_parts::words.eq(&new.words),
                job_parts::cost.eq(new.cost),
            ))
            .returning(job_parts::id)
            .get_result(tx.conn())
            .await?;
        let entry = json!({"job_id": *id, "parts_id": line, "on": new.on, "cost": new.cost});
        tx.record("job.parts_used", Some(job.facts.stock_no), entry)
            .await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

/// Reverse a wrong line of hours or parts
///
/// A line with the opposite figure is added, of the same day where its tax period is open, else of the first open day; the
/// wrong one stays to be seen.
#[post("/jobs/{id:\\d+}/reversals", 201 = Job)]
async fn reverse_line(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewReversal>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let job = lock(tx.conn(), *id).await?;
        match (new.hours_id, new.parts_id) {
            (Some(line), None) => reverse_hours(tx, &job, line).await?,
            (None, Some(line)) => reverse_parts(tx, &job, line).await?,
            (None, None) | (Some(_), Some(_)) => {
                return Err(Problem::invalid("", "name one line: hours_id or parts_id"));
            }
        }
        let entry = json!({"job_id": *id, "hours_id": new.hours_id, "parts_id": new.parts_id});
        tx.record("job.line_reversed", Some(job.facts.stock_no), entry)
            .await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

/// Say what a job does to the papers
///
/// Which papers of the boiler it voids from which day, and which tests it calls for afterwards. Of a job that is not
/// finished: as if it were finished today.
#[get("/jobs/{id:\\d+}/consequences", 200 = JobConsequences)]
async fn get_consequences(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let mut conn = db.read().await?;
    let job = find(&mut conn, *id).await?.facts;
    let jurisdiction = firm::find(&mut conn).await?.jurisdiction;
    let rules = codes::rules_of(&mut conn, &jurisdiction).await?;
    let from = job.finished_on.unwrap_or(actor.today);
    let boiler_id = match job.standing {
        JobStanding::Finished => job.boiler_id,
        JobStanding::Proposed
        | JobStanding::Agreed
        | JobStanding::InHand
        | JobStanding::CalledOff => boilers::in_engine_on(&mut conn, job.stock_no, from).await?,
    };
    let promise = stock::promise_of(&mut conn, job.stock_no).await?;
    let tests = match boiler_id {
        Some(id) if job.standing != JobStanding::CalledOff => {
            tests_after(&mut conn, &job, from, id, &jurisdiction, &rules).await?
        }
        Some(_) | None => Vec::new(),
    };
    shown(
        &req,
        &answer_for(&job, from, boiler_id, &rules, tests, promise)?,
    )
}

/// The tests that the certificates of the boiler need once the job is finished on that day.
async fn tests_after(
    conn: &mut AsyncPgConnection,
    job: &JobFacts,
    from: Day,
    boiler_id: i64,
    jurisdiction: &Jurisdiction,
    rules: &[Rule],
) -> Result<Vec<Due>, Problem> {
    let history = papers::histories(conn, &[boiler_id]).await?.pop();
    let Some(mut question) = history.and_then(|history| history.question(jurisdiction)) else {
        return Ok(Vec::new());
    };
    if job.finished_on.is_none() {
        question.events.push(Event::JobFinished {
            on: from,
            at: None,
            touches: job.touches.clone(),
            gauge_glass_only: Some(job.gauge_glass_only),
        });
    }
    question.days = vec![from];
    let due = clock::answer_by_complete_tests(&question, rules).next_due;
    Ok(due.into_iter().filter(|due| due.by <= from).collect())
}

fn answer_for(
    job: &JobFacts,
    from: Day,
    boiler_id: Option<i64>,
    rules: &[Rule],
    due: Vec<Due>,
    promise: Option<(i64, Day)>,
) -> Result<JobConsequences, Problem> {
    let called_off = job.standing == JobStanding::CalledOff;
    let touches = if called_off { &[][..] } else { &job.touches };
    let done = consequences(touches, job.gauge_glass_only, rules, from);
    let mut cautions =
        vec!["The local code and the independent inspector decide what has to be tested."];
    if boiler_id.is_none() && !done.voids.is_empty() {
        cautions.push(
            "No boiler is recorded in the engine on that day: record it, or its papers will not show this work.",
        );
    }
    if called_off && job.begun_on.is_some() {
        cautions.push(
            "The job was called off after it had begun: record what was done as a job of its own.",
        );
    }
    let endangers = promise
        .filter(|_| !done.voids.is_empty())
        .map(|(sale_id, promised_on)| PromiseInDanger {
            sale_id,
            promised_on,
            days_left: promised_on.days_since(from),
        });
    let cautions = cautions.into_iter().map(str::parse);
    let issues: Vec<PaperKind> = done.calls_for.iter().map(|test| test.issues()).collect();
    let tests: Vec<Due> = due
        .into_iter()
        .filter(|due| issues.contains(&due.test.issues()))
        .collect();
    Ok(JobConsequences {
        from,
        boiler_id,
        voids: done.voids,
        calls_for: if tests.is_empty() {
            without_a_boiler(done.calls_for, rules, from)
        } else {
            tests.iter().map(|due| due.test).collect()
        },
        tests,
        endangers,
        cautions: cautions
            .collect::<Result<_, _>>()
            .map_err(Problem::internal)?,
    })
}

/// Where no boiler is known that could tell: a code that asks for the first test after every repair has a row for all boilers.
fn without_a_boiler(mut tests: Vec<TestKind>, rules: &[Rule], on: Day) -> Vec<TestKind> {
    let after_every_repair = rules.iter().any(|row| {
        row.rule == RuleKey::HydraulicAfterRepairFactor
            && row.in_force_on(on)
            && row.material.is_none()
            && row.band.is_none()
            && row.first_service_from.is_none()
    });
    for test in &mut tests {
        if *test == TestKind::HydraulicRepeat && after_every_repair {
            *test = TestKind::HydraulicFirst;
        }
    }
    tests
}

fn address(id: i64) -> String {
    format!("/v1/jobs/{id}")
}

fn room_for_a_line(lines: usize) -> Result<(), Problem> {
    if lines < MOST_LINES {
        Ok(())
    } else {
        Err(Problem::conflict(format!(
            "the job has {MOST_LINES} such lines; open another job"
        )))
    }
}

// SQL

async fn load(
    conn: &mut AsyncPgConnection,
    filters: &JobFilters,
    page: &Keyset,
) -> Result<Vec<Job>, Problem> {
    let mut query = jobs::table
        .select(JobFacts::as_select())
        .order(jobs::id)
        .limit(page.limit)
        .into_boxed();
    if !filters.standing.is_empty() {
        query = query.filter(jobs::standing.eq_any(filters.standing.clone()));
    }
    if let Some(stock_no) = filters.stock_no {
        query = query.filter(jobs::stock_no.eq(stock_no));
    }
    if let Some(after) = page.after_id() {
        query = query.filter(jobs::id.gt(after));
    }
    let facts = query.load(conn).await?;
    with_lines(conn, facts).await
}

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Job, Problem> {
    let job = find_all(conn, &[id]).await?.pop();
    job.ok_or_else(|| missing(id))
}

/// The jobs of these ids, in the order of their ids.
pub(crate) async fn find_all(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<Vec<Job>, Problem> {
    let facts = jobs::table
        .filter(jobs::id.eq_any(ids))
        .select(JobFacts::as_select())
        .order(jobs::id)
        .load(conn)
        .await?;
    with_lines(conn, facts).await
}

/// What finished jobs took against what was agreed for them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Experience {
    pub by_kind: BTreeMap<Touches, Took>,
    pub by_fitter: BTreeMap<Line, Took>,
}

impl Experience {
    /// Of jobs that touch the same; where they touch more than one thing, of the first.
    pub(crate) fn of(&self, touches: &[Touches]) -> Decimal {
        let known = touches.iter().find_map(|it| self.by_kind.get(it));
        known.copied().unwrap_or_default().factor()
    }
}

/// From all finished jobs with hours agreed and hours booked. Of a job that several worked at, each counts with the share of the
/// agreed hours that is his share of those booked.
pub(crate) async fn experience(conn: &mut AsyncPgConnection) -> Result<Experience, Problem> {
    let facts: Vec<JobFacts> = jobs::table
        .filter(jobs::standing.eq(JobStanding::Finished))
        .filter(jobs::hours_agreed.gt(Hours::ZERO))
        .select(JobFacts::as_select())
        .order(jobs::id)
        .load(conn)
        .await?;
    let mut experience = Experience::default();
    let add = |to: &mut Took, agreed: Decimal, booked: Decimal| {
        let sum = |a: Hours, b: Decimal| Hours::new((a.decimal() + b).round_dp(2)).unwrap_or(a);
        (to.agreed, to.booked) = (sum(to.agreed, agreed), sum(to.booked, booked));
    };
    for job in with_lines(conn, facts).await? {
        let agreed = job.facts.hours_agreed.unwrap_or_default().decimal();
        let booked = job.hours_booked.decimal();
        if booked <= Decimal::ZERO {
            continue;
        }
        if let Some(kind) = <[_]>::first(&job.facts.touches) {
            add(experience.by_kind.entry(*kind).or_default(), agreed, booked);
        }
        for line in &job.hours {
            let hours = line.hours.decimal();
            let took = experience.by_fitter.entry(line.fitter.clone()).or_default();
            add(took, agreed * hours / booked, hours);
        }
    }
    Ok(experience)
}

/// The jobs of these engines that are neither finished nor called off.
pub(crate) async fn open_of(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<Job>, Problem> {
    let closed = [JobStanding::Finished, JobStanding::CalledOff];
    let facts = jobs::table
        .filter(jobs::stock_no.eq_any(stock_nos))
        .filter(jobs::standing.ne_all(closed))
        .select(JobFacts::as_select())
        .order(jobs::id)
        .load(conn)
        .await?;
    with_lines(conn, facts).await
}

/// Holds the engine and the job, in this order, until the end of the transaction.
async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Job, Problem> {
    let stock_no: Option<i32> = jobs::table
        .find(id)
        .select(jobs::stock_no)
        .first(conn)
        .await
        .optional()?;
    stock::lock(conn, stock_no.ok_or_else(|| missing(id))?).await?;
    jobs::table
        .find(id)
        .select(jobs::id)
        .for_update()
        .execute(conn)
        .await?;
    find(conn, id).await
}

fn missing(id: i64) -> Problem {
    Problem::not_found(format!("there is no job {id}"))
}

/// Adds findings, grades, hours and parts to the jobs.
async fn with_lines(
    conn: &mut AsyncPgConnection,
    facts: Vec<JobFacts>,
) -> Result<Vec<Job>, Problem> {
    let ids: Vec<i64> = facts.iter().map(|facts| facts.id).collect();
    let findings: Vec<(i64, i64)> = job_findings::table
        .filter(job_findings::job_id.eq_any(&ids))
        .order(job_findings::finding_id)
        .load(conn)
        .await?;
    let needs: Vec<(i64, i64)> = job_needs::table
        .filter(job_needs::job_id.eq_any(&ids))
        .order(job_needs::needs_id)
        .load(conn)
        .await?;
    let grades: Vec<(i64, (Area, Grade))> = job_grades::table
        .filter(job_grades::job_id.eq_any(&ids))
        .select((job_grades::job_id, (job_grades::area, job_grades::grade)))
        .load(conn)
        .await?;
    let hours: Vec<(i64, HoursLine)> = job_hours::table
        .filter(job_hours::job_id.eq_any(&ids))
        .select((job_hours::job_id, HoursLine::as_select()))
        .order(job_hours::id)
        .load(conn)
        .await?;
    let parts: Vec<(i64, PartsLine)> = job_parts::table
        .filter(job_parts::job_id.eq_any(&ids))
        .select((job_parts::job_id, PartsLine::as_select()))
        .order(job_parts::id)
        .load(conn)
        .await?;
    let (mut findings, mut grades) = (by_job(findings), by_job(grades));
    let mut needs = by_job(needs);
    let (mut hours, mut parts) = (by_job(hours), by_job(parts));
    let too_much = || Problem::conflict("the lines of the job add up to more than can be written");
    facts
        .into_iter()
        .map(|facts| {
            let hours = hours.remove(&facts.id).unwrap_or_default();
            let parts = parts.remove(&facts.id).unwrap_or_default();
            Ok(Job {
                findings: findings.remove(&facts.id).unwrap_or_default(),
                needs: needs.remove(&facts.id).unwrap_or_default(),
                grades_after: grades
                    .remove(&facts.id)
                    .unwrap_or_default()
                    .into_iter()
                    .collect(),
                hours_booked: hours
                    .iter()
                    .try_fold(Hours::ZERO, |sum, line| sum.checked_add(line.hours))
                    .map_err(|_| too_much())?,
                hours,
                parts_cost: Money::sum(parts.iter().map(|line| line.cost))
                    .map_err(|_| too_much())?,
                parts,
                facts,
            })
        })
        .collect()
}

fn by_job<T>(rows: Vec<(i64, T)>) -> HashMap<i64, Vec<T>> {
    let mut grouped: HashMap<i64, Vec<T>> = HashMap::new();
    for (job, row) in rows {
        grouped.entry(job).or_default().push(row);
    }
    grouped
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    new: &NewJob,
    proposed_on: Day,
) -> Result<Job, Problem> {
    let id: i64 = diesel::insert_into(jobs::table)
        .values((
            jobs::stock_no.eq(stock_no),
            jobs::title.eq(&new.title),
            jobs::touches.eq(&new.touches),
            jobs::gauge_glass_only.eq(new.gauge_glass_only),
            jobs::hours_agreed.eq(new.hours_agreed),
            jobs::outside_work.eq(new.outside_work),
            jobs::expected_on.eq(new.expected_on),
            jobs::chased_by.eq(&new.chased_by),
            jobs::parts_expected.eq(new.parts_expected),
            jobs::skill.eq(new.skill),
            jobs::fitter_id.eq(new.fitter_id),
            jobs::work_place.eq(new.work_place),
            jobs::days_away.eq(new.days_away),
            jobs::proposed_on.eq(proposed_on),
            jobs::working_order_after.eq(new.working_order_after),
            jobs::notes.eq(&new.notes),
        ))
        .returning(jobs::id)
        .get_result(tx.conn())
        .await?;
    set_findings(tx.conn(), id, &new.findings).await?;
    set_needs(tx.conn(), id, &new.needs).await?;
    set_grades(tx.conn(), id, new.grades_after).await?;
    let entry = json!({"job_id": id, "touches": new.touches, "findings": new.findings});
    tx.record("job.proposed", Some(stock_no), entry).await?;
    find(tx.conn(), id).await
}

async fn book(tx: &mut Tx<'_>, job: &Job, new: &NewHours) -> Result<(), Problem> {
    let JobFacts { id, stock_no, .. } = job.facts;
    let came_on = stock::came_on(tx.conn(), stock_no).await?;
    let today = tx.actor.today;
    let mut broken = Vec::from_iter(broken_day(new.on, "/on", came_on, today));
    if new.hours <= Hours::ZERO {
        broken.push(at(
            "/hours",
            "not more than 0; a wrong line is reversed by a reversal",
        ));
    }
    let mut ask = Confirmations::default();
    let in_all = booked_on(tx.conn(), &new.fitter, new.on).await? + new.hours.decimal();
    ask.ask("/hours", sense::hours(in_all), new.hours_confirmed);
    let (doubted, confirmed) = ask.apart();
    broken.extend(doubted);
    refuse_if_any(broken)?;
    room_for_a_line(job.hours.len())?;
    tax_periods::must_be_open(tx.conn(), new.on).await?;
    let line: i64 = diesel::insert_into(job_hours::table)
        .values((
            job_hours::job_id.eq(id),
            job_hours::on_day.eq(new.on),
            job_hours::fitter.eq(&new.fitter),
            job_hours::hours.eq(new.hours),
            job_hours::confirmed.eq(&confirmed),
        ))
        .returning(job_hours::id)
        .get_result(tx.conn())
        .await?;
    let entry = json!({"job_id": id, "hours_id": line, "on": new.on, "hours": new.hours});
    let entry = confirmations::noted(entry, &confirmed);
    tx.record("job.hours_booked", Some(stock_no), entry).await
}

/// What is booked of one fitter on one day, on all jobs, less what was reversed; capitals and blanks at the ends of a name do not
/// matter. Who books for the same fitter and day waits, so that two do not book a day full at once.
async fn booked_on(
    conn: &mut AsyncPgConnection,
    fitter: &Line,
    on: Day,
) -> Result<Decimal, Problem> {
    let name = fitter.trim().to_lowercase();
    let lock = pg_advisory_xact_lock(hashtextextended(format!("hours of {name} on {on}"), 0));
    diesel::select(lock).execute(conn).await?;
    let reversals = diesel::alias!(job_hours as reversals);
    let lines: Vec<(Line, Hours)> = job_hours::table
        .filter(job_hours::on_day.eq(on))
        .filter(job_hours::reverses_id.is_null())
        .filter(diesel::dsl::not(diesel::dsl::exists(
            reversals.filter(
                reversals
                    .field(job_hours::reverses_id)
                    .eq(job_hours::id.nullable()),
            ),
        )))
        .select((job_hours::fitter, job_hours::hours))
        .load(conn)
        .await?;
    let same = lines
        .into_iter()
        .filter(|(fitter, _)| fitter.trim().to_lowercase() == name);
    Ok(same.map(|(_, hours)| hours.decimal()).sum())
}

async fn set_findings(
    conn: &mut AsyncPgConnection,
    id: i64,
    findings: &[i64],
) -> Result<(), Problem> {
    diesel::delete(job_findings::table.filter(job_findings::job_id.eq(id)))
        .execute(conn)
        .await?;
    let rows: Vec<_> = findings
        .iter()
        .map(|finding| {
            (
                job_findings::job_id.eq(id),
                job_findings::finding_id.eq(*finding),
            )
        })
        .collect();
    diesel::insert_into(job_findings::table)
        .values(rows)
        .execute(conn)
        .await?;
    Ok(())
}

async fn set_needs(conn: &mut AsyncPgConnection, id: i64, needs: &[i64]) -> Result<(), Problem> {
    diesel::delete(job_needs::table.filter(job_needs::job_id.eq(id)))
        .execute(conn)
        .await?;
    let rows: Vec<_> = needs
        .iter()
        .map(|needed| (job_needs::job_id.eq(id), job_needs::needs_id.eq(*needed)))
        .collect();
    diesel::insert_into(job_needs::table)
        .values(rows)
        .execute(conn)
        .await?;
    Ok(())
}

/// What is wrong with the needs of a job of the engine; `id` of one that is there already. The engine is held, so that no two
/// close a circle at once.
async fn broken_needs(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    id: Option<i64>,
    needs: &[i64],
) -> Result<Vec<FieldError>, Problem> {
    let of_engine: Vec<i64> = jobs::table
        .filter(jobs::stock_no.eq(stock_no))
        .select(jobs::id)
        .load(conn)
        .await?;
    let needed: Vec<(i64, i64)> = job_needs::table
        .filter(job_needs::job_id.eq_any(&of_engine))
        .select((job_needs::job_id, job_needs::needs_id))
        .load(conn)
        .await?;
    let comes_back = |first: i64| {
        let (mut waiting, mut seen) = (vec![first], Vec::new());
        while let Some(at) = waiting.pop() {
            if Some(at) == id {
                return true;
            }
            if !seen.contains(&at) {
                seen.push(at);
                let next = needed.iter().filter(|(job, _)| *job == at);
                waiting.extend(next.map(|(_, needs)| *needs));
            }
        }
        false
    };
    let broken = needs.iter().enumerate().filter_map(|(i, needed)| {
        let detail = if !of_engine.contains(needed) {
            "no job of this engine"
        } else if comes_back(*needed) {
            "it needs this job itself, directly or by others: a circle"
        } else {
            return None;
        };
        Some(at(format!("/needs/{i}"), detail))
    });
    Ok(broken.collect())
}

async fn set_grades(conn: &mut AsyncPgConnection, id: i64, after: Grades) -> Result<(), Problem> {
    diesel::delete(job_grades::table.filter(job_grades::job_id.eq(id)))
        .execute(conn)
        .await?;
    let rows: Vec<_> = after
        .given()
        .into_iter()
        .map(|(area, grade)| {
            (
                job_grades::job_id.eq(id),
                job_grades::area.eq(area),
                job_grades::grade.eq(grade),
            )
        })
        .collect();
    diesel::insert_into(job_grades::table)
        .values(rows)
        .execute(conn)
        .await?;
    Ok(())
}

/// Members of a job that are fixed once it is over.
const OF_WHAT_IT_DOES: [&str; 5] = [
    "touches",
    "gauge_glass_only",
    "findings",
    "grades_after",
    "working_order_after",
];

/// Checks the job as it would be and stores it.
async fn update(
    tx: &mut Tx<'_>,
    current: &Job,
    patch: &Patch<JobPatch>,
    change: &JobPatch,
) -> Result<(), Problem> {
    let facts = &current.facts;
    let mut broken = broken_rules(&Asked {
        touches: &change.touches,
        gauge_glass_only: change.gauge_glass_only,
        hours_agreed: change.hours_agreed,
        outside_work: change.outside_work,
        parts_expected: change.parts_expected,
        days_away: change.days_away,
    });
    if patch.names("needs") {
        let needs = &change.needs;
        broken.extend(broken_needs(tx.conn(), facts.stock_no, Some(facts.id), needs).await?);
    }
    if patch.names("fitter_id") {
        broken.extend(fitters::broken_id(tx.conn(), change.fitter_id).await?);
    }
    if patch.names("findings") {
        let findings = &change.findings;
        // A finding that the job has stays good although a survey has cleared it meanwhile.
        let mut of_new_ones = Vec::new();
        surveys::open_ones(
            tx.conn(),
            facts.stock_no,
            findings,
            "/findings",
            &mut of_new_ones,
        )
        .await?;
        let kept = |error: &FieldError| {
            findings.iter().enumerate().any(|(i, id)| {
                error.pointer == format!("/findings/{i}") && current.findings.contains(id)
            })
        };
        broken.extend(of_new_ones.into_iter().filter(|error| !kept(error)));
    }
    refuse_if_any(broken)?;
    if OF_WHAT_IT_DOES.iter().any(|member| patch.names(member)) && facts.standing.is_closed() {
        return Err(Problem::conflict(format!(
            "the job is {}; what it touches, clears and brings about is fixed",
            facts.standing
        )));
    }
    if patch.names("findings") {
        set_findings(tx.conn(), facts.id, &change.findings).await?;
    }
    if patch.names("needs") {
        set_needs(tx.conn(), facts.id, &change.needs).await?;
    }
    if patch.names("grades_after") {
        set_grades(tx.conn(), facts.id, change.grades_after).await?;
    }
    diesel::update(jobs::table.find(facts.id))
        .set(change)
        .execute(tx.conn())
        .await?;
    Ok(())
}

async fn store_move(
    tx: &mut Tx<'_>,
    current: &Job,
    days: JobDays,
    new: &NewMove,
) -> Result<(), Problem> {
    let JobFacts { id, stock_no, .. } = current.facts;
    let (boiler_id, cleared) = match days.standing {
        JobStanding::Finished => (
            boiler_of_finish(tx.conn(), &current.facts, new).await?,
            surveys::clear_by_job(tx.conn(), id, &current.findings, new.on).await?,
        ),
        JobStanding::Proposed
        | JobStanding::Agreed
        | JobStanding::InHand
        | JobStanding::CalledOff => (None, Vec::new()),
    };
    diesel::update(jobs::table.find(id))
        .set((
            jobs::standing.eq(days.standing),
            jobs::agreed_on.eq(days.agreed_on),
            jobs::begun_on.eq(days.begun_on),
            jobs::finished_on.eq(days.finished_on),
            jobs::finished_at.eq(new.at),
            jobs::boiler_id.eq(boiler_id),
            jobs::called_off_on.eq(days.called_off_on),
        ))
        .execute(tx.conn())
        .await?;
    let mut entry = json!({"job_id": id, "on": new.on});
    let what = match days.standing {
        JobStanding::Proposed => "job.proposed",
        JobStanding::Agreed => "job.agreed",
        JobStanding::InHand => "job.begun",
        JobStanding::Finished => {
            entry["touches"] = json!(current.facts.touches);
            entry["boiler_id"] = json!(boiler_id);
            entry["findings"] = json!(cleared);
            "job.finished"
        }
        JobStanding::CalledOff => "job.called_off",
    };
    tx.record(what, Some(stock_no), entry).await
}

/// The boiler that a job which is finished now was on.
async fn boiler_of_finish(
    conn: &mut AsyncPgConnection,
    job: &JobFacts,
    new: &NewMove,
) -> Result<Option<i64>, Problem> {
    let fitted = boilers::fitted_in(conn, &[job.stock_no]).await?;
    let begun_on = job.begun_on.unwrap_or(new.on);
    if let Some(named) = new.boiler_id {
        let there = boilers::in_between(&fitted, begun_on, new.on);
        if there.contains(&named) {
            return Ok(Some(named));
        }
        let detail = format!(
            "boiler {named} is not recorded in the engine on any day from {begun_on} to {}; boilers that are: {there:?}",
            new.on
        );
        return Err(Problem::invalid("/boiler_id", detail));
    }
    let is_of_boiler = job.touches.iter().any(|it| match it {
        Touches::PressureParts | Touches::SafetyValvesAndFittings => true,
        Touches::Motion | Touches::GasTank | Touches::Other => false,
    });
    match boilers::worked_on(&fitted, begun_on, (new.on, new.at)) {
        WorkedOn::One(boiler) => Ok(boiler),
        WorkedOn::Away(_) if !is_of_boiler => Ok(None),
        WorkedOn::OneOf(boilers) => {
            let detail = format!(
                "the boilers {boilers:?} were in the engine on that day, and it is not recorded which one the work was on; name it, or send `at` where the times of the moves are recorded"
            );
            Err(Problem::invalid("/boiler_id", detail))
        }
        WorkedOn::Away(boilers) => {
            let detail = format!(
                "no boiler was in the engine at that time; name the one that the work was on, of {boilers:?}"
            );
            Err(Problem::invalid("/boiler_id", detail))
        }
    }
}

async fn reverse_hours(tx: &mut Tx<'_>, job: &Job, id: i64) -> Result<(), Problem> {
    let wrong = job.hours.iter().find(|line| line.id == id);
    let reversed = job.hours.iter().any(|line| line.reverses_id == Some(id));
    let wrong = reversible(
        wrong,
        wrong.and_then(|line| line.reverses_id),
        reversed,
        "/hours_id",
    )?;
    room_for_a_line(job.hours.len())?;
    let on = tax_periods::in_open(tx.conn(), wrong.on).await?;
    diesel::insert_into(job_hours::table)
        .values((
            job_hours::job_id.eq(job.facts.id),
            job_hours::on_day.eq(on),
            job_hours::fitter.eq(&wrong.fitter),
            job_hours::hours.eq(wrong.hours.reversed()),
            job_hours::reverses_id.eq(id),
        ))
        .execute(tx.conn())
        .await?;
    Ok(())
}

async fn reverse_parts(tx: &mut Tx<'_>, job: &Job, id: i64) -> Result<(), Problem> {
    let wrong = job.parts.iter().find(|line| line.id == id);
    let reversed = job.parts.iter().any(|line| line.reverses_id == Some(id));
    let wrong = reversible(
        wrong,
        wrong.and_then(|line| line.reverses_id),
        reversed,
        "/parts_id",
    )?;
    room_for_a_line(job.parts.len())?;
    let on = tax_periods::in_open(tx.conn(), wrong.on).await?;
    let cost = Money::ZERO
        .checked_sub(wrong.cost)
        .map_err(Problem::internal)?;
    diesel::insert_into(job_parts::table)
        .values((
            job_parts::job_id.eq(job.facts.id),
            job_parts::on_day.eq(on),
            job_parts::words.eq(&wrong.words),
            job_parts::cost.eq(cost),
            job_parts::reverses_id.eq(id),
        ))
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// A line of the job that reverses none and is not reversed yet.
fn reversible<'a, T>(
    line: Option<&'a T>,
    reverses: Option<i64>,
    is_reversed: bool,
    pointer: &str,
) -> Result<&'a T, Problem> {
    let line = line.ok_or_else(|| Problem::invalid(pointer, "the job has no such line"))?;
    if reverses.is_some() {
        let detail = "this line reverses another; book what is right in a new line";
        return Err(Problem::invalid(pointer, detail));
    }
    if is_reversed {
        return Err(Problem::conflict("the line is reversed already"));
    }
    Ok(line)
}
