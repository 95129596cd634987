//! Rules for jobs: for their members, their days, and the jobs they need.

use crate::{
    ground::{
        db::RunQueryDsl,
        problem::{FieldError, Problem},
    },
    schema::{job_needs, jobs},
};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{boilers::boiler::Touches, days::Day, money::Money, workshop::jobs::Hours};

// Types

/// A job as the request would leave it.
pub(super) struct Asked<'a> {
    pub(super) touches: &'a [Touches],
    pub(super) gauge_glass_only: bool,
    pub(super) hours_agreed: Option<Hours>,
    pub(super) outside_work: Option<Money>,
    pub(super) parts_expected: Option<Money>,
    pub(super) days_away: Option<i32>,
}

/// Rules that do not depend on days.
pub(super) fn broken_rules(asked: &Asked<'_>) -> Vec<FieldError> {
    let &Asked {
        touches,
        gauge_glass_only,
        hours_agreed,
        outside_work,
        parts_expected,
        days_away,
    } = asked;
    let mut broken = Vec::new();
    let mut rule = |holds: bool, pointer: &str, detail: &str| {
        if !holds {
            broken.push(at(pointer, detail));
        }
    };
    rule(
        !touches.is_empty(),
        "/touches",
        "must not be empty; use `other` if no listed area applies",
    );
    rule(
        !gauge_glass_only || touches == [Touches::SafetyValvesAndFittings],
        "/gauge_glass_only",
        "if true, `touches` must be safety_valves_and_fittings and nothing else",
    );
    rule(
        hours_agreed.is_none_or(|hours| hours >= Hours::ZERO),
        "/hours_agreed",
        "must be 0 or more",
    );
    rule(
        !outside_work.is_some_and(Money::is_negative),
        "/outside_work",
        "must be 0 or more",
    );
    rule(
        !parts_expected.is_some_and(Money::is_negative),
        "/parts_expected",
        "must be 0 or more",
    );
    rule(
        days_away.is_none_or(|days| (1..=366).contains(&days)),
        "/days_away",
        "must be 1 to 366 days",
    );
    rule(
        days_away.is_none() || hours_agreed.is_none_or(|hours| hours == Hours::ZERO),
        "/days_away",
        "work done elsewhere has no `hours_agreed`; make our own work before or after it a separate job",
    );
    broken
}

/// Checks the day of a record about an engine that arrived on `came_on`.
pub(super) fn broken_day(on: Day, pointer: &str, came_on: Day, today: Day) -> Option<FieldError> {
    if on > today {
        Some(at(pointer, "must not be in the future"))
    } else if on < came_on {
        Some(at(
            pointer,
            format!(
                "must not be before {came_on}, when the engine arrived",
                came_on = came_on.in_words()
            ),
        ))
    } else {
        None
    }
}

pub(super) fn at(pointer: impl Into<String>, detail: impl Into<String>) -> FieldError {
    FieldError {
        pointer: pointer.into(),
        detail: detail.into(),
    }
}

pub(super) fn refuse_if_any(broken: Vec<FieldError>) -> Result<(), Problem> {
    if broken.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid_all(broken))
    }
}

// SQL

/// Checks `needs` of a job of the engine; `id`: the job, if it exists already. The caller holds the engine's row lock,
/// so that no two requests close a circle at once.
pub(super) async fn broken_needs(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    id: Option<i64>,
    needs: &[i64],
) -> Result<Vec<FieldError>, Problem> {
    let of_engine: Vec<i64> = jobs::table
        .filter(jobs::stock_no.eq(stock_no))
        .select(jobs::id)
        .load(conn)
        .await?;
    let needed: Vec<(i64, i64)> = job_needs::table
        .filter(job_needs::job_id.eq_any(&of_engine))
        .select((job_needs::job_id, job_needs::needs_id))
        .load(conn)
        .await?;
    let comes_back = |first: i64| {
        let (mut waiting, mut seen) = (vec![first], Vec::new());
        while let Some(at) = waiting.pop() {
            if Some(at) == id {
                return true;
            }
            if !seen.contains(&at) {
                seen.push(at);
                let next = needed.iter().filter(|(job, _)| *job == at);
                waiting.extend(next.map(|(_, needs)| *needs));
            }
        }
        false
    };
    let broken = needs.iter().enumerate().filter_map(|(i, needed)| {
        let detail = if !of_engine.contains(needed) {
            "must be a job of the same engine"
        } else if comes_back(*needed) {
            "this would make the job depend on itself; remove one of the links in `needs`"
        } else {
            return None;
        };
        Some(at(format!("/needs/{i}"), detail))
    });
    Ok(broken.collect())
}
