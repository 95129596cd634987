//! Connections, transactions with their journal entry, and repeats of a request.

use crate::{
    ground::{
        actor::Actor,
        answers::{Reply, created, shown},
        body::Body,
        clock, connection,
        entries::{TYPES, is_of_all_engines},
        problem::{self, Problem},
        traces::span,
    },
    schema::{idempotency_keys, journal},
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::{
    prelude::*,
    query_dsl::methods::LimitDsl,
    sql_types::{BigInt, Text},
};
use diesel_async::{
    AnsiTransactionManager, AsyncMigrationHarness, AsyncPgConnection, SimpleAsyncConnection,
    TransactionManager,
    methods::{ExecuteDsl, LoadQuery},
    pooled_connection::{
        AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod,
        deadpool::{Object, Pool},
    },
};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};
use futures_util::TryStreamExt;
use jiff::Timestamp;
use outshop_core::days::Day;
use serde::Serialize;
use serde_json::Value;
use std::{
    pin::pin,
    sync::{Arc, LazyLock},
    time::{Duration, Instant},
};
use tokio::{
    runtime::{Builder, Runtime},
    sync::{OwnedSemaphorePermit, Semaphore, watch},
    time::timeout,
};
use tracing::Instrument;

pub const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../migrations");

/// What one process does at a time, each under the advisory lock of its key. Two that shared a key would wait for each other.
#[derive(Debug, Clone, Copy)]
#[repr(i64)]
pub enum Alone {
    Migrating = 0x6f75_7473_686f_7001,
    /// Entries of the journal.
    Numbering,
    /// Turning the day at the firm's midnight.
    Turning,
    /// Fits, back-tests and what else takes a processor for long.
    Learning,
    /// What changed on show.
    Telling,
}

impl Alone {
    pub const fn key(self) -> i64 {
        self as i64
    }
}

const TRIES: usize = 3;
/// How long a request waits for a connection; it may need one for its key and one for its work.
const PATIENCE: Duration = Duration::from_secs(1);
/// How long a request for a whole list waits for those before it.
const STREAM_PATIENCE: Duration = Duration::from_secs(5);
/// How long a transaction waits for a lock.
const LOCK_GIVEN: Duration = Duration::from_secs(2);
/// How long a writer waits for who follows the commits.
const FOLLOWER_GIVEN: Duration = Duration::from_millis(500);

/// What moves the bytes of connections runs here, and not where one happens to be needed first: connections are shared, and a worker
/// that has ended would take along those that others still use; and what computes for long elsewhere would hold them up.
static DRIVERS: LazyLock<Runtime> = LazyLock::new(|| {
    let one = Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build();
    one.expect("a thread for the database")
});

#[derive(Clone)]
pub struct Db {
    pool: Pool<AsyncPgConnection>,
    commits: Commits,
    /// For whole lists, each of which keeps a connection for as long as its client takes to read it.
    streams: Arc<Semaphore>,
}

/// The commits of this process, told to who keeps something true by them, for whom writers wait: so they read what they
/// wrote.
#[derive(Clone)]
pub struct Commits {
    made: watch::Sender<u64>,
    /// None while nobody follows.
    followed: watch::Sender<Option<u64>>,
}

impl Commits {
    pub fn made(&self) -> watch::Receiver<u64> {
        self.made.subscribe()
    }

    /// Says that all up to this commit is known to the follower; none that there is no follower just now.
    pub fn followed_to(&self, commit: Option<u64>) {
        self.followed.send_replace(commit);
    }

    /// Whether somebody follows, so that what was written is read.
    pub fn are_followed(&self) -> bool {
        self.followed.borrow().is_some()
    }

    async fn made_another(&self) {
        let mut own = 0;
        self.made.send_modify(|made| {
            *made += 1;
            own = *made;
        });
        let mut followed = self.followed.subscribe();
        let known = followed.wait_for(|to| to.is_none_or(|to| to >= own));
        // It is committed, whether the follower is quick or not.
        let _ = timeout(FOLLOWER_GIVEN, known).await;
    }
}

impl Db {
    /// Connects lazily: a database that is away is told by the requests that need it.
    pub fn new(url: &str, connections: usize) -> Result<Db, Problem> {
        let mut config = ManagerConfig::default();
        config.recycling_method = RecyclingMethod::Fast;
        config.custom_setup = Box::new(|url| {
            let url = url.to_owned();
            Box::pin(async move {
                let connected = DRIVERS.spawn(async move { connect(&url).await }).await;
                connected.unwrap_or_else(|e| Err(ConnectionError::BadConnection(e.to_string())))
            })
        });
        let pool = Pool::builder(AsyncDieselConnectionManager::new_with_config(url, config))
            .max_size(connections)
            .wait_timeout(Some(PATIENCE))
            .create_timeout(Some(Duration::from_secs(2)))
            .runtime(deadpool::Runtime::Tokio1)
            .build()
            .map_err(Problem::internal)?;
        let commits = Commits {
            made: watch::Sender::new(0),
            followed: watch::Sender::new(None),
        };
        Ok(Db {
            pool,
            commits,
            streams: Arc::new(Semaphore::new((connections / 4).max(1))),
        })
    }

    /// That of the service that a request came to.
    pub(crate) fn of(req: &HttpRequest) -> Result<&Db, Problem> {
        let db = req.app_data::<web::Data<Db>>();
        db.map(|db| &***db)
            .ok_or_else(|| Problem::internal("the service has no database"))
    }

    /// A connection that the pool does not get back: what it holds on to ends with it.
    pub(crate) async fn detached(&self) -> Result<AsyncPgConnection, Problem> {
        Ok(Object::take(
            self.pool.get().await.map_err(Problem::unavailable)?,
        ))
    }

    /// A place among the few that may read a whole list at once: clients that read slowly leave connections for all else.
    pub(crate) async fn place_to_stream(&self) -> Result<OwnedSemaphorePermit, Problem> {
        let place = timeout(STREAM_PATIENCE, Arc::clone(&self.streams).acquire_owned()).await;
        let Ok(place) = place else {
            let detail = "other whole lists are being read; try again, or read it page by page";
            let busy = Problem::new(problem::SERVICE_UNAVAILABLE, detail);
            return Err(busy.with_header("retry-after", "10"));
        };
        place.map_err(Problem::internal)
    }

    /// Connections that are used and idle, and requests that wait for one.
    pub fn connections(&self) -> [(&'static str, i64); 3] {
        let status = self.pool.status();
        let known = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        let used = status.size.saturating_sub(status.available);
        [
            ("used", known(used)),
            ("idle", known(status.available)),
            ("waiting", known(status.waiting)),
        ]
    }

    pub fn commits(&self) -> &Commits {
        &self.commits
    }

    /// A connection to read with.
    pub async fn read(&self) -> Result<Object<AsyncPgConnection>, Problem> {
        self.pool.get().await.map_err(Problem::unavailable)
    }

    /// Runs `act` in one transaction, again when PostgreSQL gave it up for a rival (at most 3 times). Commits only if
    /// `act` recorded something in the journal or said that nothing changed.
    pub async fn write<T>(
        &self,
        actor: &Actor,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let mut tries = 1;
        loop {
            let once = self
                .write_once(actor, &act)
                .instrument(span!("transaction"));
            match once.await {
                Err(problem) if problem.worth_another_try && tries < TRIES => tries += 1,
                done => return done,
            }
        }
    }

    async fn write_once<T>(
        &self,
        actor: &Actor,
        act: &impl AsyncFn(&mut Tx<'_>) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let asked = Instant::now();
        let mut conn = self.read().await?;
        AnsiTransactionManager::begin_transaction(&mut *conn).await?;
        if let Some(left) = left_for_locks(actor.waited + asked.elapsed()) {
            let limit = format!("SET LOCAL lock_timeout = {}", left.as_millis());
            conn.batch_execute(&limit).await?;
        }
        let mut tx = Tx {
            conn: &mut conn,
            actor,
            journalled: false,
            told: false,
        };
        let done = match act(&mut tx).await {
            Ok(_) if !tx.journalled => {
                Err(Problem::internal("a write ended without a journal entry"))
            }
            done => done,
        };
        match done {
            Ok(value) => {
                let told = tx.told;
                AnsiTransactionManager::commit_transaction(&mut *conn).await?;
                // For who waits for a connection while this one waits for the follower.
                drop(conn);
                if told {
                    self.commits.made_another().await;
                }
                Ok(value)
            }
            Err(problem) => {
                AnsiTransactionManager::rollback_transaction(&mut *conn).await?;
                if problem.takes_no_writes {
                    // The next connection finds the server that writes, where the address names several.
                    drop(Object::take(conn));
                }
                Err(problem)
            }
        }
    }

    /// Does `act` and answers 200 with `ETag` and what it gives.
    pub async fn change<T: Serialize>(
        &self,
        actor: &Actor,
        req: &HttpRequest,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<T, Problem>,
    ) -> Reply {
        shown(req, &self.write(actor, act).await?)
    }

    /// Does `act` once for an Idempotency-Key and answers 201 with `Location`, `ETag` and body; a repeat of the same
    /// request gets the stored answer.
    pub async fn create<B, T: Serialize, const KEYED: bool>(
        &self,
        actor: &Actor,
        body: &Body<B, KEYED>,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<(String, T), Problem>,
    ) -> Result<HttpResponse, Problem> {
        self.create_storing(actor, body, act, true).await
    }

    /// As `create`, for an answer that shows a secret: the body is not kept, and a repeat gets 409.
    pub async fn create_secret<B, T: Serialize, const KEYED: bool>(
        &self,
        actor: &Actor,
        body: &Body<B, KEYED>,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<(String, T), Problem>,
    ) -> Result<HttpResponse, Problem> {
        self.create_storing(actor, body, act, false).await
    }

    async fn create_storing<B, T: Serialize, const KEYED: bool>(
        &self,
        actor: &Actor,
        body: &Body<B, KEYED>,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<(String, T), Problem>,
        keep_answer: bool,
    ) -> Result<HttpResponse, Problem> {
        let done = self
            .write(actor, async |tx| {
                let Some(key) = &body.idempotency_key else {
                    let (location, made) = act(tx).await?;
                    return Ok((
                        location,
                        serde_json::to_string(&made).map_err(Problem::internal)?,
                    ));
                };
                if let Some(answered) = find_answer(tx, key, body).await? {
                    tx.unchanged();
                    return Ok(answered);
                }
                let (location, made) = act(tx).await?;
                let answer = serde_json::to_string(&made).map_err(Problem::internal)?;
                let stored = StoredAnswer {
                    key_id: actor.key_id,
                    idempotency_key: key,
                    target: &body.target,
                    body_sha256: &body.sha256,
                    location: &location,
                    answer: keep_answer.then_some(&answer),
                    on_day: actor.today,
                };
                diesel::insert_into(idempotency_keys::table)
                    .values(&stored)
                    .execute(tx.conn())
                    .await?;
                Ok((location, answer))
            })
            .await?;
        let (location, answer) = done;
        Ok(created(&location, answer))
    }
}

/// How long a transaction waits for a lock when its request has waited for connections already, as both together are not to be longer
/// than the one alone; none when it has hardly waited and the usual limit holds.
fn left_for_locks(waited: Duration) -> Option<Duration> {
    let least = Duration::from_millis(100);
    (waited > least).then(|| LOCK_GIVEN.saturating_sub(waited).max(least))
}

async fn connect(url: &str) -> ConnectionResult<AsyncPgConnection> {
    let mut conn = connection::connect(url).await?;
    let limits = format!(
        "SET lock_timeout = {}; SET statement_timeout = '10s'; \
         SET idle_in_transaction_session_timeout = '15s'; SET lc_messages = 'C'",
        LOCK_GIVEN.as_millis()
    );
    conn.batch_execute(&limits)
        .await
        .map_err(ConnectionError::CouldntSetupConfiguration)?;
    Ok(conn)
}

#[derive(Insertable)]
#[diesel(table_name = idempotency_keys)]
struct StoredAnswer<'a> {
    key_id: i64,
    idempotency_key: &'a str,
    target: &'a str,
    body_sha256: &'a [u8],
    location: &'a str,
    answer: Option<&'a String>,
    on_day: Day,
}

/// The answer given to the same request before, or a refusal: still running, or another request under this key.
async fn find_answer<B, const KEYED: bool>(
    tx: &mut Tx<'_>,
    key: &str,
    body: &Body<B, KEYED>,
) -> Result<Option<(String, String)>, Problem> {
    let key_id = tx.actor.key_id;
    let free = diesel::select(pg_try_advisory_xact_lock(hashtextextended(
        format!("{key_id} {key}"),
        0,
    )))
    .get_result::<bool>(tx.conn())
    .await?;
    if !free {
        return Err(Problem::new(
            problem::IN_PROGRESS,
            "the first request with this Idempotency-Key is still running",
        ));
    }
    let stored: Option<(String, Vec<u8>, String, Option<String>)> = idempotency_keys::table
        .find((key_id, key))
        .select((
            idempotency_keys::target,
            idempotency_keys::body_sha256,
            idempotency_keys::location,
            idempotency_keys::answer,
        ))
        .first(tx.conn())
        .await
        .optional()?;
    match stored {
        None => Ok(None),
        Some((target, sha256, ..)) if target != body.target || sha256 != body.sha256 => {
            Err(Problem::new(
                problem::IDEMPOTENCY_KEY_REUSED,
                "this Idempotency-Key was used for another request or body",
            ))
        }
        Some((_, _, _, None)) => Err(Problem::conflict(
            "this was done before; a secret is shown once only",
        )),
        Some((_, _, location, Some(answer))) => Ok(Some((location, answer))),
    }
}

/// Forgets the answers to requests of more than a week ago, which nobody repeats any more.
pub async fn forget_repeats(db: &Db, now: Timestamp) -> Result<(), Problem> {
    let mut conn = db.read().await?;
    let today = clock::today(&mut conn, now).await?;
    let old = idempotency_keys::table.filter(idempotency_keys::on_day.lt(today.plus_days(-7)));
    diesel::delete(old).execute(&mut conn).await?;
    Ok(())
}

diesel::define_sql_function! { fn pg_try_advisory_xact_lock(key: BigInt) -> Bool; }
diesel::define_sql_function! { fn pg_try_advisory_lock(key: BigInt) -> Bool; }
diesel::define_sql_function! { fn pg_advisory_xact_lock(key: BigInt) -> Text; }
diesel::define_sql_function! { fn pg_advisory_unlock(key: BigInt) -> Bool; }
diesel::define_sql_function! { fn current_setting(name: Text) -> Text; }
diesel::define_sql_function! { fn hashtextextended(text: Text, seed: BigInt) -> BigInt; }

/// A running transaction of one actor.
pub struct Tx<'a> {
    conn: &'a mut AsyncPgConnection,
    pub actor: &'a Actor,
    journalled: bool,
    /// Whether there is an entry that the follower looks at.
    told: bool,
}

impl Tx<'_> {
    pub fn conn(&mut self) -> &mut AsyncPgConnection {
        self.conn
    }

    /// Writes the journal entry of what this transaction does. `data` holds ids and figures, never names or addresses
    /// of persons.
    pub async fn record(
        &mut self,
        what: &str,
        stock_no: Option<i32>,
        data: Value,
    ) -> Result<(), Problem> {
        self.record_each(what, vec![(stock_no, data)]).await
    }

    /// Writes an entry for each of several engines; five parameters an entry, of which a statement takes 65,535.
    pub async fn record_each(
        &mut self,
        what: &str,
        entries: Vec<(Option<i32>, Value)>,
    ) -> Result<(), Problem> {
        if !TYPES.contains(&what) {
            return Err(Problem::internal(format!(
                "`{what}` is no type of the journal"
            )));
        }
        self.told |= entries
            .iter()
            .any(|(stock_no, _)| stock_no.is_some() || is_of_all_engines(what));
        let rows: Vec<_> = entries
            .into_iter()
            .map(|(stock_no, data)| {
                (
                    journal::type_.eq(what),
                    journal::stock_no.eq(stock_no),
                    journal::key_id.eq(self.actor.key_id),
                    journal::on_day.eq(self.actor.today),
                    journal::data.eq(data),
                )
            })
            .collect();
        self.journalled |= !rows.is_empty();
        diesel::insert_into(journal::table)
            .values(rows)
            .execute(self.conn)
            .await?;
        Ok(())
    }

    /// Says that this transaction changes nothing, so that it needs no entry.
    pub fn unchanged(&mut self) {
        self.journalled = true;
    }
}

/// What happened without anybody acting.
pub struct Untouched {
    pub what: &'static str,
    /// The engine that it is about, if it is about one.
    pub stock_no: Option<i32>,
    pub data: Value,
}

/// Writes the entries of a day for what nobody did; the caller holds the transaction.
pub async fn record_untouched(
    conn: &mut AsyncPgConnection,
    on: Day,
    entries: Vec<Untouched>,
) -> QueryResult<()> {
    let rows: Vec<_> = entries
        .into_iter()
        .map(|entry| {
            (
                journal::type_.eq(entry.what),
                journal::stock_no.eq(entry.stock_no),
                journal::on_day.eq(on),
                journal::data.eq(entry.data),
            )
        })
        .collect();
    // Four parameters a row; PostgreSQL takes 65,535 in a statement.
    for stretch in rows.chunks(10_000) {
        diesel::insert_into(journal::table)
            .values(stretch)
            .execute(conn)
            .await?;
    }
    Ok(())
}

/// Brings the database to this binary's schema, one process at a time. Refuses a database that a newer binary has
/// migrated. Needs a multi-threaded runtime.
pub async fn migrate(url: &str) -> Result<usize, String> {
    connection::must_keep_its_session(url).await?;
    let mut conn = connection::connect(url)
        .await
        .map_err(|e| format!("the database does not answer: {e}"))?;
    diesel::sql_query("SELECT pg_advisory_lock($1)")
        .bind::<BigInt, _>(Alone::Migrating.key())
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

/// Refuses a database or a backup whose migrations this binary cannot go on from. `applied` are their versions.
pub(crate) fn must_fit(what: &str, applied: &[String]) -> Result<(), String> {
    let known: Vec<String> =
        diesel::migration::MigrationSource::<diesel::pg::Pg>::migrations(&MIGRATIONS)
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
            "{what} was made by a version from before the first release, with other tables; this version cannot read it: start \
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

/// Refuses a PostgreSQL that may lose what it has acknowledged.
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
                "PostgreSQL runs with {name} off and may lose what it has acknowledged; set it on, or set \
                 OUTSHOP_MAY_LOSE_WRITES=true where that does not matter"
            ));
        }
    }
    Ok(())
}

/// Sends a query; for [`diesel_async::RunQueryDsl`], whose futures carry the whole type of the query: with them the
/// compiler proved the wide tables' types again in each function, and checking this crate took twice as long.
pub(crate) trait RunQueryDsl: Sized {
    /// All rows.
    async fn load<'q, T>(self, conn: &mut AsyncPgConnection) -> QueryResult<Vec<T>>
    where
        T: Send,
        Self: LoadQuery<'q, AsyncPgConnection, T> + 'q,
    {
        self.internal_load(conn).await?.try_collect().await
    }

    /// The first row of those that there are; `NotFound` without one.
    async fn get_result<'q, T>(self, conn: &mut AsyncPgConnection) -> QueryResult<T>
    where
        T: Send,
        Self: LoadQuery<'q, AsyncPgConnection, T> + 'q,
    {
        let mut rows = pin!(self.internal_load(conn).await?);
        rows.try_next().await?.ok_or(diesel::NotFound)
    }

    /// The first row, the others not asked for; `NotFound` without one.
    async fn first<'q, T>(self, conn: &mut AsyncPgConnection) -> QueryResult<T>
    where
        T: Send,
        Self: LimitDsl<Output: LoadQuery<'q, AsyncPgConnection, T> + Send + 'q>,
    {
        self.limit(1).get_result(conn).await
    }

    /// The number of rows touched.
    async fn execute<'q>(self, conn: &mut AsyncPgConnection) -> QueryResult<usize>
    where
        Self: ExecuteDsl<AsyncPgConnection> + 'q,
    {
        ExecuteDsl::execute(self, conn).await
    }
}

impl<Q> RunQueryDsl for Q {}

/// A kind of row that is read by its id. [`by_id!`] makes one.
pub(crate) trait ById: Sized {
    fn missing(id: i64) -> Problem;

    /// The row, or 404.
    async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Self, Problem>;

    /// As `find`, held until the end of the transaction, so that what was seen of it stays true.
    async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Self, Problem>;
}

/// Says of which table a row is read by its id, and what is said where there is none:
/// `by_id!(Payment, payments, "there is no payment {id}");`
macro_rules! by_id {
    ($row:ty, $table:ident, $missing:literal $(,)?) => {
        impl $crate::ground::db::ById for $row {
            fn missing(id: i64) -> $crate::ground::problem::Problem {
                $crate::ground::problem::Problem::not_found(format!($missing, id = id))
            }

            async fn find(
                conn: &mut diesel_async::AsyncPgConnection,
                id: i64,
            ) -> Result<Self, $crate::ground::problem::Problem> {
                let row = $table::table.find(id).select(Self::as_select());
                let found = row.first(conn).await.optional()?;
                found.ok_or_else(|| Self::missing(id))
            }

            async fn lock(
                conn: &mut diesel_async::AsyncPgConnection,
                id: i64,
            ) -> Result<Self, $crate::ground::problem::Problem> {
                let row = $table::table.find(id).select(Self::as_select());
                let found = row.for_update().first(conn).await.optional()?;
                found.ok_or_else(|| Self::missing(id))
            }
        }
    };
}
pub(crate) use by_id;
