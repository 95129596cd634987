//! The cost still to come before an engine can be sold, in one calculation for the break-even price, the profit at a
//! price, the stock valuation and the value of work.

use super::ledger::hours_at;
use crate::{
    books::tax::{MoneyFault, amount, half_up},
    days::Day,
    money::Money,
    workshop::jobs::Hours,
};
use rust_decimal::Decimal;
use serde::Serialize;

words! {
    /// Whose rate is used for hours that nobody has worked yet.
    pub enum HourPricedBy {
        /// The rate of the fitter named.
        Fitter = "fitter",
        /// The mean rate of the fitters with the skill.
        Skill = "skill",
        /// The mean of all fitters with a rate: no skill is required, or nobody who has it has a rate.
        AllFitters = "all_fitters",
        /// Nobody has a rate, and the hours cost nothing.
        NoRate = "no_rate",
    }
}

/// An amount agreed or expected, and how much of it is spent.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Planned {
    pub agreed: Money,
    pub booked: Money,
}

impl Planned {
    /// If more was spent than agreed, nothing is still to come, and no other amount is reduced.
    fn to_come(self) -> i128 {
        (self.agreed.pennies() - self.booked.pennies()).max(0)
    }
}

/// An open job, or a test that open jobs require.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct OpenWork {
    pub hours_agreed: Hours,
    pub hours_booked: Hours,
    /// For an hour that is still to come.
    pub rate: Money,
    pub parts: Planned,
    pub outside_work: Planned,
    pub test_fees: Planned,
}

/// Hours, expected parts, outside work and test fees that are not booked yet. Without tax.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct CostToCome {
    pub hours: Hours,
    /// The hours at the rates of the fitters who are to work them.
    pub work: Money,
    pub parts: Money,
    /// Work by others.
    pub outside_work: Money,
    /// Fees of tests that are still due.
    pub test_fees: Money,
    /// Their sum.
    pub amount: Money,
}

impl OpenWork {
    /// Never below 0.
    pub fn hours_to_come(&self) -> Result<Hours, MoneyFault> {
        let hours = (self.hours_agreed.decimal() - self.hours_booked.decimal()).max(Decimal::ZERO);
        Hours::new(hours).map_err(|_| MoneyFault::TooLarge {
            member: "hours_agreed",
        })
    }
}

/// The cost of open work still to come, each piece separately: its hours at its own rate to the penny, a half upwards.
pub fn cost_to_come(open: &[OpenWork]) -> Result<CostToCome, MoneyFault> {
    let (mut hours, mut work) = (Hours::ZERO, 0);
    for piece in open {
        let to_come = piece.hours_to_come()?;
        hours = hours
            .checked_add(to_come)
            .map_err(|_| MoneyFault::TooLarge {
                member: "hours_agreed",
            })?;
        work += hours_at(to_come, piece.rate, "rate")?.pennies();
    }
    let sum = |of: fn(&OpenWork) -> Planned| open.iter().map(|it| of(it).to_come()).sum::<i128>();
    let parts = sum(|it| it.parts);
    let outside_work = sum(|it| it.outside_work);
    let test_fees = sum(|it| it.test_fees);
    Ok(CostToCome {
        hours,
        work: amount(work, "rate")?,
        parts: amount(parts, "parts")?,
        outside_work: amount(outside_work, "outside_work")?,
        test_fees: amount(test_fees, "test_fees")?,
        amount: amount(work + parts + outside_work + test_fees, "parts")?,
    })
}

/// How much of the bills counts for each piece of work. A bill goes to the first pieces, in the order given, that were
/// agreed by its day and are not yet used up, because bills do not say which piece they are for. The excess counts for
/// none.
///
/// `bills`: in the order in which they are set off, none below 0. `agreed`: since when, and how much.
pub fn set_off(bills: &[(Day, Money)], agreed: &[(Day, Money)]) -> Result<Vec<Money>, MoneyFault> {
    let mut booked = vec![0; agreed.len()];
    for (on, bill) in bills {
        let mut rest = bill.pennies();
        for ((since, most), booked) in agreed.iter().zip(&mut booked) {
            if since <= on {
                let part = rest.min(most.pennies() - *booked).max(0);
                *booked += part;
                rest -= part;
            }
        }
    }
    let shares = booked.into_iter();
    shares
        .map(|pennies| amount(pennies, "outside_work"))
        .collect()
}

/// To the penny, a half upwards; `None` for an empty list.
pub fn mean_rate(rates: &[Money]) -> Option<Money> {
    let n = i128::try_from(rates.len()).ok().filter(|n| *n > 0)?;
    let sum: i128 = rates.iter().map(|rate| rate.pennies()).sum();
    Money::from_pennies(half_up(sum, n)).ok()
}
