//! Readiness: may an engine be listed, may it leave, on a day; every reason, and what clears it.

use crate::problem::{Problem, Reason};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    readiness::{self, Bars, Facts, Gate, Outcome, Readiness},
};

/// The answer of a gate from what is recorded now.
pub(crate) async fn answer(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    gate: Gate,
    on: Day,
) -> Result<Readiness, Problem> {
    let facts = load_facts(conn, stock_no, on).await?;
    let bars = bars(conn).await?;
    Ok(readiness::gate(&facts, &bars, gate, on))
}

/// For acts that need an open gate: `not_ready` with every reason while it is shut. Lock the engine first, so that what
/// the gate saw still holds when the act is stored.
pub(crate) async fn must_be_open(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    gate: Gate,
    on: Day,
) -> Result<Readiness, Problem> {
    let answer = answer(conn, stock_no, gate, on).await?;
    if answer.open {
        Ok(answer)
    } else {
        Err(shut(&answer))
    }
}

/// A gate that is not open, as a problem.
pub(crate) fn shut(answer: &Readiness) -> Problem {
    let _ = (Outcome::Unmet, Vec::<Reason>::new(), answer);
    todo!()
}

/// What the firm sets for itself.
pub(crate) async fn bars(conn: &mut AsyncPgConnection) -> Result<Bars, Problem> {
    let _ = conn;
    todo!()
}

/// All that the gates look at, as recorded now, for a question about day `on`. `not_found` when there is no such engine.
pub(crate) async fn load_facts(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Facts, Problem> {
    let _ = (conn, stock_no, on);
    todo!()
}
