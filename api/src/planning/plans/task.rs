//! From the records to a task for the planner: jobs and the tests that they make necessary, promises, and who is there when.

use crate::{
    boilers::codes,
    enquiring::promises::{self, Promise},
    firm::firm,
    ground::{
        problem::{Problem, all_hold},
        text::{Line, Text},
    },
    pricing::{
        engine_facts::Work,
        valuations::{answer::Ground, facts_of},
    },
    workshop::{
        fitters, inspector_visits,
        jobs::{self, Job, lines},
        readiness::{self, facts},
        test_costs,
    },
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        events::TestKind,
        readiness::{Check, Gate, Outcome},
    },
    days::Day,
    trade::PromiseKind,
    workshop::{
        jobs::{
            Hours, JobStatus, Skill, WorkPlace, comes_before_tests, consequences,
            hours_by_experience,
        },
        plan::{Centihours, Fault, Fitter, Promise as Wanted, Step, Task, Visit, Why, Workshop},
    },
};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use std::collections::{BTreeMap, BTreeSet};

/// How far ahead anything is planned.
pub(super) const DAYS: i32 = 366;

/// Jobs and tests planned together.
const MOST_STEPS: usize = 1000;

/// What a step of the task is.
#[derive(Debug, Clone)]
pub(super) struct What {
    pub stock_no: i32,
    pub job: Option<Job>,
    pub test: Option<TestKind>,
    pub work_place: Option<WorkPlace>,
}

impl What {
    /// The title of the job, or the name of the test.
    pub fn title(&self) -> Result<Line, Problem> {
        match (&self.job, self.test) {
            (Some(job), _) => Ok(job.facts.title.clone()),
            (None, test) => (test.map_or("", TestKind::as_str).replace('_', " "))
                .parse()
                .map_err(Problem::internal),
        }
    }

    pub fn words(&self) -> String {
        let number = self.stock_no;
        match (&self.job, self.test) {
            (Some(job), _) => format!("\"{}\" on engine {number}", job.facts.title),
            (None, Some(test)) => {
                format!("{} of engine {number}", test.as_str().replace('_', " "))
            }
            (None, None) => format!("work on engine {number}"),
        }
    }
}

pub(super) struct Asked {
    pub task: Task,
    /// One for each step of the task.
    pub what: Vec<What>,
    pub fitters: Vec<fitters::Fitter>,
    /// One for each promise of the task.
    pub promises: Vec<Promise>,
    pub warnings: Vec<Text<400>>,
}

/// What is to be planned from a day on: all jobs that are agreed or in hand, and of those proposed the ones named.
pub(super) async fn asked(
    conn: &mut AsyncPgConnection,
    from: Day,
    today: Day,
    proposed: &[i64],
) -> Result<Asked, Problem> {
    let house = readiness::in_the_house(conn, 0, 20_000).await?;
    let open = jobs::open_of(conn, &house).await?;
    if let Some(wrong) = proposed.iter().position(|id| {
        !open
            .iter()
            .any(|job| job.facts.id == *id && job.facts.status == JobStatus::Proposed)
    }) {
        let detail = "no proposed job of an engine in the house";
        return Err(Problem::invalid(format!("/proposed_jobs/{wrong}"), detail));
    }
    let planned: Vec<Job> = open
        .into_iter()
        .filter(|job| job.facts.status != JobStatus::Proposed || proposed.contains(&job.facts.id))
        .collect();
    let mut warnings = Vec::new();
    let (promises, past): (Vec<Promise>, Vec<Promise>) =
        (promises::all_open(conn).await?.into_iter()).partition(|it| it.on >= from);
    for it in past {
        warnings.push(format!(
            "The promise of engine {} for {} lies before the plan and is broken already or kept without being ended.",
            it.stock_no, it.on.in_words()
        ));
    }
    let people = fitters::all(conn).await?;
    all_hold([(
        !people.is_empty(),
        "",
        "no fitter is on record: add them with their hours at /v1/fitters",
    )])?;
    let mut made = Making {
        what: Vec::new(),
        steps: Vec::new(),
        by_job: BTreeMap::new(),
    };
    let factors = lines::experience(conn).await?;
    for job in &planned {
        made.add_job(job, &people, &factors, &mut warnings);
    }
    made.add_needs(&planned)?;
    let has = |skill| people.iter().any(|it| it.skills.contains(&skill));
    let terms = test_costs::all(conn).await?;
    let firm = firm::find(conn).await?;
    let rules = codes::rules_of(conn, &firm.jurisdiction).await?;
    let wanted = promised_tests(conn, &promises).await?;
    let engines: BTreeSet<i32> = (planned.iter().map(|job| job.facts.stock_no))
        .chain(promises.iter().map(|promise| promise.stock_no))
        .collect();
    for stock_no in &engines {
        let of_engine: Vec<&Job> = planned
            .iter()
            .filter(|job| job.facts.stock_no == *stock_no)
            .collect();
        let mut tests = wanted.get(stock_no).cloned().unwrap_or_default();
        let mut after = Vec::new();
        for job in &of_engine {
            let facts = &job.facts;
            let done = consequences(&facts.touches, facts.gauge_glass_only, &rules, from);
            let started = facts.status == JobStatus::Started;
            if comes_before_tests(&facts.touches, started, facts.days_away.is_some()) {
                after.push(made.by_job[&facts.id]);
            }
            tests.extend(done.calls_for);
        }
        made.add_tests(*stock_no, &tests, &after, &terms, has(Skill::Steaming));
    }
    if made.steps.len() > MOST_STEPS {
        return Err(Problem::conflict(format!(
            "more than {MOST_STEPS} jobs and tests are open"
        )));
    }
    made.add_worths(conn, &engines, &planned, today).await?;
    let wanted = promises.iter().map(|promise| Wanted {
        steps: made.steps_of(promise.stock_no),
        due: promise.on,
    });
    let task = Task {
        promises: wanted.collect(),
        workshop: workshop(conn, &people, from, &firm).await?,
        steps: made.steps,
    };
    let warnings = warnings
        .iter()
        .map(|words| words.parse().map_err(Problem::internal));
    Ok(Asked {
        task,
        what: made.what,
        fitters: people,
        promises,
        warnings: warnings.take(100).collect::<Result<_, _>>()?,
    })
}

struct Making {
    what: Vec<What>,
    steps: Vec<Step>,
    by_job: BTreeMap<i64, usize>,
}

impl Making {
    fn add_job(
        &mut self,
        job: &Job,
        people: &[fitters::Fitter],
        factors: &lines::Experience,
        warnings: &mut Vec<String>,
    ) {
        let facts = &job.facts;
        let started = facts.status == JobStatus::Started;
        let agreed = facts.hours_agreed.unwrap_or_default();
        if agreed == Hours::ZERO && facts.days_away.is_none() {
            warnings.push(format!(
                "Job {} has no hours agreed: a day is taken for it.",
                facts.id
            ));
        }
        let expected = hours_by_experience(agreed, factors.of(&facts.touches));
        let left = centihours(expected).saturating_sub(centihours(job.hours_booked));
        // What is in hand and not finished takes something still.
        let least = if started && agreed > Hours::ZERO {
            50
        } else {
            0
        };
        let mut names = job.hours.iter().map(|line| &line.fitter);
        let first = names
            .next()
            .filter(|first| names.all(|name| name == *first));
        let by_name = first.and_then(|name| people.iter().position(|it| it.name == *name));
        let named = facts
            .fitter_id
            .and_then(|id| people.iter().position(|it| it.id == id));
        let fitter = named.or(by_name.filter(|_| started));
        self.by_job.insert(facts.id, self.steps.len());
        self.steps.push(Step {
            engine: facts.stock_no,
            not_before: facts.expected_on,
            labour: left.max(least),
            // Whoever has begun has shown that he can.
            skill: facts.skill.filter(|_| fitter.is_none()).map(number),
            fitter,
            days_away: facts
                .days_away
                .and_then(|days| days.try_into().ok())
                .unwrap_or(0),
            holds: holds(facts.work_place),
            started: started && facts.expected_on.is_none(),
            ..Step::default()
        });
        self.what.push(What {
            stock_no: facts.stock_no,
            job: Some(job.clone()),
            test: None,
            work_place: facts.work_place,
        });
    }

    fn add_needs(&mut self, planned: &[Job]) -> Result<(), Problem> {
        for job in planned {
            for need in &job.needs {
                if let Some(at) = self.by_job.get(need) {
                    let step = self.by_job[&job.facts.id];
                    self.steps[step].needs.push(*at);
                }
            }
        }
        Ok(())
    }

    /// Tests of an engine in their order, after the jobs that leave it in pieces.
    fn add_tests(
        &mut self,
        stock_no: i32,
        tests: &[TestKind],
        after: &[usize],
        terms: &[test_costs::TestCosts],
        has_steamers: bool,
    ) {
        let mut after = after.to_vec();
        for test in in_turn(tests) {
            let in_steam = test == TestKind::Steam;
            let hours = terms.iter().find(|it| it.test == test).map(|it| it.hours);
            let work_place = if in_steam {
                WorkPlace::SteamingBay
            } else {
                WorkPlace::Bench
            };
            let step = self.steps.len();
            self.steps.push(Step {
                engine: stock_no,
                needs: after.clone(),
                labour: hours.map_or(0, centihours),
                skill: (in_steam && has_steamers).then_some(number(Skill::Steaming)),
                holds: holds(Some(work_place)),
                before_inspector: true,
                ..Step::default()
            });
            self.what.push(What {
                stock_no,
                job: None,
                test: Some(test),
                work_place: Some(work_place),
            });
            after.push(step);
        }
    }

    /// What the work of an engine adds to its price is earned when the last of it is done.
    async fn add_worths(
        &mut self,
        conn: &mut AsyncPgConnection,
        engines: &BTreeSet<i32>,
        planned: &[Job],
        today: Day,
    ) -> Result<(), Problem> {
        let Ok(ground) = Ground::on(conn, today).await else {
            return Ok(());
        };
        for stock_no in engines {
            let of_engine: Vec<&Job> = planned
                .iter()
                .filter(|job| job.facts.stock_no == *stock_no)
                .collect();
            let steps = self.steps_of(*stock_no);
            let last: Vec<usize> = steps
                .iter()
                .copied()
                .filter(|at| !self.steps.iter().any(|other| other.needs.contains(at)))
                .collect();
            if of_engine.is_empty() || last.is_empty() {
                continue;
            }
            let engine = facts_of(conn, *stock_no, today).await?;
            let work = Work::load(conn, *stock_no, today).await?;
            let tests: Vec<TestKind> = steps.iter().filter_map(|at| self.what[*at].test).collect();
            let after = work.done(&engine, &of_engine, &tests)?;
            // An engine without a price is worth its hours to nobody yet.
            if let (Ok(before), Ok(after)) = (ground.likely(&engine), ground.likely(&after)) {
                let gain = after
                    .checked_sub(before)
                    .ok()
                    .and_then(|gain| (gain.decimal() * Decimal::ONE_HUNDRED).to_i64());
                for at in &last {
                    self.steps[*at].worth = gain.unwrap_or(0) / last.len() as i64;
                }
            }
        }
        Ok(())
    }

    fn steps_of(&self, stock_no: i32) -> Vec<usize> {
        let steps = self.what.iter().enumerate();
        steps
            .filter(|(_, what)| what.stock_no == stock_no)
            .map(|(at, _)| at)
            .collect()
    }
}

/// Each kind once, what is done cold first and the steam test last. The first test is the repeat as well.
fn in_turn(tests: &[TestKind]) -> Vec<TestKind> {
    let has_first = tests.contains(&TestKind::HydraulicFirst);
    let asked = TestKind::ALL
        .iter()
        .copied()
        .filter(|test| tests.contains(test) && !(has_first && *test == TestKind::HydraulicRepeat));
    let (in_steam, cold): (Vec<_>, Vec<_>) = asked.partition(|test| *test == TestKind::Steam);
    [cold, in_steam].concat()
}

/// By engine the tests without which its papers do not hold on the day on which it is promised.
async fn promised_tests(
    conn: &mut AsyncPgConnection,
    promises: &[Promise],
) -> Result<BTreeMap<i32, Vec<TestKind>>, Problem> {
    let settings = readiness::settings(conn).await?;
    let mut tests: BTreeMap<i32, Vec<TestKind>> = BTreeMap::new();
    for promise in promises {
        match promise.kind {
            PromiseKind::ReadyForCollection | PromiseKind::Delivered => {}
            PromiseKind::AtInspector | PromiseKind::Other => continue,
        }
        let facts = facts::load_facts(conn, &[promise.stock_no], promise.on).await?;
        for (stock_no, facts) in facts {
            let then = outshop_core::boilers::readiness::on_day(
                &facts,
                &settings,
                Gate::Deliver,
                promise.on,
            );
            let unmet = |check| {
                let mut checks = then.checks.iter();
                checks.any(|it| it.check == check && it.outcome == Outcome::Unmet)
            };
            let asked = tests.entry(stock_no).or_default();
            if unmet(Check::HydraulicPaper) {
                asked.extend([TestKind::HydraulicRepeat, TestKind::Steam]);
            } else if unmet(Check::SteamPaper) {
                asked.push(TestKind::Steam);
            }
        }
    }
    Ok(tests)
}

async fn workshop(
    conn: &mut AsyncPgConnection,
    people: &[fitters::Fitter],
    from: Day,
    firm: &firm::Firm,
) -> Result<Workshop, Problem> {
    let off = fitters::days_off_from(conn, from).await?;
    let visits = inspector_visits::from(conn, from).await?;
    let hours_on = |fitter: &fitters::Fitter, day: Day| {
        let is_off = off.iter().any(|it| {
            it.fitter_id.is_none_or(|id| id == fitter.id) && (it.from..=it.until).contains(&day)
        });
        let gone = fitter.until.is_some_and(|until| day > until);
        let weekday = usize::try_from(day.date().weekday().to_monday_zero_offset()).unwrap_or(0);
        let hours = fitter
            .weekly_hours
            .get(weekday)
            .copied()
            .unwrap_or_default();
        if is_off || gone { 0 } else { centihours(hours) }
    };
    let fitters = people.iter().map(|fitter| Fitter {
        skills: fitter.skills.iter().copied().map(number).collect(),
        hours: (0..DAYS)
            .map(|day| hours_on(fitter, from.plus_days(day)))
            .collect(),
    });
    let count = |places: i32| u16::try_from(places).unwrap_or(0);
    Ok(Workshop {
        first_day: from,
        fitters: fitters.collect(),
        places: vec![count(firm.benches), count(firm.steaming_bays)],
        visits: visits
            .into_iter()
            .map(|visit| Visit {
                on: visit.on,
                tests: count(visit.tests),
            })
            .collect(),
    })
}

/// Which work place of the workshop.
fn holds(place: Option<WorkPlace>) -> Vec<(usize, u16)> {
    match place {
        None => Vec::new(),
        Some(WorkPlace::Bench) => vec![(0, 1)],
        Some(WorkPlace::SteamingBay) => vec![(1, 1)],
    }
}

pub(super) fn number(skill: Skill) -> u16 {
    let at = Skill::ALL.iter().position(|it| *it == skill);
    at.and_then(|at| u16::try_from(at).ok()).unwrap_or(0)
}

fn centihours(hours: Hours) -> Centihours {
    (hours.decimal() * Decimal::ONE_HUNDRED)
        .to_u32()
        .unwrap_or(0)
}

pub(super) fn hours_of(centihours: impl Into<u64>) -> Result<Hours, Problem> {
    Hours::new(Decimal::from(centihours.into()) / Decimal::ONE_HUNDRED).map_err(Problem::internal)
}

impl Asked {
    /// Why no plan can be made, and what to do about it.
    pub fn refused(&self, fault: &Fault) -> Problem {
        let words = |step: &usize| self.what[*step].words();
        let detail = match fault {
            Fault::Circle { steps } => {
                let all: Vec<String> = steps.iter().map(words).collect();
                format!(
                    "each of these needs the next, and the last the first: {}",
                    all.join(", ")
                )
            }
            Fault::NoSuchStep { step } => format!(
                "{} depends on a job that does not exist or is not in this plan; check its `needs`",
                words(step)
            ),
            Fault::LabourAway { step } => format!("{} is away and has hours of ours", words(step)),
            Fault::PromisedInThePast { promise } => {
                format!(
                    "engine {} is promised for a day before the plan",
                    self.promises[*promise].stock_no
                )
            }
        };
        Problem::conflict(detail)
    }

    /// Why a step has no place, what would give it one, and the request that does that.
    pub fn nowhere(&self, step: usize, reason: Why) -> (String, String, Option<&'static str>) {
        let it = &self.task.steps[step];
        let hours = Decimal::new(it.labour.into(), 2).normalize();
        let skill = it.skill.and_then(|at| Skill::ALL.get(usize::from(at)));
        const A_VISIT: Option<&str> = Some("POST /v1/inspector-visits");
        match reason {
            Why::WaitsFor { step } => (
                format!(
                    "It waits for {}, which has no place itself.",
                    self.what[step].words()
                ),
                "Give that a place.".to_owned(),
                None,
            ),
            Why::NoFitter => {
                let skill = skill.map_or("what it takes", |skill| skill.as_str());
                (
                    format!("No fitter has learned {skill}."),
                    format!(
                        "Add a fitter who has learned {skill}, or ask for another skill in the job."
                    ),
                    Some("POST /v1/fitters"),
                )
            }
            Why::NoRoom { place } => {
                let (place, member) = match place {
                    0 => ("bench", "benches"),
                    _ => ("steaming bay", "steaming_bays"),
                };
                (
                    format!("The shop has no {place}."),
                    format!("Say in `{member}` of the firm how many there are."),
                    Some("PATCH /v1/firm"),
                )
            }
            Why::NoVisit { from } => (
                format!(
                    "The inspector does not come on {from} or later, when it can be shown to him.",
                    from = from.in_words()
                ),
                format!(
                    "Set a visit of his on {from} or later.",
                    from = from.in_words()
                ),
                A_VISIT,
            ),
            Why::VisitsTooShort { from } => (
                format!(
                    "On none of the inspector's days from {from} on does a fitter who can help have {hours} hours.",
                    from = from.in_words()
                ),
                format!(
                    "Set a visit of his on a day on which one has {hours} hours, or change the hours of that day."
                ),
                A_VISIT,
            ),
            Why::VisitsFull { from } => (
                format!(
                    "On each of the inspector's days from {from} on his tests, the fitters' hours or the place are taken by other work.",
                    from = from.in_words()
                ),
                format!(
                    "Set another visit of his on {from} or later, or let him see more tests on one.",
                    from = from.in_words()
                ),
                A_VISIT,
            ),
            Why::TooFewDays { from } => (
                format!(
                    "It could begin on {from} and does not end within the {DAYS} days of a plan.",
                    from = from.in_words()
                ),
                "Add hours or a fitter, take days off away, or put other work off.".to_owned(),
                Some("PATCH /v1/fitters/{id}"),
            ),
        }
    }

    pub fn name_of(&self, fitter: usize) -> Line {
        self.fitters[fitter].name.clone()
    }
}
