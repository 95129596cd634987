//! Deliveries: the day an engine leaves, and the gate it has to pass.

use crate::{harness::Answer, harness::Shop, make};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    async fn deliver(&self, stock_no: i64, on: &str) -> Answer {
        let delivery = json!({"on": on, "method": "collection", "handed_to": "Odo Fenwright",
            "items_handed_over": "box, fire irons, boiler papers"});
        self.post(&format!("/v1/engines/{stock_no}/deliveries"), &delivery)
            .await
    }
}

fn checks(refused: &Answer) -> Vec<&str> {
    refused.body["reasons"]
        .as_array()
        .expect("reasons")
        .iter()
        .filter_map(|reason| reason["check"].as_str())
        .collect()
}

/// 14 months from the steam test of 2025-03-14 (The Boiler Test Code 2018): 2026-05-14, the corresponding date (Dodds v
/// Walker [1981]).
#[actix_web::test]
async fn an_engine_may_leave_until_the_last_day_of_its_paper() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    let sale = shop.has_sold(engine).await;
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    let before = shop.journal_of(engine).await;

    let refused = shop
        .deliver(engine, "2026-05-15")
        .await
        .refused("not_ready")
        .is(409);
    assert_eq!(checks(&refused), ["steam_paper"]);
    assert_eq!(
        refused.body["reasons"][0]["reason"],
        "The steam test certificate expired on 14 May 2026."
    );
    assert_eq!(
        shop.journal_of(engine).await,
        before,
        "a refusal leaves no trace"
    );

    let profit = shop.deliver(engine, "2026-05-14").await.created();
    assert_eq!(profit.location(), format!("/v1/deliveries/{}", profit.id()));
    assert_eq!(
        profit.body,
        json!({"id": profit.id(), "sale_id": sale, "stock_no": engine, "on": "2026-05-14", "method": "collection",
            "handed_to": "Odo Fenwright", "items_handed_over": "box, fire irons, boiler papers", "carrier": null,
            "carrier_reference": null, "country": null})
    );
    assert_eq!(shop.get(&profit.location()).await.ok().body, profit.body);
    let list = shop
        .get(&format!("/v1/engines/{engine}/deliveries"))
        .await
        .ok();
    assert_eq!(list.body["items"], json!([profit.body]));
    let now = shop.get(&format!("/v1/engines/{engine}")).await.ok();
    assert_eq!(now.body["status"], "delivered");
    assert_eq!(
        shop.journal_of(engine).await.last().map(String::as_str),
        Some("engine.delivered")
    );

    shop.deliver(engine, "2026-05-14")
        .await
        .refused("conflict")
        .is(409);
    let tick = json!({"item": "drained", "on": "2026-05-14"});
    shop.post(&format!("/v1/engines/{engine}/checklist-ticks"), &tick)
        .await
        .refused("conflict");
}

#[actix_web::test]
async fn nothing_leaves_unsold_unpaid_or_unpacked() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.deliver(engine, "2026-05-14")
        .await
        .refused("conflict")
        .is(409);
    let sale = shop.has_sold(engine).await;
    let refused = shop
        .deliver(engine, "2026-05-14")
        .await
        .refused("not_ready");
    assert_eq!(
        checks(&refused),
        ["money_settled", "spares_packed", "papers_packed"]
    );
    shop.has_packed(engine).await;
    shop.has_been_paid(sale, "7599.99").await;
    let a_penny_short = shop
        .deliver(engine, "2026-05-14")
        .await
        .refused("not_ready");
    assert_eq!(checks(&a_penny_short), ["money_settled"]);
    shop.has_been_paid(sale, "0.01").await;
    shop.deliver(engine, "2026-05-14").await.created();
    shop.deliver(999, "2026-05-14").await.refused("not_found");
    shop.get("/v1/deliveries/999").await.refused("not_found");
    shop.get("/v1/engines/999/deliveries")
        .await
        .refused("not_found");
}

#[actix_web::test]
async fn a_delivery_is_dated_from_the_sale_to_today() {
    let shop = Shop::open().await;
    let engine = shop
        .has(make::with(make::engine(), &json!({"has_boiler": false})))
        .await;
    shop.has_surveyed(engine, &json!([])).await;
    let sale = shop.has_sold(engine).await;
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    shop.deliver(engine, "2026-05-13").await.invalid_at("/on");
    shop.deliver(engine, "2026-05-15").await.invalid_at("/on");
    let path = format!("/v1/engines/{engine}/deliveries");
    let delivery = json!({"on": "2026-05-14", "method": "carrier", "handed_to": "Jem Thorn", "carrier": "Thorn Haulage"});
    shop.request(Method::POST, &path)
        .by(&shop, Role::Seller)
        .json(&delivery)
        .send()
        .await
        .refused("idempotency_key_missing")
        .is(400);
    for (change, pointer) in [
        (json!({"method": "balloon"}), "/method"),
        (json!({"handed_to": " "}), "/handed_to"),
        (json!({"carrier": null}), "/carrier"),
        (json!({"method": "collection"}), "/carrier"),
        (
            json!({"carrier": null, "carrier_reference": "TH 88"}),
            "/carrier_reference",
        ),
        (json!({"country": "FR"}), "/country"),
        (json!({"method": "export"}), "/method"),
        (json!({"method": "export"}), "/country"),
    ] {
        shop.post(&path, &make::with(delivery.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    let profit = shop.post(&path, &delivery).await.created();
    assert_eq!(profit.body["items_handed_over"], Value::Null);
}

#[actix_web::test]
async fn without_papers_an_engine_leaves_on_the_buyers_acknowledgement() {
    let shop = Shop::open().await;
    let for_restoration = json!({"offered_as": "for_restoration", "working_order": "dismantled"});
    let engine = shop.has(make::with(make::engine(), &for_restoration)).await;
    let boiler = json!({"number": "QLW 9", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
        "volume": {"value": "8.0", "unit": "L"}, "first_marketed_on": "1998-06-01"});
    let boiler = shop.post("/v1/boilers", &boiler).await.created().id();
    let fitting = json!({"stock_no": engine, "installed_on": "2026-01-05"});
    shop.post(&format!("/v1/boilers/{boiler}/installations"), &fitting)
        .await
        .created();
    shop.has_surveyed(engine, &json!([])).await;
    shop.has_priced(engine, "900.00").await;
    shop.has_drafted(engine, &make::listing()).await;
    shop.has_photographed(engine).await;
    shop.has_published(engine).await;
    let sale = shop.has_sold(engine).await;
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    let refused = shop
        .deliver(engine, "2026-05-14")
        .await
        .refused("not_ready");
    assert_eq!(checks(&refused), ["papers_disclosed"]);
    let signed = json!({"papers_acknowledged_on": "2026-05-14"});
    shop.patch(&format!("/v1/sales/{sale}"), &signed).await.ok();
    shop.deliver(engine, "2026-05-14").await.created();
}

#[actix_web::test]
async fn only_one_of_simultaneous_deliveries_is_recorded() {
    let shop = Shop::open().await;
    let engine = shop
        .has(make::with(make::engine(), &json!({"has_boiler": false})))
        .await;
    shop.has_surveyed(engine, &json!([])).await;
    let sale = shop.has_sold(engine).await;
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    let delivery = json!({"on": "2026-05-14", "method": "own_van", "handed_to": "Odo Fenwright"});
    let path = format!("/v1/engines/{engine}/deliveries");
    let all: Vec<_> = (0..4)
        .map(|_| {
            let asked = shop.request(Method::POST, &path).by(&shop, Role::Seller);
            actix_web::rt::spawn(asked.once().json(&delivery).send())
        })
        .collect();
    let mut profit = 0;
    for answer in all {
        let answer = answer.await.expect("an answer");
        if answer.status == 201 {
            profit += 1;
        } else {
            answer.refused("conflict");
        }
    }
    assert_eq!(profit, 1);
}
