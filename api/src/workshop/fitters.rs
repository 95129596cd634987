//! Fitters: who works in the workshop, their skills and hours, and the days on which they or the works are off.

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::{Found, Reply},
        body::{Body, IfUnchanged, Patch},
        db::{ById, Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Line, at_most},
    },
    schema::{days_off, fitters},
    workshop::jobs::Job,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    workshop::jobs::{Hours, Skill},
};
use outshop_operation::{delete, get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(list_fitters)
        .service(create_fitter)
        .service(get_fitter)
        .service(change_fitter)
        .service(list_days_off)
        .service(create_days_off)
        .service(get_days_off)
        .service(delete_days_off);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = fitters)]
#[schema(example = json!({"id": 1, "name": "Edda Morlock", "skills": ["fitting", "steaming"],
    "weekly_hours": ["7", "7", "7", "7", "5", "0", "0"], "until": null}))]
pub struct Fitter {
    pub id: i64,
    /// Spelled as on booked hours.
    pub name: Line,
    #[schema(max_items = 6)]
    pub skills: Vec<Skill>,
    /// Hours at the bench, Monday to Sunday.
    #[schema(min_items = 7, max_items = 7)]
    pub weekly_hours: Vec<Hours>,
    /// Last day with the firm; null: no end known.
    #[diesel(column_name = until_day)]
    pub until: Option<Day>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = fitters)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "Ivor Thrale", "skills": ["machining"], "weekly_hours": ["7", "7", "7", "7", "5", "0", "0"]}))]
pub struct NewFitter {
    /// Spelled as on booked hours; no two fitters may have the same name.
    pub name: Line,
    #[serde(deserialize_with = "at_most::<6, _, _>")]
    #[schema(max_items = 6)]
    pub skills: Vec<Skill>,
    /// Hours at the bench, Monday to Sunday; 0 to 24 each.
    #[schema(min_items = 7, max_items = 7)]
    pub weekly_hours: Vec<Hours>,
    /// Last day with the firm; null: no end known.
    #[diesel(column_name = until_day)]
    pub until: Option<Day>,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = fitters, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"weekly_hours": ["7", "7", "7", "7", "0", "0", "0"]}))]
pub struct FitterPatch {
    #[serde(deserialize_with = "at_most::<6, _, _>")]
    #[schema(max_items = 6)]
    pub skills: Vec<Skill>,
    /// Hours at the bench, Monday to Sunday; 0 to 24 each.
    #[schema(min_items = 7, max_items = 7)]
    pub weekly_hours: Vec<Hours>,
    /// Last day with the firm; null: no end known.
    #[diesel(column_name = until_day)]
    pub until: Option<Day>,
}

fn check_week(hours: &[Hours]) -> Result<(), Problem> {
    let day: Hours = "24".parse().expect("hours of a day");
    if hours.len() != 7 {
        let detail = "must be seven values, Monday to Sunday";
        return Err(Problem::invalid("/weekly_hours", detail));
    }
    let broken = hours.iter().enumerate();
    let broken = broken.filter(|(_, hours)| !(Hours::ZERO..=day).contains(*hours));
    let broken: Vec<FieldError> = broken
        .map(|(i, _)| FieldError {
            pointer: format!("/weekly_hours/{i}"),
            detail: "must be 0 to 24 hours".to_owned(),
        })
        .collect();
    if broken.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid_all(broken))
    }
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = days_off)]
#[schema(example = json!({"id": 1, "fitter_id": null, "from": "2026-08-10", "until": "2026-08-21", "notes": "annual shutdown"}))]
pub struct DaysOff {
    pub id: i64,
    /// null: the works are closed.
    pub fitter_id: Option<i64>,
    /// First day.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// Last day, inclusive.
    #[diesel(column_name = until_day)]
    pub until: Day,
    pub notes: Option<Line>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = days_off)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2027-08-09", "until": "2027-08-20", "notes": "annual shutdown"}))]
pub struct NewDaysOff {
    /// null: the works are closed.
    pub fitter_id: Option<i64>,
    /// First day.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// Last day, inclusive; at most 366 days after `from`.
    #[diesel(column_name = until_day)]
    pub until: Day,
    pub notes: Option<Line>,
}

// Routes

/// List the fitters
#[get("/fitters", 200 = Page<Fitter>)]
async fn list_fitters(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = fitters::table.select(Fitter::as_select());
        of_page!(page, all, fitters::id)
    };
    list.rows(rows, |it: &Fitter| it.id).await
}

/// Add a fitter
///
/// Refused (409) if another fitter has the same name.
#[post("/fitters", 201 = Fitter)]
async fn create_fitter(Owner(actor): Owner, db: web::Data<Db>, new: Body<NewFitter>) -> Reply {
    check_week(&new.weekly_hours)?;
    db.create(&actor, &new, async |tx| {
        let made: Fitter = diesel::insert_into(fitters::table)
            .values(&*new)
            .returning(Fitter::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("fitter.created", None, json!({"fitter_id": made.id}))
            .await?;
        Ok((format!("/v1/fitters/{}", made.id), made))
    })
    .await
}

/// Get a fitter
#[get("/fitters/{id:\\d+}", 200 = Fitter)]
async fn get_fitter(_by: Staff, found: Found<Fitter>) -> Reply {
    found.respond()
}

/// Change a fitter's skills and hours
///
/// The name cannot be changed: booked hours refer to it.
#[patch("/fitters/{id:\\d+}", 200 = Fitter)]
async fn change_fitter(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<FitterPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = Fitter::lock(tx.conn(), *id).await?;
        let change = patch.merged(&current)?;
        check_week(&change.weekly_hours)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: Fitter = diesel::update(fitters::table.find(*id))
            .set(&change)
            .returning(Fitter::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"fitter_id": *id, "members": patch.members()});
        tx.record("fitter.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

/// List the days off
#[get("/days-off", 200 = Page<DaysOff>)]
async fn list_days_off(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = days_off::table.select(DaysOff::as_select());
        of_page!(page, all, days_off::id)
    };
    list.rows(rows, |it: &DaysOff| it.id).await
}

/// Add days off
#[post("/days-off", 201 = DaysOff)]
async fn create_days_off(Owner(actor): Owner, db: web::Data<Db>, new: Body<NewDaysOff>) -> Reply {
    if !(0..=366).contains(&new.until.days_since(new.from)) {
        let detail = "must not be before `from` or more than 366 days after it";
        return Err(Problem::invalid("/until", detail));
    }
    db.create(&actor, &new, async |tx| {
        if let Some(error) = broken_id(tx.conn(), new.fitter_id).await? {
            return Err(Problem::invalid_all(vec![error]));
        }
        let made: DaysOff = diesel::insert_into(days_off::table)
            .values(&*new)
            .returning(DaysOff::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("days_off.created", None, json!({"days_off_id": made.id}))
            .await?;
        Ok((format!("/v1/days-off/{}", made.id), made))
    })
    .await
}

/// Get days off
#[get("/days-off/{id:\\d+}", 200 = DaysOff)]
async fn get_days_off(_by: Staff, found: Found<DaysOff>) -> Reply {
    found.respond()
}

/// Delete days off
#[delete("/days-off/{id:\\d+}", 204)]
async fn delete_days_off(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    known: IfUnchanged,
) -> Reply {
    db.write(&actor, async |tx| {
        known.against(&DaysOff::find(tx.conn(), *id).await?)?;
        diesel::delete(days_off::table.find(*id))
            .execute(tx.conn())
            .await?;
        tx.record("days_off.deleted", None, json!({"days_off_id": *id}))
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

// SQL

by_id!(DaysOff, days_off, "there are no days off {id}");
by_id!(Fitter, fitters, "there is no fitter {id}");

pub(crate) async fn all(conn: &mut AsyncPgConnection) -> Result<Vec<Fitter>, Problem> {
    Ok(fitters::table
        .select(Fitter::as_select())
        .order(fitters::id)
        .load(conn)
        .await?)
}

/// The error for a fitter id that does not exist.
pub(crate) async fn broken_id(
    conn: &mut AsyncPgConnection,
    id: Option<i64>,
) -> Result<Option<FieldError>, Problem> {
    let Some(id) = id else { return Ok(None) };
    let there: i64 = fitters::table.find(id).count().get_result(conn).await?;
    Ok((there == 0).then(|| FieldError {
        pointer: "/fitter_id".to_owned(),
        detail: format!("there is no fitter {id}"),
    }))
}

/// The assigned fitter's name, else the only one who booked hours.
pub(crate) async fn of_job(
    conn: &mut AsyncPgConnection,
    job: &Job,
) -> Result<Option<Line>, Problem> {
    if let Some(id) = job.facts.fitter_id {
        let name = fitters::table.find(id).select(fitters::name);
        return Ok(Some(name.first(conn).await?));
    }
    let mut names = job.hours.iter().map(|line| &line.fitter);
    let first = names.next();
    Ok(first
        .filter(|first| names.all(|name| name == *first))
        .cloned())
}

/// Days off that end on that day or later.
pub(crate) async fn days_off_from(
    conn: &mut AsyncPgConnection,
    day: Day,
) -> Result<Vec<DaysOff>, Problem> {
    Ok(days_off::table
        .filter(days_off::until_day.ge(day))
        .select(DaysOff::as_select())
        .load(conn)
        .await?)
}
