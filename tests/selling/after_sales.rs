//! What follows a delivery: complaints, last days by law, support notes, and the invoice.

use crate::{
    harness::{Answer, Shop, text},
    make::{self, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

/// Sold and handed over on 2026-03-03 for 7600.00: stock number and sale.
async fn delivered(shop: &Shop, sale: &Value) -> (i64, i64) {
    let stock_no = shop.has_ready_to_list(make::engine()).await;
    let buyer = shop.post("/v1/persons", &make::person()).await;
    let of_all = json!({"on": "2026-03-03", "price": "7600.00", "person_id": buyer.created().id()});
    let made = shop
        .post(
            &format!("/v1/engines/{stock_no}/sales"),
            &with(of_all, sale),
        )
        .await
        .created()
        .id();
    let payment = json!({"on": "2026-03-03", "amount": "7600.00", "method": "transfer"});
    shop.post(&format!("/v1/sales/{made}/payments"), &payment)
        .await
        .created();
    for item in ["drained", "spares_packed", "papers_packed"] {
        let tick = json!({"item": item, "on": "2026-03-03"});
        shop.post(&format!("/v1/engines/{stock_no}/checklist-ticks"), &tick)
            .await
            .created();
    }
    let delivery =
        json!({"on": "2026-03-03", "method": "collection", "handed_to": "Odo Fenwright"});
    shop.post(&format!("/v1/engines/{stock_no}/deliveries"), &delivery)
        .await
        .created();
    (stock_no, made)
}

async fn complain(shop: &Shop, sale: i64, asked_on: &str, given_back_on: Option<&str>) -> Answer {
    let new = json!({"asked_on": asked_on, "description": "the left injector blows back", "given_back_on": given_back_on});
    shop.post(&format!("/v1/sales/{sale}/complaints"), &new)
        .await
}

async fn statutory_deadlines(shop: &Shop, sale: i64) -> Value {
    let days = shop
        .get(&format!("/v1/sales/{sale}/statutory-deadlines"))
        .await;
    days.ok().body
}

/// Consumer Rights Act 2015 s.22(3), (6)-(8); Consumer Contracts Regulations 2013 reg. 30, 31 (from memory), 34. Days by
/// python-dateutil: date(2026, 3, 3) + relativedelta(days=30), (days=14), (days=14) + relativedelta(months=12);
/// date(2026, 4, 2) + relativedelta(days=12) for 20 to 31 March, both counted; date(2026, 5, 12) + relativedelta(days=14).
#[actix_web::test]
async fn statutory_deadlines_follow_from_the_records() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(
        &shop,
        &json!({"at_distance": true, "informed_of_cancellation_on": "2026-03-01"}),
    )
    .await;

    // The periods run from the day of delivery, and each rule names its source.
    let days = statutory_deadlines(&shop, sale).await;
    assert_eq!(days["delivered_on"], "2026-03-03");
    assert_eq!(days["short_term_reject_until"], "2026-04-02");
    assert_eq!(days["cancel_until"], "2026-03-17");
    assert_eq!(days["refund_by"], Value::Null);
    let rules = days["rules"].as_array().expect("rules");
    assert!(
        rules.iter().all(|rule| rule["source"].is_string()) && rules.len() == 2,
        "{days}"
    );

    // A repair stops the clock of the short-term right to reject, and its days are added to the period.
    let complaint = complain(&shop, sale, "2026-03-20", None).await.created();
    assert_eq!(
        complaint.body,
        json!({"id": complaint.id(), "sale_id": sale, "asked_on": "2026-03-20", "description": "the left injector blows back",
            "given_back_on": null})
    );
    let stopped = statutory_deadlines(&shop, sale).await;
    assert_eq!(stopped["short_term_clock_stopped"], true);
    assert_eq!(stopped["short_term_reject_until"], Value::Null);
    shop.patch(
        &complaint.location(),
        &json!({"given_back_on": "2026-03-31"}),
    )
    .await
    .ok();
    let days = statutory_deadlines(&shop, sale).await;
    assert_eq!(days["short_term_reject_until"], "2026-04-14");

    // The cancellation period depends on when the buyer was informed; it is a year longer if they never were.
    shop.patch(
        &format!("/v1/sales/{sale}"),
        &json!({"informed_of_cancellation_on": null}),
    )
    .await
    .ok();
    assert_eq!(
        statutory_deadlines(&shop, sale).await["cancel_until"],
        "2027-03-17"
    );
    shop.patch(
        &format!("/v1/sales/{sale}"),
        &json!({"informed_of_cancellation_on": "2026-04-20"}),
    )
    .await
    .ok();
    assert_eq!(
        statutory_deadlines(&shop, sale).await["cancel_until"],
        "2026-05-04"
    );

    // A cancellation on the last day is in time, and sets the day for sending the engine back.
    let cancelled = json!({"cancelled_on": "2026-05-04"});
    shop.patch(&format!("/v1/sales/{sale}"), &cancelled)
        .await
        .ok();
    let days = statutory_deadlines(&shop, sale).await;
    assert_eq!(
        [&days["cancelled_in_time"], &days["send_back_by"]],
        [&json!(true), &json!("2026-05-18")],
        "reg. 35(5)"
    );

    // Dates that contradict what is on record are refused.
    for (change, pointer) in [
        (json!({"cancelled_on": "2026-05-15"}), "/cancelled_on"),
        (json!({"at_distance": false}), "/cancelled_on"),
        (
            json!({"proof_of_sending_on": "2026-03-02"}),
            "/proof_of_sending_on",
        ),
        (
            json!({"refund_agreed_on": "2026-03-02"}),
            "/refund_agreed_on",
        ),
        (
            json!({"informed_of_cancellation_on": "2026-05-15"}),
            "/informed_of_cancellation_on",
        ),
        (
            json!({"informed_of_cancellation": true}),
            "/informed_of_cancellation",
        ),
    ] {
        shop.patch(&format!("/v1/sales/{sale}"), &change)
            .await
            .invalid_at(pointer);
    }

    // Once the engine is back, the day for the refund follows.
    let back = json!({"on": "2026-05-12", "reason": "cancelled"});
    shop.post(&format!("/v1/sales/{sale}/returns"), &back)
        .await
        .created();
    let days = statutory_deadlines(&shop, sale).await;
    assert_eq!(
        (&days["sent_back_on"], &days["refund_by"]),
        (&json!("2026-05-12"), &json!("2026-05-26"))
    );
    let history = shop.journal_of(stock_no).await;
    for kind in ["complaint.created", "complaint.changed"] {
        assert!(history.contains(&kind.to_owned()), "{history:?}");
    }
}

/// Consumer Rights Act 2015 s.20(15), from memory: 14 days beginning with the day of the agreement.
#[actix_web::test]
async fn a_rejected_engine_is_refunded_by_the_agreement_and_not_by_the_return() {
    let shop = Shop::open().await;
    let (_, sale) = delivered(&shop, &json!({})).await;
    let agreed = json!({"refund_agreed_on": "2026-04-04"});
    shop.patch(&format!("/v1/sales/{sale}"), &agreed).await.ok();
    assert_eq!(
        statutory_deadlines(&shop, sale).await["refund_by"],
        "2026-04-17"
    );
    let back = json!({"on": "2026-04-20", "reason": "rejected"});
    shop.post(&format!("/v1/sales/{sale}/returns"), &back)
        .await
        .created();
    assert_eq!(
        statutory_deadlines(&shop, sale).await["refund_by"],
        "2026-04-17"
    );
    let (_, other) = delivered(&shop, &json!({})).await;
    shop.post(&format!("/v1/sales/{other}/returns"), &back)
        .await
        .created();
    assert_eq!(
        statutory_deadlines(&shop, other).await["refund_by"],
        "2026-05-03"
    );
}

/// Consumer Rights Act 2015 s.22(8): at least 7 days remain after the return. date(2026, 4, 1) + relativedelta(days=7).
#[actix_web::test]
async fn seven_days_remain_after_a_repair() {
    let shop = Shop::open().await;
    let (_, sale) = delivered(&shop, &json!({})).await;
    complain(&shop, sale, "2026-03-31", Some("2026-04-01"))
        .await
        .created();
    let days = statutory_deadlines(&shop, sale).await;
    assert_eq!(days["short_term_reject_until"], "2026-04-08");
    assert_eq!(days["cancel_until"], Value::Null, "sold on the premises");
}

#[actix_web::test]
async fn the_law_binds_sales_to_consumers_and_runs_from_delivery() {
    let shop = Shop::open().await;
    let (_, sale) = delivered(
        &shop,
        &json!({"buyer_is_consumer": false, "at_distance": true}),
    )
    .await;
    let days = statutory_deadlines(&shop, sale).await;
    assert_eq!(
        (
            &days["short_term_reject_until"],
            &days["cancel_until"],
            &days["rules"]
        ),
        (&Value::Null, &Value::Null, &json!([]))
    );
    let engine = shop.has(make::engine()).await;
    let undelivered = shop.has_sold(engine).await;
    let days = statutory_deadlines(&shop, undelivered).await;
    assert_eq!(
        (&days["delivered_on"], &days["rules"]),
        (&Value::Null, &json!([]))
    );
    complain(&shop, undelivered, "2026-05-14", None)
        .await
        .refused("conflict");
    // Cancelled before it left: 14 days from the notice (Consumer Contracts Regulations 2013 reg. 34(6), from memory).
    for (at_distance, refund_by) in [(true, json!("2026-05-28")), (false, Value::Null)] {
        let engine = shop.has(make::engine()).await;
        let buyer = shop
            .post("/v1/persons", &make::person())
            .await
            .created()
            .id();
        let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": buyer, "at_distance": at_distance});
        let path = format!("/v1/engines/{engine}/sales");
        let sale = shop.post(&path, &sale).await.created().id();
        let off = json!({"on": "2026-05-14", "reason": "cancelled"});
        shop.post(&format!("/v1/sales/{sale}/cancellation"), &off)
            .await
            .created();
        let days = statutory_deadlines(&shop, sale).await;
        assert_eq!(days["refund_by"], refund_by, "{days}");
    }
    shop.get("/v1/sales/999/statutory-deadlines")
        .await
        .refused("not_found");
}

#[actix_web::test]
async fn a_complaint_keeps_its_days() {
    let shop = Shop::open().await;
    let (_, sale) = delivered(&shop, &json!({})).await;
    for (asked_on, given_back_on, pointer) in [
        ("2026-03-02", None, "/asked_on"),
        ("2026-05-15", None, "/asked_on"),
        ("2026-03-20", Some("2026-03-19"), "/given_back_on"),
        ("2026-03-20", Some("2026-05-15"), "/given_back_on"),
    ] {
        complain(&shop, sale, asked_on, given_back_on)
            .await
            .invalid_at(pointer);
    }
    let asked = complain(&shop, sale, "2026-03-03", None).await.created();
    shop.patch(&asked.location(), &json!({"given_back_on": "2026-03-02"}))
        .await
        .invalid_at("/given_back_on");
    let back = json!({"on": "2026-05-12", "reason": "rejected"});
    shop.post(&format!("/v1/sales/{sale}/returns"), &back)
        .await
        .created();
    complain(&shop, sale, "2026-05-13", None)
        .await
        .invalid_at("/asked_on");
    let fitter = shop
        .request(Method::POST, &format!("/v1/sales/{sale}/complaints"))
        .by(&shop, Role::Fitter);
    let fitter = fitter.json(&json!({"asked_on": "2026-05-12", "description": "x"}));
    fitter.send().await.refused("forbidden");
    shop.get("/v1/complaints/999").await.refused("not_found");
}

#[actix_web::test]
async fn a_buyers_question_is_recorded_and_answered() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(&shop, &json!({})).await;
    let path = format!("/v1/sales/{sale}/support-notes");
    let asked = json!({"on": "2026-04-02", "message": "how to lay it up?"});
    for on in ["2026-03-02", "2026-05-15"] {
        shop.post(&path, &with(asked.clone(), &json!({"on": on})))
            .await
            .invalid_at("/on");
    }
    let noted = shop.post(&path, &asked).await.created();
    assert_eq!(
        noted.body,
        json!({"id": noted.id(), "sale_id": sale, "on": "2026-04-02", "message": "how to lay it up?", "answered": null})
    );
    let answered = json!({"answered": "blown down hot, then dry and open"});
    let changed = shop.patch(&noted.location(), &answered).await.ok();
    assert_eq!(changed.body["answered"], answered["answered"]);
    let list = shop.get(&path).await.ok();
    assert_eq!(list.body["items"], json!([changed.body]));
    let history = shop.journal_of(stock_no).await;
    assert!(
        history.ends_with(&[
            "support_note.created".to_owned(),
            "support_note.answered".to_owned()
        ]),
        "{history:?}"
    );
}

/// Directive 2006/112/EC Art. 226(14), from memory: the words; the margin scheme shows no tax (gov.uk, "VAT margin schemes").
/// Under the ordinary scheme a sixth of 7600 is 1266.67.
#[actix_web::test]
async fn an_invoice_shows_tax_only_under_the_ordinary_scheme() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(&shop, &json!({})).await;
    let read = async |sale: i64| shop.get(&format!("/v1/sales/{sale}/invoice")).await;
    let bare = read(sale).await.ok().body;
    assert_eq!(bare["warnings"].as_array().map(Vec::len), Some(2), "{bare}");
    let firm = json!({"address": "Quillow Lane, Harrowmere", "vat_number": "GB 123 4567 89"});
    shop.patch("/v1/firm", &firm).await.ok();
    let margin = read(sale).await.ok().body;
    let name = shop.get("/v1/firm").await.ok().body["name"].clone();
    assert_eq!(
        margin,
        json!({"invoice_no": 1, "on": "2026-03-03", "sale_id": sale, "firm": {"name": name, "address": "Quillow Lane, Harrowmere"},
            "vat_number": "GB 123 4567 89", "on_behalf_of": null, "buyer": {"name": "Odo Fenwright", "address": null},
            "stock_no": stock_no, "description": "Marrowby, locomotive, 5 in gauge, 0-6-0, built by J. Thackwell", "currency": "GBP",
            "price": "7600.00", "scheme": "margin", "wording": "Margin scheme - Second-hand goods", "rate_percent": null,
            "net": null, "tax": null, "buyer_abroad": false, "export": null, "paid": "7600.00", "balance": "0.00", "credit_note": null, "warnings": []})
    );
    let came = with(
        make::acquisition(&make::engine()),
        &json!({"tax_position": "ordinary_vat"}),
    );
    let came = shop.post("/v1/acquisitions", &came).await.created();
    let ordinary = came.body["stock_no"].as_i64().expect("a number");
    let ordinary = shop.has_sold(ordinary).await;
    let invoice = read(ordinary).await.ok().body;
    assert_eq!(
        ["rate_percent", "net", "tax"].map(|name| text(&invoice[name])),
        ["20", "6333.33", "1266.67"].map(str::to_owned)
    );
    assert_eq!(invoice["wording"], Value::Null);

    let off = json!({"on": "2026-05-14", "reason": "agreed"});
    shop.post(&format!("/v1/sales/{ordinary}/cancellation"), &off)
        .await
        .created();
    let invoice = read(ordinary).await.ok().body;
    let credited = shop
        .get(&format!("/v1/sales/{ordinary}/credit-note"))
        .await
        .ok();
    assert_eq!(credited.body, invoice);
    shop.get(&format!("/v1/sales/{sale}/credit-note"))
        .await
        .refused("not_found");
    for (paper, title) in [("invoice", "Invoice 2"), ("credit-note", "Credit note 1")] {
        let asked = shop.request(Method::GET, &format!("/v1/sales/{ordinary}/{paper}"));
        let asked = asked.by(&shop, Role::Bookkeeper);
        let sheet = asked.header("accept", "text/html").send().await.ok();
        let heading = format!("<h1>{title}</h1>");
        assert!(sheet.text.contains(&heading), "{}", sheet.text);
    }
    assert_eq!(
        invoice["credit_note"],
        json!({"credit_note_no": 1, "on": "2026-05-14", "credited": "7600.00", "tax_credited": "1266.67", "refund": "0.00"})
    );
    let fitter = shop.request(Method::GET, &format!("/v1/sales/{sale}/invoice"));
    let fitter = fitter.by(&shop, Role::Fitter).send().await;
    fitter.refused("forbidden");
    read(999).await.refused("not_found");
}
