//! The cash rule: linked cash is reported before the payment.
//!
//! HMRC, high value dealers (published); the limit in pounds from 30 June 2026 as reported. That both directions of one
//! trade count together: from memory.

use crate::{
    harness::{Answer, Shop, text},
    make::{acquisition, engine, person, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

const DAY: &str = "2026-07-01";

async fn ask(shop: &Shop, question: Value) -> Value {
    shop.post("/v1/calculations/cash-rule", &question)
        .await
        .ok()
        .body
}

impl Shop {
    /// A sale for 20000.00 on that day, of one of the firm's own engines or of one on commission.
    async fn has_sold_dear(&self, acquisition: &Value, on: &str) -> i64 {
        let came = self.post("/v1/acquisitions", acquisition).await.created();
        let buyer = self.post("/v1/persons", &person()).await.created().id();
        let sale = json!({"on": on, "price": "20000.00", "person_id": buyer});
        let path = format!("/v1/engines/{}/sales", came.body["stock_no"]);
        self.post(&path, &sale).await.created().id()
    }

    async fn is_paid(&self, sale: i64, amount: &str, change: &Value) -> Answer {
        let payment = json!({"on": DAY, "amount": amount, "method": "cash"});
        self.post(
            &format!("/v1/sales/{sale}/payments"),
            &with(payment, change),
        )
        .await
    }
}

#[actix_web::test]
async fn a_planned_payment_is_checked_and_nothing_is_stored() {
    let shop = Shop::open().await;
    for (question, result, cash) in [
        (
            json!({"amount": "4500.00", "cash_so_far": "6000.00"}),
            "reaches",
            "10500.00",
        ),
        (json!({"amount": "9999.00"}), "below", "9999.00"),
        (json!({"amount": "9999.99"}), "below", "9999.99"),
        (json!({"amount": "10000.00"}), "reaches", "10000.00"),
        (json!({"amount": "-10000.00"}), "reaches", "10000.00"),
        (
            json!({"amount": "8000.00", "method": "card", "cash_so_far": "4000.00"}),
            "below",
            "4000.00",
        ),
        (
            json!({"amount": "6000.00", "method": "transfer", "notes_into_bank": true, "cash_so_far": "4000.00"}),
            "reaches",
            "10000.00",
        ),
    ] {
        let answer = ask(&shop, with(question.clone(), &json!({"on": DAY}))).await;
        assert_eq!(
            (&answer["result"], &answer["cash"]),
            (&json!(result), &json!(cash)),
            "{question}"
        );
        assert_eq!(
            (&answer["limit"], &answer["limit_currency"]),
            (&json!("10000"), &json!("GBP"))
        );
        assert_eq!(answer["confidence"], "low_confidence");
        assert!(
            answer["cautions"]
                .as_array()
                .is_some_and(|it| it.len() >= 2),
            "{answer}"
        );
    }
    let last_day_in_euros = ask(&shop, json!({"amount": "1.00", "on": "2026-06-29"})).await;
    assert_eq!(last_day_in_euros["result"], "exchange_row_missing");
    let first_in_pounds = ask(&shop, json!({"amount": "1.00", "on": "2026-06-30"})).await;
    assert_eq!(first_in_pounds["result"], "below");
    for (question, pointer) in [
        (json!({"amount": "0.00"}), "/amount"),
        (json!({"amount": "1.001"}), "/amount"),
        (
            json!({"amount": "1.00", "cash_so_far": "-0.01"}),
            "/cash_so_far",
        ),
        (json!({"amount": "1.00", "sale_id": 999}), "/sale_id"),
    ] {
        shop.post("/v1/calculations/cash-rule", &question)
            .await
            .invalid_at(pointer);
    }
    assert_eq!(shop.journal().await, [""; 0]);
}

#[actix_web::test]
async fn a_payment_that_reaches_the_limit_is_refused_unless_the_proprietor_acknowledges_it() {
    let shop = Shop::open().await;
    shop.set_day(DAY);
    let sale = shop.has_sold_dear(&acquisition(&engine()), DAY).await;
    shop.is_paid(sale, "6000.00", &json!({})).await.created();
    let linked = ask(&shop, json!({"amount": "4500.00", "sale_id": sale})).await;
    assert_eq!(
        (&linked["result"], &linked["cash"]),
        (&json!("reaches"), &json!("10500.00"))
    );
    let refused = shop
        .is_paid(sale, "4500.00", &json!({}))
        .await
        .refused("conflict");
    for word in [
        "10000 GBP",
        "amending regulations of 2026",
        "cash_limit_acknowledged",
    ] {
        assert!(refused.text.contains(word), "{}", refused.text);
    }
    shop.is_paid(sale, "3999.99", &json!({})).await.created();
    shop.is_paid(sale, "0.01", &json!({}))
        .await
        .refused("conflict");
    shop.is_paid(sale, "8000.00", &json!({"method": "card"}))
        .await
        .created();
    let known = json!({"cash_limit_acknowledged": true});
    let by_seller =
        json!({"on": DAY, "amount": "0.01", "method": "cash", "cash_limit_acknowledged": true});
    shop.request(Method::POST, &format!("/v1/sales/{sale}/payments"))
        .by(&shop, Role::Seller)
        .once()
        .json(&by_seller)
        .send()
        .await
        .invalid_at("/cash_limit_acknowledged");
    shop.is_paid(sale, "0.01", &known).await.created();
    // Cash paid back counts as well as cash received.
    shop.is_paid(sale, "-1.00", &json!({}))
        .await
        .refused("conflict");
    let journal = shop.get("/v1/journal?limit=500").await.ok().body;
    let last = journal["items"]
        .as_array()
        .and_then(|it| it.last())
        .expect("an entry");
    assert_eq!(last["data"]["cash_limit_acknowledged"], true);
}

#[actix_web::test]
async fn notes_paid_into_the_bank_are_cash() {
    let shop = Shop::open().await;
    shop.set_day(DAY);
    let sale = shop.has_sold_dear(&acquisition(&engine()), DAY).await;
    let notes = json!({"method": "transfer", "notes_into_bank": true});
    let paid = shop.is_paid(sale, "4000.00", &notes).await.created();
    assert_eq!(paid.body["notes_into_bank"], true);
    shop.is_paid(sale, "6000.00", &json!({}))
        .await
        .refused("conflict");
    shop.is_paid(sale, "6000.00", &notes)
        .await
        .refused("conflict");
    shop.is_paid(sale, "6000.00", &json!({"method": "transfer"}))
        .await
        .created();
    for method in ["card", "cheque", "cash"] {
        let wrong = json!({"method": method, "notes_into_bank": true});
        shop.is_paid(sale, "1.00", &wrong)
            .await
            .invalid_at("/notes_into_bank");
    }
}

#[actix_web::test]
async fn cash_paid_for_an_engine_or_to_an_owner_counts_too() {
    let shop = Shop::open().await;
    shop.set_day(DAY);
    let bought = |price: &str, change: Value| {
        let bought = json!({"on": DAY, "price": price, "paid_by": "cash"});
        with(with(acquisition(&engine()), &bought), &change)
    };
    let take = async |bought: Value| shop.post("/v1/acquisitions", &bought).await;
    let kept = take(bought("9999.99", json!({}))).await.created();
    assert_eq!(kept.body["paid_by"], "cash");
    take(bought("10000.00", json!({})))
        .await
        .refused("conflict");
    take(bought("10000.00", json!({"paid_by": "transfer"})))
        .await
        .created();
    take(bought("10000.00", json!({"cash_limit_acknowledged": true})))
        .await
        .created();
    take(bought("1.00", json!({"paid_by": "part_exchange"})))
        .await
        .invalid_at("/paid_by");

    let on_commission = json!({"engine": engine(), "method": "commission", "on": DAY,
        "tax_position": "commission_in_owners_name", "commission_percent": "10"});
    take(with(on_commission.clone(), &json!({"paid_by": "cash"})))
        .await
        .invalid_at("/paid_by");
    let sale = shop.has_sold_dear(&on_commission, DAY).await;
    shop.is_paid(sale, "6000.00", &json!({})).await.created();
    shop.is_paid(sale, "14000.00", &json!({"method": "card"}))
        .await
        .created();
    let payouts = format!("/v1/sales/{sale}/payouts");
    let payout = |amount: &str| json!({"on": DAY, "amount": amount, "method": "cash"});
    shop.post(&payouts, &payout("4000.00"))
        .await
        .refused("conflict");
    shop.post(&payouts, &payout("3999.99")).await.created();
}

/// 10000 EUR at 0.85 are 8500.00 GBP.
#[actix_web::test]
async fn a_limit_in_another_currency_needs_the_rate_of_the_day() {
    let shop = Shop::open().await;
    shop.set_day(DAY);
    let rate = json!({"currency": "EUR", "from": "2026-05-02", "worth": "0.85", "source": "the bank's letter"});
    for (change, pointer) in [
        (json!({"currency": "GBP"}), "/currency"),
        (json!({"currency": "percent"}), "/currency"),
        (json!({"worth": "0"}), "/worth"),
        (json!({"worth": 0.85}), "/worth"),
        (json!({"source": ""}), "/source"),
    ] {
        shop.post("/v1/exchange-rates", &with(rate.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    let sale = shop
        .has_sold_dear(&acquisition(&engine()), "2026-05-01")
        .await;
    let on = |day: &str| json!({"on": day});
    let refused = shop
        .is_paid(sale, "1.00", &on("2026-05-02"))
        .await
        .refused("conflict");
    assert!(
        refused.text.contains("/v1/exchange-rates"),
        "{}",
        refused.text
    );
    let set = shop.post("/v1/exchange-rates", &rate).await.created();
    assert_eq!(shop.get(&set.location()).await.ok().body, set.body);
    shop.post("/v1/exchange-rates", &rate)
        .await
        .refused("conflict");
    shop.get("/v1/exchange-rates/999")
        .await
        .refused("not_found");
    let list = shop.get("/v1/exchange-rates").await.ok().body;
    assert_eq!(list["items"], json!([set.body]));
    shop.is_paid(sale, "1.00", &on("2026-05-01"))
        .await
        .refused("conflict");
    shop.is_paid(sale, "8500.00", &on("2026-05-02"))
        .await
        .refused("conflict");
    shop.is_paid(sale, "8499.99", &on("2026-05-02"))
        .await
        .created();
    let answer = ask(
        &shop,
        json!({"amount": "0.01", "on": "2026-06-29", "sale_id": sale}),
    )
    .await;
    assert_eq!(text(&answer["result"]), "reaches");
}

/// Money Laundering Regulations 2017 reg. 14 as changed in 2026 ("made or received", in total): plain reading. CH-1,
/// CH-3, CH-4; that payments within 30 days are linked: common practice, no source.
#[actix_web::test]
async fn cash_of_one_person_is_added_up_within_the_days_of_the_rule() {
    let shop = Shop::open().await;
    shop.set_day("2026-09-01");
    let person = shop.post("/v1/persons", &person()).await.created().id();
    let bought = json!({"on": DAY, "price": "6000.00", "paid_by": "cash", "person_id": person});
    let bought = with(acquisition(&engine()), &bought);
    shop.post("/v1/acquisitions", &bought).await.created();
    let came = shop.post("/v1/acquisitions", &acquisition(&engine())).await;
    let sale = json!({"on": DAY, "price": "20000.00", "person_id": person});
    let path = format!("/v1/engines/{}/sales", came.created().body["stock_no"]);
    let sale = shop.post(&path, &sale).await.created().id();

    let of_person =
        |amount: &str, on: &str| json!({"amount": amount, "person_id": person, "on": on});
    for (amount, on, result, cash, other) in [
        ("3999.99", DAY, "below", "9999.99", "0.00"),
        ("4000.00", DAY, "reaches", "10000.00", "0.00"),
        ("4000.00", "2026-07-31", "reaches", "10000.00", "0.00"),
        ("4000.00", "2026-08-01", "below", "4000.00", "6000.00"),
    ] {
        let answer = ask(&shop, of_person(amount, on)).await;
        let members = ["result", "cash", "other_cash"].map(|name| text(&answer[name]));
        assert_eq!(members, [result, cash, other], "{amount} on {on}");
        assert_eq!(answer["linked_days"], 30);
        let asks = answer["cautions"]
            .to_string()
            .contains("Decide whether it is one trade");
        assert_eq!(asks, on == "2026-08-01", "{answer}");
    }
    let refused = shop.is_paid(sale, "4000.00", &json!({})).await;
    refused.refused("conflict");
    let later = json!({"on": "2026-08-01"});
    let paid = shop.is_paid(sale, "4000.00", &later).await.created();
    assert!(
        paid.body["warnings"].to_string().contains("6000.00"),
        "{}",
        paid.text
    );
    let card = json!({"method": "card", "on": "2026-08-01"});
    let paid = shop.is_paid(sale, "100.00", &card).await.created();
    assert_eq!(paid.body["warnings"], json!([]));

    for (amount, services, result) in [
        ("10500.00", "1500.00", "below"),
        ("10500.00", "500.00", "reaches"),
    ] {
        let question = json!({"amount": amount, "for_services": services, "on": DAY});
        assert_eq!(ask(&shop, question).await["result"], result, "{services}");
    }
    for (change, pointer) in [
        (json!({"for_services": "10.01"}), "/for_services"),
        (json!({"for_services": "-0.01"}), "/for_services"),
        (json!({"person_id": 999}), "/person_id"),
    ] {
        let question = with(json!({"amount": "10.00"}), &change);
        shop.post("/v1/calculations/cash-rule", &question)
            .await
            .invalid_at(pointer);
    }
    let days = json!({"jurisdiction": "GB", "rule": "cash_linked_days", "value": "90", "unit": "days", "from": "2026-07-15",
        "source": "the firm's own rule", "confidence": "common_practice"});
    shop.post("/v1/tax-rules", &days).await.created();
    let answer = ask(&shop, of_person("4000.00", "2026-08-01")).await;
    assert_eq!(answer["result"], "reaches", "by the firm's own rule");
}

/// Two purchases from one seller, and a supplier's goods and services. Plain reading: of goods with services only the
/// goods count.
#[actix_web::test]
async fn cash_paid_for_two_purchases_from_one_seller_is_linked() {
    let shop = Shop::open().await;
    shop.set_day(DAY);
    let seller = shop.post("/v1/persons", &person()).await.created().id();
    let bought = json!({"on": DAY, "price": "6000.00", "person_id": seller});
    let mut came = Vec::new();
    for _ in 0..2 {
        let engine = shop
            .post("/v1/acquisitions", &with(acquisition(&engine()), &bought))
            .await
            .created();
        came.push((engine.id(), engine.body["stock_no"].clone()));
    }
    let pay = async |change: Value| {
        let payment = json!({"on": DAY, "amount": "6000.00", "method": "cash"});
        shop.post("/v1/outgoing-payments", &with(payment, &change))
            .await
    };
    pay(json!({"acquisition_id": came[0].0})).await.created();
    pay(json!({"acquisition_id": came[1].0}))
        .await
        .refused("conflict");
    pay(json!({"acquisition_id": came[1].0, "amount": "3999.99"}))
        .await
        .created();
    let cost = async |kind: &str| {
        let cost = json!({"kind": kind, "on": DAY, "cost": "1500.00", "person_id": seller});
        let path = format!("/v1/engines/{}/costs", came[0].1);
        shop.post(&path, &cost).await.created().id()
    };
    pay(json!({"cost_id": cost("outside_work").await, "amount": "1500.00"}))
        .await
        .created();
    pay(json!({"cost_id": cost("parts").await, "amount": "1500.00"}))
        .await
        .refused("conflict");
}
