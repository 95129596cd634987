//! Boiler codes as rows that are added and ended.

use crate::harness::Shop;
use outshop_core::{boilers::codes, trade::Role, units::four_places};
use reqwest::Method;
use serde_json::{Value, json};

/// The code of Great Britain, which is the first of a new shop.
const GB: &str = "/v1/boiler-codes/1";

fn club_rule() -> Value {
    json!({"rule": "steam_interval", "value": "12", "unit": "months", "effect": "blocks", "from": "2026-01-01",
        "source": "Rules of the Quillow Lane club, 2026, section 4", "confidence": "published"})
}

/// The rows themselves are checked against their sources where core holds them.
#[actix_web::test]
async fn a_new_shop_has_every_row_of_core_s_seed() {
    let shop = Shop::open().await;
    let codes = shop.get("/v1/boiler-codes").await.ok().body;
    let mut stored = Vec::new();
    for code in codes["items"].as_array().expect("items") {
        let page = shop
            .get(&format!("/v1/boiler-codes/{}", code["id"]))
            .await
            .ok()
            .body;
        assert_eq!(page["name"], code["name"]);
        for rule in page["rules"].as_array().expect("rules") {
            let mut row = rule.clone();
            let row_object = row.as_object_mut().expect("an object");
            row_object.remove("id");
            assert_eq!(row_object.remove("code_id").as_ref(), Some(&code["id"]));
            stored.push((code["jurisdiction"].clone(), code["name"].clone(), row));
        }
    }
    let seed: Vec<(Value, Value, Value)> = codes::seed()
        .iter()
        .map(|rule| {
            let row = json!({
                "rule": rule.rule, "material": rule.material, "band": rule.band, "first_service_from": rule.first_service_from,
                "value": rule.value.map(four_places), "unit": rule.unit, "effect": rule.effect, "from": rule.valid_from,
                "until": rule.valid_until, "source": rule.source, "confidence": rule.mark, "notes": rule.notes, "accepts": rule.accepts,
            });
            (json!(rule.jurisdiction), json!(rule.code), row)
        })
        .collect();
    assert!(seed.len() > 20);
    assert_eq!(stored, seed);
    let swiss = shop.get("/v1/boiler-codes?jurisdiction=CH").await.ok().body;
    assert_eq!(swiss["items"].as_array().map(Vec::len), Some(1));
}

/// Until when a steam test of that day holds for a copper boiler tested with water in 2025.
async fn steam_until(shop: &Shop, on: &str) -> Value {
    let question = json!({
        "jurisdiction": "GB",
        "boiler": {"number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
            "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-04-01"},
        "events": [
            {"event": "test", "test": "hydraulic_repeat", "on": "2025-11-01", "pressure": {"value": "135", "unit": "psi"},
                "hold_minutes": 10, "passed": true, "boiler_number": "QLW 1187"},
            {"event": "test", "test": "steam", "on": on, "highest_pressure": {"value": "90", "unit": "psi"}, "passed": true,
                "boiler_number": "QLW 1187"},
        ],
    });
    let answer = shop
        .post("/v1/calculations/papers", &question)
        .await
        .ok()
        .body;
    let papers = answer["papers"].as_array().expect("papers");
    let steam = papers.iter().find(|paper| paper["paper"] == "steam");
    steam.map_or(Value::Null, |paper| paper["until"].clone())
}

/// Steam papers of the British code may run to 14 months; clubs also issue 12 (both published). The rules that hold are
/// those in force on the day of the test (plain reading).
#[actix_web::test]
async fn a_club_s_rule_holds_for_tests_from_its_first_day() {
    let shop = Shop::open().await;
    assert_eq!(steam_until(&shop, "2026-02-01").await, "2027-04-01");
    let added = shop
        .post(&format!("{GB}/rules"), &club_rule())
        .await
        .created();
    assert_eq!(shop.get(&added.location()).await.ok().body, added.body);
    assert_eq!(steam_until(&shop, "2025-12-31").await, "2027-02-28");
    assert_eq!(steam_until(&shop, "2026-01-01").await, "2027-01-01");
    let endings = format!("{}/end", added.location());
    shop.post(&endings, &json!({"until": "2025-12-31"}))
        .await
        .invalid_at("/until");
    let ended = shop
        .post(&endings, &json!({"until": "2026-03-31"}))
        .await
        .created();
    assert_eq!(ended.body["until"], "2026-03-31");
    assert_eq!(steam_until(&shop, "2026-03-31").await, "2027-03-31");
    assert_eq!(steam_until(&shop, "2026-04-01").await, "2027-06-01");
    shop.post(&endings, &json!({"until": "2026-04-30"}))
        .await
        .refused("conflict")
        .is(409);
    assert_eq!(
        shop.journal().await,
        ["boiler_code.rule_created", "boiler_code.rule_ended"]
    );
}

#[actix_web::test]
async fn a_code_of_another_country_begins_empty() {
    let shop = Shop::open().await;
    let new = json!({"jurisdiction": "NZ", "name": "model engineers' boiler code"});
    let made = shop.post("/v1/boiler-codes", &new).await.created();
    assert_eq!(made.body["rules"], json!([]));
    assert_eq!(shop.get(&made.location()).await.ok().body, made.body);
    shop.post("/v1/boiler-codes", &new)
        .await
        .refused("conflict")
        .is(409);
    shop.post(
        "/v1/boiler-codes",
        &json!({"jurisdiction": "New Zealand", "name": "x"}),
    )
    .await
    .invalid_at("/jurisdiction");
    shop.patch("/v1/firm", &json!({"jurisdiction": "Narnia"}))
        .await
        .invalid_at("/jurisdiction");
}

#[actix_web::test]
async fn what_is_wrong_with_a_rule_is_named() {
    let shop = Shop::open().await;
    for (change, pointer) in [
        (json!({"rule": "colour"}), "/rule"),
        (json!({"unit": "minutes"}), "/unit"),
        (json!({"unit": "for_life"}), "/value"),
        (json!({"value": null}), "/value"),
        (json!({"value": "0"}), "/value"),
        (json!({"value": "1.5"}), "/value"),
        (json!({"value": "1201"}), "/value"),
        (json!({"value": 12}), "/value"),
        (json!({"value": "1e3"}), "/value"),
        (json!({"from": null}), "/from"),
        (json!({"until": "2025-12-31"}), "/until"),
        (json!({"source": ""}), "/source"),
        (json!({"confidence": "certain"}), "/confidence"),
        (
            json!({"rule": "caution", "unit": "yes", "value": null}),
            "/notes",
        ),
    ] {
        let rule = crate::make::with(club_rule(), &change);
        shop.post(&format!("{GB}/rules"), &rule)
            .await
            .invalid_at(pointer);
    }
    shop.post("/v1/boiler-codes/99/rules", &club_rule())
        .await
        .refused("not_found")
        .is(404);
    shop.get("/v1/boiler-codes/99").await.refused("not_found");
    shop.get("/v1/boiler-codes/2/rules/1")
        .await
        .refused("not_found");
    shop.get("/v1/boiler-codes/1/rules/x")
        .await
        .refused("not_found")
        .is(404);
    shop.post(
        "/v1/boiler-codes/2/rules/1/end",
        &json!({"until": "2026-12-31"}),
    )
    .await
    .refused("not_found");
    shop.request(Method::DELETE, "/v1/boiler-codes/1/rules/1")
        .by(&shop, Role::Proprietor)
        .send()
        .await
        .refused("method_not_allowed")
        .is(405);
    assert_eq!(shop.journal().await, [""; 0]);
}

#[actix_web::test]
async fn the_proprietor_writes_the_codes_and_every_key_reads_them() {
    let shop = Shop::open().await;
    for role in Role::ALL {
        for address in ["/v1/boiler-codes", GB] {
            shop.request(Method::GET, address)
                .by(&shop, *role)
                .send()
                .await
                .ok();
        }
        let status = if *role == Role::Proprietor { 201 } else { 403 };
        for (address, body) in [
            (format!("{GB}/rules"), club_rule()),
            (format!("{GB}/rules/1/end"), json!({"until": "2030-12-31"})),
        ] {
            let post = shop
                .request(Method::POST, &address)
                .by(&shop, *role)
                .json(&body);
            post.send().await.is(status);
        }
    }
}
