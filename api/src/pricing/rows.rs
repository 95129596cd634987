//! Rows of a bulk import, CSV (RFC 4180, with a header row) or NDJSON, read into the JSON that the interface takes. Lines
//! and columns are kept for the person who has to mend the file.

use crate::ground::{
    body::Bulk,
    problem::{FieldError, Problem},
};
use serde_json::{Map, Value};

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

/// What a column holds, and so how its text becomes JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cell {
    Text,
    Whole,
    /// A JSON list, as exported, or words with commas or blanks between them.
    Words,
    /// Exported, but not taken back in.
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
pub struct Row {
    /// The line on which it begins, from 1.
    pub line: usize,
    pub members: Map<String, Value>,
}

/// What is wrong with a file.
#[derive(Debug, Default)]
pub struct Faults {
    told: Vec<FieldError>,
    count: usize,
}

impl Faults {
    const MOST: usize = 100;

    pub fn add(&mut self, line: usize, column: &str, reason: &str) {
        self.count += 1;
        if self.told.len() < Faults::MOST {
            let column = cut(column, 60);
            let step = column.replace('~', "~0").replace('/', "~1");
            self.told.push(FieldError {
                pointer: format!("/lines/{line}/{step}"),
                detail: format!("line {line}, column {column}: {}", cut(reason, 600)),
            });
        }
    }

    /// Refuses the whole file when anything in it is wrong.
    pub fn refuse(self) -> Result<(), Problem> {
        let detail = match self.told.as_slice() {
            [] => return Ok(()),
            [only] if self.count == 1 => format!("{}; nothing was stored", only.detail),
            told => format!(
                "{} faults, of which the first {} are told; nothing was stored",
                self.count,
                told.len()
            ),
        };
        Err(Problem::invalid_all(self.told).with_detail(detail))
    }
}

fn cut(text: &str, most: usize) -> String {
    text.chars().take(most).collect()
}

/// All rows whose cells can be read; what cannot is added to `faults`. Empty cells and `null` are left out.
pub fn read(bytes: &[u8], form: Form, columns: &[Column], faults: &mut Faults) -> Vec<Row> {
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

// CSV

fn csv_rows(bytes: &[u8], columns: &[Column], faults: &mut Faults) -> Vec<Row> {
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
                "the row has {} cells, the header row has {}",
                record.len(),
                header.len()
            );
            faults.add(line, "1", &reason);
            continue;
        }
        rows.extend(csv_row(&record, header, line, faults));
    }
    if header.is_none() {
        faults.add(1, "1", "a header row is needed");
    }
    rows
}

/// Counts lines up to a record. The reader tells where it began to look for one, which may be before the end of the line
/// above and before blank lines.
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
                format!(
                    "there is no such column; the columns are {}",
                    known.join(", ")
                )
            }
            Some(column) if header.iter().any(|other| other.name == column.name) => {
                "the column stands twice".to_owned()
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
            faults.add(line, column.name, "the column is missing");
            fits = false;
        }
    }
    fits.then_some(header)
}

/// `None` when a cell cannot be read.
fn csv_row(
    record: &csv::ByteRecord,
    header: &[&Column],
    line: usize,
    faults: &mut Faults,
) -> Option<Row> {
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
    fits.then_some(Row { line, members })
}

fn csv_cell(cell: &[u8], kind: Cell) -> Result<Option<Value>, &'static str> {
    let text = std::str::from_utf8(cell).map_err(|_| "not UTF-8")?;
    // The apostrophe that keeps a spreadsheet from running a cell as a formula.
    let text = text.strip_prefix('\'').unwrap_or(text);
    if text.is_empty() {
        return Ok(None);
    }
    match kind {
        Cell::Ignored => Ok(None),
        Cell::Text => Ok(Some(text.into())),
        Cell::Whole => {
            let number: i64 = text.trim().parse().map_err(|_| "not a whole number")?;
            Ok(Some(number.into()))
        }
        Cell::Words if text.starts_with('[') => {
            let words: Vec<String> =
                serde_json::from_str(text).map_err(|_| "not a list of words")?;
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

fn ndjson_rows(bytes: &[u8], columns: &[Column], faults: &mut Faults) -> Vec<Row> {
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
                rows.push(Row { line, members });
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
