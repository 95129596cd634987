//! Dated rows of tax, cash and statutory periods: added and ended, never edited.

use crate::harness::Shop;
use outshop_core::{
    books::{tax, terms},
    trade::Role,
};
use reqwest::Method;
use serde_json::json;

#[actix_web::test]
async fn a_new_installation_has_the_tax_rules_and_statutory_periods_with_their_sources() {
    let shop = Shop::open().await;
    let rules = shop.get("/v1/tax-rules?limit=200").await.ok();
    let rows = rules.body["items"].as_array().expect("items").clone();
    assert_eq!(rows.len(), tax::seed().len());
    let rate = rows
        .iter()
        .find(|row| row["rule"] == "standard_rate")
        .expect("a rate");
    assert_eq!(
        (&rate["value"], &rate["unit"]),
        (&json!("20"), &json!("percent"))
    );
    let cash: Vec<_> = rows
        .iter()
        .filter(|row| row["rule"] == "cash_limit")
        .map(|row| {
            (
                row["unit"].clone(),
                row["from"].clone(),
                row["until"].clone(),
            )
        })
        .collect();
    assert_eq!(
        cash,
        [
            (json!("EUR"), json!(null), json!("2026-06-29")),
            (json!("GBP"), json!("2026-06-30"), json!(null))
        ],
        "HMRC, high value dealers; amending regulations of 2026, as reported"
    );
    let terms_page = shop.get("/v1/statutory-periods?jurisdiction=GB").await.ok();
    assert_eq!(
        terms_page.body["items"].as_array().map(Vec::len),
        Some(terms::seed().len())
    );
    let elsewhere = shop.get("/v1/tax-rules?jurisdiction=CH").await.ok();
    assert_eq!(elsewhere.body["items"], json!([]));
}

#[actix_web::test]
async fn a_rate_is_added_and_ended_but_never_edited() {
    let shop = Shop::open().await;
    let new = json!({"jurisdiction": "GB", "rule": "standard_rate", "value": "17.5", "unit": "percent",
        "from": "2026-12-01", "source": "constructed", "confidence": "plain_reading"});
    let added = shop.post("/v1/tax-rules", &new).await.created();
    let row = added.location();
    assert_eq!(shop.get(&row).await.ok().body, added.body);
    let endings = format!("{row}/end");
    shop.post(&endings, &json!({"until": "2026-11-30"}))
        .await
        .invalid_at("/until");
    let ended = shop.post(&endings, &json!({"until": "2026-12-31"})).await;
    assert_eq!(ended.created().body["until"], "2026-12-31");
    shop.post(&endings, &json!({"until": "2027-12-31"}))
        .await
        .refused("conflict");
    assert_eq!(shop.journal().await, ["tax_rule.created", "tax_rule.ended"]);
    for (change, pointer) in [
        (json!({"unit": "years"}), "/unit"),
        (json!({"value": null}), "/value"),
        (json!({"value": "1000"}), "/value"),
        (json!({"value": "17.505"}), "/value"),
        (json!({"until": "2026-11-30"}), "/until"),
    ] {
        shop.post("/v1/tax-rules", &crate::make::with(new.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    let nothing = json!({"value": "0", "from": "2027-01-01"});
    let nothing = crate::make::with(new.clone(), &nothing);
    shop.post("/v1/tax-rules", &nothing).await.created();
    let negative = crate::make::with(new.clone(), &json!({"value": "-1"}));
    shop.post("/v1/tax-rules", &negative)
        .await
        .refused("invalid")
        .is(422);
    let by_seller = shop
        .request(Method::POST, "/v1/tax-rules")
        .by(&shop, Role::Seller);
    by_seller.json(&new).send().await.refused("forbidden");
}

#[actix_web::test]
async fn an_added_statutory_period_applies_from_its_first_day() {
    let shop = Shop::open().await;
    let new = json!({"jurisdiction": "GB", "rule": "cancel_days", "value": 21, "unit": "days", "from": "2026-01-01",
        "source": "constructed", "confidence": "plain_reading"});
    let until = async |delivered_on: &str| {
        let question =
            json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": delivered_on});
        let answer = shop
            .post("/v1/calculations/statutory-deadlines", &question)
            .await;
        answer.ok().body["cancel_until"].clone()
    };
    assert_eq!(until("2026-01-01").await, "2026-01-15");
    let row = shop.post("/v1/statutory-periods", &new).await.created();
    assert_eq!(until("2026-01-01").await, "2026-01-22");
    assert_eq!(until("2025-12-31").await, "2026-01-14");
    let ending = json!({"until": "2026-01-31"});
    shop.post(&format!("{}/end", row.location()), &ending)
        .await
        .created();
    assert_eq!(until("2026-02-01").await, "2026-02-15");
    shop.post(
        "/v1/statutory-periods",
        &crate::make::with(new, &json!({"value": 10_001})),
    )
    .await
    .invalid_at("/value");
    assert_eq!(
        shop.journal().await,
        ["statutory_period.created", "statutory_period.ended"]
    );
}
