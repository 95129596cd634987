//! A person's records, exported whole and erased as far as the law lets them go.

use crate::{
    harness::{Shop, cluster, statement, statement_in},
    make,
};
use outshop_api::{
    desk::{
        backups,
        erasures::catalogue::{HELD, OF_NO_PERSON},
    },
    engines::photographs::Store,
};
use serde_json::{Value, json};
use std::collections::BTreeSet;

const CANARY: &str = "Canarywright";

fn canary() -> Value {
    json!({"name": format!("Ada {CANARY}"), "email": "ada.canarywright@example.org", "telephone": "01632 960555",
        "address": "1 Canarywright Lane"})
}

impl Shop {
    /// Names of tables that contain the canary word, in upper or lower case.
    async fn tables_with_the_canary(&self) -> Vec<String> {
        let tables = statement_in(
            &self.database_url,
            "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' ORDER BY relname",
        )
        .await;
        let mut found = Vec::new();
        for table in tables {
            let hit = format!(
                "SELECT 'hit'::text FROM {table} t WHERE to_jsonb(t)::text ILIKE ANY (ARRAY['%canarywright%', '%960555%']) LIMIT 1"
            );
            if !statement_in(&self.database_url, &hit).await.is_empty() {
                found.push(table);
            }
        }
        found
    }

    async fn erases(&self, person: i64) -> crate::harness::Answer {
        self.post(&format!("/v1/persons/{person}/erasures"), &json!({}))
            .await
    }
}

#[actix_web::test]
async fn a_person_who_only_enquired_is_erased_completely() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let person = shop.post("/v1/persons", &canary()).await.created().id();

    // Somebody enquires, offers, is promised a day, reserves and pays a deposit, with a mark in every text.
    let words = |more: &Value| make::with(json!({"person_id": person}), more);
    let enquiry = words(&json!({"stock_no": engine, "message": format!("{CANARY} rang")}));
    let enquiry = shop.post("/v1/enquiries", &enquiry).await.created();
    let offer = words(
        &json!({"on": "2026-05-14", "amount": "7000.00", "notes": format!("{CANARY} says so")}),
    );
    let offer = shop
        .post(&format!("/v1/engines/{engine}/offers"), &offer)
        .await
        .created();
    let promise = words(
        &json!({"stock_no": engine, "kind": "other", "description": format!("tea for {CANARY}"), "on": "2026-05-14"}),
    );
    let promise = shop.post("/v1/promises", &promise).await.created();
    let reservation = words(&json!({"stock_no": engine, "notes": CANARY}));
    let reservation = shop
        .post("/v1/reservations", &reservation)
        .await
        .created()
        .location();
    let deposit = json!({"on": "2026-05-14", "amount": "500.00", "method": "transfer", "notes": format!("from {CANARY}")});
    let deposit = shop
        .post(&format!("{reservation}/deposits"), &deposit)
        .await
        .created();

    // Their data export lists every one of these records, over more than one page.
    let everything = shop
        .get(&format!("/v1/persons/{person}/data-export"))
        .await
        .ok();
    let of: Vec<&Value> = everything.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| &item["of"])
        .collect();
    assert_eq!(
        of,
        [
            "deposits",
            "enquiries",
            "offers",
            "persons",
            "promises",
            "reservations"
        ]
    );
    assert_eq!(everything.body["items"][0]["record"]["amount"], "500.00");
    let first = shop
        .get(&format!("/v1/persons/{person}/data-export?limit=4"))
        .await
        .ok();
    let next = first.body["next"].as_str().expect("another page");
    assert_eq!(shop.get(next).await.ok().body["items"][0]["of"], "promises");

    // Open business prevents the erasure, and the refusal names each piece; then all of it is settled.
    let in_the_way = shop.erases(person).await.refused("conflict").is(409);
    for what in ["reservation", "deposit", "promise"] {
        assert!(in_the_way.text.contains(what), "{}", in_the_way.text);
    }
    let reason = json!({"reason": format!("{CANARY} changed her mind")});
    shop.post(&format!("{reservation}/releases"), &reason)
        .await
        .created();
    let back = json!({"on": "2026-05-14", "method": "transfer", "reason": CANARY});
    shop.post(&format!("{}/returns", deposit.location()), &back)
        .await
        .created();
    let kept = json!({"status": "kept", "on": "2026-05-14", "reason": CANARY});
    shop.post(&format!("{}/end", promise.location()), &kept)
        .await
        .created();
    assert!(shop.tables_with_the_canary().await.len() > 5);

    // After the erasure the mark is in no table, and the records keep their days and amounts.
    let erased = shop.erases(person).await.created();
    assert_eq!(
        (
            &erased.body["kept_by_law"],
            &erased.body["enquiries_closed"],
            &erased.body["offers_withdrawn"]
        ),
        (&json!(false), &json!(1), &json!(1))
    );
    assert_eq!(
        erased.body["person"],
        json!({"id": person, "name": "erased", "email": null, "telephone": null, "address": null, "erased_on": "2026-05-14"})
    );
    assert_eq!(shop.tables_with_the_canary().await, [""; 0]);
    let enquiry = shop.get(&enquiry.location()).await.ok();
    assert_eq!(enquiry.body["closed_on"], "2026-05-14");
    let offer = shop.get(&offer.location()).await.ok();
    assert_eq!(
        (&offer.body["status"], &offer.body["amount"]),
        (&json!("withdrawn"), &json!("7000.00"))
    );

    // The receipt keeps its number, day and amount.
    let deposit = shop.get(&deposit.location()).await.ok();
    assert_eq!(
        (&deposit.body["receipt_no"], &deposit.body["amount"]),
        (&json!(1), &json!("500.00"))
    );

    // An erased person cannot be used again; whoever comes back is a new person.
    shop.erases(person).await.refused("conflict");
    shop.post(
        &format!("/v1/engines/{engine}/offers"),
        &words(&json!({"on": "2026-05-14", "amount": "1.00"})),
    )
    .await
    .invalid_at("/person_id");
    let again = json!({"stock_no": engine, "person": canary()});
    let again = shop.post("/v1/reservations", &again).await.created();
    assert_ne!(
        again.body["person_id"], person,
        "who comes back is somebody new"
    );
    shop.erases(999).await.refused("not_found");
}

/// A sales invoice under the margin scheme shows the buyer's name and address (HMRC VAT Notice 718, the margin scheme, invoices
/// and stock book), and records are kept 6 years (HMRC VAT Notice 700/21).
#[actix_web::test]
async fn the_books_keep_only_what_an_invoice_shows_about_a_buyer() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let person = shop.post("/v1/persons", &canary()).await.created().id();
    let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": person, "notes": format!("{CANARY} pays cash")});
    let sale = shop
        .post(&format!("/v1/engines/{engine}/sales"), &sale)
        .await
        .created();
    let payment =
        json!({"on": "2026-05-14", "amount": "7600.00", "method": "transfer", "notes": CANARY});
    shop.post(&format!("{}/payments", sale.location()), &payment)
        .await
        .created();
    shop.erases(person).await.refused("conflict");
    shop.has_packed(engine).await;
    let tick = json!({"item": "drained", "on": "2026-05-14"});
    shop.post(&format!("/v1/engines/{engine}/checklist-ticks"), &tick)
        .await
        .created();
    let delivery =
        json!({"on": "2026-05-14", "method": "collection", "handed_to": format!("A. {CANARY}")});
    shop.post(&format!("/v1/engines/{engine}/deliveries"), &delivery)
        .await
        .created();

    let erased = shop.erases(person).await.created();
    assert_eq!(erased.body["kept_by_law"], true);
    assert_eq!(erased.body["person"]["name"], "erased");
    assert_eq!(shop.tables_with_the_canary().await, ["persons"]);
    let kept = statement_in(
        &shop.database_url,
        "SELECT concat_ws(' | ', name, address, email, telephone) FROM persons WHERE erased_on IS NOT NULL",
    )
    .await;
    assert_eq!(kept, [format!("Ada {CANARY} | 1 {CANARY} Lane")]);
    let book = shop
        .get("/v1/stock-book?from=2026-01-01&to=2026-12-31")
        .await
        .ok();
    assert!(book.text.contains(CANARY), "{}", book.text);
    for path in [
        "/v1/persons".to_owned(),
        format!("/v1/persons/{person}"),
        "/v1/sales".to_owned(),
        "/v1/journal?limit=500".to_owned(),
        format!("/v1/engines/{engine}/deliveries"),
        format!("{}/payments", sale.location()),
        format!("/v1/public/listings/{engine}"),
    ] {
        let read = shop.get(&path).await.ok();
        assert!(
            !read.text.to_lowercase().contains("canary"),
            "{path}: {}",
            read.text
        );
    }
    assert_eq!(
        shop.get(&sale.location()).await.ok().body["price"],
        "7600.00"
    );
}

/// A buyer who returned the engine: the texts of complaints, questions and the return are erased, and so are the findings
/// from the complaint. General Data Protection Regulation, Art. 17(1) and (3)(b).
#[actix_web::test]
async fn no_text_about_a_buyer_who_returned_the_engine_is_kept() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let person = shop.post("/v1/persons", &canary()).await.created().id();
    let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": person});
    let path = format!("/v1/engines/{engine}/sales");
    let sale = shop.post(&path, &sale).await.created();
    shop.has_been_paid(sale.id(), "7600.00").await;
    shop.has_packed(engine).await;
    let delivery = json!({"on": "2026-05-14", "method": "collection", "handed_to": "the buyer"});
    let path = format!("/v1/engines/{engine}/deliveries");
    shop.post(&path, &delivery).await.created();
    let of_sale = async |what: &str, body: Value| {
        let path = format!("{}/{what}", sale.location());
        shop.post(&path, &body).await.created()
    };
    let complaint =
        json!({"asked_on": "2026-05-14", "description": format!("{CANARY} cannot steam it")});
    of_sale("complaints", complaint).await;
    let notes = json!({"on": "2026-05-14", "message": format!("{CANARY} asks")});
    let notes = of_sale("support-notes", notes).await;
    let answered = json!({"answered": format!("told {CANARY}")});
    shop.patch(&notes.location(), &answered).await.ok();
    let back = json!({"on": "2026-05-14", "reason": "agreed", "refund": "7600.00", "notes": format!("{CANARY} was sorry")});
    of_sale("returns", back).await;
    let held = format!("/v1/persons/{person}/data-export");
    let held = shop.get(&held).await.ok().text;
    for words in ["cannot steam it", "asks", "told", "was sorry"] {
        assert!(held.contains(words), "{words} is not in what is held");
    }
    let refused = shop.erases(person).await.refused("conflict");
    assert!(refused.text.contains("sale"), "{}", refused.text);
    shop.has_been_paid(sale.id(), "-7600.00").await;
    shop.erases(person).await.created();
    assert_eq!(shop.tables_with_the_canary().await, ["persons"]);
}

/// Every text column has its class: erased, kept with a reason, or not about a person on record. Values of closed lists
/// say nothing about anyone. The catalogue is PostgreSQL's own (PostgreSQL 15, 53.7 and 53.13).
#[actix_web::test]
async fn every_text_of_every_table_is_classified() {
    let shop = Shop::open().await;
    let there = statement_in(
        &shop.database_url,
        "SELECT c.relname || '.' || a.attname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
         WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND c.relname NOT LIKE '\\_\\_%' AND a.attnum > 0
             AND NOT a.attisdropped AND format_type(a.atttypid, NULL) ~ 'text|json|char|bytea|xml'
             AND NOT EXISTS (SELECT 1 FROM pg_constraint k WHERE k.conrelid = c.oid AND k.contype = 'c'
                 AND k.conkey = ARRAY[a.attnum] AND pg_get_constraintdef(k.oid) ~ 'ANY \\(\\(?ARRAY')",
    )
    .await;
    let there: BTreeSet<String> = there.into_iter().collect();
    let held = HELD.iter().flat_map(|held| {
        let texts = held.texts.iter();
        texts.map(|(column, _)| format!("{}.{column}", held.table))
    });
    let of_no_person = OF_NO_PERSON.iter().flat_map(|(table, columns)| {
        columns
            .split_whitespace()
            .map(move |column| format!("{table}.{column}"))
    });
    let classified: Vec<String> = held.chain(of_no_person).collect();
    let once: BTreeSet<String> = classified.iter().cloned().collect();
    assert_eq!(classified.len(), once.len(), "a text is in both lists");
    let missing: Vec<_> = there.difference(&once).collect();
    let gone: Vec<_> = once.difference(&there).collect();
    assert!(
        missing.is_empty(),
        "in neither list of api/src/desk/erasures/catalogue.rs: {missing:?}"
    );
    assert!(
        gone.is_empty(),
        "in the catalogue and not in the database: {gone:?}"
    );
}

/// Every table that names a person, or what was agreed with one, is held to be theirs.
#[actix_web::test]
async fn every_table_that_names_a_person_is_in_the_catalogue() {
    let shop = Shop::open().await;
    let naming = statement_in(
        &shop.database_url,
        "SELECT DISTINCT conrelid::regclass::text FROM pg_constraint WHERE contype = 'f' AND confrelid IN ('persons'::regclass,
             'sales'::regclass, 'reservations'::regclass, 'deposits'::regclass, 'offers'::regclass, 'complaints'::regclass)",
    )
    .await;
    let held: BTreeSet<&str> = HELD.iter().map(|held| held.table).collect();
    for table in naming {
        assert!(held.contains(&*table), "{table} is not in the catalogue");
    }
}

/// A backup does not bring back persons erased after it was made; it brings back the others.
#[actix_web::test]
async fn a_restore_does_not_bring_back_erased_persons() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let buyer = shop.post("/v1/persons", &canary()).await.created().id();
    let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": buyer, "notes": format!("{CANARY} pays cash")});
    let path = format!("/v1/engines/{engine}/sales");
    let sale = shop.post(&path, &sale).await.created();
    let asked = shop.post("/v1/persons", &canary()).await.created().id();
    let enquiry =
        json!({"person_id": asked, "stock_no": engine, "message": format!("{CANARY} rang")});
    shop.post("/v1/enquiries", &enquiry).await.created();
    shop.post("/v1/persons", &json!({"name": "Bo Tarn"}))
        .await
        .created();
    let kept = tempfile::tempdir().expect("a folder");
    let folder = kept.path().join("kept");
    let backed_up = backups::back_up(&shop.database_url, None, &shop.store, &folder).await;
    backed_up.expect("a backup");

    shop.has_been_paid(sale.id(), "7600.00").await;
    shop.has_packed(engine).await;
    let delivery = json!({"on": "2026-05-14", "method": "collection", "handed_to": "the buyer"});
    let path = format!("/v1/engines/{engine}/deliveries");
    shop.post(&path, &delivery).await.created();
    shop.erases(buyer).await.created();
    shop.erases(asked).await.created();

    let name = format!("shop_{}_erased", std::process::id());
    statement(cluster(), "postgres", &format!("CREATE DATABASE {name}")).await;
    let url = cluster().url_of(&name);
    let said = backups::restore(&url, None, &shop.store, &folder).await;
    let said = said.expect("a restored database");
    assert!(said.contains("2 persons erased since"), "{said}");
    let restored = shop.on_another(&url);
    assert_eq!(restored.tables_with_the_canary().await, ["persons"]);
    for person in [buyer, asked] {
        let person = restored.get(&format!("/v1/persons/{person}")).await.ok();
        assert_eq!(person.body["name"], "erased");
    }
    let kept = "SELECT concat_ws(' | ', name, address, email, telephone) FROM persons ORDER BY id";
    let kept = statement_in(&url, kept).await;
    assert_eq!(
        kept,
        [
            format!("Ada {CANARY} | 1 {CANARY} Lane").as_str(),
            "erased",
            "Bo Tarn"
        ],
        "of the buyer the books keep the name"
    );
    let entries = restored.journal().await;
    assert_eq!(
        entries.iter().filter(|it| *it == "person.erased").count(),
        2
    );

    // If the list is lost they are back, and the sentence says so.
    let name = format!("shop_{}_not_erased", std::process::id());
    statement(cluster(), "postgres", &format!("CREATE DATABASE {name}")).await;
    let files = tempfile::tempdir().expect("a folder");
    let store = Store::at(files.path().to_str().expect("a path")).expect("a store");
    let said = backups::restore(&cluster().url_of(&name), None, &store, &folder).await;
    assert!(said.expect("a database").contains("0 persons"));
}
