//! Hours and parts booked on a job, their reversals, and how jobs compare with the hours agreed.

use super::{
    Job, JobFacts, address, find, lock,
    rules::{at, broken_day, refuse_if_any},
    with_lines,
};
use crate::{
    books::tax_periods,
    ground::{
        actor::Workshop,
        answers::Reply,
        body::Body,
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx, hashtextextended, pg_advisory_xact_lock},
        problem::Problem,
        text::Line,
    },
    schema::{job_hours, job_parts, jobs},
    stock,
    workshop::fitters,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::boiler::Touches,
    days::Day,
    money::Money,
    sense::{self, Member},
    workshop::jobs::{Hours, JobStatus, Took},
};
use outshop_operation::post;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// The most lines of hours, and the most of parts, on a job.
const MOST_LINES: usize = 1000;

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = job_hours)]
pub struct HoursLine {
    pub id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Name of the fitter who worked.
    pub fitter: Line,
    /// Below 0 if the line reverses another.
    pub hours: Hours,
    /// The line that this one reverses; null: none.
    pub reverses_id: Option<i64>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = job_parts)]
pub struct PartsLine {
    pub id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub description: Line,
    /// Net of the supplier's tax; below 0 if the line reverses another.
    pub cost: Money,
    /// The line that this one reverses; null: none.
    pub reverses_id: Option<i64>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-04-18", "fitter": "Edda Morlock", "hours": "3.5"}))]
pub struct NewHours {
    /// Not before the engine arrived, not after today; in an open tax period.
    pub on: Day,
    /// Name of the fitter who worked.
    pub fitter: Line,
    /// More than 0. At most 24 for one fitter on one day, with those already booked, unless confirmed.
    pub hours: Hours,
    /// true: accept more than 24 hours of one fitter on one day.
    #[serde(default)]
    pub hours_confirmed: bool,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 30, "hours": "3.5"}))]
pub struct NewBenchHours {
    pub stock_no: i32,
    /// Default: the engine's only started job.
    pub job_id: Option<i64>,
    /// More than 0. At most 24 for one fitter on one day, with those already booked, unless confirmed.
    pub hours: Hours,
    /// true: accept more than 24 hours of one fitter on one day.
    #[serde(default)]
    pub hours_confirmed: bool,
    /// Default: the job's fitter.
    pub fitter: Option<Line>,
    /// Default: today.
    pub on: Option<Day>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-04-18", "description": "ratchet wheel and pawl", "cost": "18.40"}))]
pub struct NewParts {
    /// Not before the engine arrived, not after today; in an open tax period.
    pub on: Day,
    pub description: Line,
    /// Net of the supplier's tax; 0 or more.
    pub cost: Money,
}

/// The wrong line: name either hours or parts.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"hours_id": 710}))]
pub struct NewReversal {
    /// The line of hours to reverse.
    pub hours_id: Option<i64>,
    /// The line of parts to reverse.
    pub parts_id: Option<i64>,
}

// Routes

/// Book hours on a job
///
/// Refused (409) in a closed tax period. To correct a line, reverse it.
#[post("/jobs/{id:\\d+}/hours", 201 = Job)]
pub(super) async fn record_hours(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewHours>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let job = lock(tx.conn(), *id).await?;
        book(tx, &job, &new).await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

/// Book hours by stock number
///
/// For the bench: the stock number and the hours are enough if the engine has one started job, and that job names a
/// fitter or only one has booked hours on it. To correct a line, reverse it.
#[post("/hours", 201 = Job)]
pub(super) async fn record_bench_hours(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    new: Body<NewBenchHours>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        stock::lock_named(tx.conn(), new.stock_no, "/stock_no").await?;
        let started: Vec<i64> = jobs::table
            .filter(jobs::stock_no.eq(new.stock_no))
            .filter(jobs::status.eq(JobStatus::Started))
            .select(jobs::id)
            .order(jobs::id)
            .load(tx.conn())
            .await?;
        let id = match (new.job_id, &started[..]) {
            (Some(id), _) => id,
            (None, [one]) => *one,
            (None, []) => {
                let detail = "the engine has no started job; send `job_id`";
                return Err(Problem::invalid("/job_id", detail));
            }
            (None, several) => {
                let detail =
                    format!("the engine has several started jobs; send one of {several:?}");
                return Err(Problem::invalid("/job_id", detail));
            }
        };
        let job = lock(tx.conn(), id).await?;
        if job.facts.stock_no != new.stock_no {
            let detail = format!("must be a job of engine {}", new.stock_no);
            return Err(Problem::invalid("/job_id", detail));
        }
        let fitter = match &new.fitter {
            Some(fitter) => fitter.clone(),
            None => fitters::of_job(tx.conn(), &job).await?.ok_or_else(|| {
                Problem::invalid(
                    "/fitter",
                    "it is not clear who works on the job; send `fitter`",
                )
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
///
/// Refused (409) in a closed tax period. To correct a line, reverse it.
#[post("/jobs/{id:\\d+}/parts", 201 = Job)]
pub(super) async fn record_parts(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewParts>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let job = lock(tx.conn(), *id).await?;
        let came_on = stock::came_on(tx.conn(), job.facts.stock_no).await?;
        let mut broken = Vec::from_iter(broken_day(new.on, "/on", came_on, actor.today));
        if new.cost.is_negative() {
            broken.push(at(
                "/cost",
                "must be 0 or more; to correct a line, reverse it",
            ));
        }
        refuse_if_any(broken)?;
        room_for_a_line(job.parts.len())?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let line: i64 = diesel::insert_into(job_parts::table)
            .values((
                job_parts::job_id.eq(*id),
                job_parts::on_day.eq(new.on),
                job_parts::description.eq(&new.description),
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
/// Adds a line with the opposite figure, on the same day if its tax period is open, else on the first open day; the
/// wrong line is kept. Refused (409) if the line is already reversed.
#[post("/jobs/{id:\\d+}/reversals", 201 = Job)]
pub(super) async fn create_job_reversal(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewReversal>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let job = lock(tx.conn(), *id).await?;
        match (new.hours_id, new.parts_id) {
            (Some(line), None) => reverse_hours(tx, &job, line).await?,
            (None, Some(line)) => reverse_parts(tx, &job, line).await?,
            (None, None) | (Some(_), Some(_)) => {
                return Err(Problem::invalid("", "send either hours_id or parts_id"));
            }
        }
        let entry = json!({"job_id": *id, "hours_id": new.hours_id, "parts_id": new.parts_id});
        tx.record("job.line_reversed", Some(job.facts.stock_no), entry)
            .await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

fn room_for_a_line(lines: usize) -> Result<(), Problem> {
    if lines < MOST_LINES {
        Ok(())
    } else {
        Err(Problem::conflict(format!(
            "the job already has {MOST_LINES} such lines; add another job"
        )))
    }
}

// SQL

async fn book(tx: &mut Tx<'_>, job: &Job, new: &NewHours) -> Result<(), Problem> {
    let JobFacts { id, stock_no, .. } = job.facts;
    let came_on = stock::came_on(tx.conn(), stock_no).await?;
    let today = tx.actor.today;
    let mut broken = Vec::from_iter(broken_day(new.on, "/on", came_on, today));
    if new.hours <= Hours::ZERO {
        broken.push(at(
            "/hours",
            "must be more than 0; to correct a line, reverse it",
        ));
    }
    let mut ask = Confirmations::default();
    let in_all = booked_on(tx.conn(), &new.fitter, new.on).await? + new.hours.decimal();
    ask.ask("/hours", sense::hours(in_all), new.hours_confirmed);
    let (doubted, confirmed) = ask.apart();
    broken.extend(doubted);
    refuse_if_any(broken)?;
    room_for_a_line(job.hours.len())?;
    tax_periods::period_must_be_open(tx.conn(), new.on).await?;
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

/// Hours booked by one fitter on one day, on all jobs, less those reversed; case and spaces around the name are
/// ignored. Takes a lock for fitter and day, so that no two requests fill the same day at once.
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
            job_parts::description.eq(&wrong.description),
            job_parts::cost.eq(cost),
            job_parts::reverses_id.eq(id),
        ))
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// A line of the job that is neither a reversal nor reversed.
fn reversible<'a, T>(
    line: Option<&'a T>,
    reverses: Option<i64>,
    is_reversed: bool,
    pointer: &str,
) -> Result<&'a T, Problem> {
    let line = line.ok_or_else(|| Problem::invalid(pointer, "the job has no such line"))?;
    if reverses.is_some() {
        let detail = "this line reverses another; book the correct figure in a new line";
        return Err(Problem::invalid(pointer, detail));
    }
    if is_reversed {
        return Err(Problem::conflict(
            "the line is already reversed; nothing to do",
        ));
    }
    Ok(line)
}

/// How many hours finished jobs took, compared with the hours agreed.
#[derive(Debug, Clone, Default)]
pub(crate) struct Experience {
    pub by_kind: BTreeMap<Touches, Took>,
    pub by_fitter: BTreeMap<Line, Took>,
}

impl Experience {
    /// The factor for jobs that touch the same; if they touch several things, for the first that is known.
    pub(crate) fn of(&self, touches: &[Touches]) -> Decimal {
        let known = touches.iter().find_map(|it| self.by_kind.get(it));
        known.copied().unwrap_or_default().factor()
    }
}

/// From all finished jobs with hours agreed and hours booked. If several fitters worked on a job, each is given a share
/// of the agreed hours in proportion to the hours they booked.
pub(crate) async fn experience(conn: &mut AsyncPgConnection) -> Result<Experience, Problem> {
    let facts: Vec<JobFacts> = jobs::table
        .filter(jobs::status.eq(JobStatus::Finished))
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
