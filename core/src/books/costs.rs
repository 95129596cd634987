//! Break-even prices, the most to pay and carrying amounts, exact to the penny.
//!
//! Tax and a selling share are each rounded to the penny, so the profit rises, falls and jumps by pennies as the price
//! rises. Nothing is solved and then rounded: every answer is the exact first or last price in pennies, with the proof
//! beside its search.

use crate::{
    books::tax::{MoneyFault, Percent, Scheme, amount, half_up, negatives, tax_within},
    money::Money,
};
use serde::{Deserialize, Serialize};

mod commission;
mod double_entry;
mod ledger;
mod stock_book;
mod to_come;
pub use commission::{
    Commission, CommissionTerms, commission, commission_profit_at_price, lowest_commission_price,
};
pub use double_entry::{
    Account, BookedFrom, Entry, EntryLine, TradeEvent, Trial, TrialLine, entry, trial,
};
pub use ledger::{
    CostKind, CostLine, CostSource, Ledger, ProfitAtPrice, SumOfKind, hours_to_break_even, ledger,
    profit_at_price, work_line,
};
pub use stock_book::{
    BookFacts, BookLine, BookTotals, Disposal, DisposalFacts, ExpectedFrom, StockFacts,
    StockValuationLine, ValueUsed, book_line, book_totals, stock_valuation_line, tax_of_sale,
};
pub use to_come::{CostToCome, HourPricedBy, OpenWork, Planned, cost_to_come, mean_rate, set_off};

const DEAREST: i128 = 999_999_999_999;

/// Prices include tax; under the ordinary scheme the purchase and all costs are without tax.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LowestPriceQuestion {
    /// The price paid for the engine.
    pub purchase: Money,
    /// Spent so far, without the purchase.
    pub other_costs: Money,
    /// Still to be spent before it can be sold; null: 0.
    pub cost_to_come: Option<Money>,
    /// Cost of selling; null: 0.
    pub selling_cost: Option<Money>,
    /// Further cost of selling, in per cent of the price with tax, rounded to the penny, a half upwards; 0 to 100;
    /// null: 0.
    pub selling_share_percent: Option<Percent>,
    /// The tax rate of the sale.
    pub rate_percent: Percent,
    pub scheme: Scheme,
    /// null: 0. Below 0: a loss that is accepted.
    pub wanted_profit: Option<Money>,
}

/// The lowest price that leaves the wanted profit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct LowestPrice {
    /// Including tax.
    pub lowest_price: Money,
    /// Tax included in that price.
    pub tax: Money,
    /// Cost of selling at that price, including the share of the price.
    pub selling_cost: Money,
    /// Price less tax, purchase and all costs: the wanted profit, or slightly more.
    pub profit: Money,
}

/// The facts about an engine that is offered to the firm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct MostToPayQuestion {
    /// The expected selling price, including tax.
    pub price: Money,
    /// To be spent before it can be sold.
    pub cost_to_come: Money,
    /// Cost of selling; null: 0.
    pub selling_cost: Option<Money>,
    /// Further cost of selling, in per cent of the price with tax, rounded to the penny, a half upwards; 0 to 100;
    /// null: 0.
    pub selling_share_percent: Option<Percent>,
    /// The profit that its sale must leave.
    pub wanted_profit: Money,
    /// The tax rate of the sale.
    pub rate_percent: Percent,
    pub scheme: Scheme,
}

/// The highest purchase price that leaves the wanted profit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
// Python clients confuse a schema with its own member of the same name.
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema), schema(as = HighestPurchasePrice))]
pub struct MostToPay {
    /// null if even a gift would miss the wanted profit.
    pub most_to_pay: Option<Money>,
    /// Tax on the sale at that purchase price; null if `most_to_pay` is null.
    pub tax: Option<Money>,
}

/// The facts about an engine in stock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CarryingAmountQuestion {
    /// Spent so far, including the purchase.
    pub cost: Money,
    /// Paid for the engine itself: the margin scheme taxes the price above it.
    pub purchase: Money,
    /// Expected price when finished, including tax.
    pub price: Money,
    /// To be spent to finish it.
    pub cost_to_come: Money,
    /// Cost of selling.
    pub selling_cost: Money,
    /// Not needed if the scheme is `none`.
    pub rate_percent: Option<Percent>,
    pub scheme: Scheme,
    /// The previous carrying amount; null: the cost.
    pub carrying_amount_before: Option<Money>,
    /// Expected price unfinished, including tax.
    pub as_it_stands_price: Option<Money>,
    /// The price of a sale already agreed; it replaces `price` (IAS 2.31).
    pub firm_contract: Option<Money>,
}

/// The carrying amount of an engine and the change from the previous one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct CarryingAmount {
    /// Finished or as it stands, whichever is better; may be below 0.
    pub net_realisable_value: Money,
    /// Tax on that sale.
    pub tax: Money,
    /// Reduction of the carrying amount.
    pub write_down: Money,
    /// Increase of the carrying amount, at most up to cost.
    pub reversal: Money,
    /// The lower of cost and net realisable value, never below 0.
    pub carrying_amount: Money,
}

/// The lowest price, to the penny, that leaves at least the wanted profit.
pub fn lowest_price(question: &LowestPriceQuestion) -> Result<LowestPrice, Vec<MoneyFault>> {
    let LowestPriceQuestion {
        purchase,
        other_costs,
        cost_to_come,
        selling_cost,
        selling_share_percent,
        rate_percent,
        scheme,
        wanted_profit,
    } = *question;
    let mut faults = negatives(&[
        ("purchase", Some(purchase)),
        ("other_costs", Some(other_costs)),
        ("cost_to_come", cost_to_come),
        ("selling_cost", selling_cost),
    ]);
    faults.extend(share_fault(selling_share_percent));
    if !faults.is_empty() {
        return Err(faults);
    }
    let sale = Sale::new(scheme, purchase, rate_percent, selling_share_percent);
    let pennies = |amount: Option<Money>| amount.unwrap_or_default().pennies();
    let spent = purchase.pennies() + other_costs.pennies() + pennies(cost_to_come);
    let costs = spent + pennies(selling_cost);
    let price = sale
        .first_price(costs + pennies(wanted_profit))
        .filter(|price| *price <= DEAREST)
        .ok_or_else(|| {
            vec![MoneyFault::NoPrice {
                member: "wanted_profit",
            }]
        })?;
    let checked = |pennies, member| amount(pennies, member).map_err(|fault| vec![fault]);
    Ok(LowestPrice {
        lowest_price: checked(price, "wanted_profit")?,
        tax: checked(sale.tax(price), "wanted_profit")?,
        selling_cost: checked(pennies(selling_cost) + sale.share(price), "selling_cost")?,
        profit: checked(sale.brings(price) - costs, "other_costs")?,
    })
}

/// The highest purchase price, to the penny, at which the sale leaves at least the wanted profit.
pub fn most_to_pay(question: &MostToPayQuestion) -> Result<MostToPay, Vec<MoneyFault>> {
    let MostToPayQuestion {
        price,
        cost_to_come,
        selling_cost,
        selling_share_percent,
        wanted_profit,
        rate_percent,
        scheme,
    } = *question;
    let mut faults = negatives(&[
        ("price", Some(price)),
        ("cost_to_come", Some(cost_to_come)),
        ("selling_cost", selling_cost),
    ]);
    faults.extend(share_fault(selling_share_percent));
    if !faults.is_empty() {
        return Err(faults);
    }
    let sale = |purchase| Sale::new(scheme, purchase, rate_percent, selling_share_percent);
    let price = price.pennies();
    let selling_cost = selling_cost.unwrap_or_default().pennies();
    let share = sale(Money::ZERO).share(price);
    // The most that purchase and tax may come to together.
    let most = price - share - selling_cost - cost_to_come.pennies() - wanted_profit.pennies();
    let purchase = match scheme {
        Scheme::Margin => dearest_purchase(price, most, rate_percent),
        Scheme::Ordinary => most - tax_within(price, rate_percent),
        Scheme::None => most,
    };
    if purchase < 0 {
        return Ok(MostToPay {
            most_to_pay: None,
            tax: None,
        });
    }
    let checked = |pennies| amount(pennies, "wanted_profit").map_err(|fault| vec![fault]);
    let purchase = checked(purchase)?;
    Ok(MostToPay {
        most_to_pay: Some(purchase),
        tax: Some(checked(sale(purchase).tax(price))?),
    })
}

/// The lower of cost and net realisable value, and the change from the previous carrying amount.
///
/// Source: IAS 2.6 (estimated selling price less cost to complete and cost to sell), 2.9, 2.31, 2.33 (a reversal goes
/// no higher than cost).
pub fn carrying_amount(
    question: &CarryingAmountQuestion,
) -> Result<CarryingAmount, Vec<MoneyFault>> {
    let CarryingAmountQuestion {
        cost,
        purchase,
        price,
        cost_to_come,
        selling_cost,
        rate_percent,
        scheme,
        carrying_amount_before,
        as_it_stands_price,
        firm_contract,
    } = *question;
    let mut faults = negatives(&[
        ("cost", Some(cost)),
        ("purchase", Some(purchase)),
        ("price", Some(price)),
        ("cost_to_come", Some(cost_to_come)),
        ("selling_cost", Some(selling_cost)),
        ("carrying_amount_before", carrying_amount_before),
        ("as_it_stands_price", as_it_stands_price),
        ("firm_contract", firm_contract),
    ]);
    let rate = match (scheme, rate_percent) {
        (Scheme::None, _) => Percent::ZERO,
        (Scheme::Margin | Scheme::Ordinary, Some(rate)) => rate,
        (Scheme::Margin | Scheme::Ordinary, None) => {
            faults.push(MoneyFault::RateMissing);
            Percent::ZERO
        }
    };
    if !faults.is_empty() {
        return Err(faults);
    }
    let sale = Sale::new(scheme, purchase, rate, None);
    let sold_at = |price: Money, to_finish: i128| {
        let price = price.pennies();
        let brings = sale.brings(price) - to_finish - selling_cost.pennies();
        (brings, sale.tax(price))
    };
    let finished = sold_at(firm_contract.unwrap_or(price), cost_to_come.pennies());
    let as_it_stands = as_it_stands_price.map(|price| sold_at(price, 0));
    let (value, tax) = match as_it_stands {
        Some(better) if better.0 > finished.0 => better,
        Some(_) | None => finished,
    };
    let carried = cost.pennies().min(value).max(0);
    let before = carrying_amount_before.map(Money::pennies);
    let checked = |pennies, member| amount(pennies, member).map_err(|fault| vec![fault]);
    Ok(CarryingAmount {
        net_realisable_value: checked(value, "cost_to_come")?,
        tax: checked(tax, "price")?,
        write_down: checked((before.unwrap_or(cost.pennies()) - carried).max(0), "cost")?,
        reversal: checked(before.map_or(0, |before| (carried - before).max(0)), "cost")?,
        carrying_amount: checked(carried, "cost")?,
    })
}

fn share_fault(share: Option<Percent>) -> Option<MoneyFault> {
    share
        .filter(|share| *share > Percent::HUNDRED)
        .map(|_| MoneyFault::ShareAbove100 {
            member: "selling_share_percent",
        })
}

/// Deductions from a price: tax on the part above `untaxed`, and a share of the whole. All in pennies.
#[derive(Debug, Clone, Copy)]
struct Sale {
    untaxed: i128,
    rate: Percent,
    share: Percent,
}

impl Sale {
    fn new(scheme: Scheme, purchase: Money, rate: Percent, share: Option<Percent>) -> Sale {
        let (untaxed, rate) = match scheme {
            Scheme::Margin => (purchase.pennies(), rate),
            Scheme::Ordinary => (0, rate),
            Scheme::None => (DEAREST, Percent::ZERO),
        };
        Sale {
            untaxed,
            rate,
            share: share.unwrap_or_default(),
        }
    }

    fn tax(&self, price: i128) -> i128 {
        tax_within((price - self.untaxed).max(0), self.rate)
    }

    fn share(&self, price: i128) -> i128 {
        half_up(price * i128::from(self.share.hundredths()), 10_000)
    }

    /// Price less tax and share.
    fn brings(&self, price: i128) -> i128 {
        price - self.tax(price) - self.share(price)
    }

    /// The lowest price from 0 that brings at least `needed`; `None` if no price does.
    ///
    /// With s hundredths of a percent as share, a price p up to `untaxed` brings p - floor((s p + 5000) / 10000). As p
    /// is whole, this is the ceiling of a line that does not fall, so it never falls itself, and for a whole c
    ///
    /// ```text
    /// p - floor(x) >= c   <=>   floor(x) < p - c + 1   <=>   x < p - c + 1
    /// ```
    ///
    /// becomes (10000 - s) p > 10000 c - 5000, which has a first p. It is below every price of the taxed part.
    ///
    /// Above `untaxed` two roundings interfere, and what a price brings is not monotone. But the share of p + n is the
    /// share of p plus s n / 10000 if that is whole, as for n = 10000 / gcd(s, 10000). Along p, p + n, p + 2n .. only
    /// the tax is rounded, and the argument above applies again: with the rate of r hundredths, d = 10000 + r, a = p -
    /// share(p) - c and t = p - `untaxed`, the price p + k n brings c if
    ///
    /// ```text
    /// floor((2 r (t + k n) + d) / 2d) <= a + k (n - s n / 10000)
    ///   <=>   2 (d (n - s n / 10000) - r n) k > 2 r t + d - 2 d (a + 1)
    /// ```
    ///
    /// The lowest price is the least of the first prices of the n <= 10000 sequences: no window is guessed, no price is
    /// left out, and the cost is n divisions. All products stay below 10^24.
    fn first_price(&self, needed: i128) -> Option<i128> {
        let share = i128::from(self.share.hundredths());
        let untaxed = first_above(10_000 * needed - 5_000, 10_000 - share);
        let lowest = match untaxed {
            Some(price) if price <= self.untaxed => Some(price),
            Some(_) | None => {
                let rate = i128::from(self.rate.hundredths());
                let d = 10_000 + rate;
                let n = 10_000 / gcd(share, 10_000);
                let slope = 2 * (d * (n - share * n / 10_000) - rate * n);
                (1..=n)
                    .filter_map(|above| {
                        let p = self.untaxed + above;
                        let a = p - self.share(p) - needed;
                        let k = first_above(2 * rate * above + d - 2 * d * (a + 1), slope)?;
                        Some(p + k * n)
                    })
                    .min()
            }
        };
        debug_assert!(
            lowest.is_none_or(|price| self.brings(price) >= needed
                && (price == 0 || self.brings(price - 1) < needed))
        );
        lowest
    }
}

/// The least k from 0 with k x slope > number.
const fn first_above(number: i128, slope: i128) -> Option<i128> {
    if number < 0 {
        Some(0)
    } else if slope <= 0 {
        None
    } else {
        Some(number / slope + 1)
    }
}

const fn gcd(a: i128, b: i128) -> i128 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// The most for which purchase and margin tax come to no more than `most`; below 0 if there is none.
///
/// Bought for q and sold for p >= q, with r hundredths of a percent and d = 10000 + r, the two come to
///
/// ```text
/// q + floor((2 r (p - q) + d) / 2d) = floor((20000 q + 2 r p + d) / 2d),   as d - r = 10000
/// ```
///
/// which never falls as q rises, and is at most `most` if 20000 q + 2 r p + d < 2 d (most + 1): there is a last q. From
/// q = p on there is no tax and the last q is `most`.
fn dearest_purchase(price: i128, most: i128, rate: Percent) -> i128 {
    if most >= price {
        return most;
    }
    let rate = i128::from(rate.hundredths());
    let d = 10_000 + rate;
    let below = 2 * d * (most + 1) - 2 * rate * price - d;
    let purchase = (below - 1).div_euclid(20_000);
    debug_assert!({
        let together = |q: i128| q + half_up((price - q).max(0) * rate, d);
        purchase < 0 || together(purchase) <= most && together(purchase + 1) > most
    });
    purchase
}
