//! Papers to print: each address gives data or a sheet, and a print is opened once.
//!
//! No script and nothing from another address: Content Security Policy Level 3, `default-src 'none'`. Sizes of paper: CSS Paged
//! Media Level 3, names `A4` (ISO 216) and `letter`.

use crate::{
    harness::{Answer, Shop},
    make,
};
use outshop_api::shop::prints::forget_unopened;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

/// An engine with everything that the sheets show: its stock number, boiler, sale, deposit, and the sale of another on
/// commission.
struct Told {
    engine: i64,
    boiler: i64,
    sale: i64,
    deposit: i64,
    commission: i64,
}

impl Shop {
    async fn sheet(&self, path: &str) -> Answer {
        let asked = self.request(Method::GET, path).by(self, Role::Proprietor);
        let sheet = asked.header("accept", "text/html").send().await.ok();
        assert_eq!(
            sheet.headers["content-type"], "text/html; charset=utf-8",
            "{path}"
        );
        let policy = sheet.headers["content-security-policy"]
            .to_str()
            .expect("text");
        // The style stands in the page: without the second half a browser shows it bare (CSP Level 3, 6.7.3).
        assert!(
            policy.starts_with("default-src 'none'; style-src 'unsafe-inline';"),
            "{policy}"
        );
        assert!(!sheet.text.contains("<script"), "{}", sheet.text);
        sheet
    }

    async fn has_told(&self) -> Told {
        let engine = make::with(
            make::engine(),
            &json!({"name": "Bell & <script>Whistle</script>"}),
        );
        let engine = self.has_on_show(engine, &make::listing()).await;
        let boiler = self.get(&format!("/v1/engines/{engine}")).await.ok().body["boiler_id"]
            .as_i64()
            .expect("it has a boiler");
        let findings = json!([{"area": "motion", "severity": "note", "description": "slack in the left big end"}]);
        self.has_surveyed(engine, &findings).await;
        let person = self
            .post("/v1/persons", &make::person())
            .await
            .created()
            .id();
        let held = json!({"stock_no": engine, "person_id": person});
        let reserved = self
            .post("/v1/reservations", &held)
            .await
            .created()
            .location();
        let deposit = json!({"on": "2026-05-14", "amount": "500.00", "method": "transfer"});
        let deposit = self
            .post(&format!("{reserved}/deposits"), &deposit)
            .await
            .created()
            .id();
        let sold = json!({"on": "2026-05-14", "price": "7680.00", "person_id": person});
        let sale = self
            .post(&format!("/v1/engines/{engine}/sales"), &sold)
            .await
            .created()
            .id();
        let terms = json!({"engine": make::engine(), "method": "commission", "on": "2026-01-05", "person_id": person,
            "tax_position": "commission_in_owners_name", "commission_percent": "8"});
        let theirs = self.post("/v1/acquisitions", &terms).await.created();
        let theirs = theirs.body["stock_no"].as_i64().expect("a number");
        let sold = json!({"on": "2026-05-14", "price": "5400.00", "person_id": person});
        let commission = self
            .post(&format!("/v1/engines/{theirs}/sales"), &sold)
            .await
            .created()
            .id();
        Told {
            engine,
            boiler,
            sale,
            deposit,
            commission,
        }
    }
}

#[actix_web::test]
async fn every_sheet_is_data_and_a_page_to_print() {
    let shop = Shop::open().await;
    let told = shop.has_told().await;
    let notes = json!({"topic": "laying_up", "kind": "locomotive", "notes": "Blow down hot.\nLeave the drains open."});
    shop.post("/v1/owner-notes", &notes).await.created();
    let Told {
        engine,
        boiler,
        sale,
        deposit,
        commission,
    } = told;

    // A job clears a finding, so that the work record has something to show.
    let finding = shop
        .get(&format!("/v1/engines/{engine}/findings"))
        .await
        .ok()
        .body["items"][0]["id"]
        .as_i64()
        .expect("a finding");
    let job = shop.has_job_started(engine, &["motion"], &[finding]).await;
    shop.finishes(&job, "2026-05-14").await;

    // Each sheet has what its reader looks for.
    for (path, words) in [
        (
            format!("/v1/engines/{engine}/description"),
            vec!["slack in the left big end", "5 in", "£7,680.00"],
        ),
        (
            format!("/v1/engines/{engine}/work-record"),
            vec!["14 May 2026", "slack in the left big end"],
        ),
        (
            format!("/v1/boilers/{boiler}/record"),
            vec![
                "Boiler test record",
                "Steam test",
                "QLW",
                "independent inspector",
            ],
        ),
        (
            format!("/v1/engines/{engine}/owner-notes"),
            vec!["Laying up", "Leave the drains open."],
        ),
        // Sheets about money show the sums worked out by hand.
        (
            format!("/v1/sales/{sale}/invoice"),
            vec![
                "Invoice 1",
                "Odo Fenwright",
                "£7,680.00",
                "£500.00",
                "£7,180.00",
                "Margin scheme",
            ],
        ),
        (
            format!("/v1/deposits/{deposit}/receipt"),
            vec!["Receipt 1", "£500.00", "invoice 1"],
        ),
        // 8 % of 5400.00 is 432.00, a fifth of it tax: 86.40; 4881.60 is left.
        (
            format!("/v1/sales/{commission}/commission"),
            vec!["£432.00", "£86.40", "£4,881.60"],
        ),
        (
            "/v1/inspector-day?on=2026-05-16&within_days=366".to_owned(),
            vec!["16 May 2026", "Steam test", "Boiler number (as stamped)"],
        ),
        (
            "/v1/survey-sheet?kind=road_engine".to_owned(),
            vec!["road engine", "steering", "defective"],
        ),
    ] {
        // One address gives data to programs and a page to people.
        let data = shop.get(&path).await.ok();
        assert_eq!(data.headers["content-type"], "application/json", "{path}");
        let sheet = shop.sheet(&path).await;
        for word in words {
            assert!(sheet.text.contains(word), "{path}: {word}\n{}", sheet.text);
        }
    }
}

#[actix_web::test]
async fn what_somebody_typed_is_text_on_a_sheet() {
    let shop = Shop::open().await;
    let told = shop.has_told().await;
    let sheet = shop
        .sheet(&format!("/v1/engines/{}/description", told.engine))
        .await;
    assert!(
        sheet.text.contains("Bell &amp; &lt;script&gt;Whistle"),
        "{}",
        sheet.text
    );
}

#[actix_web::test]
async fn the_firm_says_on_which_paper() {
    let shop = Shop::open().await;
    assert!(
        shop.sheet("/v1/survey-sheet")
            .await
            .text
            .contains("size: A4;")
    );
    shop.patch("/v1/firm", &json!({"paper_size": "letter"}))
        .await
        .ok();
    assert!(
        shop.sheet("/v1/survey-sheet")
            .await
            .text
            .contains("size: letter;")
    );
    shop.patch("/v1/firm", &json!({"paper_size": "foolscap"}))
        .await
        .invalid_at("/paper_size");
}

#[actix_web::test]
async fn a_print_is_opened_once_without_a_key_and_within_five_minutes() {
    let shop = Shop::open().await;
    let told = shop.has_told().await;
    // Without a key.
    let open = async |print: &Value| {
        let address = print["address"].as_str().expect("an address");
        shop.request(Method::GET, address).send().await
    };
    for wanted in [
        json!({"sheet": "description", "stock_no": told.engine}),
        json!({"sheet": "work_record", "stock_no": told.engine}),
        json!({"sheet": "boiler_record", "boiler_id": told.boiler}),
        json!({"sheet": "owner_notes", "stock_no": told.engine}),
        json!({"sheet": "invoice", "sale_id": told.sale}),
        json!({"sheet": "receipt", "deposit_id": told.deposit}),
        json!({"sheet": "commission", "sale_id": told.commission}),
        json!({"sheet": "inspector_day"}),
        json!({"sheet": "survey", "kind": "stationary"}),
    ] {
        let print = shop.post("/v1/prints", &wanted).await.created().body;
        assert_eq!(print["until"], "2026-05-14T11:05:00Z", "{wanted}");
        let address = print["address"].as_str().expect("an address");
        let looked_at = shop.request(Method::HEAD, address).send().await.ok();
        assert_eq!(looked_at.text, "", "HEAD has no body and opens nothing");
        let sheet = open(&print).await.ok();
        assert!(sheet.text.starts_with("<!doctype html>"), "{}", sheet.text);
        assert_eq!(sheet.headers["cache-control"], "no-store");
        open(&print).await.refused("not_found").is(404);
    }
    let print = shop
        .post("/v1/prints", &json!({"sheet": "inspector_day"}))
        .await;
    shop.clock
        .set("2026-05-14T11:05:00Z".parse().expect("an instant"));
    open(&print.created().body)
        .await
        .refused("not_found")
        .is(404);
    let now = shop.clock.now();
    assert_eq!(forget_unopened(&shop.db, now).await.expect("a deletion"), 1);
    assert_eq!(forget_unopened(&shop.db, now).await.expect("a deletion"), 0);
    // Nothing of it is in the books.
    assert!(
        !shop
            .journal()
            .await
            .iter()
            .any(|what| what.contains("print"))
    );
}

#[actix_web::test]
async fn a_print_shows_no_more_than_its_key_may_read() {
    let shop = Shop::open().await;
    let told = shop.has_told().await;
    for (role, wanted) in [
        (
            Role::Fitter,
            json!({"sheet": "invoice", "sale_id": told.sale}),
        ),
        (
            Role::Fitter,
            json!({"sheet": "receipt", "deposit_id": told.deposit}),
        ),
        (
            Role::Fitter,
            json!({"sheet": "commission", "sale_id": told.commission}),
        ),
        (
            Role::Seller,
            json!({"sheet": "commission", "sale_id": told.commission}),
        ),
        (
            Role::Website,
            json!({"sheet": "survey", "kind": "locomotive"}),
        ),
    ] {
        let asked = shop.request(Method::POST, "/v1/prints").by(&shop, role);
        let refused = asked.json(&wanted).send().await;
        refused.refused("forbidden").is(403);
    }
    for (wanted, status) in [
        (json!({"sheet": "invoice", "sale_id": 999}), 404),
        (json!({"sheet": "boiler_record", "boiler_id": 999}), 404),
        (json!({"sheet": "will", "sale_id": 1}), 422),
        (json!({"sheet": "survey"}), 422),
    ] {
        let answer = shop.post("/v1/prints", &wanted).await;
        assert_eq!(answer.status, status, "{wanted}: {}", answer.text);
    }
}

#[actix_web::test]
async fn an_engine_gets_the_notes_of_its_kind_and_fuel() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    for (kind, fuel, words) in [
        (Value::Null, Value::Null, "for all"),
        (json!("locomotive"), json!("coal"), "for coal"),
        (json!("locomotive"), json!("gas"), "for gas"),
        (json!("stationary"), Value::Null, "for the mill"),
    ] {
        let notes = json!({"topic": "running_in", "kind": kind, "fuel": fuel, "notes": words});
        shop.post("/v1/owner-notes", &notes).await.created();
    }
    shop.patch(&format!("/v1/engines/{engine}"), &json!({"fuel": "coal"}))
        .await
        .ok();
    let path = format!("/v1/engines/{engine}/owner-notes");
    let told = shop.get(&path).await.ok();
    let notes = told.body["notes"].as_array().expect("a list");
    let words: Vec<_> = notes.iter().map(|note| note["notes"].clone()).collect();
    assert_eq!(words, ["for all", "for coal"]);
    shop.patch("/v1/owner-notes/2", &json!({"notes": "for coal, new"}))
        .await
        .ok();
    let current = shop.get("/v1/owner-notes/2").await.ok();
    let gone = shop
        .request(Method::DELETE, "/v1/owner-notes/2")
        .by(&shop, Role::Proprietor)
        .if_match(&current.etag());
    gone.send().await.is(204);
    shop.get("/v1/owner-notes/2").await.refused("not_found");
    shop.post("/v1/owner-notes", &json!({"topic": "gossip", "notes": "x"}))
        .await
        .invalid_at("/topic");
    shop.get("/v1/engines/999/owner-notes")
        .await
        .refused("not_found");
}
