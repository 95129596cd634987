//! Every migration goes up, down and up again and leaves the same tables.

use crate::harness::Shop;
use diesel::{QueryableByName, sql_types::Text};
use diesel_async::{AsyncConnection, AsyncMigrationHarness, AsyncPgConnection, RunQueryDsl};
use diesel_migrations::MigrationHarness;
use outshop_api::service::migrations::MIGRATIONS;

#[derive(QueryableByName, PartialEq, Debug)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

async fn catalogue(url: &str) -> Vec<Line> {
    let mut conn = AsyncPgConnection::establish(url)
        .await
        .expect("a connection");
    diesel::sql_query(
        "SELECT conrelid::regclass || ' ' || conname || ' ' || pg_get_constraintdef(oid) AS line FROM pg_constraint \
           WHERE connamespace = 'public'::regnamespace AND conrelid <> 0 \
         UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' \
         UNION ALL SELECT table_name || ' ' || column_name || ' ' || data_type || ' ' || is_nullable || ' ' || coalesce(column_default, '') \
           FROM information_schema.columns WHERE table_schema = 'public' \
         UNION ALL SELECT tgrelid::regclass || ' ' || pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal ORDER BY line",
    )
    .load(&mut conn)
    .await
    .expect("the catalogue")
}

/// Needs a runtime with several threads: the migration harness blocks in place.
fn on_threads<T: Send>(work: impl Future<Output = T> + Send) -> T {
    std::thread::scope(|scope| {
        let run = || {
            tokio::runtime::Builder::new_multi_thread()
                .enable_all()
                .build()
                .expect("a runtime")
                .block_on(work)
        };
        scope.spawn(run).join().expect("no panic")
    })
}

#[actix_web::test]
async fn each_migration_goes_up_down_and_up_again() {
    let shop = Shop::open().await;
    let url = shop.database_url.clone();
    let before = catalogue(&url).await;
    assert!(
        before.len() > 100,
        "the catalogue is read: {} lines",
        before.len()
    );
    let reverted = on_threads(async {
        let conn = AsyncPgConnection::establish(&url)
            .await
            .expect("a connection");
        let mut harness = AsyncMigrationHarness::new(conn);
        let reverted = harness
            .revert_all_migrations(MIGRATIONS)
            .expect("every migration goes down")
            .len();
        assert_eq!(
            harness
                .run_pending_migrations(MIGRATIONS)
                .expect("and up again")
                .len(),
            reverted
        );
        reverted
    });
    assert!(reverted >= 6);
    assert_eq!(catalogue(&url).await, before);
}

#[actix_web::test]
async fn a_database_of_a_newer_binary_is_refused_with_a_sentence() {
    let shop = Shop::open().await;
    let mut conn = shop.db.read().await.expect("a connection");
    diesel::sql_query("INSERT INTO __diesel_schema_migrations (version) VALUES ('29990101')")
        .execute(&mut conn)
        .await
        .expect("a row");
    let url = shop.database_url.clone();
    let refusal =
        on_threads(outshop_api::service::migrations::run(&url)).expect_err("newer than the binary");
    assert!(refusal.contains("newer than this binary"), "{refusal}");
}

#[actix_web::test]
async fn a_database_of_before_the_first_release_is_refused_with_a_sentence() {
    let shop = Shop::open().await;
    // As the tables of then had it.
    crate::harness::statement_in(
        &shop.database_url,
        "UPDATE __diesel_schema_migrations SET version = '202611251' WHERE version = '2026113001'",
    )
    .await;
    let url = shop.database_url.clone();
    let refusal = on_threads(outshop_api::service::migrations::run(&url)).expect_err("of before");
    assert!(
        refusal.starts_with("the database was made by a version before the first release"),
        "{refusal}"
    );
}
