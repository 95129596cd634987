//! Installations: which boiler was in which engine, from when to when.

use crate::{
    boilers::boilers,
    ground::{
        actor::{Staff, Workshop},
        answers::{Found, Reply},
        body::{Body, Patch},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
    },
    schema::{boiler_installations, engines as engine_table, jobs},
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::{Day, TimeOfDay},
    workshop::jobs::JobStatus,
};
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::{cmp::Ordering, collections::HashMap};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_installations)
        .service(create_installation)
        .service(get_installation)
        .service(change_installation);
}

// Types

/// A boiler in an engine.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_installations)]
#[schema(example = json!({"id": 31, "boiler_id": 88, "stock_no": 10, "installed_on": "1998-05-02", "installed_at": null,
    "removed_on": null, "removed_at": null}))]
pub struct Installation {
    pub id: i64,
    pub boiler_id: i64,
    pub stock_no: i32,
    pub installed_on: Day,
    pub installed_at: Option<TimeOfDay>,
    /// null: still in the engine.
    pub removed_on: Option<Day>,
    pub removed_at: Option<TimeOfDay>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 10, "installed_on": "2026-05-02"}))]
pub struct NewInstallation {
    pub stock_no: i32,
    /// Not in the future, not before the boiler was made.
    pub installed_on: Day,
    /// Time of day; needed if on the same day a job was finished or another boiler was removed.
    pub installed_at: Option<TimeOfDay>,
}

/// Ends an installation: the boiler comes out of the engine.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = boiler_installations, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"removed_on": "2026-05-02"}))]
pub struct InstallationPatch {
    /// Not in the future, not before it was installed.
    pub removed_on: Option<Day>,
    /// Time of day; needed if on the same day a job was finished or another boiler was installed.
    pub removed_at: Option<TimeOfDay>,
}

// Routes

/// List the installations of a boiler
#[get("/boilers/{id:\\d+}/installations", 200 = Page<Installation>)]
async fn list_installations(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    boilers::must_exist(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = boiler_installations::table
            .filter(boiler_installations::boiler_id.eq(id))
            .select(Installation::as_select());
        of_page!(page, rows, boiler_installations::id)
    };
    list.rows(rows, |it: &Installation| it.id).await
}

/// Install a boiler in an engine
///
/// Refused (409) while the boiler is in another engine or the engine has another boiler.
#[post("/boilers/{id:\\d+}/installations", 201 = Installation)]
async fn create_installation(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewInstallation>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let fitting = fit(tx, *id, &new).await?;
        Ok((format!("/v1/installations/{}", fitting.id), fitting))
    })
    .await
}

/// Get an installation of a boiler
#[get("/installations/{id:\\d+}", 200 = Installation)]
async fn get_installation(_by: Staff, found: Found<Installation>) -> Reply {
    found.respond()
}

/// End an installation of a boiler
///
/// Set `removed_on` when the boiler is removed from its engine. Refused (409) if the installation has already ended.
#[patch("/installations/{id:\\d+}", 409, 200 = Installation)]
async fn change_installation(
    Workshop(actor): Workshop,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<InstallationPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = Installation::find(tx.conn(), *id).await?;
        stock::lock(tx.conn(), current.stock_no).await?;
        let boiler = boilers::lock(tx.conn(), current.boiler_id).await?;
        let current = Installation::lock(tx.conn(), *id).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        change.must_end(&current, &boiler, tx.actor.today)?;
        let ended: Installation = diesel::update(boiler_installations::table.find(*id))
            .set(&change)
            .returning(Installation::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"boiler_id": ended.boiler_id, "installation_id": *id, "removed_on": ended.removed_on});
        tx.record("boiler.removed", Some(ended.stock_no), entry)
            .await?;
        Ok(ended)
    })
    .await
}

impl InstallationPatch {
    fn must_end(
        &self,
        current: &Installation,
        boiler: &boilers::Boiler,
        today: Day,
    ) -> Result<(), Problem> {
        if let Some(ended) = current.removed_on {
            return Err(Problem::conflict(format!(
                "the installation ended on {ended}; record where the boiler went as a new installation",
                ended = ended.in_words()
            )));
        }
        let Some(on) = self.removed_on else {
            return Err(Problem::invalid(
                "/removed_on",
                "give the day on which the boiler was removed",
            ));
        };
        boilers::check_day("/removed_on", on, boiler, today)?;
        let installed_on = current.installed_on;
        if on < installed_on {
            return Err(Problem::invalid(
                "/removed_on",
                format!(
                    "must not be before {installed_on}, when it was installed",
                    installed_on = installed_on.in_words()
                ),
            ));
        }
        match current.installed_at.zip(self.removed_at) {
            Some((time, at)) if on == installed_on && at < time => Err(Problem::invalid(
                "/removed_at",
                format!("must not be before {time}, when it was installed that day"),
            )),
            _ => Ok(()),
        }
    }
}

// SQL

by_id!(
    Installation,
    boiler_installations,
    "there is no installation {id}"
);

/// The boiler that was in an engine on a day.
pub(crate) async fn in_engine_on(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<i64>, Problem> {
    Ok(in_engines_on(conn, &[stock_no], on)
        .await?
        .remove(&stock_no))
}

/// The boiler that was in each of these engines on a day, by stock number.
pub(crate) async fn in_engines_on(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, i64>, Problem> {
    let fitted = installed_in(conn, stock_nos).await?.into_iter();
    let there = fitted.filter(|fitted| fitted.on(on));
    Ok(there.map(|it| (it.stock_no, it.boiler_id)).collect())
}

/// A boiler in an engine.
pub(crate) struct Fitted {
    pub stock_no: i32,
    pub boiler_id: i64,
    pub from: Day,
    from_at: Option<TimeOfDay>,
    /// The day it was removed; at the end of that day it is out.
    pub until: Option<Day>,
    until_at: Option<TimeOfDay>,
}

impl Fitted {
    pub(crate) fn on(&self, day: Day) -> bool {
        self.from <= day && self.until.is_none_or(|until| day < until)
    }

    /// Whether it was in the engine at that time of that day; `None`: the recorded times do not say.
    fn at(&self, on: Day, at: Option<TimeOfDay>) -> Option<bool> {
        let by_then = |day: Day, time: Option<TimeOfDay>| match (day.cmp(&on), time.zip(at)) {
            (Ordering::Less, _) => Some(true),
            (Ordering::Greater, _) => Some(false),
            (Ordering::Equal, times) => times.map(|(time, at)| time <= at),
        };
        let came = by_then(self.from, self.from_at);
        let went = self
            .until
            .map_or(Some(false), |day| by_then(day, self.until_at));
        match (came, went) {
            (Some(false), _) | (_, Some(true)) => Some(false),
            (Some(true), Some(false)) => Some(true),
            (None, _) | (_, None) => None,
        }
    }
}

/// The boiler worked on by a job that was finished at that time of that day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum WorkedOn {
    /// `None`: no boiler is recorded in the engine.
    One(Option<i64>),
    /// The records do not say which of these it was.
    OneOf(Vec<i64>),
    /// No boiler was in the engine then, but these were since the job was started.
    Away(Vec<i64>),
}

/// `fitted`: the boilers of the engine. `started_on`: of the job; a boiler in the engine since then may have been
/// worked on while it was out.
pub(crate) fn worked_on(
    fitted: &[Fitted],
    started_on: Day,
    (on, at): (Day, Option<TimeOfDay>),
) -> WorkedOn {
    let distinct = |those: &dyn Fn(&Fitted) -> bool| {
        let mut ids: Vec<i64> = Vec::new();
        for it in fitted.iter().filter(|it| those(it)) {
            if !ids.contains(&it.boiler_id) {
                ids.push(it.boiler_id);
            }
        }
        ids
    };
    let certain = distinct(&|it| it.at(on, at) == Some(true));
    let possible = distinct(&|it| it.at(on, at).is_none());
    let since = in_between(fitted, started_on, on);
    match (&certain[..], &possible[..]) {
        ([one], _) | ([], [one]) => WorkedOn::One(Some(*one)),
        ([], []) if since.is_empty() => WorkedOn::One(None),
        ([], []) => WorkedOn::Away(since),
        _ => WorkedOn::OneOf([certain, possible].concat()),
    }
}

/// All boilers that were in an engine on any of those days.
pub(crate) fn in_between(fitted: &[Fitted], from: Day, until: Day) -> Vec<i64> {
    let there = fitted.iter();
    let mut ids: Vec<i64> = there
        .filter(|it| it.from <= until && it.until.is_none_or(|day| day >= from))
        .map(|it| it.boiler_id)
        .collect();
    ids.sort_unstable();
    ids.dedup();
    ids
}

/// All boilers that were ever in these engines, earliest first.
pub(crate) async fn installed_in(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<Fitted>, Problem> {
    type Times = (Option<TimeOfDay>, Option<TimeOfDay>);
    let rows: Vec<(i32, i64, Day, Option<Day>, Times)> = boiler_installations::table
        .filter(boiler_installations::stock_no.eq_any(stock_nos))
        .order((boiler_installations::installed_on, boiler_installations::id))
        .select((
            boiler_installations::stock_no,
            boiler_installations::boiler_id,
            boiler_installations::installed_on,
            boiler_installations::removed_on,
            (
                boiler_installations::installed_at,
                boiler_installations::removed_at,
            ),
        ))
        .load(conn)
        .await?;
    let fitted =
        rows.into_iter().map(
            |(stock_no, boiler_id, from, until, (from_at, until_at))| Fitted {
                stock_no,
                boiler_id,
                from,
                from_at,
                until,
                until_at,
            },
        );
    Ok(fitted.collect())
}

async fn fit(tx: &mut Tx<'_>, id: i64, new: &NewInstallation) -> Result<Installation, Problem> {
    boilers::must_exist(tx.conn(), id).await?;
    let has_boiler: Option<bool> = engine_table::table
        .find(new.stock_no)
        .select(engine_table::has_boiler)
        .for_update()
        .first(tx.conn())
        .await
        .optional()?;
    let stock_no = new.stock_no;
    let has_boiler = has_boiler
        .ok_or_else(|| Problem::invalid("/stock_no", format!("there is no engine {stock_no}")))?;
    let boiler = boilers::lock(tx.conn(), id).await?;
    boilers::check_day("/installed_on", new.installed_on, &boiler, tx.actor.today)?;
    if !has_boiler {
        return Err(Problem::conflict(format!(
            "engine {stock_no} is recorded as built without a boiler; set its `has_boiler` to true first"
        )));
    }
    let overlapping: Option<Installation> = boiler_installations::table
        .filter(
            boiler_installations::boiler_id
                .eq(id)
                .or(boiler_installations::stock_no.eq(stock_no)),
        )
        .filter(
            boiler_installations::removed_on
                .is_null()
                .or(boiler_installations::removed_on
                    .assume_not_null()
                    .gt(new.installed_on)),
        )
        .select(Installation::as_select())
        .order(boiler_installations::removed_on.desc())
        .first(tx.conn())
        .await
        .optional()?;
    if let Some(other) = overlapping {
        return Err(Problem::conflict(overlap(&other, id, stock_no)));
    }
    let taken_out_later: Option<TimeOfDay> = boiler_installations::table
        .filter(
            boiler_installations::boiler_id
                .eq(id)
                .or(boiler_installations::stock_no.eq(stock_no)),
        )
        .filter(boiler_installations::removed_on.eq(new.installed_on))
        .filter(boiler_installations::removed_at.gt(new.installed_at))
        .select(boiler_installations::removed_at.assume_not_null())
        .first(tx.conn())
        .await
        .optional()?;
    if let Some(time) = taken_out_later {
        let detail =
            format!("must not be before {time}, when the previous boiler was removed that day");
        return Err(Problem::invalid("/installed_at", detail));
    }
    let fitting: Installation = diesel::insert_into(boiler_installations::table)
        .values((
            boiler_installations::boiler_id.eq(id),
            boiler_installations::stock_no.eq(stock_no),
            boiler_installations::installed_on.eq(new.installed_on),
            boiler_installations::installed_at.eq(new.installed_at),
        ))
        .returning(Installation::as_returning())
        .get_result(tx.conn())
        .await?;
    let jobs = give_jobs_their_boiler(tx.conn(), &fitting).await?;
    let mut entry = json!({"boiler_id": id, "installation_id": fitting.id, "installed_on": fitting.installed_on});
    if !jobs.is_empty() {
        entry["jobs"] = json!(jobs);
    }
    tx.record("boiler.installed", Some(stock_no), entry).await?;
    Ok(fitting)
}

/// Links jobs that were finished while this boiler was in the engine but before its installation was recorded. Jobs
/// that already have a boiler keep it.
async fn give_jobs_their_boiler(
    conn: &mut AsyncPgConnection,
    fitting: &Installation,
) -> Result<Vec<i64>, Problem> {
    let finished_on = jobs::finished_on.assume_not_null();
    let later_that_day = finished_on.eq(fitting.installed_on).and(
        jobs::finished_at
            .ge(fitting.installed_at)
            .is_distinct_from(false),
    );
    let unknown = jobs::table
        .filter(jobs::stock_no.eq(fitting.stock_no))
        .filter(jobs::status.eq(JobStatus::Finished))
        .filter(jobs::boiler_id.is_null())
        .filter(finished_on.gt(fitting.installed_on).or(later_that_day));
    let mut given: Vec<i64> = diesel::update(unknown)
        .set(jobs::boiler_id.eq(fitting.boiler_id))
        .returning(jobs::id)
        .load(conn)
        .await?;
    given.sort_unstable();
    Ok(given)
}

fn overlap(other: &Installation, boiler: i64, stock_no: i32) -> String {
    let Installation {
        boiler_id,
        stock_no: engine,
        ..
    } = other;
    match (other.removed_on, *boiler_id == boiler, *engine == stock_no) {
        (None, true, true) => {
            format!("boiler {boiler} is already in engine {engine}; nothing to do")
        }
        (None, true, false) => {
            format!(
                "boiler {boiler} is in engine {engine}; set `removed_on` of that installation first"
            )
        }
        (None, false, _) => {
            format!(
                "engine {engine} has boiler {boiler_id}; set `removed_on` of that installation first"
            )
        }
        (Some(until), true, _) => {
            format!(
                "boiler {boiler} was in engine {engine} until {until}; use a later day",
                until = until.in_words()
            )
        }
        (Some(until), false, _) => {
            format!(
                "engine {engine} had boiler {boiler_id} until {until}; use a later day",
                until = until.in_words()
            )
        }
    }
}
