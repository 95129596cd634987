//! What changed on show, as shop sites that keep copies read it.

use crate::{
    harness::{Answer, Shop},
    make,
};
use outshop_api::{
    pricing::price_models::{Refreshed, refresh},
    shop::public::{ShopWindow, changes::keep_telling},
};
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    /// Tells what changes on show, as a process of the service does.
    fn tells(&self) {
        let (db, clock, window) = (self.db.clone(), self.clock.clone(), self.window());
        actix_web::rt::spawn(async move { keep_telling(&db, &clock, &window).await });
    }

    async fn changes(&self, query: &str) -> Answer {
        self.request(Method::GET, &format!("/v1/public/changes?{query}"))
            .send()
            .await
    }

    /// What is told after an entry, which has to come within some seconds.
    async fn next_changes(&self, after: i64) -> Vec<(String, i64)> {
        let page = self.changes(&format!("after={after}&wait=10")).await.ok();
        let items = page.body["items"].as_array().expect("items");
        items
            .iter()
            .map(|it| {
                (
                    it["type"].as_str().expect("a type").to_owned(),
                    it["stock_no"].as_i64().expect("a number"),
                )
            })
            .collect()
    }

    /// What is announced after an entry up to now: another engine is put on show, and everything due before that comes with it.
    async fn told_by_now(&self, after: i64) -> Vec<(String, i64)> {
        let mut engine = make::engine();
        engine["name"] = json!(format!("after entry {after}"));
        let last = (
            "public.shown".to_owned(),
            self.has_on_show(engine, &make::listing()).await,
        );
        loop {
            let seen = self.last_change().await;
            let mut told = self.next_changes(after).await;
            if told.contains(&last) {
                told.retain(|it| *it != last);
                return told;
            }
            self.next_changes(seen).await;
        }
    }

    async fn last_change(&self) -> i64 {
        let page = self.changes("limit=500").await.ok();
        let items = page.body["items"].as_array().expect("items");
        items
            .last()
            .map_or(0, |it| it["entry_no"].as_i64().expect("a number"))
    }
}

/// With an engine on show, of which it has told.
async fn shop_that_tells() -> (Shop, i64) {
    let shop = Shop::open().await;
    shop.tells();
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    assert_eq!(
        shop.next_changes(0).await,
        [("public.shown".to_owned(), engine)]
    );
    (shop, engine)
}

#[actix_web::test]
async fn visitors_are_told_of_what_they_can_see_and_of_nothing_else() {
    let (shop, engine) = shop_that_tells().await;
    let mut seen = shop.last_change().await;

    // What no visitor sees is not told: a cost, a person, a note on the engine.
    let notes = json!({"notes": "buyer lives near Ashfold"});
    shop.patch(&format!("/v1/engines/{engine}"), &notes)
        .await
        .ok();
    shop.post("/v1/persons", &json!({"name": "Odo Fenwright"}))
        .await
        .created();
    assert_eq!(shop.told_by_now(seen).await, []);
    seen = shop.last_change().await;

    let price = json!({"price": "7450.00", "reason": "slow"});
    shop.post(&format!("/v1/engines/{engine}/asking-prices"), &price)
        .await
        .created();
    assert_eq!(
        shop.next_changes(seen).await,
        [("public.changed".to_owned(), engine)]
    );
    seen = shop.last_change().await;

    let withdrawal = json!({"reason": "back to the bench"});
    shop.post(
        &format!("/v1/engines/{engine}/listing/withdrawals"),
        &withdrawal,
    )
    .await
    .created();
    assert_eq!(
        shop.next_changes(seen).await,
        [("public.removed".to_owned(), engine)]
    );

    let journal_id = shop.get("/v1/journal?limit=1").await.ok().body["journal_id"].clone();
    let page = shop.changes("").await.ok();
    assert_eq!(page.body["journal_id"], journal_id);
    assert_eq!(page.headers["cache-control"], "no-store");
    shop.changes("journal_id=00000000-0000-4000-8000-000000000000")
        .await
        .refused("feed_restarted")
        .is(409);
    for wrong in ["after=-1", "wait=26", "limit=501", "colour=red"] {
        shop.changes(wrong).await.refused("invalid_query");
    }
}

/// The words about papers begin with their day. The next day they are other words, and no news.
#[actix_web::test]
async fn the_passing_of_a_day_is_told_when_it_changes_which_papers_hold() {
    let shop = Shop::open().await;
    shop.set_day("2026-05-10");
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    shop.tells();
    shop.next_changes(0).await;
    // Shown since the day before yesterday: that is a date like any other from now on.
    for (day, told) in [
        ("2026-05-12", false),
        ("2026-05-13", false),
        ("2026-05-14", false),
        ("2026-05-15", true),
    ] {
        let seen = shop.last_change().await;
        shop.set_day(day);
        shop.visit(&format!("/v1/public/listings/{engine}"))
            .await
            .ok();
        let news = ("public.changed".to_owned(), engine);
        let heard = if told {
            shop.next_changes(seen).await
        } else {
            shop.told_by_now(seen).await
        };
        assert_eq!(heard.contains(&news), told, "{day}: {heard:?}");
    }
}

/// Telling lasts as long as the process; what else one process does at a time goes on beside it.
#[actix_web::test]
async fn who_tells_keeps_nobody_from_learning() {
    let (shop, _) = shop_that_tells().await;
    let today = crate::harness::TODAY.parse().expect("a day");
    let learned = refresh(&shop.db, today).await.expect("a look at the sales");
    assert_ne!(learned, Refreshed::Busy);
}

/// Of two processes one tells, and nothing is told twice.
#[actix_web::test]
async fn of_several_processes_one_tells() {
    let shop = Shop::open().await;
    let other = shop.beside(ShopWindow::default());
    shop.tells();
    other.tells();
    let mut engines = Vec::new();
    for n in 0..5 {
        let mut engine = make::engine();
        engine["name"] = json!(format!("Number {n}"));
        engines.push(shop.has_on_show(engine, &make::listing()).await);
    }
    let mut told: Vec<Value> = Vec::new();
    // Each round ends with news, or after ten seconds without any.
    for _ in 0..=engines.len() {
        let seen = other.last_change().await;
        let page = other.changes("limit=500").await.ok();
        told = page.body["items"].as_array().expect("items").clone();
        if told.len() >= engines.len() {
            break;
        }
        other.next_changes(seen).await;
    }
    let shown: Vec<i64> = told
        .iter()
        .filter(|it| it["type"] == "public.shown")
        .map(|it| it["stock_no"].as_i64().expect("a number"))
        .collect();
    assert_eq!(shown, engines);
}
