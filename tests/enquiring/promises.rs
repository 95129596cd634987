//! Promises, and what puts them in danger.

use crate::{
    harness::{Shop, text},
    make,
};
use serde_json::{Value, json};

impl Shop {
    async fn promises(&self, query: &str) -> Vec<Value> {
        let list = self.get(&format!("/v1/promises{query}")).await.ok();
        list.body["items"].as_array().expect("items").clone()
    }
}

fn whys(promise: &Value) -> Vec<String> {
    let dangers = promise["dangers"].as_array().expect("dangers");
    dangers
        .iter()
        .map(|danger| text(&danger["danger"]))
        .collect()
}

/// The engine's steam paper is valid to 2026-05-14, the day of the shop (14 months: British code, published).
#[actix_web::test]
async fn a_paper_that_lapses_before_the_day_puts_the_promise_in_danger() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let sale = shop.has_sold(engine).await;
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    for item in ["drained", "lifting_plan", "drawings_packed"] {
        let tick = json!({"item": item, "on": "2026-05-14"});
        shop.post(&format!("/v1/engines/{engine}/checklist-ticks"), &tick)
            .await
            .created();
    }
    let buyer = shop.get(&format!("/v1/sales/{sale}")).await.ok().body["person_id"].clone();

    // A promise for the last day of the steam certificate is safe; one for the day after is in danger.
    let give = async |on: &str| {
        let promise = json!({"stock_no": engine, "person_id": buyer, "kind": "ready_for_collection", "on": on});
        shop.post("/v1/promises", &promise).await
    };
    let today = give("2026-05-14").await.created();
    let tomorrow = give("2026-05-15").await.created();
    assert_eq!(whys(&today.body), [""; 0], "{}", today.text);
    assert_eq!(whys(&tomorrow.body), ["paper_lapses"], "{}", tomorrow.text);
    assert_eq!(
        tomorrow.body["dangers"][0]["evidence"]
            .as_array()
            .map(Vec::len),
        Some(1)
    );
    let in_danger = shop.promises("?in_danger=true").await;
    assert_eq!(in_danger, std::slice::from_ref(&tomorrow.body));
    assert_eq!(
        shop.promises("?until=2026-05-14").await,
        std::slice::from_ref(&today.body)
    );
    give("2026-05-13").await.invalid_at("/on");

    // The sale's own day is a promise too, and stored once.
    shop.patch(
        &format!("/v1/sales/{sale}"),
        &json!({"promised_on": "2026-05-16"}),
    )
    .await
    .ok();
    let all = shop.promises("").await;
    assert_eq!(all.len(), 3);
    assert_eq!(
        (
            &all[2]["sale_id"],
            &all[2]["promise_id"],
            &all[2]["on"],
            &all[2]["kind"]
        ),
        (
            &json!(sale),
            &Value::Null,
            &json!("2026-05-16"),
            &json!("delivered")
        )
    );
    assert_eq!(whys(&all[2]), ["paper_lapses"]);

    // The same promise is not made twice, and the list goes on over its pages.
    let twice =
        json!({"stock_no": engine, "person_id": buyer, "kind": "delivered", "on": "2026-05-16"});
    shop.post("/v1/promises", &twice).await.refused("conflict");
    let first = shop.get("/v1/promises?limit=2").await.ok();
    let next = text(&first.body["next"]);
    assert_eq!(
        shop.get(&next).await.ok().body["items"],
        json!([all[2].clone()])
    );

    // After delivery the sale promises nothing more, and nothing new can be promised.
    let delivery =
        json!({"on": "2026-05-14", "method": "collection", "handed_to": "Odo Fenwright"});
    shop.post(&format!("/v1/engines/{engine}/deliveries"), &delivery)
        .await
        .created();
    assert_eq!(
        shop.promises("").await.len(),
        2,
        "what has left is not promised any more by its sale"
    );
    shop.post(
        "/v1/promises",
        &make::with(twice, &json!({"kind": "at_inspector"})),
    )
    .await
    .refused("conflict");
}

#[actix_web::test]
async fn open_jobs_and_parts_on_order_put_a_promise_in_danger() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let promise = json!({"stock_no": engine, "person_id": person, "kind": "at_inspector", "on": "2026-05-20"});
    let made = shop.post("/v1/promises", &promise).await.created();
    assert_eq!(whys(&made.body), [""; 0]);
    let job = shop
        .has_job_started(engine, &["safety_valves_and_fittings"], &[])
        .await;
    let now = async || whys(&shop.get(&made.location()).await.ok().body);
    assert_eq!(now().await, ["job_open"]);
    for (expected_on, reason) in [("2026-05-20", "job_open"), ("2026-05-21", "expected_later")] {
        shop.patch(&job, &json!({"expected_on": expected_on}))
            .await
            .ok();
        assert_eq!(now().await, [reason]);
    }
    shop.finishes(&job, "2026-05-14").await;
    assert_eq!(now().await, [""; 0]);
    shop.set_day("2026-05-21");
    assert_eq!(now().await, ["day_past"]);
}

#[actix_web::test]
async fn the_end_of_a_promise_is_recorded_once() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let promise = json!({"stock_no": engine, "person_id": person, "kind": "other", "description": "drawings copied", "on": "2026-05-15"});
    for (change, pointer) in [
        (json!({"description": null}), "/description"),
        (json!({"stock_no": 999}), "/stock_no"),
        (json!({"person_id": 999}), "/person_id"),
        (json!({"kind": "soon"}), "/kind"),
    ] {
        let body = make::with(promise.clone(), &change);
        shop.post("/v1/promises", &body).await.invalid_at(pointer);
    }
    let made = shop.post("/v1/promises", &promise).await.created();
    let end = async |status: &str, on: &str| {
        let body = json!({"status": status, "on": on});
        shop.post(&format!("{}/end", made.location()), &body).await
    };
    end("kept", "2026-05-15").await.invalid_at("/on");
    shop.set_day("2026-05-16");
    end("kept", "2026-05-16").await.invalid_at("/on");
    end("kept", "2026-05-13").await.invalid_at("/on");
    let kept = end("kept", "2026-05-15").await.created();
    assert_eq!(kept.body["status"], "kept");
    end("broken", "2026-05-16").await.refused("conflict");
    assert_eq!(shop.promises("").await, [Value::Null; 0]);
    assert_eq!(
        shop.journal_of(engine).await,
        ["engine.acquired", "promise.created", "promise.ended"]
    );
    shop.get("/v1/promises/999").await.refused("not_found");
}
