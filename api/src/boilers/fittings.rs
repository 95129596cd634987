//! Fittings: which boiler was in which engine, from when to when.

use crate::{
    boilers::boilers,
    ground::{
        actor::{Staff, Workshop},
        answers::{Found, Reply},
        body::Body,
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
    },
    schema::{boiler_fittings, engines as engine_table, jobs},
    stock,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::{Day, TimeOfDay},
    workshop::jobs::JobStanding,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::{cmp::Ordering, collections::HashMap};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_fittings)
        .service(create_fitting)
        .service(create_removal)
        .service(get_fitting);
}

// Types

/// A boiler in an engine.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_fittings)]
#[schema(example = json!({"id": 31, "boiler_id": 88, "stock_no": 10, "fitted_on": "1998-05-02", "fitted_at": null,
    "taken_out_on": null, "taken_out_at": null}))]
pub struct Fitting {
    pub id: i64,
    pub boiler_id: i64,
    pub stock_no: i32,
    pub fitted_on: Day,
    pub fitted_at: Option<TimeOfDay>,
    /// Null while it is in there.
    pub taken_out_on: Option<Day>,
    pub taken_out_at: Option<TimeOfDay>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 10, "fitted_on": "2026-05-02"}))]
pub struct NewFitting {
    pub stock_no: i32,
    /// Today or earlier, not before the boiler was made.
    pub fitted_on: Day,
    /// Time of day, where a job was finished or another boiler was taken out on the same day.
    pub fitted_at: Option<TimeOfDay>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-02"}))]
pub struct NewRemoval {
    /// Today or earlier, not before it was fitted.
    pub on: Day,
    /// Time of day, where a job was finished or another boiler was fitted on the same day.
    pub at: Option<TimeOfDay>,
}

// Routes

/// List the engines that a boiler was in
#[get("/boilers/{id:\\d+}/fittings", 200 = Page<Fitting>)]
async fn list_fittings(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    boilers::must_exist(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = boiler_fittings::table
            .filter(boiler_fittings::boiler_id.eq(id))
            .select(Fitting::as_select());
        of_page!(page, rows, boiler_fittings::id)
    };
    list.rows(rows, |it: &Fitting| it.id).await
}

/// Fit a boiler to an engine
///
/// Refused while the boiler is in another engine or the engine has another boiler.
#[post("/boilers/{id:\\d+}/fittings", 201 = Fitting)]
async fn create_fitting(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewFitting>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let fitting = fit(tx, *id, &new).await?;
        Ok((format!("/v1/fittings/{}", fitting.id), fitting))
    })
    .await
}

/// Take a boiler out of its engine
///
/// Ends the present fitting and answers it.
#[post("/boilers/{id:\\d+}/removals", 201 = Fitting)]
async fn create_removal(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewRemoval>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let fitting = take_out(tx, *id, &new).await?;
        Ok((format!("/v1/fittings/{}", fitting.id), fitting))
    })
    .await
}

/// Read a fitting
#[get("/fittings/{id:\\d+}", 200 = Fitting)]
async fn get_fitting(_by: Staff, found: Found<Fitting>) -> Reply {
    found.shown()
}

// SQL

by_id!(Fitting, boiler_fittings, "there is no fitting {id}");

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

/// By stock number the boiler that was in each of these engines on a day.
pub(crate) async fn in_engines_on(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, i64>, Problem> {
    let fitted = fitted_in(conn, stock_nos).await?.into_iter();
    let there = fitted.filter(|fitted| fitted.on(on));
    Ok(there.map(|it| (it.stock_no, it.boiler_id)).collect())
}

/// A boiler in an engine.
pub(crate) struct Fitted {
    pub stock_no: i32,
    pub boiler_id: i64,
    pub from: Day,
    from_at: Option<TimeOfDay>,
    /// The day on which it was taken out, and no more in at its end.
    pub until: Option<Day>,
    until_at: Option<TimeOfDay>,
}

impl Fitted {
    pub(crate) fn on(&self, day: Day) -> bool {
        self.from <= day && self.until.is_none_or(|until| day < until)
    }

    /// Whether it was in at that time of that day; `None` where the times recorded do not tell.
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

/// The boiler that a job was on which is finished at that time of that day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum WorkedOn {
    /// `None` if no boiler is recorded in the engine.
    One(Option<i64>),
    /// What is recorded does not tell which of these it was.
    OneOf(Vec<i64>),
    /// No boiler is in the engine then, but these were since the job was begun.
    Away(Vec<i64>),
}

/// `fitted`: the boilers of the engine. `begun_on`: of the job; a boiler that was in the engine since then may have been worked
/// on out of it.
pub(crate) fn worked_on(
    fitted: &[Fitted],
    begun_on: Day,
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
    let since = in_between(fitted, begun_on, on);
    match (&certain[..], &possible[..]) {
        ([one], _) | ([], [one]) => WorkedOn::One(Some(*one)),
        ([], []) if since.is_empty() => WorkedOn::One(None),
        ([], []) => WorkedOn::Away(since),
        _ => WorkedOn::OneOf([certain, possible].concat()),
    }
}

/// All boilers that were in an engine on one of those days.
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

/// All boilers that were ever in these engines, the earlier first.
pub(crate) async fn fitted_in(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<Fitted>, Problem> {
    type Times = (Option<TimeOfDay>, Option<TimeOfDay>);
    let rows: Vec<(i32, i64, Day, Option<Day>, Times)> = boiler_fittings::table
        .filter(boiler_fittings::stock_no.eq_any(stock_nos))
        .order((boiler_fittings::fitted_on, boiler_fittings::id))
        .select((
            boiler_fittings::stock_no,
            boiler_fittings::boiler_id,
            boiler_fittings::fitted_on,
            boiler_fittings::taken_out_on,
            (boiler_fittings::fitted_at, boiler_fittings::taken_out_at),
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

async fn fit(tx: &mut Tx<'_>, id: i64, new: &NewFitting) -> Result<Fitting, Problem> {
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
    boilers::check_day("/fitted_on", new.fitted_on, &boiler, tx.actor.today)?;
    if !has_boiler {
        return Err(Problem::conflict(format!(
            "engine {stock_no} is recorded as made without a boiler; set its has_boiler first"
        )));
    }
    let standing_against: Option<Fitting> = boiler_fittings::table
        .filter(
            boiler_fittings::boiler_id
                .eq(id)
                .or(boiler_fittings::stock_no.eq(stock_no)),
        )
        .filter(
            boiler_fittings::taken_out_on
                .is_null()
                .or(boiler_fittings::taken_out_on
                    .assume_not_null()
                    .gt(new.fitted_on)),
        )
        .select(Fitting::as_select())
        .order(boiler_fittings::taken_out_on.desc())
        .first(tx.conn())
        .await
        .optional()?;
    if let Some(other) = standing_against {
        return Err(Problem::conflict(overlap(&other, id, stock_no)));
    }
    let taken_out_later: Option<TimeOfDay> = boiler_fittings::table
        .filter(
            boiler_fittings::boiler_id
                .eq(id)
                .or(boiler_fittings::stock_no.eq(stock_no)),
        )
        .filter(boiler_fittings::taken_out_on.eq(new.fitted_on))
        .filter(boiler_fittings::taken_out_at.gt(new.fitted_at))
        .select(boiler_fittings::taken_out_at.assume_not_null())
        .first(tx.conn())
        .await
        .optional()?;
    if let Some(time) = taken_out_later {
        let detail = format!("the boiler before was taken out at {time}, later on that day");
        return Err(Problem::invalid("/fitted_at", detail));
    }
    let fitting: Fitting = diesel::insert_into(boiler_fittings::table)
        .values((
            boiler_fittings::boiler_id.eq(id),
            boiler_fittings::stock_no.eq(stock_no),
            boiler_fittings::fitted_on.eq(new.fitted_on),
            boiler_fittings::fitted_at.eq(new.fitted_at),
        ))
        .returning(Fitting::as_returning())
        .get_result(tx.conn())
        .await?;
    let jobs = give_jobs_their_boiler(tx.conn(), &fitting).await?;
    let mut entry =
        json!({"boiler_id": id, "fitting_id": fitting.id, "fitted_on": fitting.fitted_on});
    if !jobs.is_empty() {
        entry["jobs"] = json!(jobs);
    }
    tx.record("boiler.fitted", Some(stock_no), entry).await?;
    Ok(fitting)
}

/// Jobs that were finished while this boiler was in the engine, before that was written down, were on it. Those of which a
/// boiler is on record keep theirs.
async fn give_jobs_their_boiler(
    conn: &mut AsyncPgConnection,
    fitting: &Fitting,
) -> Result<Vec<i64>, Problem> {
    let finished_on = jobs::finished_on.assume_not_null();
    let later_that_day = finished_on.eq(fitting.fitted_on).and(
        jobs::finished_at
            .ge(fitting.fitted_at)
            .is_distinct_from(false),
    );
    let unknown = jobs::table
        .filter(jobs::stock_no.eq(fitting.stock_no))
        .filter(jobs::standing.eq(JobStanding::Finished))
        .filter(jobs::boiler_id.is_null())
        .filter(finished_on.gt(fitting.fitted_on).or(later_that_day));
    let mut given: Vec<i64> = diesel::update(unknown)
        .set(jobs::boiler_id.eq(fitting.boiler_id))
        .returning(jobs::id)
        .load(conn)
        .await?;
    given.sort_unstable();
    Ok(given)
}

fn overlap(other: &Fitting, boiler: i64, stock_no: i32) -> String {
    let Fitting {
        boiler_id,
        stock_no: engine,
        ..
    } = other;
    match (
        other.taken_out_on,
        *boiler_id == boiler,
        *engine == stock_no,
    ) {
        (None, true, true) => format!("boiler {boiler} is in engine {engine} already"),
        (None, true, false) => {
            format!("boiler {boiler} is in engine {engine}; take it out there first")
        }
        (None, false, _) => format!("engine {engine} has boiler {boiler_id}; take that out first"),
        (Some(until), true, _) => format!("boiler {boiler} was in engine {engine} until {until}"),
        (Some(until), false, _) => format!("engine {engine} had boiler {boiler_id} until {until}"),
    }
}

async fn take_out(tx: &mut Tx<'_>, id: i64, new: &NewRemoval) -> Result<Fitting, Problem> {
    let NewRemoval { on, at } = *new;
    let stock_no = boilers::find(tx.conn(), id).await?.stock_no;
    if let Some(stock_no) = stock_no {
        stock::lock(tx.conn(), stock_no).await?;
    }
    let boiler = boilers::lock(tx.conn(), id).await?;
    let (Some(stock_no), Some(fitted_on)) = (boiler.stock_no, boiler.fitted_on) else {
        return Err(Problem::conflict(format!("boiler {id} is in no engine")));
    };
    boilers::check_day("/on", on, &boiler, tx.actor.today)?;
    if on < fitted_on {
        return Err(Problem::invalid(
            "/on",
            format!("before it was fitted, on {fitted_on}"),
        ));
    }
    let present = boiler_fittings::table.filter(
        boiler_fittings::boiler_id
            .eq(id)
            .and(boiler_fittings::taken_out_on.is_null()),
    );
    let fitted_at: Option<TimeOfDay> = present
        .select(boiler_fittings::fitted_at)
        .first(tx.conn())
        .await?;
    if let Some((time, _)) = fitted_at
        .zip(at)
        .filter(|(time, at)| on == fitted_on && at < time)
    {
        return Err(Problem::invalid(
            "/at",
            format!("before it was fitted, at {time} of that day"),
        ));
    }
    let fitting: Fitting = diesel::update(present)
        .set((
            boiler_fittings::taken_out_on.eq(on),
            boiler_fittings::taken_out_at.eq(at),
        ))
        .returning(Fitting::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"boiler_id": id, "fitting_id": fitting.id, "taken_out_on": on});
    tx.record("boiler.taken_out", Some(stock_no), entry).await?;
    Ok(fitting)
}
