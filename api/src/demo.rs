//! The demonstration: an invented firm in a folder of its own, loaded once through the public interface.

use crate::{
    Shared, app,
    engines::photographs::Store,
    firm::keys::{self, NewKey},
    ground::{
        clock::{self, Clock},
        connection,
        db::{Db, RunQueryDsl},
    },
    notifying::webhooks::{cipher::Cipher, guard::AllowedTargets},
    service::{cluster::Cluster, limits::Limits, migrations},
    shop::public::ShopWindow,
};
use actix_web::HttpServer;
use diesel::{
    dsl::sql,
    sql_types::{Nullable, Text},
};
use diesel_async::{AsyncPgConnection, SimpleAsyncConnection};
use outshop_core::{days::Day, trade::Role};
use serde_json::{Map, Value};
use std::{
    fs,
    io::Write,
    net::{SocketAddr, TcpListener},
    os::unix::fs::OpenOptionsExt,
    path::Path,
};

mod shop;
mod steps;
pub use shop::Shop;
pub use steps::load;

/// Comments on the database that record the progress of loading. A firm's own database has none, and is never touched.
const LOADING: &str = "outshop demonstration, loading";
const LOADED: &str = "outshop demonstration, loaded";

/// The people of the invented firm, each with a key.
const PEOPLE: [(Role, &str); 5] = [
    (Role::Proprietor, "Ursel Quillow"),
    (Role::Fitter, "Edda Morlock"),
    (Role::Seller, "Tam Brindle"),
    (Role::Bookkeeper, "Nell Aspenhurst"),
    (Role::Website, "the shop site"),
];

/// One key for each role.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Keys(Vec<(Role, String)>);

impl Keys {
    pub fn new(keys: Vec<(Role, String)>) -> Keys {
        Keys(keys)
    }

    /// The secret of the role's key.
    pub fn of(&self, role: Role) -> Result<&str, String> {
        let key = self.0.iter().find(|(of, _)| *of == role);
        key.map(|(_, key)| key.as_str())
            .ok_or_else(|| format!("there is no key for the role {role}"))
    }

    /// Reads keys.json. `None`: it is missing, or lacks a role.
    fn read(folder: &Path) -> Option<Keys> {
        let text = fs::read(folder.join("keys.json")).ok()?;
        let json: Map<String, Value> = serde_json::from_slice(&text).ok()?;
        let key = |role: &Role| Some((*role, json.get(role.as_str())?.as_str()?.to_owned()));
        Role::ALL.iter().map(key).collect::<Option<_>>().map(Keys)
    }

    /// Keys are secrets: from its creation the file can only be read by its owner.
    fn write(&self, folder: &Path) -> Result<(), String> {
        let json: Map<String, Value> = self
            .0
            .iter()
            .map(|(role, key)| (role.to_string(), key.as_str().into()))
            .collect();
        let text = serde_json::to_string_pretty(&json).map_err(|e| e.to_string())? + "\n";
        let (new, path) = (folder.join("keys.json.new"), folder.join("keys.json"));
        let write = || {
            let _ = fs::remove_file(&new);
            let mut file = fs::File::options()
                .write(true)
                .create_new(true)
                .mode(0o600)
                .open(&new)?;
            file.write_all(text.as_bytes())?;
            file.sync_all()?;
            fs::rename(&new, &path)
        };
        write().map_err(|e| format!("cannot write {}: {e}", path.display()))
    }
}

/// Loads the demonstration into `folder` unless that has been done, and returns its keys. A load that was interrupted
/// starts again. Refuses a database with a firm's own records.
pub async fn open(cluster: &Cluster, folder: &Path, store: Store) -> Result<Keys, String> {
    let comment = comment(cluster).await?;
    if comment.as_deref() == Some(LOADED)
        && let Some(keys) = Keys::read(folder)
    {
        migrations::run(&cluster.url()).await?;
        return Ok(keys);
    }
    if comment.is_none() && has_records(cluster).await? {
        return Err(format!(
            "{} has the records of a firm; name another folder with --data",
            folder.display()
        ));
    }
    let afresh = [
        "DROP DATABASE IF EXISTS outshop WITH (FORCE)".to_owned(),
        "CREATE DATABASE outshop".to_owned(),
        format!("COMMENT ON DATABASE outshop IS '{LOADING}'"),
    ];
    for statement in afresh {
        run(cluster, &statement).await?;
    }
    migrations::run(&cluster.url()).await?;
    let db = Db::new(&cluster.url(), 4).map_err(|e| e.to_string())?;
    let today = today(&db).await?;
    let keys = make_keys(&db, today).await?;
    keys.write(folder)?;
    load_into(db, store, &keys, today).await?;
    run(
        cluster,
        &format!("COMMENT ON DATABASE outshop IS '{LOADED}'"),
    )
    .await?;
    Ok(keys)
}

/// Loads through a temporary server on a free port, so that nobody sees half a firm.
async fn load_into(db: Db, store: Store, keys: &Keys, today: Day) -> Result<(), String> {
    let listener = TcpListener::bind("127.0.0.1:0").map_err(|e| e.to_string())?;
    let url = format!(
        "http://{}",
        listener.local_addr().map_err(|e| e.to_string())?
    );
    let server = HttpServer::new(move || {
        // There are no visitors during the load.
        app(Shared {
            db: db.clone(),
            clock: Clock::default(),
            store: store.clone(),
            window: ShopWindow::default(),
            reach: AllowedTargets::Loopback,
            limits: Limits::default(),
            cipher: Cipher::default(),
        })
    })
    .workers(1)
    .disable_signals()
    .listen(listener)
    .map_err(|e| e.to_string())?
    .run();
    let handle = server.handle();
    let loading = async {
        let loaded = load(&url, keys, today, print_progress).await;
        handle.stop(true).await;
        loaded
    };
    let (served, loaded) = tokio::join!(server, loading);
    loaded.and(served.map_err(|e| e.to_string()))
}

/// Prints a line now and then, as it may go to a file or a pipe.
fn print_progress(done: usize, of: usize) {
    const EVERY: usize = 100;
    if done == of || done.is_multiple_of(EVERY) {
        eprintln!("outshop: demonstration, step {done} of {of}");
    }
}

/// The text for the user: the address, the keys, and what to try first.
pub fn welcome(address: SocketAddr, keys: &Keys, folder: &Path) -> Result<String, String> {
    let (file, url) = (folder.join("keys.json"), format!("http://{address}"));
    let mut text = format!(
        "Quillow Lane Works, an invented firm, has its shop page at {url}/\nIts keys (also in {}):\n",
        file.display()
    );
    for (role, key) in &keys.0 {
        text += &format!("  {:<10} {key}\n", role.as_str());
    }
    let (fitter, seller) = (keys.of(Role::Fitter)?, keys.of(Role::Seller)?);
    text += &format!(
        "\nThree things to try:\n\
         What a visitor sees:\n  curl -s '{url}/v1/public/listings?limit=3'\n\
         Why engine 20 may not leave today, and what to do about it:\n  \
         curl -s -H 'Authorization: Bearer {fitter}' '{url}/v1/engines/20/readiness?gate=deliver'\n\
         What engine 13 is worth, with every step of the calculation:\n  \
         curl -s -X POST -H 'Authorization: Bearer {seller}' -H 'Content-Type: application/json' -d '{{}}' \
         '{url}/v1/engines/13/valuations'\n\
         \nThe whole interface is described at {url}/reference/. Press Ctrl-C to stop it; the next start \
         continues where it stopped."
    );
    Ok(text)
}

async fn today(db: &Db) -> Result<Day, String> {
    let mut conn = db.read().await.map_err(|e| e.to_string())?;
    let today = clock::today(&mut conn, Clock::default().now()).await;
    today.map_err(|e| e.to_string())
}

async fn make_keys(db: &Db, today: Day) -> Result<Keys, String> {
    let mut made = Vec::new();
    for (role, person) in PEOPLE {
        let new = NewKey {
            name: format!("{role} of the demonstration").parse()?,
            role,
            person: person.parse()?,
            expires_on: None,
        };
        let key = keys::add(db, &new, today)
            .await
            .map_err(|e| e.to_string())?;
        made.push((role, key));
    }
    Ok(Keys(made))
}

// SQL

async fn connect(cluster: &Cluster, database: &str) -> Result<AsyncPgConnection, String> {
    connection::connect(&cluster.url_of(database))
        .await
        .map_err(|e| format!("the database does not answer: {e}"))
}

async fn run(cluster: &Cluster, statement: &str) -> Result<(), String> {
    let mut conn = connect(cluster, "postgres").await?;
    conn.batch_execute(statement)
        .await
        .map_err(|e| e.to_string())
}

async fn comment(cluster: &Cluster) -> Result<Option<String>, String> {
    let comment = sql::<Nullable<Text>>(
        "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = 'outshop'",
    );
    comment
        .get_result(&mut connect(cluster, "postgres").await?)
        .await
        .map_err(|e| e.to_string())
}

async fn has_records(cluster: &Cluster) -> Result<bool, String> {
    let firm = sql::<Nullable<Text>>("SELECT to_regclass('public.firm')::text");
    let firm: Result<Option<String>, _> = firm
        .get_result(&mut connect(cluster, "outshop").await?)
        .await;
    firm.map(|name| name.is_some()).map_err(|e| e.to_string())
}
