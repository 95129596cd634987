//! Changes to what visitors may read, for shop sites that keep copies. One process compares the published listings
//! with those last reported and writes the differences to the journal; every process answers from there.

use super::{ShopWindow, window::SnapshotGuard};
use crate::{
    ground::{
        actor::Anyone,
        answers::{Reply, respond},
        clock::{Clock, Instant},
        db::{Db, RunQueryDsl, SingleRunner, SystemEntry, pg_try_advisory_lock, record_for_system},
        entries,
        problem::Problem,
        query::Query,
    },
    notifying::journal::{self, ReadOn},
    schema::{journal as journal_table, public_answers},
};
use actix_web::{HttpRequest, web};
use diesel::{prelude::*, upsert::excluded};
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, TransactionManager};
use outshop_core::days::Day;
use outshop_operation::get;
use serde::Serialize;
use serde_json::json;
use std::{collections::HashMap, convert::Infallible, time::Duration};
use tokio::{
    sync::Semaphore,
    time::{Instant as Moments, sleep, timeout},
};
use utoipa::ToSchema;

/// How often a process tries to become the one that reports, and how long it waits for a change.
const POLL_INTERVAL: Duration = Duration::from_secs(2);
/// How long changes are collected before they are reported together: each report costs a transaction, and readers
/// look no more often.
const BATCH_WINDOW: Duration = journal::POLL_INTERVAL;
/// The most readers that wait at once; others get an answer without waiting.
const MOST_WAITING: usize = 500;
static WAITING: Semaphore = Semaphore::const_new(MOST_WAITING);

const SHOWN: &str = "public.shown";
const CHANGED: &str = "public.changed";
const REMOVED: &str = "public.removed";

// Types

/// A change of an engine's public listing.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"entry_no": 185, "type": "public.changed", "at": "2026-05-14T10:21:07.123456Z", "stock_no": 10,
    "url": "/v1/public/listings/10"}))]
pub struct PublicChange {
    /// Rises; the numbers between belong to entries that are not public.
    #[schema(minimum = 1)]
    pub entry_no: i64,
    /// `public.shown`, `public.changed` or `public.removed`.
    #[schema(max_length = 60)]
    pub r#type: String,
    /// RFC 3339, UTC.
    #[schema(max_length = 40)]
    pub at: String,
    pub stock_no: i32,
    /// Address of the listing as it is now.
    #[schema(max_length = 60)]
    pub url: String,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct PublicChanges {
    /// Changes when a backup is restored: read all listings again then.
    #[schema(max_length = 40)]
    pub journal_id: String,
    #[schema(max_items = 500)]
    pub items: Vec<PublicChange>,
    /// Address of the changes that follow, now or later.
    #[schema(max_length = 300)]
    pub next: String,
}

// Routes

/// Read changes of the published engines
///
/// For sites that keep copies: read all listings, then the changes after the highest `entry_no` known, with `wait` to
/// wait for the next. At least once: an engine may repeat, no change is missed. When a new day only changes the
/// sentences about papers, that is reported if it changes which papers are valid.
#[get("/public/changes", 409, 200 = PublicChanges)]
pub(super) async fn list_public_changes(
    _by: Anyone,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<ReadOn>,
) -> Reply {
    let asked = query.checked()?;
    let patient = WAITING.try_acquire();
    let wait = if patient.is_ok() {
        asked.wait
    } else {
        Duration::ZERO
    };
    let give_up = Moments::now() + wait;
    loop {
        let page = changes_after(&db, &asked).await?;
        if !page.items.is_empty() || Moments::now() >= give_up {
            return respond(&req, &page);
        }
        sleep(journal::POLL_INTERVAL).await;
    }
}

async fn changes_after(db: &Db, asked: &journal::Asked) -> Result<PublicChanges, Problem> {
    let mut conn = db.read().await?;
    entries::number(&mut conn).await?;
    let journal_id = journal::same_journal(&mut conn, asked.journal_id).await?;
    type Row = (Option<i64>, String, Instant, Option<i32>);
    let rows: Vec<Row> = journal_table::table
        .filter(journal_table::type_.eq_any([SHOWN, CHANGED, REMOVED]))
        .filter(journal_table::entry_no.gt(asked.after))
        .order(journal_table::entry_no)
        .limit(asked.limit)
        .select((
            journal_table::entry_no,
            journal_table::type_,
            journal_table::at,
            journal_table::stock_no,
        ))
        .load(&mut conn)
        .await?;
    let items: Vec<PublicChange> = rows
        .into_iter()
        .filter_map(|(entry_no, r#type, at, stock_no)| {
            let (entry_no, stock_no) = (entry_no?, stock_no?);
            Some(PublicChange {
                entry_no,
                r#type,
                at: format!("{:.6}", at.0),
                stock_no,
                url: format!("/v1/public/listings/{stock_no}"),
            })
        })
        .collect();
    let reached = items.last().map_or(asked.after, |item| item.entry_no);
    let limit = asked.limit;
    Ok(PublicChanges {
        journal_id: journal_id.to_string(),
        items,
        next: format!("/v1/public/changes?after={reached}&limit={limit}&journal_id={journal_id}"),
    })
}

/// Records changes of the published listings in the journal, unless another process does; until the process ends.
pub async fn keep_telling(db: &Db, clock: &Clock, window: &ShopWindow) -> Infallible {
    loop {
        if let Err(problem) = record_changes(db, clock, window).await {
            tracing::warn!(%problem, "changes of the published listings could not be recorded yet");
        }
        sleep(POLL_INTERVAL).await;
    }
}

/// Ends if another process records them.
async fn record_changes(db: &Db, clock: &Clock, window: &ShopWindow) -> Result<(), Problem> {
    // The lock is released when the connection ends.
    let mut conn = db.detached().await?;
    let free = diesel::select(pg_try_advisory_lock(SingleRunner::Telling.key()));
    if !free.get_result::<bool>(&mut conn).await? {
        return Ok(());
    }
    let known: Vec<(i32, Vec<u8>)> = public_answers::table
        .select((public_answers::stock_no, public_answers::digest))
        .load(&mut conn)
        .await?;
    let mut known: HashMap<i32, Vec<u8>> = known.into_iter().collect();
    let mut shown = window.watched();
    let mut last: Option<SnapshotGuard> = None;
    loop {
        shown.mark_unchanged();
        let look = window.view(clock).await?;
        if !last.as_ref().is_some_and(|last| look.is_what(last)) {
            let on_show: HashMap<i32, [u8; 32]> = look.digests().collect();
            let mut removed: Vec<i32> = known
                .keys()
                .filter(|stock_no| !on_show.contains_key(stock_no))
                .copied()
                .collect();
            removed.sort_unstable();
            let mut fresh: Vec<Fresh> = on_show
                .iter()
                .filter_map(|(stock_no, digest)| match known.get(stock_no) {
                    Some(before) if before == digest => None,
                    Some(_) => Some((*stock_no, digest.to_vec(), CHANGED)),
                    None => Some((*stock_no, digest.to_vec(), SHOWN)),
                })
                .collect();
            fresh.sort_unstable();
            if !(removed.is_empty() && fresh.is_empty()) {
                write(&mut conn, look.today(), &removed, &fresh).await?;
                known.retain(|stock_no, _| on_show.contains_key(stock_no));
                known.extend(
                    fresh
                        .into_iter()
                        .map(|(stock_no, digest, _)| (stock_no, digest)),
                );
                sleep(BATCH_WINDOW).await;
            }
            last = Some(look);
        }
        if timeout(POLL_INTERVAL, shown.changed()).await.is_err() {
            // If the connection broke, the lock is lost: find out.
            diesel::select(diesel::dsl::sql::<diesel::sql_types::Integer>("1"))
                .get_result::<i32>(&mut conn)
                .await?;
        }
    }
}

/// A published engine, the digest of its public listing, and the type of the entry.
type Fresh = (i32, Vec<u8>, &'static str);

async fn write(
    conn: &mut AsyncPgConnection,
    today: Day,
    removed: &[i32],
    fresh: &[Fresh],
) -> Result<(), Problem> {
    let entry = |stock_no: i32, what| SystemEntry {
        what,
        stock_no: Some(stock_no),
        data: json!({}),
    };
    let gone = removed.iter().map(|stock_no| entry(*stock_no, REMOVED));
    let new = fresh
        .iter()
        .map(|(stock_no, _, what)| entry(*stock_no, what));
    let entries = gone.chain(new).collect();
    AnsiTransactionManager::begin_transaction(conn).await?;
    let written = async {
        diesel::delete(public_answers::table.filter(public_answers::stock_no.eq_any(removed)))
            .execute(conn)
            .await?;
        for stretch in fresh.chunks(10_000) {
            let rows: Vec<_> = stretch
                .iter()
                .map(|(stock_no, digest, _)| {
                    (
                        public_answers::stock_no.eq(stock_no),
                        public_answers::digest.eq(digest),
                    )
                })
                .collect();
            diesel::insert_into(public_answers::table)
                .values(rows)
                .on_conflict(public_answers::stock_no)
                .do_update()
                .set(public_answers::digest.eq(excluded(public_answers::digest)))
                .execute(conn)
                .await?;
        }
        record_for_system(conn, today, entries).await
    }
    .await;
    match written {
        Ok(()) => Ok(AnsiTransactionManager::commit_transaction(conn).await?),
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            Err(error.into())
        }
    }
}
