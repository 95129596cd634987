//! The stock book, its totals, and the numbers of the firm's invoices.

use crate::{
    harness::{Shop, text},
    make::{acquisition, engine, person, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

const BOOK: &str = "/v1/stock-book?from=2026-01-01&to=2026-05-14";

async fn bought(shop: &Shop, on: &str, price: &str) -> i64 {
    let came = with(
        acquisition(&engine()),
        &json!({"on": on, "price": price, "invoice_no": null}),
    );
    let came = shop.post("/v1/acquisitions", &came).await.created();
    came.body["stock_no"].as_i64().expect("a number")
}

async fn sold(shop: &Shop, stock_no: i64, on: &str, price: &str) -> Value {
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let sale =
        json!({"on": on, "price": price, "person_id": buyer, "below_break_even_confirmed": true});
    let path = format!("/v1/engines/{stock_no}/sales");
    shop.post(&path, &sale).await.created().body
}

async fn items(shop: &Shop, path: &str) -> Vec<Value> {
    let page = shop.get(path).await.ok();
    page.body["items"].as_array().expect("items").clone()
}

async fn closed(shop: &Shop, from: &str, until: &str) {
    let period = json!({"from": from, "until": until});
    shop.post("/v1/tax-periods", &period).await.created();
}

/// gov.uk, "VAT margin schemes", Keeping records: the columns; repairs and parts stay out of the purchase price (HMRC
/// VATMARG02300): a sixth of 4950 - 3200 is 291.67.
#[actix_web::test]
async fn a_line_has_the_columns_required_by_the_margin_scheme() {
    let shop = Shop::open().await;
    let seller = json!({"name": "Wynn Ostrellan"});
    let seller = shop.post("/v1/persons", &seller).await.created().id();
    let came = with(
        acquisition(&engine()),
        &json!({"price": "3200.00", "person_id": seller}),
    );
    let came = shop.post("/v1/acquisitions", &came).await.created();
    let stock_no = came.body["stock_no"].as_i64().expect("a number");
    for (kind, cost) in [("outside_work", "800.00"), ("parts", "400.00")] {
        let cost = json!({"kind": kind, "on": "2026-02-01", "cost": cost});
        shop.post(&format!("/v1/engines/{stock_no}/costs"), &cost)
            .await
            .created();
    }
    let sale = sold(&shop, stock_no, "2026-05-13", "4950.00").await;
    let line = json!({
        "stock_no": stock_no, "bought_on": "2026-01-05", "purchase_invoice_no": null, "purchase_price": "3200.00",
        "seller": "Wynn Ostrellan", "description": "Marrowby, locomotive, 5 in gauge, 0-6-0, built by J. Thackwell",
        "sold_on": "2026-05-13", "sales_invoice_no": "1", "price": "4950.00", "disposal": "sold", "buyer": "Odo Fenwright",
        "margin": "1750.00", "tax": "291.67", "late_tax": null, "late_tax_due_on": null, "late_tax_taken_back_on": null, "in_again_on": null, "return_id": null, "credit_note_no": null, "acquisition_id": came.id(), "sale_id": sale["id"], "disposal_id": null,
        "bought_entry_no": null, "gone_entry_no": null
    });
    let entries = shop.get("/v1/journal?limit=500").await.ok().body;
    let entry_no = |kind: &str| {
        let entries = entries["items"].as_array().expect("items");
        let found = entries.iter().find(|entry| entry["type"] == kind);
        found.expect("an entry")["entry_no"].clone()
    };
    let numbered = with(
        line,
        &json!({"bought_entry_no": entry_no("engine.acquired"), "gone_entry_no": entry_no("engine.sold")}),
    );
    assert_eq!(items(&shop, BOOK).await, [numbered]);
    for role in [Role::Seller, Role::Fitter, Role::Website] {
        let read = shop.request(Method::GET, BOOK).by(&shop, role);
        read.send().await.refused("forbidden");
    }
}

/// gov.uk, "VAT margin schemes": a loss cannot be set off against other items, so 291.67 is due on a gain of 1750
/// despite a loss of 400.
#[actix_web::test]
async fn the_totals_of_closed_periods_are_listed_with_those_of_the_open_days() {
    let shop = Shop::open().await;
    let first = bought(&shop, "2026-01-05", "3200.00").await;
    let second = bought(&shop, "2026-02-10", "5000.00").await;
    sold(&shop, first, "2026-03-31", "4950.00").await;
    sold(&shop, second, "2026-03-31", "4600.00").await;
    let third = bought(&shop, "2026-04-01", "1500.00").await;
    sold(&shop, third, "2026-05-01", "2000.00").await;
    closed(&shop, "2026-02-01", "2026-02-28").await;
    closed(&shop, "2026-03-01", "2026-03-31").await;
    // The days before the first closed period and after the last one have a line each.
    let sums = items(&shop, "/v1/stock-book/totals?from=2026-01-01&to=2026-05-14").await;
    let columns: Vec<[String; 6]> = sums
        .iter()
        .map(|sum| {
            ["from", "until", "purchases", "sales", "margins", "tax"].map(|name| text(&sum[name]))
        })
        .collect();
    let row = |cells: [&str; 6]| cells.map(str::to_owned);
    assert_eq!(
        columns,
        [
            row([
                "2026-01-01",
                "2026-01-31",
                "3200.00",
                "0.00",
                "0.00",
                "0.00"
            ]),
            row([
                "2026-02-01",
                "2026-02-28",
                "5000.00",
                "0.00",
                "0.00",
                "0.00"
            ]),
            row([
                "2026-03-01",
                "2026-03-31",
                "0.00",
                "9550.00",
                "1350.00",
                "291.67"
            ]),
            row([
                "2026-04-01",
                "2026-05-14",
                "1500.00",
                "2000.00",
                "500.00",
                "83.33"
            ]),
        ]
    );
    assert_eq!(sums[0]["closed_on"], Value::Null);
    assert_eq!(sums[1]["closed_on"], "2026-05-14");
    assert_eq!(sums[3]["period_id"], Value::Null);
    // Days within a closed period give that period, and pages divide the lines.
    let within = items(&shop, "/v1/stock-book/totals?from=2026-03-15&to=2026-03-20").await;
    assert_eq!(
        within,
        [sums[2].clone()],
        "a closed period is listed in full"
    );
    let one = shop
        .get("/v1/stock-book/totals?from=2026-01-01&to=2026-05-14&limit=3")
        .await
        .ok();
    assert_eq!(
        items(&shop, &text(&one.body["next"])).await,
        [sums[3].clone()]
    );
}

#[actix_web::test]
async fn an_engine_is_in_the_book_from_the_day_it_arrived_to_the_day_it_left() {
    let shop = Shop::open().await;
    let stock_no = bought(&shop, "2026-02-10", "1500.00").await;
    sold(&shop, stock_no, "2026-03-31", "2000.00").await;
    for (from, to, lines) in [
        ("2026-01-01", "2026-02-09", 0),
        ("2026-01-01", "2026-02-10", 1),
        ("2026-03-01", "2026-03-02", 1),
        ("2026-03-31", "2026-03-31", 1),
        ("2026-04-01", "2026-05-14", 0),
    ] {
        let book = items(&shop, &format!("/v1/stock-book?from={from}&to={to}")).await;
        assert_eq!(book.len(), lines, "{from} to {to}");
    }
    let commission = json!({"method": "commission", "price": null, "tax_position": "commission_in_owners_name", "commission_percent": "8"});
    let commission = with(acquisition(&engine()), &commission);
    shop.post("/v1/acquisitions", &commission).await.created();
    assert_eq!(items(&shop, BOOK).await.len(), 1);
}

#[actix_web::test]
async fn an_impossible_span_is_refused() {
    let shop = Shop::open().await;
    for query in [
        "",
        "?from=2026-01-01",
        "?from=2026-01-02&to=2026-01-01",
        "?from=2026-02-30&to=2026-03-01",
        "?from=1926-05-14&to=2026-05-14",
        "?from=2026-01-01&to=2026-01-01&until=2026-01-01",
    ] {
        for path in ["/v1/stock-book", "/v1/stock-book/totals"] {
            shop.get(&format!("{path}{query}"))
                .await
                .refused("invalid_query")
                .is(400);
        }
    }
    let longest = "/v1/stock-book?from=1926-05-15&to=2026-05-14";
    assert_eq!(items(&shop, longest).await, [""; 0]);
}

/// RFC 4180: CRLF and a header row.
#[actix_web::test]
async fn the_book_is_exported_as_csv() {
    let shop = Shop::open().await;
    for _ in 0..2 {
        bought(&shop, "2026-01-05", "1500.00").await;
    }
    let read = async |media_type: &str| {
        let asked = shop
            .request(Method::GET, BOOK)
            .by(&shop, Role::Bookkeeper)
            .header("accept", media_type);
        asked.send().await.ok().text
    };
    let table = read("text/csv").await;
    let lines: Vec<&str> = table.split("\r\n").collect();
    assert!(
        lines[0].starts_with("stock_no,bought_on,purchase_invoice_no,purchase_price,seller,"),
        "{table}"
    );
    assert!(
        lines[1].starts_with("1,2026-01-05,,1500.00,,\"Marrowby, locomotive"),
        "{table}"
    );
    assert_eq!(lines.len(), 4, "{table}");
    assert_eq!(read("application/x-ndjson").await.lines().count(), 2);
}

#[actix_web::test]
async fn the_firms_invoices_are_numbered_without_gaps() {
    let shop = Shop::open().await;
    let mut asked = Vec::new();
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    for _ in 0..6 {
        let stock_no = bought(&shop, "2026-01-05", "1500.00").await;
        let path = format!("/v1/engines/{stock_no}/sales");
        let refused = json!({"on": "2026-05-15", "price": "1.00", "person_id": buyer});
        shop.post(&path, &refused).await.invalid_at("/on");
        let sale = json!({"on": "2026-05-14", "price": "2000.00", "person_id": buyer});
        let sell = shop.request(Method::POST, &path).by(&shop, Role::Seller);
        asked.push(sell.once().json(&sale));
    }
    let mut numbers = Vec::new();
    for sale in asked
        .into_iter()
        .map(|sale| actix_web::rt::spawn(sale.send()))
        .collect::<Vec<_>>()
    {
        let sale = sale.await.expect("an answer").created();
        numbers.push(sale.body["invoice_no"].as_i64().expect("a number"));
    }
    numbers.sort_unstable();
    assert_eq!(numbers, [1, 2, 3, 4, 5, 6]);
}

#[actix_web::test]
async fn records_that_a_closed_period_depends_on_are_closed_with_it() {
    let shop = Shop::open().await;
    let stock_no = bought(&shop, "2026-01-05", "1500.00").await;
    let sale = sold(&shop, stock_no, "2026-03-31", "2000.00").await;
    closed(&shop, "2026-01-01", "2026-03-31").await;
    let payments = format!("/v1/sales/{}/payments", sale["id"]);
    let paid = |on: &str| json!({"on": on, "amount": "100.00", "method": "transfer"});
    shop.post(&payments, &paid("2026-03-31"))
        .await
        .refused("conflict");
    shop.post(&payments, &paid("2026-04-01")).await.created();
    let rate = |from: &str| {
        json!({"jurisdiction": "GB", "rule": "standard_rate", "value": "0", "unit": "percent", "from": from,
            "source": "constructed", "confidence": "plain_reading"})
    };
    shop.post("/v1/tax-rules", &rate("2026-03-31"))
        .await
        .refused("conflict");
    let rules = items(&shop, "/v1/tax-rules?limit=200").await;
    let standard = rules.iter().find(|rule| rule["rule"] == "standard_rate");
    let endings = format!("/v1/tax-rules/{}/end", standard.expect("a rate")["id"]);
    shop.post(&endings, &json!({"until": "2026-03-30"}))
        .await
        .refused("conflict");
    shop.post(&endings, &json!({"until": "2026-03-31"}))
        .await
        .created();
    shop.post("/v1/tax-rules", &rate("2026-04-01"))
        .await
        .created();
    let line = items(&shop, BOOK).await;
    assert_eq!(line[0]["tax"], "83.33");
}

/// VAT Act 1994 s.47 and Directive 2006/112/EC Art. 14(2)(c), from memory: sold in the firm's own name it counts as
/// bought and sold, for the amount payable to the owner. 8% of 5400.00 is 432.00, with 86.40 of tax: 4881.60 is payable
/// to the owner.
#[actix_web::test]
async fn an_engine_sold_on_commission_in_the_firms_own_name_is_bought_and_sold_that_day() {
    let shop = Shop::open().await;
    for position in ["commission_in_own_name", "commission_in_owners_name"] {
        let terms = json!({"method": "commission", "price": null, "tax_position": position, "commission_percent": "8"});
        let came = shop
            .post("/v1/acquisitions", &with(acquisition(&engine()), &terms))
            .await
            .created();
        let stock_no = came.body["stock_no"].as_i64().expect("a number");
        assert_eq!(items(&shop, BOOK).await.len(), usize::from(stock_no > 1));
        sold(&shop, stock_no, "2026-05-13", "5400.00").await;
    }
    let book = items(&shop, BOOK).await;
    let columns = ["bought_on", "purchase_price", "sold_on", "margin", "tax"];
    assert_eq!(
        columns.map(|member| text(&book[0][member])),
        ["2026-05-13", "4881.60", "2026-05-13", "518.40", "86.40"]
    );
    assert_eq!(book.len(), 1);
}

/// Sold for 150.00 at a loss of 5850.00, as a spreadsheet adds it up; notes that begin like a formula stay text.
#[actix_web::test]
async fn in_a_table_amounts_are_numbers_and_text_is_never_a_formula() {
    let shop = Shop::open().await;
    let stock_no = bought(&shop, "2026-01-05", "6000.00").await;
    let buyer = with(person(), &json!({"name": "-5850.00"}));
    let buyer = shop.post("/v1/persons", &buyer).await.created().id();
    let sale = json!({"on": "2026-05-14", "price": "150.00", "person_id": buyer, "below_break_even_confirmed": true, "notes": "=1+1"});
    let sale = shop
        .post(&format!("/v1/engines/{stock_no}/sales"), &sale)
        .await
        .created();
    let table = async |path: &str| {
        let asked = shop.request(Method::GET, path).by(&shop, Role::Proprietor);
        asked.header("accept", "text/csv").send().await.ok().text
    };
    let book = table(BOOK).await;
    assert!(book.contains(",-5850.00,"), "{book}");
    assert!(
        book.contains(",'-5850.00,"),
        "the name of the buyer is text: {book}"
    );
    let sales = table("/v1/sales").await;
    assert!(sales.contains("'=1+1"), "{sales}");
    let payments = format!("{}/payments", sale.location());
    for amount in ["150.00", "-100.00"] {
        let payment =
            json!({"on": "2026-05-14", "amount": amount, "method": "transfer", "notes": "-50.00"});
        shop.post(&payments, &payment).await.created();
    }
    let paid = table(&payments).await;
    assert!(
        paid.contains(",-100.00,") && paid.contains("'-50.00"),
        "{paid}"
    );
    let cost =
        json!({"kind": "parts", "on": "2026-01-06", "cost": "12.50", "supplier_vat": "2.50"});
    let costs = format!("/v1/engines/{stock_no}/costs");
    let cost = shop.post(&costs, &cost).await.created().location();
    shop.post(&format!("{cost}/reversals"), &json!({}))
        .await
        .created();
    let costs = table(&costs).await;
    assert!(costs.contains(",-12.50,-12.50,-2.50,"), "{costs}");
}
