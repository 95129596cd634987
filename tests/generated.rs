//! Files that are written by the program itself, compared byte for byte. `UPDATE=1` writes them anew.

use crate::shop::Shop;
use diesel::{QueryableByName, sql_types::Text};
use diesel_async::RunQueryDsl;
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
