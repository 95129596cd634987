//! Vectors with their sources. Published: HMRC manual VATMARG and VATREC12030; gov.uk "VAT margin schemes"; an
//! accountancy practice's worked examples; IAS 2. The rest is arithmetic from the rule named.

use crate::{carried, day, lowest, money, most, percent};
use outshop_core::{
    boilers::codes::{Jurisdiction, Mark},
    books::{
        costs::{
            CarryingAmountQuestion, LowestPriceQuestion, MostToPayQuestion, carrying_amount,
            lowest_price, most_to_pay, profit_at_price,
        },
        tax::{
            self, CashPayment, CashResult, ExchangeRow, MarginTaxQuestion, MoneyFault, Percent,
            Scheme, TaxRuleKey, TaxUnit, cash_reached, margin_tax,
        },
    },
    money::Money,
    trade::PaymentMethod,
};

/// VM-1 and VM-2: worked examples of an accountancy practice, published. VM-3 to VM-6: arithmetic by the rule of
/// gov.uk, "VAT margin schemes"; repairs and parts stay out (VATMARG02300), a loss is not set off.
#[test]
fn margin_tax_is_the_exact_fraction_of_the_margin() {
    for (id, purchase, sale, rate, margin, tax, net) in [
        (
            "VM-1", "1500.00", "2000.00", "20", "500.00", "83.33", "1916.67",
        ),
        (
            "VM-2", "10000.00", "12000.00", "20", "2000.00", "333.33", "11666.67",
        ),
        (
            "VM-3", "3200.00", "4950.00", "20", "1750.00", "291.67", "4658.33",
        ),
        (
            "VM-4", "5000.00", "4600.00", "20", "-400.00", "0.00", "4600.00",
        ),
        (
            "VM-5", "3000.00", "5000.00", "19", "2000.00", "319.33", "4680.67",
        ),
        (
            "VM-6", "3000.00", "5000.00", "23", "2000.00", "373.98", "4626.02",
        ),
        (
            "no tax at a rate of 0",
            "1.00",
            "2.00",
            "0",
            "1.00",
            "0.00",
            "2.00",
        ),
        (
            "half the margin is tax at 100%",
            "1.00",
            "2.01",
            "100",
            "1.01",
            "0.51",
            "1.50",
        ),
        (
            "a half goes up",
            "0.00",
            "0.03",
            "20",
            "0.03",
            "0.01",
            "0.02",
        ),
    ] {
        let answer = margin_tax(&MarginTaxQuestion {
            purchase: money(purchase),
            sale: money(sale),
            rate_percent: percent(rate),
        })
        .expect("an answer");
        assert_eq!(
            (answer.margin, answer.tax, answer.net_of_tax),
            (money(margin), money(tax), money(net)),
            "{id}"
        );
    }
}

/// VM-7: arithmetic, the inverse of the margin scheme's rule.
#[test]
fn the_lowest_price_that_leaves_900() {
    let q = LowestPriceQuestion {
        other_costs: money("500.00"),
        wanted_profit: Some(money("900.00")),
        ..lowest("6000.00")
    };
    let answer = lowest_price(&q).expect("a price");
    assert_eq!(
        (
            answer.lowest_price,
            answer.tax,
            answer.profit,
            answer.selling_cost
        ),
        (
            money("7680.00"),
            money("280.00"),
            money("900.00"),
            Money::ZERO
        )
    );
    let back = MostToPayQuestion {
        cost_to_come: money("500.00"),
        wanted_profit: money("900.00"),
        ..most("7680.00")
    };
    let answer = most_to_pay(&back).expect("an answer");
    assert_eq!(
        (answer.most_to_pay, answer.tax),
        (Some(money("6000.00")), Some(money("280.00")))
    );
}

/// VM-8, published rule (VATMARG13350): the allowance does not reduce the price, nor is the cash paid the price.
#[test]
fn a_part_exchange_is_a_sale_and_a_purchase_at_full_prices() {
    let tax_of = |purchase, sale| {
        margin_tax(&MarginTaxQuestion {
            purchase: money(purchase),
            sale: money(sale),
            rate_percent: percent("20"),
        })
        .expect("an answer")
        .tax
    };
    assert_eq!(tax_of("2800.00", "4000.00"), money("200.00"));
    assert_eq!(tax_of("1200.00", "1800.00"), money("100.00"));
    let row = tax::in_force(
        &tax::seed(),
        &gb(),
        TaxRuleKey::PartExchangeAtFullPrices,
        day("2026-01-01"),
    )
    .cloned();
    assert!(row.is_some_and(|row| row.source.contains("VATMARG13350")));
}

/// Arithmetic by the rule of half a penny upwards (VATREC12030): tax and share are each rounded.
#[test]
fn the_profit_rises_and_falls_by_pennies_and_the_lowest_price_is_found() {
    let q = LowestPriceQuestion {
        other_costs: money("500.01"),
        selling_share_percent: Some(percent("5")),
        ..lowest("6000.01")
    };
    for (price, profit) in [
        ("7021.28", "-0.01"),
        ("7021.29", "0.00"),
        ("7021.30", "-0.01"),
    ] {
        assert_eq!(
            profit_at_price(&q, money(price)).map(|at| at.profit),
            Ok(money(profit)),
            "{price}"
        );
    }
    let answer = lowest_price(&q).expect("a price");
    assert_eq!(
        (answer.lowest_price, answer.profit),
        (money("7021.29"), Money::ZERO)
    );
}

/// Arithmetic. Sold at a loss, or given away: there is no tax, and the price is the cost.
#[test]
fn below_the_purchase_price_there_is_no_tax() {
    let q = LowestPriceQuestion {
        wanted_profit: Some(money("-400.00")),
        ..lowest("5000.00")
    };
    let answer = lowest_price(&q).expect("a price");
    assert_eq!(
        (answer.lowest_price, answer.tax),
        (money("4600.00"), Money::ZERO)
    );
    assert_eq!(
        lowest_price(&lowest("0.00")).expect("a price").lowest_price,
        Money::ZERO
    );

    for (scheme, price, tax) in [
        (Scheme::Margin, "1300.00", "50.00"),
        (Scheme::Ordinary, "1500.00", "250.00"),
        (Scheme::None, "1250.00", "0.00"),
    ] {
        let q = LowestPriceQuestion {
            other_costs: money("250.00"),
            scheme,
            ..lowest("1000.00")
        };
        let answer = lowest_price(&q).expect("a price");
        assert_eq!(
            (answer.lowest_price, answer.tax),
            (money(price), money(tax)),
            "{scheme}"
        );
    }
}

/// Arithmetic.
#[test]
fn not_even_a_gift_leaves_the_profit() {
    let q = MostToPayQuestion {
        cost_to_come: money("900.00"),
        wanted_profit: money("200.00"),
        ..most("1000.00")
    };
    let answer = most_to_pay(&q).expect("an answer");
    assert_eq!((answer.most_to_pay, answer.tax), (None, None));
    // 1200 less its tax of 200 leaves 1000: only a gift leaves the profit.
    let q = MostToPayQuestion {
        cost_to_come: money("800.00"),
        wanted_profit: money("200.00"),
        ..most("1200.00")
    };
    assert_eq!(
        most_to_pay(&q).expect("an answer").most_to_pay,
        Some(Money::ZERO)
    );
}

/// NRV-1 to NRV-4: arithmetic by IAS 2.6 and 2.9; that a reversal goes no higher than cost is IAS 2.33, published.
#[test]
fn stock_is_carried_at_the_lower_of_cost_and_net_realisable_value() {
    let first = CarryingAmountQuestion {
        purchase: money("4200.00"),
        cost_to_come: money("510.00"),
        selling_cost: money("450.00"),
        ..carried("4850.00", "5400.00")
    };
    let taxed = CarryingAmountQuestion {
        scheme: Scheme::Margin,
        rate_percent: Some(percent("20")),
        ..first.clone()
    };
    let later = CarryingAmountQuestion {
        price: money("6000.00"),
        selling_cost: money("480.00"),
        carrying_amount_before: Some(money("4440.00")),
        ..first.clone()
    };

    // The worked examples: a fall below cost is written down; a rise is reversed up to cost and no higher.
    for (id, question, [value, tax, write_down, reversal, amount]) in [
        (
            "NRV-1",
            first.clone(),
            ["4440.00", "0.00", "410.00", "0.00", "4440.00"],
        ),
        (
            "NRV-2",
            taxed,
            ["4240.00", "200.00", "610.00", "0.00", "4240.00"],
        ),
        (
            "NRV-3",
            later,
            ["5010.00", "0.00", "0.00", "410.00", "4850.00"],
        ),
        (
            "NRV-4",
            carried("3000.00", "3900.00"),
            ["3900.00", "0.00", "0.00", "0.00", "3000.00"],
        ),
        // Further cases: a firm contract, an engine worth more as it stands, a value below 0, and a second fall.
        (
            "IAS 2.31: a firm contract's price counts",
            CarryingAmountQuestion {
                firm_contract: Some(money("5000.00")),
                ..first.clone()
            },
            ["4040.00", "0.00", "810.00", "0.00", "4040.00"],
        ),
        (
            "better as it stands (plain reading of IAS 2.6)",
            CarryingAmountQuestion {
                as_it_stands_price: Some(money("5000.00")),
                ..first.clone()
            },
            ["4550.00", "0.00", "300.00", "0.00", "4550.00"],
        ),
        (
            "never below nought (plain reading)",
            CarryingAmountQuestion {
                price: money("100.00"),
                ..first.clone()
            },
            ["-860.00", "0.00", "4850.00", "0.00", "0.00"],
        ),
        (
            "a further fall, from the previous carrying amount (IAS 2.28)",
            CarryingAmountQuestion {
                carrying_amount_before: Some(money("4500.00")),
                ..first
            },
            ["4440.00", "0.00", "60.00", "0.00", "4440.00"],
        ),
    ] {
        // Every part of the answer is compared, so that a right total cannot hide a wrong tax.
        let answer = carrying_amount(&question).expect("an answer");
        assert_eq!(
            [
                answer.net_realisable_value,
                answer.tax,
                answer.write_down,
                answer.reversal,
                answer.carrying_amount
            ],
            [value, tax, write_down, reversal, amount].map(money),
            "{id}"
        );
    }
}

fn gb() -> Jurisdiction {
    "GB".parse().expect("a jurisdiction")
}

#[test]
fn errors_name_the_member_and_what_would_be_right() {
    let pointers = |faults: Vec<MoneyFault>| -> Vec<String> {
        faults.into_iter().map(MoneyFault::pointer).collect()
    };
    let q = LowestPriceQuestion {
        other_costs: money("-0.01"),
        selling_cost: Some(money("-1.00")),
        selling_share_percent: Some(percent("100.01")),
        ..lowest("-1.00")
    };
    assert_eq!(
        pointers(lowest_price(&q).expect_err("faults")),
        [
            "/purchase",
            "/other_costs",
            "/selling_cost",
            "/selling_share_percent"
        ]
    );
    let most_of_all = "9999999999.99";
    let q = LowestPriceQuestion {
        other_costs: money(most_of_all),
        ..lowest(most_of_all)
    };
    assert_eq!(
        pointers(lowest_price(&q).expect_err("faults")),
        ["/wanted_profit"]
    );
    let q = LowestPriceQuestion {
        selling_share_percent: Some(Percent::HUNDRED),
        ..lowest("1.00")
    };
    assert_eq!(
        pointers(lowest_price(&q).expect_err("faults")),
        ["/wanted_profit"]
    );
    let q = MostToPayQuestion {
        wanted_profit: money("-9999999999.99"),
        ..most("10.00")
    };
    assert_eq!(
        pointers(most_to_pay(&q).expect_err("faults")),
        ["/wanted_profit"]
    );
    let q = CarryingAmountQuestion {
        scheme: Scheme::Margin,
        price: money("-5.00"),
        ..carried("1.00", "1.00")
    };
    assert_eq!(
        pointers(carrying_amount(&q).expect_err("faults")),
        ["/price", "/rate_percent"]
    );
    let q = CarryingAmountQuestion {
        cost_to_come: money(most_of_all),
        selling_cost: money(most_of_all),
        ..carried("1.00", "1.00")
    };
    assert_eq!(
        pointers(carrying_amount(&q).expect_err("faults")),
        ["/cost_to_come"]
    );
    let answer = margin_tax(&MarginTaxQuestion {
        purchase: money("1.00"),
        sale: money("-1.00"),
        rate_percent: percent("20"),
    });
    assert_eq!(pointers(answer.expect_err("faults")), ["/sale"]);
}

fn paid(on: &str, amount: &str, method: PaymentMethod) -> CashPayment {
    CashPayment {
        on: day(on),
        amount: money(amount),
        method,
        notes_into_bank: false,
    }
}

/// HMRC, high value dealers (published): single or linked cash, paid or received, including notes paid into the bank.
/// The row in pounds: amending regulations of 2026, as reported.
#[test]
fn linked_cash_is_reported_before_the_payment() {
    use PaymentMethod::{Card, Cash, Transfer};
    let rules = tax::seed();
    let euro_in_pounds = [ExchangeRow {
        currency: TaxUnit::Eur,
        worth: "0.85".parse().expect("a ratio"),
        from: day("2026-06-01"),
        until: Some(day("2026-06-29")),
    }];
    let ask = |exchange: &[ExchangeRow], linked: &[CashPayment], coming: &CashPayment| {
        let answer = cash_reached(&rules, exchange, &gb(), "GBP", linked, coming);
        (answer.result, answer.cash)
    };

    // The limit in pounds, which linked cash reaches together.
    let from = "2026-07-01";
    for (linked, coming, result, cash) in [
        (
            vec![paid(from, "6000.00", Cash)],
            paid(from, "4500.00", Cash),
            CashResult::Reaches,
            "10500.00",
        ),
        // Just below the limit, and at it.
        (
            vec![],
            paid(from, "9999.00", Cash),
            CashResult::Below,
            "9999.00",
        ),
        (
            vec![],
            paid(from, "9999.99", Cash),
            CashResult::Below,
            "9999.99",
        ),
        (
            vec![],
            paid(from, "10000.00", Cash),
            CashResult::Reaches,
            "10000.00",
        ),
        // Notes paid into the bank count as cash; a card does not.
        (
            vec![paid(from, "4000.00", Cash)],
            paid(from, "8000.00", Card),
            CashResult::Below,
            "4000.00",
        ),
        (
            vec![CashPayment {
                notes_into_bank: true,
                ..paid(from, "4000.00", Transfer)
            }],
            paid(from, "6000.00", Cash),
            CashResult::Reaches,
            "10000.00",
        ),
    ] {
        assert_eq!(
            ask(&[], &linked, &coming),
            (result, Some(money(cash))),
            "{coming:?}"
        );
    }

    // The last day of the euro row needs an exchange rate; 10000 EUR at 0.85 are 8500 GBP.
    let (last, first) = ("2026-06-29", "2026-06-30");
    let one = |on, amount| paid(on, amount, Cash);
    assert_eq!(
        ask(&[], &[], &one(last, "1.00")).0,
        CashResult::ExchangeRowMissing
    );
    assert_eq!(
        ask(&euro_in_pounds, &[], &one(last, "8499.99")).0,
        CashResult::Below
    );
    assert_eq!(
        ask(&euro_in_pounds, &[], &one(last, "8500.00")).0,
        CashResult::Reaches
    );
    assert_eq!(
        ask(&euro_in_pounds, &[], &one("2026-05-31", "8500.00")).0,
        CashResult::ExchangeRowMissing
    );

    // From the next day the limit is in pounds, and linked cash from before that day still counts.
    assert_eq!(
        ask(&euro_in_pounds, &[], &one(first, "9999.99")).0,
        CashResult::Below
    );
    assert_eq!(
        ask(
            &euro_in_pounds,
            &[one(last, "1.00")],
            &one(first, "9999.99")
        )
        .0,
        CashResult::Reaches
    );

    // Without a rule for the country there is no limit; cash beyond the range of amounts reaches any limit.
    let nowhere = "CH".parse().expect("a jurisdiction");
    let answer = cash_reached(&rules, &[], &nowhere, "CHF", &[], &one(first, "1.00"));
    assert_eq!((answer.result, answer.limit), (CashResult::NoRule, None));
    let too_much = vec![one(first, "9999999999.99"); 3];
    assert_eq!(
        ask(&[], &too_much, &one(first, "1.00")),
        (CashResult::Reaches, None)
    );
}

#[test]
fn tax_rules_have_a_source_and_days_in_order() {
    let rules = tax::seed();
    for rule in TaxRuleKey::ALL {
        assert!(rules.iter().any(|row| row.rule == *rule), "{rule}");
    }
    for row in &rules {
        assert!((1..=300).contains(&row.source.len()), "{row:?}");
        assert!(
            row.notes
                .as_ref()
                .is_none_or(|notes| (1..=400).contains(&notes.len())),
            "{row:?}"
        );
        assert_eq!(row.value.is_none(), row.unit == TaxUnit::Yes, "{row:?}");
        assert!(
            row.valid_from.is_none()
                || row.valid_until.is_none()
                || row.valid_from <= row.valid_until
        );
    }
    let rate = |on| tax::standard_rate(&rules, &gb(), day(on));
    assert_eq!(rate("2026-01-01"), Some(percent("20")));
    assert_eq!(rate("2011-01-03"), None, "no earlier row is known");
    let gbp =
        tax::in_force(&rules, &gb(), TaxRuleKey::CashLimit, day("2026-06-30")).expect("a row");
    assert_eq!((gbp.unit, gbp.mark), (TaxUnit::Gbp, Mark::LowConfidence));
}
