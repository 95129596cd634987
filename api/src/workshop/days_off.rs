//! Days off: when the works are shut, or a fitter is not there.

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::shown,
        body::{Body, Known},
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, NoFilters, Page},
        operations::Operations,
        problem::Problem,
        text::Line,
    },
    schema::days_off,
    workshop::fitters,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::days::Day;
use outshop_operation::{delete, get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(list_days_off)
        .service(create_days_off)
        .service(get_days_off)
        .service(delete_days_off);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = days_off)]
#[schema(example = json!({"id": 1, "fitter_id": null, "from": "2026-12-24", "until": "2027-01-03", "words": "Christmas"}))]
pub struct DaysOff {
    pub id: i64,
    /// Null: the works are shut.
    pub fitter_id: Option<i64>,
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// Inclusive.
    #[diesel(column_name = until_day)]
    pub until: Day,
    pub words: Option<Line>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = days_off)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2027-03-26", "until": "2027-03-29", "words": "Easter"}))]
pub struct NewDaysOff {
    /// The works are shut unless a fitter is named.
    pub fitter_id: Option<i64>,
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// Inclusive; at most a year.
    #[diesel(column_name = until_day)]
    pub until: Day,
    pub words: Option<Line>,
}

// Routes

/// List the days off
#[get("/days-off", 200 = Page<DaysOff>)]
async fn list_days_off(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let fetch = async |conn: &mut AsyncPgConnection, page: Keyset| {
        let query = days_off::table
            .filter(days_off::id.gt(page.after_id().unwrap_or(0)))
            .select(DaysOff::as_select())
            .order(days_off::id)
            .limit(page.limit);
        Ok(query.load(conn).await?)
    };
    list.answer(&req, &db, fetch, |it: &DaysOff| (Value::Null, it.id))
        .await
}

/// Set days off
#[post("/days-off", 201 = DaysOff)]
async fn create_days_off(
    Owner(actor): Owner,
    db: web::Data<Db>,
    new: Body<NewDaysOff>,
) -> Result<HttpResponse, Problem> {
    if !(0..=366).contains(&new.until.days_since(new.from)) {
        let detail = "not from the first day to a year after it";
        return Err(Problem::invalid("/until", detail));
    }
    db.create(&actor, &new, async |tx| {
        if let Some(error) = fitters::broken_id(tx.conn(), new.fitter_id).await? {
            return Err(Problem::invalid_all(vec![error]));
        }
        let made: DaysOff = diesel::insert_into(days_off::table)
            .values(&*new)
            .returning(DaysOff::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("days_off.set", None, json!({"days_off_id": made.id}))
            .await?;
        Ok((format!("/v1/days-off/{}", made.id), made))
    })
    .await
}

/// Read days off
#[get("/days-off/{id:\\d+}", 200 = DaysOff)]
async fn get_days_off(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    shown(&req, &find(&mut *db.read().await?, *id).await?)
}

/// Take days off back
#[delete("/days-off/{id:\\d+}", 204)]
async fn delete_days_off(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    known: Known,
) -> Result<HttpResponse, Problem> {
    db.write(&actor, async |tx| {
        known.against(&find(tx.conn(), *id).await?)?;
        diesel::delete(days_off::table.find(*id))
            .execute(tx.conn())
            .await?;
        tx.record("days_off.taken_back", None, json!({"days_off_id": *id}))
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

// SQL

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<DaysOff, Problem> {
    let found: Option<DaysOff> = days_off::table
        .find(id)
        .select(DaysOff::as_select())
        .first(conn)
        .await
        .optional()?;
    found.ok_or_else(|| Problem::not_found(format!("there are no days off {id}")))
}

/// Those that end on the day or later.
pub(crate) async fn from(conn: &mut AsyncPgConnection, day: Day) -> Result<Vec<DaysOff>, Problem> {
    Ok(days_off::table
        .filter(days_off::until_day.ge(day))
        .select(DaysOff::as_select())
        .load(conn)
        .await?)
}
