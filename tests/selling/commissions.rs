//! Engines on commission: terms with the owner, reserve, statement, payouts, notifications.
//!
//! The commission is net of tax, which the rate of the day is added to (plain reading, no source); all to the penny, half up
//! (HMRC VATREC12030).

use crate::{
    harness::{Answer, Shop, TODAY},
    make::{acquisition, engine, person, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

fn on_commission() -> Value {
    json!({"engine": engine(), "method": "commission", "on": "2026-01-05", "tax_position": "commission_in_owners_name",
        "reserve": "5000.00", "commission_percent": "8"})
}

impl Shop {
    async fn has_on_commission(&self, change: &Value) -> i64 {
        let owner = self.post("/v1/persons", &person()).await.created().id();
        let terms = with(on_commission(), &json!({"person_id": owner}));
        let came = self.post("/v1/acquisitions", &with(terms, change)).await;
        came.created().body["stock_no"].as_i64().expect("a number")
    }

    async fn sells(&self, stock_no: i64, price: &str, change: &Value) -> Answer {
        let buyer = self.post("/v1/persons", &person()).await.created().id();
        let sale = json!({"on": TODAY, "price": price, "person_id": buyer});
        let path = format!("/v1/engines/{stock_no}/sales");
        self.post(&path, &with(sale, change)).await
    }

    async fn pays_owner(&self, sale: i64, amount: &str, change: &Value) -> Answer {
        let payout = json!({"on": TODAY, "amount": amount, "method": "transfer"});
        let path = format!("/v1/sales/{sale}/payouts");
        self.post(&path, &with(payout, change)).await
    }
}

#[actix_web::test]
async fn only_engines_on_commission_have_and_need_terms_with_the_owner() {
    let shop = Shop::open().await;
    for (change, pointer) in [
        (json!({"commission_percent": null}), "/commission_percent"),
        (
            json!({"commission_percent": "100.01"}),
            "/commission_percent",
        ),
        (
            json!({"commission_percent": "8.001"}),
            "/commission_percent",
        ),
        (json!({"commission_percent": "-1"}), "/commission_percent"),
        (json!({"commission_fixed": "-0.01"}), "/commission_fixed"),
        (json!({"commission_fixed": "1.001"}), "/commission_fixed"),
        (json!({"price": "1.00"}), "/price"),
        (json!({"tax_position": "margin_scheme"}), "/tax_position"),
    ] {
        let refused = shop
            .post("/v1/acquisitions", &with(on_commission(), &change))
            .await;
        refused.invalid_at(pointer);
    }
    for change in [
        json!({"commission_percent": "8"}),
        json!({"commission_fixed": "0.00"}),
    ] {
        let bought = with(acquisition(&engine()), &change);
        let pointer = change
            .as_object()
            .and_then(|it| it.keys().next())
            .expect("a member");
        let refused = shop.post("/v1/acquisitions", &bought).await;
        refused.invalid_at(&format!("/{pointer}"));
    }
    assert_eq!(shop.journal().await, [""; 0], "nothing is stored");
    let both = json!({"commission_percent": "7.5", "commission_fixed": "25"});
    let came = shop
        .post("/v1/acquisitions", &with(on_commission(), &both))
        .await
        .created();
    let read = shop.get(&came.location()).await.ok().body;
    assert_eq!(read["commission_percent"], "7.5");
    assert_eq!(read["commission_fixed"], "25.00");
}

#[actix_web::test]
async fn a_price_below_the_reserve_needs_the_owners_written_consent() {
    let shop = Shop::open().await;
    let stock_no = shop.has_on_commission(&json!({})).await;
    let refused = shop
        .sells(stock_no, "4999.99", &json!({}))
        .await
        .invalid_at("/price");
    assert!(refused.text.contains("5000.00"), "{}", refused.text);
    let later = json!({"owner_agreed_on": "2026-05-15"});
    shop.sells(stock_no, "4999.99", &later)
        .await
        .invalid_at("/owner_agreed_on");
    let agreed = json!({"owner_agreed_on": TODAY});
    let sold = shop.sells(stock_no, "4999.99", &agreed).await.created();
    assert_eq!(sold.body["owner_agreed_on"], TODAY);

    let at_reserve = shop.has_on_commission(&json!({})).await;
    shop.sells(at_reserve, "5000.00", &json!({}))
        .await
        .created();
    let without = shop.has_on_commission(&json!({"reserve": null})).await;
    shop.sells(without, "0.01", &json!({})).await.created();
    let own = shop.has(engine()).await;
    shop.sells(own, "1.00", &agreed)
        .await
        .invalid_at("/owner_agreed_on");
}

/// 8 % of 5400.00 is 432.00, 20 % of that 86.40, the rest 4881.60. 7.5 % of 5234.50 is 392.5875, half up 392.59, with 25.00
/// 417.59, 20 % of it 83.518, half up 83.52, the rest 4733.39.
#[actix_web::test]
async fn the_owners_statement_says_what_is_due_to_the_penny() {
    let shop = Shop::open().await;
    let both = json!({"commission_percent": "7.5", "commission_fixed": "25.00"});
    let own_name = with(
        both.clone(),
        &json!({"tax_position": "commission_in_own_name"}),
    );
    let no_tax = json!({"tax_position": "not_registered"});
    for (terms, price, [rate, commission, vat, due]) in [
        (json!({}), "5400.00", ["20", "432.00", "86.40", "4881.60"]),
        (both, "5234.50", ["20", "417.59", "83.52", "4733.39"]),
        (own_name, "5234.50", ["20", "417.59", "83.52", "4733.39"]),
        (no_tax, "5400.00", ["0", "432.00", "0.00", "4968.00"]),
    ] {
        let stock_no = shop.has_on_commission(&terms).await;
        let sale = shop.sells(stock_no, price, &json!({})).await.created().id();
        let statement = shop
            .get(&format!("/v1/sales/{sale}/commission"))
            .await
            .ok()
            .body;
        for (member, expected) in [
            ("price", price),
            ("rate_percent", rate),
            ("commission", commission),
            ("vat", vat),
            ("payout_due", due),
            ("paid_out", "0.00"),
            ("still_due", due),
            ("paid_by_buyer", "0.00"),
        ] {
            assert_eq!(statement[member], expected, "{member} of {statement}");
        }
    }
    let own = shop.has(engine()).await;
    let sale = shop.has_sold(own).await;
    for path in [
        format!("/v1/sales/{sale}/commission"),
        "/v1/sales/999/commission".to_owned(),
    ] {
        shop.get(&path).await.refused("not_found");
    }
    shop.pays_owner(sale, "1.00", &json!({}))
        .await
        .refused("not_found");
    let seller = shop
        .request(Method::GET, "/v1/sales/1/commission")
        .by(&shop, Role::Seller);
    seller.send().await.refused("forbidden");
}

#[actix_web::test]
async fn the_owner_is_paid_once_the_buyer_has_paid() {
    let shop = Shop::open().await;
    let stock_no = shop.has_on_commission(&json!({})).await;
    let sale = shop
        .sells(stock_no, "5400.00", &json!({}))
        .await
        .created()
        .id();
    shop.has_been_paid(sale, "5399.99").await;
    let refused = shop
        .pays_owner(sale, "4881.60", &json!({}))
        .await
        .refused("conflict");
    assert!(
        refused.text.contains("before_buyer_paid"),
        "{}",
        refused.text
    );
    let early = json!({"before_buyer_paid": true, "notes": "the rest comes on Monday"});
    let first = shop.pays_owner(sale, "1000.00", &early).await.created();
    assert_eq!(
        shop.get(&first.location()).await.ok().body,
        json!({"id": first.id(), "sale_id": sale, "on": TODAY, "amount": "1000.00", "method": "transfer",
            "notes": "the rest comes on Monday"})
    );
    shop.has_been_paid(sale, "0.01").await;
    shop.pays_owner(sale, "3881.61", &json!({}))
        .await
        .refused("conflict");
    shop.pays_owner(sale, "-1000.01", &json!({}))
        .await
        .refused("conflict");
    for (change, pointer) in [
        (json!({"amount": "0.00"}), "/amount"),
        (json!({"amount": "1.001"}), "/amount"),
        (json!({"amount": "99999999999.00"}), "/amount"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "2026-05-13"}), "/on"),
        (json!({"method": "part_exchange"}), "/method"),
    ] {
        shop.pays_owner(sale, "1.00", &change)
            .await
            .invalid_at(pointer);
    }
    shop.pays_owner(sale, "3881.60", &json!({})).await.created();
    shop.pays_owner(sale, "0.01", &json!({}))
        .await
        .refused("conflict");
    let statement = shop
        .get(&format!("/v1/sales/{sale}/commission"))
        .await
        .ok()
        .body;
    assert_eq!(
        (&statement["paid_out"], &statement["still_due"]),
        (&json!("4881.60"), &json!("0.00"))
    );
    let list = shop
        .get(&format!("/v1/sales/{sale}/payouts?limit=1"))
        .await
        .ok()
        .body;
    assert_eq!(list["items"], json!([first.body]));
    shop.pays_owner(999, "1.00", &json!({}))
        .await
        .refused("not_found");
    shop.get("/v1/payouts/999").await.refused("not_found");
    let told = shop.journal_of(stock_no).await;
    assert_eq!(told.iter().filter(|it| *it == "owner.paid").count(), 2);
}

#[actix_web::test]
async fn simultaneous_payments_to_the_owner_never_exceed_what_is_due() {
    let shop = Shop::open().await;
    let stock_no = shop.has_on_commission(&json!({})).await;
    let sale = shop
        .sells(stock_no, "5400.00", &json!({}))
        .await
        .created()
        .id();
    shop.has_been_paid(sale, "5400.00").await;
    let payout = json!({"on": TODAY, "amount": "2500.00", "method": "transfer"});
    let path = format!("/v1/sales/{sale}/payouts");
    let all: Vec<_> = (0..6)
        .map(|_| {
            let asked = shop
                .request(Method::POST, &path)
                .by(&shop, Role::Bookkeeper);
            actix_web::rt::spawn(asked.once().json(&payout).send())
        })
        .collect();
    let mut paid = 0;
    for answer in all {
        paid += usize::from(answer.await.expect("an answer").status == 201);
    }
    assert_eq!(paid, 1);
}

#[actix_web::test]
async fn a_closed_period_accepts_no_payment_from_the_buyer_or_to_the_owner() {
    let shop = Shop::open().await;
    let stock_no = shop.has_on_commission(&json!({})).await;
    let early = json!({"on": "2026-03-31"});
    let sale = shop.sells(stock_no, "5400.00", &early).await.created().id();
    let closed = json!({"from": "2026-01-01", "until": "2026-03-31"});
    shop.post("/v1/tax-periods", &closed).await.created();
    let payment = json!({"on": "2026-03-31", "amount": "5400.00", "method": "transfer"});
    let path = format!("/v1/sales/{sale}/payments");
    shop.post(&path, &payment).await.refused("conflict");
    shop.post(&path, &with(payment, &json!({"on": "2026-04-01"})))
        .await
        .created();
    shop.pays_owner(sale, "1.00", &early)
        .await
        .refused("conflict");
    shop.pays_owner(sale, "1.00", &json!({"on": "2026-04-01"}))
        .await
        .created();
}

#[actix_web::test]
async fn the_owner_is_notified_once_of_each_price_change() {
    let shop = Shop::open().await;
    let stock_no = shop.has_on_commission(&json!({})).await;
    let own = shop.has(engine()).await;
    for price in ["5900.00", "5600.00", "5600.00", "5500.00"] {
        shop.has_priced(stock_no, price).await;
        shop.has_priced(own, price).await;
    }
    let open = async || shop.get("/v1/owner-notices").await.ok().body["items"].clone();
    let waiting = open().await;
    let prices: Vec<_> = waiting
        .as_array()
        .expect("items")
        .iter()
        .map(|it| {
            (
                it["stock_no"].as_i64(),
                it["old_price"].clone(),
                it["new_price"].clone(),
            )
        })
        .collect();
    assert_eq!(
        prices,
        [
            (Some(stock_no), json!("5900.00"), json!("5600.00")),
            (Some(stock_no), json!("5600.00"), json!("5500.00")),
        ]
    );
    let first = waiting[0]["id"].as_i64().expect("an id");
    let notice = format!("/v1/owner-notices/{first}");
    let notifications = format!("{notice}/notifications");
    for (on, pointer) in [("2026-05-15", "/on"), ("2026-05-13", "/on")] {
        shop.post(&notifications, &json!({"on": on}))
            .await
            .invalid_at(pointer);
    }
    let telling = json!({"on": TODAY, "method": "by telephone"});
    let told = shop.post(&notifications, &telling).await.created();
    assert_eq!(told.location(), notice);
    assert_eq!(told.body["notified_by"], "the proprietor");
    assert_eq!(shop.get(&notice).await.ok().body, told.body);
    shop.post(&notifications, &telling)
        .await
        .refused("conflict");
    assert_eq!(open().await, json!([waiting[1]]));
    let done = shop.get("/v1/owner-notices?notified=true").await.ok().body;
    assert_eq!(done["items"], json!([told.body]));
    // The first price of the engine, a price of the firm's own engine, and none.
    for no_change in [first - 2, first - 1, 999] {
        let path = format!("/v1/owner-notices/{no_change}/notifications");
        shop.post(&path, &telling).await.refused("not_found");
    }
    let journal = shop.journal_of(stock_no).await;
    assert_eq!(journal.last().map(String::as_str), Some("owner.notified"));
}
