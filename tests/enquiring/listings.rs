//! Listings: from draft to withdrawal, and what keeps an engine off show.

use crate::{harness::Shop, make};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

fn address(stock_no: i64) -> String {
    format!("/v1/engines/{stock_no}/listing")
}

fn of_listings(journal: Vec<String>) -> Vec<String> {
    let mut journal = journal;
    journal.retain(|what| what.starts_with("listing."));
    journal
}

#[actix_web::test]
async fn a_listing_is_drafted_changed_published_and_withdrawn() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    let (own, public) = (address(engine), format!("/v1/public/listings/{engine}"));

    // A draft is there once and for staff only; visitors do not see it, and it cannot be withdrawn.
    let drafted = shop.post(&own, &make::listing()).await.created();
    assert_eq!(drafted.location(), own);
    assert_eq!(drafted.body["status"], "draft");
    assert_eq!(
        drafted.body["page_name"],
        format!("marrowby-a-5-in-gauge-0-6-0-{engine}")
    );
    assert_eq!(shop.get(&own).await.ok().body, drafted.body);
    shop.post(&own, &make::listing())
        .await
        .refused("conflict")
        .is(409);
    shop.get(&public).await.refused("not_found").is(404);
    let withdrawals = format!("{own}/withdrawals");
    shop.post(&withdrawals, &json!({}))
        .await
        .refused("conflict");

    // Its text may change; its page name stays, and its status is not set by hand.
    let changed = shop.patch(&own, &json!({"title": "Marrowby"})).await.ok();
    assert_eq!(changed.body["title"], "Marrowby");
    assert_eq!(changed.body["page_name"], drafted.body["page_name"]);
    for change in [
        json!({"title": null}),
        json!({"description": ""}),
        json!({"price_on_request": null}),
        json!({"status": "published"}),
        json!({"page_name": "other"}),
    ] {
        shop.patch(&own, &change).await.refused("invalid").is(422);
    }

    // It is published once, and visitors see every later change.
    let publications = format!("{own}/publications");
    let shown = shop.post(&publications, &json!({})).await.created();
    assert_eq!(
        (&shown.body["status"], &shown.body["on_show_since"]),
        (&json!("published"), &json!("2026-05-14"))
    );
    assert_eq!(shop.get(&public).await.ok().body["title"], "Marrowby");
    shop.post(&publications, &json!({}))
        .await
        .refused("conflict");
    shop.patch(&own, &json!({"description": "Run twice a year."}))
        .await
        .ok();
    assert_eq!(
        shop.get(&public).await.ok().body["description"],
        "Run twice a year."
    );

    // Withdrawn, it is gone for visitors, and staff read the reason.
    let reason = json!({"reason": "the owner wants it back"});
    let withdrawn = shop.post(&withdrawals, &reason).await.created();
    assert_eq!(
        withdrawn.body["withdrawal_reason"],
        "the owner wants it back"
    );
    assert_eq!(withdrawn.body["on_show_since"], Value::Null);
    shop.get(&public).await.refused("gone").is(410);
    shop.post(&withdrawals, &json!({}))
        .await
        .refused("conflict");

    // It may be published again without a trace of the withdrawal, which the journal keeps.
    let again = shop.post(&publications, &json!({})).await.created();
    assert_eq!(
        (
            &again.body["withdrawn_on"],
            &again.body["withdrawal_reason"]
        ),
        (&Value::Null, &Value::Null)
    );
    assert_eq!(
        of_listings(shop.journal_of(engine).await),
        [
            "listing.created",
            "listing.changed",
            "listing.published",
            "listing.changed",
            "listing.withdrawn",
            "listing.published"
        ]
    );
}

#[actix_web::test]
async fn only_a_draft_may_be_discarded_and_only_after_reading_it() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    let own = address(engine);
    shop.has_drafted(engine, &make::listing()).await;
    let old = shop.get(&own).await.ok().etag();
    let delete = || shop.request(Method::DELETE, &own).by(&shop, Role::Seller);
    delete()
        .send()
        .await
        .refused("precondition_required")
        .is(428);
    shop.patch(&own, &json!({"title": "Other"})).await.ok();
    delete()
        .if_match(&old)
        .send()
        .await
        .refused("precondition_failed")
        .is(412);
    let present = shop.get(&own).await.ok().etag();
    delete().if_match(&present).send().await.is(204);
    shop.get(&own).await.refused("not_found");
    delete()
        .if_match(&present)
        .send()
        .await
        .refused("not_found");

    shop.has_drafted(engine, &make::listing()).await;
    shop.has_published(engine).await;
    let shown = shop.get(&own).await.ok().etag();
    delete()
        .if_match(&shown)
        .send()
        .await
        .refused("conflict")
        .is(409);
    assert_eq!(
        of_listings(shop.journal_of(engine).await),
        [
            "listing.created",
            "listing.changed",
            "listing.discarded",
            "listing.created",
            "listing.published"
        ]
    );
}

#[actix_web::test]
async fn a_listing_is_not_published_until_the_list_gate_is_open() {
    let shop = Shop::open().await;
    let engine = shop
        .has(make::with(make::engine(), &json!({"has_boiler": false})))
        .await;
    let publications = format!("{}/publications", address(engine));
    shop.post(&publications, &json!({}))
        .await
        .refused("not_found");
    shop.has_drafted(engine, &make::listing()).await;
    let refused = shop
        .post(&publications, &json!({}))
        .await
        .refused("not_ready")
        .is(409);
    let checks: Vec<&Value> = refused.body["reasons"]
        .as_array()
        .expect("reasons")
        .iter()
        .map(|reason| &reason["check"])
        .collect();
    assert_eq!(
        checks,
        ["findings", "grades", "photographs", "asking_price"]
    );
    assert_eq!(
        of_listings(shop.journal_of(engine).await),
        ["listing.created"],
        "a refusal leaves no trace"
    );
    shop.has_surveyed(engine, &json!([])).await;
    shop.has_photographed(engine).await;
    let refused = shop
        .post(&publications, &json!({}))
        .await
        .refused("not_ready");
    assert_eq!(refused.body["reasons"][0]["check"], "asking_price");
    assert_eq!(refused.body["reasons"].as_array().map(Vec::len), Some(1));
    shop.has_priced(engine, "7680.00").await;
    shop.post(&publications, &json!({})).await.created();
}

#[actix_web::test]
async fn a_sold_engine_is_not_published() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_drafted(engine, &make::listing()).await;
    shop.has_sold(engine).await;
    shop.post(&format!("{}/publications", address(engine)), &json!({}))
        .await
        .refused("already_sold")
        .is(409);
}

#[actix_web::test]
async fn a_page_name_is_plain_and_unique() {
    let shop = Shop::open().await;
    let (first, second) = (
        shop.has(make::engine()).await,
        shop.has(make::engine()).await,
    );
    let named = |name: &str| make::with(make::listing(), &json!({"page_name": name}));
    for bad in [
        "",
        "Marrowby",
        "a b",
        "a--b",
        "-a",
        "a/b",
        "é",
        &"a".repeat(101),
    ] {
        shop.post(&address(first), &named(bad))
            .await
            .invalid_at("/page_name");
    }
    let made = shop
        .post(&address(first), &named(&"a".repeat(100)))
        .await
        .created();
    assert_eq!(made.body["page_name"], "a".repeat(100));
    shop.post(&address(second), &named(&"a".repeat(100)))
        .await
        .refused("conflict")
        .is(409);
    shop.post("/v1/engines/999/listing", &make::listing())
        .await
        .refused("not_found");
}

#[actix_web::test]
async fn only_one_of_two_simultaneous_publications_succeeds() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_drafted(engine, &make::listing()).await;
    let path = format!("{}/publications", address(engine));
    let both = [Role::Proprietor, Role::Seller].map(|role| {
        let asked = shop.request(Method::POST, &path).by(&shop, role);
        actix_web::rt::spawn(asked.json(&json!({})).send())
    });
    let mut statuses = Vec::new();
    for answer in both {
        statuses.push(answer.await.expect("an answer").status);
    }
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409]);
    assert_eq!(
        of_listings(shop.journal_of(engine).await),
        ["listing.created", "listing.published"]
    );
}

/// BCP 47 (RFC 5646) and the registry of its subtags: `de-CH` is one of its examples, and no language is registered as `zq`.
#[actix_web::test]
async fn texts_are_kept_in_the_languages_of_the_firm() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let (own, public) = (address(engine), format!("/v1/public/listings/{engine}"));

    // A translation into a language that the firm does not use is refused.
    let german = |language: &str| {
        json!({"translations": [{"language": language, "title": "Schlepptenderlok",
            "description": "In neun Wintern gebaut."}]})
    };
    let refused = shop.patch(&own, &german("de-CH")).await.refused("invalid");
    assert_eq!(
        refused.is(422).body["errors"][0]["pointer"],
        "/translations/0/language"
    );

    // The firm's languages must exist and be named once, and there must be at least one.
    for languages in [
        json!([]),
        json!(["en", "zq"]),
        json!(["en", "en"]),
        json!(["x"]),
        json!(null),
    ] {
        let change = json!({"languages": languages});
        shop.patch("/v1/firm", &change)
            .await
            .refused("invalid")
            .is(422);
    }
    let firm = shop
        .patch("/v1/firm", &json!({"languages": ["en", "de-ch"]}))
        .await
        .ok();
    assert_eq!(firm.body["languages"], json!(["en", "de-CH"]));

    // Each language has one translation, and the firm's main language has none.
    let changed = shop.patch(&own, &german("de-CH")).await.ok();
    assert_eq!(
        changed.body["translations"],
        german("de-CH")["translations"]
    );
    shop.patch(&own, &german("en"))
        .await
        .refused("invalid")
        .is(422);
    let twice = json!({"translations": [{"language": "de-CH", "title": "a", "description": "b"},
        {"language": "de-CH", "title": "c", "description": "d"}]});
    shop.patch(&own, &twice).await.refused("invalid").is(422);

    // Visitors read both languages and find the engine by its German title.
    let seen = shop.get(&public).await.ok().body;
    assert_eq!(seen["language"], "en");
    assert_eq!(
        seen["titles"],
        json!([{"language": "de-CH", "title": "Schlepptenderlok"}])
    );
    assert_eq!(seen["translations"], german("de-CH")["translations"]);
    let found = shop
        .get("/v1/public/listings?q=schlepptenderlok")
        .await
        .ok()
        .body;
    assert_eq!(found["items"][0]["stock_no"], engine);

    // While a translation exists, its language cannot be dropped or become the main one.
    shop.patch("/v1/firm", &json!({"languages": ["en"]}))
        .await
        .refused("conflict")
        .is(409);
    shop.patch("/v1/firm", &json!({"languages": ["de-CH", "en"]}))
        .await
        .refused("conflict")
        .is(409);
    shop.patch(&own, &json!({"translations": []})).await.ok();
    shop.patch("/v1/firm", &json!({"languages": ["en"]}))
        .await
        .ok();
}
