//! Engines that go without a sale.

use crate::{
    harness::{Shop, text},
    make::{acquisition, engine, listing, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

fn scrapped() -> Value {
    json!({"on": "2026-05-14", "method": "scrapped", "notes": "boiler and frames beyond repair"})
}

fn path(stock_no: i64) -> String {
    format!("/v1/engines/{stock_no}/disposals")
}

#[actix_web::test]
async fn an_engine_disposed_of_is_withdrawn_and_cannot_be_sold() {
    let shop = Shop::open().await;
    let stock_no = shop.has_on_show(engine(), &listing()).await;
    let public = format!("/v1/public/listings/{stock_no}");
    shop.get(&public).await.ok();
    let gone = shop.post(&path(stock_no), &scrapped()).await.created();
    assert_eq!(
        gone.body,
        json!({"id": gone.id(), "stock_no": stock_no, "on": "2026-05-14", "method": "scrapped", "notes": "boiler and frames beyond repair"})
    );
    assert_eq!(shop.get(&gone.location()).await.ok().body, gone.body);
    let list = shop.get(&path(stock_no)).await.ok();
    assert_eq!(list.body["items"], json!([gone.body]));

    let seen = shop.get(&format!("/v1/engines/{stock_no}")).await.ok();
    assert_eq!(
        (&seen.body["status"], &seen.body["listing"]),
        (&json!("gone"), &json!("withdrawn"))
    );
    shop.get(&public).await.refused("gone").is(410);
    let all = shop.get("/v1/public/listings").await.ok();
    assert_eq!(all.body["items"], json!([]));
    let counts = shop.get("/v1/public/counts").await.ok();
    assert_eq!(counts.body["items"], json!([]));
    let publications = format!("/v1/engines/{stock_no}/listing/publications");
    shop.post(&publications, &json!({}))
        .await
        .refused("conflict");
    let buyer = shop.post("/v1/persons", &crate::make::person()).await;
    let sale = json!({"on": "2026-05-14", "price": "1.00", "person_id": buyer.created().id()});
    let refused = shop
        .post(&format!("/v1/engines/{stock_no}/sales"), &sale)
        .await
        .refused("conflict");
    assert!(text(&refused.body["detail"]).contains("14 May 2026"));
    shop.post(&path(stock_no), &scrapped())
        .await
        .refused("conflict");
    let filtered = shop.get("/v1/engines?status=gone").await.ok();
    assert_eq!(filtered.body["items"].as_array().map(Vec::len), Some(1));
    let journal = shop.journal_of(stock_no).await;
    assert_eq!(
        journal[journal.len() - 2..],
        ["engine.disposed_of", "listing.withdrawn"]
    );
}

#[actix_web::test]
async fn a_disposal_keeps_its_rules() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    for (change, pointer) in [
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "2026-01-04"}), "/on"),
        (json!({"method": "sold"}), "/method"),
        (json!({"method": "taken_back_by_owner"}), "/method"),
        (json!({"notes": " "}), "/notes"),
    ] {
        shop.post(&path(stock_no), &with(scrapped(), &change))
            .await
            .invalid_at(pointer);
    }
    shop.post(&path(999), &scrapped())
        .await
        .refused("not_found");
    shop.get(&path(999)).await.refused("not_found");
    shop.get("/v1/disposals/999").await.refused("not_found");
    let by_bookkeeper = || {
        shop.request(Method::POST, &path(stock_no))
            .by(&shop, Role::Bookkeeper)
    };
    by_bookkeeper()
        .json(&scrapped())
        .send()
        .await
        .refused("idempotency_key_missing");
    let by_seller = shop.request(Method::POST, &path(stock_no));
    by_seller
        .by(&shop, Role::Seller)
        .once()
        .json(&scrapped())
        .send()
        .await
        .refused("forbidden");
    let sold = shop.has(engine()).await;
    shop.has_sold(sold).await;
    let period = json!({"from": "2026-01-01", "until": "2026-03-31"});
    shop.post("/v1/tax-periods", &period).await.created();
    let in_closed = with(scrapped(), &json!({"on": "2026-03-31"}));
    shop.post(&path(stock_no), &in_closed)
        .await
        .refused("conflict");
    shop.post(&path(sold), &scrapped())
        .await
        .refused("already_sold");
    assert_eq!(shop.journal_of(stock_no).await, ["engine.acquired"]);
    by_bookkeeper()
        .once()
        .json(&scrapped())
        .send()
        .await
        .created();
}

#[actix_web::test]
async fn an_engine_on_commission_goes_back_only_to_its_owner() {
    let shop = Shop::open().await;
    let commission = json!({"method": "commission", "price": null, "tax_position": "commission_in_owners_name", "commission_percent": "8"});
    let came = with(acquisition(&engine()), &commission);
    let came = shop.post("/v1/acquisitions", &came).await.created();
    let stock_no = came.body["stock_no"].as_i64().expect("a number");
    for method in ["scrapped", "broken_for_parts", "returned_to_seller"] {
        shop.post(
            &path(stock_no),
            &with(scrapped(), &json!({"method": method})),
        )
        .await
        .invalid_at("/method");
    }
    let back = json!({"on": "2026-01-05", "method": "taken_back_by_owner"});
    let back = shop.post(&path(stock_no), &back).await.created();
    assert_eq!(back.body["notes"], Value::Null);
}

/// gov.uk, "VAT margin schemes", Keeping records: the book says how an engine went that was not sold.
#[actix_web::test]
async fn the_stock_book_says_how_an_engine_left() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let back = json!({"on": "2026-04-30", "method": "returned_to_seller"});
    let back = shop.post(&path(stock_no), &back).await.created();
    let read = async |query: &str| {
        let page = shop.get(&format!("/v1/stock-book?{query}")).await.ok();
        page.body["items"].as_array().expect("items").clone()
    };
    let book = read("from=2026-04-30&to=2026-05-14").await;
    let told = |member: &str| book[0][member].clone();
    assert_eq!(told("disposal"), "returned_to_seller");
    assert_eq!(told("sold_on"), "2026-04-30");
    assert_eq!(told("disposal_id"), back.id());
    for nothing in [
        "price",
        "buyer",
        "margin",
        "tax",
        "sales_invoice_no",
        "sale_id",
    ] {
        assert_eq!(told(nothing), Value::Null, "{nothing}");
    }
    assert_eq!(read("from=2026-05-01&to=2026-05-14").await.len(), 0);
}
