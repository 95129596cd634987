//! Engines and how they came.

use crate::{harness::Shop, make};
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
        (&engine["status"], &engine["asking_price"]),
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
        (json!({"method": "commission"}), "/price"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "14 May 2026"}), "/on"),
        (json!({"method": "found"}), "/method"),
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

/// RFC 7396, 2: what a change leaves out stays, within a member too; and the whole is checked.
#[actix_web::test]
async fn a_change_is_laid_on_what_is_recorded() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let address = format!("/v1/engines/{engine}");
    let weight = json!({"weight": {"value": "150", "unit": "lb"}});
    shop.patch(&address, &weight).await.ok();
    let heavier = json!({"weight": {"value": "151"}});
    let changed = shop.patch(&address, &heavier).await.ok().body;
    // NIST SP 811: 1 lb is .45359237 kg.
    let expected = json!({"value": "151", "unit": "lb", "kg": "68.4924"});
    assert_eq!(changed["weight"], expected);
    for (change, pointer) in [
        (json!({"weight": {"kg": "68"}}), "/weight/kg"),
        (json!({"weight": {"unit": null}}), "/weight/unit"),
        (json!({"weight": "heavy"}), "/weight"),
        (json!({"name": null}), "/name"),
        (json!({"has_boiler": null}), "/has_boiler"),
        (json!({"colour": null}), "/colour"),
        (json!({"stock_no": 1}), "/stock_no"),
    ] {
        shop.patch(&address, &change).await.invalid_at(pointer);
    }
    shop.patch(&address, &json!({"weight": null})).await.ok();
    shop.patch(&address, &heavier)
        .await
        .invalid_at("/weight/unit");
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
        ("status=sold", vec![]),
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

/// 184 mm is how NEM 010 writes 7 1/4 in; 184.15 is exact. A search for one finds both, within 0.2 mm.
#[actix_web::test]
async fn a_gauge_is_found_as_others_write_it() {
    let shop = Shop::open().await;
    let gauge = |value: &str, unit: &str| json!({"gauge": {"value": value, "unit": unit}});
    for (value, unit) in [
        ("184", "mm"),
        ("7 1/4", "in"),
        ("184.36", "mm"),
        ("7 1/2", "in"),
    ] {
        shop.has(make::with(make::engine(), &gauge(value, unit)))
            .await;
    }
    let found = async |query: &str| -> Vec<i64> {
        let list = shop.get(&format!("/v1/engines?{query}")).await.ok().body;
        let items = list["items"].as_array().expect("items").iter();
        items.filter_map(|it| it["stock_no"].as_i64()).collect()
    };
    assert_eq!(found("gauge_mm=184.15").await, [1, 2]);
    assert_eq!(found("gauge_mm=184").await, [1, 2]);
    assert_eq!(found("gauge_mm=184.3").await, [2, 3]);
    assert_eq!(found("gauge_mm=190.5,184").await, [1, 2, 4]);
    assert!(
        found("gauge_mm=-79228162514264337593543950335")
            .await
            .is_empty()
    );
}

#[actix_web::test]
async fn a_figure_beyond_all_reason_is_refused_and_none_is_too_large_for_its_column() {
    let shop = Shop::open().await;
    for gauge in ["99999999.99", "999999999"] {
        for unit in ["mm", "in", "ft"] {
            let wrong = json!({"gauge": {"value": gauge, "unit": unit}});
            let engine = make::with(make::engine(), &wrong);
            shop.post("/v1/acquisitions", &make::acquisition(&engine))
                .await
                .invalid_at("/engine/gauge");
        }
    }
    let most = json!({"gauge": {"value": "10000000", "unit": "mm"}});
    let mut taken = make::with(make::engine(), &most);
    taken["weight_confirmed"] = json!(true);
    let engine = shop.has(taken).await;
    shop.patch(
        &format!("/v1/engines/{engine}"),
        &json!({"gauge": {"value": "99999999.99", "unit": "in"}}),
    )
    .await
    .invalid_at("/gauge");
}

/// Wheelbase^2 / (8 x 0) is no number, so that there is no smallest curve; 0.25 x 1 lb pulls no 150 lb (arithmetic).
#[actix_web::test]
async fn what_an_engine_cannot_do_is_said_plainly() {
    let shop = Shop::open().await;
    let rigid = json!({"rigid_wheelbase": {"value": "12", "unit": "in"}, "side_play": {"value": "0", "unit": "in"},
        "adhesive_weight": {"value": "1", "unit": "lb"}});
    let stock_no = shop.has(make::with(make::engine(), &rigid)).await;
    let boiler = json!({"volume": {"value": "8.0", "unit": "l"}});
    let boiler = make::with(make::boiler(), &boiler);
    let boiler = shop.post("/v1/boilers", &boiler).await.created();
    assert_eq!(
        boiler.body["volume"],
        json!({"value": "8.0", "unit": "L", "l": "8"})
    );
    let shown = shop.get(&format!("/v1/engines/{stock_no}")).await.ok().body;
    assert_eq!(
        shown["side_play"],
        json!({"value": "0", "unit": "in", "mm": "0"})
    );
    let fitted = json!({"stock_no": stock_no, "installed_on": "2026-05-14"});
    shop.post(&format!("{}/installations", boiler.location()), &fitted)
        .await
        .created();
    let path = format!("/v1/engines/{stock_no}/working-figures");
    let figures = shop.get(&path).await.ok().body;
    assert_eq!(figures["load"]["on_the_level_lb"], "0");
    assert!(
        figures["load"]["caution"]
            .as_str()
            .is_some_and(|words| words.contains("cannot move itself even on the level")),
        "{figures}"
    );
    let curve = &figures["smallest_curve"];
    assert_eq!(
        (&curve["radius_m"], &curve["basis"]["missing"]),
        (&Value::Null, &json!([]))
    );
    assert!(
        curve["basis"]["estimate"]
            .as_str()
            .is_some_and(|words| words.contains("cannot go round any curve")),
        "{curve}"
    );
    let played = json!({"side_play": {"value": "0.060", "unit": "in"}});
    shop.patch(&format!("/v1/engines/{stock_no}"), &played)
        .await
        .ok();
    let figures = shop.get(&path).await.ok().body;
    assert!(
        figures["smallest_curve"]["radius_m"].is_string(),
        "{figures}"
    );
    let none = json!({"bore": {"value": "0", "unit": "in"}});
    shop.patch(&format!("/v1/engines/{stock_no}"), &none)
        .await
        .invalid_at("/bore/value");
}
