//! The cost ledger of an engine, the hourly rates, and the tax periods that close it.

use crate::{
    harness::{Shop, text},
    make::{acquisition, engine, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

fn carriage() -> Value {
    json!({"kind": "carriage_in", "on": "2026-01-06", "cost": "85.00", "supplier_vat": "17.00", "invoice_no": "C 1180"})
}

async fn ledger(shop: &Shop, stock_no: i64) -> Vec<(String, String, String)> {
    let path = format!("/v1/engines/{stock_no}/costs?limit=200");
    let page = shop.get(&path).await.ok();
    let lines = page.body["items"].as_array().expect("items").iter();
    lines
        .map(|line| {
            (
                text(&line["kind"]),
                text(&line["cost"]),
                text(&line["worth"]),
            )
        })
        .collect()
}

fn line(kind: &str, cost: &str, worth: &str) -> (String, String, String) {
    (kind.to_owned(), cost.to_owned(), worth.to_owned())
}

/// Hours at the two rates of the day, to the penny, a half away from 0: 3.25 x 18.50 = 60.125 and 1.5 x 20.00.
#[actix_web::test]
async fn purchase_hours_and_parts_reach_the_ledger_without_being_entered_twice() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    for (from, book, worth) in [
        ("2026-01-01", "18.50", "32.00"),
        ("2026-03-10", "20.00", "35.00"),
    ] {
        let rate = json!({"fitter": "Edda Morlock", "from": from, "cost_rate": book, "recovery_rate": worth});
        shop.post("/v1/hour-rates", &rate).await.created();
        shop.post("/v1/hour-rates", &rate).await.refused("conflict");
    }
    let job = shop.has_job_started(stock_no, &["other"], &[]).await;
    for (on, fitter, hours) in [
        ("2026-03-09", "Edda Morlock", "3.25"),
        ("2026-03-10", "Edda Morlock", "1.5"),
        ("2026-03-11", "Nobody's rate", "2"),
    ] {
        let hours = json!({"on": on, "fitter": fitter, "hours": hours});
        shop.post(&format!("{job}/hours"), &hours).await.created();
    }
    let parts =
        json!({"on": "2026-03-12", "description": "ratchet wheel and pawl", "cost": "18.40"});
    shop.post(&format!("{job}/parts"), &parts).await.created();
    let costs = format!("/v1/engines/{stock_no}/costs");
    let entered = shop.post(&costs, &carriage()).await.created();
    assert_eq!(shop.get(&entered.location()).await.ok().body, entered.body);
    assert_eq!(entered.body["entered_by"], "the proprietor");
    assert_eq!(
        ledger(&shop, stock_no).await,
        [
            line("purchase", "4200.00", "4200.00"),
            line("carriage_in", "85.00", "85.00"),
            line("work", "60.13", "104.00"),
            line("work", "30.00", "52.50"),
            line("work", "0.00", "0.00"),
            line("parts", "18.40", "18.40"),
        ]
    );
    let first = shop.get(&format!("{costs}?limit=4")).await.ok();
    let next = text(&first.body["next"]);
    let rest = shop.get(&next).await.ok();
    assert_eq!(rest.body["items"].as_array().map(Vec::len), Some(2));
}

#[actix_web::test]
async fn a_wrong_cost_is_reversed_once_and_stays_visible() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let costs = format!("/v1/engines/{stock_no}/costs");
    let wrong = shop.post(&costs, &carriage()).await.created().location();
    let reversals = format!("{wrong}/reversals");
    shop.post(&reversals, &json!({"on": "2026-01-05"}))
        .await
        .invalid_at("/on");
    let reversal = shop
        .post(&reversals, &json!({"notes": "entered twice"}))
        .await;
    let reversal = reversal.created();
    let value_of = |member: &str| reversal.body[member].clone();
    assert_eq!(value_of("cost"), "-85.00");
    assert_eq!(value_of("supplier_vat"), "-17.00");
    assert_eq!(value_of("on"), crate::harness::TODAY);
    shop.post(&reversals, &json!({})).await.refused("conflict");
    shop.post(&format!("{}/reversals", reversal.location()), &json!({}))
        .await
        .refused("conflict");
    let of_engine = shop.journal_of(stock_no).await;
    assert_eq!(
        of_engine,
        ["engine.acquired", "cost.created", "cost.reversed"]
    );
}

#[actix_web::test]
async fn a_body_that_is_no_cost_is_refused_and_leaves_no_trace() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let costs = format!("/v1/engines/{stock_no}/costs");
    for (change, pointer) in [
        (json!({"kind": "purchase"}), "/kind"),
        (json!({"kind": "work"}), "/kind"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "2026-01-04"}), "/on"),
        (json!({"cost": "-0.01"}), "/cost"),
        (json!({"cost": "0.001"}), "/cost"),
        (json!({"supplier_vat": "-1.00"}), "/supplier_vat"),
        (json!({"person_id": 999}), "/person_id"),
    ] {
        shop.post(&costs, &with(carriage(), &change))
            .await
            .invalid_at(pointer);
    }
    shop.post("/v1/engines/999/costs", &carriage())
        .await
        .refused("not_found");
    for role in [Role::Seller, Role::Fitter, Role::Website] {
        let read = shop.request(Method::GET, &costs).by(&shop, role);
        read.send().await.refused("forbidden");
    }
    assert_eq!(shop.journal_of(stock_no).await, ["engine.acquired"]);
}

#[actix_web::test]
async fn nothing_is_dated_in_a_closed_period_and_corrections_fall_in_the_open_one() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let job = shop.has_job_started(stock_no, &["other"], &[]).await;
    let hours = json!({"on": "2026-03-31", "fitter": "Edda Morlock", "hours": "2"});
    let booked = shop.post(&format!("{job}/hours"), &hours).await.created();
    let costs = format!("/v1/engines/{stock_no}/costs");
    let old = shop.post(&costs, &carriage()).await.created().location();

    let periods = "/v1/tax-periods";
    let first = json!({"from": "2026-01-01", "until": "2026-03-31"});
    for (change, pointer) in [
        (json!({"until": "2025-12-31"}), "/until"),
        (json!({"until": "2026-05-14"}), "/until"),
    ] {
        shop.post(periods, &with(first.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    let closed = shop.post(periods, &first).await.created();
    assert_eq!(shop.get(&closed.location()).await.ok().body, closed.body);
    let gap = json!({"from": "2026-04-02", "until": "2026-04-30"});
    shop.post(periods, &gap).await.invalid_at("/from");

    let in_closed = with(carriage(), &json!({"on": "2026-03-31"}));
    let refused = shop.post(&costs, &in_closed).await.refused("conflict");
    assert!(
        text(&refused.body["detail"]).contains("1 April 2026"),
        "{}",
        refused.text
    );
    let in_open = with(carriage(), &json!({"on": "2026-04-01"}));
    shop.post(&costs, &in_open).await.created();
    shop.post("/v1/acquisitions", &acquisition(&engine()))
        .await
        .refused("conflict");
    let buyer = shop.post("/v1/persons", &crate::make::person()).await;
    let sale = json!({"on": "2026-03-31", "price": "7600.00", "person_id": buyer.created().id()});
    shop.post(&format!("/v1/engines/{stock_no}/sales"), &sale)
        .await
        .refused("conflict");
    shop.post(&format!("{job}/hours"), &hours)
        .await
        .refused("conflict");
    let rate = json!({"fitter": "Edda Morlock", "from": "2026-03-31", "cost_rate": "1.00", "recovery_rate": "1.00"});
    shop.post("/v1/hour-rates", &rate).await.refused("conflict");

    let early = json!({"on": "2026-03-31"});
    shop.post(&format!("{old}/reversals"), &early)
        .await
        .refused("conflict");
    shop.post(&format!("{old}/reversals"), &json!({}))
        .await
        .created();
    let wrong = json!({"hours_id": booked.body["hours"][0]["id"]});
    let reversed = shop
        .post(&format!("{job}/reversals"), &wrong)
        .await
        .created();
    assert_eq!(reversed.body["hours"][1]["on"], "2026-04-01");
}

/// The margin scheme taxes a sixth of the margin at 20% (gov.uk, "VAT margin schemes"): 7680.00 - 280.00 - 6000.00 -
/// 500.00 leaves 900.00, and 6600.00 - 100.00 leaves the amount spent.
#[actix_web::test]
async fn the_break_even_price_and_the_profit_follow_from_the_ledger() {
    let shop = Shop::open().await;
    let bought = with(acquisition(&engine()), &json!({"price": "6000.00"}));
    let bought = shop.post("/v1/acquisitions", &bought).await.created();
    let stock_no = bought.body["stock_no"].as_i64().expect("a number");
    let carriage = with(carriage(), &json!({"cost": "500.00"}));
    shop.post(&format!("/v1/engines/{stock_no}/costs"), &carriage)
        .await
        .created();
    let path = format!("/v1/engines/{stock_no}/margins");
    let money = shop.get(&format!("{path}?offer=7680.00")).await.ok().body;
    assert_eq!(money["tax_position"], "margin_scheme");
    assert_eq!(money["rate_percent"], "20");
    assert_eq!(
        (&money["purchase"], &money["ledger"]["cost"]),
        (&json!("6000.00"), &json!("6500.00"))
    );
    assert_eq!(
        money["ledger"]["supplier_vat"], "17.00",
        "it is recovered, and is no cost"
    );
    assert_eq!(money["break_even_price"], "6600.00");
    assert_eq!(
        money["at_offer"],
        json!({"price": "7680.00", "tax": "280.00", "selling_cost": "0.00", "profit": "900.00"})
    );
    assert_eq!(money["at_asking_price"], Value::Null);
    assert_eq!(
        money["warnings"],
        json!(["No valuation is on record.", "No asking price is set."])
    );
    shop.get(&format!("{path}?offer=-1.00"))
        .await
        .refused("invalid_query");
    shop.get("/v1/engines/999/margins")
        .await
        .refused("not_found");
}

#[actix_web::test]
async fn the_cost_of_open_jobs_raises_the_break_even_price() {
    let shop = Shop::open().await;
    let without_tax = json!({"price": "1000.00", "tax_position": "not_registered"});
    let bought = with(acquisition(&engine()), &without_tax);
    let bought = shop.post("/v1/acquisitions", &bought).await.created();
    let stock_no = bought.body["stock_no"].as_i64().expect("a number");
    for (from, worth) in [("2026-01-01", "40.00"), ("2026-03-01", "32.00")] {
        let rate = json!({"fitter": "Edda Morlock", "from": from, "cost_rate": "0.00", "recovery_rate": worth});
        shop.post("/v1/hour-rates", &rate).await.created();
    }
    let job = shop.has_job_started(stock_no, &["motion"], &[]).await;
    shop.patch(
        &job,
        &json!({"hours_agreed": "10", "outside_work": "150.00"}),
    )
    .await
    .ok();
    let hours = json!({"on": "2026-03-09", "fitter": "Edda Morlock", "hours": "4"});
    shop.post(&format!("{job}/hours"), &hours).await.created();
    let outside = json!({"kind": "outside_work", "on": "2026-03-10", "cost": "100.00"});
    shop.post(&format!("/v1/engines/{stock_no}/costs"), &outside)
        .await
        .created();
    let money = shop
        .get(&format!("/v1/engines/{stock_no}/margins"))
        .await
        .ok();
    // 6 h x 32.00 and 50.00 of the outside work are to come; 4 h x 32.00 and 100.00 are spent.
    assert_eq!(
        money.body["cost_to_come"],
        json!({"hours": "6", "work": "192.00", "parts": "0.00", "outside_work": "50.00", "test_fees": "0.00", "amount": "242.00"})
    );
    assert_eq!(
        money.body["ledger"]["cost"], "1100.00",
        "own hours are not a stock cost"
    );
    assert_eq!(money.body["ledger"]["worth"], "1228.00");
    assert_eq!(money.body["break_even_price"], "1470.00");
    assert_eq!(money.body["rate_percent"], "0");
}

#[actix_web::test]
async fn a_seller_sees_the_break_even_price_and_never_the_purchase_price() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let ask = async |role: Role| {
        let path = format!("/v1/engines/{stock_no}/margins");
        shop.request(Method::GET, &path)
            .by(&shop, role)
            .send()
            .await
    };
    let whole = ask(Role::Bookkeeper).await.ok().body;
    let mut expected = whole.clone();
    for hidden in [
        "tax_position",
        "scheme",
        "rate_percent",
        "purchase",
        "ledger",
        "cost_to_come",
        "hours_to_come",
    ] {
        assert_ne!(whole[hidden], json!(null), "{hidden}");
        expected[hidden] = json!(null);
    }
    assert_eq!(expected["break_even_price"], "4200.00");
    assert_eq!(ask(Role::Seller).await.ok().body, expected);
    for role in [Role::Fitter, Role::Website] {
        ask(role).await.refused("forbidden");
    }
}

/// Half of the predicted prices are above 6200.00 and a tenth above 6200.00 x 1.25 (normal quantiles, published
/// tables).
#[actix_web::test]
async fn the_chance_of_breaking_even_is_estimated_from_the_last_valuation() {
    let shop = Shop::open().await;
    shop.has_written(&[]).await;
    let without_tax = json!({"price": "6200.00", "tax_position": "not_registered"});
    let bought = with(acquisition(&engine()), &without_tax);
    let bought = shop.post("/v1/acquisitions", &bought).await.created();
    let stock_no = bought.body["stock_no"].as_i64().expect("a number");
    let path = format!("/v1/engines/{stock_no}/margins");
    let chance = async || shop.get(&path).await.ok().body["chance_above_break_even"].clone();
    assert_eq!(chance().await, Value::Null, "without a valuation");
    shop.post(&format!("/v1/engines/{stock_no}/valuations"), &json!({}))
        .await
        .created();
    assert_eq!(chance().await, "0.5000");
    let carriage = json!({"kind": "carriage_in", "on": "2026-01-06", "cost": "1550.00"});
    shop.post(&format!("/v1/engines/{stock_no}/costs"), &carriage)
        .await
        .created();
    assert_eq!(chance().await, "0.1000");
    // A later price scale does not change the prediction.
    shop.set_day("2026-05-20");
    let dearer = crate::pricing::price_scale::price_scale("2026-05-20", "9000.00", &[]);
    shop.post("/v1/price-scale/versions", &dearer)
        .await
        .created();
    assert_eq!(chance().await, "0.1000");
}

/// 8% of 5400.00 is 432.00 with 86.40 of tax on it, and 382.00 after costs of 50.00; 8% of 624.94 is 49.9952, half up
/// 50.00.
#[actix_web::test]
async fn an_engine_on_commission_brings_in_its_commission_and_not_its_price() {
    let shop = Shop::open().await;
    let on_commission = |terms: Value| {
        let came = json!({"engine": engine(), "method": "commission", "on": "2026-01-05", "tax_position": "commission_in_owners_name"});
        with(came, &terms)
    };
    let carriage = json!({"kind": "carriage_in", "on": "2026-01-06", "cost": "50.00"});
    for (terms, break_even, left) in [
        (
            json!({"commission_percent": "8"}),
            json!("624.94"),
            json!("382.00"),
        ),
        (
            json!({"commission_fixed": "50.00"}),
            json!("0.00"),
            json!("0.00"),
        ),
        (
            json!({"commission_fixed": "49.99"}),
            Value::Null,
            json!("-0.01"),
        ),
    ] {
        let came = shop
            .post("/v1/acquisitions", &on_commission(terms))
            .await
            .created();
        let stock_no = &came.body["stock_no"];
        shop.post(&format!("/v1/engines/{stock_no}/costs"), &carriage)
            .await
            .created();
        let money = shop
            .get(&format!("/v1/engines/{stock_no}/margins?offer=5400.00"))
            .await
            .ok();
        assert_eq!(money.body["break_even_price"], break_even);
        assert_eq!(money.body["at_offer"]["profit"], left);
        assert_eq!(money.body["purchase"], Value::Null);
    }
}
