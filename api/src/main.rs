//! The binary `outshop`: its sub-commands, without anything that a test would call.

use actix_web::{HttpServer, dev::Server};
use clap::Parser;
use outshop_api::{
    Shared, app,
    demo::{self, Shop},
    desk::{backups, erasures},
    document,
    engines::photographs::{self, Store},
    enquiring::reservations::queue,
    firm::keys::{self, Key, NewKey},
    ground::{
        actor::Actor,
        clock::{self, Clock},
        connection,
        db::{self, Db},
        text::Line,
        traces,
    },
    notifying::{
        midnight,
        webhooks::{
            cipher::Cipher,
            guard::{AllowedTargets, SystemNames},
            sender::{self, Caller},
        },
    },
    pricing::{back_tests, comparables, price_models},
    service::{
        cluster::{self, Cluster, Durability},
        config::{
            Cli, Command, Database, Days, DaysAct, Demo, Import, Kept, KeysAct, Serve, WebhookPorts,
        },
        limits::{self, Limits},
        metrics, migrations,
    },
    shop::{
        prints,
        public::{ShopWindow, changes::keep_telling},
    },
};
use outshop_core::trade::Role;
use socket2::SockRef;
use std::{
    convert::Infallible,
    io::Write,
    net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener},
    pin::pin,
    process::ExitCode,
    sync::Arc,
    time::Duration,
};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tracing_subscriber::{Layer, layer::SubscriberExt, util::SubscriberInitExt};

/// The shop window consists of many small pieces from several threads; this allocator fragments little with them.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const DEMO_WORKERS: usize = 2;
const DEMO_CONNECTIONS: usize = 16;
/// In addition to those for requests.
const CALL_CONNECTIONS: usize = 2;
/// How long sent data may stay unread by the client.
const UNREAD_TIMEOUT: Duration = Duration::from_secs(60);
/// How long the head of a request may take.
const HEAD_TIMEOUT: Duration = Duration::from_secs(10);

#[tokio::main]
async fn main() -> ExitCode {
    connection::install_cryptography();
    let cli = Cli::parse();
    // Log lines would get between the lines that the demonstration prints for its user.
    let usual = match &cli.command {
        Command::Demo(_) => "warn",
        Command::Serve(_)
        | Command::Migrate(_)
        | Command::Backup(_)
        | Command::Restore(_)
        | Command::Keys { .. }
        | Command::Days(_)
        | Command::Openapi { .. }
        | Command::Import { .. } => "info",
    };
    let filter =
        tracing_subscriber::EnvFilter::try_from_env("OUTSHOP_LOG").unwrap_or_else(|_| usual.into());
    let traced = match traces::provider() {
        Ok(traced) => traced,
        Err(sentence) => {
            eprintln!("outshop: {sentence}");
            return ExitCode::FAILURE;
        }
    };
    let log = tracing_subscriber::fmt::layer()
        .json()
        .with_writer(std::io::stderr)
        .with_filter(filter.add_directive("traces=off".parse().expect("a directive")));
    tracing_subscriber::registry()
        .with(log)
        .with(traced.as_ref().map(traces::layer))
        .init();
    let done = match cli.command {
        Command::Serve(settings) => serve(settings).await,
        Command::Demo(settings) => demonstrate(&settings).await,
        Command::Migrate(settings) => migrate(&settings).await,
        Command::Keys { act } => keys_act(act).await,
        Command::Backup(what) => back_up(&what).await,
        Command::Restore(what) => restore(&what).await,
        Command::Days(what) => days(&what).await,
        Command::Openapi { file } => write_document(&file),
        Command::Import { what } => import(what).await,
    };
    if let Some(traced) = traced
        && let Err(error) = traced.shutdown()
    {
        eprintln!("outshop: the last traces could not be sent: {error}");
    }
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(sentence) => {
            eprintln!("outshop: {sentence}");
            ExitCode::FAILURE
        }
    }
}

/// The database to work on: the one named, or the private one, which runs as long as this value lives.
struct Reached {
    url: String,
    _cluster: Option<Cluster>,
}

fn reach(settings: &Database) -> Result<Reached, String> {
    if let Some(url) = &settings.database_url {
        return Ok(Reached {
            url: url.clone(),
            _cluster: None,
        });
    }
    let folder = settings
        .data
        .clone()
        .map_or_else(cluster::default_folder, Ok)?;
    let cluster = Cluster::start(&folder, settings.pg_bin.as_deref(), Durability::Full)?;
    Ok(Reached {
        url: cluster.url(),
        _cluster: Some(cluster),
    })
}

/// Like `reach`, but also finds the private database while a service runs it.
fn reach_beside(settings: &Database) -> Result<Reached, String> {
    reach(settings).or_else(|failed| {
        let folder = settings.data.clone();
        let folder = folder.map_or_else(cluster::default_folder, Ok)?;
        let pg_bin = settings.pg_bin.as_deref();
        let cluster = Cluster::beside_a_service(&folder, pg_bin).map_err(|_| failed)?;
        Ok(Reached {
            url: cluster.url(),
            _cluster: Some(cluster),
        })
    })
}

async fn back_up(what: &Kept) -> Result<(), String> {
    let reached = reach_beside(&what.database)?;
    let store = store_of(what.photographs.as_deref(), &what.database)?;
    let pg_bin = what.database.pg_bin.as_deref();
    say(&backups::back_up(&reached.url, pg_bin, &store, &what.folder).await?)
}

async fn restore(what: &Kept) -> Result<(), String> {
    let reached = reach(&what.database)?;
    let store = store_of(what.photographs.as_deref(), &what.database)?;
    let pg_bin = what.database.pg_bin.as_deref();
    say(&backups::restore(&reached.url, pg_bin, &store, &what.folder).await?)
}

async fn migrate(settings: &Database) -> Result<(), String> {
    let reached = reach(settings)?;
    let n = migrations::run(&reached.url).await?;
    say(&format!("{n} migration(s) applied"))
}

async fn days(what: &Days) -> Result<(), String> {
    let reached = reach_beside(&what.database)?;
    migrations::run(&reached.url).await?;
    let db = Db::new(&reached.url, 2).map_err(|e| e.to_string())?;
    let now = Clock::default().now();
    match what.act {
        Some(DaysAct::Turn) => {
            let begun = midnight::turn(&db, now, i32::MAX).await;
            say(&format!(
                "{} day(s) processed",
                begun.map_err(|e| e.to_string())?
            ))
        }
        Some(DaysAct::TakeBack) => {
            let taken = midnight::take_back(&db, now).await;
            let taken = taken.map_err(|e| e.to_string())?;
            say(&format!(
                "{taken} day(s) in the future marked as not processed"
            ))
        }
        None => {
            let mut conn = db.read().await.map_err(|e| e.to_string())?;
            let midnight::Days { today, last } = midnight::days(&mut conn, now)
                .await
                .map_err(|e| e.to_string())?;
            let begun = last.map_or("no day has been processed yet".to_owned(), |last| {
                format!("the last day processed is {last}")
            });
            say(&format!("by this machine's clock it is {today}; {begun}"))
        }
    }
}

/// The cipher for stored secrets; a key must be the one that they were encrypted with.
async fn cipher(settings: &Serve, db: &Db) -> Result<Cipher, String> {
    let key = match (&settings.secret_key, &settings.secret_key_file) {
        (Some(key), _) => Some(key.clone()),
        (None, Some(file)) => {
            let failed = |e| format!("the secret key in {}: {e}", file.display());
            Some(std::fs::read_to_string(file).map_err(failed)?)
        }
        (None, None) => None,
    };
    let cipher = key.map_or_else(|| Ok(Cipher::default()), |key| Cipher::with(&key))?;
    let taken = cipher.take_over(db).await?;
    if taken > 0 {
        tracing::info!(taken, "webhook secrets are stored encrypted from now on");
    }
    Ok(cipher)
}

async fn serve(settings: Serve) -> Result<(), String> {
    let stop = Stop::listen()?;
    let reached = reach(&settings.database)?;
    if !settings.may_lose_writes {
        migrations::must_keep_what_it_acknowledges(&reached.url).await?;
    }
    migrations::run(&reached.url).await?;
    let db =
        Db::new(&reached.url, settings.listen.connections.into()).map_err(|e| e.to_string())?;
    let store = store_of(settings.photographs.as_deref(), &settings.database)?;
    let store = store.decoding_within(settings.picture_memory);
    let cipher = cipher(&settings, &db).await?;
    erase_again(&db, &store).await;
    let (listener, address) = listen(settings.listen.address, settings.listen.port)?;
    let window = ShopWindow::default();
    let (metrics, metrics_address) =
        metrics::serve(settings.metrics_port, db.clone(), age_of(&window))?;
    say(&format!(
        "outshop listens on http://{address}, metrics on http://{metrics_address}/metrics"
    ))?;
    let shared = Shared {
        db,
        clock: Clock::default(),
        store,
        window,
        reach: match settings.webhook_ports {
            WebhookPorts::Standard => AllowedTargets::Public,
            WebhookPorts::Any => AllowedTargets::PublicAtAnyPort,
        },
        limits: Limits::per_minute(settings.visitor_limit, settings.key_limit, settings.proxies),
        cipher,
    };
    let replica = settings.replica_url.as_deref();
    let replica = replica.map(|url| Db::new(url, 2)).transpose();
    let replica = replica.map_err(|e| e.to_string())?;
    let workers = settings.listen.workers.into();
    let calls = Db::new(&reached.url, CALL_CONNECTIONS).map_err(|e| e.to_string())?;
    let serving = Serving {
        listener,
        metrics,
        shared,
        calls,
        replica,
        workers,
        shop: None,
    };
    run_server(serving, stop).await
}

/// Repeats erasures, as a database may have been restored without `outshop restore`.
async fn erase_again(db: &Db, store: &Store) {
    let again = async {
        let mut conn = db.read().await?;
        erasures::replay(&mut conn, store, Clock::default().now()).await
    };
    match again.await {
        Ok(erased) if erased.is_empty() => {}
        Ok(erased) => tracing::warn!(
            ?erased,
            "erased persons came back with a restore and have been erased again"
        ),
        Err(problem) => {
            tracing::error!(%problem, "erased persons that a restore brought back could not be looked up")
        }
    }
}

/// The store of photographs: where the settings say, else beside the private PostgreSQL.
fn store_of(place: Option<&str>, database: &Database) -> Result<Store, String> {
    if let Some(place) = place {
        return Store::at(place);
    }
    let data = database.data.clone();
    let data = data.map_or_else(cluster::default_folder, Ok)?;
    Store::at(&data.join("photographs").to_string_lossy())
}

async fn demonstrate(settings: &Demo) -> Result<(), String> {
    let mut stop = Stop::listen()?;
    let cluster = Cluster::start(&settings.data, settings.pg_bin.as_deref(), Durability::Full)?;
    let store = Store::at(&settings.data.join("photographs").to_string_lossy())?;
    // Bound first: a port in use is reported before the loading, and early clients wait.
    let (listener, address) = listen(Ipv4Addr::LOCALHOST.into(), settings.port)?;
    let keys = tokio::select! {
        opened = demo::open(&cluster, &settings.data, store.clone()) => opened?,
        () = stop.requested() => return Err("stopped while loading; the next start loads it again".into()),
    };
    let db = Db::new(&cluster.url(), DEMO_CONNECTIONS).map_err(|e| e.to_string())?;
    let window = ShopWindow::default();
    let (metrics, _) = metrics::serve(0, db.clone(), age_of(&window))?;
    say(&demo::welcome(address, &keys, &settings.data)?)?;
    let shop = Shop::new(
        format!("http://{address}"),
        keys.of(Role::Website)?.to_owned(),
    );
    let shared = Shared {
        db,
        clock: Clock::default(),
        store,
        window,
        reach: AllowedTargets::Loopback,
        limits: Limits::default(),
        cipher: Cipher::default(),
    };
    let serving = Serving {
        listener,
        metrics,
        shared,
        calls: Db::new(&cluster.url(), CALL_CONNECTIONS).map_err(|e| e.to_string())?,
        replica: None,
        workers: DEMO_WORKERS,
        shop: Some(shop),
    };
    run_server(serving, stop).await
}

fn age_of(window: &ShopWindow) -> impl Fn() -> Option<Duration> + use<> {
    let window = window.clone();
    move || window.age()
}

fn listen(address: IpAddr, port: u16) -> Result<(TcpListener, SocketAddr), String> {
    let failed = |e| format!("cannot listen on {address}:{port}: {e}");
    let listener = TcpListener::bind((address, port)).map_err(failed)?;
    // Accepted connections inherit it: nothing else ends one whose client has stopped reading.
    SockRef::from(&listener)
        .set_tcp_user_timeout(Some(UNREAD_TIMEOUT))
        .map_err(failed)?;
    let taken = listener.local_addr().map_err(failed)?;
    Ok((listener, taken))
}

/// What a process needs to serve requests.
struct Serving {
    listener: TcpListener,
    metrics: Server,
    shared: Shared,
    /// Connections for the webhook sender, so that slow receivers take none from requests.
    calls: Db,
    replica: Option<Db>,
    workers: usize,
    /// The shop page of the demonstration.
    shop: Option<Shop>,
}

/// Serves until SIGINT or SIGTERM, and then finishes the requests that are running.
async fn run_server(serving: Serving, mut stop: Stop) -> Result<(), String> {
    let Serving {
        listener,
        metrics,
        shared,
        calls,
        replica,
        workers,
        shop,
    } = serving;
    let served = shared.clone();
    let Shared {
        db,
        clock,
        store,
        window,
        reach,
        limits,
        cipher,
    } = shared;
    let caller = Caller::new(reach, Arc::new(SystemNames))?.with_cipher(cipher);
    let server = HttpServer::new(move || {
        app(served.clone()).configure(|cfg| shop.iter().for_each(|shop| shop.routes(cfg)))
    })
    .workers(workers)
    .client_request_timeout(HEAD_TIMEOUT)
    .shutdown_timeout(10)
    .disable_signals()
    .listen(listener)
    .map_err(|e| e.to_string())?
    .run();
    let (handle, metrics_handle) = (server.handle(), metrics.handle());
    tokio::spawn(metrics);
    let mut server = pin!(server);
    let ended = tokio::select! {
        ended = &mut server => ended,
        () = stop.requested() => tokio::join!(handle.stop(true), &mut server).1,
        never = turn_days(&db) => match never {},
        never = keep_learning(&db) => match never {},
        never = window.keep(&db, replica.as_ref(), &clock) => match never {},
        never = keep_swept(&db, &store) => match never {},
        never = caller.keep_calling(&calls, &clock) => match never {},
        never = keep_telling(&db, &clock, &window) => match never {},
        never = keep_forgetting(&db, &limits) => match never {},
    };
    metrics_handle.stop(false).await;
    ended.map_err(|e| e.to_string())
}

/// Processes each day of the firm as it comes, ends reservations that have expired, and deletes sheets that nobody
/// opened. Tries again until the database answers. Reservations wait for the day to be processed: a clock that is far
/// ahead would end them all.
async fn turn_days(db: &Db) -> Infallible {
    loop {
        let now = Clock::default().now();
        match midnight::turn(db, now, midnight::AT_ONCE).await {
            Err(problem) => {
                tracing::warn!(%problem, "the day could not be processed; trying again")
            }
            Ok(_) => {
                if let Err(problem) = queue::lapse_due(db, now).await {
                    tracing::warn!(%problem, "expired reservations could not be ended; trying again");
                }
                if let Err(problem) = prints::forget_unopened(db, now).await {
                    tracing::warn!(%problem, "sheets that nobody opened could not be deleted; trying again");
                }
            }
        }
        tokio::time::sleep(midnight::POLL_INTERVAL).await;
    }
}

/// Fits price models as sales come, and runs back-tests. Work that is interrupted starts again at the next start.
async fn keep_learning(db: &Db) -> Infallible {
    let mut seen = None;
    loop {
        if let Err(problem) = price_models::keep_up(db, Clock::default().now(), &mut seen).await {
            tracing::warn!(%problem, "price models could not be fitted; trying again");
        }
        if let Err(problem) = back_tests::work_off(db).await {
            tracing::warn!(%problem, "a back-test could not be run; trying again");
        }
        tokio::time::sleep(price_models::POLL_INTERVAL).await;
    }
}

/// Deletes what is only kept for a time.
async fn keep_forgetting(db: &Db, limits: &Limits) -> Infallible {
    loop {
        limits.forget();
        let now = Clock::default().now();
        let forgotten = async {
            db::forget_repeats(db, now).await?;
            sender::forget_received(db, now).await
        };
        if let Err(problem) = forgotten.await {
            tracing::warn!(%problem, "old answers and webhook calls could not be deleted; trying again");
        }
        tokio::time::sleep(limits::FORGET_INTERVAL).await;
    }
}

/// Deletes the files that interrupted uploads left.
async fn keep_swept(db: &Db, store: &Store) -> Infallible {
    loop {
        if let Err(problem) = photographs::sweep(db, store, Clock::default().now()).await {
            tracing::warn!(%problem, "unused files of photographs could not be deleted; trying again");
        }
        tokio::time::sleep(photographs::SWEEP_INTERVAL).await;
    }
}

/// SIGINT and SIGTERM, caught from the start: one that comes while a database or the server starts takes effect when
/// that is done.
struct Stop {
    interrupted: Signal,
    terminated: Signal,
}

impl Stop {
    fn listen() -> Result<Stop, String> {
        let to = |kind| signal(kind).map_err(|e| format!("cannot listen for signals: {e}"));
        Ok(Stop {
            interrupted: to(SignalKind::interrupt())?,
            terminated: to(SignalKind::terminate())?,
        })
    }

    async fn requested(&mut self) {
        tokio::select! {
            _ = self.interrupted.recv() => {}
            _ = self.terminated.recv() => {}
        }
    }
}

async fn keys_act(act: KeysAct) -> Result<(), String> {
    let (KeysAct::Add { database, .. }
    | KeysAct::List { database }
    | KeysAct::Revoke { database, .. }) = &act;
    let reached = reach_beside(database)?;
    migrations::run(&reached.url).await?;
    let db = Db::new(&reached.url, 2).map_err(|e| e.to_string())?;
    let mut conn = db.read().await.map_err(|e| e.to_string())?;
    match act {
        KeysAct::Add {
            role,
            name,
            person,
            expires_on,
            ..
        } => {
            let now = Clock::default().now();
            let today = clock::today(&mut conn, now)
                .await
                .map_err(|e| e.to_string())?;
            let new = NewKey {
                name: line(&name)?,
                role,
                person: line(&person)?,
                expires_on,
            };
            let secret = keys::add(&db, &new, today)
                .await
                .map_err(|e| e.to_string())?;
            say(&secret)
        }
        KeysAct::List { .. } => {
            for key in keys::all(&mut conn).await.map_err(|e| e.to_string())? {
                let status = if key.revoked { "revoked" } else { "live" };
                say(&format!(
                    "{}\t{}\t{}\t{}\t{status}",
                    key.id, key.role, key.name, key.person
                ))?;
            }
            Ok(())
        }
        KeysAct::Revoke { id, .. } => {
            let now = Clock::default().now();
            let today = clock::today(&mut conn, now)
                .await
                .map_err(|e| e.to_string())?;
            let actor = Actor {
                key_id: id,
                person: "at the machine".into(),
                role: Role::Proprietor,
                now,
                today,
                waited: Duration::ZERO,
            };
            db.write(&actor, async |tx| keys::revoke(tx, id).await)
                .await
                .map_err(|e| e.to_string())?;
            say(&format!("key {id} has been revoked"))
        }
    }
}

/// Writes with the first valid key of a proprietor, which the journal then names.
async fn import(what: Import) -> Result<(), String> {
    let Import::Comparables {
        database,
        file,
        trial,
        again,
    } = what;
    let reached = reach_beside(&database)?;
    migrations::run(&reached.url).await?;
    let db = Db::new(&reached.url, 2).map_err(|e| e.to_string())?;
    let actor = {
        let mut conn = db.read().await.map_err(|e| e.to_string())?;
        let now = Clock::default().now();
        let today = clock::today(&mut conn, now)
            .await
            .map_err(|e| e.to_string())?;
        let live = |key: &Key| {
            key.role == Role::Proprietor
                && !key.revoked
                && key.expires_on.is_none_or(|last| last >= today)
        };
        let keys = keys::all(&mut conn).await.map_err(|e| e.to_string())?;
        let key = keys.into_iter().find(live).ok_or(
            "there is no valid key of a proprietor to write with; create one with `outshop keys add`",
        )?;
        Actor {
            key_id: key.id,
            person: key.person.to_string(),
            role: key.role,
            now,
            today,
            waited: Duration::ZERO,
        }
    };
    match comparables::import_file(&db, &actor, &file, trial, again).await {
        Ok(n) if trial => say(&format!("{n} row(s) would be imported; nothing was stored")),
        Ok(n) => say(&format!("{n} row(s) imported")),
        Err(problem) => {
            let details: Vec<&str> = problem.errors().iter().map(|e| e.detail.as_str()).collect();
            Err(match details.as_slice() {
                [] | [_] => problem.to_string(),
                many => format!("{problem}\n{}", many.join("\n")),
            })
        }
    }
}

fn line(text: &str) -> Result<Line, String> {
    text.parse().map_err(|e| format!("`{text}`: {e}"))
}

fn write_document(file: &std::path::Path) -> Result<(), String> {
    let json = serde_json::to_string_pretty(&document()).map_err(|e| e.to_string())? + "\n";
    if file.as_os_str() == "-" {
        return say(json.trim_end());
    }
    std::fs::write(file, json).map_err(|e| format!("cannot write {}: {e}", file.display()))
}

fn say(line: &str) -> Result<(), String> {
    writeln!(std::io::stdout(), "{line}").map_err(|e| e.to_string())
}
