//! Accounts and the entries for the accountant: debits equal credits, and each line leads to its record.

use crate::{
    make::{acquisition, engine, person, with},
    shop::{Shop, text},
};
use outshop_core::{money::Money, trade::Role};
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::BTreeMap;

const SPAN: &str = "from=2026-01-01&to=2026-05-14";

async fn bought(shop: &Shop, change: &Value) -> i64 {
    let came = shop
        .post("/v1/acquisitions", &with(acquisition(&engine()), change))
        .await
        .created();
    came.body["stock_no"].as_i64().expect("a number")
}

async fn spent(shop: &Shop, stock_no: i64, on: &str, cost: &str, vat: &str) -> i64 {
    let cost = json!({"kind": "parts", "on": on, "cost": cost, "supplier_vat": vat});
    let path = format!("/v1/engines/{stock_no}/costs");
    shop.post(&path, &cost).await.created().id()
}

async fn sold(shop: &Shop, stock_no: i64, on: &str, price: &str) -> i64 {
    let buyer = shop.post("/v1/persons", &person()).await.created().id();
    let sale = json!({"on": on, "price": price, "person_id": buyer});
    let path = format!("/v1/engines/{stock_no}/sales");
    shop.post(&path, &sale).await.created().id()
}

async fn all(shop: &Shop, path: &str) -> Vec<Value> {
    let mut items = Vec::new();
    let mut next = Some(path.to_owned());
    while let Some(address) = next {
        let page = shop.get(&address).await.ok().body;
        items.extend(page["items"].as_array().expect("items").iter().cloned());
        next = page["next"].as_str().map(str::to_owned);
    }
    items
}

fn money(value: &Value) -> Money {
    text(value).parse().expect("money")
}

/// Debits less credits of each account, nought left out.
fn balances(lines: &[Value]) -> BTreeMap<String, String> {
    let mut pennies: BTreeMap<String, i128> = BTreeMap::new();
    for line in lines {
        *pennies.entry(text(&line["account"])).or_default() +=
            money(&line["debit"]).pennies() - money(&line["credit"]).pennies();
    }
    let told = |(account, pennies)| {
        let balance = Money::from_pennies(pennies).expect("money").to_string();
        (account, balance)
    };
    pennies
        .into_iter()
        .filter(|(_, pennies)| *pennies != 0)
        .map(told)
        .collect()
}

fn of(balances: &[(&str, &str)]) -> BTreeMap<String, String> {
    let told = |(account, balance): &(&str, &str)| ((*account).to_owned(), (*balance).to_owned());
    balances.iter().map(told).collect()
}

/// A trade under the margin scheme, by hand: 6000 and 200 of parts with 40 of tax, 10 hours at 30, sold for 7680 of which a
/// sixth of 1680 is tax (gov.uk, "VAT margin schemes"). Double entry itself: common practice, no source.
#[actix_web::test]
async fn a_whole_trade_is_booked_with_tax_and_cost_of_sales() {
    let shop = Shop::open().await;
    let stock_no = bought(&shop, &json!({"price": "6000.00"})).await;
    spent(&shop, stock_no, "2026-02-01", "200.00", "40.00").await;
    let rate = json!({"fitter": "Edda Morlock", "from": "2026-01-01", "book_rate": "30.00", "worth_rate": "40.00"});
    shop.post("/v1/hour-rates", &rate).await.created();
    let job = shop.has_job_in_hand(stock_no, &["motion"], &[]).await;
    let hours = json!({"on": "2026-03-09", "fitter": "Edda Morlock", "hours": "10"});
    shop.post(&format!("{job}/hours"), &hours).await.created();
    let sale = sold(&shop, stock_no, "2026-05-13", "7680.00").await;
    for (amount, method) in [
        ("1000.00", "cash"),
        ("6680.00", "transfer"),
        ("-100.00", "transfer"),
    ] {
        let payment = json!({"on": "2026-05-14", "amount": amount, "method": method, "cash_limit_acknowledged": true});
        shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
    }
    let late = spent(&shop, stock_no, "2026-05-14", "50.00", "10.00").await;
    shop.post(&format!("/v1/costs/{late}/reversals"), &json!({}))
        .await
        .created();

    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}&limit=3")).await;
    assert_eq!(
        balances(&lines),
        of(&[
            ("bank", "6580.00"),
            ("cash", "1000.00"),
            ("cost_of_sales", "6500.00"),
            ("owed_by_buyers", "100.00"),
            ("owed_to_suppliers", "-6240.00"),
            ("sales", "-7400.00"),
            ("tax_on_purchases", "40.00"),
            ("tax_on_sales", "-280.00"),
            ("work_into_stock", "-300.00"),
        ])
    );
    let entries = shop.get("/v1/journal?limit=500").await.ok().body;
    let entry_no = |kind: &str| {
        let entries = entries["items"].as_array().expect("items");
        let found = entries.iter().find(|entry| entry["type"] == kind);
        found.expect("an entry")["entry_no"].clone()
    };
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    for (source, kind) in [
        ("acquisition", "engine.acquired"),
        ("cost", "cost.entered"),
        ("job_hours", "job.hours_booked"),
        ("sale", "engine.sold"),
        ("payment", "payment.recorded"),
    ] {
        let line = lines.iter().find(|line| line["source"] == source);
        let line = line.expect("a line");
        assert_eq!(line["entry_no"], entry_no(kind), "{line}");
        assert_eq!(line["stock_no"], stock_no);
    }
    let days: Vec<String> = lines.iter().map(|line| text(&line["on"])).collect();
    assert!(days.is_sorted());
    let sums = shop
        .get(&format!("/v1/accounts-entries/trial?{SPAN}"))
        .await;
    let sums = sums.ok().body;
    assert_eq!(sums["debit"], sums["credit"]);
    let bank = sums["accounts"].as_array().expect("accounts").iter();
    let bank = bank.clone().find(|sum| sum["account"] == "bank");
    assert_eq!(
        bank.expect("the bank"),
        &json!({"account": "bank", "debit": "6680.00", "credit": "100.00"})
    );
}

/// What goes out of stock is cost less what was written down; the rest of the sums by hand. Plain reading, no source.
#[actix_web::test]
async fn write_downs_and_disposals_leave_nothing_in_stock() {
    let shop = Shop::open().await;
    let price = async |stock_no: i64, price: &str| {
        let price = json!({"price": price, "on": "2026-03-01"});
        shop.post(&format!("/v1/engines/{stock_no}/asking-prices"), &price)
            .await
            .created();
    };
    let none = json!({"price": "1000.00", "tax_position": "not_registered"});
    let (scrapped, returned, sale) = (
        bought(&shop, &none).await,
        bought(&shop, &none).await,
        bought(&shop, &none).await,
    );
    for stock_no in [scrapped, returned, sale] {
        spent(&shop, stock_no, "2026-02-01", "100.00", "20.00").await;
        price(stock_no, "800.00").await;
    }
    let kept = json!({"on": "2026-03-31"});
    shop.post("/v1/stock-values", &kept).await.created();
    for (stock_no, manner) in [(scrapped, "scrapped"), (returned, "returned_to_seller")] {
        let gone = json!({"on": "2026-05-01", "manner": manner});
        shop.post(&format!("/v1/engines/{stock_no}/disposals"), &gone)
            .await
            .created();
    }
    sold(&shop, sale, "2026-05-01", "900.00").await;
    let lines = all(&shop, "/v1/accounts-entries?from=2026-01-01&to=2026-03-31").await;
    let written: Vec<&Value> = lines
        .iter()
        .filter(|line| line["source"] == "stock_value")
        .collect();
    assert_eq!(written.len(), 6, "two lines for each engine");
    assert!(written.iter().all(|line| line["entry_no"] != json!(0)));
    assert_eq!(balances(&lines)["stock"], "2400.00", "3 x 800");
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    assert_eq!(
        balances(&lines),
        of(&[
            ("cost_of_sales", "800.00"),
            ("owed_by_buyers", "900.00"),
            ("owed_to_suppliers", "-2360.00"),
            ("sales", "-900.00"),
            ("stock_written_down", "1560.00"),
        ])
    );
}

/// 8 % of 5400.00 is 432.00, with 86.40 of tax; 4881.60 goes to the owner, by hand. The firm's costs of such an engine are
/// never stock: plain reading, no source.
#[actix_web::test]
async fn an_engine_on_commission_is_never_the_firms_stock() {
    for (position, sales) in [
        ("commission_in_owners_name", ("commission", "-432.00")),
        ("commission_in_own_name", ("sales", "-5313.60")),
    ] {
        let shop = Shop::open().await;
        let terms = json!({"manner": "commission", "price": null, "tax_position": position, "commission_percent": "8"});
        let stock_no = bought(&shop, &terms).await;
        spent(&shop, stock_no, "2026-02-01", "100.00", "20.00").await;
        let sale = sold(&shop, stock_no, "2026-05-13", "5400.00").await;
        let payment = json!({"on": "2026-05-14", "amount": "5400.00", "method": "transfer"});
        shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
        let payout = json!({"on": "2026-05-14", "amount": "4000.00", "method": "transfer"});
        shop.post(&format!("/v1/sales/{sale}/payouts"), &payout)
            .await
            .created();
        let cost_of_sales = if position == "commission_in_own_name" {
            "4981.60"
        } else {
            "100.00"
        };
        let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
        assert_eq!(
            balances(&lines),
            of(&[
                ("bank", "1400.00"),
                ("cost_of_sales", cost_of_sales),
                ("owed_to_owners", "-881.60"),
                ("owed_to_suppliers", "-120.00"),
                sales,
                ("tax_on_purchases", "20.00"),
                ("tax_on_sales", "-86.40"),
            ]),
            "{position}"
        );
    }
}

#[actix_web::test]
async fn the_firm_names_its_accounts_and_the_lines_show_it() {
    let shop = Shop::open().await;
    assert_eq!(all(&shop, "/v1/accounts?limit=4").await.len(), 16);
    let stock = shop.get("/v1/accounts/stock").await.ok();
    assert_eq!(
        stock.body,
        json!({"account": "stock", "number": null, "name": null})
    );
    let named = json!({"number": "1001", "name": "Engines in stock"});
    let changed = shop.patch("/v1/accounts/stock", &named).await.ok();
    assert_eq!(shop.get("/v1/accounts/stock").await.ok().body, changed.body);
    shop.patch("/v1/accounts/stock", &json!({"name": null}))
        .await
        .ok();
    for bad in [json!({"account": "bank"}), json!({"number": " "})] {
        shop.patch("/v1/accounts/stock", &bad)
            .await
            .refused("invalid");
    }
    shop.get("/v1/accounts/petty").await.refused("not_found");
    let stale = shop
        .request(Method::PATCH, "/v1/accounts/stock")
        .by(&shop, Role::Bookkeeper);
    stale
        .if_match(&stock.etag())
        .merge_patch(&named)
        .send()
        .await
        .refused("precondition_failed");
    bought(&shop, &json!({})).await;
    let lines = all(&shop, &format!("/v1/accounts-entries?{SPAN}")).await;
    assert_eq!(
        (&lines[0]["account_no"], &lines[0]["account_name"]),
        (&json!("1001"), &Value::Null)
    );
    assert_eq!(
        shop.journal().await,
        ["account.changed", "account.changed", "engine.acquired"]
    );
    let table = shop
        .request(Method::GET, &format!("/v1/accounts-entries?{SPAN}"))
        .by(&shop, Role::Bookkeeper)
        .header("accept", "text/csv");
    let table = table.send().await.ok().text;
    assert!(
        table.starts_with("on,account,account_no,account_name,debit,credit,stock_no,source,source_id,line,entry_no\r\n2026-01-05,stock,1001,,4200.00,0.00,1,acquisition,"),
        "{table}"
    );
    for path in [
        "/v1/accounts",
        "/v1/accounts-entries",
        "/v1/accounts-entries/trial",
    ] {
        let by_seller = shop.request(Method::GET, &format!("{path}?{SPAN}"));
        by_seller
            .by(&shop, Role::Seller)
            .send()
            .await
            .refused("forbidden");
    }
}

/// Rule of double entry: common practice, no source.
#[actix_web::test]
async fn debits_equal_credits_in_every_period_and_sums_beyond_all_amounts_are_refused() {
    let shop = Shop::open().await;
    for n in 0..4 {
        let stock_no = bought(&shop, &json!({"price": format!("{n}00.01")})).await;
        spent(&shop, stock_no, "2026-02-01", "33.33", "6.67").await;
        sold(&shop, stock_no, &format!("2026-04-0{}", n + 1), "777.77").await;
    }
    for (from, to) in [
        ("2026-01-01", "2026-01-31"),
        ("2026-02-01", "2026-04-01"),
        ("2026-04-02", "2026-05-14"),
    ] {
        let span = format!("from={from}&to={to}");
        let sums = shop
            .get(&format!("/v1/accounts-entries/trial?{span}"))
            .await;
        let sums = sums.ok().body;
        assert_eq!(sums["debit"], sums["credit"]);
        let lines = all(&shop, &format!("/v1/accounts-entries?{span}&limit=2")).await;
        let debits = Money::sum(lines.iter().map(|line| money(&line["debit"])));
        assert_eq!(debits.expect("money").to_string(), text(&sums["debit"]));
    }
    for path in ["/v1/accounts-entries", "/v1/accounts-entries/trial"] {
        for query in [
            "",
            "?from=2026-01-02&to=2026-01-01",
            "?from=1900-01-01&to=2026-01-01",
        ] {
            shop.get(&format!("{path}{query}"))
                .await
                .refused("invalid_query");
        }
    }
    for _ in 0..2 {
        bought(&shop, &json!({"price": "9999999999.99"})).await;
    }
    shop.get(&format!("/v1/accounts-entries/trial?{SPAN}"))
        .await
        .refused("conflict");
}
