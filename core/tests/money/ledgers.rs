//! The cost ledger, the stock book and the stock value, worked by hand: plain reading of the rules named, no other source.

use crate::{day, lowest, money, percent};
use outshop_core::{
    costs::{
        AgreedJob, BookFacts, CostKind, CostLine, Disposal, DisposalFacts, StockFacts, book_line,
        book_totals, cost_to_come, hours_left, ledger, left_at, stock_value_line, work_line,
    },
    days::DaySpan,
    jobs::Hours,
    money::Money,
    tax::MoneyFault,
    trade::TaxPosition,
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
fn the_ledger_keeps_book_and_worth_and_the_suppliers_tax_apart() {
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
    let told = ledger(&lines, TaxPosition::MarginScheme).expect("sums");
    assert_eq!(
        (told.cost, told.worth),
        (money("4430.00"), money("4769.68"))
    );
    assert_eq!(
        (told.supplier_vat, told.hours_booked),
        (money("46.00"), hours("10.5"))
    );
    let unregistered = ledger(&lines, TaxPosition::NotRegistered).expect("sums");
    assert_eq!(
        (unregistered.cost, unregistered.worth),
        (money("4476.00"), money("4815.68"))
    );
    let purchase = told
        .kinds
        .iter()
        .find(|sum| sum.kind == CostKind::Purchase)
        .expect("each kind");
    assert_eq!((told.kinds.len(), purchase.cost), (7, money("4200.00")));
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
fn a_job_over_its_hours_has_nothing_to_come_and_lends_nothing() {
    let job = |agreed, booked, other_agreed, other_booked| AgreedJob {
        hours_agreed: hours(agreed),
        hours_booked: hours(booked),
        worth_rate: money("30.00"),
        other_agreed: money(other_agreed),
        other_booked: money(other_booked),
    };
    let jobs = [
        job("10", "4", "100.00", "40.00"),
        job("2", "9", "0.00", "500.00"),
    ];
    let told = cost_to_come(&jobs).expect("sums");
    assert_eq!((told.hours, told.amount), (hours("6"), money("240.00")));
}

#[test]
fn the_hour_at_which_nothing_is_left() {
    let mut q = lowest("6000.00");
    q.other_costs = money("500.00");
    let left = left_at(&q, money("7680.00")).expect("an answer").left;
    assert_eq!(left, money("900.00"));
    assert_eq!(hours_left(left, money("35.00")), Some(hours("25.71")));
    assert_eq!(
        hours_left(money("-1.00"), money("35.00")),
        Some(Hours::ZERO)
    );
    assert_eq!(hours_left(left, Money::ZERO), None);
    assert_eq!(hours_left(money("9999999999.99"), money("0.01")), None);
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
fn the_stock_book_has_margin_and_tax_where_the_scheme_has_them() {
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
        let told = book_line(&sold(position, "2026-03-31", price)).expect("a line");
        assert_eq!(
            (told.margin, told.tax),
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
fn a_returned_engine_is_put_right_in_the_open_period() {
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
        selling_cost: money("450.00"),
        rate: percent("20"),
        written_down_before: Money::ZERO,
        sold_after: Some((day("2027-01-09"), money("5300.00"))),
    }
}

/// IAS 2.9, published; the engine on commission is not the firm's stock: plain reading.
#[test]
fn the_stock_value_leaves_out_what_is_not_ours() {
    let told = stock_value_line(&in_stock(TaxPosition::MarginScheme))
        .expect("a line")
        .expect("ours");
    assert_eq!(
        (told.carrying_amount, told.write_down),
        (money("4240.00"), money("610.00"))
    );
    assert_eq!(told.sold_after_price, Some(money("5300.00")));
    let told = stock_value_line(&in_stock(TaxPosition::NotRegistered))
        .expect("a line")
        .expect("ours");
    assert_eq!(told.carrying_amount, money("4440.00"));
    for not_ours in [
        TaxPosition::CommissionInOwnName,
        TaxPosition::CommissionInOwnersName,
    ] {
        assert_eq!(stock_value_line(&in_stock(not_ours)), Ok(None));
    }
}

/// IAS 2.33: 410.00 was written down; at 6000.00, of which 480.00 sells it, 5010.00 come in: 410.00 is taken back and no
/// more. 300.00 spent since is cost.
#[test]
fn what_was_spent_since_a_write_down_is_no_reversal_of_it() {
    let facts = StockFacts {
        price: Some(money("6000.00")),
        selling_cost: money("480.00"),
        written_down_before: money("410.00"),
        ..in_stock(TaxPosition::NotRegistered)
    };
    let line = |facts: &StockFacts| stock_value_line(facts).expect("a line").expect("ours");
    let told = line(&facts);
    assert_eq!(told.carrying_amount_before, money("4440.00"));
    assert_eq!(
        (told.reversal, told.carrying_amount),
        (money("410.00"), money("4850.00"))
    );
    let told = line(&StockFacts {
        cost: money("5150.00"),
        price: Some(money("6300.00")),
        ..facts.clone()
    });
    assert_eq!(
        (told.reversal, told.carrying_amount),
        (money("410.00"), money("5150.00"))
    );
    let told = line(&StockFacts {
        price: None,
        ..facts
    });
    assert_eq!(told.net_realisable_value, None);
    assert_eq!(
        (told.write_down, told.reversal, told.carrying_amount),
        (Money::ZERO, Money::ZERO, money("4440.00")),
        "without a price it stands as it stood"
    );
}
