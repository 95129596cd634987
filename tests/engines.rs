//! Engines and how they came.

use crate::{make, shop::Shop};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

#[actix_web::test]
async fn an_engine_comes_through_the_door_and_gets_the_next_stock_number() {
    let shop = Shop::open().await;
    assert_eq!(
        (
            shop.has(make::engine()).await,
            shop.has(make::engine()).await
        ),
        (1, 2)
    );
    let engine = shop.get("/v1/engines/1").await.ok().body;
    assert_eq!(
        engine["gauge"],
        json!({"value": "5", "unit": "in", "mm": "127"})
    );
    assert_eq!(
        engine["bore"],
        json!({"value": "1 1/2", "unit": "in", "mm": "38.1"})
    );
    assert_eq!(
        (&engine["standing"], &engine["asking_price"]),
        (&json!("in_stock"), &Value::Null)
    );
    assert_eq!(shop.journal().await, ["engine.acquired", "engine.acquired"]);
}

#[actix_web::test]
async fn what_is_wrong_with_an_acquisition_is_named_and_nothing_is_stored() {
    let shop = Shop::open().await;
    let fine = make::acquisition(&make::engine());
    for (change, pointer) in [
        (json!({"price": 4200.5}), "/price"),
        (json!({"price": "4200.505"}), "/price"),
        (json!({"price": "-1.00"}), "/price"),
        (json!({"price": null}), "/price"),
        (json!({"manner": "commission"}), "/price"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "14 May 2026"}), "/on"),
        (json!({"manner": "found"}), "/manner"),
        (json!({"reserve": "100.00"}), "/reserve"),
        (json!({"person_id": 99}), "/person_id"),
        (json!({"colour": "green"}), "/colour"),
    ] {
        shop.post("/v1/acquisitions", &make::with(fine.clone(), &change))
            .await
            .invalid_at(pointer);
    }
    for (change, pointer) in [
        (
            json!({"gauge": {"value": "-5", "unit": "in"}}),
            "/engine/gauge/value",
        ),
        (
            json!({"gauge": {"value": "5", "unit": "psi"}}),
            "/engine/gauge/unit",
        ),
        (
            json!({"gauge": {"value": "5", "unit": "in", "mm": "127"}}),
            "/engine/gauge/mm",
        ),
        (json!({"whyte": "4-5-0"}), "/engine/whyte"),
        (json!({"whyte": "4-6"}), "/engine/whyte"),
        (json!({"built_year": 2027}), "/engine/built_year"),
        (json!({"cylinders": 0}), "/engine/cylinders"),
        (json!({"stock_no": 7}), "/engine/stock_no"),
        (json!({"name": ""}), "/engine/name"),
        (
            json!({"adhesive_weight": {"value": "2", "unit": "cwt_uk"}}),
            "/engine/adhesive_weight",
        ),
        (json!({"kind": "stationary"}), "/engine/whyte"),
    ] {
        let engine = make::with(make::engine(), &change);
        shop.post("/v1/acquisitions", &make::acquisition(&engine))
            .await
            .invalid_at(pointer);
    }
    shop.request(Method::POST, "/v1/acquisitions")
        .by(&shop, Role::Proprietor)
        .json(&fine)
        .send()
        .await
        .refused("idempotency_key_missing")
        .is(400);
    assert_eq!(shop.journal().await, [""; 0]);
    assert_eq!(shop.get("/v1/engines").await.ok().body["items"], json!([]));
}

#[actix_web::test]
async fn the_purchase_price_is_for_the_money_desk_alone() {
    let shop = Shop::open().await;
    shop.has(make::engine()).await;
    for (role, status) in [
        (Role::Proprietor, 200),
        (Role::Bookkeeper, 200),
        (Role::Seller, 403),
        (Role::Fitter, 403),
        (Role::Website, 403),
    ] {
        shop.request(Method::GET, "/v1/acquisitions/1")
            .by(&shop, role)
            .send()
            .await
            .is(status);
    }
}

#[actix_web::test]
async fn a_change_leaves_what_it_does_not_name() {
    let shop = Shop::open().await;
    shop.has(make::engine()).await;
    let change =
        json!({"gauge": {"value": "127", "unit": "mm"}, "fuel": null, "feeds": ["hand_pump"]});
    let engine = shop.patch("/v1/engines/1", &change).await.ok().body;
    assert_eq!(
        (&engine["fuel"], &engine["feeds"], &engine["builder"]),
        (&Value::Null, &json!(["hand_pump"]), &json!("J. Thackwell"))
    );
    assert_eq!(
        shop.get("/v1/engines?gauge_mm=127").await.ok().body["items"][0]["stock_no"],
        1
    );
    shop.patch(
        "/v1/engines/1",
        &json!({"weight": {"value": "90", "unit": "lb"}}),
    )
    .await
    .invalid_at("/adhesive_weight");
    shop.get("/v1/engines/2").await.refused("not_found").is(404);
    shop.get("/v1/engines/99999999999")
        .await
        .refused("not_found")
        .is(404);
}

#[actix_web::test]
async fn the_list_is_filtered_and_turned_page_by_page() {
    let shop = Shop::open().await;
    for (name, kind, gauge) in [
        ("Ashlode", "locomotive", "5"),
        ("Brockle", "stationary", "0"),
        ("Carrow 100%", "locomotive", "7 1/4"),
    ] {
        let mut engine = json!({"kind": kind, "name": name});
        if gauge != "0" {
            engine["gauge"] = json!({"value": gauge, "unit": "in"});
        }
        shop.has(engine).await;
    }
    for (query, found) in [
        ("kind=locomotive", vec![1, 3]),
        ("kind=locomotive,stationary", vec![1, 2, 3]),
        ("gauge_mm=127,184.15", vec![1, 3]),
        ("q=broc", vec![2]),
        ("q=100%25", vec![3]),
        ("q=%25", vec![3]),
        ("sort=-stock_no", vec![3, 2, 1]),
        ("standing=sold", vec![]),
        ("sort=-stock_no&kind=locomotive", vec![3, 1]),
    ] {
        let mut numbers = Vec::new();
        let mut next = Some(format!("/v1/engines?limit=1&{query}"));
        while let Some(address) = next {
            let page = shop.get(&address).await.ok().body;
            numbers.extend(
                page["items"]
                    .as_array()
                    .expect("items")
                    .iter()
                    .filter_map(|item| item["stock_no"].as_i64()),
            );
            next = page["next"].as_str().map(str::to_owned);
        }
        assert_eq!(numbers, found, "{query}");
    }
    let next = shop.get("/v1/engines?limit=1").await.ok().body["next"]
        .as_str()
        .expect("more")
        .replace("/v1/engines?", "/v1/engines?kind=locomotive&");
    shop.get(&next).await.refused("invalid_cursor");
    shop.get("/v1/engines?kind=spaceship")
        .await
        .refused("invalid_query");
    shop.get("/v1/engines?sort=beauty")
        .await
        .refused("invalid_query");
}

/// Published nominal class figure: LMS class 5, 25455 lbf; the model vector follows from the same formula.
#[actix_web::test]
async fn working_figures_come_with_their_inputs() {
    let shop = Shop::open().await;
    shop.has(make::engine()).await;
    let figures = shop.get("/v1/engines/1/working-figures").await.ok().body;
    assert!(
        figures.to_string().contains("working_pressure"),
        "says what is missing: {figures}"
    );
}

#[actix_web::test]
async fn medals_and_a_full_record_are_kept_of_an_engine() {
    let shop = Shop::open().await;
    let shown = make::with(make::engine(), &json!({"medals": 2, "full_record": true}));
    let engine = shop.has(shown).await;
    let path = format!("/v1/engines/{engine}");
    let read = shop.get(&path).await.ok().body;
    assert_eq!(
        (&read["medals"], &read["full_record"]),
        (&json!(2), &json!(true))
    );
    shop.patch(&path, &json!({"medals": 101}))
        .await
        .invalid_at("/medals");
    shop.patch(&path, &json!({"medals": -1}))
        .await
        .invalid_at("/medals");
    let changed = shop
        .patch(&path, &json!({"medals": 0, "full_record": null}))
        .await;
    let changed = changed.ok().body;
    assert_eq!(
        (&changed["medals"], &changed["full_record"]),
        (&json!(0), &json!(null))
    );
}
