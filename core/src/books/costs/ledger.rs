//! The cost ledger of an engine: costs so far, costs to come, and the hours of work that the profit would pay for.

use super::{LowestPriceQuestion, Sale, share_fault};
use crate::{
    books::tax::{MoneyFault, amount, negatives},
    days::Day,
    money::Money,
    trade::TaxPosition,
    workshop::jobs::Hours,
};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use serde::Serialize;

words! {
    pub enum CostKind {
        /// The price paid for the engine.
        Purchase = "purchase",
        CarriageIn = "carriage_in",
        /// Hours booked on jobs.
        Work = "work",
        Parts = "parts",
        /// Work paid to others.
        OutsideWork = "outside_work",
        /// Fees of tests.
        Tests = "tests",
        Other = "other",
    }
}

words! {
    /// The record that a line of the ledger comes from, so that nothing is entered twice.
    pub enum CostSource {
        Acquisition = "acquisition",
        JobHours = "job_hours",
        JobParts = "job_parts",
        /// Entered as a cost.
        Entered = "entered",
    }
}

/// Lines are never edited: a reversal has the amounts and hours of the reversed line below 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CostLine {
    pub kind: CostKind,
    pub on: Day,
    /// Without the supplier's tax. Hours at the cost rate, which is 0 for a proprietor's own.
    pub cost: Money,
    /// The amount that the price has to recover: hours at the recovery rate, everything else at cost.
    pub worth: Money,
    /// VAT on suppliers' invoices that is reclaimed.
    pub supplier_vat: Money,
    pub hours: Hours,
}

/// Hours at the person's two rates on the day of the job, each to the penny, a half away from 0.
pub fn work_line(
    on: Day,
    hours: Hours,
    cost_rate: Money,
    recovery_rate: Money,
) -> Result<CostLine, MoneyFault> {
    Ok(CostLine {
        kind: CostKind::Work,
        on,
        cost: hours_at(hours, cost_rate, "cost_rate")?,
        worth: hours_at(hours, recovery_rate, "recovery_rate")?,
        supplier_vat: Money::ZERO,
        hours,
    })
}

pub(super) fn hours_at(
    hours: Hours,
    rate: Money,
    member: &'static str,
) -> Result<Money, MoneyFault> {
    hours
        .decimal()
        .checked_mul(rate.decimal())
        .and_then(|amount| Money::rounded(amount).ok())
        .ok_or(MoneyFault::TooLarge { member })
}

impl CostLine {
    /// The line that reverses this one on a later day.
    pub fn reversed(self, on: Day) -> Result<CostLine, MoneyFault> {
        let minus = |money: Money| amount(-money.pennies(), "cost");
        Ok(CostLine {
            kind: self.kind,
            on,
            cost: minus(self.cost)?,
            worth: minus(self.worth)?,
            supplier_vat: minus(self.supplier_vat)?,
            hours: self.hours.reversed(),
        })
    }
}

/// The sums of one kind of cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = CostSum))]
pub struct SumOfKind {
    pub kind: CostKind,
    /// Without the supplier's tax.
    pub cost: Money,
    /// The amount that the price has to recover: hours at the recovery rate, everything else at cost.
    pub worth: Money,
    /// VAT on suppliers' invoices that is reclaimed.
    pub supplier_vat: Money,
}

/// The sums of an engine's costs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = CostLedger))]
pub struct Ledger {
    /// One for each kind, including those of 0.
    #[cfg_attr(feature = "wire", schema(max_items = 7))]
    pub kinds: Vec<SumOfKind>,
    /// Cost for the books: purchase, work at cost rates and everything else; with the supplier's tax where it cannot be
    /// recovered.
    pub cost: Money,
    /// Cost for the break-even price: the same with work at recovery rates.
    pub worth: Money,
    /// All tax on suppliers' invoices, recoverable or not.
    /// VAT on suppliers' invoices that is reclaimed.
    pub supplier_vat: Money,
    /// All hours booked on the engine's jobs.
    pub hours_booked: Hours,
}

/// The sums of the lines, which do not depend on their order.
pub fn ledger(lines: &[CostLine], position: TaxPosition) -> Result<Ledger, MoneyFault> {
    let sum = |kind: Option<CostKind>, of: fn(&CostLine) -> Money| {
        let of_kind = lines
            .iter()
            .filter(|line| kind.is_none_or(|kind| kind == line.kind));
        of_kind.map(|line| of(line).pennies()).sum::<i128>()
    };
    let checked = |pennies| amount(pennies, "cost");
    let borne_vat = if position.reclaims_tax() {
        0
    } else {
        sum(None, |line| line.supplier_vat)
    };
    let kinds = CostKind::ALL.iter().map(|kind| {
        Ok(SumOfKind {
            kind: *kind,
            cost: checked(sum(Some(*kind), |line| line.cost))?,
            worth: checked(sum(Some(*kind), |line| line.worth))?,
            supplier_vat: checked(sum(Some(*kind), |line| line.supplier_vat))?,
        })
    });
    Ok(Ledger {
        kinds: kinds.collect::<Result<_, MoneyFault>>()?,
        cost: checked(sum(None, |line| line.cost) + borne_vat)?,
        worth: checked(sum(None, |line| line.worth) + borne_vat)?,
        supplier_vat: checked(sum(None, |line| line.supplier_vat))?,
        hours_booked: lines
            .iter()
            .try_fold(Hours::ZERO, |sum, line| sum.checked_add(line.hours))
            .map_err(|_| MoneyFault::TooLarge { member: "hours" })?,
    })
}

/// The profit at a price.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct ProfitAtPrice {
    /// Including tax.
    pub price: Money,
    /// Tax on the sale.
    pub tax: Money,
    /// Including the share of the price.
    pub selling_cost: Money,
    /// Price less tax, purchase and all costs; below 0: a loss.
    pub profit: Money,
}

/// Profit at a price, from the facts of the question about the lowest price; its wanted profit is ignored.
pub fn profit_at_price(
    question: &LowestPriceQuestion,
    price: Money,
) -> Result<ProfitAtPrice, Vec<MoneyFault>> {
    let mut faults = negatives(&[
        ("price", Some(price)),
        ("purchase", Some(question.purchase)),
        ("other_costs", Some(question.other_costs)),
        ("cost_to_come", question.cost_to_come),
        ("selling_cost", question.selling_cost),
    ]);
    faults.extend(share_fault(question.selling_share_percent));
    if !faults.is_empty() {
        return Err(faults);
    }
    let sale = Sale::new(
        question.scheme,
        question.purchase,
        question.rate_percent,
        question.selling_share_percent,
    );
    let costs = [
        Some(question.purchase),
        Some(question.other_costs),
        question.cost_to_come,
        question.selling_cost,
    ];
    let costs: i128 = costs.into_iter().flatten().map(Money::pennies).sum();
    let pennies = price.pennies();
    let selling_cost = question.selling_cost.unwrap_or_default().pennies();
    let checked = |pennies, member| amount(pennies, member).map_err(|fault| vec![fault]);
    Ok(ProfitAtPrice {
        price,
        tax: checked(sale.tax(pennies), "price")?,
        selling_cost: checked(selling_cost + sale.share(pennies), "selling_cost")?,
        profit: checked(sale.brings(pennies) - costs, "other_costs")?,
    })
}

/// The hours of further work that the profit would pay for, rounded down to the hundredth; 0 without profit. `None` if
/// an hour costs nothing or the hours are too many to count.
pub fn hours_to_break_even(profit: Money, recovery_rate: Money) -> Option<Hours> {
    if recovery_rate <= Money::ZERO {
        return None;
    }
    let hundredths = profit.pennies().max(0) * 100 / recovery_rate.pennies();
    Hours::new(Decimal::new(hundredths.to_i64()?, 2)).ok()
}
