//! Transitions of a job: agreed, started, finished or called off, and the boiler that a finished job was on.

use super::{Job, JobFacts, address, find, lock};
use crate::{
    boilers::installations::{self, WorkedOn},
    engines::findings,
    ground::{
        actor::Workshop,
        answers::Reply,
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        problem::Problem,
    },
    schema::jobs,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::boiler::Touches,
    days::{Day, TimeOfDay},
    workshop::jobs::{JobDays, JobStatus, MoveFault},
};
use outshop_operation::post;
use serde::Deserialize;
use serde_json::json;
use utoipa::ToSchema;

// Types

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"to": "agreed", "on": "2026-04-10"}))]
pub struct NewTransition {
    /// A proposed job is agreed, then started, then finished; until then it can be called off.
    pub to: JobStatus,
    /// Not before the previous transition, not in the future.
    pub on: Day,
    /// Time of day it was finished; needed if a test was made or a boiler was moved on the same day.
    pub at: Option<TimeOfDay>,
    /// The boiler that a finished job was on; needed if the engine had several on that day, or none. It must have been
    /// in the engine between the start and the finish of the job.
    pub boiler_id: Option<i64>,
}

impl JobFacts {
    fn days(&self) -> JobDays {
        JobDays {
            status: self.status,
            proposed_on: self.proposed_on,
            agreed_on: self.agreed_on,
            started_on: self.started_on,
            finished_on: self.finished_on,
            called_off_on: self.called_off_on,
        }
    }
}

// Routes

/// Change the status of a job
///
/// A job is agreed, started, then finished; until then it can be called off. Finishing it clears its findings from that
/// day and records the boiler that was in the engine: its certificates then take account of the work. If the records do
/// not show which boiler that was, it is refused (422) until the time of day or the boiler is given. Transitions out of
/// order are refused (409).
#[post("/jobs/{id:\\d+}/transitions", 201 = Job)]
pub(super) async fn create_job_transition(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewTransition>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let current = lock(tx.conn(), *id).await?;
        if new.at.is_some() && new.to != JobStatus::Finished {
            let detail = "must be null unless `to` is finished";
            return Err(Problem::invalid("/at", detail));
        }
        if new.boiler_id.is_some() && new.to != JobStatus::Finished {
            let detail = "must be null unless `to` is finished";
            return Err(Problem::invalid("/boiler_id", detail));
        }
        let days = current
            .facts
            .days()
            .moved(new.to, new.on, actor.today)
            .map_err(|fault| match fault {
                MoveFault::NotAllowed { .. } => Problem::conflict(fault.to_string()),
                MoveFault::StillToCome { .. } | MoveFault::TooEarly { .. } => {
                    Problem::invalid("/on", fault.to_string())
                }
            })?;
        store_transition(tx, &current, days, &new).await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

// SQL

async fn store_transition(
    tx: &mut Tx<'_>,
    current: &Job,
    days: JobDays,
    new: &NewTransition,
) -> Result<(), Problem> {
    let JobFacts { id, stock_no, .. } = current.facts;
    let (boiler_id, cleared) = match days.status {
        JobStatus::Finished => (
            boiler_of_finish(tx.conn(), &current.facts, new).await?,
            findings::clear_by_job(tx.conn(), id, &current.findings, new.on).await?,
        ),
        JobStatus::Proposed | JobStatus::Agreed | JobStatus::Started | JobStatus::CalledOff => {
            (None, Vec::new())
        }
    };
    diesel::update(jobs::table.find(id))
        .set((
            jobs::status.eq(days.status),
            jobs::agreed_on.eq(days.agreed_on),
            jobs::started_on.eq(days.started_on),
            jobs::finished_on.eq(days.finished_on),
            jobs::finished_at.eq(new.at),
            jobs::boiler_id.eq(boiler_id),
            jobs::called_off_on.eq(days.called_off_on),
        ))
        .execute(tx.conn())
        .await?;
    let mut entry = json!({"job_id": id, "on": new.on});
    let what = match days.status {
        JobStatus::Proposed => "job.proposed",
        JobStatus::Agreed => "job.agreed",
        JobStatus::Started => "job.started",
        JobStatus::Finished => {
            entry["touches"] = json!(current.facts.touches);
            entry["boiler_id"] = json!(boiler_id);
            entry["findings"] = json!(cleared);
            "job.finished"
        }
        JobStatus::CalledOff => "job.called_off",
    };
    tx.record(what, Some(stock_no), entry).await
}

/// The boiler that a job finished by this transition was on.
async fn boiler_of_finish(
    conn: &mut AsyncPgConnection,
    job: &JobFacts,
    new: &NewTransition,
) -> Result<Option<i64>, Problem> {
    let fitted = installations::installed_in(conn, &[job.stock_no]).await?;
    let started_on = job.started_on.unwrap_or(new.on);
    if let Some(named) = new.boiler_id {
        let there = installations::in_between(&fitted, started_on, new.on);
        if there.contains(&named) {
            return Ok(Some(named));
        }
        let detail = format!(
            "boiler {named} was not in the engine on any day from {started_on} to {}; boilers that were: {there:?}",
            new.on.in_words(),
            started_on = started_on.in_words()
        );
        return Err(Problem::invalid("/boiler_id", detail));
    }
    let is_of_boiler = job.touches.iter().any(|it| match it {
        Touches::PressureParts | Touches::SafetyValvesAndFittings => true,
        Touches::Motion | Touches::GasTank | Touches::Other => false,
    });
    match installations::worked_on(&fitted, started_on, (new.on, new.at)) {
        WorkedOn::One(boiler) => Ok(boiler),
        WorkedOn::Away(_) if !is_of_boiler => Ok(None),
        WorkedOn::OneOf(boilers) => {
            let detail = format!(
                "boilers {boilers:?} were in the engine that day; send the one worked on, or `at` if their times are recorded"
            );
            Err(Problem::invalid("/boiler_id", detail))
        }
        WorkedOn::Away(boilers) => {
            let detail = format!(
                "no boiler was in the engine at that time; send the one worked on, of {boilers:?}"
            );
            Err(Problem::invalid("/boiler_id", detail))
        }
    }
}
