//! The demonstration: its steps load on any day, and what they show is true on that day.

use crate::{
    ground::faults,
    harness::{Shop, asked_until, cluster, statement, statement_in, text},
};
use outshop_api::{
    demo::{self, Keys},
    engines::photographs::Store,
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::Value;
use std::{os::unix::fs::PermissionsExt, path::Path, process::Command, time::Duration};

fn keys_of(shop: &Shop) -> Keys {
    let key = |role: &Role| (*role, shop.key(*role).to_owned());
    Keys::new(Role::ALL.iter().map(key).collect())
}

async fn demonstration(day: &str, third: usize) -> Shop {
    let shop = Shop::open().await;
    shop.set_day(day);
    let today = day.parse().expect("a day");
    faults::load_with_failing_calls(&shop, &keys_of(&shop), today, third).await;
    shop
}

async fn all(shop: &Shop, path: &str) -> Vec<Value> {
    let mut items = Vec::new();
    let mut next = Some(path.to_owned());
    while let Some(address) = next {
        let page = shop.get(&address).await.ok().body;
        items.extend(page["items"].as_array().expect("items").iter().cloned());
        next = page["next"].as_str().map(str::to_owned);
    }
    items
}

/// What the demonstration promises in its README, on the day of its loading, whichever call of the database failed meanwhile in a
/// third of the kinds of write.
async fn holds_what_it_promises(day: &str, third: usize) -> Shop {
    let shop = demonstration(day, third).await;
    assert_eq!(all(&shop, "/v1/engines?limit=200").await.len(), 40);
    let comparables = all(&shop, "/v1/comparables?limit=200").await;
    assert!(comparables.len() >= 300, "{}", comparables.len());
    assert!(
        comparables
            .iter()
            .all(|sale| text(&sale["on"]).as_str() < day)
    );

    let shown = all(&shop, "/v1/public/listings?limit=200").await;
    let for_sale = shown
        .iter()
        .filter(|item| item["availability"] == "for_sale");
    assert!(for_sale.count() >= 10, "{}", shown.len());
    for listing in &shown {
        words_and_papers_agree(&shop, listing, day).await;
    }

    let leaves = async |name: &str| {
        let stock_no = named(&shop, name).await;
        let path = format!("/v1/engines/{stock_no}/readiness?gate=deliver");
        shop.get(&path).await.ok().body
    };
    assert_eq!(leaves("Yarrowgate").await["open"], true, "it is packed");
    let thornwix = leaves("Thornwix").await;
    assert_eq!(
        unmet(&thornwix),
        ["hydraulic_paper", "steam_paper"],
        "{thornwix}"
    );
    asked_and_promised(&shop).await;
    shop
}

/// By its name, as a number that a failing call had taken is not given again.
async fn named(shop: &Shop, name: &str) -> i64 {
    let found = all(shop, &format!("/v1/engines?q={name}")).await;
    found[0]["stock_no"].as_i64().expect("a stock number")
}

async fn asked_and_promised(shop: &Shop) {
    let statuses = async |stock_no: i64| {
        let held = all(shop, &format!("/v1/reservations?stock_no={stock_no}")).await;
        let statuses = held.iter().map(|it| text(&it["status"]));
        statuses.collect::<Vec<_>>()
    };
    let marrowby = named(shop, "Marrowby").await;
    assert_eq!(statuses(marrowby).await, ["live", "queued", "queued"]);
    assert_eq!(all(shop, "/v1/deposits?held=true").await.len(), 1);
    let umberlow = named(shop, "Umberlow").await;
    let wants = all(shop, &format!("/v1/engines/{umberlow}/wants")).await;
    assert_eq!(wants.len(), 1);
    for (name, offer) in [("Drumlaw", "countered"), ("Wimble", "open")] {
        let engine = named(shop, name).await;
        let offers = all(shop, &format!("/v1/engines/{engine}/offers")).await;
        assert_eq!(offers[0]["status"], offer);
        assert!(offers[0]["chance_of_better"].is_string(), "{}", offers[0]);
    }
    let promises = all(shop, "/v1/promises").await;
    assert_eq!(promises.len(), 2);
    let in_danger = all(shop, "/v1/promises?in_danger=true").await;
    assert_eq!(in_danger.len(), 1, "{promises:?}");
    assert_eq!(
        in_danger[0]["stock_no"].as_i64(),
        Some(named(shop, "Vennerdale").await)
    );
    let pip = named(shop, "Pip").await;
    assert_eq!(statuses(pip).await, ["live"]);
    shop.clock
        .set(shop.clock.now() + jiff::SignedDuration::from_hours(1));
    assert_eq!(statuses(pip).await, ["lapsed"]);
}

fn unmet(readiness: &Value) -> Vec<String> {
    let checks = readiness["checks"].as_array().expect("checks");
    checks
        .iter()
        .filter(|check| check["outcome"] == "unmet")
        .map(|check| text(&check["check"]))
        .collect()
}

/// An engine offered as steamable was shown with papers in date; one that is not says so in its own words.
async fn words_and_papers_agree(shop: &Shop, listing: &Value, day: &str) {
    let stock_no = &listing["stock_no"];
    let engine = shop.get(&format!("/v1/engines/{stock_no}")).await.ok().body;
    let own = shop.get(&format!("/v1/public/listings/{stock_no}")).await;
    let words = text(&own.ok().body["description"]);
    assert!(
        words.len() > 40 && !words.contains("in date") && !words.contains("certif"),
        "papers are told from the records, not in prose: {words}"
    );
    if engine["offered_as"] != "steamable" {
        assert!(
            words.contains("restoration") || words.contains("without"),
            "{words}"
        );
        return;
    }
    let Some(boiler) = engine["boiler_id"].as_i64() else {
        assert_eq!(engine["has_boiler"], false);
        return;
    };
    let papers = shop
        .get(&format!("/v1/boilers/{boiler}/papers?on={day}"))
        .await;
    let papers = papers.ok().body;
    let held = &papers["days"][0]["papers_valid"];
    // Thornwix was on show before its boiler was worked on.
    assert_eq!(
        held,
        &(engine["name"] != "Thornwix"),
        "{stock_no}: {papers}"
    );
}

/// To load it takes long, so that all that is looked at on an ordinary day is looked at in one.
#[actix_web::test]
async fn the_demonstration_holds_what_it_promises_shows_nobody_and_prints_what_works() {
    let shop = holds_what_it_promises("2026-11-25", 0).await;
    nobody_is_public(&shop).await;
    what_is_printed_first_works_as_it_is_printed(&shop).await;
}

#[actix_web::test]
async fn the_demonstration_can_be_loaded_on_a_leap_day() {
    holds_what_it_promises("2028-02-29", 1).await;
}

#[actix_web::test]
async fn the_demonstration_can_be_loaded_at_the_end_of_a_long_month() {
    holds_what_it_promises("2027-03-31", 2).await;
}

async fn nobody_is_public(shop: &Shop) {
    let people = all(shop, "/v1/persons?limit=200").await;
    assert!(people.len() > 10);
    for path in ["/v1/public/listings?limit=200", "/v1/public/counts"] {
        let seen = shop.request(Method::GET, path).send().await;
        for person in &people {
            assert!(
                !seen.text.contains(&text(&person["name"])),
                "{person} in {path}"
            );
        }
    }
}

async fn what_is_printed_first_works_as_it_is_printed(shop: &Shop) {
    let address = shop.url.trim_start_matches("http://").parse();
    let printed = demo::welcome(
        address.expect("an address"),
        &keys_of(shop),
        Path::new("outshop-data"),
    );
    let printed = printed.expect("a key for every role");
    let lines = printed
        .lines()
        .map(str::trim)
        .filter(|line| line.starts_with("curl "));
    let mut answers = Vec::new();
    for line in lines {
        let mut shell = Command::new("sh");
        shell.args(["-c", line]);
        let run = tokio::task::spawn_blocking(move || shell.output());
        let output = run.await.expect("no panic").expect("a shell");
        let answer: Value = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|e| panic!("{line}: {e}: {output:?}"));
        answers.push(answer);
    }
    let [listings, readiness, valuation] = answers.as_slice() else {
        panic!("three things to try: {printed}");
    };
    assert_eq!(listings["items"].as_array().map(Vec::len), Some(3));
    assert_eq!(readiness["open"], false);
    assert!(
        valuation["steps"]
            .as_array()
            .is_some_and(|steps| steps.len() > 5)
    );
}

fn store_in(folder: &Path) -> Store {
    let place = folder.join("photographs");
    Store::at(place.to_str().expect("a path")).expect("a store")
}

/// The harness of migrations needs a runtime of several threads.
fn on_threads<T: Send>(work: impl AsyncFnOnce() -> T + Send) -> T {
    let run = || {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .expect("a runtime");
        runtime.block_on(work())
    };
    std::thread::scope(|scope| scope.spawn(run).join().expect("no panic"))
}

fn opened(folder: &Path) -> Result<Keys, String> {
    on_threads(async || demo::open(cluster(), folder, store_in(folder)).await)
}

/// Begins to load, and is broken off when there are some engines.
fn broken_off(folder: &Path) {
    on_threads(async || {
        let has_engines = async || {
            // The keys are kept when there are tables.
            if !folder.join("keys.json").exists() {
                tokio::time::sleep(Duration::from_millis(10)).await;
                return false;
            }
            let some = "SELECT 'engine' FROM engines LIMIT 1";
            !statement_in(&cluster().url(), some).await.is_empty()
        };
        tokio::select! {
            loaded = demo::open(cluster(), folder, store_in(folder)) => panic!("not broken off: {loaded:?}"),
            has_some = asked_until(has_engines, |has_some| *has_some) => assert!(has_some, "it loads nothing"),
        }
    });
}

#[actix_web::test]
async fn the_demonstration_is_loaded_once_and_a_broken_loading_begins_afresh() {
    let folder = std::env::temp_dir().join(format!("outshop-demo-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let postgres = async |sql: &str| statement(cluster(), "postgres", sql).await;
    postgres("DROP DATABASE IF EXISTS outshop WITH (FORCE)").await;
    postgres("CREATE DATABASE outshop").await;

    broken_off(&folder);
    let file = folder.join("keys.json");
    let of_half = std::fs::read_to_string(&file).expect("keys.json");
    let first = opened(&folder).expect("it loads");
    let mode = std::fs::metadata(&file)
        .expect("keys.json")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o600);
    let kept = std::fs::read_to_string(&file).expect("keys.json");
    assert_ne!(kept, of_half, "half a firm is not kept");
    let names: Value = serde_json::from_str(&kept).expect("JSON");
    let names: Vec<_> = names.as_object().expect("an object").keys().collect();
    assert_eq!(
        names,
        ["proprietor", "fitter", "seller", "bookkeeper", "website"]
    );

    assert_eq!(opened(&folder), Ok(first), "started again: nothing new");
    assert_eq!(std::fs::read_to_string(&file).expect("keys.json"), kept);

    postgres("COMMENT ON DATABASE outshop IS NULL").await;
    let refusal = opened(&folder).expect_err("a firm's own records");
    assert!(refusal.contains("--data"), "{refusal}");
    std::fs::remove_dir_all(&folder).expect("the folder goes");
}
