//! The most to pay for an engine that was valued, so that its sale leaves the wanted profit.

use super::NewBuyingValuation;
use crate::{
    books::tax_rules::Rates,
    ground::{
        problem::{FieldError, Problem},
        text::Line,
    },
    workshop::hour_rates,
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{
        costs::{
            CostToCome, HourPricedBy, MostToPayQuestion, OpenWork, Planned, cost_to_come,
            most_to_pay,
        },
        tax::{Percent, Scheme},
    },
    days::Day,
    money::Money,
    workshop::jobs::Hours,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Work expected before the engine can be sold. Amounts are net of tax that is reclaimed.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"description": "new tubes and a hydraulic test", "hours": "12", "parts": "140.00", "tests": "60.00"}))]
pub struct ForeseenWork {
    /// The work, in words.
    pub description: Line,
    /// 0 or more. Default: 0.
    pub hours: Option<Hours>,
    /// 0 or more. Default: 0.
    pub parts: Option<Money>,
    /// 0 or more. Default: 0.
    pub outside_work: Option<Money>,
    /// Test fees, 0 or more. Default: 0.
    pub tests: Option<Money>,
}

/// The most to pay for a wanted profit, at the likely price and at the low end of the range.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BuyingValuationMoney {
    /// The profit that the sale should leave.
    pub wanted_profit: Money,
    pub scheme: Scheme,
    /// Standard rate of the day; 0 under a scheme without tax.
    pub rate_percent: Percent,
    /// What an hour of the work must earn; null: no rate was given or set.
    pub hour_recovery_rate: Option<Money>,
    /// Work that the engine needs before it is sold.
    #[schema(max_items = 50)]
    pub work_foreseen: Vec<ForeseenCost>,
    /// Sum of the hours.
    pub hours: Hours,
    /// Sum of the expected work, tests included.
    pub cost_to_come: Money,
    /// At the likely price.
    pub at_likely: MostToPayAt,
    /// At the low end of the range.
    pub at_low: MostToPayAt,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ForeseenCost {
    pub description: Line,
    pub hours: Hours,
    pub parts: Money,
    /// Work by others.
    pub outside_work: Money,
    pub tests: Money,
    /// Hours at the recovery rate, rounded to the penny (half up), plus parts, outside work and tests.
    pub cost: Money,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MostToPayAt {
    /// The price at which it would sell.
    pub price: Money,
    /// Null: even as a gift it would not leave the wanted profit.
    pub most_to_pay: Option<Money>,
    /// Tax on the sale if that is paid; null with it.
    pub tax: Option<Money>,
}

impl NewBuyingValuation {
    fn asks_for_money(&self) -> bool {
        self.wanted_profit.is_some()
            || self.scheme.is_some()
            || self.hour_recovery_rate.is_some()
            || !self.work_foreseen.is_empty()
    }

    pub(super) fn broken_money_rules(&self) -> Vec<FieldError> {
        let mut broken = Vec::new();
        let mut rule = |holds: bool, pointer: String| {
            if !holds {
                let detail = "must be 0 or more".to_owned();
                broken.push(FieldError { pointer, detail });
            }
        };
        let is_positive = |amount: Option<Money>| !amount.is_some_and(Money::is_negative);
        rule(
            is_positive(self.hour_recovery_rate),
            "/hour_recovery_rate".to_owned(),
        );
        for (i, work) in self.work_foreseen.iter().enumerate() {
            let at = |member: &str| format!("/work_foreseen/{i}/{member}");
            rule(work.hours.is_none_or(|it| it >= Hours::ZERO), at("hours"));
            rule(is_positive(work.parts), at("parts"));
            rule(is_positive(work.outside_work), at("outside_work"));
            rule(is_positive(work.tests), at("tests"));
        }
        broken
    }
}

/// `None`: the request does not ask for it. `low` and `likely` are the prices of the buying valuation.
pub(super) async fn of(
    conn: &mut AsyncPgConnection,
    new: &NewBuyingValuation,
    (low, likely): (Money, Money),
    on: Day,
) -> Result<Option<BuyingValuationMoney>, Problem> {
    if !new.asks_for_money() {
        return Ok(None);
    }
    let scheme = new.scheme.unwrap_or(Scheme::Margin);
    let rate_percent = Rates::load(conn).await?.on(scheme, on)?;
    let hour_recovery_rate = match new.hour_recovery_rate {
        Some(rate) => Some(rate),
        None => {
            let mean = hour_rates::on(conn, on).await?.of(None, None);
            (mean.by != HourPricedBy::NoRate).then_some(mean.rate.worth)
        }
    };
    let with_hours = |work: &ForeseenWork| work.hours.is_some_and(|hours| hours > Hours::ZERO);
    if hour_recovery_rate.is_none() && new.work_foreseen.iter().any(with_hours) {
        let detail = "missing; send it, or set a rate at /v1/hour-rates";
        return Err(Problem::invalid("/hour_recovery_rate", detail));
    }
    let rate = hour_recovery_rate.unwrap_or_default();
    let costs = new.work_foreseen.iter().map(|work| foreseen(work, rate));
    let costs: Vec<(ForeseenCost, OpenWork)> = costs.collect::<Result<_, Problem>>()?;
    let (work_foreseen, jobs): (Vec<_>, Vec<_>) = costs.into_iter().unzip();
    let to_come = cost_of(&jobs)?;
    let wanted_profit = new.wanted_profit.unwrap_or_default();
    let at = |price: Money| -> Result<MostToPayAt, Problem> {
        let most = most_to_pay(&MostToPayQuestion {
            price,
            cost_to_come: to_come.amount,
            selling_cost: None,
            selling_share_percent: None,
            wanted_profit,
            rate_percent,
            scheme,
        })?;
        Ok(MostToPayAt {
            price,
            most_to_pay: most.most_to_pay,
            tax: most.tax,
        })
    };
    Ok(Some(BuyingValuationMoney {
        wanted_profit,
        scheme,
        rate_percent,
        hour_recovery_rate,
        work_foreseen,
        hours: to_come.hours,
        cost_to_come: to_come.amount,
        at_likely: at(likely)?,
        at_low: at(low)?,
    }))
}

/// Expected work costs the same as an agreed job that has not started.
fn foreseen(
    work: &ForeseenWork,
    recovery_rate: Money,
) -> Result<(ForeseenCost, OpenWork), Problem> {
    let [parts, outside_work, tests] =
        [work.parts, work.outside_work, work.tests].map(Option::unwrap_or_default);
    let planned = |agreed| Planned {
        agreed,
        booked: Money::ZERO,
    };
    let job = OpenWork {
        hours_agreed: work.hours.unwrap_or(Hours::ZERO),
        hours_booked: Hours::ZERO,
        rate: recovery_rate,
        parts: planned(parts),
        outside_work: planned(outside_work),
        test_fees: planned(tests),
    };
    let cost = ForeseenCost {
        description: work.description.clone(),
        hours: job.hours_agreed,
        parts,
        outside_work,
        tests,
        cost: cost_of(&[job])?.amount,
    };
    Ok((cost, job))
}

fn cost_of(jobs: &[OpenWork]) -> Result<CostToCome, Problem> {
    cost_to_come(jobs).map_err(|_| too_large())
}

fn too_large() -> Problem {
    let detail = "the amounts come to more than 9999999999.99; send smaller amounts";
    Problem::invalid("/work_foreseen", detail)
}
