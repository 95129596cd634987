//! The firm's price scale and its versions.

use crate::harness::Shop;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

pub fn start(kind: &str, gauge_in: &str, price: &str) -> Value {
    let gauge = json!({"value": gauge_in, "unit": "in"});
    json!({"kind": kind, "gauge": {"from": gauge, "to": gauge}, "price": price})
}

pub fn factor(feature: &str, level: &str, factor: &str) -> Value {
    json!({"feature": feature, "level": level, "factor": factor})
}

/// A price scale for 5 in locomotives.
pub fn price_scale(from: &str, price: &str, factors: &[Value]) -> Value {
    json!({"from": from, "uncertainty": "0.25", "starts": [start("locomotive", "5", price)], "factors": factors})
}

#[actix_web::test]
async fn the_version_with_the_latest_day_up_to_today_applies() {
    let shop = Shop::open().await;
    shop.get("/v1/price-scale")
        .await
        .refused("not_found")
        .is(404);
    for (from, price) in [
        ("2026-05-15", "6400.00"),
        ("2026-01-01", "6000.00"),
        ("2026-03-01", "6200.00"),
        ("2025-06-01", "5900.00"),
    ] {
        let written = shop
            .post("/v1/price-scale/versions", &price_scale(from, price, &[]))
            .await
            .created();
        let read = shop.get(&written.location()).await.ok();
        assert_eq!((&read.body, read.etag()), (&written.body, written.etag()));
    }
    let counts = async || shop.get("/v1/price-scale").await.ok().body["version"].clone();
    assert_eq!(counts().await, 3, "the day before the next one");
    shop.set_day("2026-05-15");
    assert_eq!(counts().await, 1, "on its first day");
    shop.post(
        "/v1/price-scale/versions",
        &price_scale("2026-05-15", "6500.00", &[]),
    )
    .await
    .created();
    assert_eq!(counts().await, 5, "of two from one day, the later version");

    let list = shop.get("/v1/price-scale/versions?limit=2").await.ok().body;
    assert_eq!(list["items"][1]["from"], "2026-01-01");
    let rest = shop.get(list["next"].as_str().expect("more")).await.ok();
    assert_eq!(rest.body["items"][0]["version"], 3);
    shop.get("/v1/price-scale/versions/9")
        .await
        .refused("not_found")
        .is(404);
    shop.get("/v1/price-scale/versions/new")
        .await
        .refused("not_found")
        .is(404);
    assert_eq!(shop.journal().await, ["price_scale.created"; 5]);
}

#[actix_web::test]
async fn a_price_scale_is_returned_as_entered_with_the_gauge_in_millimetres() {
    let shop = Shop::open().await;
    let written = shop
        .post(
            "/v1/price-scale/versions",
            &json!({"from": "2026-01-01", "uncertainty": "0.250", "notes": "as agreed",
            "starts": [
                {"kind": "locomotive", "gauge": {"from": {"value": "4 3/4", "unit": "in"}, "to": {"value": "5", "unit": "in"}}, "price": "6200"},
                {"kind": "road_engine", "scale": {"from": "2 in to the foot", "to": "1:4"}, "price": "8000.00"},
                {"kind": "stationary", "price": "400.00"}],
            "factors": [factor("papers", "in_date", "1.10")]}),
        )
        .await
        .created();
    assert_eq!(
        written.body,
        json!({"version": 1, "from": "2026-01-01", "uncertainty": "0.25", "notes": "as agreed",
        "starts": [
            {"kind": "locomotive", "gauge": {"from": {"value": "4 3/4", "unit": "in", "mm": "120.65"},
                "to": {"value": "5", "unit": "in", "mm": "127"}}, "scale": null, "price": "6200.00"},
            {"kind": "road_engine", "gauge": null, "scale": {"from": "2 in to the foot", "to": "1:4"}, "price": "8000.00"},
            {"kind": "stationary", "gauge": null, "scale": null, "price": "400.00"}],
        "factors": [{"feature": "papers", "level": "in_date", "factor": "1.1"}]})
    );
}

#[actix_web::test]
async fn a_contradictory_price_scale_is_refused_with_all_its_errors() {
    let shop = Shop::open().await;
    let mut wrong = price_scale(
        "2026-01-01",
        "0.00",
        &[
            factor("boiler", "fine", "1.1"),
            factor("motion", "worn", "0.9"),
            factor("motion", "worn", "0.8"),
        ],
    );
    wrong["uncertainty"] = json!("2.01");
    wrong["starts"]
        .as_array_mut()
        .expect("a list")
        .push(start("locomotive", "5", "6000.00"));
    let refused = shop.post("/v1/price-scale/versions", &wrong).await;
    for pointer in [
        "/uncertainty",
        "/starts/0/price",
        "/starts/1",
        "/factors/0/level",
        "/factors/2",
    ] {
        refused.clone().invalid_at(pointer);
    }
    for (member, value, pointer) in [
        ("starts", json!([]), "/starts"),
        ("uncertainty", json!(0.25), "/uncertainty"),
        ("uncertainty", json!("0"), "/uncertainty"),
        ("from", json!("1 January"), "/from"),
        ("version", json!(4), "/version"),
    ] {
        let mut wrong = price_scale("2026-01-01", "6000.00", &[]);
        wrong[member] = value;
        shop.post("/v1/price-scale/versions", &wrong)
            .await
            .invalid_at(pointer);
    }
    assert_eq!(shop.journal().await, [""; 0]);
}

#[actix_web::test]
async fn the_proprietor_adds_price_scales_and_staff_read_them() {
    let shop = Shop::open().await;
    let terms = price_scale("2026-01-01", "6000.00", &[]);
    for role in [Role::Seller, Role::Fitter, Role::Bookkeeper, Role::Website] {
        let write = shop
            .request(Method::POST, "/v1/price-scale/versions")
            .by(&shop, role);
        write.json(&terms).send().await.refused("forbidden");
    }
    shop.post("/v1/price-scale/versions", &terms)
        .await
        .created();
    for path in [
        "/v1/price-scale",
        "/v1/price-scale/versions",
        "/v1/price-scale/versions/1",
    ] {
        let by = |role| shop.request(Method::GET, path).by(&shop, role).send();
        by(Role::Fitter).await.ok();
        by(Role::Bookkeeper).await.ok();
        by(Role::Website).await.refused("forbidden");
    }
    shop.request(Method::DELETE, "/v1/price-scale/versions/1")
        .by(&shop, Role::Proprietor)
        .send()
        .await
        .refused("method_not_allowed");
}
