//! Properties of every question, legal or not.

use crate::{lowest, money, most, pennies, random::Random, slow};
use outshop_core::{
    books::{
        costs::{
            LowestPriceQuestion, MostToPayQuestion, carrying_amount, hours_to_break_even,
            lowest_price, most_to_pay,
        },
        tax::{Percent, Scheme},
    },
    money::Money,
};
use proptest::prelude::*;

fn any_money() -> impl Strategy<Value = Money> {
    prop_oneof![
        (-999_999_999_999_i64..=999_999_999_999).prop_map(|n| pennies(i128::from(n))),
        (-300_i64..300).prop_map(|n| pennies(i128::from(n))),
        Just(pennies(999_999_999_999)),
        Just(pennies(-999_999_999_999)),
        Just(Money::ZERO),
    ]
}

fn any_percent() -> impl Strategy<Value = Percent> {
    prop_oneof![
        0_u32..100_000,
        Just(0),
        Just(99_999),
        Just(10_000),
        Just(10_001)
    ]
    .prop_map(|n| Percent::from_hundredths(n).expect("a rate"))
}

fn any_scheme() -> impl Strategy<Value = Scheme> {
    prop_oneof![
        Just(Scheme::Margin),
        Just(Scheme::Ordinary),
        Just(Scheme::None)
    ]
}

prop_compose! {
    fn any_lowest()(purchase in any_money(), other_costs in any_money(), cost_to_come in proptest::option::of(any_money()),
        selling_cost in proptest::option::of(any_money()), selling_share_percent in proptest::option::of(any_percent()),
        rate_percent in any_percent(), scheme in any_scheme(), wanted_profit in proptest::option::of(any_money()))
        -> LowestPriceQuestion {
        LowestPriceQuestion { purchase, other_costs, cost_to_come, selling_cost, selling_share_percent, rate_percent, scheme,
            wanted_profit }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// At the ends of all ranges too: an answer or an error, and an answer is the lowest of the prices near it.
    #[test]
    fn the_lowest_price_suffices_and_nothing_below_does(q in any_lowest()) {
        if let Ok(answer) = lowest_price(&q) {
            let wanted = q.wanted_profit.unwrap_or_default();
            let price = answer.lowest_price.pennies();
            prop_assert!(answer.profit >= wanted);
            prop_assert_eq!(slow::profit(&q, price), answer.profit.pennies());
            for less in 1..=200_i128.min(price) {
                prop_assert!(slow::profit(&q, price - less) < wanted.pennies(), "{} less", less);
            }
        }
    }

    #[test]
    fn most_to_pay_suffices_and_a_penny_more_does_not(price in any_money(), cost_to_come in any_money(),
        selling_cost in proptest::option::of(any_money()), selling_share_percent in proptest::option::of(any_percent()),
        wanted_profit in any_money(), rate_percent in any_percent(), scheme in any_scheme()) {
        let q = MostToPayQuestion { price, cost_to_come, selling_cost, selling_share_percent, wanted_profit, rate_percent, scheme };
        if let Ok(answer) = most_to_pay(&q) {
            let profit = |purchase: i128| {
                let as_lowest = LowestPriceQuestion { purchase: pennies(purchase), other_costs: Money::ZERO,
                    cost_to_come: Some(cost_to_come), selling_cost, selling_share_percent, rate_percent, scheme,
                    wanted_profit: None };
                slow::profit(&as_lowest, price.pennies())
            };
            match answer.most_to_pay {
                Some(most) => {
                    prop_assert!(profit(most.pennies()) >= wanted_profit.pennies());
                    if most.pennies() < 999_999_999_999 {
                        prop_assert!(profit(most.pennies() + 1) < wanted_profit.pennies());
                    }
                }
                None => prop_assert!(profit(0) < wanted_profit.pennies()),
            }
        }
    }

    /// Paying the most, and asking the price that it was calculated from, wants the same profit.
    #[test]
    fn most_to_pay_and_lowest_price_are_inverse(seed: u64) {
        let mut random = Random(seed);
        let q = random.most_to_pay();
        if let Some(purchase) = most_to_pay(&q).expect("an answer").most_to_pay {
            let back = LowestPriceQuestion { purchase, other_costs: q.cost_to_come, cost_to_come: None,
                selling_cost: q.selling_cost, selling_share_percent: q.selling_share_percent, rate_percent: q.rate_percent,
                scheme: q.scheme, wanted_profit: Some(q.wanted_profit) };
            let answer = lowest_price(&back).expect("the price itself suffices");
            prop_assert!(answer.lowest_price <= q.price);
        }
    }

    #[test]
    fn no_carrying_amount_panics(amounts in proptest::array::uniform5(any_money()), more in proptest::array::uniform3(
        proptest::option::of(any_money())), rate_percent in proptest::option::of(any_percent()), scheme in any_scheme()) {
        let [cost, purchase, price, cost_to_come, selling_cost] = amounts;
        let [carrying_amount_before, as_it_stands_price, firm_contract] = more;
        let q = outshop_core::books::costs::CarryingAmountQuestion { cost, purchase, price, cost_to_come, selling_cost, rate_percent,
            scheme, carrying_amount_before, as_it_stands_price, firm_contract };
        if let Ok(answer) = carrying_amount(&q) {
            prop_assert!(Money::ZERO <= answer.carrying_amount && answer.carrying_amount <= cost);
        }
    }

    #[test]
    fn the_profit_pays_for_the_hours_and_not_for_a_hundredth_more(profit in any_money(), rate in any_money()) {
        match hours_to_break_even(profit, rate) {
            Some(hours) => {
                let hundredths = hours.decimal() * rust_decimal::Decimal::ONE_HUNDRED;
                let cost = |hundredths: rust_decimal::Decimal| hundredths * rate.decimal();
                let bears = profit.decimal().max(rust_decimal::Decimal::ZERO) * rust_decimal::Decimal::ONE_HUNDRED;
                prop_assert!(cost(hundredths) <= bears);
                prop_assert!(cost(hundredths + rust_decimal::Decimal::ONE) > bears);
            }
            None => prop_assert!(rate <= Money::ZERO || profit.pennies() / rate.pennies() > 9_999_998),
        }
    }
}

/// Every legal rate: 0 to 999.99% in hundredths.
#[test]
fn every_legal_rate_has_its_lowest_price_and_its_most_to_pay() {
    for hundredths in 0..100_000 {
        let rate_percent = Percent::from_hundredths(hundredths).expect("a rate");
        let read: Percent = rate_percent.to_string().parse().expect("its own text");
        assert_eq!(read, rate_percent);
        let q = LowestPriceQuestion {
            other_costs: money("500.01"),
            rate_percent,
            ..lowest("6000.01")
        };
        let answer = lowest_price(&q).expect("a price");
        let price = answer.lowest_price.pennies();
        assert!(slow::profit(&q, price) >= 0, "{rate_percent}");
        for less in 1..=30 {
            assert!(
                slow::profit(&q, price - less) < 0,
                "{rate_percent}, {less} less"
            );
        }
        let q = MostToPayQuestion {
            rate_percent,
            cost_to_come: money("500.01"),
            ..most("7021.29")
        };
        let purchase = most_to_pay(&q)
            .expect("an answer")
            .most_to_pay
            .expect("a purchase")
            .pennies();
        let profit = |purchase| {
            702_129 - 50_001 - purchase - slow::tax(Scheme::Margin, purchase, 702_129, rate_percent)
        };
        assert!(
            profit(purchase) >= 0 && profit(purchase + 1) < 0,
            "{rate_percent}"
        );
    }
}
