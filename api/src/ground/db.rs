//! Connections, transactions with their journal entry, and repeated requests.

use crate::{
    ground::{
        actor::Actor,
        answers::{Reply, created, respond},
        body::{Body, Sent},
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
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
    methods::{ExecuteDsl, LoadQuery},
    pooled_connection::{
        AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod,
        deadpool::{Object, Pool},
    },
};
use futures_util::TryStreamExt;
use jiff::Timestamp;
use outshop_core::days::Day;
use serde::Serialize;
use serde_json::Value;
use std::{
    cell::Cell,
    pin::{Pin, pin},
    sync::{Arc, LazyLock},
    time::{Duration, Instant},
};
use tokio::{
    runtime::{Builder, Runtime},
    sync::{OwnedSemaphorePermit, Semaphore, watch},
    time::timeout,
};
use tracing::Instrument;

/// Work that one process does at a time, each under the advisory lock of its key. Two kinds with one key would block
/// each other.
#[derive(Debug, Clone, Copy)]
#[repr(i64)]
pub enum SingleRunner {
    Migrating = 0x6f75_7473_686f_7001,
    /// Numbering the entries of the journal.
    Numbering,
    /// The daily work at the firm's midnight.
    Turning,
    /// Fitting price models, back-tests and other long computations.
    Learning,
    /// Recording what changed in the public listings.
    Telling,
}

impl SingleRunner {
    pub const fn key(self) -> i64 {
        self as i64
    }
}

const TRIES: usize = 3;
/// How long a request waits for a connection. It may need two: one to look up its key, one for its work.
const POOL_TIMEOUT: Duration = Duration::from_secs(1);
/// How long a request for a whole list waits for those before it.
const STREAM_TIMEOUT: Duration = Duration::from_secs(5);
/// How long a transaction waits for a lock.
const LOCK_TIMEOUT: Duration = Duration::from_secs(2);
/// How long a writer waits for the follower of the commits.
const FOLLOWER_TIMEOUT: Duration = Duration::from_millis(500);

/// Connection I/O runs on this runtime: on the worker that opened a shared connection it would end with that worker,
/// and a long computation there would delay it.
static CONNECTION_RUNTIME: LazyLock<Runtime> = LazyLock::new(|| {
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
    /// Limits the whole lists being sent: each keeps a connection for as long as its client takes to read.
    streams: Arc<Semaphore>,
}

/// Announces each commit to a follower (the shop window). Writers wait for it, so that clients read their own writes.
#[derive(Clone)]
pub struct Commits {
    committed: watch::Sender<u64>,
    /// The last commit that the follower has seen. `None`: nobody follows.
    followed: watch::Sender<Option<u64>>,
}

impl Commits {
    pub fn committed(&self) -> watch::Receiver<u64> {
        self.committed.subscribe()
    }

    /// The follower has caught up to `commit`. `None`: nobody follows.
    pub fn caught_up_to(&self, commit: Option<u64>) {
        self.followed.send_replace(commit);
    }

    /// Whether somebody follows, so that clients read their own writes.
    pub fn are_followed(&self) -> bool {
        self.followed.borrow().is_some()
    }

    async fn made_another(&self) {
        let mut own = 0;
        self.committed.send_modify(|made| {
            *made += 1;
            own = *made;
        });
        let mut followed = self.followed.subscribe();
        let known = followed.wait_for(|to| to.is_none_or(|to| to >= own));
        // It is committed, even if the follower is slow.
        let _ = timeout(FOLLOWER_TIMEOUT, known).await;
    }
}

impl Db {
    /// Connects lazily: if the database is down, the requests that need it fail.
    pub fn new(url: &str, connections: usize) -> Result<Db, Problem> {
        let mut config = ManagerConfig::default();
        config.recycling_method = RecyclingMethod::Fast;
        config.custom_setup = Box::new(|url| {
            let url = url.to_owned();
            Box::pin(async move {
                let connected = CONNECTION_RUNTIME
                    .spawn(async move { connect(&url).await })
                    .await;
                connected.unwrap_or_else(|e| Err(ConnectionError::BadConnection(e.to_string())))
            })
        });
        let pool = Pool::builder(AsyncDieselConnectionManager::new_with_config(url, config))
            .max_size(connections)
            .wait_timeout(Some(POOL_TIMEOUT))
            .create_timeout(Some(Duration::from_secs(2)))
            .runtime(deadpool::Runtime::Tokio1)
            .build()
            .map_err(Problem::internal)?;
        let commits = Commits {
            committed: watch::Sender::new(0),
            followed: watch::Sender::new(None),
        };
        Ok(Db {
            pool,
            commits,
            streams: Arc::new(Semaphore::new((connections / 4).max(1))),
        })
    }

    /// The database of the service that handles the request.
    pub(crate) fn of(req: &HttpRequest) -> Result<&Db, Problem> {
        let db = req.app_data::<web::Data<Db>>();
        db.map(|db| &***db)
            .ok_or_else(|| Problem::internal("the service has no database"))
    }

    /// A connection that does not go back to the pool: its locks end with it.
    pub(crate) async fn detached(&self) -> Result<AsyncPgConnection, Problem> {
        Ok(Object::take(
            self.pool.get().await.map_err(Problem::unavailable)?,
        ))
    }

    /// A permit to send a whole list. Only a few are given, so that slow readers leave connections for everybody else.
    pub(crate) async fn place_to_stream(&self) -> Result<OwnedSemaphorePermit, Problem> {
        let place = timeout(STREAM_TIMEOUT, Arc::clone(&self.streams).acquire_owned()).await;
        let Ok(place) = place else {
            let detail = "other whole lists are being sent; try again in 10 seconds, or read this one page by page";
            let busy = Problem::new(problem::SERVICE_UNAVAILABLE, detail);
            return Err(busy.with_header("retry-after", "10"));
        };
        place.map_err(Problem::internal)
    }

    /// Numbers of used and idle connections, and of requests that wait for one.
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

    /// A connection for reading.
    pub async fn read(&self) -> Result<Object<AsyncPgConnection>, Problem> {
        self.pool.get().await.map_err(Problem::unavailable)
    }

    /// Runs `act` in one transaction, up to 3 times if PostgreSQL aborts it for a rival. Commits only if `act` recorded
    /// a journal entry or called `unchanged`.
    pub async fn write<T>(
        &self,
        actor: &Actor,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let made = Cell::new(None);
        let keep = async |tx: &mut Tx<'_>| {
            made.set(Some(act(tx).await?));
            Ok(())
        };
        self.write_any(actor, &keep).await?;
        made.take()
            .ok_or_else(|| Problem::internal("a write ended without a value"))
    }

    async fn write_any(&self, actor: &Actor, act: &dyn Act<()>) -> Result<(), Problem> {
        let mut tries = 1;
        loop {
            let once = self.write_once(actor, act).instrument(span!("transaction"));
            match once.await {
                Err(problem) if problem.worth_another_try && tries < TRIES => tries += 1,
                done => return done,
            }
        }
    }

    async fn write_once(&self, actor: &Actor, act: &dyn Act<()>) -> Result<(), Problem> {
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
            must_notify: false,
        };
        let done = match act.run(&mut tx).await {
            Ok(_) if !tx.journalled => {
                Err(Problem::internal("a write ended without a journal entry"))
            }
            done => done,
        };
        match done {
            Ok(()) => {
                let must_notify = tx.must_notify;
                AnsiTransactionManager::commit_transaction(&mut *conn).await?;
                // Others may need the connection while this request waits for the follower.
                drop(conn);
                if must_notify {
                    self.commits.made_another().await;
                }
                Ok(())
            }
            Err(problem) => {
                AnsiTransactionManager::rollback_transaction(&mut *conn).await?;
                if problem.takes_no_writes {
                    // If the address names several servers, the next connection finds the one that accepts writes.
                    drop(Object::take(conn));
                }
                Err(problem)
            }
        }
    }

    /// Runs `act` and answers 200 with its value and an `ETag`.
    pub async fn change<T: Serialize>(
        &self,
        actor: &Actor,
        req: &HttpRequest,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<T, Problem>,
    ) -> Reply {
        respond(req, &self.write(actor, act).await?)
    }

    /// Runs `act` once for an Idempotency-Key and answers 201 with `Location`, `ETag` and body; a repeat of the same
    /// request gets the stored answer.
    pub async fn create<B, T: Serialize, const KEYED: bool>(
        &self,
        actor: &Actor,
        body: &Body<B, KEYED>,
        act: impl AsyncFn(&mut Tx<'_>) -> Result<(String, T), Problem>,
    ) -> Result<HttpResponse, Problem> {
        self.create_storing(actor, body, act, true).await
    }

    /// Like `create`, for an answer with a secret: the body is not stored, and a repeat gets 409.
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
        let written = async |tx: &mut Tx<'_>| {
            let (location, made) = act(tx).await?;
            Ok((
                location,
                serde_json::to_string(&made).map_err(Problem::internal)?,
            ))
        };
        self.create_any(actor, &body.sent, &written, keep_answer)
            .await
    }

    async fn create_any(
        &self,
        actor: &Actor,
        sent: &Sent,
        act: &dyn Act<(String, String)>,
        keep_answer: bool,
    ) -> Result<HttpResponse, Problem> {
        let done = self
            .write(actor, async |tx| {
                let Some(key) = &sent.idempotency_key else {
                    let (location, answer) = act.run(tx).await?;
                    return Ok((location, answer, false));
                };
                if let Some((location, answer)) = find_reply(tx, key, sent).await? {
                    tx.unchanged();
                    return Ok((location, answer, true));
                }
                let (location, answer) = act.run(tx).await?;
                let stored = StoredReply {
                    key_id: actor.key_id,
                    idempotency_key: key,
                    target: &sent.target,
                    body_sha256: &sent.sha256,
                    location: &location,
                    answer: keep_answer.then_some(&answer),
                    on_day: actor.today,
                };
                diesel::insert_into(idempotency_keys::table)
                    .values(&stored)
                    .execute(tx.conn())
                    .await?;
                Ok((location, answer, false))
            })
            .await?;
        let (location, answer, replayed) = done;
        Ok(created(&location, answer, replayed))
    }
}

/// What happens in a transaction, without its type: the transaction around it is compiled once and not for each
/// operation.
trait Act<T> {
    fn run<'t>(
        &'t self,
        tx: &'t mut Tx<'_>,
    ) -> Pin<Box<dyn Future<Output = Result<T, Problem>> + 't>>;
}

impl<T, F: AsyncFn(&mut Tx<'_>) -> Result<T, Problem>> Act<T> for F {
    fn run<'t>(
        &'t self,
        tx: &'t mut Tx<'_>,
    ) -> Pin<Box<dyn Future<Output = Result<T, Problem>> + 't>> {
        Box::pin(self(tx))
    }
}

/// The lock timeout that is left after `waited` was spent on connections. `None`: keep the default.
fn left_for_locks(waited: Duration) -> Option<Duration> {
    let least = Duration::from_millis(100);
    (waited > least).then(|| LOCK_TIMEOUT.saturating_sub(waited).max(least))
}

async fn connect(url: &str) -> ConnectionResult<AsyncPgConnection> {
    let mut conn = connection::connect(url).await?;
    let limits = format!(
        "SET lock_timeout = {}; SET statement_timeout = '10s'; \
         SET idle_in_transaction_session_timeout = '15s'; SET lc_messages = 'C'",
        LOCK_TIMEOUT.as_millis()
    );
    conn.batch_execute(&limits)
        .await
        .map_err(ConnectionError::CouldntSetupConfiguration)?;
    Ok(conn)
}

#[derive(Insertable)]
#[diesel(table_name = idempotency_keys)]
struct StoredReply<'a> {
    key_id: i64,
    idempotency_key: &'a str,
    target: &'a str,
    body_sha256: &'a [u8],
    location: &'a str,
    answer: Option<&'a String>,
    on_day: Day,
}

/// The stored answer to the same request; refused if that is still running or the key was used for another request.
async fn find_reply(
    tx: &mut Tx<'_>,
    key: &str,
    sent: &Sent,
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
            "the first request with this Idempotency-Key is still running; repeat it in a second",
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
        Some((target, sha256, ..)) if target != sent.target || sha256 != sent.sha256 => {
            Err(Problem::new(
                problem::IDEMPOTENCY_KEY_REUSED,
                "this Idempotency-Key was used for another request or body; use a new one",
            ))
        }
        Some((_, _, _, None)) => Err(Problem::conflict(
            "this request has been carried out already; its secret is shown only once",
        )),
        Some((_, _, location, Some(answer))) => Ok(Some((location, answer))),
    }
}

/// Deletes the answers to requests of more than a week ago.
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
diesel::define_sql_function! { fn hashtextextended(text: Text, seed: BigInt) -> BigInt; }

/// A running transaction of one actor.
pub struct Tx<'a> {
    conn: &'a mut AsyncPgConnection,
    pub actor: &'a Actor,
    journalled: bool,
    /// Whether the follower must see one of the entries.
    must_notify: bool,
}

impl Tx<'_> {
    pub fn conn(&mut self) -> &mut AsyncPgConnection {
        self.conn
    }

    /// Writes the journal entry of this transaction. `data` contains ids and figures, never names or addresses of
    /// persons.
    pub async fn record(
        &mut self,
        what: &str,
        stock_no: Option<i32>,
        data: Value,
    ) -> Result<(), Problem> {
        self.record_each(what, vec![(stock_no, data)]).await
    }

    /// Writes an entry for each of several engines: five parameters each, and a statement takes 65,535.
    pub async fn record_each(
        &mut self,
        what: &str,
        entries: Vec<(Option<i32>, Value)>,
    ) -> Result<(), Problem> {
        if !TYPES.contains(&what) {
            return Err(Problem::internal(format!("`{what}` is not a journal type")));
        }
        self.must_notify |= entries
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

    /// Marks the transaction as changing nothing, so that it needs no journal entry.
    pub fn unchanged(&mut self) {
        self.journalled = true;
    }
}

/// A journal entry for something that nobody did.
pub struct SystemEntry {
    pub what: &'static str,
    /// The engine concerned, if any.
    pub stock_no: Option<i32>,
    pub data: Value,
}

/// Writes the entries of a day for what nobody did, in the caller's transaction.
pub async fn record_for_system(
    conn: &mut AsyncPgConnection,
    on: Day,
    entries: Vec<SystemEntry>,
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

/// Sends a query, in place of [`diesel_async::RunQueryDsl`]: its futures carry the whole type of the query, so that the
/// compiler proved the wide tables' types again in each function and checking this crate took twice as long.
pub(crate) trait RunQueryDsl: Sized {
    /// All rows.
    async fn load<'q, T>(self, conn: &mut AsyncPgConnection) -> QueryResult<Vec<T>>
    where
        T: Send,
        Self: LoadQuery<'q, AsyncPgConnection, T> + 'q,
    {
        self.internal_load(conn).await?.try_collect().await
    }

    /// The first row; `NotFound` if there is none.
    async fn get_result<'q, T>(self, conn: &mut AsyncPgConnection) -> QueryResult<T>
    where
        T: Send,
        Self: LoadQuery<'q, AsyncPgConnection, T> + 'q,
    {
        let mut rows = pin!(self.internal_load(conn).await?);
        rows.try_next().await?.ok_or(diesel::NotFound)
    }

    /// The first row, with LIMIT 1; `NotFound` if there is none.
    async fn first<'q, T>(self, conn: &mut AsyncPgConnection) -> QueryResult<T>
    where
        T: Send,
        Self: LimitDsl<Output: LoadQuery<'q, AsyncPgConnection, T> + Send + 'q>,
    {
        self.limit(1).get_result(conn).await
    }

    /// The number of rows affected.
    async fn execute<'q>(self, conn: &mut AsyncPgConnection) -> QueryResult<usize>
    where
        Self: ExecuteDsl<AsyncPgConnection> + 'q,
    {
        ExecuteDsl::execute(self, conn).await
    }
}

impl<Q> RunQueryDsl for Q {}

/// A row that is read by its id. [`by_id!`] implements it.
pub(crate) trait ById: Sized {
    fn missing(id: i64) -> Problem;

    /// The row, or 404.
    async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Self, Problem>;

    /// Like `find`, and locks the row until the end of the transaction.
    async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Self, Problem>;
}

/// Implements [`ById`] for a row of a table, with the message for a missing one:
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
