//! The shop window: all that visitors may read, kept in memory and updated from the journal. A visitor's request
//! never waits for the database.

use super::{
    PublicFilters,
    on_show::RenderedBody,
    view::{Changed, Snapshot},
};
use crate::ground::{
    answers::{self, Reply, public_until_midnight},
    clock::Clock,
    db::{Db, RunQueryDsl},
    list::Form,
    problem::{self, Problem},
};
use actix_web::{
    HttpRequest, HttpResponse,
    body::BoxBody,
    http::{
        StatusCode,
        header::{self, HeaderValue},
    },
};
use diesel::{
    dsl::sql,
    sql_types::{Bool, Text},
};
use diesel_async::{
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
};
use futures_util::StreamExt;
use jiff::Timestamp;
use std::{convert::Infallible, ops::Deref, pin::pin, sync::Arc, time::Duration};
use tokio::{
    sync::{Notify, watch},
    time::{Instant as Moments, sleep, timeout},
};

/// How often the journal is checked when nothing wakes the window.
const POLL_INTERVAL: Duration = Duration::from_millis(500);
/// How long a visitor's request waits for the window to be built.
const WINDOW_TIMEOUT: Duration = Duration::from_secs(5);
/// How long to wait for a replica that is behind, and for how long it is then not used.
const REPLICA_TIMEOUT: Duration = Duration::from_millis(100);
const REPLICA_RESTS: Duration = Duration::from_secs(1);
/// From this age on a response says how old it is.
const SAYS_ITS_AGE: Duration = Duration::from_secs(2);
/// Beyond this age nothing is shown, as it may be out of date.
const TOO_OLD: Duration = Duration::from_secs(60);

/// The window of one process; clones share it.
#[derive(Clone)]
pub struct ShopWindow(Arc<Shared>);

struct Shared {
    shown: watch::Sender<Option<Current>>,
    wake: Notify,
    too_old: Duration,
}

impl Default for ShopWindow {
    fn default() -> ShopWindow {
        ShopWindow::trusted_for(TOO_OLD)
    }
}

#[derive(Clone)]
pub(super) struct Current {
    view: Arc<Snapshot>,
    /// When it was last checked against the journal.
    checked: Moments,
}

/// What a visitor sees at one moment, with its age.
pub(super) struct SnapshotGuard {
    view: Arc<Snapshot>,
    now: Timestamp,
    age: Duration,
}

impl SnapshotGuard {
    /// Whether both saw the same view, not just an equal one.
    pub fn is_what(&self, other: &SnapshotGuard) -> bool {
        Arc::ptr_eq(&self.view, &other.view)
    }
}

impl Deref for SnapshotGuard {
    type Target = Snapshot;

    fn deref(&self) -> &Snapshot {
        &self.view
    }
}

impl ShopWindow {
    /// A window that shows nothing last checked against the journal more than `too_old` ago.
    pub fn trusted_for(too_old: Duration) -> ShopWindow {
        ShopWindow(Arc::new(Shared {
            shown: watch::Sender::default(),
            wake: Notify::new(),
            too_old,
        }))
    }

    /// The view that is valid now. Waits for a window that is being built; 503 if none can be built, or if the
    /// journal could not be reached for too long.
    pub(super) async fn view(&self, clock: &Clock) -> Result<SnapshotGuard, Problem> {
        let true_now = async {
            if let Some(look) = SnapshotGuard::at(self.0.shown.borrow(), clock) {
                return Ok(look);
            }
            let mut shown = self.0.shown.subscribe();
            loop {
                if let Some(look) = SnapshotGuard::at(shown.borrow_and_update(), clock) {
                    return Ok::<SnapshotGuard, Problem>(look);
                }
                self.0.wake.notify_one();
                shown.changed().await.map_err(Problem::internal)?;
            }
        };
        let unavailable = |detail: &str| {
            Problem::new(problem::SERVICE_UNAVAILABLE, detail).with_header("retry-after", "5")
        };
        let Ok(found) = timeout(WINDOW_TIMEOUT, true_now).await else {
            return Err(unavailable(
                "the published engines cannot be read at present; try again later",
            ));
        };
        let look = found?;
        if look.age > self.0.too_old {
            return Err(unavailable(
                "the published engines could not be checked for some time and may be out of date; try again later",
            ));
        }
        Ok(look)
    }

    /// Fires each time the window was checked against the journal.
    pub(super) fn watched(&self) -> watch::Receiver<Option<Current>> {
        self.0.shown.subscribe()
    }

    /// Time since it was last checked against the journal; `None`: not built.
    pub fn age(&self) -> Option<Duration> {
        let shown = self.0.shown.borrow();
        shown.as_ref().map(|shown| shown.checked.elapsed())
    }

    /// Rebuilds it completely. For tests that write to the database directly.
    pub fn make_anew(&self) {
        self.0.shown.send_replace(None);
        self.0.wake.notify_one();
    }

    /// Keeps it up to date until the process ends. Reads the published engines from `replica` while that keeps up,
    /// otherwise from `db`.
    pub async fn keep(&self, db: &Db, replica: Option<&Db>, clock: &Clock) -> Infallible {
        tokio::select! {
            never = self.follow(db, replica, clock) => never,
            never = self.listen(db) => never,
        }
    }

    /// Wakes the follower after each commit of any process that wrote to the journal.
    async fn listen(&self, db: &Db) -> Infallible {
        loop {
            if let Err(problem) = self.listen_once(db).await {
                tracing::warn!(%problem, "cannot listen to the journal; it is polled instead");
            }
            sleep(POLL_INTERVAL).await;
        }
    }

    async fn listen_once(&self, db: &Db) -> Result<(), Problem> {
        let mut conn = db.detached().await?;
        conn.batch_execute("LISTEN journal").await?;
        self.0.wake.notify_one();
        let mut heard = pin!(conn.notifications_stream());
        while let Some(notification) = heard.next().await {
            notification?;
            self.0.wake.notify_one();
        }
        Ok(())
    }

    async fn follow(&self, db: &Db, replica: Option<&Db>, clock: &Clock) -> Infallible {
        let mut follower = None;
        let mut commits = db.commits().committed();
        loop {
            let made = *commits.borrow_and_update();
            match self.catch_up(db, replica, clock, &mut follower).await {
                Ok(()) => db.commits().caught_up_to(Some(made)),
                Err(problem) => {
                    tracing::warn!(%problem, "the published engines could not be checked");
                    follower = None;
                    db.commits().caught_up_to(None);
                    sleep(POLL_INTERVAL).await;
                }
            }
            let asked = timeout(POLL_INTERVAL, async {
                tokio::select! {
                    () = self.0.wake.notified() => {}
                    _ = commits.changed() => {}
                }
            });
            // On a timeout check the journal all the same.
            let _ = asked.await;
        }
    }

    async fn catch_up(
        &self,
        db: &Db,
        replica: Option<&Db>,
        clock: &Clock,
        follower: &mut Option<Follower>,
    ) -> Result<(), Problem> {
        let mut fresh = match follower.take() {
            Some(known) => known,
            // Start again: there may be a gap after what was shown before.
            None => Follower {
                conn: db.detached().await?,
                replica: None,
                replica_rests_until: Moments::now(),
                seen: None,
            },
        };
        // A replica's snapshot does not list transactions in progress, so take it on the primary; the replica must
        // then catch up with it.
        let seen_now: String = diesel::select(sql::<Text>("pg_current_snapshot()::text"))
            .get_result(&mut fresh.conn)
            .await?;
        if let Some(replica) = replica {
            fresh.look_at_replica(replica).await?;
        }
        let conn = fresh.replica.as_mut().unwrap_or(&mut fresh.conn);
        let shown = self.0.shown.borrow().clone();
        let now = clock.now();
        let view = read(conn, shown, fresh.seen.as_deref(), now).await;
        match (view, fresh.replica.is_some()) {
            (Ok(view), _) => {
                fresh.seen = Some(seen_now);
                self.0.shown.send_replace(Some(Current {
                    view,
                    checked: Moments::now(),
                }));
            }
            // The primary may still work: `seen` has not changed.
            (Err(problem), true) => {
                tracing::warn!(%problem, "the replica could not be read");
                fresh.rest();
                self.0.wake.notify_one();
            }
            (Err(problem), false) => return Err(problem),
        }
        *follower = Some(fresh);
        Ok(())
    }
}

/// The published engines, in one snapshot of the records.
async fn read(
    conn: &mut AsyncPgConnection,
    shown: Option<Current>,
    seen: Option<&str>,
    now: Timestamp,
) -> Result<Arc<Snapshot>, Problem> {
    AnsiTransactionManager::begin_transaction(conn).await?;
    conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        .await?;
    let changed = match (&shown, seen) {
        (Some(shown), Some(seen)) => shown.view.changed_since(conn, seen, now).await?,
        (None, _) | (_, None) => Changed::All,
    };
    let view = match (changed, shown) {
        (Changed::Some(engines), Some(shown)) if engines.is_empty() => shown.view,
        (Changed::Some(engines), Some(shown)) => {
            Arc::new(shown.view.with(conn, &engines, now).await?)
        }
        (Changed::All | Changed::Some(_), _) => Arc::new(Snapshot::of_all(conn, now).await?),
    };
    AnsiTransactionManager::commit_transaction(conn).await?;
    Ok(view)
}

/// How far the window has followed the journal.
struct Follower {
    conn: AsyncPgConnection,
    /// While it keeps up.
    replica: Option<AsyncPgConnection>,
    replica_rests_until: Moments,
    /// What had been committed at the last update, as a PostgreSQL snapshot.
    seen: Option<String>,
}

impl Follower {
    /// Does not use the replica for a while.
    fn rest(&mut self) {
        self.replica = None;
        self.replica_rests_until = Moments::now() + REPLICA_RESTS;
    }

    /// Keeps the replica if it has replayed all that the primary has written so far.
    async fn look_at_replica(&mut self, replica: &Db) -> Result<(), Problem> {
        if Moments::now() < self.replica_rests_until {
            return Ok(());
        }
        let written: String = diesel::select(sql::<Text>("pg_current_wal_lsn()::text"))
            .get_result(&mut self.conn)
            .await?;
        let in_time = timeout(REPLICA_TIMEOUT, self.replayed(replica, &written));
        match in_time.await {
            Ok(Ok(())) => {}
            Ok(Err(problem)) => {
                tracing::warn!(%problem, "the replica cannot be reached");
                self.rest();
            }
            Err(_) => self.rest(),
        }
        Ok(())
    }

    async fn replayed(&mut self, replica: &Db, written: &str) -> Result<(), Problem> {
        let conn = match self.replica.take() {
            Some(conn) => conn,
            None => replica.detached().await?,
        };
        let conn = self.replica.insert(conn);
        loop {
            let replayed = sql::<Bool>("coalesce(pg_last_wal_replay_lsn() >= ")
                .bind::<Text, _>(written)
                .sql("::pg_lsn, NOT pg_is_in_recovery())");
            if diesel::select(replayed).get_result::<bool>(conn).await? {
                return Ok(());
            }
            sleep(Duration::from_millis(5)).await;
        }
    }
}

impl SnapshotGuard {
    /// `None`: nothing is shown, or nothing that is valid now.
    fn at(shown: watch::Ref<'_, Option<Current>>, clock: &Clock) -> Option<SnapshotGuard> {
        let Current { view, checked } = shown.clone()?;
        drop(shown);
        // Read the clock after the window, which may just have been built.
        let now = clock.now();
        view.holds_at(now).then(|| SnapshotGuard {
            now,
            age: checked.elapsed(),
            view,
        })
    }

    pub fn whole(&self, filters: &PublicFilters, form: Form) -> Reply {
        let answer = self.view.whole(filters, form)?;
        Ok(self.with_age(answer))
    }

    /// 200, or 304 if the client has it already.
    pub fn answer(&self, req: &HttpRequest, made: &RenderedBody) -> HttpResponse {
        let gzip = answers::takes_gzip(req);
        let unchanged = answers::is_known(req, &made.etag);
        let status = if unchanged {
            StatusCode::NOT_MODIFIED
        } else {
            StatusCode::OK
        };
        let mut answer = HttpResponse::new(status);
        let [plain, of_gzip] = &made.tags;
        let headers = answer.headers_mut();
        headers.insert(header::ETAG, if gzip { of_gzip } else { plain }.clone());
        headers.insert(
            header::VARY,
            HeaderValue::from_static("Accept, Accept-Encoding"),
        );
        if let Some(link) = &made.link {
            headers.insert(header::LINK, link.clone());
        }
        if unchanged {
            return self.with_age(answer);
        }
        headers.insert(header::CONTENT_TYPE, made.media_type.clone());
        let body = if gzip {
            headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            made.gzip()
        } else {
            made.body.clone()
        };
        self.with_age(answer.set_body(BoxBody::new(body)))
    }

    /// Lets caches keep the response until the midnight that ends its day, and says how old it is.
    fn with_age(&self, mut answer: HttpResponse) -> HttpResponse {
        let left = self.view.midnight.duration_since(self.now).as_secs();
        let left = u32::try_from(left).unwrap_or(0);
        let headers = answer.headers_mut();
        if let Ok(value) = HeaderValue::from_maybe_shared(public_until_midnight(left)) {
            headers.insert(header::CACHE_CONTROL, value);
        }
        if self.age >= SAYS_ITS_AGE {
            headers.insert(header::AGE, HeaderValue::from(self.age.as_secs()));
        }
        answer
    }
}
