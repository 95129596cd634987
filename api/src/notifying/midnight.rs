//! Midnight: what the passing of a day alone changes, written into the journal once.

use crate::{
    ground::{
        clock,
        db::{self, Alone, Db, RunQueryDsl, Untouched, pg_try_advisory_xact_lock},
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

/// How often a process looks whether the firm's day has ended; the journal tells the day, not the minute.
pub const LOOK_AGAIN: Duration = Duration::from_secs(20);
/// Days begun at once; more are more likely a wrong clock than a closed workshop.
pub const AT_ONCE: i32 = 14;
/// Engines looked at together.
const STRETCH: i64 = 1000;

/// Begins every day of the firm up to the one of `now` that has not begun yet, in their order, each in a transaction of
/// its own: the row of the day and one entry for each engine whose answer at a gate is another than the day before. What
/// is recorded when the day is turned counts for both days, so that the difference is what midnight alone made.
///
/// Refused when there are more than `most`: days that a wrong clock has begun would not begin when they come.
///
/// Returns how many days began. A clock set back begins none, and of two processes the second finds nothing to do.
pub async fn turn(db: &Db, now: Timestamp, most: i32) -> Result<usize, Problem> {
    let mut conn = db.read().await?;
    let Days { today, last } = days(&mut conn, now).await?;
    if let Some(last) = last
        && today.days_since(last) > most
    {
        return Err(Problem::conflict(format!(
            "by this machine's clock it is {today}, and the last day that has begun is {last}; if the clock is right, run `outshop days turn`"
        )));
    }
    let mut begun = 0;
    while begin_next(&mut conn, today).await? {
        begun += 1;
    }
    Ok(begun)
}

/// The firm's day by the machine's clock, and the last that has begun.
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

/// Takes back the days that have begun and are still to come by the clock, as a clock that went ahead leaves them: they begin when they
/// come, and what they change is told then. Gives how many there were.
pub async fn take_back(db: &Db, now: Timestamp) -> Result<usize, Problem> {
    let mut conn = db.read().await?;
    let Days { today, .. } = days(&mut conn, now).await?;
    let ahead = midnights::table.filter(midnights::on_day.gt(today));
    Ok(diesel::delete(ahead).execute(&mut conn).await?)
}

async fn begin_next(conn: &mut AsyncPgConnection, today: Day) -> Result<bool, Problem> {
    if !is_behind(last_started(conn).await?, today) {
        return Ok(false);
    }
    AnsiTransactionManager::begin_transaction(conn).await?;
    match begin_locked(conn, today).await {
        Ok(begun) => {
            AnsiTransactionManager::commit_transaction(conn).await?;
            Ok(begun)
        }
        Err(problem) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            // Another process has just begun this day.
            if problem.worth_another_try {
                Ok(false)
            } else {
                Err(problem)
            }
        }
    }
}

async fn begin_locked(conn: &mut AsyncPgConnection, today: Day) -> Result<bool, Problem> {
    // One view of the records for both days. It is taken by the first query, the lock: who gets that just after another
    // process may see the day as not begun, and the table's key then refuses the row.
    conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        .await?;
    let free = diesel::select(pg_try_advisory_xact_lock(Alone::Turning.key()));
    if !free.get_result::<bool>(conn).await? {
        return Ok(false);
    }
    let last = last_started(conn).await?;
    if !is_behind(last, today) {
        return Ok(false);
    }
    let (day, entries) = match last {
        // The first day of all has none before it.
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
    db::record_untouched(conn, day, entries).await?;
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
) -> Result<Vec<Untouched>, Problem> {
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
                entries.push(Untouched {
                    what: "readiness.changed",
                    stock_no: Some(*stock_no),
                    data: json!({"gates": gates}),
                });
            }
        }
    }
}

/// The checks of a gate that have another outcome than the day before; none when all are as they were.
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
