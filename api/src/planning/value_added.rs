//! The value that work adds: the price after it less the price now and all its costs, for a job and for every set of
//! jobs.

use crate::{
    books::costs,
    ground::{
        actor::SellingRead,
        answers::{Reply, respond},
        db::Db,
        operations::Operations,
        problem::{self, Problem},
        query::{Query, any_of},
        text::Text,
    },
    pricing::{
        margins::{self, ProfitQuestion},
        pricing_facts::Work,
        valuations::{
            answer::{PricingBasis, chance_of_more},
            facts_of,
        },
    },
    stock,
    workshop::{
        cost_to_come::{self, HoursToCome, OpenJobs, Prices, ToCome},
        hour_rates::RateKind,
        jobs::{self, Job},
    },
};
use actix_web::{HttpRequest, web};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::events::TestKind,
    books::costs::HourPricedBy,
    days::Day,
    money::Money,
    pricing::valuation::{amount_of, engine_features::EngineOnSale},
    trade::{ValuationBasis, WorkOptionKind},
    workshop::jobs::{Hours, JobStatus},
};
use outshop_operation::get;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(get_value_added)
        .service(get_work_options);
}

/// Every set of up to this many jobs is compared.
const MOST_JOBS: usize = 15;
/// Percentage of such differences that a range should contain.
const LEVEL_PERCENT: u8 = 80;

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = PriceRange)]
pub struct Range {
    pub low: Money,
    pub likely: Money,
    pub high: Money,
}

/// Remaining cost of the work, net of tax. Costs already incurred are not counted.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct WorkCost {
    /// Of the jobs and of the tests that they make necessary.
    pub hours: Hours,
    /// These hours at the recovery rate of those who are to work them.
    pub work: Money,
    /// Remaining cost of parts.
    pub parts: Money,
    /// Remaining cost of outside work.
    pub outside_work: Money,
    /// Paid to others for the tests.
    pub test_fees: Money,
    pub total: Money,
    /// The hours above, with the rates that price them.
    #[schema(max_items = 30)]
    pub hours_priced: Vec<HoursToCome>,
}

/// The value that jobs done together add on a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 30, "on": "2026-11-27", "basis": "sales", "jobs": [33], "tests": ["hydraulic_repeat", "steam"],
    "price_now": {"low": "2400.00", "likely": "2800.00", "high": "3260.00"},
    "price_after": {"low": "3010.00", "likely": "3480.00", "high": "4030.00"},
    "difference": {"low": "505.20", "likely": "680.00", "high": "870.10"}, "tax": "113.33",
    "outlay": {"hours": "9", "work": "288.00", "parts": "40.00", "outside_work": "0.00", "test_fees": "0.00", "total": "328.00",
        "hours_priced": [{"job_id": 33, "test": null, "hours": "9", "rate": "32.00", "priced_by": "fitter", "fitter": "Edda Morlock"}]},
    "profit": "238.67", "per_hour": "58.51", "chance_it_pays": "0.8120",
    "warnings": ["No hour rate is set, so hours are counted at no cost. Set one at /v1/hour-rates."]}))]
pub struct ValueAdded {
    pub stock_no: i32,
    pub on: Day,
    pub basis: ValuationBasis,
    /// Ids of the jobs, reckoned as all finished.
    #[schema(max_items = 15)]
    pub jobs: Vec<i64>,
    /// Tests that the jobs make necessary, or that renew expired certificates.
    #[schema(max_items = 7)]
    pub tests: Vec<TestKind>,
    /// What the engine would fetch as it is.
    pub price_now: Range,
    /// As if all jobs were finished, and the tests passed, on that day.
    pub price_after: Range,
    /// Difference between the two prices: the range contains 80 of 100 differences. It is much narrower than the two
    /// prices, as most of the uncertainty is the same before and after.
    pub difference: Range,
    /// Increase in the tax on the sale, at the likely prices.
    pub tax: Money,
    pub outlay: WorkCost,
    /// Likely difference less its tax and outlay; below 0: the work makes a loss.
    pub profit: Money,
    /// Likely difference less tax, parts, outside work and fees, divided by the hours; null: no hours.
    pub per_hour: Option<Money>,
    /// Share of such differences that make a profit, 0 to 1.
    #[schema(max_length = 40)]
    pub chance_it_pays: String,
    /// What makes the figures less sure.
    #[schema(max_items = 10)]
    pub warnings: Vec<Text<400>>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WorkOption {
    pub kind: WorkOptionKind,
    /// Likely price; for parts, what was given in `parts_bring`. null: unknown.
    pub price: Option<Money>,
    /// Profit beyond selling the engine as it stands; null: unknown.
    pub extra_profit: Option<Money>,
}

/// A comparison of every set of an engine's open jobs, and of the other options.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 30, "on": "2026-11-27", "considered": [33, 34], "sets_compared": 8, "best": null,
    "options": [{"kind": "sell_as_it_stands", "price": "2800.00", "extra_profit": "0.00"},
        {"kind": "repair", "price": "3480.00", "extra_profit": "238.67"}, {"kind": "break_for_parts", "price": null, "extra_profit": null}]}))]
pub struct WorkOptions {
    pub stock_no: i32,
    pub on: Day,
    /// The jobs compared.
    #[schema(max_items = 15)]
    pub considered: Vec<i64>,
    /// Counts sets with and without the tests that renew expired certificates.
    #[schema(minimum = 1)]
    pub sets_compared: usize,
    /// The set with the highest profit; null: no set makes a profit.
    pub best: Option<ValueAdded>,
    /// Best first.
    #[schema(min_items = 3, max_items = 3)]
    pub options: Vec<WorkOption>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct WorkQuery {
    /// Open jobs to compare. Default: all proposed or agreed jobs.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<i64>>, style = Form, explode = false, max_items = 15, example = json!([33, 34]))]
    jobs: Vec<i64>,
    /// Total price of its parts, including tax and less the cost of dismantling.
    #[param(example = "900.00")]
    parts_bring: Option<Money>,
}

// Routes

/// Calculate the value that a job adds
///
/// The price after the job less the price now, the remaining hours, parts, outside work and tests, and the tax on the
/// increase. It uses the job's `grades_after` and `working_order_after` and its effect on the certificates. Refused
/// (409) if the job is finished or called off.
#[get("/jobs/{id:\\d+}/value-added", 409, 200 = ValueAdded)]
async fn get_value_added(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let job = jobs::find_all(&mut conn, &[*id]).await?.pop();
    let job = job.ok_or_else(|| Problem::not_found(format!("there is no job {id}")))?;
    if job.facts.status.is_closed() {
        let detail = format!("the job is {}; choose an open job", job.facts.status);
        return Err(Problem::conflict(detail));
    }
    let bench = Bench::load(&mut conn, job.facts.stock_no, actor.today, vec![job]).await?;
    let worth = web::block(move || {
        let tests = bench.needed(1);
        bench.worth(1, &tests)
    })
    .await
    .map_err(Problem::internal)??;
    respond(&req, &worth)
}

/// Compare the options for an engine: repair, sale as it stands, or parts
///
/// One job can void a certificate another job depends on, so every combination of up to 15 open jobs is compared,
/// together with selling as it stands or breaking for parts. Refused (409) with more than 15 jobs.
#[get("/engines/{stock_no:\\d+}/work-options", 409, 200 = WorkOptions, params(("stock_no" = i32, Path, example = 30, minimum = 1)))]
async fn get_work_options(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    query: Query<WorkQuery>,
) -> Reply {
    let invalid = |detail: &str| Problem::new(problem::INVALID_QUERY, detail.to_owned());
    if query.parts_bring.is_some_and(Money::is_negative) {
        return Err(invalid("`parts_bring` must be 0 or more"));
    }
    let mut conn = db.read().await?;
    stock::must_exist(&mut conn, *stock_no).await?;
    let mut open = jobs::open_of(&mut conn, &[*stock_no]).await?;
    if query.jobs.is_empty() {
        open.retain(|job| job.facts.status != JobStatus::Started);
    } else {
        if let Some(other) = query
            .jobs
            .iter()
            .find(|id| !open.iter().any(|job| job.facts.id == **id))
        {
            return Err(invalid(&format!(
                "`jobs`: {other} is not an open job of this engine"
            )));
        }
        open.retain(|job| query.jobs.contains(&job.facts.id));
    }
    if open.len() > MOST_JOBS {
        return Err(Problem::conflict(format!(
            "the engine has {} open jobs; name up to {MOST_JOBS} of them in `jobs`",
            open.len()
        )));
    }
    let bench = Bench::load(&mut conn, *stock_no, actor.today, open).await?;
    let parts_bring = query.parts_bring;
    let answer = web::block(move || bench.best(parts_bring))
        .await
        .map_err(Problem::internal)??;
    respond(&req, &answer)
}

/// Everything that the value of a set of jobs depends on.
struct Bench {
    stock_no: i32,
    on: Day,
    engine: EngineOnSale,
    jobs: Vec<Job>,
    work: Work,
    open: OpenJobs,
    prices: Prices,
    ground: PricingBasis,
    reckoning: ProfitQuestion,
}

/// A set of jobs: job `n` is in it if bit `n` is set.
type Set = u32;

impl Bench {
    async fn load(
        conn: &mut AsyncPgConnection,
        stock_no: i32,
        on: Day,
        jobs: Vec<Job>,
    ) -> Result<Bench, Problem> {
        let lines = costs::lines_until(conn, &[stock_no], Day::LAST).await?;
        let mut open = cost_to_come::open_jobs(conn, &[stock_no], on, &lines).await?;
        Ok(Bench {
            stock_no,
            on,
            engine: facts_of(conn, stock_no, on).await?,
            jobs,
            work: Work::load(conn, stock_no, on).await?,
            open: open.remove(&stock_no).unwrap_or_default(),
            prices: Prices::load(conn, on, RateKind::Worth).await?,
            ground: PricingBasis::on(conn, on).await?,
            reckoning: margins::reckoning(conn, stock_no, on).await?,
        })
    }

    fn of(&self, set: Set) -> Vec<&Job> {
        let jobs = self.jobs.iter().enumerate();
        jobs.filter(|(n, _)| set >> n & 1 == 1)
            .map(|(_, job)| job)
            .collect()
    }

    /// Indices of the set's jobs among the open jobs.
    fn places(&self, set: Set) -> Vec<usize> {
        let jobs = self.of(set).into_iter();
        jobs.filter_map(|job| self.open.place_of(job.facts.id))
            .collect()
    }

    /// The tests that the jobs of a set make necessary.
    fn needed(&self, set: Set) -> Vec<TestKind> {
        self.prices.tests_for(&self.open, &self.places(set))
    }

    fn cost(&self, set: Set, tests: &[TestKind]) -> Result<WorkCost, Problem> {
        let ToCome { cost, hours } = self.prices.of(&self.open, &self.places(set), tests)?;
        Ok(WorkCost {
            hours: cost.hours,
            work: cost.work,
            parts: cost.parts,
            outside_work: cost.outside_work,
            test_fees: cost.test_fees,
            total: cost.amount,
            hours_priced: hours,
        })
    }

    fn after(&self, set: Set, tests: &[TestKind]) -> Result<EngineOnSale, Problem> {
        self.work.done(&self.engine, &self.of(set), tests)
    }

    fn profit_at_price(&self, price: Money) -> Result<Money, Problem> {
        Ok(self.reckoning.at(price)?.profit)
    }

    fn worth(&self, set: Set, tests: &[TestKind]) -> Result<ValueAdded, Problem> {
        let after = self.after(set, tests)?;
        let range = |engine| {
            let (low, likely, high) = self.ground.range(engine, LEVEL_PERCENT)?;
            Ok::<Range, Problem>(Range { low, likely, high })
        };
        let (price_now, price_after) = (range(&self.engine)?, range(&after)?);
        let change = self.ground.change(&self.engine, &after, LEVEL_PERCENT)?;
        let (low, high) = change.range();
        let difference = price_after.likely.checked_sub(price_now.likely);
        let difference = Range {
            low: amount_of(low).map_err(too_much)?,
            likely: difference.map_err(too_much)?,
            high: amount_of(high).map_err(too_much)?,
        };
        let (now, then) = (
            self.reckoning.at(price_now.likely)?,
            self.reckoning.at(price_after.likely)?,
        );
        let cost = self.cost(set, tests)?;
        let gain = then.profit.checked_sub(now.profit).map_err(too_much)?;
        let profit = gain.checked_sub(cost.total).map_err(too_much)?;
        let brought = profit.checked_add(cost.work).map_err(too_much)?;
        let per_hour = (cost.hours > Hours::ZERO)
            .then(|| Money::rounded(brought.decimal() / cost.hours.decimal()))
            .transpose()
            .map_err(too_much)?;
        let pays_from = self.pays_from(price_now.likely, now.profit, cost.total)?;
        let warnings = [
            (
                cost.hours_priced
                    .iter()
                    .any(|hours| hours.priced_by == HourPricedBy::NoRate),
                "No hour rate is set, so hours are counted at no cost. Set one at /v1/hour-rates.",
            ),
            (
                self.of(set)
                    .iter()
                    .any(|job| job.facts.hours_agreed.is_none() && job.facts.days_away.is_none()),
                "A job has no hours agreed, so none are counted for it.",
            ),
            (
                after == self.engine,
                "The work changes nothing that affects the price: set `grades_after` and `working_order_after` of the job.",
            ),
            (
                !tests.is_empty(),
                "The tests are assumed to be passed. The local code and the independent inspector decide what has to be tested.",
            ),
        ];
        Ok(ValueAdded {
            stock_no: self.stock_no,
            on: self.on,
            basis: self.ground.basis(),
            jobs: self.of(set).iter().map(|job| job.facts.id).collect(),
            tests: tests.to_vec(),
            price_now,
            price_after,
            difference,
            tax: then.tax.checked_sub(now.tax).map_err(too_much)?,
            profit,
            per_hour,
            chance_it_pays: chance_of_more(&change, pays_from),
            outlay: cost,
            warnings: warnings
                .into_iter()
                .filter(|(holds, _)| *holds)
                .map(|(_, words)| words.parse().map_err(Problem::internal))
                .collect::<Result<_, _>>()?,
        })
    }

    /// The price increase at which the cost is recovered after tax. Profit rises with the price, so the lowest such
    /// price is found by bisection.
    fn pays_from(&self, now: Money, left_now: Money, cost: Money) -> Result<Money, Problem> {
        let earned = left_now.checked_add(cost).map_err(too_much)?;
        let (mut under, mut enough) = (now.decimal(), now.decimal() + Decimal::from(1_000_000));
        let penny = Decimal::new(1, 2);
        while enough - under > penny {
            let middle = Money::rounded((under + enough) / Decimal::TWO).map_err(too_much)?;
            if self.profit_at_price(middle)? >= earned {
                enough = middle.decimal();
            } else {
                under = middle.decimal();
            }
        }
        let least = Money::rounded(enough).map_err(too_much)?;
        least.checked_sub(now).map_err(too_much)
    }

    /// Compares all sets by their likely prices.
    fn best(&self, parts_bring: Option<Money>) -> Result<WorkOptions, Problem> {
        let now = self.ground.likely(&self.engine)?;
        let left_now = self.profit_at_price(now)?;
        let lapsed = self.work.has_boiler() && self.engine.papers_months_left == Some(0);
        let both = [TestKind::HydraulicRepeat, TestKind::Steam];
        let (mut best, mut most, mut sets_compared) = (None, Money::ZERO, 0);
        // Sets of jobs with the same result have the same price.
        let mut priced: HashMap<String, Money> = HashMap::new();
        for set in 0..1 << self.jobs.len() {
            let needed = self.needed(set);
            let mut tested = vec![needed.clone()];
            if lapsed && needed.len() < both.len() {
                tested.push(both.to_vec());
            }
            for tests in tested {
                sets_compared += 1;
                let after = self.after(set, &tests)?;
                let key = format!("{after:?}");
                let price = match priced.get(&key) {
                    Some(price) => *price,
                    None => {
                        let price = self.profit_at_price(self.ground.likely(&after)?)?;
                        priced.insert(key, price);
                        price
                    }
                };
                let gain = price.checked_sub(left_now).map_err(too_much)?;
                let profit = gain
                    .checked_sub(self.cost(set, &tests)?.total)
                    .map_err(too_much)?;
                if profit > most {
                    (best, most) = (Some((set, tests)), profit);
                }
            }
        }
        let best = best
            .map(|(set, tests)| self.worth(set, &tests))
            .transpose()?;
        let broken = parts_bring.map(|price| {
            let profit = self.profit_at_price(price)?.checked_sub(left_now);
            profit.map_err(too_much)
        });
        let mut options = vec![
            WorkOption {
                kind: WorkOptionKind::SellAsItStands,
                price: Some(now),
                extra_profit: Some(Money::ZERO),
            },
            WorkOption {
                kind: WorkOptionKind::Repair,
                price: best.as_ref().map(|best| best.price_after.likely),
                extra_profit: best.as_ref().map(|best| best.profit),
            },
            WorkOption {
                kind: WorkOptionKind::BreakForParts,
                price: parts_bring,
                extra_profit: broken.transpose()?,
            },
        ];
        options.sort_by_key(|option| std::cmp::Reverse(option.extra_profit));
        Ok(WorkOptions {
            stock_no: self.stock_no,
            on: self.on,
            considered: self.jobs.iter().map(|job| job.facts.id).collect(),
            sets_compared,
            best,
            options,
        })
    }
}

fn too_much<E>(_: E) -> Problem {
    Problem::conflict("the figures are too large to calculate; check the amounts of the jobs")
}
