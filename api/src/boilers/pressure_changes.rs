//! Pressure changes: the working pressure of a boiler over time.

use crate::{
    boilers::boilers::{self, Boiler},
    ground::{
        actor::{Staff, Workshop},
        answers::{Found, Reply},
        body::Body,
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::Text,
    },
    schema::boiler_pressure_changes,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::{Day, TimeOfDay},
    sense::{self, Member},
    units::Pressure,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_pressure_changes)
        .service(create_pressure_change)
        .service(get_pressure_change);
}

// Types

/// A change of working pressure, up or down; it voids all certificates of the boiler.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_pressure_changes)]
#[schema(example = json!({"id": 5, "boiler_id": 88, "on": "2026-05-02", "at": null,
    "working_pressure": {"value": "80", "unit": "psi", "bar": "5.5158"}, "reason": "Valve reset after the inspector's advice",
    "confirmed": []}))]
pub struct PressureChange {
    pub id: i64,
    pub boiler_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Time of day; matters when a change and a test fall on the same day.
    pub at: Option<TimeOfDay>,
    /// From that day on.
    pub working_pressure: Pressure,
    pub reason: Text<500>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-02", "working_pressure": {"value": "80", "unit": "psi"},
    "reason": "Valve reset after the inspector's advice"}))]
pub struct NewPressureChange {
    /// Not in the future, not before the last recorded change.
    pub on: Day,
    /// Time of day; matters when a change and a test fall on the same day.
    pub at: Option<TimeOfDay>,
    /// From that day on; 10 to 250 psi unless confirmed.
    pub working_pressure: Pressure,
    /// true: accept a pressure outside the usual limits.
    #[serde(default)]
    pub working_pressure_confirmed: bool,
    pub reason: Text<500>,
}

// Routes

/// List the pressure changes of a boiler
#[get("/boilers/{id:\\d+}/pressure-changes", 200 = Page<PressureChange>)]
async fn list_pressure_changes(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    boilers::must_exist(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = boiler_pressure_changes::table
            .filter(boiler_pressure_changes::boiler_id.eq(id))
            .select(PressureChange::as_select());
        of_page!(page, rows, boiler_pressure_changes::id)
    };
    list.rows(rows, |it: &PressureChange| it.id).await
}

/// Record a change of a boiler's working pressure
///
/// Voids every certificate of the boiler from that day, whether the pressure goes up or down.
#[post("/boilers/{id:\\d+}/pressure-changes", 201 = PressureChange)]
async fn create_pressure_change(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewPressureChange>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let change = change_pressure(tx, *id, &new).await?;
        Ok((format!("/v1/pressure-changes/{}", change.id), change))
    })
    .await
}

/// Get a pressure change of a boiler
#[get("/pressure-changes/{id:\\d+}", 200 = PressureChange)]
async fn get_pressure_change(_by: Staff, found: Found<PressureChange>) -> Reply {
    found.respond()
}

// SQL

by_id!(
    PressureChange,
    boiler_pressure_changes,
    "there is no pressure change {id}"
);

/// The working pressure of a boiler on a day, after that day's changes.
pub(crate) async fn working_pressure_on(
    conn: &mut AsyncPgConnection,
    boiler: &Boiler,
    on: Day,
) -> Result<Pressure, Problem> {
    let particulars = &boiler.particulars;
    let changed: Option<Pressure> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(particulars.id))
        .filter(boiler_pressure_changes::on_day.le(on))
        .order((
            boiler_pressure_changes::on_day.desc(),
            boiler_pressure_changes::id.desc(),
        ))
        .select(boiler_pressure_changes::working_pressure)
        .first(conn)
        .await
        .optional()?;
    Ok(changed.unwrap_or_else(|| particulars.first_working_pressure.clone()))
}

async fn change_pressure(
    tx: &mut Tx<'_>,
    id: i64,
    new: &NewPressureChange,
) -> Result<PressureChange, Problem> {
    let boiler = boilers::lock(tx.conn(), id).await?;
    boilers::check_day("/on", new.on, &boiler, tx.actor.today)?;
    let last: Option<Day> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(id))
        .select(diesel::dsl::max(boiler_pressure_changes::on_day))
        .first(tx.conn())
        .await?;
    if let Some(last) = last.filter(|last| new.on < *last) {
        return Err(Problem::invalid(
            "/on",
            format!(
                "must not be before {last}, the last recorded change",
                last = last.in_words()
            ),
        ));
    }
    if new.working_pressure.base() == boiler.working_pressure.base() {
        return Err(Problem::invalid(
            "/working_pressure",
            "this is already the working pressure; nothing to record",
        ));
    }
    let mut ask = Confirmations::default();
    ask.ask(
        "/working_pressure",
        sense::working_pressure(&new.working_pressure),
        new.working_pressure_confirmed,
    );
    let confirmed = ask.settled()?;
    let change: PressureChange = diesel::insert_into(boiler_pressure_changes::table)
        .values((
            boiler_pressure_changes::boiler_id.eq(id),
            boiler_pressure_changes::on_day.eq(new.on),
            boiler_pressure_changes::at.eq(new.at),
            boiler_pressure_changes::working_pressure.eq(&new.working_pressure),
            boiler_pressure_changes::reason.eq(&new.reason),
            boiler_pressure_changes::confirmed.eq(&confirmed),
        ))
        .returning(PressureChange::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"boiler_id": id, "pressure_change_id": change.id, "on": change.on,
        "working_pressure": change.working_pressure});
    let entry = confirmations::noted(entry, &confirmed);
    tx.record("boiler.pressure_changed", boiler.stock_no, entry)
        .await?;
    Ok(change)
}
