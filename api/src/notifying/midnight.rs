//! Midnight: records in the journal, once, what only the passing of a day changes.

use crate::{
    ground::{
        clock,
        db::{self, Db, RunQueryDsl, SingleRunner, SystemEntry, pg_try_advisory_xact_lock},
        problem::Problem,
    },
    schema::midnights,
    workshop::readiness::{facts::load_facts, in_the_house, settings},
};
use diesel::{dsl::max, prelude::*};
use diesel_async::{
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
};
use jiff::Timestamp;
use outshop_core::{
    boilers::readiness::{self, Check, Gate, OnDay, Outcome},
    days::Day,
};
use serde_json::{Value, json};
use std::time::Duration;

/// How often a process checks whether the firm's day has ended; the journal records the day, not the minute.
pub const POLL_INTERVAL: Duration = Duration::from_secs(20);
/// The most days to process at once; more are more likely a wrong clock than a closed workshop.
pub const AT_ONCE: i32 = 14;
/// Engines examined together.
const STRETCH: i64 = 1000;

/// Processes every day of the firm up to that of `now` that has not been processed, in order and each in its own
/// transaction: adds the row of the day, and an entry for each engine with a gate that differs from the day before. The
/// records as they are now count for both days, so that the difference is due to midnight only.
///
/// Refused if there are more than `most`: a day that a wrong clock has processed would be skipped when it comes.
///
/// Returns the number of days processed. With a clock set back it is 0; of two processes, the second finds nothing to
/// do.
pub async fn turn(db: &Db, now: Timestamp, most: i32) -> Result<usize, Problem> {
    let mut conn = db.read().await?;
    let Days { today, last } = days(&mut conn, now).await?;
    if let Some(last) = last
        && today.days_since(last) > most
    {
        return Err(Problem::conflict(format!(
            "by this machine's clock it is {today}, and the last day processed is {last}; if the clock is right, run \
             `outshop days turn`"
        )));
    }
    let mut processed = 0;
    while process_next(&mut conn, today).await? {
        processed += 1;
    }
    Ok(processed)
}

/// The firm's date by the machine's clock, and the last day processed.
#[derive(Debug, Clone, Copy)]
pub struct Days {
    pub today: Day,
    pub last: Option<Day>,
}

pub async fn days(conn: &mut AsyncPgConnection, now: Timestamp) -> Result<Days, Problem> {
    let today = clock::today(conn, now).await?;
    let last = last_started(conn).await?;
    Ok(Days { today, last })
}

/// Marks days in the future as not processed, as a clock that was ahead leaves them: they are processed when they come.
/// Returns how many there were.
pub async fn take_back(db: &Db, now: Timestamp) -> Result<usize, Problem> {
    let mut conn = db.read().await?;
    let Days { today, .. } = days(&mut conn, now).await?;
    let ahead = midnights::table.filter(midnights::on_day.gt(today));
    Ok(diesel::delete(ahead).execute(&mut conn).await?)
}

async fn process_next(conn: &mut AsyncPgConnection, today: Day) -> Result<bool, Problem> {
    if !is_behind(last_started(conn).await?, today) {
        return Ok(false);
    }
    AnsiTransactionManager::begin_transaction(conn).await?;
    match process_locked(conn, today).await {
        Ok(processed) => {
            AnsiTransactionManager::commit_transaction(conn).await?;
            Ok(processed)
        }
        Err(problem) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            // Another process has just processed this day.
            if problem.worth_another_try {
                Ok(false)
            } else {
                Err(problem)
            }
        }
    }
}

async fn process_locked(conn: &mut AsyncPgConnection, today: Day) -> Result<bool, Problem> {
    // One snapshot of the records for both days. The first query, the lock, takes it: a process that gets the lock just
    // after another may not see the new row of the day, and the table's key then refuses a second one.
    conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        .await?;
    let free = diesel::select(pg_try_advisory_xact_lock(SingleRunner::Turning.key()));
    if !free.get_result::<bool>(conn).await? {
        return Ok(false);
    }
    let last = last_started(conn).await?;
    if !is_behind(last, today) {
        return Ok(false);
    }
    let (day, entries) = match last {
        // There is no day before the first one.
        None => (today, Vec::new()),
        Some(last) => {
            let day = last.plus_days(1);
            (day, changes(conn, last, day).await?)
        }
    };
    diesel::insert_into(midnights::table)
        .values((
            midnights::on_day.eq(day),
            midnights::n_changed.eq(i32::try_from(entries.len()).map_err(Problem::internal)?),
        ))
        .execute(conn)
        .await?;
    db::record_for_system(conn, day, entries).await?;
    Ok(true)
}

fn is_behind(last: Option<Day>, today: Day) -> bool {
    last.is_none_or(|last| last < today)
}

async fn last_started(conn: &mut AsyncPgConnection) -> Result<Option<Day>, Problem> {
    Ok(midnights::table
        .select(max(midnights::on_day))
        .first(conn)
        .await?)
}

async fn changes(
    conn: &mut AsyncPgConnection,
    before: Day,
    day: Day,
) -> Result<Vec<SystemEntry>, Problem> {
    let settings = settings(conn).await?;
    let mut entries = Vec::new();
    let mut after = 0;
    loop {
        let stock_nos = in_the_house(conn, after, STRETCH).await?;
        let Some(last) = stock_nos.last() else {
            return Ok(entries);
        };
        after = *last;
        let was = load_facts(conn, &stock_nos, before).await?;
        let is = load_facts(conn, &stock_nos, day).await?;
        for ((stock_no, was), (_, is)) in was.iter().zip(&is) {
            let gates = Gate::ALL.iter().filter_map(|gate| {
                let was = readiness::on_day(was, &settings, *gate, before);
                let is = readiness::on_day(is, &settings, *gate, day);
                difference(*gate, &was, &is)
            });
            let gates: Vec<Value> = gates.collect();
            if !gates.is_empty() {
                entries.push(SystemEntry {
                    what: "readiness.changed",
                    stock_no: Some(*stock_no),
                    data: json!({"gates": gates}),
                });
            }
        }
    }
}

/// The checks of a gate whose outcome differs from the day before. `None`: all are the same.
fn difference(gate: Gate, was: &OnDay, is: &OnDay) -> Option<Value> {
    let outcome = |day: &OnDay, check: Check| -> Option<Outcome> {
        let answers = day.checks.iter().filter(|answer| answer.check == check);
        answers.map(|answer| answer.outcome).max()
    };
    let mut checks: Vec<Check> = was.checks.iter().map(|answer| answer.check).collect();
    checks.extend(is.checks.iter().map(|answer| answer.check));
    checks.sort_unstable();
    checks.dedup();
    checks.retain(|check| outcome(was, *check) != outcome(is, *check));
    if checks.is_empty() {
        return None;
    }
    Some(json!({"gate": gate, "open": is.open, "was_open": was.open, "checks": checks}))
}
