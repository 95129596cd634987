//! Offers, their answers, and what is left of them.

use crate::{make, shop::Shop};
use serde_json::{Value, json};

/// Bought for 4200.00 under the margin scheme at 20 %: of 7200.00 the tax is a sixth of 3000.00 (HMRC VAT Notice 718, the
/// margin scheme), so that 2500.00 are left.
#[actix_web::test]
async fn an_offer_is_shown_with_what_is_left_after_tax() {
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
            "until": "2026-05-21", "note": null, "confirmed": [], "standing": "open", "answered_on": null, "counter_amount": null,
            "left": {"price": "7200.00", "tax": "500.00", "selling_cost": "0.00", "left": "2500.00"}, "chance_of_better": null})
    );
    assert_eq!(shop.get(&made.location()).await.ok().body, made.body);
    let lower = make::with(offer.clone(), &json!({"amount": "4200.00"}));
    shop.post(&path, &lower).await.created();
    let list = shop.get(&path).await.ok();
    let left: Vec<&Value> = list.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| &item["left"]["left"])
        .collect();
    assert_eq!(left, ["2500.00", "0.00"]);
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
    assert_eq!(open.body["standing"], "open", "its last day");
    shop.set_day("2026-05-22");
    let lapsed = shop.get(&made.location()).await.ok();
    assert_eq!(lapsed.body["standing"], "lapsed");
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
    let countered = answer(json!({"answer": "countered", "on": "2026-05-14", "amount": "7500.00"}))
        .await
        .created();
    assert_eq!(
        (
            &countered.body["standing"],
            &countered.body["counter_amount"]
        ),
        (&json!("countered"), &json!("7500.00"))
    );
    let accepted = answer(json!({"answer": "accepted", "on": "2026-05-14"}))
        .await
        .created();
    assert_eq!(
        (&accepted.body["standing"], &accepted.body["counter_amount"]),
        (&json!("accepted"), &json!("7500.00"))
    );
    answer(json!({"answer": "declined", "on": "2026-05-14"}))
        .await
        .refused("conflict");
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
            "offer.made",
            "offer.answered",
            "offer.answered",
            "offer.made",
            "engine.sold"
        ]
    );
    shop.get("/v1/offers/999").await.refused("not_found");
}
