//! Changes of tax position: a reason for each, and what is declared stays. Plain reading, no source.

use crate::{
    harness::{Answer, Shop, TODAY},
    make::{engine, person},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

async fn change(shop: &Shop, acquisition: i64, change: Value) -> Answer {
    let path = format!("/v1/acquisitions/{acquisition}/tax-positions");
    shop.post(&path, &change).await
}

async fn position(shop: &Shop, acquisition: i64) -> Value {
    let path = format!("/v1/acquisitions/{acquisition}");
    shop.get(&path).await.ok().body["tax_position"].clone()
}

#[actix_web::test]
async fn a_change_of_position_has_a_reason_and_the_original_is_not_lost() {
    let shop = Shop::open().await;
    let stock_no = shop.has(engine()).await;
    let to_ordinary = json!({"tax_position": "ordinary_vat", "reason": "the invoice came and shows VAT", "on": "2026-04-02"});
    let first = change(&shop, 1, to_ordinary).await.created();
    assert_eq!(
        first.body,
        json!({"id": 1, "acquisition_id": 1, "on": "2026-04-02", "from": "margin_scheme", "to": "ordinary_vat",
            "reason": "the invoice came and shows VAT", "changed_by": "the proprietor"})
    );
    assert_eq!(shop.get(&first.location()).await.ok().body, first.body);
    assert_eq!(position(&shop, 1).await, "ordinary_vat");
    let money = shop
        .get(&format!("/v1/engines/{stock_no}/margins"))
        .await
        .ok();
    assert_eq!(money.body["scheme"], "ordinary");
    let back =
        json!({"tax_position": "margin_scheme", "reason": "it was the invoice of another engine"});
    let second = change(&shop, 1, back).await.created();
    assert_eq!(second.body["on"], TODAY);
    let list = shop.get("/v1/acquisitions/1/tax-positions").await.ok().body;
    assert_eq!(list["items"], json!([first.body, second.body]));
    assert_eq!(position(&shop, 1).await, "margin_scheme");
    assert_eq!(
        shop.journal_of(stock_no).await,
        [
            "engine.acquired",
            "acquisition.tax_position_changed",
            "acquisition.tax_position_changed"
        ]
    );
}

#[actix_web::test]
async fn a_position_that_does_not_fit_is_refused() {
    let shop = Shop::open().await;
    shop.has(engine()).await;
    let good = json!({"tax_position": "ordinary_vat", "reason": "the invoice", "on": "2026-04-02"});
    change(&shop, 1, good.clone()).await.created();
    let asked = |member: &str, value: Value| {
        let mut body = json!({"tax_position": "margin_scheme", "reason": "the invoice"});
        body[member] = value;
        body
    };
    for (body, pointer) in [
        (
            asked("tax_position", json!("ordinary_vat")),
            "/tax_position",
        ),
        (
            asked("tax_position", json!("commission_in_own_name")),
            "/tax_position",
        ),
        (asked("reason", json!(" ")), "/reason"),
        (asked("on", json!("2026-05-15")), "/on"),
        (asked("on", json!("2026-04-01")), "/on"),
    ] {
        change(&shop, 1, body).await.invalid_at(pointer);
    }
    let without_reason = json!({"tax_position": "margin_scheme"});
    change(&shop, 1, without_reason).await.refused("invalid");
    change(&shop, 999, good.clone()).await.refused("not_found");
    shop.get("/v1/tax-positions/999").await.refused("not_found");
    let seller = shop.request(Method::POST, "/v1/acquisitions/1/tax-positions");
    let seller = seller.by(&shop, Role::Seller).json(&good).send().await;
    seller.refused("forbidden");
    assert_eq!(position(&shop, 1).await, "ordinary_vat");
}

#[actix_web::test]
async fn a_sale_in_a_closed_period_keeps_its_position() {
    let shop = Shop::open().await;
    let (sold, kept) = (shop.has(engine()).await, shop.has(engine()).await);
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let sale = json!({"on": "2026-03-31", "price": "5000.00", "person_id": buyer});
    shop.post(&format!("/v1/engines/{sold}/sales"), &sale)
        .await
        .created();
    let period = json!({"from": "2026-01-01", "until": "2026-03-31"});
    shop.post("/v1/tax-periods", &period).await.created();
    let to_ordinary =
        json!({"tax_position": "ordinary_vat", "reason": "the invoice came and shows VAT"});
    change(&shop, sold, to_ordinary.clone())
        .await
        .refused("conflict");
    assert_eq!(position(&shop, sold).await, "margin_scheme");
    let mut early = to_ordinary.clone();
    early["on"] = json!("2026-03-31");
    change(&shop, kept, early).await.refused("conflict");
    change(&shop, kept, to_ordinary).await.created();
}

/// 8 % of 5400.00 is 432.00; without tax 4968.00 is due to the owner, with a fifth of the commission on top 4881.60.
#[actix_web::test]
async fn a_change_of_position_does_not_leave_the_owner_overpaid() {
    let shop = Shop::open().await;
    let came = json!({"engine": engine(), "method": "commission", "on": "2026-01-05", "tax_position": "not_registered",
        "commission_percent": "8"});
    let stock_no = shop.post("/v1/acquisitions", &came).await.created().body["stock_no"].clone();
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let sale = json!({"on": TODAY, "price": "5400.00", "person_id": buyer});
    let sale = shop
        .post(&format!("/v1/engines/{stock_no}/sales"), &sale)
        .await
        .created()
        .id();
    shop.has_been_paid(sale, "5400.00").await;
    let payouts = format!("/v1/sales/{sale}/payouts");
    let pay = async |amount: &str| {
        let payout = json!({"on": TODAY, "amount": amount, "method": "transfer"});
        shop.post(&payouts, &payout).await.created();
    };
    pay("4968.00").await;
    let registered = json!({"tax_position": "commission_in_owners_name", "reason": "we were registered since January"});
    change(&shop, 1, registered.clone())
        .await
        .refused("conflict");
    assert_eq!(position(&shop, 1).await, "not_registered");
    pay("-86.40").await;
    change(&shop, 1, registered).await.created();
    let statement = shop
        .get(&format!("/v1/sales/{sale}/commission"))
        .await
        .ok()
        .body;
    assert_eq!(statement["still_due"], "0.00");
}
