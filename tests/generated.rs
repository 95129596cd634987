//! Files that are written by the program itself, compared byte for byte. `UPDATE=1` writes them anew.

use crate::shop::Shop;
use diesel::{QueryableByName, sql_types::Text};
use diesel_async::RunQueryDsl;
use outshop_core::{
    boilers::codes::{self, Rule},
    books::{tax, terms},
    days::Day,
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
    let document = outshop_api::document().to_pretty_json().expect("JSON");
    compare("openapi/outshop.json", &(document + "\n"));
}

#[test]
fn the_migration_of_boiler_code_rows_is_cores_seed() {
    let rules = codes::seed();
    let mut codes: Vec<String> = rules
        .iter()
        .map(|rule| {
            format!(
                "({}, {})",
                quoted(rule.jurisdiction.as_str()),
                quoted(&rule.code)
            )
        })
        .collect();
    codes.dedup();
    let rows: Vec<String> = rules.iter().map(row).collect();
    let text = format!(
        "-- The boiler code rows that a new shop starts with. Generated; see DEVELOPERS.md.\n\
         INSERT INTO boiler_codes (jurisdiction, name) VALUES\n    {};\n\
         INSERT INTO boiler_code_rules (code_id, rule, material, band, first_service_from, value, unit, effect, valid_from, \
         valid_until, source, mark, note) VALUES\n    {};\n",
        codes.join(",\n    "),
        rows.join(",\n    ")
    );
    compare("migrations/2026-11-25-7_boiler_code_rows/up.sql", &text);
}

/// Rows that changed after a release are in migrations of their own, so that what a new shop has is compared and no file.
#[actix_web::test]
async fn the_rows_of_money_that_a_new_shop_has_are_cores_seed() {
    let shop = Shop::open().await;
    let mut conn = shop.db.read().await.expect("a connection");
    let or_null = |cell: Option<String>| cell.unwrap_or_else(|| "-".to_owned());
    let day = |day: Option<Day>| or_null(day.map(|day| day.to_string()));
    let tax = tax::seed().into_iter().map(|row| {
        let value = row.value.map(|value| value.normalize().to_string());
        let of = [
            row.jurisdiction.to_string(),
            row.rule.to_string(),
            or_null(value),
            row.unit.to_string(),
        ];
        [
            &of[..],
            &[
                day(row.valid_from),
                day(row.valid_until),
                row.source,
                row.mark.to_string(),
                or_null(row.note),
            ],
        ]
        .concat()
        .join("|")
    });
    let terms = terms::seed().into_iter().map(|row| {
        let of = [
            row.jurisdiction.to_string(),
            row.rule.to_string(),
            row.value.to_string(),
            row.unit.to_string(),
        ];
        [
            &of[..],
            &[
                day(row.valid_from),
                day(row.valid_until),
                row.source,
                row.mark.to_string(),
                "-".to_owned(),
            ],
        ]
        .concat()
        .join("|")
    });
    let mut seeded: Vec<String> = tax.chain(terms).collect();
    let rows: Vec<Line> = diesel::sql_query(
        "SELECT concat_ws('|', jurisdiction, rule, coalesce(trim_scale(value)::text, '-'), unit, coalesce(valid_from::text, '-'), \
         coalesce(valid_until::text, '-'), source, mark, coalesce(note, '-')) AS line FROM tax_rules \
         UNION ALL SELECT concat_ws('|', jurisdiction, rule, value::text, unit, coalesce(valid_from::text, '-'), \
         coalesce(valid_until::text, '-'), source, mark, '-') FROM sale_terms",
    )
    .load(&mut conn)
    .await
    .expect("the rows");
    let mut stored: Vec<String> = rows.into_iter().map(|row| row.line).collect();
    seeded.sort();
    stored.sort();
    assert_eq!(stored, seeded);
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
        or_null(rule.note.as_ref()),
    ];
    format!("({})", cells.join(", "))
}

fn or_null<T: ToString>(value: Option<&T>) -> String {
    value.map_or("NULL".to_owned(), |value| quoted(&value.to_string()))
}

fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}
