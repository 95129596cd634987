//! The firm's commission on an engine sold for its owner, and the amount payable to the owner.

use super::ProfitAtPrice;
use crate::{
    books::tax::{MoneyFault, Percent, amount, half_up, negatives},
    money::Money,
    trade::TaxPosition,
};

/// Terms agreed with the owner: a share, a fixed sum, or both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CommissionTerms {
    /// In per cent of the price with tax, 0 to 100.
    pub percent: Option<Percent>,
    pub fixed: Option<Money>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Commission {
    /// Share and fixed sum, without tax.
    pub commission: Money,
    /// Tax on the commission.
    pub vat: Money,
    /// Price less both; below 0 if the owner owes the firm.
    pub payout_due: Money,
}

/// Commission, its tax and the amount payable to the owner, each to the penny, a half upwards.
///
/// `rate`: the standard rate on the day of the sale. The commission is taken to be without tax, and the tax is added,
/// as between businesses (plain reading, no source). If the sale is in the owner's name, it is a service of the firm
/// and taxed as such. If it is in the firm's own name, the sale is the firm's and falls under the margin scheme; the
/// tax within the margin, which is commission and tax together, comes to the same pennies. A firm that is not
/// registered adds none.
pub fn commission(
    price: Money,
    terms: CommissionTerms,
    position: TaxPosition,
    rate: Percent,
) -> Result<Commission, Vec<MoneyFault>> {
    let mut faults = negatives(&[("price", Some(price)), ("commission_fixed", terms.fixed)]);
    if terms.percent.is_some_and(|share| share > Percent::HUNDRED) {
        faults.push(MoneyFault::ShareAbove100 {
            member: "commission_percent",
        });
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let rate = match position {
        TaxPosition::CommissionInOwnersName | TaxPosition::CommissionInOwnName => rate,
        TaxPosition::MarginScheme | TaxPosition::OrdinaryVat | TaxPosition::NotRegistered => {
            Percent::ZERO
        }
    };
    let price = price.pennies();
    let of = |sum: i128, percent: Percent| half_up(sum * i128::from(percent.hundredths()), 10_000);
    let share = of(price, terms.percent.unwrap_or_default());
    let commission = share + terms.fixed.unwrap_or_default().pennies();
    let vat = of(commission, rate);
    let checked = |pennies| amount(pennies, "commission_fixed").map_err(|fault| vec![fault]);
    Ok(Commission {
        commission: checked(commission)?,
        vat: checked(vat)?,
        payout_due: checked(price - commission - vat)?,
    })
}

/// The lowest price with a commission that covers `costs`; `None` if no price does: a fixed commission does not grow.
///
/// With s hundredths of a percent as share and n pennies to be covered by it, floor((2 p s + 10000) / 20000) >= n
/// becomes p >= (10000 n - 5000) / s.
pub fn lowest_commission_price(terms: CommissionTerms, costs: Money) -> Option<Money> {
    let needed = costs.pennies() - terms.fixed.unwrap_or_default().pennies();
    if needed <= 0 {
        return Some(Money::ZERO);
    }
    let share = i128::from(terms.percent.unwrap_or_default().hundredths());
    if share == 0 {
        return None;
    }
    let price = (10_000 * needed - 5_000 + share - 1) / share;
    Money::from_pennies(price).ok()
}

/// The firm's profit on a sale for an owner: the commission less `costs`. The amount payable to the owner takes the
/// place of the purchase price.
pub fn commission_profit_at_price(
    price: Money,
    terms: CommissionTerms,
    position: TaxPosition,
    rate: Percent,
    costs: Money,
) -> Result<ProfitAtPrice, Vec<MoneyFault>> {
    let made = commission(price, terms, position, rate)?;
    let profit = made.commission.pennies() - costs.pennies();
    Ok(ProfitAtPrice {
        price,
        tax: made.vat,
        selling_cost: Money::ZERO,
        profit: amount(profit, "other_costs").map_err(|fault| vec![fault])?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::books::tax::{MarginTaxQuestion, margin_tax};
    use proptest::prelude::*;

    fn money(text: &str) -> Money {
        text.parse().expect("money")
    }

    fn percent(text: &str) -> Percent {
        text.parse().expect("a rate")
    }

    /// By exact fractions, half up (HMRC VATREC12030); the terms are plain reading, no source.
    /// 8 % of 5400.00 = 432.00, 20 % of it 86.40, 5400.00 - 518.40 = 4881.60.
    /// 7.5 % of 1234.50 = 92.5875 = 92.59, with 25.00 117.59, 20 % 23.518 = 23.52, 1234.50 - 141.11 = 1093.39.
    /// 10 % of 0.05 = 0.005 = 0.01. 100 % of 80.00 and 20.00: the owner owes 20.00 and 20.00 of tax.
    #[test]
    fn the_owner_is_paid_the_price_less_commission_and_its_tax() {
        use TaxPosition::{CommissionInOwnName, CommissionInOwnersName, NotRegistered};
        for (price, share, fixed, position, expected) in [
            (
                "5400.00",
                Some("8"),
                None,
                CommissionInOwnersName,
                ["432.00", "86.40", "4881.60"],
            ),
            (
                "1234.50",
                Some("7.5"),
                Some("25.00"),
                CommissionInOwnName,
                ["117.59", "23.52", "1093.39"],
            ),
            (
                "5400.00",
                Some("8"),
                None,
                NotRegistered,
                ["432.00", "0.00", "4968.00"],
            ),
            (
                "0.05",
                Some("10"),
                None,
                NotRegistered,
                ["0.01", "0.00", "0.04"],
            ),
            (
                "80.00",
                Some("100"),
                Some("20.00"),
                CommissionInOwnersName,
                ["100.00", "20.00", "-40.00"],
            ),
        ] {
            let terms = CommissionTerms {
                percent: share.map(percent),
                fixed: fixed.map(money),
            };
            let answer =
                commission(money(price), terms, position, percent("20")).expect("an answer");
            let answer = [answer.commission, answer.vat, answer.payout_due];
            assert_eq!(answer, expected.map(money), "{price}");
        }
    }

    /// 8 % of 625.00 is 50.00, and of 624.94 it is 49.9952, half up 50.00; of 624.93 it is 49.9944, which is 49.99.
    #[test]
    fn the_lowest_price_covers_the_costs_and_a_penny_less_does_not() {
        let share = |share: &str, fixed: Option<&str>| CommissionTerms {
            percent: Some(percent(share)),
            fixed: fixed.map(money),
        };
        for (terms, costs, price) in [
            (share("8", None), "50.00", Some("624.94")),
            (share("8", Some("20.00")), "70.00", Some("624.94")),
            (share("8", Some("20.00")), "20.00", Some("0.00")),
            (share("0", Some("20.00")), "20.01", None),
            (share("0.01", None), "9999999999.00", None),
        ] {
            let lowest = lowest_commission_price(terms, money(costs));
            assert_eq!(lowest, price.map(money), "{terms:?}");
        }
    }

    proptest! {
        #[test]
        fn of_the_lowest_price_and_its_neighbour_one_suffices(share in 1_u32..=10_000, fixed in 0_i128..100_000, costs in 0_i128..100_000) {
            let terms = CommissionTerms {
                percent: Percent::from_hundredths(share).ok(),
                fixed: Money::from_pennies(fixed).ok(),
            };
            let costs = Money::from_pennies(costs).expect("money");
            let lowest = lowest_commission_price(terms, costs).expect("a price");
            let earns = |pennies: i128| {
                let price = Money::from_pennies(pennies).expect("money");
                commission(price, terms, TaxPosition::NotRegistered, Percent::ZERO).expect("an answer").commission
            };
            prop_assert!(earns(lowest.pennies()) >= costs);
            prop_assert!(lowest == Money::ZERO || earns(lowest.pennies() - 1) < costs);
        }

        /// In the firm's own name the amount payable to the owner is the purchase price: gov.uk, VAT margin schemes.
        #[test]
        fn tax_on_the_commission_is_tax_within_the_margin(
            price in 0_i128..200_000_000, share in 0_u32..=10_000, fixed in 0_i128..5_000_000, rate in 0_u32..100_000,
        ) {
            let price = Money::from_pennies(price).expect("money");
            let rate = Percent::from_hundredths(rate).expect("a rate");
            let terms = CommissionTerms {
                percent: Percent::from_hundredths(share).ok(),
                fixed: Money::from_pennies(fixed).ok(),
            };
            let answer = commission(price, terms, TaxPosition::CommissionInOwnName, rate).expect("an answer");
            prop_assert_eq!(
                answer.commission.pennies() + answer.vat.pennies() + answer.payout_due.pennies(),
                price.pennies()
            );
            if !answer.payout_due.is_negative() {
                let question = MarginTaxQuestion { purchase: answer.payout_due, sale: price, rate_percent: rate };
                prop_assert_eq!(margin_tax(&question).expect("an answer").tax, answer.vat);
            }
        }
    }
}
