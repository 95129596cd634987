//! The remaining cost of open jobs and the tests that they make necessary, for break-even price, stock valuation and
//! value added.

use crate::{
    boilers::{codes, installations},
    books::costs::LedgerLine,
    firm::firm,
    ground::{db::RunQueryDsl, problem::Problem, text::Line},
    workshop::{
        hour_rates::{self, HourPrices, RateKind},
        test_costs::{self, TestCosts},
    },
};
use diesel::{
    prelude::*,
    sql_types::{Array, BigInt, Bool, Date, Integer, Nullable, Numeric, Text},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{boiler::Touches, codes::Rule, events::TestKind},
    books::costs::{CostKind, CostToCome, HourPricedBy, OpenWork, Planned, cost_to_come, set_off},
    days::Day,
    money::Money,
    workshop::jobs::{Hours, Skill, consequences},
};
use serde::Serialize;
use std::collections::HashMap;
use utoipa::ToSchema;

/// Hours still to be worked on a job or a test, and the rate that prices them.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HoursToCome {
    /// null: hours of a test.
    pub job_id: Option<i64>,
    /// null: hours of a job.
    pub test: Option<TestKind>,
    pub hours: Hours,
    /// Rate of an hour.
    pub rate: Money,
    /// How the rate was chosen.
    pub priced_by: HourPricedBy,
    /// The fitter with that rate; null: a mean rate.
    pub fitter: Option<Line>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct ToCome {
    pub cost: CostToCome,
    pub hours: Vec<HoursToCome>,
}

/// A job that is neither finished nor called off.
#[derive(QueryableByName)]
pub(crate) struct OpenJob {
    #[diesel(sql_type = BigInt)]
    pub id: i64,
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = Array<Text>)]
    touches: Vec<Touches>,
    #[diesel(sql_type = Bool)]
    gauge_glass_only: bool,
    #[diesel(sql_type = Nullable<Numeric>)]
    hours_agreed: Option<Hours>,
    #[diesel(sql_type = Nullable<Numeric>)]
    outside_work: Option<Money>,
    #[diesel(sql_type = Nullable<Numeric>)]
    parts_expected: Option<Money>,
    #[diesel(sql_type = Nullable<Text>)]
    skill: Option<Skill>,
    #[diesel(sql_type = Nullable<BigInt>)]
    fitter_id: Option<i64>,
    /// `None`: only proposed.
    #[diesel(sql_type = Nullable<Date>)]
    agreed_on: Option<Day>,
    #[diesel(sql_type = Numeric)]
    hours_booked: Hours,
    #[diesel(sql_type = Numeric)]
    parts_booked: Money,
}

/// The open jobs of an engine, with the bills to set off against them.
#[derive(Default)]
pub(crate) struct OpenJobs {
    has_boiler: bool,
    jobs: Vec<OpenJob>,
    /// Bills already received for the outside work of each job.
    outside_booked: Vec<Money>,
    /// Bills for tests.
    tests_entered: Vec<(Day, Money)>,
}

impl OpenJobs {
    /// `lines`: costs up to the day in question.
    fn new(
        jobs: Vec<OpenJob>,
        has_boiler: bool,
        lines: &[LedgerLine],
    ) -> Result<OpenJobs, Problem> {
        let agreed: Vec<(Day, Money)> = jobs
            .iter()
            .map(|job| {
                (
                    job.agreed_on.unwrap_or(Day::LAST),
                    job.outside_work.unwrap_or_default(),
                )
            })
            .collect();
        let outside_booked = set_off(&bills(lines, CostKind::OutsideWork), &agreed);
        Ok(OpenJobs {
            has_boiler,
            jobs,
            outside_booked: outside_booked.map_err(|fault| Problem::from(vec![fault]))?,
            tests_entered: bills(lines, CostKind::Tests),
        })
    }

    /// Indices of the jobs that are agreed or started.
    fn agreed(&self) -> Vec<usize> {
        let jobs = self.jobs.iter().enumerate();
        jobs.filter(|(_, job)| job.agreed_on.is_some())
            .map(|(at, _)| at)
            .collect()
    }

    /// Index of a job.
    pub(crate) fn place_of(&self, id: i64) -> Option<usize> {
        self.jobs.iter().position(|job| job.id == id)
    }
}

/// Entries of this kind that were not reversed, in order of day.
fn bills(lines: &[LedgerLine], kind: CostKind) -> Vec<(Day, Money)> {
    let taken_back = |line: &LedgerLine| {
        lines
            .iter()
            .any(|other| other.source == line.source && other.reverses_id == Some(line.id))
    };
    lines
        .iter()
        .filter(|line| line.kind == kind && line.reverses_id.is_none() && !taken_back(line))
        .map(|line| (line.on, line.cost))
        .collect()
}

/// Everything that prices the remaining cost on a day; the same for all engines.
pub(crate) struct Prices {
    on: Day,
    kind: RateKind,
    pub hours: HourPrices,
    rules: Vec<Rule>,
    terms: Vec<TestCosts>,
}

impl Prices {
    pub(crate) async fn load(
        conn: &mut AsyncPgConnection,
        on: Day,
        kind: RateKind,
    ) -> Result<Prices, Problem> {
        let jurisdiction = firm::find(conn).await?.jurisdiction;
        Ok(Prices {
            on,
            kind,
            hours: hour_rates::on(conn, on).await?,
            rules: codes::rules_of(conn, &jurisdiction).await?,
            terms: test_costs::all(conn).await?,
        })
    }

    /// The tests that these jobs of an engine make necessary; a steam certificate depends on a hydraulic one.
    pub(crate) fn tests_for(&self, open: &OpenJobs, jobs: &[usize]) -> Vec<TestKind> {
        if !open.has_boiler {
            return Vec::new();
        }
        let called_for: Vec<TestKind> = jobs
            .iter()
            .flat_map(|at| {
                let job = &open.jobs[*at];
                consequences(&job.touches, job.gauge_glass_only, &self.rules, self.on).calls_for
            })
            .collect();
        let tests = TestKind::ALL.iter().copied();
        tests.filter(|test| called_for.contains(test)).collect()
    }

    /// Zero if no job is agreed or started.
    fn of_agreed(&self, open: &OpenJobs) -> Result<ToCome, Problem> {
        let jobs = open.agreed();
        if jobs.is_empty() {
            return Ok(ToCome::default());
        }
        self.of(open, &jobs, &self.tests_for(open, &jobs))
    }

    /// The remaining cost of these jobs and tests of an engine. Bills for tests are set off against the tests of jobs
    /// agreed by the day of the bill.
    pub(crate) fn of(
        &self,
        open: &OpenJobs,
        jobs: &[usize],
        tests: &[TestKind],
    ) -> Result<ToCome, Problem> {
        let problem = |fault| Problem::from(vec![fault]);
        let mut work = Vec::with_capacity(jobs.len() + tests.len());
        let mut hours = Vec::new();
        let mut add = |piece: OpenWork, priced: HoursToCome| {
            work.push(piece);
            if priced.hours > Hours::ZERO {
                hours.push(priced);
            }
        };
        for at in jobs {
            let job = &open.jobs[*at];
            let priced = self.hours.of(job.fitter_id, job.skill);
            let piece = OpenWork {
                hours_agreed: job.hours_agreed.unwrap_or_default(),
                hours_booked: job.hours_booked,
                rate: priced.rate.of(self.kind),
                parts: Planned {
                    agreed: job.parts_expected.unwrap_or_default(),
                    booked: job.parts_booked,
                },
                outside_work: Planned {
                    agreed: job.outside_work.unwrap_or_default(),
                    booked: open.outside_booked[*at],
                },
                test_fees: Planned::default(),
            };
            let to_come = HoursToCome {
                job_id: Some(job.id),
                test: None,
                hours: piece.hours_to_come().map_err(problem)?,
                rate: piece.rate,
                priced_by: priced.by,
                fitter: priced.fitter,
            };
            add(piece, to_come);
        }
        let terms: Vec<&TestCosts> = self
            .terms
            .iter()
            .filter(|terms| tests.contains(&terms.test))
            .collect();
        let agreed = jobs.iter().filter_map(|at| open.jobs[*at].agreed_on).min();
        let since = agreed.unwrap_or(Day::LAST);
        let fees: Vec<(Day, Money)> = terms.iter().map(|terms| (since, terms.fee)).collect();
        let paid = set_off(&open.tests_entered, &fees).map_err(problem)?;
        for (terms, booked) in terms.into_iter().zip(paid) {
            let skill = (terms.test == TestKind::Steam).then_some(Skill::Steaming);
            let priced = self.hours.of(None, skill);
            let piece = OpenWork {
                hours_agreed: terms.hours,
                rate: priced.rate.of(self.kind),
                test_fees: Planned {
                    agreed: terms.fee,
                    booked,
                },
                ..OpenWork::default()
            };
            let to_come = HoursToCome {
                job_id: None,
                test: Some(terms.test),
                hours: terms.hours,
                rate: piece.rate,
                priced_by: priced.by,
                fitter: priced.fitter,
            };
            add(piece, to_come);
        }
        Ok(ToCome {
            cost: cost_to_come(&work).map_err(problem)?,
            hours,
        })
    }
}

/// The remaining cost, by engine, of jobs agreed or started on the day and of their tests; engines without such a job
/// are missing.
///
/// `lines`: costs up to that day.
pub(crate) async fn to_come(
    conn: &mut AsyncPgConnection,
    prices: &Prices,
    stock_nos: &[i32],
    lines: &HashMap<i32, Vec<LedgerLine>>,
) -> Result<HashMap<i32, ToCome>, Problem> {
    let open = open_jobs(conn, stock_nos, prices.on, lines).await?;
    let to_come = open.into_iter().map(|(stock_no, open)| {
        let to_come = prices.of_agreed(&open)?;
        Ok((stock_no, to_come))
    });
    to_come.collect()
}

/// `to_come` for one engine; prices are loaded and returned only if a job is open.
pub(crate) async fn to_come_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
    kind: RateKind,
    lines: &HashMap<i32, Vec<LedgerLine>>,
) -> Result<(ToCome, Option<Prices>), Problem> {
    let mut open = open_jobs(conn, &[stock_no], on, lines).await?;
    let Some(open) = open.remove(&stock_no) else {
        return Ok((ToCome::default(), None));
    };
    let prices = Prices::load(conn, on, kind).await?;
    Ok((prices.of_agreed(&open)?, Some(prices)))
}

/// The open jobs of each engine at the end of the day; engines without one are missing.
pub(crate) async fn open_jobs(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
    lines: &HashMap<i32, Vec<LedgerLine>>,
) -> Result<HashMap<i32, OpenJobs>, Problem> {
    let open: Vec<OpenJob> = diesel::sql_query(include_str!("cost_to_come/open_jobs.sql"))
        .bind::<Array<Integer>, _>(stock_nos)
        .bind::<Date, _>(on)
        .load(conn)
        .await?;
    let mut of_engines: HashMap<i32, Vec<OpenJob>> = HashMap::new();
    for job in open {
        of_engines.entry(job.stock_no).or_default().push(job);
    }
    let with_jobs: Vec<i32> = of_engines.keys().copied().collect();
    let fitted = installations::installed_in(conn, &with_jobs).await?;
    let open = of_engines.into_iter().map(|(stock_no, jobs)| {
        let mut fitted = fitted.iter();
        let has_boiler = fitted.any(|it| it.stock_no == stock_no && it.on(on));
        let lines = lines.get(&stock_no).map_or(&[][..], Vec::as_slice);
        Ok((stock_no, OpenJobs::new(jobs, has_boiler, lines)?))
    });
    open.collect()
}
