//! Jobs: work on an engine, from the proposal to the finish.

pub mod consequences;
pub mod lines;
pub mod moves;
mod rules;

use crate::{
    engines::{findings, surveys::Grades},
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, shown},
        body::{Body, Patch},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        query::any_of,
        text::{Line, Prose, at_most},
    },
    schema::{job_findings, job_grades, job_hours, job_needs, job_parts, jobs},
    stock,
    workshop::fitters,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use lines::{HoursLine, PartsLine};
use outshop_core::{
    boilers::boiler::Touches,
    days::{Day, TimeOfDay},
    engines::{
        engine::WorkingOrder,
        surveys::{Area, Grade},
    },
    money::Money,
    workshop::jobs::{Hours, JobStatus, Skill, WorkPlace},
};
use outshop_operation::{get, patch, post};
use rules::{Asked, broken_day, broken_needs, broken_rules, refuse_if_any};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(list_engine_jobs)
        .service(create_job)
        .service(list_jobs)
        .service(get_job)
        .service(change_job)
        .service(moves::create_job_transition)
        .service(lines::record_hours)
        .service(lines::record_bench_hours)
        .service(lines::record_parts)
        .service(lines::create_job_reversal)
        .service(consequences::get_consequences);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = jobs)]
pub struct JobFacts {
    pub id: i64,
    pub stock_no: i32,
    pub title: Line,
    pub status: JobStatus,
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
    pub started_on: Option<Day>,
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
#[schema(example = json!({"id": 33, "stock_no": 10, "title": "Lubricator ratchet", "status": "finished",
    "touches": ["motion"], "gauge_glass_only": false, "hours_agreed": "4", "outside_work": null, "expected_on": null,
    "chased_by": null, "parts_expected": "20.00", "skill": "fitting", "fitter_id": null, "work_place": "bench", "days_away": null, "needs": [],
    "proposed_on": "2026-04-09", "agreed_on": "2026-04-10", "started_on": "2026-04-18", "finished_on": "2026-04-20",
    "finished_at": "11:30", "called_off_on": null, "working_order_after": null, "boiler_id": 88, "notes": null, "findings": [205],
    "grades_after": {"boiler": null, "fittings_and_feeds": null, "cylinders_and_valves": "good", "motion": null,
        "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": null, "completeness": null},
    "hours_booked": "3.5", "hours": [{"id": 710, "on": "2026-04-18", "fitter": "Edda Morlock", "hours": "3.5", "reverses_id": null, "confirmed": []}],
    "parts_cost": "18.40", "parts": [{"id": 91, "on": "2026-04-18", "description": "ratchet wheel and pawl", "cost": "18.40", "reverses_id": null}]}))]
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

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"title": "Lubricator ratchet", "touches": ["motion"], "hours_agreed": "4",
    "grades_after": {"cylinders_and_valves": "good"}}))]
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

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct EngineJobFilters {
    /// Any of these statuses, joined with commas.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "agreed,in_hand")]
    status: Vec<JobStatus>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct JobFilters {
    /// Any of these statuses, joined with commas.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "agreed,in_hand")]
    status: Vec<JobStatus>,
    /// The engine.
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
}

// Routes

/// List the jobs of an engine
#[get("/engines/{stock_no:\\d+}/jobs", 200 = Page<Job>)]
async fn list_engine_jobs(
    _by: Staff,
    stock_no: web::Path<i32>,
    list: ListQuery<EngineJobFilters>,
) -> Reply {
    stock::must_exist(&mut *list.conn().await?, *stock_no).await?;
    let filters = JobFilters {
        status: list.filters.status.clone(),
        stock_no: Some(*stock_no),
    };
    let fetch =
        async move |conn: &mut AsyncPgConnection, page: Keyset| load(conn, &filters, &page).await;
    list.answer(fetch, |it: &Job| it.facts.id).await
}

/// Propose a job
#[post("/engines/{stock_no:\\d+}/jobs", 201 = Job)]
async fn create_job(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewJob>,
) -> Reply {
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
        findings::open_ones(
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
async fn list_jobs(_by: Staff, list: ListQuery<JobFilters>) -> Reply {
    let filters = list.filters.clone();
    let fetch =
        async move |conn: &mut AsyncPgConnection, page: Keyset| load(conn, &filters, &page).await;
    list.answer(fetch, |it: &Job| it.facts.id).await
}

/// Read a job
#[get("/jobs/{id:\\d+}", 200 = Job)]
async fn get_job(_by: Staff, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
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
) -> Reply {
    db.change(&actor, &req, async |tx| {
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
    .await
}

fn address(id: i64) -> String {
    format!("/v1/jobs/{id}")
}

// SQL

async fn load(
    conn: &mut AsyncPgConnection,
    filters: &JobFilters,
    page: &Keyset,
) -> Result<Vec<Job>, Problem> {
    let mut query = jobs::table.select(JobFacts::as_select()).into_boxed();
    if !filters.status.is_empty() {
        query = query.filter(jobs::status.eq_any(filters.status.clone()));
    }
    if let Some(stock_no) = filters.stock_no {
        query = query.filter(jobs::stock_no.eq(stock_no));
    }
    let facts = of_page!(page, query, jobs::id).load(conn).await?;
    with_lines(conn, facts).await
}

by_id!(JobFacts, jobs, "there is no job {id}");

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Job, Problem> {
    let job = find_all(conn, &[id]).await?.pop();
    job.ok_or_else(|| JobFacts::missing(id))
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

/// The jobs of these engines that are neither finished nor called off.
pub(crate) async fn open_of(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<Job>, Problem> {
    let closed = [JobStatus::Finished, JobStatus::CalledOff];
    let facts = jobs::table
        .filter(jobs::stock_no.eq_any(stock_nos))
        .filter(jobs::status.ne_all(closed))
        .select(JobFacts::as_select())
        .order(jobs::id)
        .load(conn)
        .await?;
    with_lines(conn, facts).await
}

/// Holds the engine and the job, in this order, until the end of the transaction.
async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Job, Problem> {
    let stock_no = JobFacts::find(conn, id).await?.stock_no;
    stock::lock(conn, stock_no).await?;
    JobFacts::lock(conn, id).await?;
    find(conn, id).await
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
        findings::open_ones(
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
    if OF_WHAT_IT_DOES.iter().any(|member| patch.names(member)) && facts.status.is_closed() {
        return Err(Problem::conflict(format!(
            "the job is {}; what it touches, clears and brings about is fixed",
            facts.status
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
