//! Debits equal credits, entry by entry and period by period, on random trades. The rule of double entry: common
//! practice, no source.

use crate::{day, money, random::Random};
use outshop_core::{
    books::costs::{Account, CostKind, Entry, TradeEvent, entry, trial},
    days::DaySpan,
    money::Money,
    trade::PaymentMethod,
};
use std::collections::BTreeMap;

fn event(random: &mut Random) -> TradeEvent {
    let (a, b, c) = (random.amount(), random.amount(), random.amount());
    let method = random.pick(PaymentMethod::ALL);
    match random.below(15) {
        14 => TradeEvent::CostOutsideStock {
            kind: random.pick(CostKind::ALL),
            cost: a,
            tax: b,
        },
        0..=2 => TradeEvent::Cost {
            kind: random.pick(CostKind::ALL),
            cost: a,
            tax: b,
        },
        3 => TradeEvent::SellingCost { cost: a, tax: b },
        4 => TradeEvent::Sold {
            price: a,
            tax: b,
            carried: c,
        },
        5 => TradeEvent::SoldForOwner {
            price: a,
            commission: b,
            tax: c,
        },
        6 => TradeEvent::SoldInOwnName {
            price: a,
            tax: b,
            owed_to_owner: c,
        },
        7 => TradeEvent::DepositReceived { amount: a, method },
        8 => TradeEvent::DepositReturned { amount: a, method },
        9 => TradeEvent::DepositSetOff { amount: a },
        10 => TradeEvent::BuyerPaid { amount: a, method },
        11 => TradeEvent::BuyerRefunded { amount: a, method },
        12 => random.pick(&[
            TradeEvent::SupplierPaid { amount: a, method },
            TradeEvent::OwnerPaid { amount: a, method },
            TradeEvent::KeptOfUndoneSale { amount: a },
        ]),
        _ => random.pick(&[
            TradeEvent::ExportTaxDue { tax: a },
            TradeEvent::WrittenDown { amount: a },
            TradeEvent::WriteDownReversed { amount: a },
        ]),
    }
}

fn sums(entries: &[&Entry]) -> (i128, i128) {
    let lines = entries.iter().flat_map(|entry| entry.lines());
    lines.fold((0, 0), |(debit, credit), line| {
        (debit + line.debit.pennies(), credit + line.credit.pennies())
    })
}

#[test]
fn debits_equal_credits_in_every_period_of_random_trades() {
    let mut random = Random(8);
    let first = day("2025-01-01");
    for _ in 0..500 {
        let mut entries = Vec::new();
        for _ in 0..random.below(40) {
            let on = first.plus_days(i32::try_from(random.below(800)).expect("days"));
            let booked = entry(on, event(&mut random)).expect("in range");
            let (debit, credit) = sums(&[&booked]);
            assert_eq!(debit, credit, "{booked:?}");
            assert!(
                booked
                    .lines()
                    .iter()
                    .all(|line| (line.debit == Money::ZERO) != (line.credit == Money::ZERO))
            );
            if random.below(5) == 0 {
                entries.push(booked.reversed(on.plus_days(40)));
            }
            entries.push(booked);
        }
        for month in 0..30 {
            let from = first.plus_months(month);
            let period = DaySpan {
                from,
                until: from.plus_months(1).plus_days(-1),
            };
            let totals = trial(&entries, period).expect("in range");
            assert_eq!(totals.debit, totals.credit);
            let (first_part, rest) = entries.split_at(entries.len() / 3);
            let part = |entries: &[Entry]| trial(entries, period).expect("in range");
            assert_eq!(part(first_part).plus(&part(rest)), Ok(totals.clone()));
            let within: Vec<&Entry> = entries
                .iter()
                .filter(|e| from <= e.on && e.on <= period.until)
                .collect();
            assert_eq!(
                (totals.debit.pennies(), totals.credit.pennies()),
                sums(&within)
            );
            let of_accounts: i128 = totals
                .accounts
                .iter()
                .map(|line| line.debit.pennies())
                .sum();
            assert_eq!(of_accounts, totals.debit.pennies());
        }
    }
}

/// A whole trade under the margin scheme, by hand: buying, repairing, selling and paying leave the profit and the tax.
#[test]
fn a_whole_trade_leaves_its_profit_in_the_accounts() {
    use PaymentMethod::{Cash, PartExchange, Transfer};
    let on = day("2026-03-02");
    let events = [
        // Bought and repaired: the purchase, parts with tax, work, and a write-down that is reversed.
        TradeEvent::Cost {
            kind: CostKind::Purchase,
            cost: money("6000.00"),
            tax: Money::ZERO,
        },
        TradeEvent::Cost {
            kind: CostKind::Parts,
            cost: money("200.00"),
            tax: money("40.00"),
        },
        TradeEvent::Cost {
            kind: CostKind::Work,
            cost: money("300.00"),
            tax: Money::ZERO,
        },
        TradeEvent::WrittenDown {
            amount: money("100.00"),
        },
        TradeEvent::WriteDownReversed {
            amount: money("100.00"),
        },
        // Sold with a deposit, and paid for with an engine in part exchange and a transfer; then the suppliers are paid.
        TradeEvent::DepositReceived {
            amount: money("500.00"),
            method: Cash,
        },
        TradeEvent::Sold {
            price: money("7680.00"),
            tax: money("280.00"),
            carried: money("6500.00"),
        },
        TradeEvent::DepositSetOff {
            amount: money("500.00"),
        },
        TradeEvent::Cost {
            kind: CostKind::Purchase,
            cost: money("1200.00"),
            tax: Money::ZERO,
        },
        TradeEvent::BuyerPaid {
            amount: money("1200.00"),
            method: PartExchange,
        },
        TradeEvent::BuyerPaid {
            amount: money("5980.00"),
            method: Transfer,
        },
        TradeEvent::SupplierPaid {
            amount: money("6240.00"),
            method: Transfer,
        },
    ];

    // All of it goes into one trial balance.
    let entries: Vec<Entry> = events
        .into_iter()
        .map(|event| entry(on, event).expect("in range"))
        .collect();
    let totals = trial(
        &entries,
        DaySpan {
            from: on,
            until: on,
        },
    )
    .expect("in range");
    let balances: BTreeMap<Account, i128> = totals
        .accounts
        .iter()
        .map(|line| (line.account, line.debit.pennies() - line.credit.pennies()))
        .collect();
    let balance = |account| balances.get(&account).copied().unwrap_or(0);

    // The profit is in sales and cost of sales, the tax is still to be paid, and nothing else is owed by or to buyers
    // and suppliers.
    for (account, profit) in [
        (Account::Stock, "1200.00"),
        (Account::Bank, "-260.00"),
        (Account::Cash, "500.00"),
        (Account::OwedByBuyers, "0.00"),
        (Account::OwedToSuppliers, "0.00"),
        (Account::Deposits, "0.00"),
        (Account::TaxOnSales, "-280.00"),
        (Account::TaxOnPurchases, "40.00"),
        (Account::Sales, "-7400.00"),
        (Account::CostOfSales, "6500.00"),
        (Account::WorkIntoStock, "-300.00"),
        (Account::StockWrittenDown, "0.00"),
    ] {
        assert_eq!(balance(account), money(profit).pennies(), "{account}");
    }
}

/// By hand: 4000 sold for its owner with 10% commission, net 400, and 80 of tax on it: 3520 is payable to the owner.
#[test]
fn an_owner_is_owed_the_price_less_commission_and_its_tax() {
    let on = day("2026-03-02");
    let event = TradeEvent::SoldForOwner {
        price: money("4000.00"),
        commission: money("400.00"),
        tax: money("80.00"),
    };
    let booked = entry(on, event).expect("in range");
    let credit = |account| {
        booked
            .lines()
            .iter()
            .find(|line| line.account == account)
            .map(|line| line.credit)
    };
    assert_eq!(credit(Account::OwedToOwners), Some(money("3520.00")));
    assert_eq!(credit(Account::TaxOnSales), Some(money("80.00")));
    assert!(
        booked
            .lines()
            .iter()
            .all(|line| line.account != Account::Stock),
        "never in the firm's stock"
    );
}

#[test]
fn sums_beyond_the_range_of_amounts_are_errors() {
    let most = money("9999999999.99");
    let on = day("2026-03-02");
    assert!(
        entry(
            on,
            TradeEvent::SellingCost {
                cost: most,
                tax: most
            }
        )
        .is_err()
    );
    let one = entry(on, TradeEvent::WrittenDown { amount: most }).expect("in range");
    assert!(
        trial(
            &[one.clone(), one],
            DaySpan {
                from: on,
                until: on
            }
        )
        .is_err()
    );
    let minus = entry(
        on,
        TradeEvent::WrittenDown {
            amount: money("-1.00"),
        },
    )
    .expect("in range");
    assert_eq!(
        minus.lines()[0].credit,
        money("1.00"),
        "a reversal changes sides"
    );
}

/// A customer's balance that the firm may keep is income: debit receivables, credit other income (common practice, no
/// source).
#[test]
fn the_amount_kept_of_a_cancelled_sale_is_deducted_from_the_refund() {
    let amount = "250.00".parse().expect("an amount");
    let kept = entry(day("2025-03-03"), TradeEvent::KeptOfUndoneSale { amount }).expect("in range");
    let moved: Vec<_> = kept
        .lines()
        .iter()
        .map(|line| (line.account, line.debit.pennies(), line.credit.pennies()))
        .collect();
    assert_eq!(
        moved,
        [
            (Account::OwedByBuyers, 25_000, 0),
            (Account::KeptFromBuyers, 0, 25_000)
        ]
    );
}
