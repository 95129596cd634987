//! The same sums by exact fractions, penny by penny, from the wording of the rules: only the questions are shared with
//! the code.

use crate::{fraction::Fraction, pennies, random::Random};
use outshop_core::{
    books::{
        costs::{
            self, CarryingAmountQuestion, LowestPriceQuestion, MostToPayQuestion, carrying_amount,
            lowest_price, most_to_pay,
        },
        tax::{MarginTaxQuestion, MoneyFault, Percent, Scheme, margin_tax},
    },
    money::Money,
};

fn share_of_hundred(percent: Percent) -> Fraction {
    Fraction::new(i128::from(percent.hundredths()), 10_000)
}

/// "rate / (100 + rate)"
fn contained(rate: Percent) -> Fraction {
    let rate = share_of_hundred(rate);
    rate.by(Fraction::whole(1).plus(rate))
}

pub fn tax(scheme: Scheme, purchase: i128, price: i128, rate: Percent) -> i128 {
    let taxed = match scheme {
        Scheme::Margin => (price - purchase).max(0),
        Scheme::Ordinary => price,
        Scheme::None => 0,
    };
    Fraction::whole(taxed).times(contained(rate)).half_up()
}

fn some(amount: Option<Money>) -> i128 {
    amount.map_or(0, Money::pennies)
}

/// The profit at a price.
pub fn profit(q: &LowestPriceQuestion, price: i128) -> i128 {
    let share = share_of_hundred(q.selling_share_percent.unwrap_or_default());
    price
        - tax(q.scheme, q.purchase.pennies(), price, q.rate_percent)
        - Fraction::whole(price).times(share).half_up()
        - costs(q)
}

fn costs(q: &LowestPriceQuestion) -> i128 {
    q.purchase.pennies() + q.other_costs.pennies() + some(q.cost_to_come) + some(q.selling_cost)
}

/// The price at which the line without rounding would leave `wanted`: above the purchase price of the margin scheme it
/// is less steep. `None` if it never does.
fn unrounded(q: &LowestPriceQuestion, wanted: Fraction) -> Option<Fraction> {
    let share = share_of_hundred(q.selling_share_percent.unwrap_or_default());
    let keeps = Fraction::whole(1).minus(share);
    let needed = wanted.plus(Fraction::whole(costs(q)));
    let (untaxed, rate) = match q.scheme {
        Scheme::Margin => (Some(q.purchase.pennies()), q.rate_percent),
        Scheme::Ordinary => (Some(0), q.rate_percent),
        Scheme::None => (None, Percent::ZERO),
    };
    if keeps.is_above(0) {
        let price = needed.by(keeps);
        if untaxed.is_none_or(|untaxed| !price.is_above(untaxed)) {
            return Some(price);
        }
    }
    let untaxed = Fraction::whole(untaxed?);
    let steep = keeps.minus(contained(rate));
    let missing = needed.minus(untaxed.times(keeps));
    steep.is_above(0).then(|| untaxed.plus(missing.by(steep)))
}

/// Both roundings are off by at most half a penny, so a price that suffices is where the unrounded line leaves more
/// than a penny less than wanted, and one that leaves a penny more always suffices. Every penny between is tried. `Err`
/// if that would take too long.
fn lowest_by_trial(q: &LowestPriceQuestion) -> Result<i128, ()> {
    let wanted = some(q.wanted_profit);
    let from = unrounded(q, Fraction::whole(wanted - 1))
        .ok_or(())?
        .floor()
        .max(0);
    let to = unrounded(q, Fraction::whole(wanted + 1)).ok_or(())?.floor() + 1;
    if to - from > 20_000 {
        return Err(());
    }
    Ok((from..=to)
        .find(|price| profit(q, *price) >= wanted)
        .expect("the dearest of the window suffices"))
}

fn check_lowest(q: &LowestPriceQuestion) -> bool {
    let Ok(price) = lowest_by_trial(q) else {
        // Too flat to try every penny: the answer is checked only at its edge.
        if let Ok(answer) = lowest_price(q) {
            let price = answer.lowest_price.pennies();
            assert!(profit(q, price) >= some(q.wanted_profit), "{q:?}");
            assert!(
                price == 0 || profit(q, price - 1) < some(q.wanted_profit),
                "{q:?}"
            );
        }
        return false;
    };
    let answer = lowest_price(q);
    if price > 999_999_999_999 {
        assert_eq!(
            answer,
            Err(vec![MoneyFault::NoPrice {
                member: "wanted_profit"
            }]),
            "{q:?}"
        );
        return true;
    }
    let answer = answer.expect("a price");
    assert_eq!(answer.lowest_price, pennies(price), "{q:?}");
    assert_eq!(answer.profit, pennies(profit(q, price)), "{q:?}");
    let taxed = tax(q.scheme, q.purchase.pennies(), price, q.rate_percent);
    assert_eq!(answer.tax, pennies(taxed), "{q:?}");
    let sum = answer.profit.pennies() + taxed + answer.selling_cost.pennies();
    let rest = q.purchase.pennies() + q.other_costs.pennies() + some(q.cost_to_come);
    assert_eq!(sum + rest, price, "the parts add up to the price: {q:?}");
    true
}

fn check_most(q: &MostToPayQuestion) {
    let price = q.price.pennies();
    let share = share_of_hundred(q.selling_share_percent.unwrap_or_default());
    let fee = Fraction::whole(price).times(share).half_up() + some(q.selling_cost);
    let profit = |purchase: i128| {
        price
            - tax(q.scheme, purchase, price, q.rate_percent)
            - purchase
            - q.cost_to_come.pennies()
            - fee
    };
    let wanted = q.wanted_profit.pennies();
    let answer = most_to_pay(q).expect("an answer");
    match answer.most_to_pay {
        Some(most) => {
            let most = most.pennies();
            assert!(profit(most) >= wanted, "suffices: {q:?}");
            for more in 1..=3 {
                assert!(
                    profit(most + more) < wanted,
                    "{more} more does not suffice: {q:?}"
                );
            }
            assert_eq!(
                answer.tax,
                Some(pennies(tax(q.scheme, most, price, q.rate_percent)))
            );
        }
        None => {
            assert!(profit(0) < wanted, "not even a gift: {q:?}");
            assert_eq!(answer.tax, None);
        }
    }
}

fn check_carried(q: &CarryingAmountQuestion) {
    let rate = q.rate_percent.expect("given");
    let brings = |price: Money, to_finish: i128| {
        let price = price.pennies();
        let taxed = tax(q.scheme, q.purchase.pennies(), price, rate);
        (price - taxed - to_finish - q.selling_cost.pennies(), taxed)
    };
    let finished = brings(q.firm_contract.unwrap_or(q.price), q.cost_to_come.pennies());
    let best = match q.as_it_stands_price.map(|price| brings(price, 0)) {
        Some(as_it_stands) if as_it_stands.0 > finished.0 => as_it_stands,
        Some(_) | None => finished,
    };
    let answer = carrying_amount(q).expect("an answer");
    assert_eq!(answer.net_realisable_value, pennies(best.0), "{q:?}");
    assert_eq!(answer.tax, pennies(best.1), "{q:?}");
    let cost = q.cost.pennies();
    let carried = if best.0 < 0 { 0 } else { best.0.min(cost) };
    assert_eq!(answer.carrying_amount, pennies(carried), "{q:?}");
    let before = q.carrying_amount_before.map_or(cost, Money::pennies);
    assert_eq!(
        before - answer.write_down.pennies() + answer.reversal.pennies(),
        if q.carrying_amount_before.is_none() {
            carried.min(cost)
        } else {
            carried
        },
        "the amount before, less write-down plus reversal, is the carrying amount: {q:?}"
    );
    assert!(answer.write_down == Money::ZERO || answer.reversal == Money::ZERO);
    assert!(
        answer.carrying_amount <= q.cost,
        "never above cost (IAS 2.33)"
    );
}

/// 100000 questions of each kind, or as many as the variable says: `OUTSHOP_SUMS=1000000 cargo test -p outshop-core
/// --test money`.
#[test]
fn the_sums_agree_with_exact_fractions() {
    let asked = option_env!("OUTSHOP_SUMS");
    let n: u64 = asked.map_or(100_000, |n| n.parse().expect("a number of sums"));
    let mut random = Random(5);
    let (mut tried, mut tried_flat) = (0, 0);
    for _ in 0..n {
        let question = random.lowest_price();
        if check_lowest(&question) {
            tried += 1;
        } else {
            tried_flat += 1;
        }
        check_most(&random.most_to_pay());
        check_carried(&random.carrying_amount());
        let q = MarginTaxQuestion {
            purchase: random.amount(),
            sale: random.amount(),
            rate_percent: random.rate(),
        };
        let answer = margin_tax(&q).expect("an answer");
        let (purchase, sale) = (q.purchase.pennies(), q.sale.pennies());
        let taxed = tax(Scheme::Margin, purchase, sale, q.rate_percent);
        assert_eq!(answer.tax, pennies(taxed), "{q:?}");
        assert_eq!(answer.margin, pennies(sale - purchase), "{q:?}");
        assert_eq!(answer.net_of_tax, pennies(sale - taxed), "{q:?}");
    }
    assert!(
        tried > n * 9 / 10,
        "only {tried} of {n} were tried, {tried_flat} are too flat"
    );
}

/// Tax and share together take nearly all, all, or more than all of a further penny. Every penny is tried, from 0 to
/// well beyond the 10000 after which tax and share of these rates are whole pennies together again: from there the
/// profit repeats itself or falls, or the price is beyond the trial.
#[test]
fn steep_tax_and_share_are_tried_penny_by_penny() {
    let mut random = Random(6);
    let (mut found, mut none) = (0, 0);
    for _ in 0..300 {
        let (rate, share) = random.pick(&[
            ("900", "9.5"),
            ("900", "10"),
            ("900", "9.9"),
            ("100", "50"),
            ("100", "49.9"),
            ("100", "51"),
            ("20", "83.3"),
            ("20", "83.4"),
            ("300", "25"),
            ("400", "19.99"),
            ("0", "100"),
            ("0", "99.9"),
            ("900", "12"),
            ("20", "90"),
        ]);
        let amount = |random: &mut Random, most| pennies(i128::from(random.below(most)));
        let q = LowestPriceQuestion {
            purchase: amount(&mut random, 400),
            other_costs: amount(&mut random, 4),
            cost_to_come: None,
            selling_cost: None,
            selling_share_percent: Some(share.parse().expect("a share")),
            rate_percent: rate.parse().expect("a rate"),
            scheme: random.pick(&[Scheme::Margin, Scheme::Ordinary]),
            wanted_profit: Some(pennies(i128::from(random.below(300)) - 290)),
        };
        let wanted = some(q.wanted_profit);
        let by_trial = (0..20_000).find(|price| profit(&q, *price) >= wanted);
        match (by_trial, lowest_price(&q)) {
            (Some(price), Ok(answer)) => {
                assert_eq!(answer.lowest_price, pennies(price), "{q:?}");
                found += 1;
            }
            (None, Err(_)) => none += 1,
            (None, Ok(answer)) => {
                assert!(answer.lowest_price.pennies() >= 20_000, "{q:?} {answer:?}");
            }
            (Some(price), Err(faults)) => panic!("{price} suffices: {q:?} {faults:?}"),
        }
    }
    assert!(
        found > 50 && none > 50,
        "{found} found, {none} without a price"
    );
}

#[test]
fn the_profit_is_calculated_at_any_price() {
    let mut random = Random(7);
    for _ in 0..20_000 {
        let q = random.lowest_price();
        let price = random.amount();
        let answer = costs::profit_at_price(&q, price).expect("an answer");
        assert_eq!(
            answer.profit,
            pennies(profit(&q, price.pennies())),
            "{q:?} {price}"
        );
    }
}
