//! The accounts and accounting entries: debits equal credits, and each line refers to its record.

use crate::{
    harness::{Shop, text},
    make::{acquisition, engine, person, with},
};
use outshop_core::{money::Money, trade::Role};
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::BTreeMap;

const SPAN: &str = "from=2026-01-01&to=2026-05-14";

async fn bought(shop: &Shop, change: &Value) -> i64 {
    let came = shop
        .post("/v1/acquisitions", &with(acquisition(&engine()), change))
        .await
        .created();
    came.body["stock_no"].as_i64().expect("a number")
}

async fn spent(shop: &Shop, stock_no: i64, on: &str, cost: &str, vat: &str) -> i64 {
    let cost = json!({"kind": "parts", "on": on, "cost": cost, "supplier_vat": vat});
    let path = format!("/v1/engines/{stock_no}/costs");
    shop.post(&path, &cost).await.created().id()
}

async fn sold(shop: &Shop, stock_no: i64, on: &str, price: &str) -> i64 {
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let sale =
        json!({"on": on, "price": price, "person_id": buyer, "below_break_even_confirmed": true});
    let path = format!("/v1/engines/{stock_no}/sales");
    shop.post(&path, &sale).await.created().id()
}

async fn all(shop: &Shop, path: &str) -> Vec<Value> {
    let mut items = Vec::new();
    let mut next = Some(path.to_owned());
    while let Some(address) = next {
        let page = shop.get(&address).await.ok().body;
        items.extend(page["items"].as_array().expect("items").iter().cloned());
        next = page["next"].as_str().map(str::to_owned);
    }
    items
}

fn money(value: &Value) -> Money {
    text(value).parse().expect("money")
}

/// Debits less credits of each account, without those of 0.
fn balances(lines: &[Value]) -> BTreeMap<String, String> {
    let mut pennies: BTreeMap<String, i128> = BTreeMap::new();
    for line in lines {
        *pennies.entry(text(&line["account"])).or_default() +=
            money(&line["debit"]).pennies() - money(&line["credit"]).pennies();
    }
    let totals = |(account, pennies)| {
        let balance = Money::from_pennies(pennies).expect("money").to_string();
        (account, balance)
    };
    pennies
        .into_iter()
        .filter(|(_, pennies)| *pennies != 0)
        .map(totals)
        .collect()
}

fn of(balances: &[(&str, &str)]) -> BTreeMap<String, String> {
    let totals = |(account, balance): &(&str, &str)| ((*account).to_owned(), (*balance).to_owned());
    balances.iter().map(totals).collect()
}

/// A trade under the margin scheme, by hand: 6000 and 200 of parts with 40 of tax, 10 hours at 30, sold for 7680 of
/// which a sixth of 1680 is tax (gov.uk, "VAT margin schemes"). Double entry itself: common practice, no source.
#[actix_web::test]
async fn a_whole_trade_is_booked_with_tax_and_cost_of_sales() {
    let shop = Shop::open().await;

    // Bought, repaired with parts and ten hours of work, and sold.
    let stock_no = bought(&shop, &json!({"price": "6000.00"})).await;
    spent(&shop, stock_no, "2026-02-01", "200.00", "40.00").await;
    let rate = json!({"fitter": "Edda Morlock", "from": "2026-01-01", "cost_rate": "30.00", "recovery_rate": "40.00"});
    shop.post("/v1/hour-rates", &rate).await.created();
    let job = shop.has_job_started(stock_no, &["motion"], &[]).await;
    let hours = json!({"on": "2026-03-09", "fitter": "Edda Morlock", "hours": "10"});
    shop.post(&format!("{job}/hours"), &hours).await.created();
    let sale = sold(&shop, stock_no, "2026-05-13", "7680.00").await;

    // Paid in cash and by transfer, with 100.00 paid back; a late cost is entered and reversed.
    for (amount, method) in [
        ("1000.00", "cash"),
        ("6680.00", "transfer"),
        ("-100.00", "transfer"),
    ] {
        let payment = json!({"on": "2026-05-14", "amount": amount, "method": method, "cash_limit_acknowledged": true});
        shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
    }
    let late = spent(&shop, stock_no, "2026-05-14", "50.00", "10.00").await;
    shop.post(&format!("/v1/costs/{late}/reversals"), &json!({}))
        .await
        .created();

    // Every account has the balance worked out by hand, and the reversed cost has no effect.
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}&limit=3")).await;
    assert_eq!(
        balances(&lines),
        of(&[
            ("bank", "6580.00"),
            ("cash", "1000.00"),
            ("cost_of_sales", "6500.00"),
            ("owed_by_buyers", "100.00"),
            ("owed_to_suppliers", "-6240.00"),
            ("sales", "-7400.00"),
            ("tax_on_purchases", "40.00"),
            ("tax_on_sales", "-280.00"),
            ("work_into_stock", "-300.00"),
        ])
    );

    // Each line refers to the journal entry that caused it.
    let entries = shop.get("/v1/journal?limit=500").await.ok().body;
    let entry_no = |kind: &str| {
        let entries = entries["items"].as_array().expect("items");
        let found = entries.iter().find(|entry| entry["type"] == kind);
        found.expect("an entry")["entry_no"].clone()
    };
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    for (source, kind) in [
        ("acquisition", "engine.acquired"),
        ("cost", "cost.created"),
        ("job_hours", "job.hours_booked"),
        ("sale", "engine.sold"),
        ("payment", "payment.created"),
    ] {
        let line = lines.iter().find(|line| line["source"] == source);
        let line = line.expect("a line");
        assert_eq!(line["entry_no"], entry_no(kind), "{line}");
        assert_eq!(line["stock_no"], stock_no);
    }

    // Lines are in order of their days, and debits equal credits in the trial balance.
    let days: Vec<String> = lines.iter().map(|line| text(&line["on"])).collect();
    assert!(days.is_sorted());
    let sums = shop
        .get(&format!("/v1/accounts-entries/trial?{SPAN}"))
        .await;
    let sums = sums.ok().body;
    assert_eq!(sums["debit"], sums["credit"]);
    let bank = sums["accounts"].as_array().expect("accounts").iter();
    let bank = bank.clone().find(|sum| sum["account"] == "bank");
    assert_eq!(
        bank.expect("the bank"),
        &json!({"account": "bank", "debit": "6680.00", "credit": "100.00"})
    );
}

/// Stock is reduced by cost less earlier write-downs; the other sums by hand. Plain reading, no source.
#[actix_web::test]
async fn write_downs_and_disposals_leave_nothing_in_stock() {
    let shop = Shop::open().await;
    let price = async |stock_no: i64, price: &str| {
        let price = json!({"price": price, "on": "2026-03-01"});
        shop.post(&format!("/v1/engines/{stock_no}/asking-prices"), &price)
            .await
            .created();
    };
    let none = json!({"price": "1000.00", "tax_position": "not_registered"});
    let (scrapped, returned, sale) = (
        bought(&shop, &none).await,
        bought(&shop, &none).await,
        bought(&shop, &none).await,
    );
    for stock_no in [scrapped, returned, sale] {
        spent(&shop, stock_no, "2026-02-01", "100.00", "20.00").await;
        price(stock_no, "800.00").await;
    }
    let kept = json!({"on": "2026-03-31"});
    shop.post("/v1/closing-stock", &kept).await.created();
    for (stock_no, method) in [(scrapped, "scrapped"), (returned, "returned_to_seller")] {
        let gone = json!({"on": "2026-05-01", "method": method});
        shop.post(&format!("/v1/engines/{stock_no}/disposals"), &gone)
            .await
            .created();
    }
    sold(&shop, sale, "2026-05-01", "900.00").await;
    let lines = all(&shop, "/v1/accounts-entries?from=2026-01-01&to=2026-03-31").await;
    let written: Vec<&Value> = lines
        .iter()
        .filter(|line| line["source"] == "stock_valuation")
        .collect();
    assert_eq!(written.len(), 6, "two lines for each engine");
    assert!(written.iter().all(|line| line["entry_no"] != json!(0)));
    assert_eq!(balances(&lines)["stock"], "2400.00", "3 x 800");
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    assert_eq!(
        balances(&lines),
        of(&[
            ("cost_of_sales", "800.00"),
            ("owed_by_buyers", "900.00"),
            ("owed_to_suppliers", "-2360.00"),
            ("sales", "-900.00"),
            ("stock_written_down", "1560.00"),
        ])
    );
}

/// 8% of 5400.00 is 432.00, with 86.40 of tax; 4881.60 is payable to the owner, by hand. The firm's costs of such an
/// engine are never stock: plain reading, no source.
#[actix_web::test]
async fn an_engine_on_commission_is_never_the_firms_stock() {
    for (position, sales) in [
        ("commission_in_owners_name", ("commission", "-432.00")),
        ("commission_in_own_name", ("sales", "-5313.60")),
    ] {
        let shop = Shop::open().await;
        let terms = json!({"method": "commission", "price": null, "tax_position": position, "commission_percent": "8"});
        let stock_no = bought(&shop, &terms).await;
        spent(&shop, stock_no, "2026-02-01", "100.00", "20.00").await;
        let sale = sold(&shop, stock_no, "2026-05-13", "5400.00").await;
        let payment = json!({"on": "2026-05-14", "amount": "5400.00", "method": "transfer"});
        shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
        let payout = json!({"on": "2026-05-14", "amount": "4000.00", "method": "transfer"});
        shop.post(&format!("/v1/sales/{sale}/payouts"), &payout)
            .await
            .created();
        let cost_of_sales = if position == "commission_in_own_name" {
            "4981.60"
        } else {
            "100.00"
        };
        let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
        assert_eq!(
            balances(&lines),
            of(&[
                ("bank", "1400.00"),
                ("cost_of_sales", cost_of_sales),
                ("owed_to_owners", "-881.60"),
                ("owed_to_suppliers", "-120.00"),
                sales,
                ("tax_on_purchases", "20.00"),
                ("tax_on_sales", "-86.40"),
            ]),
            "{position}"
        );
    }
}

#[actix_web::test]
async fn the_firm_names_its_accounts_and_the_lines_show_the_names() {
    let shop = Shop::open().await;
    assert_eq!(all(&shop, "/v1/accounts?limit=4").await.len(), 16);
    let stock = shop.get("/v1/accounts/stock").await.ok();
    assert_eq!(
        stock.body,
        json!({"account": "stock", "number": null, "name": null})
    );
    let named = json!({"number": "STOCK", "name": "Engines in stock"});
    let changed = shop.patch("/v1/accounts/stock", &named).await.ok();
    assert_eq!(shop.get("/v1/accounts/stock").await.ok().body, changed.body);
    shop.patch("/v1/accounts/stock", &json!({"name": null}))
        .await
        .ok();
    for bad in [json!({"account": "bank"}), json!({"number": " "})] {
        shop.patch("/v1/accounts/stock", &bad)
            .await
            .refused("invalid");
    }
    shop.get("/v1/accounts/petty").await.refused("not_found");
    let stale = shop
        .request(Method::PATCH, "/v1/accounts/stock")
        .by(&shop, Role::Bookkeeper);
    stale
        .if_match(&stock.etag())
        .merge_patch(&named)
        .send()
        .await
        .refused("precondition_failed");
    bought(&shop, &json!({})).await;
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    assert_eq!(
        (&lines[0]["account_no"], &lines[0]["account_name"]),
        (&json!("STOCK"), &Value::Null)
    );
    assert_eq!(
        shop.journal().await,
        ["account.changed", "account.changed", "engine.acquired"]
    );
    let table = shop
        .request(Method::GET, &format!("/v1/accounts-entries?{SPAN}"))
        .by(&shop, Role::Bookkeeper)
        .header("accept", "text/csv");
    let table = table.send().await.ok().text;
    assert!(
        table.starts_with("on,account,account_no,account_name,debit,credit,stock_no,source,source_id,line,entry_no\r\n2026-01-05,stock,STOCK,,4200.00,0.00,1,acquisition,"),
        "{table}"
    );
    for path in [
        "/v1/accounts",
        "/v1/accounts-entries",
        "/v1/accounts-entries/trial",
    ] {
        let by_seller = shop.request(Method::GET, &format!("{path}?{SPAN}"));
        by_seller
            .by(&shop, Role::Seller)
            .send()
            .await
            .refused("forbidden");
    }
}

/// Rule of double entry: common practice, no source.
#[actix_web::test]
async fn debits_equal_credits_in_every_period_and_sums_beyond_all_amounts_are_refused() {
    let shop = Shop::open().await;
    for n in 0..4 {
        let stock_no = bought(&shop, &json!({"price": format!("{n}00.01")})).await;
        spent(&shop, stock_no, "2026-02-01", "33.33", "6.67").await;
        sold(&shop, stock_no, &format!("2026-04-0{}", n + 1), "777.77").await;
    }
    for (from, to) in [
        ("2026-01-01", "2026-01-31"),
        ("2026-02-01", "2026-04-01"),
        ("2026-04-02", "2026-05-14"),
    ] {
        let span = format!("from={from}&to={to}");
        let sums = shop
            .get(&format!("/v1/accounts-entries/trial?{span}"))
            .await;
        let sums = sums.ok().body;
        assert_eq!(sums["debit"], sums["credit"]);
        let lines = all(&shop, &format!("/v1/accounts-entries?{span}&limit=2")).await;
        let debits = Money::sum(lines.iter().map(|line| money(&line["debit"])));
        assert_eq!(debits.expect("money").to_string(), text(&sums["debit"]));
    }
    for path in ["/v1/accounts-entries", "/v1/accounts-entries/trial"] {
        for query in [
            "",
            "?from=2026-01-02&to=2026-01-01",
            "?from=1900-01-01&to=2026-01-01",
        ] {
            shop.get(&format!("{path}{query}"))
                .await
                .refused("invalid_query");
        }
    }
    for _ in 0..2 {
        bought(&shop, &json!({"price": "9999999999.99"})).await;
    }
    shop.get(&format!("/v1/accounts-entries/trial?{SPAN}"))
        .await
        .refused("conflict");
}

/// A month compared with the bank statement and the cash till, both by hand. 100.00 owed by the seller for the engine
/// that went back is still to come, and 36.00 of a bill for parts is still to be paid. Common practice, no source.
#[actix_web::test]
async fn cash_bank_and_what_is_owed_agree_with_the_statements_of_the_month() {
    let shop = Shop::open().await;

    // Two engines are bought from one seller, and a third is taken on commission.
    let rate = json!({"currency": "EUR", "from": "2026-04-01", "worth": "0.85", "source": "the bank's letter"});
    shop.post("/v1/exchange-rates", &rate).await.created();
    let seller = shop.post("/v1/persons", &person()).await.created().id();
    let april = |change: Value| {
        let came =
            json!({"on": "2026-04-02", "tax_position": "margin_scheme", "person_id": seller});
        with(came, &change)
    };
    let first = april(json!({"price": "3000.00", "paid_by": "transfer"}));
    let first = bought(&shop, &first).await;
    let second = april(json!({"price": "1500.00"}));
    let second = shop
        .post("/v1/acquisitions", &with(acquisition(&engine()), &second))
        .await
        .created();
    let owned = json!({"on": "2026-04-02", "method": "commission", "price": null, "tax_position": "commission_in_owners_name",
        "commission_percent": "10", "person_id": seller});
    let owned = bought(&shop, &owned).await;

    // A supplier is never paid more than is owed, nor before the cost was incurred.
    let out = async |on: &str, amount: &str, method: &str, what: &str, id: i64| {
        let mut payment = json!({"on": on, "amount": amount, "method": method});
        payment[what] = json!(id);
        shop.post("/v1/outgoing-payments", &payment).await
    };
    let (bank, till) = ("transfer", "cash");
    let second_no = second.body["stock_no"].as_i64().expect("a number");
    let made = out("2026-04-03", "1500.00", bank, "acquisition_id", second.id()).await;
    assert_eq!(made.created().body["still_owed"], "0.00");
    let more = out("2026-04-03", "0.01", bank, "acquisition_id", second.id()).await;
    more.refused("conflict");
    let carriage = json!({"kind": "carriage_in", "on": "2026-04-03", "cost": "200.00", "supplier_vat": "40.00"});
    let path = format!("/v1/engines/{first}/costs");
    let carriage = shop.post(&path, &carriage).await.created().id();
    out("2026-04-10", "240.00", bank, "cost_id", carriage)
        .await
        .created();

    // A bill for parts is paid in instalments, with refunds that never exceed what was paid.
    let parts = spent(&shop, first, "2026-04-04", "80.00", "16.00").await;
    let made = out("2026-04-05", "60.00", till, "cost_id", parts).await;
    assert_eq!(made.created().body["still_owed"], "36.00");
    let late = out("2026-04-03", "1.00", till, "cost_id", parts).await;
    late.invalid_at("/on");
    out("2026-04-06", "-60.01", till, "cost_id", parts)
        .await
        .refused("conflict");
    out("2026-04-06", "-20.00", till, "cost_id", parts)
        .await
        .created();
    out("2026-04-07", "20.00", till, "cost_id", parts)
        .await
        .created();
    out("2026-04-07", "-20.00", till, "cost_id", parts)
        .await
        .created();
    out("2026-04-08", "20.00", bank, "cost_id", parts)
        .await
        .created();

    // The first engine is sold and the second goes back to its seller, who still owes 100.00 of its price.
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let sale = json!({"on": "2026-04-12", "price": "5680.00", "person_id": buyer});
    let sale = shop
        .post(&format!("/v1/engines/{first}/sales"), &sale)
        .await;
    let sale = sale.created().id();
    for (amount, method) in [("5000.00", bank), ("680.00", till), ("-100.00", bank)] {
        let payment = json!({"on": "2026-04-13", "amount": amount, "method": method});
        shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
    }
    let gone = json!({"on": "2026-04-20", "method": "returned_to_seller"});
    shop.post(&format!("/v1/engines/{second_no}/disposals"), &gone)
        .await
        .created();
    let made = out(
        "2026-04-21",
        "-1400.00",
        bank,
        "acquisition_id",
        second.id(),
    )
    .await;
    assert_eq!(made.created().body["still_owed"], "-100.00");

    // The third is sold for its owner; 352.00 is still owed to them after the payout.
    let for_owner = sold(&shop, owned, "2026-04-22", "5400.00").await;
    let payment = json!({"on": "2026-04-22", "amount": "5400.00", "method": bank});
    shop.post(&format!("/v1/sales/{for_owner}/payments"), &payment)
        .await
        .created();
    let payout = json!({"on": "2026-04-23", "amount": "4400.00", "method": bank});
    shop.post(&format!("/v1/sales/{for_owner}/payouts"), &payout)
        .await
        .created();

    // The bank statement, line by line, in pennies.
    let statement = [
        -300_000, -150_000, -24_000, -2_000, 500_000, -10_000, 140_000, 540_000, -440_000,
    ];
    let statement = Money::from_pennies(statement.iter().sum()).expect("money");
    assert_eq!(statement.to_string(), "2540.00");
    // Entries have their numbers once the journal is read.
    shop.journal().await;
    let lines = all(
        &shop,
        "/v1/accounts-entries?from=2026-04-01&to=2026-04-30&limit=7",
    )
    .await;
    let totals = balances(&lines);
    assert_eq!(
        [
            "bank",
            "cash",
            "owed_by_buyers",
            "owed_to_suppliers",
            "owed_to_owners"
        ]
        .map(|name| totals[name].as_str()),
        // 680 less 60 and 20, with 40 back; 100 still to be paid by the buyer; 100 to come from the seller less 36 owed
        // for parts; 5400 less 540 and 108 of tax, 4400 paid.
        ["2540.00", "640.00", "100.00", "64.00", "-352.00"]
    );
    assert!(!totals.contains_key("deposits"), "{totals:?}");

    // Each outgoing payment has two lines, both with the number of their journal entry.
    let of_outgoing = lines
        .iter()
        .filter(|line| line["source"] == "outgoing_payment");
    let of_outgoing: Vec<&Value> = of_outgoing.collect();
    assert_eq!(of_outgoing.len(), 18, "two lines each");
    assert!(
        of_outgoing.iter().all(|line| line["entry_no"].is_i64()),
        "{of_outgoing:?}"
    );

    // The payments of the bill for parts are listed page by page, and each can be read on its own.
    let listed = all(
        &shop,
        &format!("/v1/outgoing-payments?cost_id={parts}&limit=2"),
    )
    .await;
    assert_eq!(listed.len(), 5);
    let one = format!("/v1/outgoing-payments/{}", listed[0]["id"]);
    assert_eq!(shop.get(&one).await.ok().body, listed[0]);
}

#[actix_web::test]
async fn an_outgoing_payment_is_for_one_thing_that_is_owed() {
    let shop = Shop::open().await;
    let stock_no = bought(&shop, &json!({})).await;
    let cost = spent(&shop, stock_no, "2026-02-01", "100.00", "20.00").await;
    let payment =
        json!({"on": "2026-02-02", "amount": "120.00", "method": "transfer", "cost_id": cost});
    let pay = async |change: Value| {
        shop.post("/v1/outgoing-payments", &with(payment.clone(), &change))
            .await
    };
    for (change, pointer) in [
        (json!({"cost_id": null}), "/acquisition_id"),
        (json!({"acquisition_id": 1}), "/cost_id"),
        (json!({"cost_id": 999}), "/cost_id"),
        (json!({"cost_id": null, "parts_id": 999}), "/parts_id"),
        (json!({"on": "2026-01-31"}), "/on"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"amount": "0.00"}), "/amount"),
        (json!({"method": "part_exchange"}), "/method"),
    ] {
        pay(change).await.invalid_at(pointer);
    }
    pay(json!({"amount": "120.01"})).await.refused("conflict");
    pay(json!({"amount": "-0.01"})).await.refused("conflict");
    let by_seller = shop.request(Method::POST, "/v1/outgoing-payments");
    let by_seller = by_seller.by(&shop, Role::Seller).once().json(&payment);
    by_seller.send().await.refused("forbidden");
    pay(json!({})).await.created();
    let reversal = json!({"on": "2026-02-03"});
    let reversal = shop
        .post(&format!("/v1/costs/{cost}/reversals"), &reversal)
        .await
        .created()
        .id();
    pay(json!({"cost_id": reversal, "on": "2026-02-03"}))
        .await
        .invalid_at("/cost_id");
    let back = pay(json!({"amount": "-120.00", "on": "2026-02-04"})).await;
    assert_eq!(back.created().body["still_owed"], "0.00");
    pay(json!({"parts_id": 1})).await.invalid_at("/cost_id");
    let closed = json!({"from": "2026-02-01", "until": "2026-02-28"});
    shop.post("/v1/tax-periods", &closed).await.created();
    pay(json!({"acquisition_id": 1, "cost_id": null}))
        .await
        .refused("conflict");
    assert_eq!(
        shop.journal().await,
        [
            "engine.acquired",
            "cost.created",
            "supplier.paid",
            "cost.reversed",
            "supplier.paid",
            "tax_period.closed"
        ]
    );
}

/// VAT by hand: bought for 3600.00 with 600.00 of tax shown, sold for 5400.00: 900.00 less 600.00 is payable. HMRC
/// VATMARG02150: an invoice that shows tax rules out the margin scheme.
#[actix_web::test]
async fn the_sellers_tax_is_recovered_and_is_no_cost() {
    let shop = Shop::open().await;
    let shown =
        json!({"price": "3600.00", "supplier_vat": "600.00", "tax_position": "ordinary_vat"});
    let came = shop
        .post("/v1/acquisitions", &with(acquisition(&engine()), &shown))
        .await
        .created();
    assert_eq!(
        [&came.body["net"], &came.body["price"]],
        ["3000.00", "3600.00"]
    );
    let stock_no = came.body["stock_no"].as_i64().expect("a number");

    // An invoice that shows tax rules out the margin scheme, and its tax is between nothing and the price.
    for (change, pointer) in [
        (json!({"tax_position": "margin_scheme"}), "/supplier_vat"),
        (json!({"supplier_vat": "3600.00"}), "/supplier_vat"),
        (json!({"supplier_vat": "-0.01"}), "/supplier_vat"),
    ] {
        let wrong = with(with(acquisition(&engine()), &shown), &change);
        shop.post("/v1/acquisitions", &wrong)
            .await
            .invalid_at(pointer);
    }
    let other = json!({"tax_position": "margin_scheme", "reason": "by mistake"});
    shop.post(
        &format!("/v1/acquisitions/{}/tax-positions", came.id()),
        &other,
    )
    .await
    .invalid_at("/tax_position");

    // The engine is carried at its net price, and breaks even with tax on the sale added.
    let money_of = shop
        .get(&format!("/v1/engines/{stock_no}/margins"))
        .await
        .ok()
        .body;
    assert_eq!(
        [
            &money_of["purchase"],
            &money_of["ledger"]["cost"],
            &money_of["ledger"]["supplier_vat"]
        ],
        ["3000.00", "3000.00", "600.00"]
    );
    // 3000.00 net and a fifth of it.
    assert_eq!(money_of["break_even_price"], "3600.00");

    // After the sale the tax on the purchase is claimed and the tax on the sale is due.
    sold(&shop, stock_no, "2026-05-13", "5400.00").await;
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    assert_eq!(
        balances(&lines),
        of(&[
            ("cost_of_sales", "3000.00"),
            ("owed_by_buyers", "5400.00"),
            ("owed_to_suppliers", "-3600.00"),
            ("sales", "-4500.00"),
            ("tax_on_purchases", "600.00"),
            ("tax_on_sales", "-900.00"),
        ])
    );
}

/// By hand: an outside repair of 480.00 with 80.00 of tax adds 400.00 to stock. HMRC VATMARG02300: the tax on a repair
/// is recovered and is never part of the purchase price. Sold for 4950.00, a sixth of 1750.00 is 291.67.
#[actix_web::test]
async fn the_tax_on_a_repair_is_recovered_and_is_never_part_of_the_purchase_price() {
    let shop = Shop::open().await;
    let stock_no = bought(&shop, &json!({"price": "3200.00"})).await;
    let repair = json!({"kind": "outside_work", "on": "2026-02-01", "cost": "400.00", "supplier_vat": "80.00"});
    shop.post(&format!("/v1/engines/{stock_no}/costs"), &repair)
        .await
        .created();
    sold(&shop, stock_no, "2026-05-13", "4950.00").await;
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    let totals = balances(&lines);
    assert_eq!(
        ["cost_of_sales", "tax_on_purchases", "tax_on_sales"].map(|name| totals[name].as_str()),
        ["3600.00", "80.00", "-291.67"]
    );
}

/// Double entry: common practice, no source. A firm that is not registered cannot claim the tax, so it is part of the
/// cost.
#[actix_web::test]
async fn the_sellers_tax_is_reversed_with_the_engine_and_is_a_cost_without_registration() {
    let shop = Shop::open().await;
    let shown =
        json!({"price": "3600.00", "supplier_vat": "600.00", "tax_position": "ordinary_vat"});
    let returned = bought(&shop, &shown).await;
    let gone = json!({"on": "2026-05-01", "method": "returned_to_seller"});
    shop.post(&format!("/v1/engines/{returned}/disposals"), &gone)
        .await
        .created();
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    assert_eq!(
        balances(&lines),
        of(&[]),
        "everything is reversed, including the tax"
    );
    let unregistered = with(shown, &json!({"tax_position": "not_registered"}));
    let unregistered = bought(&shop, &unregistered).await;
    let money_of = shop
        .get(&format!("/v1/engines/{unregistered}/margins"))
        .await
        .ok()
        .body;
    assert_eq!(
        [&money_of["purchase"], &money_of["ledger"]["cost"]],
        ["3600.00", "3600.00"]
    );
}
