//! Consequences of a job: the certificates it voids, the tests it makes necessary, and the promised date it endangers.

use super::{JobFacts, find};
use crate::{
    boilers::{codes, installations, papers},
    firm::firm,
    ground::{
        actor::Staff,
        answers::{Reply, respond},
        db::Db,
        problem::Problem,
        text::Text,
    },
    stock,
};
use actix_web::{HttpRequest, web};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        codes::{Jurisdiction, Rule, RuleKey},
        events::{Event, PaperKind, TestKind},
        papers::{self as clock, Due},
    },
    days::Day,
    workshop::jobs::{JobStatus, consequences},
};
use outshop_operation::get;
use serde::Serialize;
use utoipa::ToSchema;

// Types

/// A promised date that a job endangers.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"sale_id": 31, "promised_on": "2026-05-16", "days_left": 3}))]
pub struct PromiseInDanger {
    pub sale_id: i64,
    /// The day promised for the engine to leave.
    pub promised_on: Day,
    /// Days from the void certificates to the promised day; below 0: that day is past.
    pub days_left: i32,
}

/// The effect of a job on the boiler's certificates.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"from": "2026-04-20", "boiler_id": 88, "voids": ["steam"], "calls_for": ["steam"],
    "tests": [{"test": "steam", "from": "2026-04-21", "by": "2026-04-20", "pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}}],
    "endangers": {"sale_id": 31, "promised_on": "2026-05-16", "days_left": 26},
    "cautions": ["The local code and the independent inspector decide what has to be tested."]}))]
pub struct JobConsequences {
    /// The day the job was finished; for an unfinished job, today.
    pub from: Day,
    /// The boiler that the finished job was on, else the one in the engine on that day; null: none recorded.
    pub boiler_id: Option<i64>,
    /// Certificates void from that day.
    #[schema(max_items = 10)]
    pub voids: Vec<PaperKind>,
    /// Tests that restore the certificates, in order.
    #[schema(max_items = 10)]
    pub calls_for: Vec<TestKind>,
    /// The same tests with the day and pressure at which they count; empty: no boiler is recorded in the engine, or its
    /// volume is not recorded.
    #[schema(max_items = 10)]
    pub tests: Vec<Due>,
    /// The day promised to the buyer, if certificates that the job voids must be renewed before it; null: none.
    pub endangers: Option<PromiseInDanger>,
    /// To be read with the answer.
    #[schema(max_items = 10)]
    pub cautions: Vec<Text<400>>,
}

// Routes

/// Get the certificates that a job voids and the tests it makes necessary
///
/// A job that is not finished is treated as if it were finished today.
#[get("/jobs/{id:\\d+}/consequences", 200 = JobConsequences)]
pub(super) async fn get_consequences(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let job = find(&mut conn, *id).await?.facts;
    let jurisdiction = firm::find(&mut conn).await?.jurisdiction;
    let rules = codes::rules_of(&mut conn, &jurisdiction).await?;
    let from = job.finished_on.unwrap_or(actor.today);
    let boiler_id = match job.status {
        JobStatus::Finished => job.boiler_id,
        JobStatus::Proposed | JobStatus::Agreed | JobStatus::Started | JobStatus::CalledOff => {
            installations::in_engine_on(&mut conn, job.stock_no, from).await?
        }
    };
    let promise = stock::promise_of(&mut conn, job.stock_no).await?;
    let tests = match boiler_id {
        Some(id) if job.status != JobStatus::CalledOff => {
            tests_after(&mut conn, &job, from, id, &jurisdiction, &rules).await?
        }
        Some(_) | None => Vec::new(),
    };
    respond(
        &req,
        &answer_for(&job, from, boiler_id, &rules, tests, promise)?,
    )
}

/// The tests that the boiler's certificates need once the job is finished on that day.
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
    let called_off = job.status == JobStatus::CalledOff;
    let touches = if called_off { &[][..] } else { &job.touches };
    let done = consequences(touches, job.gauge_glass_only, rules, from);
    let mut cautions =
        vec!["The local code and the independent inspector decide what has to be tested."];
    if boiler_id.is_none() && !done.voids.is_empty() {
        cautions.push(
            "No boiler is recorded in the engine on that day: record it, or its certificates will ignore this work.",
        );
    }
    if called_off && job.started_on.is_some() {
        cautions.push(
            "The job was called off after it had started: record the work that was done as a separate job.",
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

/// For an engine without a recorded boiler: a code that requires the initial test after every repair has a rule for all
/// boilers.
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
