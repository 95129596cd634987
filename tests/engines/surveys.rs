//! Surveys, their findings, and what clears them.

use crate::{
    harness::{Answer, Shop},
    make,
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

const ENGINE: &str = "/v1/engines/1";

/// A shop with engine 1, which came on 2026-01-05.
async fn shop_with_an_engine() -> Shop {
    let shop = Shop::open().await;
    assert_eq!(shop.has(make::engine()).await, 1);
    shop
}

impl Shop {
    /// Records a survey of engine 1 on that day that found these words, and gives it.
    pub async fn surveyed(&self, on: &str, findings: &[&str], clears: &[i64]) -> Answer {
        let findings: Vec<Value> = findings
            .iter()
            .map(|words| json!({"area": "boiler", "severity": "stops_steaming", "description": words}))
            .collect();
        let survey =
            json!({"on": on, "surveyor": "Edda Morlock", "findings": findings, "clears": clears});
        self.post(&format!("{ENGINE}/surveys"), &survey).await
    }

    /// Words of the findings of engine 1 that a query lists.
    pub async fn findings(&self, query: &str) -> Vec<Value> {
        let page = self.get(&format!("{ENGINE}/findings?{query}")).await.ok();
        let items = page.body["items"].as_array().expect("items");
        items
            .iter()
            .map(|finding| finding["description"].clone())
            .collect()
    }
}

#[actix_web::test]
async fn a_survey_keeps_a_grade_for_each_area_that_was_looked_at() {
    let shop = shop_with_an_engine().await;
    let survey = json!({
        "on": "2026-04-08", "surveyor": "Edda Morlock", "build_quality": "fine",
        "grades": {"boiler": "good", "motion": "worn", "completeness": "as_new"},
        "findings": [{"area": "motion", "severity": "note", "description": "expansion link slack"}]
    });
    let made = shop
        .request(Method::POST, &format!("{ENGINE}/surveys"))
        .by(&shop, Role::Fitter)
        .json(&survey)
        .send()
        .await
        .created();
    assert_eq!(
        made.body["grades"],
        json!({"boiler": "good", "fittings_and_feeds": null, "cylinders_and_valves": null, "motion": "worn",
            "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": null, "completeness": "as_new"})
    );
    let finding = &made.body["findings"][0];
    assert_eq!(
        (
            &finding["description"],
            &finding["found_on"],
            &finding["released"]
        ),
        (
            &json!("expansion link slack"),
            &json!("2026-04-08"),
            &json!(false)
        )
    );
    for role in [
        Role::Proprietor,
        Role::Fitter,
        Role::Seller,
        Role::Bookkeeper,
    ] {
        let read = shop
            .request(Method::GET, &made.location())
            .by(&shop, role)
            .send()
            .await
            .ok();
        assert_eq!(
            (read.body.clone(), read.etag()),
            (made.body.clone(), made.etag())
        );
    }
    let listed = shop.get(&format!("{ENGINE}/surveys")).await.ok();
    assert_eq!(listed.body["items"], json!([made.body]));
    assert_eq!(shop.journal().await, ["engine.acquired", "engine.surveyed"]);
    let journal = shop.get("/v1/journal?after=6").await.ok();
    assert_eq!(
        journal.body["items"][0]["data"],
        json!({"survey_id": made.id(), "findings": [finding["id"]], "clears": []}),
        "ids only, no name of a person"
    );
}

#[actix_web::test]
async fn an_engine_is_surveyed_from_the_day_it_came_to_today() {
    let shop = shop_with_an_engine().await;
    for outside in ["2026-01-04", "2026-05-15"] {
        shop.surveyed(outside, &[], &[]).await.invalid_at("/on");
    }
    assert_eq!(shop.journal().await, ["engine.acquired"]);
    for inside in ["2026-01-05", "2026-05-14"] {
        shop.surveyed(inside, &[], &[]).await.created();
    }
}

#[actix_web::test]
async fn what_is_wrong_with_a_survey_is_named() {
    let shop = shop_with_an_engine().await;
    let fine = json!({"on": "2026-04-08", "surveyor": "Edda Morlock"});
    let twice = json!({"area": "boiler", "severity": "note", "description": "weeps"});
    for (change, pointer) in [
        (json!({"on": "8 April"}), "/on"),
        (json!({"surveyor": " "}), "/surveyor"),
        (json!({"build_quality": "superb"}), "/build_quality"),
        (json!({"grades": {"boiler": "lovely"}}), "/grades/boiler"),
        (json!({"grades": {"tender": "good"}}), "/grades/tender"),
        (
            json!({"findings": [{"area": "boiler", "severity": "grave", "description": "weeps"}]}),
            "/findings/0/severity",
        ),
        (json!({"findings": [twice, twice]}), "/findings"),
        (json!({"clears": [9]}), "/clears/0"),
        (json!({"clears": [9, 9]}), "/clears"),
        (json!({"id": 4}), "/id"),
    ] {
        shop.post(
            &format!("{ENGINE}/surveys"),
            &make::with(fine.clone(), &change),
        )
        .await
        .invalid_at(pointer);
    }
    for missing in ["/v1/engines/2/surveys", "/v1/engines/2/findings"] {
        shop.get(missing).await.refused("not_found").is(404);
    }
    shop.post("/v1/engines/2/surveys", &fine)
        .await
        .refused("not_found")
        .is(404);
    shop.get("/v1/surveys/1").await.refused("not_found").is(404);
    shop.get("/v1/findings/1")
        .await
        .refused("not_found")
        .is(404);
    assert_eq!(shop.journal().await, ["engine.acquired"]);
}

#[actix_web::test]
async fn surveys_are_the_workshops_to_write_and_the_staffs_to_read() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-04-08", &["weeps"], &[]).await.created();
    for role in [Role::Seller, Role::Bookkeeper, Role::Website] {
        shop.request(Method::POST, &format!("{ENGINE}/surveys"))
            .by(&shop, role)
            .json(&json!({"on": "2026-04-08", "surveyor": "A"}))
            .send()
            .await
            .refused("forbidden");
    }
    for address in ["/v1/surveys/1", "/v1/findings/1", "/v1/engines/1/findings"] {
        shop.request(Method::GET, address)
            .by(&shop, Role::Website)
            .send()
            .await
            .refused("forbidden");
    }
}

#[actix_web::test]
async fn a_finding_stays_open_until_a_survey_of_a_later_day_sees_it_gone() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-03-02", &["stay nut weeps", "gauge cock stiff"], &[])
        .await
        .created();
    shop.surveyed("2026-03-02", &[], &[1])
        .await
        .invalid_at("/clears/0");
    assert_eq!(
        shop.findings("open=true").await,
        ["stay nut weeps", "gauge cock stiff"]
    );
    let later = shop
        .surveyed("2026-03-03", &["paint chipped"], &[1])
        .await
        .created();
    assert_eq!(later.body["clears"], json!([1]));
    let cleared = shop.get("/v1/findings/1").await.ok().body;
    assert_eq!(
        (&cleared["cleared_on"], &cleared["cleared_by_survey_id"]),
        (&json!("2026-03-03"), &later.body["id"])
    );
    assert_eq!(
        shop.findings("open=true").await,
        ["gauge cock stiff", "paint chipped"]
    );
    assert_eq!(shop.findings("open=false").await, ["stay nut weeps"]);
    assert_eq!(shop.findings("limit=200").await.len(), 3);
    shop.get(&format!("{ENGINE}/findings?open=perhaps"))
        .await
        .refused("invalid_query");
    shop.surveyed("2026-03-04", &[], &[2, 1])
        .await
        .invalid_at("/clears/1");
    assert_eq!(
        shop.findings("open=true").await.len(),
        2,
        "all of a survey, or none"
    );
}

#[actix_web::test]
async fn a_survey_clears_findings_of_its_own_engine_only() {
    let shop = shop_with_an_engine().await;
    shop.has(make::engine()).await;
    shop.surveyed("2026-03-02", &["stay nut weeps"], &[])
        .await
        .created();
    let other = json!({"on": "2026-03-03", "surveyor": "Edda Morlock", "clears": [1]});
    shop.post("/v1/engines/2/surveys", &other)
        .await
        .invalid_at("/clears/0");
    assert_eq!(shop.findings("open=true").await, ["stay nut weeps"]);
}

#[actix_web::test]
async fn a_finding_is_released_to_the_public_by_those_who_sell() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-03-02", &["stay nut weeps"], &[])
        .await
        .created();
    let address = "/v1/findings/1";
    let etag = shop.get(address).await.ok().etag();
    let change = |role| {
        shop.request(Method::PATCH, address)
            .by(&shop, role)
            .if_match(&etag)
            .merge_patch(&json!({"released": true}))
            .send()
    };
    change(Role::Fitter).await.refused("forbidden").is(403);
    change(Role::Bookkeeper).await.refused("forbidden");
    assert_eq!(
        change(Role::Seller).await.ok().body["released"],
        json!(true)
    );
    change(Role::Seller).await.refused("precondition_failed");
    shop.patch(address, &json!({"description": "nothing to see"}))
        .await
        .invalid_at("/description");
    shop.patch(address, &json!({"released": null}))
        .await
        .invalid_at("/released");
    shop.patch(address, &json!({})).await.ok();
    assert_eq!(
        shop.journal().await,
        ["engine.acquired", "engine.surveyed", "finding.changed"]
    );
}

#[actix_web::test]
async fn a_survey_sent_twice_is_recorded_once() {
    let shop = shop_with_an_engine().await;
    let send = || {
        shop.request(Method::POST, &format!("{ENGINE}/surveys"))
            .by(&shop, Role::Fitter)
            .header("idempotency-key", "survey-1")
            .json(&json!({"on": "2026-04-08", "surveyor": "Edda Morlock"}))
            .send()
    };
    assert_eq!(send().await.created().text, send().await.created().text);
    assert_eq!(shop.journal().await, ["engine.acquired", "engine.surveyed"]);
}
