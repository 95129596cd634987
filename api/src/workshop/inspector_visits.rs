//! Inspector's visits: the days on which an inspector comes.

use crate::{
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, respond},
        body::{Body, IfUnchanged},
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::Problem,
        text::Line,
    },
    schema::inspector_visits,
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
        .service(list_inspector_visits)
        .service(create_inspector_visit)
        .service(get_inspector_visit)
        .service(delete_inspector_visit);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = inspector_visits)]
#[schema(example = json!({"on": "2026-12-05", "tests": 4, "notes": "Ivo Pellasick"}))]
pub struct InspectorVisit {
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// How many tests they can see.
    #[schema(minimum = 1, maximum = 100)]
    pub tests: i32,
    pub notes: Option<Line>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = inspector_visits)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2027-01-16", "tests": 4, "notes": "Ivo Pellasick"}))]
pub struct NewInspectorVisit {
    /// At most one visit a day.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// How many tests the inspector can see: 1 to 100.
    #[schema(minimum = 1, maximum = 100)]
    pub tests: i32,
    pub notes: Option<Line>,
}

// Routes

/// List the inspector's visits
#[get("/inspector-visits", 200 = Page<InspectorVisit>)]
async fn list_inspector_visits(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let mut query = inspector_visits::table
            .select(InspectorVisit::as_select())
            .order(inspector_visits::on_day)
            .limit(page.limit)
            .into_boxed();
        if let Some((Value::String(day), _)) = &page.after
            && let Ok(day) = day.parse::<Day>()
        {
            query = query.filter(inspector_visits::on_day.gt(day));
        }
        query
    };
    list.rows(rows, |it: &InspectorVisit| (json!(it.on), 0))
        .await
}

/// Add a visit of the inspector
///
/// Refused (409) if there is already a visit that day.
#[post("/inspector-visits", 201 = InspectorVisit)]
async fn create_inspector_visit(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    new: Body<NewInspectorVisit>,
) -> Reply {
    if !(1..=100).contains(&new.tests) {
        return Err(Problem::invalid("/tests", "must be 1 to 100"));
    }
    db.create(&actor, &new, async |tx| {
        let made: InspectorVisit = diesel::insert_into(inspector_visits::table)
            .values(&*new)
            .returning(InspectorVisit::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("inspector_visit.created", None, json!({"on": made.on}))
            .await?;
        Ok((format!("/v1/inspector-visits/{}", made.on), made))
    })
    .await
}

/// Get a visit of the inspector
#[get("/inspector-visits/{on}", 200 = InspectorVisit, params(("on" = Day, Path, example = "2027-01-16")))]
async fn get_inspector_visit(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    on: web::Path<Day>,
) -> Reply {
    respond(&req, &find(&mut *db.read().await?, *on).await?)
}

/// Delete a visit of the inspector
#[delete("/inspector-visits/{on}", 204, params(("on" = Day, Path, example = "2027-01-16")))]
async fn delete_inspector_visit(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    on: web::Path<Day>,
    known: IfUnchanged,
) -> Reply {
    db.write(&actor, async |tx| {
        known.against(&find(tx.conn(), *on).await?)?;
        diesel::delete(inspector_visits::table.find(*on))
            .execute(tx.conn())
            .await?;
        tx.record("inspector_visit.deleted", None, json!({"on": *on}))
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

// SQL

async fn find(conn: &mut AsyncPgConnection, on: Day) -> Result<InspectorVisit, Problem> {
    let found: Option<InspectorVisit> = inspector_visits::table
        .find(on)
        .select(InspectorVisit::as_select())
        .first(conn)
        .await
        .optional()?;
    found.ok_or_else(|| {
        Problem::not_found(format!(
            "there is no inspector's visit on {on}",
            on = on.in_words()
        ))
    })
}

/// Visits on that day or later, in order.
pub(crate) async fn from(
    conn: &mut AsyncPgConnection,
    day: Day,
) -> Result<Vec<InspectorVisit>, Problem> {
    Ok(inspector_visits::table
        .filter(inspector_visits::on_day.ge(day))
        .select(InspectorVisit::as_select())
        .order(inspector_visits::on_day)
        .load(conn)
        .await?)
}
