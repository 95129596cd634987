//! Trial 8: a backup is proved by its restoring.

use crate::{
    harness::{Shop, cluster, statement},
    make,
};
use outshop_api::{desk::backups, engines::photographs::Store};
use serde_json::json;

#[actix_web::test]
async fn a_restored_backup_is_as_it_was_and_readers_start_again() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    shop.has_sold(engine).await;
    let before = shop.get("/v1/journal?limit=500").await.ok();
    let kept = tempfile::tempdir().expect("a folder");
    let folder = kept.path().join("kept");
    let said = backups::back_up(&shop.database_url, None, &shop.store, &folder).await;
    assert!(said.expect("a backup").contains("tables"));
    // What comes later is not in it.
    shop.post("/v1/persons", &json!({"name": "Ada Fell"}))
        .await
        .created();

    let name = format!("shop_{}_restored", std::process::id());
    statement(cluster(), "postgres", &format!("CREATE DATABASE {name}")).await;
    let url = cluster().url_of(&name);
    let files = tempfile::tempdir().expect("a folder");
    let store = Store::at(files.path().to_str().expect("a path")).expect("a store");
    backups::restore(&url, None, &store, &folder)
        .await
        .expect("a restored database");
    let again = backups::restore(&url, None, &store, &folder).await;
    assert!(again.expect_err("a refusal").contains("not empty"));
    let taken = backups::back_up(&shop.database_url, None, &shop.store, &folder).await;
    assert!(taken.is_err(), "a backup was written over");

    let restored = shop.on_another(&url);
    let after = restored.get("/v1/journal?limit=500").await.ok();
    assert_eq!(after.body["items"], before.body["items"]);
    assert_ne!(after.body["journal_id"], before.body["journal_id"]);
    let old = format!(
        "/v1/journal?after=3&journal_id={}",
        before.body["journal_id"].as_str().expect("an id")
    );
    restored.get(&old).await.refused("feed_restarted").is(409);
    restored
        .visit(&format!("/v1/public/listings/{engine}"))
        .await
        .ok();
    restored
        .post("/v1/persons", &json!({"name": "Bo Tarn"}))
        .await
        .created();
    let last = restored
        .get(&format!(
            "/v1/journal?after={}",
            before.body["items"].as_array().expect("items").len()
        ))
        .await
        .ok();
    assert_eq!(last.body["items"][0]["type"], "person.created");
}

#[actix_web::test]
async fn a_table_that_differs_from_the_backup_is_named() {
    let shop = Shop::open().await;
    let kept = tempfile::tempdir().expect("a folder");
    let folder = kept.path().join("kept");
    backups::back_up(&shop.database_url, None, &shop.store, &folder)
        .await
        .expect("a backup");
    let contents = folder.join("contents.json");
    let text = std::fs::read_to_string(&contents).expect("contents");
    let mut json: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    json["tables"]["keys"]["digest"] = json!("1");
    std::fs::write(&contents, json.to_string()).expect("written");
    let name = format!("shop_{}_other", std::process::id());
    statement(cluster(), "postgres", &format!("CREATE DATABASE {name}")).await;
    let refused = backups::restore(&cluster().url_of(&name), None, &shop.store, &folder).await;
    assert!(refused.expect_err("a refusal").contains("keys"));
}

#[actix_web::test]
async fn a_backup_of_before_the_first_release_or_of_a_newer_binary_is_refused_before_anything_is_stored()
 {
    let shop = Shop::open().await;
    let kept = tempfile::tempdir().expect("a folder");
    let folder = kept.path().join("kept");
    backups::back_up(&shop.database_url, None, &shop.store, &folder)
        .await
        .expect("a backup");
    let contents = folder.join("contents.json");
    let text = std::fs::read_to_string(&contents).expect("contents");
    let name = format!("shop_{}_of_before", std::process::id());
    statement(cluster(), "postgres", &format!("CREATE DATABASE {name}")).await;
    let url = cluster().url_of(&name);
    let mut json: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let migrations = json["migrations"].as_array_mut().expect("versions");
    migrations.push(json!("29990101"));
    std::fs::write(&contents, json.to_string()).expect("written");
    let newer = backups::restore(&url, None, &shop.store, &folder).await;
    let newer = newer.expect_err("a refusal");
    assert!(newer.starts_with("the backup is newer"), "{newer}");
    json.as_object_mut().expect("members").remove("migrations");
    std::fs::write(&contents, json.to_string()).expect("written");
    let before = backups::restore(&url, None, &shop.store, &folder).await;
    let before = before.expect_err("a refusal");
    assert!(
        before.starts_with("the backup was made by a version before the first release"),
        "{before}"
    );
    // The database is still empty.
    std::fs::write(&contents, text).expect("written");
    backups::restore(&url, None, &shop.store, &folder)
        .await
        .expect("a restored database");
}
