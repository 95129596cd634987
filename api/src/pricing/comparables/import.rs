//! Imports comparables from a file, CSV (RFC 4180, with a header row) or NDJSON: all rows or none. Errors name line and
//! column, so that the file can be corrected.

use super::NewComparable;
use crate::{
    ground::{
        actor::{Actor, Selling},
        answers::Reply,
        body::{Bulk, idempotency_key_missing},
        db::{Db, Tx},
        problem::{FieldError, Problem},
        query::Query,
        strict_json::typed,
        text::Text,
    },
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

/// Rows of one INSERT: a statement takes at most 65535 values.
const CHUNK: usize = 1000;

/// The columns of the exported list. Derived values and ids of this service are ignored. Withdrawals are imported, so
/// that a withdrawn sale does not count again after moving to another installation.
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
        ..text("included_items")
    },
    ignored("stock_no"),
    text("withdrawn_on"),
    text("withdrawal_reason"),
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

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    Csv,
    Ndjson,
}

impl Form {
    pub fn of(media_type: &str) -> Option<Form> {
        match media_type {
            Bulk::CSV => Some(Form::Csv),
            Bulk::NDJSON => Some(Form::Ndjson),
            _ => None,
        }
    }
}

/// The type of a column, which decides how its text becomes JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cell {
    Text,
    Whole,
    /// A JSON list, as exported, or words separated by commas or spaces.
    Words,
    /// Exported, but ignored on import.
    Ignored,
}

/// A column is a member of the row; `outer.inner` is a member of a nested object.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    pub name: &'static str,
    pub cell: Cell,
    pub required: bool,
}

#[derive(Debug)]
pub struct FileRow {
    /// The line on which it begins, counted from 1.
    pub line: usize,
    pub members: Map<String, Value>,
}

/// The errors in a file.
#[derive(Debug, Default)]
pub struct Faults {
    listed: Vec<FieldError>,
    count: usize,
}

impl Faults {
    const MOST: usize = 100;

    pub fn add(&mut self, line: usize, column: &str, reason: &str) {
        self.count += 1;
        if self.listed.len() < Faults::MOST {
            let column = cut(column, 60);
            let step = column.replace('~', "~0").replace('/', "~1");
            self.listed.push(FieldError {
                pointer: format!("/lines/{line}/{step}"),
                detail: format!("line {line}, column {column}: {}", cut(reason, 600)),
            });
        }
    }

    /// Refuses the whole file if anything in it is wrong.
    pub fn refuse(self) -> Result<(), Problem> {
        let detail = match self.listed.as_slice() {
            [] => return Ok(()),
            [only] if self.count == 1 => format!("{}; nothing was stored", only.detail),
            listed => format!(
                "{} errors, of which the first {} are listed; nothing was stored",
                self.count,
                listed.len()
            ),
        };
        Err(Problem::invalid_all(self.listed).with_detail(detail))
    }
}

fn cut(text: &str, most: usize) -> String {
    text.chars().take(most).collect()
}

/// All readable rows; errors are added to `faults`. Empty cells and `null` are left out.
pub fn rows_in(bytes: &[u8], form: Form, columns: &[Column], faults: &mut Faults) -> Vec<FileRow> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut rows = match form {
        Form::Csv => csv_rows(bytes, columns, faults),
        Form::Ndjson => ndjson_rows(bytes, columns, faults),
    };
    rows.retain(|row| {
        let mut whole = true;
        for column in columns.iter().filter(|column| column.required) {
            if !row.members.contains_key(column.name) {
                faults.add(row.line, column.name, "missing");
                whole = false;
            }
        }
        whole
    });
    rows
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ImportQuery {
    /// true: check the file and store nothing; needs no Idempotency-Key.
    #[param(default = false, example = true)]
    trial: Option<bool>,
    /// true: import a file again that was imported before, byte for byte.
    #[param(default = false, example = false)]
    again: Option<bool>,
}

/// The result of an import.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[schema(example = json!({"imported": 212}))]
pub struct Imported {
    /// Rows stored.
    #[schema(minimum = 1)]
    pub imported: usize,
}

/// The result of a trial import.
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
    withdrawal_reason: Option<Text<1000>>,
}

// Routes

/// Import comparables
///
/// CSV (RFC 4180, UTF-8, with a header row) or NDJSON (each line as `POST /v1/comparables` takes it), in the form that
/// the list exports. All rows are stored or none. The columns `on`, `price`, `source`, `kind` and `description` are
/// required; `id`, `stock_no`, `gauge.mm` and `weight.kg` are ignored. One apostrophe at the start of a cell is
/// removed. At most 100 errors are listed, each with line and column; the pointer is `/lines/<line>/<column>`. A file
/// that was imported before, byte for byte, is refused (409) whatever the Idempotency-Key, unless `again=true`.
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
) -> Reply {
    let trial = query.trial.unwrap_or(false);
    let again = query.again.unwrap_or(false);
    if !trial && bulk.idempotency_key.is_none() {
        return Err(idempotency_key_missing());
    }
    let body = bulk.as_body(&req);
    let form = Form::of(&bulk.media_type)
        .ok_or_else(|| Problem::internal("Bulk accepts only CSV and NDJSON"))?;
    let rows = read_aside(bulk.bytes, form, actor.today).await?;
    if trial {
        return Ok(HttpResponse::Ok().json(Tried { rows: rows.len() }));
    }
    db.create(&actor, &body, async |tx| {
        recognise(tx, &body.sent.sha256, rows.len(), again).await?;
        insert_all(tx, &rows).await?;
        let imported = rows.len();
        Ok(("/v1/comparables".to_owned(), Imported { imported }))
    })
    .await
}

/// Imports a local file, CSV or NDJSON by its extension, and returns the number of rows. With `trial` nothing is
/// stored; `again` accepts a file that was imported before.
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
            let detail = "the file name must end in .csv, .ndjson or .jsonl";
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

/// On a thread of its own: ten thousand rows take a while, and other requests would wait.
async fn read_aside(bytes: Vec<u8>, form: Form, today: Day) -> Result<Vec<Row>, Problem> {
    let reading = tokio::task::spawn_blocking(move || read(&bytes, form, today));
    reading.await.map_err(Problem::internal)?
}

fn read(bytes: &[u8], form: Form, today: Day) -> Result<Vec<Row>, Problem> {
    let mut faults = Faults::default();
    let mut rows = Vec::new();
    let mut empty = true;
    for row in rows_in(bytes, form, COLUMNS, &mut faults) {
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
        return Err(Problem::invalid("", "the file has no rows"));
    }
    Ok(rows)
}

/// The column that a pointer names.
fn column(pointer: &str) -> String {
    let names: Vec<&str> = pointer.split('/').filter(|step| !step.is_empty()).collect();
    if names.is_empty() {
        "1".to_owned()
    } else {
        names.join(".")
    }
}

fn read_row(mut members: Map<String, Value>, today: Day) -> Result<Row, Vec<FieldError>> {
    let errors = |problem: Problem| problem.errors().to_vec();
    let withdrawn_on: Option<Day> = take(&mut members, "withdrawn_on")?;
    let withdrawal_reason: Option<Text<1000>> = take(&mut members, "withdrawal_reason")?;
    let new: NewComparable = typed(&Value::Object(members)).map_err(errors)?;
    let mut broken = new.broken_rules(today);
    if withdrawn_on.is_some() != withdrawal_reason.is_some() {
        broken.push(FieldError {
            pointer: "/withdrawn_on".to_owned(),
            detail: "give both withdrawn_on and withdrawal_reason, or neither".to_owned(),
        });
    }
    if withdrawn_on.is_some_and(|on| on < new.on || on > today) {
        broken.push(FieldError {
            pointer: "/withdrawn_on".to_owned(),
            detail: "must be from the day of the sale to today".to_owned(),
        });
    }
    if !broken.is_empty() {
        return Err(broken);
    }
    Ok(Row {
        new,
        withdrawn_on,
        withdrawal_reason,
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

// CSV

fn csv_rows(bytes: &[u8], columns: &[Column], faults: &mut Faults) -> Vec<FileRow> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(bytes);
    let mut lines = Lines {
        bytes,
        counted: 0,
        line: 1,
    };
    let mut header: Option<Vec<&Column>> = None;
    let mut rows = Vec::new();
    let mut record = csv::ByteRecord::new();
    loop {
        match reader.read_byte_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(e) => {
                faults.add(lines.line, "1", &format!("not CSV: {e}"));
                break;
            }
        }
        let line = lines.at(&record);
        let Some(header) = &header else {
            match read_header(&record, columns, line, faults) {
                Some(read) => header = Some(read),
                None => return Vec::new(),
            }
            continue;
        };
        if record.len() != header.len() {
            let reason = format!(
                "the row has {} cells and the header row {}: they must agree",
                record.len(),
                header.len()
            );
            faults.add(line, "1", &reason);
            continue;
        }
        rows.extend(csv_row(&record, header, line, faults));
    }
    if header.is_none() {
        faults.add(1, "1", "the first line must be a header row");
    }
    rows
}

/// Counts the lines up to a record. The reader reports where it began to look for the record, which may be before the
/// end of the previous line and before blank lines.
struct Lines<'a> {
    bytes: &'a [u8],
    counted: usize,
    line: usize,
}

impl Lines<'_> {
    fn at(&mut self, record: &csv::ByteRecord) -> usize {
        let begins = record
            .position()
            .and_then(|position| usize::try_from(position.byte()).ok())
            .unwrap_or(self.counted);
        let blank = self.bytes[begins.min(self.bytes.len())..]
            .iter()
            .take_while(|b| matches!(b, b'\r' | b'\n'))
            .count();
        let begins = (begins + blank).clamp(self.counted, self.bytes.len());
        let passed = &self.bytes[self.counted..begins];
        self.line += passed.iter().filter(|b| **b == b'\n').count();
        self.counted = begins;
        self.line
    }
}

fn read_header<'c>(
    record: &csv::ByteRecord,
    columns: &'c [Column],
    line: usize,
    faults: &mut Faults,
) -> Option<Vec<&'c Column>> {
    let mut header: Vec<&Column> = Vec::new();
    let mut fits = true;
    for name in record {
        let name = String::from_utf8_lossy(name);
        let fault = match columns.iter().find(|column| column.name == name.trim()) {
            None => {
                let known: Vec<_> = columns.iter().map(|column| column.name).collect();
                format!("unknown column; the columns are {}", known.join(", "))
            }
            Some(column) if header.iter().any(|other| other.name == column.name) => {
                "the column appears twice".to_owned()
            }
            Some(column) => {
                header.push(column);
                continue;
            }
        };
        faults.add(line, &name, &fault);
        fits = false;
    }
    for column in columns.iter().filter(|column| column.required) {
        if !header.iter().any(|there| there.name == column.name) {
            faults.add(line, column.name, "this required column is missing");
            fits = false;
        }
    }
    fits.then_some(header)
}

/// `None` if a cell cannot be read.
fn csv_row(
    record: &csv::ByteRecord,
    header: &[&Column],
    line: usize,
    faults: &mut Faults,
) -> Option<FileRow> {
    let mut members = Map::new();
    let mut fits = true;
    for (cell, column) in record.iter().zip(header) {
        match csv_cell(cell, column.cell) {
            Ok(None) => {}
            Ok(Some(value)) => put(&mut members, column.name, value),
            Err(reason) => {
                faults.add(line, column.name, reason);
                fits = false;
            }
        }
    }
    fits.then_some(FileRow { line, members })
}

fn csv_cell(cell: &[u8], kind: Cell) -> Result<Option<Value>, &'static str> {
    let text = std::str::from_utf8(cell).map_err(|_| "must be UTF-8")?;
    // An apostrophe keeps a spreadsheet from running a cell as a formula.
    let text = text.strip_prefix('\'').unwrap_or(text);
    if text.is_empty() {
        return Ok(None);
    }
    match kind {
        Cell::Ignored => Ok(None),
        Cell::Text => Ok(Some(text.into())),
        Cell::Whole => {
            let number: i64 = text.trim().parse().map_err(|_| "must be a whole number")?;
            Ok(Some(number.into()))
        }
        Cell::Words if text.starts_with('[') => {
            let words: Vec<String> =
                serde_json::from_str(text).map_err(|_| "must be a list of words")?;
            Ok(Some(words.into()))
        }
        Cell::Words => {
            let words = text.split([',', ';', ' ']).filter(|word| !word.is_empty());
            Ok(Some(words.collect::<Vec<_>>().into()))
        }
    }
}

fn put(members: &mut Map<String, Value>, name: &str, value: Value) {
    match name.split_once('.') {
        None => {
            members.insert(name.to_owned(), value);
        }
        Some((outer, inner)) => {
            let outer = members
                .entry(outer)
                .or_insert_with(|| Value::Object(Map::new()));
            if let Some(nested) = outer.as_object_mut() {
                nested.insert(inner.to_owned(), value);
            }
        }
    }
}

// NDJSON

fn ndjson_rows(bytes: &[u8], columns: &[Column], faults: &mut Faults) -> Vec<FileRow> {
    let mut rows = Vec::new();
    for (n, text) in bytes.split(|b| *b == b'\n').enumerate() {
        let (line, text) = (n + 1, text.trim_ascii());
        if text.is_empty() {
            continue;
        }
        match serde_json::from_slice(text) {
            Ok(Value::Object(mut members)) => {
                members.retain(|_, value| !value.is_null());
                for column in columns.iter().filter(|column| column.cell == Cell::Ignored) {
                    take_out(&mut members, column.name);
                }
                rows.push(FileRow { line, members });
            }
            Ok(_) => faults.add(line, "1", "not a JSON object"),
            Err(e) => faults.add(line, &e.column().to_string(), "not JSON"),
        }
    }
    rows
}

fn take_out(members: &mut Map<String, Value>, name: &str) {
    match name.split_once('.') {
        None => {
            members.remove(name);
        }
        Some((outer, inner)) => {
            if let Some(nested) = members.get_mut(outer).and_then(Value::as_object_mut) {
                nested.remove(inner);
            }
        }
    }
}

// SQL

/// Refuses a file that was imported before, unless `again` is set.
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
        "this file was imported on {on}, with {n} row(s); nothing was stored. To import it again, send again=true",
        on = on.in_words()
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
                    comparables::withdrawal_reason.eq(&row.withdrawal_reason),
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
