//! The queue for an engine: who has the reservation, who is next, and what ends the queue.

use super::Row;
use crate::{
    ground::{
        clock::{self, Instant},
        db::{self, Db, RunQueryDsl, SystemEntry, Tx},
        problem::{self, Problem},
    },
    schema::reservations,
};
use diesel::prelude::*;
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, TransactionManager};
use jiff::Timestamp;
use outshop_core::{days::Day, trade::ReservationStatus};
use serde_json::json;

/// The most engines handled in one run.
const STRETCH: i64 = 1000;

// SQL

/// The live reservation, then the queued ones. The caller holds the engine's row lock.
pub(super) async fn open_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Vec<Row>, Problem> {
    Ok(reservations::table
        .filter(reservations::stock_no.eq(stock_no))
        .filter(reservations::ended.is_null())
        .order((reservations::held_from.is_null(), reservations::id))
        .select(Row::as_select())
        .load(conn)
        .await?)
}

/// Marks the live reservation of the engine as lapsed if it has expired, and makes the next in line live. Returns
/// whether it did. The caller holds the engine's row lock.
pub(super) async fn settle(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    now: Instant,
    today: Day,
) -> Result<bool, Problem> {
    let due = reservations::table
        .filter(reservations::stock_no.eq(stock_no))
        .filter(reservations::ended.is_null())
        .filter(reservations::until_at.le(now).assume_not_null());
    let lapsed: Option<i64> = diesel::update(due)
        .set((
            reservations::ended.eq(ReservationStatus::Lapsed),
            reservations::ended_at.eq(reservations::until_at),
        ))
        .returning(reservations::id)
        .get_result(conn)
        .await
        .optional()?;
    let Some(id) = lapsed else {
        return Ok(false);
    };
    let entry = SystemEntry {
        what: "reservation.lapsed",
        stock_no: Some(stock_no),
        data: json!({"reservation_id": id}),
    };
    db::record_for_system(conn, today, vec![entry]).await?;
    promote_next(conn, stock_no, now, today).await?;
    Ok(true)
}

/// Makes the first in the queue live from now on, to be notified.
pub(super) async fn promote_next(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    now: Instant,
    today: Day,
) -> Result<(), Problem> {
    let queue = open_of(conn, stock_no).await?;
    let Some(next) = queue.as_slice().first() else {
        return Ok(());
    };
    let until = now.plus_hours(next.hours);
    diesel::update(reservations::table.find(next.id))
        .set((
            reservations::held_from.eq(now),
            reservations::until_at.eq(until),
            reservations::notify_since.eq(now),
        ))
        .execute(conn)
        .await?;
    let entry = SystemEntry {
        what: "reservation.next_in_line",
        stock_no: Some(stock_no),
        data: json!({"reservation_id": next.id, "until_at": until}),
    };
    Ok(db::record_for_system(conn, today, vec![entry]).await?)
}

/// Marks expired reservations as lapsed, one transaction per engine, and returns how many. If several processes do
/// so, the second finds nothing to do.
pub async fn lapse_due(db: &Db, now: Timestamp) -> Result<usize, Problem> {
    let mut conn = db.read().await?;
    let today = clock::today(&mut conn, now).await?;
    let now = Instant::of_second(now);
    let due: Vec<i32> = reservations::table
        .filter(reservations::ended.is_null())
        .filter(reservations::until_at.le(now).assume_not_null())
        .order(reservations::until_at)
        .limit(STRETCH)
        .select(reservations::stock_no)
        .load(&mut conn)
        .await?;
    let mut n_lapsed = 0;
    for stock_no in due {
        AnsiTransactionManager::begin_transaction(&mut *conn).await?;
        let lapsed = match crate::stock::lock(&mut conn, stock_no).await {
            Ok(()) => settle(&mut conn, stock_no, now, today).await,
            Err(problem) => Err(problem),
        };
        match lapsed {
            Ok(lapsed) => {
                AnsiTransactionManager::commit_transaction(&mut *conn).await?;
                n_lapsed += usize::from(lapsed);
            }
            Err(problem) => {
                AnsiTransactionManager::rollback_transaction(&mut *conn).await?;
                return Err(problem);
            }
        }
    }
    Ok(n_lapsed)
}

/// Refuses if anyone but `person` has a live reservation, and returns whether `person` has one. The caller holds the
/// engine's row lock.
pub(crate) async fn must_be_free_for(
    tx: &mut Tx<'_>,
    stock_no: i32,
    person: Option<i64>,
) -> Result<bool, Problem> {
    let (now, today) = (Instant::of_second(tx.actor.now), tx.actor.today);
    settle(tx.conn(), stock_no, now, today).await?;
    let open = open_of(tx.conn(), stock_no).await?;
    match open.as_slice().first() {
        Some(live) if Some(live.person_id) != person => {
            let until = live.until_at.unwrap_or(now);
            let detail = format!(
                "the engine is reserved until {until} for someone else; release reservation {} first",
                live.id
            );
            Err(Problem::new(problem::ALREADY_RESERVED, detail))
        }
        open => Ok(open.is_some()),
    }
}

/// Marks the live reservation as fulfilled by the sale and ends the queue, to be notified.
pub(crate) async fn end_by_sale(
    tx: &mut Tx<'_>,
    stock_no: i32,
    sale_id: i64,
) -> Result<(), Problem> {
    let now = Instant::of_second(tx.actor.now);
    let fulfilled: Option<i64> = diesel::update(of_engine_open(stock_no))
        .filter(reservations::held_from.is_not_null())
        .set((
            reservations::ended.eq(ReservationStatus::Fulfilled),
            reservations::ended_at.eq(now),
            reservations::sale_id.eq(sale_id),
        ))
        .returning(reservations::id)
        .get_result(tx.conn())
        .await
        .optional()?;
    if let Some(id) = fulfilled {
        let entry = json!({"reservation_id": id, "sale_id": sale_id});
        tx.record("reservation.fulfilled", Some(stock_no), entry)
            .await?;
    }
    end_queue(tx, stock_no, ReservationStatus::EngineSold).await
}

/// Ends the queue, to be notified. No reservation of the engine is live.
pub(crate) async fn end_queue(
    tx: &mut Tx<'_>,
    stock_no: i32,
    ended: ReservationStatus,
) -> Result<(), Problem> {
    let now = Instant::of_second(tx.actor.now);
    let queue: Vec<i64> = diesel::update(of_engine_open(stock_no))
        .set((
            reservations::ended.eq(ended),
            reservations::ended_at.eq(now),
            reservations::notify_since.eq(now),
        ))
        .returning(reservations::id)
        .load(tx.conn())
        .await?;
    for id in queue {
        let entry = json!({"reservation_id": id, "status": ended});
        tx.record("reservation.queue_ended", Some(stock_no), entry)
            .await?;
    }
    Ok(())
}

#[diesel::dsl::auto_type(no_type_alias)]
fn of_engine_open(stock_no: i32) -> _ {
    reservations::table
        .filter(reservations::stock_no.eq(stock_no))
        .filter(reservations::ended.is_null())
}
