//! Backups: a folder with the whole database as it was at one moment and the files of photographs; and the check,
//! when it is restored, that every table is as it was.

use crate::{
    desk::erasures,
    engines::photographs::{self, Store},
    ground::{clock::Clock, connection, db::RunQueryDsl},
    service::{cluster, migrations},
};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Text},
};
use diesel_async::{AsyncPgConnection, SimpleAsyncConnection};
use serde::{Deserialize, Serialize};
use std::{
    collections::BTreeMap,
    fs::{self, File},
    path::Path,
    process::{Command, Stdio},
};

const DUMP: &str = "database.dump";
const CONTENTS: &str = "contents.json";
const PHOTOGRAPHS: &str = "photographs";

/// The content of contents.json, which describes a backup.
#[derive(Debug, Serialize, Deserialize)]
struct Contents {
    /// Version of the service that made it.
    outshop: String,
    /// Versions of the migrations that made its tables; empty: made before the first release.
    #[serde(default)]
    migrations: Vec<String>,
    /// By table name.
    tables: BTreeMap<String, Table>,
    photographs: usize,
}

#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Table {
    rows: i64,
    /// Sum of the MD5 sums of its rows, in any order.
    digest: String,
}

/// Writes a backup into a new folder, and returns a sentence about it. The service may be running and writing.
///
/// The tables are counted and hashed in the snapshot that is dumped. Photograph files never change once written, so
/// those that the snapshot names are copied after it.
pub async fn back_up(
    url: &str,
    pg_bin: Option<&Path>,
    store: &Store,
    folder: &Path,
) -> Result<String, String> {
    fs::create_dir(folder)
        .map_err(|e| format!("cannot create the folder {}: {e}", folder.display()))?;
    let mut conn = connect(url).await?;
    let begin = "BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY";
    conn.batch_execute(begin).await.map_err(message)?;
    let snapshot: String = diesel::select(diesel::dsl::sql::<Text>("pg_export_snapshot()"))
        .get_result(&mut conn)
        .await
        .map_err(message)?;
    let dump = folder.join(DUMP);
    let file = File::create(&dump).map_err(|e| format!("cannot write {}: {e}", dump.display()))?;
    let dumped = program("pg_dump", pg_bin, url)?
        .args([
            "--format=custom",
            "--no-owner",
            "--no-acl",
            "--snapshot",
            &snapshot,
        ])
        .stdout(file.try_clone().map_err(|e| e.to_string())?)
        .stderr(Stdio::piped())
        .output()
        .map_err(|e| {
            format!("cannot run pg_dump: {e}; install the PostgreSQL programs or set --pg-bin")
        })?;
    if !dumped.status.success() {
        return Err(format!("pg_dump failed: {}", stderr_text(&dumped.stderr)));
    }
    file.sync_all().map_err(|e| e.to_string())?;
    let tables = tables(&mut conn).await?;
    let migrations =
        diesel::dsl::sql::<Text>("SELECT version FROM __diesel_schema_migrations ORDER BY 1");
    let migrations: Vec<String> = migrations.load(&mut conn).await.map_err(message)?;
    let names = photographs::file_names(&mut conn).await.map_err(message)?;
    conn.batch_execute("COMMIT").await.map_err(message)?;

    let files = folder.join(PHOTOGRAPHS);
    fs::create_dir(&files).map_err(|e| format!("cannot create {}: {e}", files.display()))?;
    for name in &names {
        let bytes = store.get(name).await.map_err(message)?;
        let bytes = bytes
            .ok_or_else(|| format!("the photograph file {name} is missing; restore it first"))?;
        fs::write(files.join(name), bytes).map_err(|e| format!("cannot write {name}: {e}"))?;
    }
    let contents = Contents {
        outshop: env!("CARGO_PKG_VERSION").to_owned(),
        migrations,
        photographs: names.len(),
        tables,
    };
    // Write this last: a folder without it is not a backup.
    let text = serde_json::to_string_pretty(&contents).map_err(message)? + "\n";
    fs::write(folder.join(CONTENTS), text).map_err(|e| format!("cannot write {CONTENTS}: {e}"))?;
    let rows: i64 = contents.tables.values().map(|table| table.rows).sum();
    Ok(format!(
        "Backed up {} tables with {rows} rows and {} photograph files to {}; test it with `outshop restore` on another database",
        contents.tables.len(),
        names.len(),
        folder.display()
    ))
}

/// Restores a backup into an empty database, checks that every table is as it was, and returns a sentence about it.
/// The journal gets a new id, so that its readers start again, and persons erased since the backup was made are
/// erased again.
pub async fn restore(
    url: &str,
    pg_bin: Option<&Path>,
    store: &Store,
    folder: &Path,
) -> Result<String, String> {
    let path = folder.join(CONTENTS);
    let text = fs::read(&path).map_err(|e| {
        format!(
            "{} is not a complete backup: {CONTENTS}: {e}",
            folder.display()
        )
    })?;
    let contents: Contents =
        serde_json::from_slice(&text).map_err(|e| format!("{}: {e}", path.display()))?;
    migrations::must_fit("the backup", &contents.migrations)?;
    let mut conn = connect(url).await?;
    if !tables(&mut conn).await?.is_empty() {
        return Err("the database is not empty; restore into a new one".to_owned());
    }
    let dump =
        File::open(folder.join(DUMP)).map_err(|e| format!("{}: {DUMP}: {e}", folder.display()))?;
    let restored = program("pg_restore", pg_bin, url)?
        .args([
            "--no-owner",
            "--no-acl",
            "--single-transaction",
            "--exit-on-error",
        ])
        .stdin(dump)
        .stderr(Stdio::piped())
        .output()
        .map_err(|e| {
            format!("cannot run pg_restore: {e}; install the PostgreSQL programs or set --pg-bin")
        })?;
    if !restored.status.success() {
        return Err(format!(
            "pg_restore failed and stored nothing: {}",
            stderr_text(&restored.stderr)
        ));
    }
    let found = tables(&mut conn).await?;
    if let Some(other) = first_difference(&contents.tables, &found) {
        return Err(format!(
            "the table {other} differs from the backup; do not use this database"
        ));
    }
    let names = photographs::file_names(&mut conn).await.map_err(message)?;
    for name in &names {
        let bytes = fs::read(folder.join(PHOTOGRAPHS).join(name))
            .map_err(|e| format!("the photograph file {name}: {e}"))?;
        store.put(name, &bytes).await.map_err(message)?;
    }
    conn.batch_execute(include_str!("backups/begin_anew.sql"))
        .await
        .map_err(message)?;
    let erased = erasures::replay(&mut conn, store, Clock::default().now())
        .await
        .map_err(message)?;
    let rows: i64 = found.values().map(|table| table.rows).sum();
    Ok(format!(
        "Restored {} tables with {rows} rows, all as they were, and {} photograph files; {} persons erased since the backup was made \
         are erased again, by the list stored with the photographs; journal readers start again",
        found.len(),
        names.len(),
        erased.len()
    ))
}

/// A PostgreSQL program for this database. The password is not an argument, as every user of the machine can read
/// those.
fn program(name: &str, pg_bin: Option<&Path>, url: &str) -> Result<Command, String> {
    let mut command = match cluster::programs(pg_bin, None) {
        Ok(folder) => Command::new(folder.join(name)),
        // Where only the client programs are installed.
        Err(_) => Command::new(name),
    };
    let (url, password) = without_password(url);
    if let Some(password) = password {
        let decoded = percent_encoding::percent_decode_str(password).decode_utf8();
        command.env("PGPASSWORD", &*decoded.map_err(message)?);
    }
    command.arg("--dbname").arg(url);
    Ok(command)
}

/// By hand, as URL parsers reject an address with several hosts.
fn without_password(url: &str) -> (String, Option<&str>) {
    let parts = || {
        let (scheme, rest) = url.split_once("://")?;
        let (user, place) = rest.split_once('@')?;
        let (user, password) = user.split_once(':')?;
        Some((format!("{scheme}://{user}@{place}"), password))
    };
    match parts() {
        Some((url, password)) => (url, Some(password)),
        None => (url.to_owned(), None),
    }
}

fn first_difference<'t>(
    was: &'t BTreeMap<String, Table>,
    is: &'t BTreeMap<String, Table>,
) -> Option<&'t str> {
    let lost = was
        .iter()
        .find(|(name, table)| is.get(*name) != Some(table));
    let new = || is.keys().find(|name| !was.contains_key(*name));
    lost.map(|(name, _)| name).or_else(new).map(String::as_str)
}

async fn connect(url: &str) -> Result<AsyncPgConnection, String> {
    connection::connect(url)
        .await
        .map_err(|e| format!("the database does not answer: {e}"))
}

fn message(e: impl std::fmt::Display) -> String {
    e.to_string()
}

fn stderr_text(stderr: &[u8]) -> String {
    String::from_utf8_lossy(stderr).trim().to_owned()
}

// SQL

#[derive(QueryableByName)]
struct Counted {
    #[diesel(sql_type = BigInt)]
    rows: i64,
    #[diesel(sql_type = Text)]
    digest: String,
}

async fn tables(conn: &mut AsyncPgConnection) -> Result<BTreeMap<String, Table>, String> {
    conn.batch_execute(
        "SET timezone = 'UTC'; SET datestyle = 'ISO, YMD'; SET extra_float_digits = 1",
    )
    .await
    .map_err(message)?;
    let names = diesel::dsl::sql::<Text>(
        "SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY 1",
    );
    let names: Vec<String> = names.load(conn).await.map_err(message)?;
    let mut tables = BTreeMap::new();
    for name in names {
        let counted: Counted = diesel::sql_query(format!(
            "SELECT count(*) AS rows, coalesce(sum(('x' || left(md5(t::text), 15))::bit(60)::bigint::numeric), 0)::text AS digest FROM \"{name}\" t"
        ))
        .get_result(conn)
        .await
        .map_err(message)?;
        let Counted { rows, digest } = counted;
        tables.insert(name, Table { rows, digest });
    }
    Ok(tables)
}
