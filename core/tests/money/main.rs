//! Money compared with published vectors and with an exact, slow reference, and properties; statutory deadlines
//! compared with a day-by-day count.

#![expect(clippy::expect_used, reason = "a test that cannot be set up must fail")]

mod by_hand;
mod double_entry;
mod floats;
mod fraction;
mod ledgers;
mod properties;
mod random;
mod slow;
mod terms;
mod to_come;
mod wire;

use outshop_core::{
    books::{
        costs::{CarryingAmountQuestion, LowestPriceQuestion, MostToPayQuestion},
        tax::{Percent, Scheme},
    },
    days::Day,
    money::Money,
};

#[track_caller]
fn money(text: &str) -> Money {
    text.parse().expect("an amount")
}

#[track_caller]
fn pennies(pennies: i128) -> Money {
    Money::from_pennies(pennies).expect("an amount")
}

#[track_caller]
fn percent(text: &str) -> Percent {
    text.parse().expect("a rate")
}

#[track_caller]
fn day(text: &str) -> Day {
    text.parse().expect("a day")
}

/// Margin scheme at 20%, only the purchase.
fn lowest(purchase: &str) -> LowestPriceQuestion {
    LowestPriceQuestion {
        purchase: money(purchase),
        other_costs: Money::ZERO,
        cost_to_come: None,
        selling_cost: None,
        selling_share_percent: None,
        rate_percent: percent("20"),
        scheme: Scheme::Margin,
        wanted_profit: None,
    }
}

/// Margin scheme at 20%, no costs, no profit.
fn most(price: &str) -> MostToPayQuestion {
    MostToPayQuestion {
        price: money(price),
        cost_to_come: Money::ZERO,
        selling_cost: None,
        selling_share_percent: None,
        wanted_profit: Money::ZERO,
        rate_percent: percent("20"),
        scheme: Scheme::Margin,
    }
}

/// No tax, no cost to finish, no cost of selling.
fn carried(cost: &str, price: &str) -> CarryingAmountQuestion {
    CarryingAmountQuestion {
        cost: money(cost),
        purchase: money(cost),
        price: money(price),
        cost_to_come: Money::ZERO,
        selling_cost: Money::ZERO,
        rate_percent: None,
        scheme: Scheme::None,
        carrying_amount_before: None,
        as_it_stands_price: None,
        firm_contract: None,
    }
}
