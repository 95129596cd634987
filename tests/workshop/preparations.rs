//! Preparation lists: what the firm makes ready for a sale, and the gate that reads the list.

use crate::{
    harness::{Shop, text},
    make,
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    async fn ticks(&self, engine: i64, item: &str) {
        let tick = json!({"item": item, "on": "2026-05-14"});
        let path = format!("/v1/engines/{engine}/checklist-ticks");
        self.post(&path, &tick).await.created();
    }

    async fn left_at_the_gate(&self, engine: i64) -> Value {
        let path = format!("/v1/engines/{engine}/readiness?gate=deliver");
        let checks = self.get(&path).await.ok().body["checks"].clone();
        let checks = checks.as_array().expect("a list");
        let found = checks.iter().find(|check| check["check"] == "preparation");
        found.map_or(Value::Null, |check| check["reason"].clone())
    }
}

#[actix_web::test]
async fn a_sale_has_the_list_that_fits_it_and_the_gate_reads_it() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let sale = shop.has_sold(engine).await;
    let list = format!("/v1/sales/{sale}/despatch-checklist");
    let items = |list: &Value| -> Vec<String> {
        let items = list["items"].as_array().expect("a list");
        items.iter().map(|item| text(&item["item"])).collect()
    };

    // On the premises the engine itself is not packed.
    let first = shop.get(&list).await.ok().body;
    assert_eq!(
        items(&first),
        [
            "drained",
            "drawings_packed",
            "lifting_plan",
            "papers_packed",
            "photographs_of_condition",
            "spares_packed"
        ]
    );
    assert_eq!(first["left"], 6);
    assert_eq!(shop.left_at_the_gate(engine).await, Value::Null);

    // The firm's own item, and one that it made to block, stop a delivery even after payment and packing.
    let item = json!({"item": "fire_irons_packed", "description": "Fire irons are in the box", "kind": "locomotive", "shuts_gate": true});
    shop.post("/v1/checklist-items", &item).await.created();
    let photographs = "/v1/checklist-items/photographs_of_condition";
    shop.patch(
        photographs,
        &json!({"shuts_gate": true, "at_distance": false}),
    )
    .await
    .ok();
    assert_eq!(
        shop.left_at_the_gate(engine).await,
        "These checklist items are not ticked: Fire irons are in the box; Photographs show its condition on the day it leaves."
    );
    let delivery =
        json!({"on": "2026-05-14", "method": "collection", "handed_to": "Odo Fenwright"});
    let path = format!("/v1/engines/{engine}/deliveries");
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    let refused = shop
        .post(&path, &delivery)
        .await
        .refused("not_ready")
        .is(409);
    let reasons = refused.body["reasons"].as_array().expect("a list").clone();
    assert!(
        reasons
            .iter()
            .any(|reason| reason["check"] == "preparation"),
        "{reasons:?}"
    );

    // Once both are ticked, the list no longer shuts the gate.
    shop.ticks(engine, "fire_irons_packed").await;
    shop.ticks(engine, "photographs_of_condition").await;
    assert_eq!(
        shop.left_at_the_gate(engine).await,
        "The rest of the despatch checklist is ticked."
    );
    let now = shop.get(&list).await.ok().body;
    assert_eq!(now["left"], 3);
    assert_eq!(now["items"][2]["done"]["on"], "2026-05-14");

    // An item for road engines is not asked of a locomotive.
    shop.patch(
        "/v1/checklist-items/fire_irons_packed",
        &json!({"kind": "road_engine"}),
    )
    .await
    .ok();
    let now = shop.get(&list).await.ok().body;
    assert!(
        !items(&now).contains(&"fire_irons_packed".to_owned()),
        "{now}"
    );
    shop.post(&path, &delivery).await.created();
}

#[actix_web::test]
async fn the_list_is_the_firms_but_for_what_the_gate_asks_itself() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let unknown = json!({"item": "polished", "on": "2026-05-14"});
    let path = format!("/v1/engines/{engine}/checklist-ticks");
    let refused = shop.post(&path, &unknown).await.invalid_at("/item");
    assert!(refused.text.contains("lifting_plan"), "{}", refused.text);
    for bad in ["Polished", "fire irons", "9th", "_x", "é"] {
        let item = json!({"item": bad, "description": "x"});
        shop.post("/v1/checklist-items", &item)
            .await
            .invalid_at("/item");
    }
    let twice = json!({"item": "drained", "description": "x"});
    shop.post("/v1/checklist-items", &twice)
        .await
        .refused("conflict");
    shop.patch("/v1/checklist-items/drained", &json!({"shuts_gate": true}))
        .await
        .refused("conflict");
    shop.patch(
        "/v1/checklist-items/drained",
        &json!({"description": "Drained, blower valve open"}),
    )
    .await
    .ok();
    let delete = async |item: &str| {
        let path = format!("/v1/checklist-items/{item}");
        let etag = shop.get(&path).await.ok().etag();
        let asked = shop
            .request(Method::DELETE, &path)
            .by(&shop, Role::Proprietor);
        asked.if_match(&etag).send().await
    };
    delete("papers_packed").await.refused("conflict");
    shop.ticks(engine, "lifting_plan").await;
    delete("lifting_plan").await.is(204);
    assert_eq!(shop.get(&path).await.ok().body["items"], json!([]));
    shop.get("/v1/checklist-items/lifting_plan")
        .await
        .refused("not_found");
    let seller = shop
        .request(Method::POST, "/v1/checklist-items")
        .by(&shop, Role::Seller);
    let asked = seller
        .once()
        .json(&json!({"item": "oiled", "description": "x"}));
    asked.send().await.refused("forbidden");
    let journal = shop.journal().await;
    let ours: Vec<_> = journal
        .iter()
        .filter(|what| what.starts_with("checklist_item"))
        .collect();
    assert_eq!(ours, ["checklist_item.changed", "checklist_item.deleted"]);
    shop.get("/v1/sales/999/despatch-checklist")
        .await
        .refused("not_found");
}
