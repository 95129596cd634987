//! The cost ledger of an engine, the rates of its hours, and the tax periods that shut it.

use crate::{
    make::{acquisition, engine, with},
    shop::{Shop, text},
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

/// Hours at the two rates of the day, to the penny, a half away from nought: 3.25 x 18.50 = 60.125 and 1.5 x 20.00.
#[actix_web::test]
async fn purchase_hours_and_parts_flow_into_the_ledger_without_being_typed_twice() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    for (from, book, worth) in [
        ("2026-01-01", "18.50", "32.00"),
        ("2026-03-10", "20.00", "35.00"),
    ] {
        let rate =
            json!({"fitter": "Edda Morlock", "from": from, "book_rate": book, "worth_rate": worth});
        shop.post("/v1/hour-rates", &rate).await.created();
    }
    let job = shop.has_job_in_hand(stock_no, &["other"], &[]).await;
    for (on, fitter, hours) in [
        ("2026-03-09", "Edda Morlock", "3.25"),
        ("2026-03-10", "Edda Morlock", "1.5"),
        ("2026-03-11", "Nobody's rate", "2"),
    ] {
        let hours = json!({"on": on, "fitter": fitter, "hours": hours});
        shop.post(&format!("{job}/hours"), &hours).await.created();
    }
    let parts = json!({"on": "2026-03-12", "words": "injector cones", "cost": "18.40"});
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
async fn a_wrong_cost_is_reversed_once_and_stays_to_be_seen() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let costs = format!("/v1/engines/{stock_no}/costs");
    let wrong = shop.post(&costs, &carriage()).await.created().location();
    let reversals = format!("{wrong}/reversals");
    shop.post(&reversals, &json!({"on": "2026-01-05"}))
        .await
        .invalid_at("/on");
    let reversal = shop
        .post(&reversals, &json!({"note": "entered twice"}))
        .await;
    let reversal = reversal.created();
    let told = |member: &str| reversal.body[member].clone();
    assert_eq!(told("cost"), "-85.00");
    assert_eq!(told("supplier_vat"), "-17.00");
    assert_eq!(told("on"), crate::shop::TODAY);
    shop.post(&reversals, &json!({})).await.refused("conflict");
    shop.post(&format!("{}/reversals", reversal.location()), &json!({}))
        .await
        .refused("conflict");
    let of_engine = shop.journal_of(stock_no).await;
    assert_eq!(
        of_engine,
        ["engine.acquired", "cost.entered", "cost.reversed"]
    );
}

#[actix_web::test]
async fn what_is_no_cost_of_the_engine_is_refused_and_leaves_no_trace() {
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
    let job = shop.has_job_in_hand(stock_no, &["other"], &[]).await;
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
        text(&refused.body["detail"]).contains("2026-04-01"),
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
    let rate = json!({"fitter": "Edda Morlock", "from": "2026-03-31", "book_rate": "1.00", "worth_rate": "1.00"});
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
