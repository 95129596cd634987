//! Many at once: one engine and sixteen buyers, one Idempotency-Key and fifty requests, writers who commit late and readers who may
//! not miss them. Trials 5, 6 and 7.

use crate::{
    harness::{Answer, Shop},
    make::{self, person},
};
use futures_util::{StreamExt, future::join_all, stream};
use outshop_api::shop::public::ShopWindow;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};
use std::{collections::BTreeMap, time::Duration};

/// ASVS 5.0, 2.3.4: what there is once is given once.
#[actix_web::test]
async fn of_sixteen_buyers_of_each_of_two_hundred_engines_one_gets_it() {
    const ENGINES: i64 = 200;
    const BUYERS: usize = 16;
    let shop = Shop::open().await;
    let mut engines = Vec::new();
    for _ in 0..ENGINES {
        engines.push(shop.has(make::engine()).await);
    }
    let mut buyers = Vec::new();
    for _ in 0..BUYERS {
        buyers.push(shop.post("/v1/persons", &person()).await.created().id());
    }
    // A service that is too busy says so, and the same request is sent again, as a client does.
    let buy_as = async |stock_no: i64, buyer: i64| {
        let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": buyer});
        let mut tries = 0;
        loop {
            let answer = shop
                .request(Method::POST, &format!("/v1/engines/{stock_no}/sales"))
                .by(&shop, Role::Seller)
                .header("idempotency-key", &format!("{stock_no} for {buyer}"))
                .json(&sale)
                .send()
                .await;
            tries += 1;
            if answer.status != 503 || tries == 5 {
                return answer;
            }
        }
    };
    let buy =
        async |stock_no: i64| join_all(buyers.iter().map(|buyer| buy_as(stock_no, *buyer))).await;
    let answers: Vec<Vec<Answer>> = stream::iter(engines)
        .map(buy)
        .buffer_unordered(4)
        .collect()
        .await;
    let mut told = BTreeMap::new();
    for answer in answers.iter().flatten() {
        *told.entry(answer.status).or_insert(0) += 1;
    }
    assert_eq!(told, BTreeMap::from([(201, 200), (409, 3000)]));
}

/// IETF draft "The Idempotency-Key HTTP Header Field".
#[actix_web::test]
async fn of_fifty_requests_with_one_key_one_has_an_effect_and_all_the_same_answer() {
    const KEYS: usize = 100;
    const TIMES: usize = 50;
    let shop = Shop::open().await;
    let send = |key: usize, name: &str| {
        shop.request(Method::POST, "/v1/persons")
            .by(&shop, Role::Seller)
            .header("idempotency-key", &format!("race-{key}"))
            .json(&json!({"name": name}))
            .send()
    };
    for key in 0..KEYS {
        let answers = join_all((0..TIMES).map(|_| send(key, "Odo Fenwright"))).await;
        let made: Vec<&Answer> = answers.iter().filter(|it| it.status == 201).collect();
        assert!(!made.is_empty());
        for answer in &answers {
            match answer.status {
                201 => assert_eq!(
                    (&answer.text, answer.etag()),
                    (&made[0].text, made[0].etag())
                ),
                _ => drop(answer.clone().refused("in_progress").is(409)),
            }
        }
        send(key, "Ada Fell")
            .await
            .refused("idempotency_key_reused")
            .is(422);
    }
    let persons = shop.journal().await;
    assert_eq!(
        persons.iter().filter(|it| *it == "person.created").count(),
        KEYS
    );
}

/// Late commits: an entry gets its number after its writer has ended, so that no reader who goes on by numbers can skip it.
#[actix_web::test]
async fn readers_of_the_journal_miss_nothing_that_commits_late() {
    const WRITERS: usize = 8;
    const EACH: usize = 40;
    let shop = Shop::open().await;
    let other = shop.beside(ShopWindow::default());
    let write = async |writer: usize| {
        use diesel_async::{AsyncConnection, AsyncPgConnection, SimpleAsyncConnection};
        let mut conn = AsyncPgConnection::establish(&shop.database_url)
            .await
            .expect("a connection");
        let mut written = Vec::new();
        for n in 0..EACH {
            let mark = format!("{writer}-{n}");
            let insert = format!(
                "BEGIN; INSERT INTO journal (type, on_day, key_id, data) VALUES ('firm.changed', '2026-05-14', 1, '{{\"mark\": \"{mark}\"}}')"
            );
            conn.batch_execute(&insert).await.expect("an entry");
            // Holds its entry back for 0 to 24 ms, whatever the others do meanwhile.
            tokio::time::sleep(Duration::from_millis(((writer * 7 + n * 13) % 25) as u64)).await;
            let rolled_back = (writer + n).is_multiple_of(5);
            conn.batch_execute(if rolled_back { "ROLLBACK" } else { "COMMIT" })
                .await
                .expect("an end");
            if !rolled_back {
                written.push(mark);
            }
        }
        written
    };
    let read = async |through: &Shop| {
        let (mut marks, mut numbers, mut after) = (Vec::new(), Vec::new(), 5);
        loop {
            let page = through
                .get(&format!("/v1/journal?after={after}&limit=7&wait=2"))
                .await
                .ok();
            let items: &Vec<Value> = page.body["items"].as_array().expect("items");
            if items.is_empty() {
                return (marks, numbers);
            }
            for item in items {
                after = item["entry_no"].as_i64().expect("a number");
                numbers.push(after);
                marks.push(item["data"]["mark"].as_str().expect("a mark").to_owned());
            }
        }
    };
    // The five keys have their numbers before the others begin.
    shop.journal().await;
    let writers = join_all((0..WRITERS).map(write));
    let (written, first, second) = tokio::join!(writers, read(&shop), read(&other));
    let mut written: Vec<String> = written.into_iter().flatten().collect();
    written.sort_unstable();
    for (mut marks, numbers) in [first, second] {
        marks.sort_unstable();
        assert_eq!(marks, written);
        let dense: Vec<i64> = (6..).take(written.len()).collect();
        assert_eq!(numbers, dense);
    }
}
