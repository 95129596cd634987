//! What the passing of a day alone changes, told once.

use crate::{harness::Shop, make};
use outshop_api::{
    ground::clock::day_in,
    notifying::midnight::{AT_ONCE, days, take_back, turn},
};
use outshop_core::{days::Day, trade::Role};
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    /// What a running process does now and then; gives the number of days begun.
    async fn turns_the_day(&self) -> usize {
        turn(&self.db, self.clock.now(), AT_ONCE)
            .await
            .expect("a turn")
    }

    /// Day and content of what midnight wrote.
    async fn by_midnight(&self) -> Vec<(String, Value)> {
        let page = self.get("/v1/journal?limit=500").await.ok();
        let items = page.body["items"].as_array().expect("items");
        let own = items.iter().filter(|entry| entry["by"] == "midnight");
        own.map(|entry| {
            assert_eq!(entry["type"], "readiness.changed");
            (
                crate::harness::text(&entry["on"]),
                json!([entry["stock_no"], entry["data"]["gates"]]),
            )
        })
        .collect()
    }
}

/// An engine with a steam test certificate valid to 1 June 2026 (14 months: British code, published).
async fn in_ticket(shop: &Shop) -> i64 {
    let (engine, boiler) = shop.has_engine_with(make::boiler()).await;
    for test in [make::hydraulic("2023-05-14"), make::steam("2025-04-01")] {
        shop.post(&format!("{boiler}/tests"), &test).await.created();
    }
    engine
}

#[actix_web::test]
async fn a_paper_that_lapses_is_told_once_on_the_day_after_its_last() {
    let shop = Shop::open().await;
    let engine = in_ticket(&shop).await;
    shop.set_day("2026-05-31");
    assert_eq!(
        shop.turns_the_day().await,
        1,
        "the first day has none before it"
    );
    shop.set_day("2026-06-01");
    assert_eq!(shop.turns_the_day().await, 1);
    assert_eq!(shop.by_midnight().await, []);
    shop.set_day("2026-06-02");
    assert_eq!(shop.turns_the_day().await, 1);
    assert_eq!(
        shop.turns_the_day().await,
        0,
        "a second run finds nothing to do"
    );
    let told = shop.by_midnight().await;
    assert_eq!(told.len(), 1, "{told:?}");
    let (on, what) = &told[0];
    assert_eq!((on.as_str(), &what[0]), ("2026-06-02", &json!(engine)));
    for gate in what[1].as_array().expect("gates") {
        let checks = gate["checks"].as_array().expect("checks");
        assert!(checks.contains(&json!("steam_paper")), "{gate}");
    }
    assert_eq!(
        what[1].as_array().map(Vec::len),
        Some(2),
        "both gates ask for it"
    );
}

#[actix_web::test]
async fn days_missed_while_nobody_ran_are_told_each_under_its_own_date() {
    let shop = Shop::open().await;
    let engine = in_ticket(&shop).await;
    shop.set_day("2026-05-31");
    shop.turns_the_day().await;
    shop.set_day("2026-06-05");
    assert_eq!(shop.turns_the_day().await, 5);
    let told = shop.by_midnight().await;
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(
        (told[0].0.as_str(), &told[0].1[0]),
        ("2026-06-02", &json!(engine))
    );
}

#[actix_web::test]
async fn two_processes_tell_a_day_once() {
    let shop = Shop::open().await;
    in_ticket(&shop).await;
    shop.set_day("2026-05-31");
    shop.turns_the_day().await;
    shop.set_day("2026-06-05");
    let now = shop.clock.now();
    let (one, other, third) = tokio::join!(
        turn(&shop.db, now, AT_ONCE),
        turn(&shop.db, now, AT_ONCE),
        turn(&shop.db, now, AT_ONCE)
    );
    let begun = [one, other, third].map(|n| n.expect("a turn"));
    assert!(begun.iter().sum::<usize>() <= 5, "{begun:?}");
    shop.turns_the_day().await;
    assert_eq!(shop.by_midnight().await.len(), 1);
}

#[actix_web::test]
async fn a_clock_set_back_tells_nothing_and_forward_again_nothing_twice() {
    let shop = Shop::open().await;
    in_ticket(&shop).await;
    for (day, begun) in [
        ("2026-06-01", 1),
        ("2026-06-02", 1),
        ("2026-06-01", 0),
        ("2026-05-20", 0),
        ("2026-06-02", 0),
    ] {
        shop.set_day(day);
        assert_eq!(shop.turns_the_day().await, begun, "{day}");
    }
    assert_eq!(shop.by_midnight().await.len(), 1);
}

/// Europe/London puts its clocks forward on 2026-03-29 and back on 2026-10-25 (IANA time zone database): the day begins at
/// its own midnight, which is 23:00 UTC of the day before in summer.
#[actix_web::test]
async fn the_day_begins_at_the_firms_midnight_in_summer_time_too() {
    let shop = Shop::open().await;
    for (now, begun) in [
        ("2026-03-28T23:59:59Z", 1),
        ("2026-03-29T00:00:00Z", 1),
        ("2026-03-29T01:30:00Z", 0),
        ("2026-03-29T22:59:59Z", 0),
        ("2026-03-29T23:00:00Z", 1),
        ("2026-03-30T00:00:00Z", 0),
    ] {
        shop.clock.set(now.parse().expect("an instant"));
        assert_eq!(shop.turns_the_day().await, begun, "{now}");
    }
}

/// Zones with their clock changes: IANA time zone database; Lord Howe changes by half an hour, Casablanca in Ramadan.
#[test]
fn no_zone_skips_or_doubles_a_day_between_2020_and_2040() {
    for zone in [
        "Europe/London",
        "America/New_York",
        "Australia/Lord_Howe",
        "Africa/Casablanca",
        "Pacific/Auckland",
    ] {
        let start: jiff::Timestamp = "2020-01-01T12:00:00Z".parse().expect("an instant");
        let mut last: Day = day_in(zone, start);
        for hours in 0..21 * 366 * 24 {
            let day = day_in(zone, start + jiff::SignedDuration::from_hours(hours));
            let passed = day.days_since(last);
            assert!((0..=1).contains(&passed), "{zone}: {last} to {day}");
            last = day;
        }
        assert!(last > "2040-12-31".parse().expect("a day"));
    }
}

#[actix_web::test]
async fn all_engines_stand_at_a_gate_in_one_list() {
    let shop = Shop::open().await;
    let engine = in_ticket(&shop).await;
    let bare = make::with(make::engine(), &json!({"has_boiler": false}));
    let bare = shop.has(bare).await;
    let gone = shop
        .has_ready_to_list(make::with(make::engine(), &json!({"name": "Old Nell"})))
        .await;
    shop.sql(&format!(
        "INSERT INTO persons (name) VALUES ('A. Thorncliffe');
         INSERT INTO sales (stock_no, on_day, price, person_id, invoice_no) VALUES ({gone}, '2026-05-01', 1, 1, 1);
         INSERT INTO deliveries (sale_id, stock_no, on_day, method, handed_to) SELECT id, {gone}, '2026-05-02', 'collection', 'A. Thorncliffe' FROM sales"
    ))
    .await;
    let list = async |query: &str| shop.get(&format!("/v1/readiness{query}")).await.ok().body;
    let all = list("?on=2026-06-02&gate=list").await;
    let items = all["items"].as_array().expect("items");
    let numbers: Vec<&Value> = items.iter().map(|item| &item["stock_no"]).collect();
    assert_eq!(numbers, [engine, bare], "what has left is not asked about");
    for item in items {
        let stock_no = &item["stock_no"];
        let one = shop
            .get(&format!(
                "/v1/engines/{stock_no}/readiness?on=2026-06-02&gate=list"
            ))
            .await
            .ok()
            .body;
        let not_met: Vec<&Value> = one["checks"]
            .as_array()
            .expect("checks")
            .iter()
            .filter(|check| check["outcome"] != "met")
            .collect();
        assert_eq!(item["open"], one["open"]);
        assert_eq!(item["not_met"], json!(not_met), "engine {stock_no}");
    }
    assert_eq!(list("?open=true").await["items"], json!([]));
    let first = list("?limit=1&open=false").await;
    assert_eq!(first["items"][0]["stock_no"], engine);
    let next = crate::harness::text(&first["next"]);
    let second = shop.get(&next).await.ok().body;
    assert_eq!(second["items"][0]["stock_no"], bare);
    assert_eq!(second["next"], Value::Null);
    let csv = shop
        .request(Method::GET, "/v1/readiness?gate=list")
        .by(&shop, Role::Fitter)
        .header("accept", "text/csv")
        .send()
        .await
        .ok();
    assert!(
        csv.text
            .starts_with("stock_no,on,gate,open,not_met,valid_until"),
        "{}",
        csv.text
    );
    assert_eq!(csv.text.lines().count(), 3);
    shop.request(Method::GET, "/v1/readiness")
        .by(&shop, Role::Website)
        .send()
        .await
        .refused("forbidden");
}

/// A clock that was years ahead would begin all days up to then, and silence the midnights until they have come.
#[actix_web::test]
async fn a_clock_far_ahead_begins_no_day_and_days_ahead_are_taken_back() {
    let shop = Shop::open().await;
    in_ticket(&shop).await;
    shop.set_day("2026-05-31");
    shop.turns_the_day().await;
    shop.set_day("2029-01-01");
    let now = shop.clock.now();
    let refused = turn(&shop.db, now, AT_ONCE).await.expect_err("a refusal");
    let said = refused.to_string();
    assert!(
        said.contains("2029-01-01") && said.contains("2026-05-31") && said.contains("outshop days"),
        "{said}"
    );
    assert_eq!(shop.by_midnight().await, []);

    // A fortnight is a closed workshop.
    shop.set_day("2026-06-14");
    assert_eq!(shop.turns_the_day().await, 14);
    assert_eq!(shop.by_midnight().await.len(), 1);
    // The clock was wrong by ten days: those begin when they come.
    shop.set_day("2026-06-04");
    let now = shop.clock.now();
    assert_eq!(take_back(&shop.db, now).await.expect("days"), 10);
    let mut conn = shop.db.read().await.expect("a connection");
    let begun = days(&mut conn, now).await.expect("days");
    assert_eq!(begun.last, Some(begun.today));
    shop.set_day("2026-06-05");
    assert_eq!(shop.turns_the_day().await, 1);
    // Whoever knows that the clock is right turns them all.
    shop.set_day("2026-07-30");
    let all = turn(&shop.db, shop.clock.now(), i32::MAX);
    assert_eq!(all.await.expect("a turn"), 55);
}
