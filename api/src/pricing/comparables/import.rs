//! Comparables from a file: all rows or none.

use super::NewComparable;
use crate::{
    ground::{
        actor::{Actor, Selling},
        body::{Bulk, idempotency_key_missing, typed},
        db::{Db, Tx},
        problem::{FieldError, Problem},
        query::Query,
        text::Text,
    },
    pricing::rows::{self, Cell, Column, Faults, Form},
    schema::{comparables, imports},
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use outshop_core::{days::Day, units::Length};
use outshop_operation::post;
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use std::path::Path;
use utoipa::{IntoParams, ToSchema};

/// Rows of one INSERT: a statement takes 65535 values at most.
const CHUNK: usize = 1000;

/// The columns of the list. What the interface derives, and numbers that mean nothing elsewhere, are passed over; a
/// withdrawal is taken, so that no sale that was struck out begins to count again by moving house.
const COLUMNS: &[Column] = &[
    ignored("id"),
    required("on"),
    required("price"),
    required("source"),
    required("kind"),
    text("gauge.value"),
    text("gauge.unit"),
    ignored("gauge.mm"),
    required("description"),
    text("whyte"),
    text("fuel"),
    text("weight.value"),
    text("weight.unit"),
    ignored("weight.kg"),
    text("build_quality"),
    text("builder_standing"),
    text("working_order"),
    text("grades.boiler"),
    text("grades.fittings_and_feeds"),
    text("grades.cylinders_and_valves"),
    text("grades.motion"),
    text("grades.wheels_and_axleboxes"),
    text("grades.frames"),
    text("grades.platework_and_paint"),
    text("grades.completeness"),
    Column {
        cell: Cell::Whole,
        ..text("papers_months_left")
    },
    text("boiler_material"),
    Column {
        cell: Cell::Words,
        ..text("goes_with")
    },
    ignored("stock_no"),
    text("withdrawn_on"),
    text("withdrawn_because"),
];

const fn text(name: &'static str) -> Column {
    Column {
        name,
        cell: Cell::Text,
        required: false,
    }
}

const fn required(name: &'static str) -> Column {
    Column {
        required: true,
        ..text(name)
    }
}

const fn ignored(name: &'static str) -> Column {
    Column {
        cell: Cell::Ignored,
        ..text(name)
    }
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ImportQuery {
    /// true: read and check, store nothing; needs no Idempotency-Key.
    #[param(default = false, example = true)]
    trial: Option<bool>,
    /// true: import a file that was imported before, byte for byte, once more.
    #[param(default = false, example = false)]
    again: Option<bool>,
}

#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[schema(example = json!({"imported": 212}))]
pub struct Imported {
    /// Rows stored.
    #[schema(minimum = 1)]
    pub imported: usize,
}

#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[schema(example = json!({"rows": 212}))]
pub struct Tried {
    /// Rows that the import would store.
    #[schema(minimum = 1)]
    pub rows: usize,
}

/// A row that breaks no rule.
#[derive(Debug)]
struct Row {
    new: NewComparable,
    withdrawn_on: Option<Day>,
    withdrawn_because: Option<Text<1000>>,
}

// Routes

/// Import comparables
///
/// CSV (RFC 4180, UTF-8, a header row) or NDJSON (a line is what `POST /v1/comparables` takes), as the list exports them:
/// all rows or none. The columns `on`, `price`, `source`, `kind` and `description` are required. `id`, `stock_no`, `gauge.mm`
/// and `weight.kg` are passed over. One apostrophe at the beginning of a cell is taken off. At most 100 errors are told, each
/// with line and column: its pointer is `/lines/<line>/<column>`. A file that was imported before, byte for byte, is refused (409)
/// under whatever Idempotency-Key, unless `again=true`.
#[post("/imports/comparables", 201 = Imported, 200(description = "A trial: nothing was stored", body = Tried),
    params(crate::ground::body::Repeatable), request_body(content(
        (Bulk = "text/csv", example = "on,price,source,kind,gauge.value,gauge.unit,description\r\n2025-11-08,6200.00,observed_auction,locomotive,5,in,0-6-0 to the Marrow drawings\r\n"),
        (Bulk = "application/x-ndjson", example = "{\"on\": \"2025-11-08\", \"price\": \"6200.00\", \"source\": \"own\", \"kind\": \"stationary\", \"description\": \"mill engine\"}\n")
    )))]
pub(super) async fn import_comparables(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<ImportQuery>,
    bulk: Bulk,
) -> Result<HttpResponse, Problem> {
    let trial = query.trial.unwrap_or(false);
    let again = query.again.unwrap_or(false);
    if !trial && bulk.idempotency_key.is_none() {
        return Err(idempotency_key_missing());
    }
    let body = bulk.as_body(&req);
    let form = Form::of(&bulk.media_type)
        .ok_or_else(|| Problem::internal("Bulk lets in the forms of rows only"))?;
    let rows = read_aside(bulk.bytes, form, actor.today).await?;
    if trial {
        return Ok(HttpResponse::Ok().json(Tried { rows: rows.len() }));
    }
    db.create(&actor, &body, async |tx| {
        recognise(tx, &body.sha256, rows.len(), again).await?;
        insert_all(tx, &rows).await?;
        let imported = rows.len();
        Ok(("/v1/comparables".to_owned(), Imported { imported }))
    })
    .await
}

/// Imports a file on this machine, CSV or NDJSON by the ending of its name, and gives the number of rows. With `trial`
/// nothing is stored; `again` takes a file that was imported before.
pub async fn import_file(
    db: &Db,
    actor: &Actor,
    path: &Path,
    trial: bool,
    again: bool,
) -> Result<usize, Problem> {
    let ending = path.extension().and_then(|ending| ending.to_str());
    let form = match ending {
        Some("csv") => Form::Csv,
        Some("ndjson" | "jsonl") => Form::Ndjson,
        Some(_) | None => {
            let detail = "the name of the file ends in neither .csv nor .ndjson";
            return Err(Problem::invalid("", detail));
        }
    };
    let bytes = std::fs::read(path)
        .map_err(|e| Problem::invalid("", format!("the file cannot be read: {e}")))?;
    let sha256 = Sha256::digest(&bytes).to_vec();
    let rows = read_aside(bytes, form, actor.today).await?;
    if !trial {
        db.write(actor, async |tx| {
            recognise(tx, &sha256, rows.len(), again).await?;
            insert_all(tx, &rows).await
        })
        .await?;
    }
    Ok(rows.len())
}

// Rows

/// Ten thousand rows take a while to read, and other requests wait meanwhile on this thread.
async fn read_aside(bytes: Vec<u8>, form: Form, today: Day) -> Result<Vec<Row>, Problem> {
    let reading = tokio::task::spawn_blocking(move || read(&bytes, form, today));
    reading.await.map_err(Problem::internal)?
}

fn read(bytes: &[u8], form: Form, today: Day) -> Result<Vec<Row>, Problem> {
    let mut faults = Faults::default();
    let mut rows = Vec::new();
    let mut empty = true;
    for row in rows::read(bytes, form, COLUMNS, &mut faults) {
        empty = false;
        match read_row(row.members, today) {
            Ok(read) => rows.push(read),
            Err(errors) => errors.iter().for_each(|error| {
                faults.add(row.line, &column(&error.pointer), &error.detail);
            }),
        }
    }
    faults.refuse()?;
    if empty {
        return Err(Problem::invalid("", "the file has no row"));
    }
    Ok(rows)
}

/// The column that a pointer into the row names.
fn column(pointer: &str) -> String {
    let names: Vec<&str> = pointer.split('/').filter(|step| !step.is_empty()).collect();
    if names.is_empty() {
        "1".to_owned()
    } else {
        names.join(".")
    }
}

fn read_row(mut members: Map<String, Value>, today: Day) -> Result<Row, Vec<FieldError>> {
    let told = |problem: Problem| problem.errors().to_vec();
    let withdrawn_on: Option<Day> = take(&mut members, "withdrawn_on")?;
    let withdrawn_because: Option<Text<1000>> = take(&mut members, "withdrawn_because")?;
    let new: NewComparable = typed(&Value::Object(members)).map_err(told)?;
    let mut broken = new.broken_rules(today);
    if withdrawn_on.is_some() != withdrawn_because.is_some() {
        broken.push(FieldError {
            pointer: "/withdrawn_on".to_owned(),
            detail: "a withdrawal has both a day and a reason".to_owned(),
        });
    }
    if withdrawn_on.is_some_and(|on| on < new.on || on > today) {
        broken.push(FieldError {
            pointer: "/withdrawn_on".to_owned(),
            detail: "not from the day of the sale to today".to_owned(),
        });
    }
    if !broken.is_empty() {
        return Err(broken);
    }
    Ok(Row {
        new,
        withdrawn_on,
        withdrawn_because,
    })
}

fn take<T: DeserializeOwned>(
    members: &mut Map<String, Value>,
    name: &str,
) -> Result<Option<T>, Vec<FieldError>> {
    let taken = members.remove(name).map(serde_json::from_value).transpose();
    taken.map_err(|e| {
        vec![FieldError {
            pointer: format!("/{name}"),
            detail: e.to_string(),
        }]
    })
}

// SQL

/// Refuses a file that was imported before, unless it is meant.
async fn recognise(tx: &mut Tx<'_>, sha256: &[u8], n: usize, again: bool) -> Result<(), Problem> {
    let values = (
        imports::file_sha256.eq(sha256),
        imports::on_day.eq(tx.actor.today),
        imports::n_rows.eq(i32::try_from(n).map_err(Problem::internal)?),
    );
    let new = diesel::insert_into(imports::table)
        .values(values)
        .on_conflict_do_nothing()
        .execute(tx.conn())
        .await?;
    if new == 1 || again {
        return Ok(());
    }
    let on: Day = imports::table
        .find(sha256)
        .select(imports::on_day)
        .first(tx.conn())
        .await?;
    Err(Problem::conflict(format!(
        "this file was imported on {on}, {n} rows of it; nothing was stored. To import it once more send again=true"
    )))
}

async fn insert_all(tx: &mut Tx<'_>, rows: &[Row]) -> Result<(), Problem> {
    for chunk in rows.chunks(CHUNK) {
        let values: Vec<_> = chunk
            .iter()
            .map(|row| {
                (
                    &row.new,
                    comparables::gauge_mm.eq(row.new.gauge.as_ref().map(Length::base)),
                    comparables::withdrawn_on.eq(row.withdrawn_on),
                    comparables::withdrawn_because.eq(&row.withdrawn_because),
                )
            })
            .collect();
        diesel::insert_into(comparables::table)
            .values(values)
            .execute(tx.conn())
            .await?;
    }
    let data = json!({"comparables": rows.len()});
    tx.record("comparables.imported", None, data).await
}
