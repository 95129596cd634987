//! Offers, their answers, and what is left of them.

use crate::{
    harness::{Shop, text},
    make,
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

/// Bought for 4200.00 under the margin scheme at 20 %: of 7200.00 the tax is a sixth of 3000.00 (HMRC VAT Notice 718, the
/// margin scheme), so that 2500.00 are left.
#[actix_web::test]
async fn an_offer_shows_its_profit_after_tax() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let path = format!("/v1/engines/{engine}/offers");
    let offer = json!({"person_id": person, "on": "2026-05-14", "amount": "7200.00", "until": "2026-05-21"});
    let made = shop.post(&path, &offer).await.created();
    assert_eq!(
        made.body,
        json!({"id": made.id(), "stock_no": engine, "person_id": person, "on": "2026-05-14", "amount": "7200.00",
            "until": "2026-05-21", "notes": null, "confirmed": [], "ended_by_sale_id": null, "status": "open", "answered_on": null, "counter_amount": null,
            "profit": {"price": "7200.00", "tax": "500.00", "selling_cost": "0.00", "profit": "2500.00"}, "counter_left": null, "chance_of_better": null})
    );
    assert_eq!(shop.get(&made.location()).await.ok().body, made.body);
    let lower = make::with(offer.clone(), &json!({"amount": "4200.00"}));
    shop.post(&path, &lower).await.created();
    let list = shop.get(&path).await.ok();
    let profit: Vec<&Value> = list.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| &item["profit"]["profit"])
        .collect();
    assert_eq!(profit, ["2500.00", "0.00"]);
    for (change, pointer) in [
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "2026-01-04"}), "/on"),
        (json!({"amount": "0.00"}), "/amount"),
        (json!({"until": "2026-05-13"}), "/until"),
        (json!({"person_id": 999}), "/person_id"),
    ] {
        let body = make::with(offer.clone(), &change);
        shop.post(&path, &body).await.invalid_at(pointer);
    }
    shop.set_day("2026-05-21");
    let open = shop.get(&made.location()).await.ok();
    assert_eq!(open.body["status"], "open", "its last day");
    shop.set_day("2026-05-22");
    let lapsed = shop.get(&made.location()).await.ok();
    assert_eq!(lapsed.body["status"], "lapsed");
    let answer = json!({"answer": "accepted", "on": "2026-05-22"});
    shop.post(&format!("{}/answers", made.location()), &answer)
        .await
        .refused("conflict");
}

#[actix_web::test]
async fn an_offer_is_countered_and_then_accepted() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let path = format!("/v1/engines/{engine}/offers");
    let offer = json!({"person_id": person, "on": "2026-05-13", "amount": "7000.00"});
    let made = shop.post(&path, &offer).await.created();
    let answers = format!("{}/answers", made.location());
    let answer = async |body: Value| shop.post(&answers, &body).await;

    // Only a counter-offer names an amount, and no answer is dated before the offer or in the future.
    for (body, pointer) in [
        (
            json!({"answer": "countered", "on": "2026-05-14"}),
            "/amount",
        ),
        (
            json!({"answer": "accepted", "on": "2026-05-14", "amount": "7500.00"}),
            "/amount",
        ),
        (
            json!({"answer": "countered", "on": "2026-05-14", "amount": "-1.00"}),
            "/amount",
        ),
        (json!({"answer": "accepted", "on": "2026-05-12"}), "/on"),
        (json!({"answer": "accepted", "on": "2026-05-15"}), "/on"),
        (json!({"answer": "lapsed", "on": "2026-05-14"}), "/answer"),
    ] {
        answer(body).await.invalid_at(pointer);
    }

    // An accepted counter-offer keeps its amount, and an accepted offer is not answered again.
    let countered = answer(json!({"answer": "countered", "on": "2026-05-14", "amount": "7500.00"}))
        .await
        .created();
    assert_eq!(
        (&countered.body["status"], &countered.body["counter_amount"]),
        (&json!("countered"), &json!("7500.00"))
    );
    let accepted = answer(json!({"answer": "accepted", "on": "2026-05-14"}))
        .await
        .created();
    assert_eq!(
        (&accepted.body["status"], &accepted.body["counter_amount"]),
        (&json!("accepted"), &json!("7500.00"))
    );
    answer(json!({"answer": "declined", "on": "2026-05-14"}))
        .await
        .refused("conflict");

    // Once the engine is sold, no offer is accepted and none is made.
    let other = shop.post(&path, &offer).await.created();
    shop.has_sold(engine).await;
    let yes = json!({"answer": "accepted", "on": "2026-05-14"});
    shop.post(&format!("{}/answers", other.location()), &yes)
        .await
        .refused("already_sold");
    shop.post(&path, &offer).await.refused("already_sold");
    assert_eq!(
        shop.journal_of(engine).await,
        [
            "engine.acquired",
            "offer.created",
            "offer.answered",
            "offer.answered",
            "offer.created",
            "engine.sold"
        ]
    );
    shop.get("/v1/offers/999").await.refused("not_found");
}

async fn offered(shop: &Shop, engine: i64, person: i64, amount: &str) -> String {
    let offer = json!({"person_id": person, "on": "2026-05-13", "amount": amount});
    let path = format!("/v1/engines/{engine}/offers");
    shop.post(&path, &offer).await.created().location()
}

async fn answered(shop: &Shop, role: Role, offer: &str, answer: &Value) -> crate::harness::Answer {
    let answer = make::with(answer.clone(), &json!({"on": "2026-05-14"}));
    shop.request(Method::POST, &format!("{offer}/answers"))
        .by(shop, role)
        .once()
        .json(&answer)
        .send()
        .await
}

async fn somebody(shop: &Shop) -> i64 {
    let made = shop.post("/v1/persons", &make::person()).await;
    made.created().id()
}

/// Plain reading: the person with the reservation must not hear from a buyer that the engine went to someone else.
#[actix_web::test]
async fn an_offer_is_not_accepted_while_the_engine_is_reserved_for_someone_else() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let (holder, other) = (somebody(&shop).await, somebody(&shop).await);
    let reservation = json!({"stock_no": engine, "person_id": holder, "hours": 48});
    let held = shop.post("/v1/reservations", &reservation).await.created();
    let yes = json!({"answer": "accepted"});
    let offer = offered(&shop, engine, other, "7000.00").await;
    let refused = answered(&shop, Role::Seller, &offer, &yes).await;
    let named = format!("reservation {}", held.id());
    assert!(
        text(&refused.body["detail"]).contains(&named),
        "{}",
        refused.body
    );
    refused.refused("already_reserved");
    let own = offered(&shop, engine, holder, "7000.00").await;
    answered(&shop, Role::Seller, &own, &yes).await.created();
}

/// Bought for 4200.00: that breaks even, a penny less does not. 4000.00 leave -200.00; of 4500.00 a sixth of 300.00 is tax.
#[actix_web::test]
async fn only_the_proprietor_accepts_a_price_below_break_even() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let person = somebody(&shop).await;
    let low = offered(&shop, engine, person, "4199.99").await;
    let yes = json!({"answer": "accepted"});
    let confirmed = json!({"answer": "accepted", "below_break_even_confirmed": true});
    for answer in [&yes, &confirmed] {
        let refused = answered(&shop, Role::Seller, &low, answer).await;
        let detail = text(&refused.body["detail"]);
        assert!(
            detail.contains("4200.00") && detail.contains("below_break_even_confirmed"),
            "{detail}"
        );
        refused.refused("forbidden");
    }
    answered(&shop, Role::Proprietor, &low, &yes)
        .await
        .invalid_at("/below_break_even_confirmed");
    let counter = json!({"answer": "countered", "amount": "4000.00"});
    answered(&shop, Role::Seller, &low, &counter)
        .await
        .refused("forbidden");
    let counter = json!({"answer": "countered", "amount": "4500.00"});
    let told = answered(&shop, Role::Seller, &low, &counter)
        .await
        .created();
    assert_eq!(told.body["profit"]["profit"], "-0.01");
    assert_eq!(
        told.body["counter_left"],
        json!({"price": "4500.00", "tax": "50.00", "selling_cost": "0.00", "profit": "250.00"})
    );
    // What is accepted then is the counter.
    answered(&shop, Role::Seller, &low, &yes).await.created();
    let even = offered(&shop, engine, person, "4200.00").await;
    answered(&shop, Role::Seller, &even, &yes).await.created();
    let low = offered(&shop, engine, person, "4000.00").await;
    answered(&shop, Role::Proprietor, &low, &confirmed)
        .await
        .created();
}

#[actix_web::test]
async fn an_accepted_offer_is_withdrawn_or_ends_when_another_buys() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let (first, second) = (somebody(&shop).await, somebody(&shop).await);
    let yes = json!({"answer": "accepted"});
    let withdrawn = offered(&shop, engine, first, "7000.00").await;
    answered(&shop, Role::Seller, &withdrawn, &yes)
        .await
        .created();
    for wrong in [&yes, &json!({"answer": "declined"})] {
        answered(&shop, Role::Seller, &withdrawn, wrong)
            .await
            .refused("conflict");
    }
    let gone = json!({"answer": "withdrawn"});
    let told = answered(&shop, Role::Seller, &withdrawn, &gone)
        .await
        .created();
    assert_eq!(told.body["status"], "withdrawn");
    let lost = offered(&shop, engine, first, "7100.00").await;
    answered(&shop, Role::Seller, &lost, &yes).await.created();
    let won = offered(&shop, engine, second, "7200.00").await;
    answered(&shop, Role::Seller, &won, &yes).await.created();
    let sale = json!({"on": "2026-05-14", "price": "7200.00", "person_id": second});
    let sale = shop
        .post(&format!("/v1/engines/{engine}/sales"), &sale)
        .await
        .created();
    let status = async |offer: &str| shop.get(offer).await.ok().body;
    let lost_now = status(&lost).await;
    assert_eq!(lost_now["status"], "engine_sold");
    assert_eq!(lost_now["ended_by_sale_id"], sale.id());
    assert_eq!(status(&won).await["status"], "accepted");
    assert_eq!(status(&withdrawn).await["status"], "withdrawn");
    answered(&shop, Role::Seller, &lost, &gone)
        .await
        .refused("conflict");
    // It has ended, although that sale comes to nothing.
    let off = json!({"on": "2026-05-14", "reason": "cancelled"});
    shop.post(&format!("{}/cancellation", sale.location()), &off)
        .await
        .created();
    assert_eq!(status(&lost).await["status"], "engine_sold");
}
