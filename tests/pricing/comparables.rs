//! Comparables, one by one and from files.

use crate::{
    harness::{Answer, Shop},
    make,
};
use outshop_api::{ground::actor::Actor, pricing::comparables::import_file};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};
use std::{path::PathBuf, time::Duration};

const CSV: &str = "text/csv";
const NDJSON: &str = "application/x-ndjson";
const HEADER: &str = "on,price,source,kind,description";

fn comparable() -> Value {
    json!({"on": "2025-11-08", "price": "6200.00", "source": "observed_auction", "kind": "locomotive",
        "gauge": {"value": "5", "unit": "in"}, "description": "0-6-0 to the Marrow drawings"})
}

impl Shop {
    async fn import(&self, form: &str, file: impl Into<String>) -> Answer {
        self.request(Method::POST, "/v1/imports/comparables")
            .by(self, Role::Seller)
            .once()
            .body(form, file.into())
            .send()
            .await
    }

    async fn export(&self, form: &str) -> String {
        let export = self
            .request(Method::GET, "/v1/comparables")
            .by(self, Role::Seller)
            .header("accept", form);
        export.send().await.ok().text
    }

    async fn n_comparables(&self) -> usize {
        self.export(NDJSON).await.lines().count()
    }
}

fn details(answer: &Answer) -> Vec<&str> {
    let errors = answer.body["errors"].as_array().expect("errors");
    errors
        .iter()
        .map(|error| error["detail"].as_str().expect("a detail"))
        .collect()
}

#[actix_web::test]
async fn a_sale_is_recorded_with_its_known_facts() {
    let shop = Shop::open().await;
    let known = json!({"whyte": "0-6-0", "fuel": "coal", "weight": {"value": "150", "unit": "lb"}, "build_quality": "sound",
        "builder_standing": "amateur", "working_order": "in_running_order", "grades": {"boiler": "good", "motion": "fair"},
        "papers_months_left": 9, "boiler_material": "copper", "included_items": ["box"]});
    let added = shop
        .post("/v1/comparables", &make::with(comparable(), &known))
        .await
        .created();
    assert_eq!(added.body["gauge"]["mm"], "127");
    assert_eq!(added.body["grades"]["motion"], "fair");
    assert_eq!(added.body["grades"]["frames"], Value::Null);
    assert_eq!(added.body["stock_no"], Value::Null);
    let read = shop.get(&added.location()).await.ok();
    assert_eq!((&read.body, read.etag()), (&added.body, added.etag()));
    shop.get("/v1/comparables/99")
        .await
        .refused("not_found")
        .is(404);
    assert_eq!(shop.journal().await, ["comparable.created"]);
}

#[actix_web::test]
async fn a_body_that_is_no_sale_is_refused() {
    let shop = Shop::open().await;
    for (change, pointer) in [
        (json!({"price": "0.00"}), "/price"),
        (json!({"price": "-1.00"}), "/price"),
        (json!({"price": 6200}), "/price"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"source": "hearsay"}), "/source"),
        (json!({"kind": "road_engine", "whyte": "0-6-0"}), "/whyte"),
        (json!({"papers_months_left": 61}), "/papers_months_left"),
        (json!({"grades": {"boiler": "splendid"}}), "/grades/boiler"),
        (json!({"included_items": ["box", "box"]}), "/included_items"),
        (json!({"description": ""}), "/description"),
        (json!({"stock_no": 4}), "/stock_no"),
    ] {
        shop.post("/v1/comparables", &make::with(comparable(), &change))
            .await
            .invalid_at(pointer);
    }
    shop.post(
        "/v1/comparables",
        &make::with(comparable(), &json!({"on": "2026-05-14"})),
    )
    .await
    .created();
    assert_eq!(shop.journal().await, ["comparable.created"]);
}

#[actix_web::test]
async fn a_list_of_sales_is_filtered() {
    let shop = Shop::open().await;
    for change in [
        json!({}),
        json!({"gauge": {"value": "7 1/4", "unit": "in"}, "on": "2026-01-10"}),
        json!({"kind": "road_engine", "gauge": null, "source": "own", "on": "2024-03-01"}),
    ] {
        shop.post("/v1/comparables", &make::with(comparable(), &change))
            .await
            .created();
    }
    for (query, ids) in [
        ("kind=locomotive", vec![1, 2]),
        ("kind=locomotive,road_engine", vec![1, 2, 3]),
        ("gauge_mm=184.15", vec![2]),
        ("gauge_mm=127,184.15", vec![1, 2]),
        ("source=own", vec![3]),
        ("on_from=2025-11-08", vec![1, 2]),
        ("on_to=2025-11-08", vec![1, 3]),
        (
            "on_from=2025-11-08&on_to=2025-11-08&kind=locomotive",
            vec![1],
        ),
        ("source=own&kind=locomotive", vec![]),
    ] {
        let list = shop.get(&format!("/v1/comparables?{query}")).await.ok();
        let items = list.body["items"].as_array().expect("items");
        let found: Vec<_> = items
            .iter()
            .filter_map(|item| item["id"].as_i64())
            .collect();
        assert_eq!(found, ids, "{query}");
    }
    for query in [
        "kind=boat",
        "kind=",
        "gauge_mm=x",
        "on_from=2025",
        "on=2025-01-01",
    ] {
        shop.get(&format!("/v1/comparables?{query}"))
            .await
            .refused("invalid_query")
            .is(400);
    }
}

#[actix_web::test]
async fn a_sale_is_withdrawn_once_and_never_deleted() {
    let shop = Shop::open().await;
    let address = shop
        .post("/v1/comparables", &comparable())
        .await
        .created()
        .location();
    let withdrawals = format!("{address}/withdrawals");
    let withdrawal = |on: &str| json!({"on": on, "reason": "the engine came back"});
    for (body, pointer) in [
        (withdrawal("2025-11-07"), "/on"),
        (withdrawal("2026-05-15"), "/on"),
        (json!({"on": "2026-05-14"}), "/reason"),
    ] {
        shop.post(&withdrawals, &body).await.invalid_at(pointer);
    }
    let withdrawn = shop
        .post(&withdrawals, &withdrawal("2025-11-08"))
        .await
        .created();
    assert_eq!(withdrawn.location(), address);
    assert_eq!(withdrawn.body["withdrawal_reason"], "the engine came back");
    assert_eq!(shop.get(&address).await.ok().body, withdrawn.body);
    shop.post(&withdrawals, &withdrawal("2026-05-14"))
        .await
        .refused("conflict")
        .is(409);
    shop.post("/v1/comparables/99/withdrawals", &withdrawal("2026-05-14"))
        .await
        .refused("not_found");
    shop.request(Method::DELETE, &address)
        .by(&shop, Role::Proprietor)
        .send()
        .await
        .refused("method_not_allowed");
    assert_eq!(
        shop.journal().await,
        ["comparable.created", "comparable.withdrawn"]
    );
}

#[actix_web::test]
async fn sellers_write_comparables_and_staff_read_them() {
    let shop = Shop::open().await;
    for role in [Role::Fitter, Role::Bookkeeper, Role::Website] {
        for path in [
            "/v1/comparables",
            "/v1/comparables/1/withdrawals",
            "/v1/imports/comparables",
        ] {
            let write = shop.request(Method::POST, path).by(&shop, role).once();
            write.json(&comparable()).send().await.refused("forbidden");
        }
    }
    let by = |role| {
        shop.request(Method::GET, "/v1/comparables")
            .by(&shop, role)
            .send()
    };
    by(Role::Fitter).await.ok();
    by(Role::Website).await.refused("forbidden");
}

#[actix_web::test]
async fn an_export_is_imported_unchanged() {
    let shop = Shop::open().await;
    for change in [
        json!({"description": "=1+1, \"quoted\"\r\nand a second line"}),
        json!({"description": "'twas hers", "included_items": ["tender", "spares"], "gauge": {"value": "7 1/4", "unit": "in"}}),
        json!({"description": "-5 \u{e9}, ''", "grades": {"frames": "worn"}, "papers_months_left": 0, "whyte": "0-4-0ST",
            "weight": {"value": "2.50", "unit": "cwt_uk"}, "boiler_material": "steel", "fuel": "oil"}),
        json!({"description": "@home", "kind": "stationary", "gauge": null}),
    ] {
        shop.post("/v1/comparables", &make::with(comparable(), &change))
            .await
            .created();
    }
    shop.post(
        "/v1/comparables/4/withdrawals",
        &json!({"on": "2026-05-14", "reason": "+ wrong price"}),
    )
    .await
    .created();
    for form in [CSV, NDJSON] {
        let export = shop.export(form).await;
        let other = Shop::open().await;
        let imported = other.import(form, &export).await.created();
        assert_eq!(imported.body, json!({"imported": 4}));
        assert_eq!(imported.location(), "/v1/comparables");
        // Both shops count from 1, so the ids are equal too.
        assert_eq!(other.export(form).await, export);
        assert_eq!(other.journal().await, ["comparables.imported"]);
    }
}

#[actix_web::test]
async fn a_file_from_a_spreadsheet_is_imported_with_the_columns_that_it_has() {
    let shop = Shop::open().await;
    let file = "\u{feff}description,price,kind,source,on,included_items,gauge.value,gauge.unit,papers_months_left\r\n\
                'one,6200,locomotive,own,2025-11-08,\"box, tender\",7 1/4,in,9\r\n\
                ''two,5400.50,locomotive,own,2025-11-09,,,,\r\n";
    shop.import(CSV, file).await.created();
    let list = shop.get("/v1/comparables").await.ok().body;
    let first = &list["items"][0];
    assert_eq!(
        (&first["description"], &first["price"]),
        (&json!("one"), &json!("6200.00"))
    );
    assert_eq!(first["included_items"], json!(["box", "tender"]));
    assert_eq!(first["gauge"]["mm"], "184.15");
    assert_eq!(
        list["items"][1]["description"], "'two",
        "only one apostrophe"
    );
}

#[actix_web::test]
async fn a_faulty_row_is_reported_with_line_and_column_and_nothing_is_stored() {
    let shop = Shop::open().await;
    let file = format!(
        "{HEADER},whyte\r\n\
         2025-11-08,6200.00,own,locomotive,\"first,\r\nof two lines\",\r\n\
         2025-11-08,0,own,locomotive,x,\r\n\
         2026-05-15,6200.00,own,locomotive,x,\r\n\
         2025-11-08,6200.00,hearsay,locomotive,x,\r\n\
         2025-11-08,-1.00,own,stationary,x,0-6-0\r\n\
         \r\n\
         2025-11-08,6200.00,own,locomotive,x\r\n\
         2025-11-08,,own,locomotive,x,\r\n\
         8 Nov 2025,6200.00,own,locomotive,x,\r\n"
    );
    let refused = shop.import(CSV, file).await.refused("invalid").is(422);
    let pointers: Vec<_> = refused.body["errors"]
        .as_array()
        .expect("errors")
        .iter()
        .map(|error| error["pointer"].as_str().expect("a pointer"))
        .collect();
    // Rows that cannot be read come before rows that break a rule.
    assert_eq!(
        pointers,
        [
            "/lines/9/1",
            "/lines/10/price",
            "/lines/4/price",
            "/lines/5/on",
            "/lines/6/source",
            "/lines/7/price",
            "/lines/7/whyte",
            "/lines/11/on",
        ]
    );
    let listed = details(&refused);
    assert_eq!(listed[2], "line 4, column price: must be above 0");
    assert!(
        listed[4].starts_with("line 6, column source: `hearsay` is not one of own,"),
        "{}",
        listed[4]
    );
    assert_eq!(
        (shop.n_comparables().await, shop.journal().await),
        (0, vec![])
    );
}

#[actix_web::test]
async fn an_ndjson_row_is_reported_with_its_line_too() {
    let shop = Shop::open().await;
    let fine = comparable().to_string();
    let mut unknown = comparable();
    unknown["colour"] = json!("green");
    let mut nested = comparable();
    nested["gauge"]["unit"] = json!("cubit");
    let mut number = comparable();
    number["price"] = json!(6200);
    let file = format!("{fine}\n\n{{\"on\": \n[]\n{unknown}\n{nested}\n{number}\n");
    let refused = shop.import(NDJSON, file).await.refused("invalid");
    let listed = details(&refused);
    for (line, column) in [
        (3, "column 6"),
        (4, "column 1"),
        (5, "colour"),
        (6, "column gauge.unit"),
        (7, "column price"),
    ] {
        assert!(
            listed
                .iter()
                .any(|detail| detail.starts_with(&format!("line {line}, "))
                    && detail.contains(column)),
            "{line} {column}: {listed:?}"
        );
    }
    assert_eq!((listed.len(), shop.n_comparables().await), (5, 0));
}

#[actix_web::test]
async fn an_unsuitable_header_is_reported() {
    let shop = Shop::open().await;
    for (file, pointer) in [
        ("".to_owned(), "/lines/1/1"),
        (format!("{HEADER},colour\r\n"), "/lines/1/colour"),
        (format!("{HEADER},price\r\n"), "/lines/1/price"),
        (
            "on,price,source,kind\r\n".to_owned(),
            "/lines/1/description",
        ),
        (format!("{HEADER}\r\n"), ""),
    ] {
        shop.import(CSV, file).await.invalid_at(pointer);
    }
    shop.import(NDJSON, "\n\n").await.invalid_at("");
    let not_text = shop
        .request(Method::POST, "/v1/imports/comparables")
        .by(&shop, Role::Seller)
        .once()
        .body(
            CSV,
            [HEADER.as_bytes(), b"\r\n2025-11-08,1.00,own,other,\xff\r\n"].concat(),
        );
    not_text.send().await.invalid_at("/lines/2/description");
    shop.import("application/json", "{}")
        .await
        .refused("unsupported_media_type")
        .is(415);
}

#[actix_web::test]
async fn a_trial_reads_and_stores_nothing() {
    let shop = Shop::open().await;
    let file = format!("{HEADER}\r\n2025-11-08,6200.00,own,locomotive,x\r\n");
    let post = |trial: &str| {
        shop.request(Method::POST, &format!("/v1/imports/comparables{trial}"))
            .by(&shop, Role::Seller)
            .body(CSV, file.clone())
    };
    let tried = post("?trial=true").send().await.ok();
    assert_eq!(tried.body, json!({"rows": 1}));
    assert_eq!(
        (shop.n_comparables().await, shop.journal().await),
        (0, vec![])
    );
    for asked in ["", "?trial=false"] {
        post(asked)
            .send()
            .await
            .refused("idempotency_key_missing")
            .is(400);
    }
    post("?trial=perhaps")
        .send()
        .await
        .refused("invalid_query")
        .is(400);
    let keyed = || post("?trial=false").header("idempotency-key", "one").send();
    let (first, again) = (keyed().await.created(), keyed().await.created());
    assert_eq!(first.text, again.text);
    assert_eq!(shop.n_comparables().await, 1, "a repeat is done once");
    shop.request(Method::POST, "/v1/imports/comparables")
        .by(&shop, Role::Seller)
        .header("idempotency-key", "one")
        .body(
            CSV,
            format!("{file}2025-11-08,6200.00,own,locomotive,y\r\n"),
        )
        .send()
        .await
        .refused("idempotency_key_reused");
}

#[actix_web::test]
async fn at_most_a_hundred_errors_are_listed() {
    let shop = Shop::open().await;
    let rows = "2025-11-08,0,own,locomotive,x\r\n".repeat(250);
    let refused = shop
        .import(CSV, format!("{HEADER}\r\n{rows}"))
        .await
        .refused("invalid");
    assert_eq!(details(&refused).len(), 100);
    assert_eq!(
        refused.body["detail"],
        "250 errors, of which the first 100 are listed; nothing was stored"
    );
}

/// The same file with another Idempotency-Key, as when somebody tries again the next day.
#[actix_web::test]
async fn a_file_that_was_imported_is_recognised() {
    let shop = Shop::open().await;
    let file = format!("{HEADER}\r\n2025-11-08,6200.00,own,locomotive,x\r\n");
    shop.import(CSV, file.clone()).await.created();
    shop.set_day("2026-05-15");
    let refused = shop.import(CSV, file.clone()).await;
    let refused = refused.refused("conflict").is(409);
    assert_eq!(
        refused.body["detail"],
        "this file was imported on 14 May 2026, with 1 row(s); nothing was stored. To import it again, send again=true"
    );
    assert_eq!(shop.n_comparables().await, 1);
    let again = shop
        .request(Method::POST, "/v1/imports/comparables?again=true")
        .by(&shop, Role::Seller)
        .once()
        .body(CSV, file.clone());
    again.send().await.created();
    assert_eq!(shop.n_comparables().await, 2);
    // A file that was refused does not count as imported.
    let bad = file.replace("6200.00", "0");
    for _ in 0..2 {
        shop.import(CSV, bad.clone()).await.refused("invalid");
    }
}

fn ten_thousand(bad: Option<usize>) -> String {
    let mut file = format!("{HEADER},gauge.value,gauge.unit,grades.boiler,build_quality\r\n");
    for n in 1..=10_000 {
        let price = if bad == Some(n) { "0" } else { "6200.00" };
        file += &format!("2025-11-08,{price},own,locomotive,engine {n},5,in,good,sound\r\n");
    }
    file
}

#[actix_web::test]
async fn one_bad_row_in_ten_thousand_loads_nothing_and_without_it_all_are_loaded() {
    let shop = Shop::open().await;
    let refused = shop
        .import(CSV, ten_thousand(Some(7312)))
        .await
        .invalid_at("/lines/7313/price");
    assert_eq!(
        refused.body["detail"],
        "line 7313, column price: must be above 0; nothing was stored"
    );
    assert_eq!(
        (shop.n_comparables().await, shop.journal().await),
        (0, vec![])
    );

    let imported = shop.import(CSV, ten_thousand(None)).await.created();
    assert_eq!(imported.body, json!({"imported": 10_000}));
    assert_eq!(shop.n_comparables().await, 10_000);
}

/// A file that is deleted when the test ends.
struct File(PathBuf);

impl File {
    fn new(name: &str, text: &str) -> File {
        let path = std::env::temp_dir().join(format!("outshop-{}-{name}", std::process::id()));
        std::fs::write(&path, text).expect("a file");
        File(path)
    }
}

impl Drop for File {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

#[actix_web::test]
async fn a_file_on_the_machine_is_imported_in_the_name_of_a_key() {
    let shop = Shop::open().await;
    let actor = Actor {
        key_id: 1,
        person: "the proprietor".to_owned(),
        role: Role::Proprietor,
        now: shop.clock.now(),
        today: crate::harness::TODAY.parse().expect("a day"),
        waited: Duration::ZERO,
    };
    let import = async |file: &File, trial| {
        let done = import_file(&shop.db, &actor, &file.0, trial, false).await;
        done.map_err(|problem| problem.to_string())
    };
    let fine = File::new(
        "fine.csv",
        &format!("{HEADER}\n2025-11-08,6200.00,own,locomotive,x\n"),
    );
    assert_eq!(import(&fine, true).await, Ok(1));
    assert_eq!(shop.n_comparables().await, 0);
    assert_eq!(import(&fine, false).await, Ok(1));
    let lines = File::new("fine.ndjson", &comparable().to_string());
    assert_eq!(import(&lines, false).await, Ok(1));
    let bad = File::new(
        "bad.csv",
        &format!("{HEADER}\n2025-11-08,x,own,locomotive,x\n"),
    );
    assert_eq!(
        import(&bad, false).await,
        Err(
            "line 2, column price: must be an amount such as \"7680.00\"; nothing was stored"
                .to_owned()
        )
    );
    let other = File::new("sales.xls", "");
    assert_eq!(
        import(&other, false).await,
        Err("the file name must end in .csv, .ndjson or .jsonl".to_owned())
    );
    assert_eq!(shop.n_comparables().await, 2);
    assert_eq!(shop.journal().await, ["comparables.imported"; 2]);
}
