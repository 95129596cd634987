//! The migrations of this binary, and what it requires of a database.

use crate::ground::{
    connection,
    db::{RunQueryDsl, SingleRunner},
};
use diesel::{
    migration::MigrationSource,
    pg::Pg,
    sql_types::{BigInt, Text},
};
use diesel_async::AsyncMigrationHarness;
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

pub const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../migrations");

diesel::define_sql_function! { fn current_setting(name: Text) -> Text; }

/// Migrates the database to this binary's schema, one process at a time. Refuses a database that a newer binary has
/// migrated. Needs a multi-threaded runtime.
pub async fn run(url: &str) -> Result<usize, String> {
    connection::must_keep_its_session(url).await?;
    let mut conn = connection::connect(url)
        .await
        .map_err(|e| format!("the database does not answer: {e}"))?;
    diesel::sql_query("SELECT pg_advisory_lock($1)")
        .bind::<BigInt, _>(SingleRunner::Migrating.key())
        .execute(&mut conn)
        .await
        .map_err(|e| e.to_string())?;
    let mut harness = AsyncMigrationHarness::new(conn);
    let applied = harness.applied_migrations().map_err(|e| e.to_string())?;
    if !applied.is_empty() {
        let applied: Vec<String> = applied.iter().map(ToString::to_string).collect();
        must_fit("the database", &applied)?;
    }
    let run = harness
        .run_pending_migrations(MIGRATIONS)
        .map_err(|e| e.to_string())?;
    Ok(run.len())
}

/// Refuses a database or a backup whose migrations this binary does not know. `applied` are their versions.
pub(crate) fn must_fit(what: &str, applied: &[String]) -> Result<(), String> {
    let known: Vec<String> = MigrationSource::<Pg>::migrations(&MIGRATIONS)
        .map_err(|e| e.to_string())?
        .iter()
        .map(|migration| migration.name().version().to_string())
        .collect();
    if known
        .iter()
        .min()
        .is_some_and(|first| !applied.contains(first))
    {
        return Err(format!(
            "{what} was made by a version before the first release, with other tables, and cannot be read; start \
             with an empty database"
        ));
    }
    match applied.iter().find(|version| !known.contains(version)) {
        Some(newer) => Err(format!(
            "{what} is newer than this binary (it has migration {newer}); start the newer binary"
        )),
        None => Ok(()),
    }
}

/// Refuses a PostgreSQL that may lose acknowledged writes.
pub async fn must_keep_what_it_acknowledges(url: &str) -> Result<(), String> {
    let mut conn = connection::connect(url)
        .await
        .map_err(|e| format!("the database does not answer: {e}"))?;
    for name in ["fsync", "full_page_writes", "synchronous_commit"] {
        let setting: String = diesel::select(current_setting(name))
            .get_result(&mut conn)
            .await
            .map_err(|e| e.to_string())?;
        if setting == "off" {
            return Err(format!(
                "PostgreSQL runs with {name} off and may lose acknowledged writes; set it on, or set \
                     OUTSHOP_MAY_LOSE_WRITES=true where that does not matter"
            ));
        }
    }
    Ok(())
}
