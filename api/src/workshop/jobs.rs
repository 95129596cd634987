//! Jobs: work on an engine, from proposal to completion.

pub mod consequences;
pub mod lines;
pub mod moves;
mod rules;

use crate::{
    engines::{findings, surveys::Grades},
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, respond},
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
    /// The parts of the engine that the work affects; they decide which certificates it voids.
    #[schema(min_items = 1, max_items = 5)]
    pub touches: Vec<Touches>,
    /// true: only a gauge glass is changed.
    pub gauge_glass_only: bool,
    /// null: not agreed.
    pub hours_agreed: Option<Hours>,
    /// Cost of outside work, net of tax.
    pub outside_work: Option<Money>,
    /// When the part on order or the outside work is expected; null: the job waits for neither, or no day is known.
    pub expected_on: Option<Day>,
    /// Who is chasing it; null: nobody.
    pub chased_by: Option<Line>,
    /// Expected cost of all its parts, net of tax.
    pub parts_expected: Option<Money>,
    /// null: any fitter can do it.
    pub skill: Option<Skill>,
    /// The assigned fitter; null: anyone with the skill and the hours.
    pub fitter_id: Option<i64>,
    /// The place that the engine takes up meanwhile; null: no room in the workshop.
    pub work_place: Option<WorkPlace>,
    /// Days away for outside work; null: done in the workshop.
    #[schema(minimum = 1, maximum = 366)]
    pub days_away: Option<i32>,
    pub proposed_on: Day,
    pub agreed_on: Option<Day>,
    pub started_on: Option<Day>,
    pub finished_on: Option<Day>,
    /// Time of day; matters if a test was made on the same day.
    pub finished_at: Option<TimeOfDay>,
    pub called_off_on: Option<Day>,
    /// Working order once the work is finished; null: unchanged.
    pub working_order_after: Option<WorkingOrder>,
    /// The boiler that the finished job was on; later moves of boilers do not change it. null: not finished, or no
    /// boiler recorded.
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
    /// The findings that it clears when finished.
    #[schema(max_items = 200)]
    pub findings: Vec<i64>,
    /// Jobs of the same engine that must be finished before it starts.
    #[schema(max_items = 20)]
    pub needs: Vec<i64>,
    /// Condition grades once the work is finished; null: unchanged.
    pub grades_after: Grades,
    /// Total of `hours`.
    pub hours_booked: Hours,
    #[schema(max_items = 1000)]
    pub hours: Vec<HoursLine>,
    /// Total of `parts`.
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
    /// The parts of the engine that the work affects; they decide which certificates it voids.
    #[serde(deserialize_with = "at_most::<5, _, _>")]
    #[schema(min_items = 1, max_items = 5)]
    pub touches: Vec<Touches>,
    /// true: only a gauge glass is changed; `touches` must then be `safety_valves_and_fittings` only.
    #[serde(default)]
    pub gauge_glass_only: bool,
    /// null: not agreed.
    pub hours_agreed: Option<Hours>,
    /// Cost of outside work, net of tax.
    pub outside_work: Option<Money>,
    /// When the part on order or the outside work is expected; null: the job waits for neither, or no day is known.
    pub expected_on: Option<Day>,
    /// Who is chasing it; null: nobody.
    pub chased_by: Option<Line>,
    /// Expected cost of all its parts, net of tax.
    pub parts_expected: Option<Money>,
    /// null: any fitter can do it.
    pub skill: Option<Skill>,
    /// The assigned fitter; null: anyone with the skill and the hours.
    pub fitter_id: Option<i64>,
    /// The place that the engine takes up meanwhile; null: no room in the workshop.
    pub work_place: Option<WorkPlace>,
    /// Days away for outside work, 1 to 366; the job then has no hours of ours. null: done in the workshop.
    #[schema(minimum = 1, maximum = 366)]
    pub days_away: Option<i32>,
    /// Jobs of the same engine that must be finished before it starts.
    #[serde(default, deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub needs: Vec<i64>,
    /// Default: today.
    pub proposed_on: Option<Day>,
    /// Open findings of the engine that the job is to clear.
    #[serde(default, deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    pub findings: Vec<i64>,
    /// Condition grades once the work is finished; the value added by the job is calculated from them.
    #[serde(default)]
    pub grades_after: Grades,
    /// Working order once the work is finished; null: unchanged.
    pub working_order_after: Option<WorkingOrder>,
    pub notes: Option<Prose>,
}

/// `touches`, `gauge_glass_only`, `findings`, `grades_after` and `working_order_after` are fixed once the job is
/// finished or called off.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = jobs, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"hours_agreed": "6"}))]
pub struct JobPatch {
    pub title: Line,
    /// The parts of the engine that the work affects; they decide which certificates it voids.
    #[serde(deserialize_with = "at_most::<5, _, _>")]
    #[schema(min_items = 1, max_items = 5)]
    pub touches: Vec<Touches>,
    /// true: only a gauge glass is changed; `touches` must then be `safety_valves_and_fittings` only.
    pub gauge_glass_only: bool,
    /// null: not agreed.
    pub hours_agreed: Option<Hours>,
    /// Cost of outside work, net of tax.
    pub outside_work: Option<Money>,
    /// When the part on order or the outside work is expected; null: the job waits for neither, or no day is known.
    pub expected_on: Option<Day>,
    /// Who is chasing it; null: nobody.
    pub chased_by: Option<Line>,
    /// Expected cost of all its parts, net of tax.
    pub parts_expected: Option<Money>,
    /// null: any fitter can do it.
    pub skill: Option<Skill>,
    /// The assigned fitter; null: anyone with the skill and the hours.
    #[schema(minimum = 1)]
    pub fitter_id: Option<i64>,
    /// The place that the engine takes up meanwhile; null: no room in the workshop.
    pub work_place: Option<WorkPlace>,
    /// Days away for outside work, 1 to 366; the job then has no hours of ours. null: done in the workshop.
    #[schema(minimum = 1, maximum = 366)]
    pub days_away: Option<i32>,
    /// All jobs that must be finished before it starts.
    #[serde(deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    #[diesel(skip_update)]
    pub needs: Vec<i64>,
    /// All findings that the job is to clear.
    #[serde(deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    #[diesel(skip_update)]
    pub findings: Vec<i64>,
    /// Condition grades once the work is finished; a grade left out is unchanged, null removes one.
    #[diesel(skip_update)]
    pub grades_after: Grades,
    /// Working order once the work is finished; null: unchanged.
    pub working_order_after: Option<WorkingOrder>,
    pub notes: Option<Prose>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct JobFilters {
    /// Any of these statuses.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<JobStatus>>, style = Form, explode = false, max_items = 20, example = json!(["agreed","started"]))]
    status: Vec<JobStatus>,
    /// Stock number of the engine.
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
}

// Routes

/// Propose a job
///
/// Its status is `proposed` until a transition changes it. Refused (422) if a job or finding named is not of this engine.
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

/// List jobs
#[get("/jobs", 200 = Page<Job>)]
async fn list_jobs(_by: Staff, list: ListQuery<JobFilters>) -> Reply {
    let filters = list.filters.clone();
    let fetch =
        async move |conn: &mut AsyncPgConnection, page: Keyset| load(conn, &filters, &page).await;
    list.answer(fetch, |it: &Job| it.facts.id).await
}

/// Get a job
#[get("/jobs/{id:\\d+}", 200 = Job)]
async fn get_job(_by: Staff, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    let job = find(&mut *db.read().await?, *id).await?;
    respond(&req, &job)
}

/// Change a job
///
/// Refused (409) for `touches`, `gauge_glass_only`, `findings`, `grades_after` and `working_order_after` once the job
/// is finished or called off.
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

/// The jobs with these ids, in order of id.
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

/// Locks the engine, then the job, until the end of the transaction.
async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Job, Problem> {
    let stock_no = JobFacts::find(conn, id).await?.stock_no;
    stock::lock(conn, stock_no).await?;
    JobFacts::lock(conn, id).await?;
    find(conn, id).await
}

/// Adds findings, needs, grades, hours and parts.
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
    let too_much =
        || Problem::conflict("the lines add up to too large a figure; reverse a wrong one");
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

/// Members that are fixed once a job is finished or called off.
const OF_WHAT_IT_DOES: [&str; 5] = [
    "touches",
    "gauge_glass_only",
    "findings",
    "grades_after",
    "working_order_after",
];

/// Checks the job as the change would leave it, then stores it.
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
        // A finding that the job already has stays valid even if a survey has cleared it meanwhile.
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
            "the job is {}; its touches, findings and grades can no longer change; add another job",
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
