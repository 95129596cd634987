//! The shop window: all that visitors may read, held in memory and kept true from the journal. Nothing here asks the database
//! while a visitor waits.

use super::{
    PublicFilters,
    list::Sort,
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

/// How often the journal is looked at when nothing wakes the window.
const POLL_INTERVAL: Duration = Duration::from_millis(500);
/// How long a visitor waits for a window that is being made.
const WINDOW_TIMEOUT: Duration = Duration::from_secs(5);
/// How long is waited for a replica that is behind, and how long it is left alone then.
const REPLICA_TIMEOUT: Duration = Duration::from_millis(100);
const REPLICA_RESTS: Duration = Duration::from_secs(1);
/// From this age on an answer says how old it is.
const SAYS_ITS_AGE: Duration = Duration::from_secs(2);
/// Older than this nothing is shown: it may not be true any more.
const TOO_OLD: Duration = Duration::from_secs(60);

/// Of one process; clones show the same.
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
    /// When it was last held against the journal.
    checked: Moments,
}

/// What a visitor sees at a moment, with its age.
pub(super) struct SnapshotGuard {
    view: Arc<Snapshot>,
    now: Timestamp,
    age: Duration,
}

impl SnapshotGuard {
    /// Whether it is what another one saw, and not only equal to it.
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
    /// Shows nothing that was last held against the journal longer than `too_old` ago.
    pub fn trusted_for(too_old: Duration) -> ShopWindow {
        ShopWindow(Arc::new(Shared {
            shown: watch::Sender::default(),
            wake: Notify::new(),
            too_old,
        }))
    }

    /// What is true now. Waits for a window that is being made; 503 when none can be made, or when the journal has been out
    /// of reach for too long.
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
            return Err(unavailable("what is on show cannot be read just now"));
        };
        let look = found?;
        if look.age > self.0.too_old {
            return Err(unavailable(
                "what is on show could not be checked for some time, and may not be true any more",
            ));
        }
        Ok(look)
    }

    /// Changes whenever what is on show was held against the journal.
    pub(super) fn watched(&self) -> watch::Receiver<Option<Current>> {
        self.0.shown.subscribe()
    }

    /// Since it was last held against the journal.
    pub fn age(&self) -> Option<Duration> {
        let shown = self.0.shown.borrow();
        shown.as_ref().map(|shown| shown.checked.elapsed())
    }

    /// Makes it anew, with all that the journal does not tell of. For tests that write past the service.
    pub fn make_anew(&self) {
        self.0.shown.send_replace(None);
        self.0.wake.notify_one();
    }

    /// Keeps it true, until the process ends. What is on show is read from `replica` while that is in time, else from `db`.
    pub async fn keep(&self, db: &Db, replica: Option<&Db>, clock: &Clock) -> Infallible {
        tokio::select! {
            never = self.follow(db, replica, clock) => never,
            never = self.listen(db) => never,
        }
    }

    /// Wakes the follower at each commit of any process that wrote into the journal.
    async fn listen(&self, db: &Db) -> Infallible {
        loop {
            if let Err(problem) = self.listen_once(db).await {
                tracing::warn!(%problem, "the journal is not heard; it is looked at instead");
            }
            sleep(POLL_INTERVAL).await;
        }
    }

    async fn listen_once(&self, db: &Db) -> Result<(), Problem> {
        let mut conn = db.detached().await?;
        conn.batch_execute("LISTEN journal").await?;
        self.0.wake.notify_one();
        let mut heard = pin!(conn.notifications_stream());
        while let Some(told) = heard.next().await {
            told?;
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
                    tracing::warn!(%problem, "what is on show could not be checked");
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
            // Nobody asked: it is looked at all the same.
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
            // What was shown before is not known to be followed without a gap.
            None => Follower {
                conn: db.detached().await?,
                replica: None,
                replica_rests_until: Moments::now(),
                seen: None,
            },
        };
        // On a replica a snapshot does not name what is under way; so it is taken here, and the replica has to come up to it.
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
            // What went wrong there need not go wrong here: what was seen is as it was.
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

/// What is on show, as one view of the records has it.
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

/// Where in the journal the window stands.
struct Follower {
    conn: AsyncPgConnection,
    /// While it is in time.
    replica: Option<AsyncPgConnection>,
    replica_rests_until: Moments,
    /// What had been committed when it was last made true, as PostgreSQL writes snapshots.
    seen: Option<String>,
}

impl Follower {
    /// Leaves the replica alone for a while.
    fn rest(&mut self) {
        self.replica = None;
        self.replica_rests_until = Moments::now() + REPLICA_RESTS;
    }

    /// Keeps the replica if it has replayed all that the primary has written by now.
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
    /// None when nothing is shown, or nothing that is true now.
    fn at(shown: watch::Ref<'_, Option<Current>>, clock: &Clock) -> Option<SnapshotGuard> {
        let Current { view, checked } = shown.clone()?;
        drop(shown);
        // Read after the window, which may just have been made.
        let now = clock.now();
        view.holds_at(now).then(|| SnapshotGuard {
            now,
            age: checked.elapsed(),
            view,
        })
    }

    pub fn whole(&self, filters: &PublicFilters, sort: Sort, form: Form) -> Reply {
        let answer = self.view.whole(filters, sort, form)?;
        Ok(self.told(answer))
    }

    /// 200, or 304 to who has it.
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
            return self.told(answer);
        }
        headers.insert(header::CONTENT_TYPE, made.media_type.clone());
        let body = if gzip {
            headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            made.gzip()
        } else {
            made.body.clone()
        };
        self.told(answer.set_body(BoxBody::new(body)))
    }

    /// Lets caches keep the answer, but not past the midnight that ends the day it was made for, and says how old it is.
    fn told(&self, mut answer: HttpResponse) -> HttpResponse {
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
