//! What work is worth: the price after against the price now, less all that it costs, for a job and for every set of jobs.

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

/// All sets of so many jobs are compared.
const MOST_JOBS: usize = 15;
/// How many of 100 such differences a range is to hold.
const LEVEL_PERCENT: u8 = 80;

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = PriceRange)]
pub struct Range {
    pub low: Money,
    pub likely: Money,
    pub high: Money,
}

/// What work takes that is still to be spent; what is spent already counts for nothing here. Net of tax.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct WorkCost {
    /// Of the jobs and of the tests that they make necessary.
    pub hours: Hours,
    /// These hours at what an hour of those who are to work them has to bring in.
    pub work: Money,
    pub parts: Money,
    pub outside_work: Money,
    /// What others are paid for the tests.
    pub test_fees: Money,
    pub total: Money,
    /// The hours above, and whose rates price them.
    #[schema(max_items = 30)]
    pub hours_priced: Vec<HoursToCome>,
}

/// What jobs done together are worth on a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 30, "on": "2026-11-27", "basis": "sales", "jobs": [33], "tests": ["hydraulic_repeat", "steam"],
    "price_now": {"low": "2400.00", "likely": "2800.00", "high": "3260.00"},
    "price_after": {"low": "3010.00", "likely": "3480.00", "high": "4030.00"},
    "difference": {"low": "505.20", "likely": "680.00", "high": "870.10"}, "tax": "113.33",
    "outlay": {"hours": "9", "work": "288.00", "parts": "40.00", "outside_work": "0.00", "test_fees": "0.00", "total": "328.00",
        "hours_priced": [{"job_id": 33, "test": null, "hours": "9", "rate": "32.00", "priced_by": "fitter", "fitter": "Edda Morlock"}]},
    "profit": "238.67", "per_hour": "58.51", "chance_it_pays": "0.8120",
    "warnings": ["No hour rate is set, so that hours cost nothing here."]}))]
pub struct ValueAdded {
    pub stock_no: i32,
    pub on: Day,
    pub basis: ValuationBasis,
    #[schema(max_items = 15)]
    pub jobs: Vec<i64>,
    /// That the jobs make necessary, or that bring papers again which hold no more.
    #[schema(max_items = 7)]
    pub tests: Vec<TestKind>,
    pub price_now: Range,
    /// As if all were finished, and the tests passed, on the day.
    pub price_after: Range,
    /// Of the two prices: it holds 80 of 100 differences. It is much narrower than both, as most of what is not known is the same
    /// before and after.
    pub difference: Range,
    /// Increase in the tax on the sale, at the likely prices.
    pub tax: Money,
    pub outlay: WorkCost,
    /// The likely difference less its tax and outlay; below 0 the work loses.
    pub profit: Money,
    /// What an hour brings: the likely difference less tax, parts, outside work and fees, by the hours; null without hours.
    pub per_hour: Option<Money>,
    /// The share of such differences that leave something.
    #[schema(max_length = 40)]
    pub chance_it_pays: String,
    #[schema(max_items = 10)]
    pub warnings: Vec<Text<400>>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WorkOption {
    pub kind: WorkOptionKind,
    /// What is asked for; null where nothing is said of it.
    pub price: Option<Money>,
    /// What it leaves beyond selling the engine as it stands.
    pub extra_profit: Option<Money>,
}

/// Every set of the open jobs of an engine compared, and the options there are.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 30, "on": "2026-11-27", "considered": [33, 34], "sets_compared": 8, "best": null,
    "options": [{"kind": "sell_as_it_stands", "price": "2800.00", "extra_profit": "0.00"},
        {"kind": "repair", "price": "3480.00", "extra_profit": "238.67"}, {"kind": "break_for_parts", "price": null, "extra_profit": null}]}))]
pub struct WorkOptions {
    pub stock_no: i32,
    pub on: Day,
    #[schema(max_items = 15)]
    pub considered: Vec<i64>,
    /// With and without tests that bring lapsed papers again.
    #[schema(minimum = 1)]
    pub sets_compared: usize,
    /// The set that leaves most; null where doing nothing does.
    pub best: Option<ValueAdded>,
    /// The best first.
    #[schema(min_items = 3, max_items = 3)]
    pub options: Vec<WorkOption>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct WorkQuery {
    /// Open jobs to choose from, joined with commas, at most 15; all that are proposed or agreed unless told otherwise.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "33,34")]
    jobs: Vec<i64>,
    /// What its parts would fetch together, tax included, the work of taking it apart paid.
    #[param(example = "900.00")]
    parts_bring: Option<Money>,
}

// Routes

/// Calculate the value that a job adds
///
/// The price after it against the price now, less the hours, parts, outside work and tests that are still to come and the tax on
/// what it adds. It uses what the job is to bring about (`grades_after`, `working_order_after`) and does to the papers.
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
        let detail = format!("the job is {}: what it did is on record", job.facts.status);
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

/// Compare what to do with an engine: every set of its open jobs, sale as it stands, or parts
///
/// One job can void the paper that another pays for, so that the best set is looked for among all sets, up to 15 jobs; and beside it
/// the other options: to sell the engine as it stands, or to break it for parts.
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
        return Err(invalid("`parts_bring` is an amount of 0 or more"));
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
                "`jobs`: {other} is no open job of this engine"
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

/// All that the worth of any set of jobs hangs on.
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

/// A set of the jobs: job `n` is in it where bit `n` is set.
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

    /// The places of the jobs of a set among those that are open.
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
                "No hour rate is set, so that hours cost nothing here.",
            ),
            (
                self.of(set)
                    .iter()
                    .any(|job| job.facts.hours_agreed.is_none() && job.facts.days_away.is_none()),
                "A job has no hours agreed, so that it costs none here.",
            ),
            (
                after == self.engine,
                "Nothing of what the price hangs on is changed: say what the work brings about in `grades_after` and `working_order_after`.",
            ),
            (
                !tests.is_empty(),
                "The tests are taken as passed. The local code and the independent inspector decide what has to be tested.",
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

    /// By how much the price has to rise for the cost to be earned after tax: what is left rises with the price, so that the
    /// least such price is found by halving.
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

    /// Goes through all sets by their likely prices.
    fn best(&self, parts_bring: Option<Money>) -> Result<WorkOptions, Problem> {
        let now = self.ground.likely(&self.engine)?;
        let left_now = self.profit_at_price(now)?;
        let lapsed = self.work.has_boiler() && self.engine.papers_months_left == Some(0);
        let both = [TestKind::HydraulicRepeat, TestKind::Steam];
        let (mut best, mut most, mut sets_compared) = (None, Money::ZERO, 0);
        // Sets of jobs that bring about the same have the same price.
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
        options.sort_by_key(|road| std::cmp::Reverse(road.extra_profit));
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
    Problem::conflict("the figures are beyond the range of amounts; look at the jobs")
}
