//! Asking prices, now and before.

use crate::{harness::Shop, make, pricing::price_scale::price_scale};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

#[actix_web::test]
async fn the_last_price_is_in_force_and_the_others_are_kept() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let path = format!("/v1/engines/{engine}/asking-prices");
    shop.post(
        "/v1/price-scale/versions",
        &price_scale("2026-01-01", "6200.00", &[]),
    )
    .await
    .created();
    let valuation = shop
        .post(&format!("/v1/engines/{engine}/valuations"), &json!({}))
        .await
        .created()
        .id();
    let first = json!({"price": "7680", "on": "2026-05-02", "reason": "room to haggle", "valuation_id": valuation});
    let priced = shop.post(&path, &first).await.created();
    assert_eq!(
        priced.body,
        json!({"id": 1, "stock_no": engine, "on": "2026-05-02", "price": "7680.00", "reason": "room to haggle",
            "valuation_id": valuation, "confirmed": []})
    );
    assert_eq!(shop.get(&priced.location()).await.ok().body, priced.body);
    let second = shop
        .post(&path, &json!({"price": "7400.00"}))
        .await
        .created();
    assert_eq!(second.body["on"], "2026-05-14");
    assert_eq!(second.body["reason"], Value::Null);
    let list = shop.get(&path).await.ok().body;
    assert_eq!(list["items"], json!([second.body, priced.body]));
    let page = shop.get(&format!("{path}?limit=1")).await.ok().body;
    let rest = shop.get(page["next"].as_str().expect("more")).await.ok();
    assert_eq!(rest.body["items"], json!([priced.body]));
    let engine = shop.get(&format!("/v1/engines/{engine}")).await.ok().body;
    assert_eq!(engine["asking_price"], "7400.00");
    assert_eq!(
        shop.journal().await[3..],
        ["engine.priced", "engine.priced"]
    );
}

#[actix_web::test]
async fn a_price_that_cannot_be_asked_is_refused() {
    let shop = Shop::open().await;
    let (engine, other) = (
        shop.has(make::engine()).await,
        shop.has(make::engine()).await,
    );
    shop.post(
        "/v1/price-scale/versions",
        &price_scale("2026-01-01", "6200.00", &[]),
    )
    .await
    .created();
    let of_other = shop
        .post(&format!("/v1/engines/{other}/valuations"), &json!({}))
        .await
        .created()
        .id();
    let path = format!("/v1/engines/{engine}/asking-prices");
    let fine = json!({"price": "0.01", "on": "2026-05-14"});
    shop.post(&path, &fine).await.created();
    for (change, pointer) in [
        (json!({"price": "0.00"}), "/price"),
        (json!({"price": "-1.00"}), "/price"),
        (json!({"price": "1.001"}), "/price"),
        (json!({"price": 7680}), "/price"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "2026-05-13"}), "/on"),
        (json!({"valuation_id": of_other}), "/valuation_id"),
        (json!({"valuation_id": 99}), "/valuation_id"),
        (json!({"stock_no": other}), "/stock_no"),
    ] {
        shop.post(&path, &make::with(fine.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    let all_wrong = json!({"price": "0", "on": "2026-05-15", "valuation_id": 99});
    let refused = shop.post(&path, &all_wrong).await.refused("invalid");
    assert_eq!(refused.body["errors"].as_array().map(Vec::len), Some(3));
    shop.post("/v1/engines/99/asking-prices", &fine)
        .await
        .refused("not_found")
        .is(404);
    for path in [
        "/v1/engines/99/asking-prices".to_owned(),
        format!("/v1/engines/{other}/asking-prices/1"),
    ] {
        shop.get(&path).await.refused("not_found").is(404);
    }
    let priced = shop.journal().await;
    assert_eq!(
        priced
            .iter()
            .filter(|kind| *kind == "engine.priced")
            .count(),
        1
    );
}

#[actix_web::test]
async fn sellers_set_prices_and_staff_read_them() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let path = format!("/v1/engines/{engine}/asking-prices");
    let ask = |role| {
        let ask = shop.request(Method::POST, &path).by(&shop, role);
        ask.json(&json!({"price": "7680.00"})).send()
    };
    for role in [Role::Fitter, Role::Bookkeeper, Role::Website] {
        ask(role).await.refused("forbidden");
    }
    ask(Role::Seller).await.created();
    let read = |role| shop.request(Method::GET, &path).by(&shop, role).send();
    read(Role::Bookkeeper).await.ok();
    read(Role::Website).await.refused("forbidden");
}
