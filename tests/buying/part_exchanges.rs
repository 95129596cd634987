//! Part exchange: one engine goes, another comes, at full prices both.
//!
//! The full allowance is the purchase price of what comes in, the full price the selling price of what goes out (HMRC manual
//! VATMARG13350). The rest is plain reading, no source.

use crate::{
    harness::{Answer, Shop, TODAY, text},
    make::{acquisition, engine, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    /// An engine sold today for 4000.00: its stock number and sale.
    async fn has_sold_for_4000(&self) -> (i64, i64) {
        let stock_no = self.has(engine()).await;
        let buyer = json!({"name": "Odo Fenwright"});
        let buyer = self.post("/v1/persons", &buyer).await.created().id();
        let sale = json!({"on": TODAY, "price": "4000.00", "person_id": buyer, "below_break_even_confirmed": true});
        let path = format!("/v1/engines/{stock_no}/sales");
        (stock_no, self.post(&path, &sale).await.created().id())
    }

    async fn takes_in_exchange(&self, sale: i64, change: &Value) -> Answer {
        let taken =
            json!({"method": "part_exchange", "on": TODAY, "price": "1200.00", "sale_id": sale});
        let taken = with(with(acquisition(&engine()), &taken), change);
        self.post("/v1/acquisitions", &taken).await
    }
}

#[actix_web::test]
async fn the_full_allowance_is_set_off_against_the_full_price() {
    let shop = Shop::open().await;
    let (gone, sale) = shop.has_sold_for_4000().await;
    let came = shop.takes_in_exchange(sale, &json!({})).await.created();
    let told = |member: &str| came.body[member].clone();
    let stock_no = told("stock_no").as_i64().expect("a number");
    assert_eq!(told("sale_id"), sale);
    assert_eq!(told("exchanged_for"), gone);
    assert_eq!(
        told("allowance_above_valuation"),
        Value::Null,
        "no buying valuation is named"
    );
    // The sale that it pays for.
    let sold = shop.get(&format!("/v1/sales/{sale}")).await.ok().body;
    assert_eq!(
        told("person_id"),
        sold["person_id"],
        "the buyer, not typed again"
    );
    assert_eq!(
        [
            &sold["price"],
            &sold["paid"],
            &sold["balance"],
            &sold["taken_in"]
        ],
        [
            &json!("4000.00"),
            &json!("1200.00"),
            &json!("2800.00"),
            &json!([stock_no])
        ]
    );
    // The costs of what came in, and the payment.
    let costs = shop
        .get(&format!("/v1/engines/{stock_no}/costs"))
        .await
        .ok()
        .body;
    assert_eq!(costs["items"][0]["kind"], "purchase");
    assert_eq!(costs["items"][0]["cost"], "1200.00");
    let payments = shop
        .get(&format!("/v1/sales/{sale}/payments"))
        .await
        .ok()
        .body;
    let [payment] = payments["items"].as_array().expect("items").as_slice() else {
        panic!("one payment: {payments}");
    };
    assert_eq!(
        [
            &payment["amount"],
            &payment["method"],
            &payment["acquisition_id"]
        ],
        [
            &json!("1200.00"),
            &json!("part_exchange"),
            &json!(came.id())
        ]
    );
    shop.has_been_paid(sale, "2800.00").await;
    assert_eq!(shop.journal_of(stock_no).await, ["engine.acquired"]);
    assert_eq!(
        shop.journal_of(gone).await,
        [
            "engine.acquired",
            "engine.sold",
            "payment.created",
            "payment.created"
        ]
    );
}

#[actix_web::test]
async fn a_part_exchange_keeps_its_rules_and_leaves_nothing_when_refused() {
    let shop = Shop::open().await;
    let (_, sale) = shop.has_sold_for_4000().await;
    let before = shop.journal().await;
    for (change, pointer) in [
        (json!({"sale_id": null}), "/sale_id"),
        (json!({"sale_id": 999}), "/sale_id"),
        (json!({"method": "bought"}), "/sale_id"),
        (json!({"price": "0.00"}), "/price"),
        (json!({"price": "-1.00"}), "/price"),
        (json!({"price": "1.001"}), "/price"),
        (json!({"buying_valuation_id": 999}), "/buying_valuation_id"),
        (json!({"on": "2026-05-15"}), "/on"),
    ] {
        shop.takes_in_exchange(sale, &change)
            .await
            .invalid_at(pointer);
    }
    let too_much = json!({"price": "4000.01"});
    shop.takes_in_exchange(sale, &too_much)
        .await
        .refused("conflict");
    let by_hand = json!({"on": TODAY, "amount": "1200.00", "method": "part_exchange"});
    let path = format!("/v1/sales/{sale}/payments");
    shop.post(&path, &by_hand).await.invalid_at("/method");
    assert_eq!(shop.journal().await, before);
    let engines = shop.get("/v1/engines").await.ok().body;
    assert_eq!(engines["items"].as_array().map(Vec::len), Some(1));
    let all_of_it = json!({"price": "4000.00"});
    shop.takes_in_exchange(sale, &all_of_it).await.created();
}

/// Of 1500.00 allowed for an engine that is likely worth 1240.00 the 260.00 were a discount on what went out.
#[actix_web::test]
async fn an_allowance_above_the_valuation_is_shown_and_deducted_before_learning() {
    let shop = Shop::open().await;
    let price_scale = crate::pricing::price_scale::price_scale("2025-01-01", "1240.00", &[]);
    shop.post("/v1/price-scale/versions", &price_scale)
        .await
        .created();
    let described =
        json!({"engine": {"kind": "locomotive", "gauge": {"value": "5", "unit": "in"}}});
    let appraise = async || {
        shop.post("/v1/buying-valuations", &described)
            .await
            .created()
    };
    let (high, fair) = (appraise().await, appraise().await);
    assert_eq!(high.body["likely"], "1240.00");
    let (_, sale) = shop.has_sold_for_4000().await;
    let over = json!({"price": "1500.00", "buying_valuation_id": high.id()});
    let came = shop.takes_in_exchange(sale, &over).await.created();
    assert_eq!(came.body["allowance_above_valuation"], "260.00");
    assert_eq!(shop.get(&came.location()).await.ok().body, came.body);
    shop.takes_in_exchange(sale, &over)
        .await
        .refused("conflict");
    let at_its_worth = json!({"price": "1240.00", "buying_valuation_id": fair.id()});
    let came = shop.takes_in_exchange(sale, &at_its_worth).await.created();
    assert_eq!(came.body["allowance_above_valuation"], Value::Null);
    let sold = shop.get(&format!("/v1/sales/{sale}")).await.ok().body;
    assert_eq!(
        (text(&sold["price"]), text(&sold["paid"])),
        ("4000.00".into(), "2740.00".into())
    );
    let learned_from = shop.achieved().await;
    let prices: Vec<_> = learned_from
        .iter()
        .map(|sale| sale.price.to_string())
        .collect();
    assert_eq!(prices, ["3740.00"]);
}

#[actix_web::test]
async fn simultaneous_part_exchanges_never_exceed_the_price() {
    let shop = Shop::open().await;
    let (_, sale) = shop.has_sold_for_4000().await;
    let taken =
        json!({"method": "part_exchange", "on": TODAY, "price": "2500.00", "sale_id": sale});
    let taken = with(acquisition(&engine()), &taken);
    let all: Vec<_> = (0..4)
        .map(|_| {
            let asked = shop.request(Method::POST, "/v1/acquisitions");
            let asked = asked.by(&shop, Role::Bookkeeper).once().json(&taken);
            actix_web::rt::spawn(asked.send())
        })
        .collect();
    let mut came = 0;
    for answer in all {
        came += usize::from(answer.await.expect("an answer").status == 201);
    }
    assert_eq!(came, 1);
}
