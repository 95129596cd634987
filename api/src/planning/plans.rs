//! Workshop plans: who does what on which days, the effect on promised dates, and how it turned out.

mod task;
pub mod week_sheet;

use crate::{
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, respond},
        body::Body,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page, newest_of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Line, Text, at_most},
    },
    schema::{journal, plans},
    workshop::jobs::{
        self,
        lines::{self, Experience},
    },
};
use actix_web::{HttpRequest, web};
use diesel::{dsl::sql, prelude::*, sql_types::Bool};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{boiler::Touches, events::TestKind},
    days::Day,
    trade::PlannedOutcome,
    workshop::{
        jobs::{Hours, Skill, Took, WorkPlace},
        plan::{self, Change, Effort, Pooled, Saving, Scarce, Score},
    },
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use task::{Asked, hours_of};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(list_plans)
        .service(create_plan)
        .service(get_plan)
        .service(get_plan_outcome)
        .service(week_sheet::get_week_sheet)
        .service(get_hours_accuracy);
}

/// Effort of the search: within a second for some hundred jobs.
const EFFORT: Effort = Effort {
    plans: 4000,
    all_up_to: 8,
    seed: 1,
};
/// Effort of a search with one change, starting from the plan found.
const EFFORT_WHAT_IF: Effort = Effort {
    plans: 20,
    all_up_to: 0,
    seed: 1,
};
const MOST_SAVINGS: usize = 20;
const CAUTION: &str = "The local code and the independent inspector decide what has to be tested. The plan assumes that all tests are passed.";

// Types

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct HoursOfDay {
    pub on: Day,
    pub hours: Hours,
}

/// A job, or a test that jobs or a promise make necessary.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct PlannedStep {
    pub stock_no: i32,
    /// null: a test.
    pub job_id: Option<i64>,
    /// null: a job.
    pub test: Option<TestKind>,
    /// Title of the job, or name of the test.
    pub description: Line,
    /// null: outside work.
    pub fitter: Option<Line>,
    /// First day of work.
    pub first: Day,
    /// The day on which the step ends.
    pub last: Day,
    /// Hours of the fitter, by day.
    #[schema(max_items = 366)]
    pub hours: Vec<HoursOfDay>,
    /// null: no room in the workshop.
    pub work_place: Option<WorkPlace>,
    /// true: already started, so it was not moved.
    pub started: bool,
    /// When the part or outside work that it waits for is expected; null: it waits for neither, or no day is known.
    pub expected_on: Option<Day>,
    /// Who is chasing it; null: nobody.
    pub chased_by: Option<Line>,
}

/// A job or a test that could not be scheduled.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct UnplacedStep {
    pub stock_no: i32,
    /// null: a test.
    pub job_id: Option<i64>,
    /// null: a job.
    pub test: Option<TestKind>,
    /// Title of the job, or name of the test.
    pub description: Line,
    /// Why it could not be scheduled.
    pub reason: Text<400>,
    /// What would make it possible.
    pub remedy: Text<400>,
    /// The request for it; null: none.
    pub act: Option<Line>,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct PlannedPromise {
    /// null: the date comes from a sale.
    pub promise_id: Option<i64>,
    pub sale_id: Option<i64>,
    pub stock_no: i32,
    /// The day promised.
    pub on: Day,
    /// The day the last of the work is finished; null: work that it depends on could not be scheduled.
    pub finished: Option<Day>,
    /// Days from `finished` to the day promised; below 0: late. null as above.
    pub days_in_hand: Option<i32>,
    pub outcome: PlannedOutcome,
    /// The earliest day on which any plan could finish it; null: no plan can.
    pub no_earlier_than: Option<Day>,
    /// Why not earlier: the chain of work, or the hours available.
    pub reason: Text<1000>,
}

/// One change, and what it would save.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(as = PlanSaving)]
pub struct Saved {
    pub description: Text<400>,
    /// The job to put off, or the one with parts two days sooner.
    pub job_id: Option<i64>,
    /// The fitter who works an hour more each day.
    pub fitter: Option<Line>,
    /// Promised dates still missed.
    pub broken: u32,
    /// Total days late.
    pub late_days: u64,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(as = PlanAnswer)]
pub struct Answer {
    pub score: Score,
    /// No plan can have less of any of these.
    pub lower_bound: Score,
    /// true: no plan is better than this one.
    pub optimal: bool,
    /// By day, then by engine.
    #[schema(max_items = 1000)]
    pub steps: Vec<PlannedStep>,
    /// What could not be scheduled, why, and what would help.
    #[serde(default)]
    #[schema(max_items = 1000)]
    pub unplaced: Vec<UnplacedStep>,
    /// By day.
    #[schema(max_items = 5000)]
    pub promises: Vec<PlannedPromise>,
    /// Changes that would mean fewer missed dates, or fewer days late; best first.
    #[schema(max_items = 20)]
    pub savings: Vec<Saved>,
    /// What the plan could not take into account.
    #[schema(max_items = 100)]
    pub warnings: Vec<Text<400>>,
    /// To be read with the plan.
    #[schema(max_items = 1)]
    pub cautions: Vec<Text<400>>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 1, "made_on": "2026-11-27", "from": "2026-11-27", "until": "2026-12-05", "changed_since": false,
    "score": {"broken": 0, "late_days": 0, "unplaced": 0, "income_delay": 544000}, "lower_bound": {"broken": 0, "late_days": 0, "unplaced": 0, "income_delay": 544000}, "optimal": true,
    "steps": [{"stock_no": 30, "job_id": 33, "test": null, "description": "Lubricator ratchet", "fitter": "Edda Morlock", "first": "2026-11-27",
        "last": "2026-11-27", "hours": [{"on": "2026-11-27", "hours": "4"}], "work_place": "bench", "started": false, "expected_on": null,
        "chased_by": null}], "unplaced": [],
    "promises": [{"promise_id": 3, "sale_id": null, "stock_no": 30, "on": "2026-12-12", "finished": "2026-12-05", "days_in_hand": 7,
        "outcome": "kept", "no_earlier_than": "2026-12-05", "reason": "Even with nothing else in the workshop: \"Lubricator ratchet\" on engine 30."}],
    "savings": [], "warnings": [], "cautions": ["The local code and the independent inspector decide what has to be tested."]}))]
pub struct Plan {
    pub id: i64,
    pub made_on: Day,
    /// First day of the plan.
    pub from: Day,
    /// The last day of work.
    pub until: Day,
    /// Jobs, promises, tests or the calendar have changed since; make a new plan.
    pub changed_since: bool,
    #[serde(flatten)]
    pub answer: Answer,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = plans)]
#[schema(example = json!({"id": 1, "made_on": "2026-11-27", "from": "2026-11-27", "until": "2026-12-05"}))]
pub struct PlanMade {
    pub id: i64,
    pub made_on: Day,
    /// First day of the plan.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// The last day of work.
    #[diesel(column_name = until_day)]
    pub until: Day,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
pub struct NewPlan {
    /// Default: today. Not before today.
    pub from: Option<Day>,
    /// Proposed jobs to include as if they were agreed.
    #[serde(default, deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    pub proposed_jobs: Vec<i64>,
}

/// What became of a planned job.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StepOutcome {
    pub job_id: i64,
    pub stock_no: i32,
    /// Planned last day.
    pub planned_last: Day,
    /// null: not finished.
    pub finished_on: Option<Day>,
    /// Up to today.
    pub hours_planned: Hours,
    /// Since the first day of the plan.
    pub hours_booked: Hours,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct FitterOutcome {
    /// The fitter's name.
    pub fitter: Line,
    /// Up to today.
    pub hours_planned: Hours,
    /// On planned jobs, since the first day of the plan.
    pub hours_booked: Hours,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"plan_id": 1, "on": "2026-11-30", "jobs": [{"job_id": 33, "stock_no": 30, "planned_last": "2026-11-27",
    "finished_on": "2026-11-28", "hours_planned": "4", "hours_booked": "5.5"}],
    "fitters": [{"fitter": "Edda Morlock", "hours_planned": "4", "hours_booked": "5.5"}]}))]
pub struct PlanOutcome {
    pub plan_id: i64,
    /// Today.
    pub on: Day,
    #[schema(max_items = 1000)]
    pub jobs: Vec<StepOutcome>,
    /// Hours of each fitter.
    #[schema(max_items = 1000)]
    pub fitters: Vec<FitterOutcome>,
}

/// Hours that finished jobs took, compared with the hours agreed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HoursAccuracyOfKind {
    /// Jobs that touch this first; null: the entry is about a fitter.
    pub touches: Option<Touches>,
    /// Hours of this fitter; null: the entry is about a kind of job.
    pub fitter: Option<Line>,
    /// Sum of the hours agreed.
    pub hours_agreed: Hours,
    /// Sum of the hours booked.
    pub hours_booked: Hours,
    /// Hours that the next plan expects per agreed hour; close to 1 while little is known. For fitters it is only
    /// shown, not used.
    #[schema(max_length = 40)]
    pub factor: String,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"items": [{"touches": "motion", "fitter": null, "hours_agreed": "20", "hours_booked": "30", "factor": "1.25"}]}))]
pub struct HoursAccuracy {
    #[schema(max_items = 1000)]
    pub items: Vec<HoursAccuracyOfKind>,
}

// Routes

/// List plans
///
/// Latest first.
#[get("/plans", 200 = Page<PlanMade>)]
async fn list_plans(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let plans = plans::table.select(PlanMade::as_select());
        newest_of_page!(page, plans, plans::id)
    };
    list.rows(rows, |it: &PlanMade| it.id).await
}

/// Make a plan of the work
///
/// Covers all jobs agreed or started, the tests that they or promises make necessary, the fitters' hours, the work
/// places and the inspector's visits. Minimises, in order: promised dates missed, total days late, jobs and tests left
/// out, and delay to income (amount x days). Started work is not moved, and a test follows the open jobs that leave the
/// engine in pieces. Work that cannot be scheduled is listed in `unplaced` with the reason. The response includes lower
/// bounds that no schedule can beat, and why.
#[post("/plans", 201 = Plan)]
async fn create_plan(Workshop(actor): Workshop, db: web::Data<Db>, new: Body<NewPlan>) -> Reply {
    let from = new.from.unwrap_or(actor.today);
    all_hold([(from >= actor.today, "/from", "must not be before today")])?;
    // Calculated before the transaction, which would time out as idle.
    let mut conn = db.read().await?;
    let asked = task::asked(&mut conn, from, actor.today, &new.proposed_jobs).await?;
    drop(conn);
    let answer = web::block(move || answer(&asked))
        .await
        .map_err(Problem::internal)??;
    let until = answer
        .steps
        .iter()
        .map(|step| step.last)
        .max()
        .unwrap_or(from);
    db.create(&actor, &new, async |tx| {
        let id: i64 = diesel::insert_into(plans::table)
            .values((
                plans::made_on.eq(tx.actor.today),
                plans::from_day.eq(from),
                plans::until_day.eq(until),
                plans::answer.eq(json!(answer)),
            ))
            .returning(plans::id)
            .get_result(tx.conn())
            .await?;
        tx.record("plan.created", None, json!({"plan_id": id}))
            .await?;
        let plan = Plan {
            id,
            made_on: tx.actor.today,
            from,
            until,
            changed_since: false,
            answer: answer.clone(),
        };
        Ok((format!("/v1/plans/{id}"), plan))
    })
    .await
}

/// Get a plan
#[get("/plans/{id:\\d+}", 200 = Plan)]
async fn get_plan(_by: Staff, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    let plan = find(&mut *db.read().await?, Some(*id)).await?;
    let plan = plan.ok_or_else(|| Problem::not_found(format!("there is no plan {id}")))?;
    respond(&req, &plan)
}

/// Compare a plan with what actually happened
#[get("/plans/{id:\\d+}/outcome", 200 = PlanOutcome)]
async fn get_plan_outcome(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let plan = find(&mut conn, Some(*id)).await?;
    let plan = plan.ok_or_else(|| Problem::not_found(format!("there is no plan {id}")))?;
    let ids: Vec<i64> = plan
        .answer
        .steps
        .iter()
        .filter_map(|step| step.job_id)
        .collect();
    let jobs = jobs::find_all(&mut conn, &ids).await?;
    respond(&req, &outcome(&plan, &jobs, actor.today)?)
}

/// Compare actual with quoted hours, by kind of work and fitter
///
/// Grouped by what the jobs touch, and by fitter. The next plan multiplies agreed hours by the factor of the kind.
#[get("/hours-accuracy", 200 = HoursAccuracy)]
async fn get_hours_accuracy(_by: Staff, req: HttpRequest, db: web::Data<Db>) -> Reply {
    let Experience { by_kind, by_fitter } = lines::experience(&mut *db.read().await?).await?;
    let estimate = |touches, fitter, took: Took| HoursAccuracyOfKind {
        touches,
        fitter,
        hours_agreed: took.agreed,
        hours_booked: took.booked,
        factor: took.factor().normalize().to_string(),
    };
    let kinds = by_kind.into_iter();
    let kinds = kinds.map(|(touches, took)| estimate(Some(touches), None, took));
    let fitters = by_fitter.into_iter();
    let fitters = fitters.map(|(fitter, took)| estimate(None, Some(fitter), took));
    let items = kinds.chain(fitters).take(1000).collect();
    respond(&req, &HoursAccuracy { items })
}

fn answer(asked: &Asked) -> Result<Answer, Problem> {
    let task = &asked.task;
    let found = plan::plan(task, &EFFORT).map_err(|fault| asked.refused(&fault))?;
    let savings =
        plan::savings(task, &found, &EFFORT_WHAT_IF).map_err(|fault| asked.refused(&fault))?;
    let mut steps = Vec::new();
    for ((what, planned), step) in asked.what.iter().zip(&found.steps).zip(&task.steps) {
        let Some(planned) = planned else {
            continue;
        };
        let hours = planned.hours.iter().map(|(on, hours)| {
            Ok::<_, Problem>(HoursOfDay {
                on: *on,
                hours: hours_of(*hours)?,
            })
        });
        let facts = what.job.as_ref().map(|job| &job.facts);
        steps.push(PlannedStep {
            stock_no: what.stock_no,
            job_id: facts.map(|facts| facts.id),
            test: what.test,
            description: what.title()?,
            fitter: planned.fitter.map(|fitter| asked.name_of(fitter)),
            first: planned.first,
            last: planned.last,
            hours: hours.collect::<Result<_, _>>()?,
            work_place: what.work_place,
            started: step.started,
            expected_on: facts.and_then(|facts| facts.expected_on),
            chased_by: facts.and_then(|facts| facts.chased_by.clone()),
        });
    }
    let unplaced = found.unplaced.iter().map(|it| {
        let what = &asked.what[it.step];
        let (reason, remedy, act) = asked.nowhere(it.step, it.reason);
        Ok::<_, Problem>(UnplacedStep {
            stock_no: what.stock_no,
            job_id: what.job.as_ref().map(|job| job.facts.id),
            test: what.test,
            description: what.title()?,
            reason: cut(&reason)?,
            remedy: cut(&remedy)?,
            act: act.map(line).transpose()?,
        })
    });
    steps.sort_by_key(|step| (step.first, step.last, step.stock_no, step.job_id));
    let promises = asked.promises.iter().zip(&found.promises).enumerate();
    let promises = promises.map(|(at, (promise, kept))| {
        let never = found.bounds.never_kept.contains(&at);
        Ok::<_, Problem>(PlannedPromise {
            promise_id: promise.promise_id,
            sale_id: promise.sale_id,
            stock_no: promise.stock_no,
            on: promise.on,
            finished: kept.finished,
            days_in_hand: kept.slack,
            outcome: match (kept.slack, never) {
                (Some(0..), _) => PlannedOutcome::Kept,
                (_, true) => PlannedOutcome::CannotBeKept,
                (_, false) => PlannedOutcome::Broken,
            },
            no_earlier_than: kept.reason.finished,
            reason: reason(asked, &kept.reason)?,
        })
    });
    let savings = savings.iter().take(MOST_SAVINGS);
    Ok(Answer {
        score: found.score,
        lower_bound: found.bounds.score,
        optimal: found.optimal,
        steps,
        unplaced: unplaced.collect::<Result<_, _>>()?,
        promises: promises.collect::<Result<_, _>>()?,
        savings: savings
            .map(|it| saved(asked, it))
            .collect::<Result<_, _>>()?,
        warnings: asked.warnings.clone(),
        cautions: vec![CAUTION.parse().map_err(Problem::internal)?],
    })
}

/// The reason for a bound, as text.
fn reason(asked: &Asked, chain: &plan::Chain) -> Result<Text<1000>, Problem> {
    let words: Vec<String> = chain
        .steps
        .iter()
        .map(|at| asked.what[*at].words())
        .collect();
    let words = match chain.pooled {
        None if words.is_empty() => "No work is needed for it.".to_owned(),
        None if chain.finished.is_none() => format!(
            "Even with nothing else in the workshop the last of these could not be scheduled: {}.",
            words.join(", then ")
        ),
        None => format!(
            "Even with nothing else in the workshop: {}.",
            words.join(", then ")
        ),
        Some(Pooled { of, amount }) => {
            let of = match of {
                Scarce::Hours => "hours of all fitters together".to_owned(),
                Scarce::Skill(skill) => {
                    let skill = Skill::ALL
                        .get(usize::from(skill))
                        .map_or("", |it| it.as_str());
                    format!("hours of those who have learned {skill}")
                }
                Scarce::Inspector => "inspector's tests".to_owned(),
            };
            let amount = if of.starts_with("inspector") {
                amount.to_string()
            } else {
                hours_of(amount)?.to_string()
            };
            let before = match chain.finished {
                Some(_) => "before",
                None => "in the plan",
            };
            format!(
                "It needs {amount} {of}, more than there are {before}: {}.",
                words.join(", ")
            )
        }
    };
    cut(&words)
}

/// The text, cut to the length allowed.
fn cut<const MOST: usize>(words: &str) -> Result<Text<MOST>, Problem> {
    let cut: String = words.chars().take(MOST).collect();
    cut.parse().map_err(Problem::internal)
}

fn saved(asked: &Asked, saving: &Saving) -> Result<Saved, Problem> {
    let (words, job_id, fitter) = match saving.change {
        Change::PutOff { step } => {
            let what = &asked.what[step];
            (format!("{} is put off", what.words()), Some(what), None)
        }
        Change::OneMoreHour { fitter } => {
            let name = asked.name_of(fitter);
            (
                format!("{name} works an hour more each day"),
                None,
                Some(name),
            )
        }
        Change::TwoDaysSooner { step } => {
            let what = &asked.what[step];
            (
                format!(
                    "the parts or outside work for {} arrive two days sooner",
                    what.words()
                ),
                Some(what),
                None,
            )
        }
    };
    Ok(Saved {
        description: cut(&words)?,
        job_id: job_id
            .and_then(|what| what.job.as_ref())
            .map(|job| job.facts.id),
        fitter,
        broken: saving.broken,
        late_days: saving.late_days,
    })
}

fn line(text: &str) -> Result<Line, Problem> {
    text.parse().map_err(Problem::internal)
}

fn sum(hours: impl IntoIterator<Item = Hours>) -> Result<Hours, Problem> {
    let mut all = hours.into_iter();
    all.try_fold(Hours::ZERO, Hours::checked_add)
        .map_err(Problem::internal)
}

fn outcome(plan: &Plan, jobs: &[jobs::Job], today: Day) -> Result<PlanOutcome, Problem> {
    let mut fitters: BTreeMap<Line, (Hours, Hours)> = BTreeMap::new();
    let mut of_jobs = Vec::new();
    for step in &plan.answer.steps {
        let Some(job) = jobs.iter().find(|job| Some(job.facts.id) == step.job_id) else {
            continue;
        };
        let until_today = step.hours.iter().filter(|it| it.on <= today);
        let hours_planned = sum(until_today.map(|it| it.hours))?;
        let booked: Vec<&lines::HoursLine> =
            job.hours.iter().filter(|it| it.on >= plan.from).collect();
        if let Some(fitter) = &step.fitter {
            let of = fitters.entry(fitter.clone()).or_default();
            of.0 = sum([of.0, hours_planned])?;
        }
        for line in &booked {
            let of = fitters.entry(line.fitter.clone()).or_default();
            of.1 = sum([of.1, line.hours])?;
        }
        of_jobs.push(StepOutcome {
            job_id: job.facts.id,
            stock_no: step.stock_no,
            planned_last: step.last,
            finished_on: job.facts.finished_on,
            hours_planned,
            hours_booked: sum(booked.iter().map(|line| line.hours))?,
        });
    }
    let fitters = fitters.into_iter();
    Ok(PlanOutcome {
        plan_id: plan.id,
        on: today,
        jobs: of_jobs,
        fitters: fitters
            .map(|(fitter, (hours_planned, hours_booked))| FitterOutcome {
                fitter,
                hours_planned,
                hours_booked,
            })
            .collect(),
    })
}

// SQL

/// The plan with that id; `None`: the latest.
async fn find(conn: &mut AsyncPgConnection, id: Option<i64>) -> Result<Option<Plan>, Problem> {
    let mut query = plans::table
        .select((PlanMade::as_select(), plans::answer))
        .order(plans::id.desc())
        .limit(1)
        .into_boxed();
    if let Some(id) = id {
        query = query.filter(plans::id.eq(id));
    }
    let found: Option<(PlanMade, Value)> = query.first(conn).await.optional()?;
    let Some((made, answer)) = found else {
        return Ok(None);
    };
    let made_in: Option<i64> = journal::table
        .filter(journal::type_.eq("plan.created"))
        .filter(journal::data.eq(json!({"plan_id": made.id})))
        .select(journal::id)
        .first(conn)
        .await
        .optional()?;
    let of_the_shop = sql::<Bool>(
        "(type LIKE 'job.%' OR type LIKE 'promise.%' OR type LIKE 'boiler.%' OR type LIKE 'fitter.%' OR type LIKE 'days_off.%' \
         OR type LIKE 'inspector_visit.%' OR type IN ('engine.sold', 'sale.changed', 'engine.delivered', 'test_costs.changed', 'firm.changed'))",
    );
    let since: i64 = journal::table
        .filter(journal::id.gt(made_in.unwrap_or(0)))
        .filter(of_the_shop)
        .count()
        .get_result(conn)
        .await?;
    Ok(Some(Plan {
        id: made.id,
        made_on: made.made_on,
        from: made.from,
        until: made.until,
        changed_since: since > 0,
        answer: serde_json::from_value(answer).map_err(Problem::internal)?,
    }))
}
