//! The cost ledger, the stock book and the stock valuation, worked by hand: plain reading of the rules named, no other
//! source.

use crate::{day, lowest, money, percent};
use outshop_core::{
    books::{
        costs::{
            BookFacts, CarryingAmountQuestion, CostKind, CostLine, Disposal, DisposalFacts,
            StockFacts, ValueUsed, book_line, book_totals, carrying_amount, hours_to_break_even,
            ledger, profit_at_price, stock_valuation_line, work_line,
        },
        tax::{MoneyFault, Percent, Scheme},
    },
    days::DaySpan,
    money::Money,
    trade::TaxPosition,
    workshop::jobs::Hours,
};

fn hours(text: &str) -> Hours {
    text.parse().expect("hours")
}

fn line(kind: CostKind, cost: &str, supplier_vat: &str) -> CostLine {
    CostLine {
        kind,
        on: day("2026-02-01"),
        cost: money(cost),
        worth: money(cost),
        supplier_vat: money(supplier_vat),
        hours: Hours::ZERO,
    }
}

#[test]
fn the_ledger_keeps_cost_and_worth_and_the_suppliers_tax_apart() {
    let own_hours = work_line(
        day("2026-02-02"),
        hours("10.5"),
        Money::ZERO,
        money("32.35"),
    )
    .expect("a line");
    let wrong = work_line(
        day("2026-02-03"),
        hours("2"),
        money("20.00"),
        money("30.00"),
    )
    .expect("a line");
    let lines = [
        line(CostKind::Purchase, "4200.00", "0.00"),
        line(CostKind::Parts, "150.00", "30.00"),
        line(CostKind::CarriageIn, "80.00", "16.00"),
        own_hours,
        wrong,
        wrong.reversed(day("2026-02-04")).expect("a line"),
    ];
    // 10.5 hours at 32.35 are 339.675: a half goes up.
    let answer = ledger(&lines, TaxPosition::MarginScheme).expect("sums");
    assert_eq!(
        (answer.cost, answer.worth),
        (money("4430.00"), money("4769.68"))
    );
    assert_eq!(
        (answer.supplier_vat, answer.hours_booked),
        (money("46.00"), hours("10.5"))
    );
    let unregistered = ledger(&lines, TaxPosition::NotRegistered).expect("sums");
    assert_eq!(
        (unregistered.cost, unregistered.worth),
        (money("4476.00"), money("4815.68"))
    );
    let purchase = answer
        .kinds
        .iter()
        .find(|sum| sum.kind == CostKind::Purchase)
        .expect("each kind");
    assert_eq!((answer.kinds.len(), purchase.cost), (7, money("4200.00")));
    let too_much = vec![line(CostKind::Other, "9999999999.99", "0.00"); 2];
    assert_eq!(
        ledger(&too_much, TaxPosition::MarginScheme),
        Err(MoneyFault::TooLarge { member: "cost" })
    );
    assert!(
        work_line(
            day("2026-02-02"),
            hours("9999999.99"),
            Money::ZERO,
            money("9999999999.99")
        )
        .is_err()
    );
}

#[test]
fn the_hours_at_which_no_profit_is_left() {
    let mut q = lowest("6000.00");
    q.other_costs = money("500.00");
    let profit = profit_at_price(&q, money("7680.00"))
        .expect("an answer")
        .profit;
    assert_eq!(profit, money("900.00"));
    assert_eq!(
        hours_to_break_even(profit, money("35.00")),
        Some(hours("25.71"))
    );
    assert_eq!(
        hours_to_break_even(money("-1.00"), money("35.00")),
        Some(Hours::ZERO)
    );
    assert_eq!(hours_to_break_even(profit, Money::ZERO), None);
    assert_eq!(
        hours_to_break_even(money("9999999999.99"), money("0.01")),
        None
    );
}

fn sold(position: TaxPosition, sold_on: &str, price: Option<&str>) -> BookFacts {
    BookFacts {
        stock_no: 417,
        bought_on: day("2026-01-05"),
        in_again_on: None,
        purchase_invoice_no: None,
        purchase_price: money("4200.00"),
        seller: Some("J. Alder".to_owned()),
        description: "Marrowby, 5 in gauge saddle tank".to_owned(),
        position,
        rate: percent("20"),
        export: None,
        gone: Some(DisposalFacts {
            on: day(sold_on),
            how: if price.is_some() {
                Disposal::Sold
            } else {
                Disposal::Scrapped
            },
            invoice_no: price.map(|_| "S-12".to_owned()),
            price: price.map(money),
            buyer: price.map(|_| "M. Birch".to_owned()),
        }),
    }
}

/// Columns: gov.uk, "VAT margin schemes", Keeping records (published).
#[test]
fn the_stock_book_has_margin_and_tax_if_the_scheme_has_them() {
    for (position, price, margin, tax) in [
        (
            TaxPosition::MarginScheme,
            Some("5400.00"),
            Some("1200.00"),
            Some("200.00"),
        ),
        (
            TaxPosition::MarginScheme,
            Some("4000.00"),
            Some("-200.00"),
            Some("0.00"),
        ),
        (
            TaxPosition::CommissionInOwnName,
            Some("5400.00"),
            Some("1200.00"),
            Some("200.00"),
        ),
        (
            TaxPosition::OrdinaryVat,
            Some("5400.00"),
            None,
            Some("900.00"),
        ),
        (TaxPosition::NotRegistered, Some("5400.00"), None, None),
        (
            TaxPosition::CommissionInOwnersName,
            Some("5400.00"),
            None,
            None,
        ),
        (TaxPosition::MarginScheme, None, None, None),
    ] {
        let answer = book_line(&sold(position, "2026-03-31", price)).expect("a line");
        assert_eq!(
            (answer.margin, answer.tax),
            (margin.map(money), tax.map(money)),
            "{position}"
        );
    }
    let early = book_line(&sold(
        TaxPosition::MarginScheme,
        "2026-01-04",
        Some("5400.00"),
    ))
    .expect_err("a fault");
    assert_eq!(early[0].pointer(), "/sold_on");
    assert!(early[0].to_string().contains("2026-01-05"), "{}", early[0]);
    book_line(&sold(
        TaxPosition::MarginScheme,
        "2026-01-05",
        Some("5400.00"),
    ))
    .expect("on the day itself");
}

#[test]
fn a_returned_engine_is_corrected_in_the_open_period() {
    let line = book_line(&sold(
        TaxPosition::MarginScheme,
        "2026-03-31",
        Some("5400.00"),
    ))
    .expect("a line");
    let undone = line.sale_undone(day("2026-04-01")).expect("a line");
    let again = book_line(&sold(
        TaxPosition::MarginScheme,
        "2026-05-02",
        Some("4000.00"),
    ))
    .expect("a line");
    let quarter = |from, until| {
        let period = DaySpan {
            from: day(from),
            until: day(until),
        };
        book_totals(&[line.clone(), undone.clone()], period).expect("totals")
    };
    let first = quarter("2026-01-01", "2026-03-31");
    assert_eq!(
        [first.purchases, first.sales, first.margins, first.tax],
        ["4200.00", "5400.00", "1200.00", "200.00"].map(money)
    );
    let second = quarter("2026-04-01", "2026-06-30");
    assert_eq!(
        [second.purchases, second.sales, second.margins, second.tax],
        ["0.00", "-5400.00", "-1200.00", "-200.00"].map(money)
    );
    assert_eq!(again.tax, Some(Money::ZERO));
}

fn in_stock(position: TaxPosition) -> StockFacts {
    StockFacts {
        stock_no: 417,
        position,
        cost: money("4850.00"),
        purchase: money("4200.00"),
        price: Some(money("5400.00")),
        cost_to_come: money("510.00"),
        as_it_stands: None,
        selling_cost: money("450.00"),
        selling_share: Percent::ZERO,
        rate: percent("20"),
        written_down_before: Money::ZERO,
        sold_after: Some((day("2027-01-09"), money("5300.00"))),
        changed_before_sale: true,
    }
}

/// IAS 2.9, published; an engine on commission is not the firm's stock: plain reading.
#[test]
fn the_stock_valuation_leaves_out_engines_on_commission() {
    let answer = stock_valuation_line(&in_stock(TaxPosition::MarginScheme))
        .expect("a line")
        .expect("ours");
    assert_eq!(
        (answer.carrying_amount, answer.write_down),
        (money("4240.00"), money("610.00"))
    );
    assert_eq!(answer.sold_after_price, Some(money("5300.00")));
    let answer = stock_valuation_line(&in_stock(TaxPosition::NotRegistered))
        .expect("a line")
        .expect("ours");
    assert_eq!(answer.carrying_amount, money("4440.00"));
    for not_ours in [
        TaxPosition::CommissionInOwnName,
        TaxPosition::CommissionInOwnersName,
    ] {
        assert_eq!(stock_valuation_line(&in_stock(not_ours)), Ok(None));
    }
}

/// IAS 2.33: 410.00 was written down; at 6000.00, with 480.00 to sell it, 5010.00 come in: 410.00 is reversed and no
/// more. 300.00 spent since is cost.
#[test]
fn spending_since_a_write_down_is_no_reversal_of_it() {
    let facts = StockFacts {
        price: Some(money("6000.00")),
        selling_cost: money("480.00"),
        written_down_before: money("410.00"),
        ..in_stock(TaxPosition::NotRegistered)
    };
    let line = |facts: &StockFacts| {
        stock_valuation_line(facts)
            .expect("a line")
            .expect("the firm's own")
    };
    let answer = line(&facts);
    assert_eq!(answer.carrying_amount_before, money("4440.00"));
    assert_eq!(
        (answer.reversal, answer.carrying_amount),
        (money("410.00"), money("4850.00"))
    );
    let answer = line(&StockFacts {
        cost: money("5150.00"),
        price: Some(money("6300.00")),
        ..facts.clone()
    });
    assert_eq!(
        (answer.reversal, answer.carrying_amount),
        (money("410.00"), money("5150.00"))
    );
    let answer = line(&StockFacts {
        price: None,
        ..facts
    });
    assert_eq!(answer.net_realisable_value, None);
    assert_eq!(
        (answer.write_down, answer.reversal, answer.carrying_amount),
        (Money::ZERO, Money::ZERO, money("4440.00")),
        "without a price the carrying amount stays"
    );
}

/// Cost 4850.00, of which 4200.00 was the purchase; to finish and test 510.00, delivery 180.00, a commission of 5%,
/// margin tax.
fn with_commission(price: &str) -> StockFacts {
    StockFacts {
        price: Some(money(price)),
        selling_cost: money("180.00"),
        selling_share: percent("5"),
        ..in_stock(TaxPosition::MarginScheme)
    }
}

/// NRV-5, NRV-6, NRV-8, NRV-9. IAS 2.30: a price after the end of the period counts if it confirms conditions at its
/// end; IAS 2.33; the sums by hand.
#[test]
fn a_sale_soon_after_shows_the_value_of_the_engine_unless_it_changed() {
    let answer = |facts: StockFacts| {
        let line = stock_valuation_line(&facts)
            .expect("a line")
            .expect("the firm's own");
        let value = line.net_realisable_value.expect("a price");
        [value, line.write_down, line.reversal, line.carrying_amount].map(|it| it.to_string())
    };
    let sold = |changed_before_sale| StockFacts {
        sold_after: Some((day("2026-02-10"), money("5150.00"))),
        changed_before_sale,
        ..with_commission("5400.00")
    };
    assert_eq!(
        answer(sold(false)),
        ["4044.17", "805.83", "0.00", "4044.17"],
        "NRV-5"
    );
    assert_eq!(
        answer(sold(true)),
        ["4240.00", "610.00", "0.00", "4240.00"],
        "NRV-6"
    );
    let next_year = |price| StockFacts {
        written_down_before: money("610.00"),
        ..with_commission(price)
    };
    assert_eq!(
        answer(next_year("6000.00")),
        ["4710.00", "0.00", "470.00", "4710.00"],
        "NRV-8"
    );
    assert_eq!(
        answer(next_year("6200.00")),
        ["4866.67", "0.00", "610.00", "4850.00"],
        "NRV-8"
    );
    assert_eq!(answer(with_commission("5205.55"))[0], "4087.68", "NRV-9");
}

/// IAS 2.31: a firm contract replaces the estimate. 4600.00 less 66.67 of tax, 510.00 and 180.00: NRV-7.
#[test]
fn stock_is_valued_at_a_firm_contract() {
    let answer = carrying_amount(&CarryingAmountQuestion {
        cost: money("4850.00"),
        purchase: money("4200.00"),
        price: money("5400.00"),
        cost_to_come: money("510.00"),
        selling_cost: money("180.00"),
        rate_percent: Some(percent("20")),
        scheme: Scheme::Margin,
        carrying_amount_before: None,
        as_it_stands_price: None,
        firm_contract: Some(money("4600.00")),
    })
    .expect("an answer");
    assert_eq!(
        [answer.tax, answer.net_realisable_value, answer.write_down],
        ["66.67", "3843.33", "1006.67"].map(money)
    );
}

/// As it stands it needs no finishing: 4600.00 less 230.00 of commission, 66.67 of tax and 180.00 are 4123.33, compared
/// with 4240.00 finished; at 5000.00 it is 250.00, 133.33 and 180.00, which leaves 4436.67. By hand.
#[test]
fn the_better_of_finished_and_as_it_stands_is_used_and_both_are_shown() {
    for (as_it_stands, its_value, used, value) in [
        ("4600.00", "4123.33", ValueUsed::Finished, "4240.00"),
        ("5000.00", "4436.67", ValueUsed::AsItStands, "4436.67"),
    ] {
        let line = stock_valuation_line(&StockFacts {
            as_it_stands: Some(money(as_it_stands)),
            ..with_commission("5400.00")
        });
        let line = line.expect("a line").expect("the firm's own");
        assert_eq!(
            line.net_realisable_value_as_it_stands,
            Some(money(its_value))
        );
        assert_eq!(line.used, Some(used));
        assert_eq!(line.net_realisable_value, Some(money(value)));
    }
}

/// An engine returned to its seller no longer counts as a purchase: gov.uk, "VAT margin schemes" by plain reading.
#[test]
fn a_return_to_the_seller_lowers_the_purchases_of_its_period() {
    let mut facts = sold(TaxPosition::MarginScheme, "2026-05-02", None);
    facts.gone.as_mut().expect("gone").how = Disposal::ReturnedToSeller;
    let line = [book_line(&facts).expect("a line")];
    let purchases = |from: &str, until: &str| {
        let period = DaySpan {
            from: day(from),
            until: day(until),
        };
        book_totals(&line, period)
            .expect("sums")
            .purchases
            .to_string()
    };
    assert_eq!(purchases("2026-01-01", "2026-03-31"), "4200.00");
    assert_eq!(purchases("2026-04-01", "2026-06-30"), "-4200.00");
    assert_eq!(purchases("2026-01-01", "2026-06-30"), "0.00");
}
