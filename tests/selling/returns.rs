//! Cancelled sales: the engine is in stock again, and every book is corrected.

use crate::{
    harness::{Shop, text},
    make::{self, with},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

/// Takes the engine in, sells it on 2026-05-01 for 7600.00, is paid and hands it over on 2026-05-04: stock number and sale.
async fn delivered(shop: &Shop) -> (i64, i64) {
    let stock_no = shop.has_on_show(make::engine(), &make::listing()).await;
    let sale = sold(shop, stock_no, "2026-05-01", "7600.00").await;
    paid(shop, sale, "2026-05-04", "7600.00").await.created();
    hand_over(shop, stock_no, "2026-05-04").await;
    (stock_no, sale)
}

async fn sold(shop: &Shop, stock_no: i64, on: &str, price: &str) -> i64 {
    sell(shop, stock_no, on, price).await.created().id()
}

async fn sell(shop: &Shop, stock_no: i64, on: &str, price: &str) -> crate::harness::Answer {
    let buyer = shop.post("/v1/persons", &make::person()).await;
    let sale = json!({"on": on, "price": price, "person_id": buyer.created().id()});
    shop.post(&format!("/v1/engines/{stock_no}/sales"), &sale)
        .await
}

async fn paid(shop: &Shop, sale: i64, on: &str, amount: &str) -> crate::harness::Answer {
    let payment = json!({"on": on, "amount": amount, "method": "transfer"});
    shop.post(&format!("/v1/sales/{sale}/payments"), &payment)
        .await
}

async fn hand_over(shop: &Shop, stock_no: i64, on: &str) {
    for item in ["spares_packed", "papers_packed"] {
        let tick = json!({"item": item, "on": on});
        shop.post(&format!("/v1/engines/{stock_no}/checklist-ticks"), &tick)
            .await
            .created();
    }
    let delivery = json!({"on": on, "method": "collection", "handed_to": "Odo Fenwright"});
    shop.post(&format!("/v1/engines/{stock_no}/deliveries"), &delivery)
        .await
        .created();
}

fn back(on: &str) -> Value {
    json!({"on": on, "reason": "rejected"})
}

async fn take_back(shop: &Shop, sale: i64, new: &Value) -> crate::harness::Answer {
    shop.post(&format!("/v1/sales/{sale}/returns"), new).await
}

async fn status(shop: &Shop, stock_no: i64) -> String {
    let engine = shop.get(&format!("/v1/engines/{stock_no}")).await.ok();
    text(&engine.body["status"])
}

async fn items(shop: &Shop, path: &str) -> Vec<Value> {
    let page = shop.get(path).await.ok();
    page.body["items"].as_array().expect("items").clone()
}

#[actix_web::test]
async fn an_engine_comes_back_under_its_number_and_is_sold_again() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(&shop).await;
    assert_eq!(status(&shop, stock_no).await, "delivered");

    let made = take_back(&shop, sale, &back("2026-05-12")).await.created();
    assert_eq!(made.location(), format!("/v1/returns/{}", made.id()));
    let delivery = items(&shop, &format!("/v1/engines/{stock_no}/deliveries")).await;
    assert_eq!(
        made.body,
        json!({"id": made.id(), "sale_id": sale, "delivery_id": delivery[0]["id"], "on": "2026-05-12", "reason": "rejected",
            "paid": "7600.00", "refund": "7600.00", "credit_note_no": 1, "notes": null})
    );
    let read = shop.get(&made.location()).await.ok();
    assert_eq!((&read.body, read.etag()), (&made.body, made.etag()));
    assert_eq!(
        items(&shop, "/v1/returns").await,
        std::slice::from_ref(&made.body)
    );

    assert_eq!(status(&shop, stock_no).await, "in_stock");
    let undone = shop.get(&format!("/v1/sales/{sale}")).await.ok().body;
    assert_eq!(undone["sale_cancelled_on"], "2026-05-12");
    assert_eq!(
        (&undone["kept"], &undone["balance"]),
        (&json!("0.00"), &json!("-7600.00"))
    );
    let listing = shop.get(&format!("/v1/engines/{stock_no}/listing")).await;
    assert_eq!(listing.ok().body["status"], "withdrawn");
    shop.get(&format!("/v1/public/listings/{stock_no}"))
        .await
        .is(410);
    let gate = format!("/v1/engines/{stock_no}/readiness?gate=deliver");
    let gate = shop.get(&gate).await.ok().body;
    let outcome = |check: &str| {
        let mut checks = gate["checks"].as_array().expect("checks").iter();
        let found = checks.find(|one| one["check"] == check);
        found.map_or(json!("absent"), |one| one["outcome"].clone())
    };
    for check in ["sale", "spares_packed", "papers_packed"] {
        assert_eq!(outcome(check), "unmet", "{check}");
    }

    take_back(&shop, sale, &back("2026-05-12"))
        .await
        .refused("conflict");
    sell(&shop, stock_no, "2026-05-11", "7000.00")
        .await
        .invalid_at("/on");
    shop.has_priced(stock_no, "7100.00").await;
    surveyed(&shop, stock_no, "2026-05-12", &[]).await;
    shop.has_published(stock_no).await;
    let listed = shop
        .get(&format!("/v1/public/listings/{stock_no}"))
        .await
        .ok();
    assert_eq!(listed.body["availability"], "for_sale");
    let second = sold(&shop, stock_no, "2026-05-12", "7000.00").await;
    paid(&shop, second, "2026-05-14", "7000.00").await.created();
    hand_over(&shop, stock_no, "2026-05-14").await;
    assert_eq!(status(&shop, stock_no).await, "delivered");
    let sales = items(&shop, &format!("/v1/sales?stock_no={stock_no}")).await;
    assert_eq!(sales.len(), 2);
    let history = shop.journal_of(stock_no).await;
    assert!(
        history.contains(&"engine.returned".to_owned()),
        "{history:?}"
    );
}

async fn surveyed(shop: &Shop, stock_no: i64, on: &str, clears: &[i64]) {
    let survey = json!({"on": on, "surveyor": "Edda Morlock", "clears": clears});
    shop.post(&format!("/v1/engines/{stock_no}/surveys"), &survey)
        .await
        .created();
}

async fn complains(shop: &Shop, sale: i64, description: &str, given_back_on: Option<&str>) -> i64 {
    let new = json!({"asked_on": "2026-05-06", "description": description, "given_back_on": given_back_on});
    let path = format!("/v1/sales/{sale}/complaints");
    shop.post(&path, &new).await.created().id()
}

/// Common practice, no source: nobody knows what the buyer did with it until it is surveyed.
#[actix_web::test]
async fn a_returned_engine_is_published_again_after_a_later_survey() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(&shop).await;
    let gate = async || {
        let path = format!("/v1/engines/{stock_no}/readiness?gate=list");
        let gate = shop.get(&path).await.ok().body;
        let checks = gate["checks"].as_array().expect("checks").clone();
        let mut checks = checks.into_iter();
        checks.find(|one| one["check"] == "survey_after_return")
    };
    assert_eq!(gate().await, None, "it never came back");
    let back = take_back(&shop, sale, &back("2026-05-12")).await.created();
    let publications = format!("/v1/engines/{stock_no}/listing/publications");
    shop.post(&publications, &json!({}))
        .await
        .refused("not_ready");
    surveyed(&shop, stock_no, "2026-05-11", &[]).await;
    let unmet = gate().await.expect("a check");
    assert_eq!(unmet["outcome"], "unmet");
    assert_eq!(unmet["evidence"], json!([back.location()]));
    assert!(text(&unmet["reason"]).contains("12 May 2026"), "{unmet}");
    shop.post(&publications, &json!({}))
        .await
        .refused("not_ready");
    surveyed(&shop, stock_no, "2026-05-12", &[]).await;
    assert_eq!(gate().await.expect("a check")["outcome"], "met");
    shop.has_published(stock_no).await;
}

#[actix_web::test]
async fn an_open_complaint_becomes_a_finding_when_the_engine_comes_back() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(&shop).await;
    complains(&shop, sale, "the blower was stiff", Some("2026-05-08")).await;
    let open = complains(&shop, sale, "the left injector blows back", None).await;
    let findings = format!("/v1/engines/{stock_no}/findings");
    assert_eq!(items(&shop, &findings).await, [] as [Value; 0]);
    take_back(&shop, sale, &back("2026-05-12")).await.created();
    let found = items(&shop, &findings).await;
    let finding = found[0].clone();
    assert_eq!(
        found,
        [
            json!({"id": finding["id"], "stock_no": stock_no, "survey_id": null, "area": null, "severity": "stops_sale",
            "description": "the left injector blows back", "found_on": "2026-05-06", "released": false, "cleared_on": null,
            "cleared_by_job_id": null, "cleared_by_survey_id": null, "complaint_id": open})
        ]
    );
    // One that is entered afterwards becomes a finding too.
    let late = complains(&shop, sale, "a tyre is loose", None).await;
    let found = items(&shop, &findings).await;
    assert_eq!((found.len(), &found[1]["complaint_id"]), (2, &json!(late)));
    let at = format!("/v1/findings/{}", finding["id"]);
    shop.patch(&at, &json!({"released": true}))
        .await
        .invalid_at("/released");
    let record = shop
        .get(&format!("/v1/engines/{stock_no}/work-record"))
        .await;
    assert!(record.ok().text.contains("left injector blows back"));

    let publications = format!("/v1/engines/{stock_no}/listing/publications");
    surveyed(&shop, stock_no, "2026-05-13", &[]).await;
    shop.post(&publications, &json!({}))
        .await
        .refused("not_ready");
    let ids: Vec<i64> = found.iter().filter_map(|it| it["id"].as_i64()).collect();
    surveyed(&shop, stock_no, "2026-05-14", &ids).await;
    shop.has_published(stock_no).await;
}

#[actix_web::test]
async fn an_impossible_return_is_refused_and_nothing_is_stored() {
    let shop = Shop::open().await;
    let stock_no = shop.has(make::engine()).await;
    let sale = sold(&shop, stock_no, "2026-05-01", "7600.00").await;
    paid(&shop, sale, "2026-05-01", "600.00").await.created();
    take_back(&shop, sale, &back("2026-05-12"))
        .await
        .refused("conflict");
    let withdrawals = format!("/v1/sales/{sale}/cancellation");
    let refused = [
        (json!({"reason": "rejected"}), "/reason"),
        (json!({"reason": "of no use"}), "/reason"),
        (json!({"on": "2026-04-30"}), "/on"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"refund": "600.01"}), "/refund"),
        (json!({"refund": "-0.01"}), "/refund"),
    ];
    for (change, pointer) in refused {
        let new = with(json!({"on": "2026-05-12", "reason": "cancelled"}), &change);
        shop.post(&withdrawals, &new).await.invalid_at(pointer);
    }
    take_back(&shop, 999, &back("2026-05-12"))
        .await
        .refused("not_found");
    shop.get("/v1/returns/1").await.refused("not_found");
    assert_eq!(status(&shop, stock_no).await, "sold");
    assert_eq!(
        shop.journal_of(stock_no).await,
        ["engine.acquired", "engine.sold", "payment.created"]
    );

    let (_, gone) = delivered(&shop).await;
    let called_off = json!({"on": "2026-05-12", "reason": "cancelled"});
    shop.post(&format!("/v1/sales/{gone}/cancellation"), &called_off)
        .await
        .refused("conflict");
    take_back(&shop, gone, &back("2026-05-03"))
        .await
        .invalid_at("/on");
    let period = json!({"from": "2026-05-01", "until": "2026-05-05"});
    shop.post("/v1/tax-periods", &period).await.created();
    take_back(&shop, gone, &back("2026-05-05"))
        .await
        .refused("conflict");
    for role in [Role::Fitter, Role::Bookkeeper, Role::Website] {
        let asked = shop.request(Method::POST, &format!("/v1/sales/{gone}/returns"));
        let asked = asked.by(&shop, role).once().json(&back("2026-05-12"));
        asked.send().await.refused("forbidden");
    }
    take_back(&shop, gone, &back("2026-05-06")).await.created();
}

/// A buyer who withdraws before the engine has left: the firm keeps 100 of the 600 that were paid. Plain reading, no source.
#[actix_web::test]
async fn a_sale_is_cancelled_and_the_deposit_refunded() {
    let shop = Shop::open().await;
    let stock_no = shop.has(make::engine()).await;
    let sale = sold(&shop, stock_no, "2026-05-01", "7600.00").await;
    paid(&shop, sale, "2026-05-01", "600.00").await.created();
    let new = json!({"on": "2026-05-14", "reason": "cancelled", "refund": "500.00"});
    let path = format!("/v1/sales/{sale}/cancellation");
    let made = shop.post(&path, &new).await.created();
    assert_eq!(made.body["delivery_id"], Value::Null);
    assert_eq!(status(&shop, stock_no).await, "in_stock");
    let balance = async || {
        let sale = shop.get(&format!("/v1/sales/{sale}")).await.ok().body;
        (text(&sale["kept"]), text(&sale["balance"]))
    };
    assert_eq!(balance().await, ("100.00".to_owned(), "-500.00".to_owned()));
    paid(&shop, sale, "2026-05-14", "1.00")
        .await
        .refused("conflict");
    paid(&shop, sale, "2026-05-14", "-500.01")
        .await
        .refused("conflict");
    paid(&shop, sale, "2026-05-14", "-500.00").await.created();
    assert_eq!(balance().await, ("100.00".to_owned(), "0.00".to_owned()));
    paid(&shop, sale, "2026-05-14", "-0.01")
        .await
        .refused("conflict");
    let trial = shop
        .get("/v1/accounts-entries/trial?from=2026-05-01&to=2026-05-14")
        .await
        .ok()
        .body;
    assert_eq!(trial["debit"], trial["credit"]);
    let kept = trial["accounts"].as_array().expect("accounts").iter();
    let kept = kept.filter(|line| line["account"] == "kept_from_buyers");
    assert_eq!(
        kept.map(|line| text(&line["credit"])).collect::<Vec<_>>(),
        ["100.00"]
    );
}

/// By hand: bought for 4200, sold for 7600, a sixth of 3400 is 566.67 (gov.uk, "VAT margin schemes"); the period of the sale is
/// closed, so that the tax goes down in that of the return. 120 spent on the engine while it was away are in stock again with
/// it. Sold again for 7000, a sixth of 2800 is 466.67.
#[actix_web::test]
async fn a_return_corrects_every_book_in_its_own_period() {
    let shop = Shop::open().await;

    // Sold and paid for in a period that is then closed; in May the engine comes back and the money is repaid.
    let stock_no = shop.has_on_show(make::engine(), &make::listing()).await;
    let sale = sold(&shop, stock_no, "2026-04-20", "7600.00").await;
    paid(&shop, sale, "2026-04-20", "7600.00").await.created();
    hand_over(&shop, stock_no, "2026-04-21").await;
    let period = json!({"from": "2026-01-01", "until": "2026-04-30"});
    shop.post("/v1/tax-periods", &period).await.created();
    let cost = json!({"kind": "parts", "on": "2026-05-03", "cost": "120.00"});
    shop.post(&format!("/v1/engines/{stock_no}/costs"), &cost)
        .await
        .created();
    take_back(&shop, sale, &back("2026-05-05")).await.created();
    paid(&shop, sale, "2026-05-06", "-7600.00").await.created();

    // Stock value: out on the day of the sale, in again on the day of the return, with the 120 spent in between.
    let value = async |on: &str| {
        let path = format!("/v1/stock-valuation/totals?on={on}");
        text(&shop.get(&path).await.ok().body["cost"])
    };
    assert_eq!(value("2026-04-19").await, "4200.00");
    assert_eq!(value("2026-04-20").await, "0.00");
    assert_eq!(value("2026-05-04").await, "0.00");
    assert_eq!(value("2026-05-05").await, "4320.00");

    // The accounts of the sale return to nought on the day of the return, and not before.
    let balance = async |until: &str, account: &str| {
        let path = format!("/v1/accounts-entries?from=2026-01-01&to={until}&limit=200");
        let lines = items(&shop, &path).await.into_iter();
        let lines = lines.filter(|line| line["account"] == account);
        let pennies = |money: &Value| -> i128 {
            let money: outshop_core::money::Money = text(money).parse().expect("money");
            money.pennies()
        };
        let moved = lines.map(|line| pennies(&line["debit"]) - pennies(&line["credit"]));
        moved.sum::<i128>()
    };
    for account in [
        "sales",
        "tax_on_sales",
        "cost_of_sales",
        "owed_by_buyers",
        "bank",
    ] {
        assert_eq!(balance("2026-05-14", account).await, 0, "{account}");
    }
    assert_eq!(balance("2026-05-14", "stock").await, 432_000);
    assert_eq!(balance("2026-05-04", "stock").await, 0);
    assert_eq!(balance("2026-05-04", "cost_of_sales").await, 432_000);
    assert_eq!(balance("2026-05-04", "tax_on_sales").await, -56_667);

    // Sold again, only the tax on the new margin is due.
    sold(&shop, stock_no, "2026-05-10", "7000.00").await;
    assert_eq!(balance("2026-05-14", "stock").await, 0);
    assert_eq!(balance("2026-05-14", "tax_on_sales").await, -46_667);

    // The stock book has a line for the sale, the return and the second sale.
    // Entries get their numbers when the journal is read.
    shop.journal().await;
    let book = items(&shop, "/v1/stock-book?from=2026-01-01&to=2026-05-14").await;
    let told: Vec<Value> = book
        .iter()
        .map(|line| {
            json!([
                line["stock_no"],
                line["in_again_on"],
                line["disposal"],
                line["sold_on"],
                line["sales_invoice_no"],
                line["credit_note_no"],
                line["price"],
                line["margin"],
                line["tax"]
            ])
        })
        .collect();

    // Each line has its own day, its invoice or credit note, its margin and its tax.
    assert_eq!(
        told,
        [
            json!([
                stock_no,
                null,
                "sold",
                "2026-04-20",
                "1",
                null,
                "7600.00",
                "3400.00",
                "566.67"
            ]),
            json!([
                stock_no,
                null,
                "returned_by_buyer",
                "2026-05-05",
                "1",
                1,
                "-7600.00",
                "-3400.00",
                "-566.67"
            ]),
            json!([
                stock_no,
                "2026-05-05",
                "sold",
                "2026-05-10",
                "2",
                null,
                "7000.00",
                "2800.00",
                "466.67"
            ]),
        ]
    );
    assert!(
        book.iter().all(|line| line["gone_entry_no"].is_number()),
        "{book:?}"
    );

    // One line at a time it is the same book.
    let one_by_one = "/v1/stock-book?from=2026-01-01&to=2026-05-14&limit=1";
    let mut next = Some(one_by_one.to_owned());
    let mut paged = Vec::new();
    while let Some(path) = next {
        let page = shop.get(&path).await.ok().body;
        paged.extend(page["items"].as_array().expect("items").clone());
        next = page["next"].as_str().map(str::to_owned);
    }
    assert_eq!(paged, book);

    // The correction is in the totals of the period of the return; those of the closed one are as they were.
    let sums = items(&shop, "/v1/stock-book/totals?from=2026-01-01&to=2026-05-14").await;
    let told: Vec<[String; 4]> = sums
        .iter()
        .map(|sum| ["purchases", "sales", "margins", "tax"].map(|name| text(&sum[name])))
        .collect();
    let rows = [
        ["4200.00", "7600.00", "3400.00", "566.67"],
        ["0.00", "-600.00", "-600.00", "-100.00"],
    ];
    assert_eq!(told, rows.map(|row| row.map(str::to_owned)));
}

/// 8 % of 5400 is 432, with a fifth of it in tax 86.40 (constructed); what the owner was paid comes back.
#[actix_web::test]
async fn the_owner_pays_back_the_proceeds_of_a_cancelled_sale() {
    let shop = Shop::open().await;
    let came = json!({"engine": make::engine(), "method": "commission", "on": "2026-01-05",
        "tax_position": "commission_in_owners_name", "commission_percent": "8"});
    let came = shop.post("/v1/acquisitions", &came).await.created();
    let stock_no = came.body["stock_no"].as_i64().expect("a number");
    let sale = sold(&shop, stock_no, "2026-05-01", "5400.00").await;
    paid(&shop, sale, "2026-05-01", "5400.00").await.created();
    let payouts = format!("/v1/sales/{sale}/payouts");
    let payout = |amount: &str| json!({"on": "2026-05-14", "amount": amount, "method": "transfer"});
    shop.post(&payouts, &payout("4881.60")).await.created();
    let new = json!({"on": "2026-05-14", "reason": "agreed"});
    shop.post(&format!("/v1/sales/{sale}/cancellation"), &new)
        .await
        .created();
    let statement = shop.get(&format!("/v1/sales/{sale}/commission")).await;
    let statement = statement.ok().body;
    assert_eq!(
        ["commission", "vat", "payout_due", "still_due"].map(|name| text(&statement[name])),
        ["0.00", "0.00", "0.00", "-4881.60"].map(str::to_owned)
    );
    shop.post(&payouts, &payout("1.00"))
        .await
        .refused("conflict");
    shop.post(&payouts, &payout("-4881.60")).await.created();
    paid(&shop, sale, "2026-05-14", "-5400.00").await.created();
    let trial = shop
        .get("/v1/accounts-entries/trial?from=2026-01-01&to=2026-05-14")
        .await
        .ok()
        .body;
    for line in trial["accounts"].as_array().expect("accounts") {
        assert_eq!(line["debit"], line["credit"], "{line}");
    }
}

#[actix_web::test]
async fn nothing_is_learned_from_a_cancelled_sale() {
    let shop = Shop::open().await;
    let (stock_no, sale) = delivered(&shop).await;
    let path = "/v1/track-record?from=2026-01-01&to=2026-05-14";
    let counted = async || shop.get(path).await.ok().body["n_sales"].clone();
    assert_eq!(counted().await, 1);
    take_back(&shop, sale, &back("2026-05-14")).await.created();
    assert_eq!(counted().await, 0);
    let gone = json!({"on": "2026-05-13", "method": "scrapped"});
    let disposals = format!("/v1/engines/{stock_no}/disposals");
    shop.post(&disposals, &gone).await.invalid_at("/on");
    let gone = with(gone, &json!({"on": "2026-05-14"}));
    shop.post(&disposals, &gone).await.created();
    assert_eq!(status(&shop, stock_no).await, "gone");
}

/// Credit notes are numbered like invoices: plain reading, no source.
#[actix_web::test]
async fn only_one_of_eight_simultaneous_returns_is_recorded_and_credit_notes_have_no_gaps() {
    let shop = Shop::open().await;
    let mut numbers = Vec::new();
    for _ in 0..3 {
        let stock_no = shop.has(make::engine()).await;
        let sale = sold(&shop, stock_no, "2026-05-01", "7600.00").await;
        let new = json!({"on": "2026-05-14", "reason": "cancelled"});
        let all: Vec<_> = (0..8)
            .map(|_| {
                let asked = shop.request(Method::POST, &format!("/v1/sales/{sale}/cancellation"));
                let asked = asked.by(&shop, Role::Seller).once().json(&new);
                actix_web::rt::spawn(asked.send())
            })
            .collect();
        for answer in all {
            let answer = answer.await.expect("an answer");
            if answer.status == 201 {
                numbers.push(answer.body["credit_note_no"].clone());
            } else {
                answer.refused("conflict").is(409);
            }
        }
    }
    assert_eq!(numbers, [1, 2, 3]);
}

/// Double entry: debits and credits are equal (trial balance, common practice). The allowance for what came in stays its
/// purchase price, and is a part of what is paid back (plain reading, no source).
#[actix_web::test]
async fn a_sale_with_deposit_and_part_exchange_comes_back_and_the_books_balance() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let held = json!({"stock_no": engine, "person_id": person});
    let at = shop
        .post("/v1/reservations", &held)
        .await
        .created()
        .location();
    let deposit = json!({"on": "2026-05-14", "amount": "500.00", "method": "transfer"});
    shop.post(&format!("{at}/deposits"), &deposit)
        .await
        .created();
    let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": person});
    let sale = shop
        .post(&format!("/v1/engines/{engine}/sales"), &sale)
        .await
        .created()
        .id();
    let taken =
        json!({"method": "part_exchange", "on": "2026-05-14", "price": "1200.00", "sale_id": sale});
    let taken = with(make::acquisition(&make::engine()), &taken);
    let taken = shop.post("/v1/acquisitions", &taken).await.created().body;
    let read = shop.get(&format!("/v1/sales/{sale}")).await.ok().body;
    assert_eq!([&read["paid"], &read["balance"]], ["1700.00", "5900.00"]);
    paid(&shop, sale, "2026-05-14", "5900.00").await.created();
    hand_over(&shop, engine, "2026-05-14").await;
    let made = take_back(&shop, sale, &back("2026-05-14")).await.created();
    assert_eq!(made.body["refund"], "7600.00");
    let came = taken["stock_no"].as_i64().expect("a number");
    assert_eq!(status(&shop, came).await, "in_stock");
    assert_eq!(status(&shop, engine).await, "in_stock");
    paid(&shop, sale, "2026-05-14", "-7600.00").await.created();
    let read = shop.get(&format!("/v1/sales/{sale}")).await.ok().body;
    assert_eq!(read["balance"], "0.00");
    let path = "/v1/accounts-entries/trial?from=2026-01-01&to=2026-12-31";
    let trial = shop.get(path).await.ok().body;
    assert_eq!(trial["debit"], trial["credit"], "{trial}");
    let accounts = trial["accounts"].as_array().expect("accounts");
    for account in ["deposits", "owed_by_buyers", "sales"] {
        let line = accounts.iter().find(|line| line["account"] == account);
        let line = line.unwrap_or_else(|| panic!("{account}: {trial}"));
        assert_eq!(line["debit"], line["credit"], "{account}: {trial}");
    }
}
