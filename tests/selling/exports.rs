//! Exports: tax on an engine that leaves the country.
//!
//! Sources: HMRC manuals VATMARG07000, VEXP20300, VEXP30300 (published); the sums of tax by hand: a sixth of 4950.00 - 3200.00 is 291.67.

use crate::{
    harness::{Shop, text},
    make::{acquisition, engine, person, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

/// Bought for 3200.00 and sold for 4950.00 on that day to a buyer abroad, who paid in full on it: stock number and sale.
async fn sold_abroad(shop: &Shop, on: &str, change: &Value) -> (i64, i64) {
    let came = json!({"on": "2025-10-01", "price": "3200.00"});
    let came = with(with(acquisition(&engine()), &came), change);
    let came = shop.post("/v1/acquisitions", &came).await.created();
    let stock_no = came.body["stock_no"].as_i64().expect("a number");
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let price = if came.body["price"] == "5000.00" {
        "4600.00"
    } else {
        "4950.00"
    };
    let sale = json!({"on": on, "price": price, "person_id": buyer, "buyer_abroad": true,
        "below_break_even_confirmed": true});
    let path = format!("/v1/engines/{stock_no}/sales");
    let sale = shop.post(&path, &sale).await.created().id();
    let payment = json!({"on": on, "amount": price, "method": "transfer"});
    shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
        .await
        .created();
    (stock_no, sale)
}

async fn export(shop: &Shop, sale: i64, change: Value) -> String {
    let export = with(json!({"destination": "CH", "method": "carrier"}), &change);
    let path = format!("/v1/sales/{sale}/exports");
    shop.post(&path, &export).await.created().location()
}

fn proved(on: &str) -> Value {
    json!({"left_on": "2026-01-20", "evidence": "customs declaration", "evidence_on": on})
}

/// The tax of the stock book in the quarters to December, March and June.
async fn quarters(shop: &Shop) -> [String; 3] {
    let mut told = Vec::new();
    for span in [
        "from=2025-10-01&to=2025-12-31",
        "from=2026-01-01&to=2026-03-31",
        "from=2026-04-01&to=2026-06-30",
    ] {
        let sums = shop
            .get(&format!("/v1/stock-book/totals?{span}"))
            .await
            .ok();
        let tax = text(&sums.body["items"][0]["tax"]);
        let trial = shop
            .get(&format!("/v1/accounts-entries/trial?{span}"))
            .await
            .ok();
        let accounts = trial.body["accounts"].as_array().expect("accounts").clone();
        let booked = accounts.iter().find(|sum| sum["account"] == "tax_on_sales");
        let booked = booked.map_or(0, |sum| {
            let pennies = |side: &str| {
                let money: outshop_core::money::Money = text(&sum[side]).parse().expect("money");
                money.pennies()
            };
            pennies("credit") - pennies("debit")
        });
        let booked = outshop_core::money::Money::from_pennies(booked).expect("money");
        assert_eq!(
            booked.to_string(),
            tax,
            "the accounts agree with the stock book: {span}"
        );
        told.push(tax);
    }
    told.try_into().expect("three")
}

#[actix_web::test]
async fn a_direct_export_that_is_proved_in_time_is_free_of_tax() {
    let shop = Shop::open().await;
    shop.set_day("2026-07-01");
    let (_, sale) = sold_abroad(&shop, "2026-01-15", &json!({})).await;
    assert_eq!(
        quarters(&shop).await,
        ["0.00", "291.67", "0.00"],
        "before it is an export"
    );
    let made = export(&shop, sale, proved("2026-04-15")).await;
    let told = shop.get(&made).await.ok().body;
    assert_eq!(
        ["supply_on", "limit_on", "status", "tax_at_home"].map(|name| text(&told[name])),
        ["2026-01-15", "2026-04-15", "zero_rated", "291.67"],
        "EX-1"
    );
    assert_eq!(
        [&told["direct"], &told["deposit"]],
        [&json!(true), &Value::Null]
    );
    assert_eq!(quarters(&shop).await, ["0.00", "0.00", "0.00"], "EX-1");
    let book = shop
        .get("/v1/stock-book?from=2026-01-01&to=2026-03-31")
        .await
        .ok();
    let line = &book.body["items"][0];
    assert_eq!(
        ["price", "margin", "tax"].map(|name| text(&line[name])),
        ["4950.00", "1750.00", "0.00"],
        "sale filled, margin shown, no tax"
    );
    let invoice = shop
        .get(&format!("/v1/sales/{sale}/invoice"))
        .await
        .ok()
        .body;
    assert_eq!(
        invoice["export"],
        json!({"destination": "CH", "zero_rated": true, "wording": "zero-rated export"})
    );
    assert_eq!(
        [&invoice["tax"], &invoice["wording"]],
        [&Value::Null, &json!("Margin scheme - Second-hand goods")]
    );
}

#[actix_web::test]
async fn the_tax_of_an_export_falls_due_when_the_limit_passes_and_is_taken_back() {
    let shop = Shop::open().await;

    // The tax falls due on the day after the limit, not on its last day.
    shop.set_day("2026-03-10");
    let (_, sale) = sold_abroad(&shop, "2025-12-10", &json!({})).await;
    let made = export(&shop, sale, json!({})).await;
    assert_eq!(
        quarters(&shop).await,
        ["0.00", "0.00", "0.00"],
        "the last day"
    );
    shop.set_day("2026-03-11");
    assert_eq!(
        quarters(&shop).await,
        ["0.00", "291.67", "0.00"],
        "EX-3: it passed"
    );

    // Evidence that comes later takes the tax back, in its own quarter and with a line of its own.
    shop.set_day("2026-07-01");
    shop.patch(&made, &proved("2026-04-02")).await.ok();
    assert_eq!(quarters(&shop).await, ["0.00", "291.67", "-291.67"], "EX-3");
    let told = shop.get(&made).await.ok().body;
    assert_eq!(
        ["status", "tax_due_on", "tax_taken_back_on"].map(|name| text(&told[name])),
        ["taken_back", "2026-03-10", "2026-04-02"]
    );
    let late = shop
        .get("/v1/stock-book?from=2026-04-01&to=2026-06-30")
        .await
        .ok();
    assert_eq!(
        late.body["items"][0]["late_tax"], "291.67",
        "its line is there again"
    );

    // The accounts have the tax and its return.
    let lines = shop
        .get("/v1/accounts-entries?from=2026-01-01&to=2026-06-30")
        .await
        .ok();
    let lines = lines.body["items"].as_array().expect("lines").clone();
    let of_export = lines
        .iter()
        .filter(|line| line["source"] == "export_tax")
        .count();
    assert_eq!(of_export, 4, "two lines each");

    // If the engine was used here first, the tax stays.
    shop.patch(&made, &json!({"used_before_leaving": true}))
        .await
        .ok();
    assert_eq!(
        quarters(&shop).await,
        ["0.00", "291.67", "0.00"],
        "steamed here first: it stays"
    );

    // A closed tax period is never changed: what would change it is refused, and the rest goes into the next.
    let period = json!({"from": "2025-10-01", "until": "2026-03-31"});
    shop.post("/v1/tax-periods", &period).await.created();
    shop.patch(&made, &json!({"evidence_on": "2026-03-09"}))
        .await
        .refused("conflict");
    shop.patch(&made, &json!({"method": "collected_by_private_buyer"}))
        .await
        .refused("conflict");
    shop.patch(&made, &json!({"used_before_leaving": false}))
        .await
        .ok();
    let june = shop
        .get("/v1/stock-book/totals?from=2026-04-01&to=2026-06-30")
        .await
        .ok();
    assert_eq!(june.body["items"][0]["tax"], "-291.67");

    // The evidence of another export cannot fall into the closed period either.
    let other = sold_abroad(&shop, "2026-04-01", &json!({"on": "2026-04-01"}))
        .await
        .1;
    let early = with(
        json!({"destination": "CH", "method": "post"}),
        &proved("2026-03-31"),
    );
    let path = format!("/v1/sales/{other}/exports");
    shop.post(&path, &with(early, &json!({"left_on": null})))
        .await
        .refused("conflict");
    assert!(shop.journal().await.contains(&"export.changed".to_owned()));
}

#[actix_web::test]
async fn late_by_a_day_it_is_taxed_and_taken_back_in_one_quarter() {
    let shop = Shop::open().await;
    shop.set_day("2026-07-01");
    let (_, sale) = sold_abroad(&shop, "2026-01-15", &json!({})).await;
    let made = export(&shop, sale, proved("2026-04-16")).await;
    assert_eq!(
        quarters(&shop).await,
        ["0.00", "0.00", "0.00"],
        "EX-2: net of both"
    );
    let told = shop.get(&made).await.ok().body;
    assert!(
        told["warnings"].to_string().contains("fell due"),
        "told as late: {told}"
    );
    shop.patch(&made, &json!({"evidence": null, "evidence_on": null}))
        .await
        .ok();
    assert_eq!(quarters(&shop).await, ["0.00", "0.00", "291.67"]);
    let off = json!({"on": "2026-06-30", "reason": "agreed"});
    shop.post(&format!("/v1/sales/{sale}/cancellation"), &off)
        .await
        .created();
    assert_eq!(
        quarters(&shop).await,
        ["0.00", "0.00", "0.00"],
        "the sale is cancelled, and so is its tax"
    );
}

#[actix_web::test]
async fn who_collects_decides() {
    let shop = Shop::open().await;
    shop.set_day("2026-07-01");
    let (_, private) = sold_abroad(&shop, "2026-01-15", &json!({})).await;
    export(
        &shop,
        private,
        with(
            proved("2026-01-25"),
            &json!({"destination": "DE", "method": "collected_by_private_buyer"}),
        ),
    )
    .await;
    assert_eq!(quarters(&shop).await, ["0.00", "291.67", "0.00"], "EX-6");

    let shop = Shop::open().await;
    shop.set_day("2026-07-01");
    let (_, dealer) = sold_abroad(&shop, "2026-01-15", &json!({})).await;
    let made = export(
        &shop,
        dealer,
        with(
            proved("2026-01-25"),
            &json!({"destination": "DE", "method": "collected_by_overseas_business"}),
        ),
    )
    .await;
    assert_eq!(quarters(&shop).await, ["0.00", "0.00", "0.00"], "EX-7");
    assert_eq!(shop.get(&made).await.ok().body["deposit"], "291.67", "EX-7");

    let shop = Shop::open().await;
    shop.set_day("2026-07-01");
    let loss = sold_abroad(&shop, "2026-01-15", &json!({"price": "5000.00"}))
        .await
        .1;
    export(&shop, loss, json!({})).await;
    assert_eq!(quarters(&shop).await, ["0.00", "0.00", "0.00"], "EX-8");
}

/// EX-9: the owner gets 4500.00 of 5000.00: 416.67 of commission and 83.33 of tax on it.
#[actix_web::test]
async fn an_engine_on_commission_in_the_firms_own_name_is_free_of_tax_too() {
    for (abroad, tax) in [(false, "83.33"), (true, "0.00")] {
        let shop = Shop::open().await;
        shop.set_day("2026-07-01");
        let terms = json!({"engine": engine(), "method": "commission", "on": "2026-01-05", "tax_position": "commission_in_own_name",
            "commission_fixed": "416.67"});
        let came = shop.post("/v1/acquisitions", &terms).await.created();
        let buyer = shop.post("/v1/persons", &person()).await.created().id();
        let sale = json!({"on": "2026-01-15", "price": "5000.00", "person_id": buyer, "buyer_abroad": abroad});
        let path = format!("/v1/engines/{}/sales", came.body["stock_no"]);
        let sale = shop.post(&path, &sale).await.created().id();
        let payment = json!({"on": "2026-01-15", "amount": "5000.00", "method": "transfer"});
        shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
        if abroad {
            export(&shop, sale, proved("2026-02-01")).await;
        }
        assert_eq!(quarters(&shop).await, ["0.00", tax, "0.00"], "EX-9");
    }
}

#[actix_web::test]
async fn a_sale_that_is_not_an_export_is_refused() {
    let shop = Shop::open().await;
    shop.set_day("2026-07-01");
    let (_, sale) = sold_abroad(&shop, "2026-01-15", &json!({})).await;
    let path = format!("/v1/sales/{sale}/exports");
    let new = json!({"destination": "CH", "method": "own_van"});
    for (change, pointer) in [
        (json!({"destination": "GB"}), "/destination"),
        (json!({"destination": "IM"}), "/destination"),
        (json!({"left_on": "2026-01-14"}), "/left_on"),
        (json!({"left_on": "2026-07-02"}), "/left_on"),
        (json!({"evidence": "waybill"}), "/evidence_on"),
        (json!({"evidence_on": "2026-02-01"}), "/evidence"),
        (json!({"method": "balloon"}), "/method"),
    ] {
        shop.post(&path, &with(new.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    let by_seller = shop.request(Method::POST, &path).by(&shop, Role::Seller);
    by_seller
        .once()
        .json(&new)
        .send()
        .await
        .refused("forbidden");
    shop.patch(
        &format!("/v1/sales/{sale}"),
        &json!({"buyer_abroad": false}),
    )
    .await
    .ok();
    shop.post(&path, &new).await.refused("conflict");
    shop.patch(&format!("/v1/sales/{sale}"), &json!({"buyer_abroad": true}))
        .await
        .ok();
    let made = shop.post(&path, &new).await.created();
    assert_eq!(shop.get(&made.location()).await.ok().body, made.body);
    shop.post(&path, &new).await.refused("conflict");
    let listed = shop.get("/v1/exports").await.ok().body;
    assert_eq!(listed["items"], json!([made.body]));
    shop.get("/v1/exports/999").await.refused("not_found");
    shop.post("/v1/sales/999/exports", &new)
        .await
        .refused("not_found");
}
