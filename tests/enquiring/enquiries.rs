//! Enquiries and wants, and the engines that fit them.

use crate::{harness::Shop, make};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

fn want(more: &Value) -> Value {
    let want = json!({"kind": "locomotive", "gauges": [{"value": "5", "unit": "in"}], "most_to_pay": "8000.00"});
    json!({"person": {"name": "Una Sedgefirth", "email": "una@example.org"}, "want": make::with(want, more)})
}

#[actix_web::test]
async fn a_want_is_kept_until_it_is_closed_with_a_reason() {
    let shop = Shop::open().await;
    let body = make::with(
        want(&json!({"whyte": "0-6-0"})),
        &json!({"message": "goods engine preferred", "follow_up_on": "2026-06-01"}),
    );
    let made = shop.post("/v1/enquiries", &body).await.created();
    let person = made.body["person_id"].clone();
    assert_eq!(
        made.body,
        json!({"id": made.id(), "person_id": person, "on": "2026-05-14", "stock_no": null,
            "want": {"kind": "locomotive", "gauges": [{"value": "5", "unit": "in", "mm": "127"}], "scale": null, "whyte": "0-6-0",
                "most_to_pay": "8000.00"},
            "message": "goods engine preferred", "follow_up_on": "2026-06-01", "closed_on": null, "closing_reason": null})
    );
    let due = async |query: &str| {
        let list = shop.get(&format!("/v1/enquiries{query}")).await.ok();
        list.body["items"].as_array().map(Vec::len)
    };
    assert_eq!(due("?follow_up_until=2026-05-31").await, Some(0));
    assert_eq!(due("?follow_up_until=2026-06-01").await, Some(1));
    assert_eq!(due("?open=true").await, Some(1));
    let later = json!({"follow_up_on": "2026-06-15"});
    let changed = shop.patch(&made.location(), &later).await.ok();
    assert_eq!(changed.body["follow_up_on"], "2026-06-15");
    shop.patch(&made.location(), &json!({"follow_up_on": "2026-05-13"}))
        .await
        .invalid_at("/follow_up_on");
    let closing = format!("{}/closings", made.location());
    shop.post(&closing, &json!({})).await.refused("invalid");
    let closed = shop
        .post(&closing, &json!({"reason": "found one elsewhere"}))
        .await
        .created();
    assert_eq!(closed.body["closed_on"], "2026-05-14");
    shop.post(&closing, &json!({"reason": "again"}))
        .await
        .refused("conflict");
    shop.patch(&made.location(), &json!({"follow_up_on": null}))
        .await
        .refused("conflict");
    assert_eq!(due("?follow_up_until=2026-12-31").await, Some(0));
    assert_eq!(
        shop.journal().await,
        [
            "person.created",
            "enquiry.created",
            "enquiry.changed",
            "enquiry.closed"
        ]
    );
}

#[actix_web::test]
async fn an_enquiry_keeps_its_rules() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let nobody = json!({"stock_no": engine});
    shop.post("/v1/enquiries", &nobody)
        .await
        .invalid_at("/person_id");
    for (change, pointer) in [
        (json!({"want": null}), "/want"),
        (json!({"want": {}}), "/want"),
        (
            json!({"want": {"most_to_pay": "0.00"}}),
            "/want/most_to_pay",
        ),
        (json!({"want": {"whyte": "6"}}), "/want/whyte"),
        (json!({"stock_no": 999}), "/stock_no"),
        (json!({"follow_up_on": "2026-05-13"}), "/follow_up_on"),
        (json!({"person_id": person}), "/person_id"),
        (json!({"person": {"name": "Una"}}), "/person"),
        (json!({"closed_on": "2026-05-14"}), "/closed_on"),
    ] {
        let body = make::with(want(&json!({})), &change);
        shop.post("/v1/enquiries", &body).await.invalid_at(pointer);
    }
    // A site learns nothing about an unpublished engine, not even that it exists.
    let from_site = async |body: Value| {
        let asked = shop
            .request(Method::POST, "/v1/enquiries")
            .by(&shop, Role::Website);
        asked.json(&body).send().await
    };
    let about = make::with(want(&json!({})), &json!({"stock_no": engine}));
    from_site(about).await.invalid_at("/stock_no");
    let made = from_site(want(&json!({}))).await.created();
    assert_eq!(
        made.body["follow_up_on"], "2026-05-14",
        "what comes from the site is looked at the same day"
    );
    let read = |role| shop.request(Method::GET, &made.location()).by(&shop, role);
    read(Role::Website).send().await.ok();
    read(Role::Fitter).send().await.refused("forbidden");
    let own = shop
        .post("/v1/enquiries", &want(&json!({})))
        .await
        .created();
    let of_staff = shop.request(Method::GET, &own.location());
    of_staff
        .by(&shop, Role::Website)
        .send()
        .await
        .refused("not_found");
    shop.get("/v1/enquiries/999").await.refused("not_found");
}

/// The engine: 5 in gauge, 0-6-0, asked 7680.00.
#[actix_web::test]
async fn a_newly_published_engine_is_matched_with_open_wants() {
    let shop = Shop::open().await;
    let mut ids = Vec::new();
    for more in [
        json!({}),
        json!({"most_to_pay": "7680.00"}),
        json!({"most_to_pay": "7679.99"}),
        json!({"gauges": [{"value": "3 1/2", "unit": "in"}]}),
        json!({"gauges": [{"value": "3 1/2", "unit": "in"}, {"value": "127", "unit": "mm"}]}),
        json!({"whyte": "0-6-2"}),
        json!({"kind": "road_engine"}),
        json!({"scale": "1:8"}),
    ] {
        let made = shop.post("/v1/enquiries", &want(&more)).await.created();
        ids.push(made.id());
    }
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let met = shop.get(&format!("/v1/engines/{engine}/wants")).await.ok();
    let met: Vec<Value> = met.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| json!([item["enquiry_id"], item["not_known"]]))
        .collect();
    assert_eq!(
        json!(met),
        json!([
            [ids[0], []],
            [ids[1], []],
            [ids[4], []],
            [ids[7], ["scale"]]
        ])
    );
    let page = shop.get("/v1/journal?limit=500").await.ok();
    let told = page.body["items"].as_array().expect("items");
    let told: Vec<&Value> = told
        .iter()
        .filter(|entry| entry["type"] == "wants.matched")
        .map(|entry| &entry["data"])
        .collect();
    assert_eq!(
        told,
        [&json!({"enquiry_ids": [ids[0], ids[1], ids[4], ids[7]], "n": 4})]
    );
    assert!(!page.text.contains("Sedgefirth"));
    let rest = shop
        .get(&format!("/v1/engines/{engine}/wants?limit=3"))
        .await
        .ok();
    let next = rest.body["next"].as_str().expect("another page");
    assert_eq!(
        shop.get(next).await.ok().body["items"][0]["enquiry_id"],
        ids[7]
    );
    shop.get("/v1/engines/999/wants").await.refused("not_found");
}

/// HTML Living Standard and RFC 5321 for addresses, E.164 and E.123 for numbers; wherever a person is taken.
#[actix_web::test]
async fn everyone_who_enquires_can_be_reached() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    let website = |path: &str, body: &Value| {
        let asked = shop.request(Method::POST, path).by(&shop, Role::Website);
        asked.once().json(body).send()
    };
    for (member, wrong, right) in [
        ("email", "una@example", "una@example.org"),
        ("email", "una", "una.sedgefirth@example.com"),
        ("telephone", "ask for Una", "01632 960123"),
        ("telephone", "1234", "+44 1632 960123 ext 12"),
    ] {
        let person = |value: &str| json!({"name": "Una Sedgefirth", member: value});
        let pointer = format!("/{member}");
        shop.post("/v1/persons", &person(wrong))
            .await
            .invalid_at(&pointer);
        let made = shop.post("/v1/persons", &person(right)).await.created();
        assert_eq!(made.body[member], right);
        let change = json!({member: wrong});
        shop.patch(&made.location(), &change)
            .await
            .invalid_at(&pointer);
        shop.patch(&made.location(), &json!({member: null}))
            .await
            .ok();
        let pointer = format!("/person/{member}");
        let mut asks = want(&json!({}));
        asks["person"] = person(wrong);
        shop.post("/v1/enquiries", &asks).await.invalid_at(&pointer);
        website("/v1/enquiries", &asks).await.invalid_at(&pointer);
        asks["person"] = person(right);
        website("/v1/enquiries", &asks).await.created();
        let reserves = json!({"stock_no": engine, "person": person(wrong)});
        website("/v1/reservations", &reserves)
            .await
            .invalid_at(&pointer);
    }
}

/// 184 mm is written for 7 1/4 in: a want for one is met by the other, within 0.2 mm.
#[actix_web::test]
async fn a_want_matches_a_gauge_written_in_another_way() {
    let shop = Shop::open().await;
    let wanted = json!({"gauges": [{"value": "7 1/4", "unit": "in"}]});
    shop.post("/v1/enquiries", &want(&wanted)).await.created();
    for (mm, met) in [("184", 1), ("184.36", 0)] {
        let gauge = json!({"gauge": {"value": mm, "unit": "mm"}});
        let engine = shop.has(make::with(make::engine(), &gauge)).await;
        let wants = shop
            .get(&format!("/v1/engines/{engine}/wants"))
            .await
            .ok()
            .body;
        assert_eq!(
            wants["items"].as_array().map(Vec::len),
            Some(met),
            "{wants}"
        );
    }
}
