//! Files that are written by the program itself, compared byte for byte. `UPDATE=1` writes them anew.

use crate::harness::Shop;
use diesel::{QueryableByName, sql_types::Text};
use diesel_async::RunQueryDsl;
use outshop_core::{
    boilers::codes::{self, Rule},
    books::{
        tax::{self, TaxRule},
        terms::{self, Term},
    },
};
use std::{fs, path::Path};

#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

#[track_caller]
fn compare(file: &str, fresh: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(file);
    if std::env::var_os("UPDATE").is_some() {
        fs::write(&path, fresh).expect("the file can be written");
    }
    let stored = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        stored == fresh,
        "{file} is stale: run UPDATE=1 cargo test -p outshop-tests generated, and look at the change"
    );
}

#[actix_web::test]
async fn schema_rs_is_what_the_migrations_leave() {
    let shop = Shop::open().await;
    let mut conn = shop.db.read().await.expect("a connection");
    let lines: Vec<Line> = diesel::sql_query(include_str!("schema.sql"))
        .load(&mut conn)
        .await
        .expect("the catalogue");
    let mut text =
        "//! The tables as the migrations leave them. Generated; see DEVELOPERS.md.\n\n".to_owned();
    for Line { line } in lines {
        text += &line;
        text.push('\n');
    }
    compare("api/src/schema.rs", &text);
}

#[test]
fn openapi_json_is_what_the_binary_writes() {
    let document = serde_json::to_string_pretty(&outshop_api::document()).expect("JSON");
    compare("openapi/outshop.json", &(document + "\n"));
}

/// Once released it is compared no more: a row that changes afterwards is in a migration of its own.
#[test]
fn the_migration_of_rows_is_cores_seed() {
    let rules = codes::seed();
    let mut named: Vec<String> = rules
        .iter()
        .map(|rule| {
            let cells = [rule.jurisdiction.as_str(), rule.code.as_str()];
            format!("({})", cells.map(quoted).join(", "))
        })
        .collect();
    named.dedup();
    let text = [
        "-- The rows that a new firm starts with: boiler codes, tax and cash, the law of sale. Generated; see DEVELOPERS.md.\n"
            .to_owned(),
        insert("boiler_codes (jurisdiction, name)", named),
        insert(
            "boiler_code_rules (code_id, rule, material, band, first_service_from, value, unit, effect, valid_from, valid_until, source, \
             mark, notes)",
            rules.iter().map(row),
        ),
        insert(
            "tax_rules (jurisdiction, rule, value, unit, valid_from, valid_until, source, mark, notes)",
            tax::seed().iter().map(tax_row),
        ),
        insert(
            "statutory_periods (jurisdiction, rule, value, unit, valid_from, valid_until, source, mark)",
            terms::seed().iter().map(term_row),
        ),
    ];
    compare("migrations/2026-11-30-08_rows/up.sql", &text.concat());
}

fn insert(into: &str, rows: impl IntoIterator<Item = String>) -> String {
    let rows: Vec<String> = rows.into_iter().collect();
    format!("INSERT INTO {into} VALUES\n    {};\n", rows.join(",\n    "))
}

fn tax_row(row: &TaxRule) -> String {
    let cells = [
        quoted(row.jurisdiction.as_str()),
        quoted(row.rule.as_str()),
        row.value
            .map_or("NULL".to_owned(), |value| value.normalize().to_string()),
        quoted(row.unit.as_str()),
        or_null(row.valid_from.as_ref()),
        or_null(row.valid_until.as_ref()),
        quoted(&row.source),
        quoted(row.mark.as_str()),
        or_null(row.notes.as_ref()),
    ];
    format!("({})", cells.join(", "))
}

fn term_row(row: &Term) -> String {
    let cells = [
        quoted(row.jurisdiction.as_str()),
        quoted(row.rule.as_str()),
        row.value.to_string(),
        quoted(row.unit.as_str()),
        or_null(row.valid_from.as_ref()),
        or_null(row.valid_until.as_ref()),
        quoted(&row.source),
        quoted(row.mark.as_str()),
    ];
    format!("({})", cells.join(", "))
}

fn row(rule: &Rule) -> String {
    let code = format!(
        "(SELECT id FROM boiler_codes WHERE jurisdiction = {} AND name = {})",
        quoted(rule.jurisdiction.as_str()),
        quoted(&rule.code)
    );
    let cells = [
        code,
        quoted(rule.rule.as_str()),
        or_null(rule.material.as_ref()),
        or_null(rule.band.as_ref()),
        or_null(rule.first_service_from.as_ref()),
        rule.value
            .map_or("NULL".to_owned(), |value| value.to_string()),
        quoted(rule.unit.as_str()),
        quoted(rule.effect.as_str()),
        or_null(rule.valid_from.as_ref()),
        or_null(rule.valid_until.as_ref()),
        quoted(&rule.source),
        quoted(rule.mark.as_str()),
        or_null(rule.notes.as_ref()),
    ];
    format!("({})", cells.join(", "))
}

fn or_null<T: ToString>(value: Option<&T>) -> String {
    value.map_or("NULL".to_owned(), |value| quoted(&value.to_string()))
}

fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}
