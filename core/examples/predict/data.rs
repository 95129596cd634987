//! Reads open price data sets by a schema file.

use outshop_core::pricing::valuation::{Feature, FeatureKind, Row, Schema, SchemaFault, Value};
use serde::Deserialize;
use std::{
    collections::BTreeMap,
    fs, io,
    path::{Path, PathBuf},
};

#[derive(Debug, thiserror::Error)]
pub enum ReadFault {
    #[error("{}: {fault}", .path.display())]
    File { path: PathBuf, fault: String },
    #[error("{dataset}: {fault}")]
    Schema { dataset: String, fault: SchemaFault },
    #[error("{dataset}: the schemas do not name it")]
    NoSuchDataset { dataset: String },
    #[error("{dataset}: no column `{column}`")]
    NoSuchColumn { dataset: String, column: String },
    #[error("{dataset}, row {row} (the first is 0), column `{column}`: `{text}` is not a number")]
    NotANumber {
        dataset: String,
        row: usize,
        column: String,
        text: String,
    },
    #[error(
        "{dataset}, row {row} (the first is 0), column `{column}`: a number below 0 has no logarithm"
    )]
    BelowNought {
        dataset: String,
        row: usize,
        column: String,
    },
}

/// The schema file: one entry per data set; members not named here are notes.
#[derive(Debug, Deserialize)]
pub struct Described {
    file: String,
    price: String,
    features: Vec<Column>,
}

#[derive(Debug, Deserialize)]
struct Column {
    name: String,
    kind: ColumnKind,
    #[serde(default)]
    log: bool,
    /// From worst to best.
    #[serde(default)]
    levels: Vec<serde_json::Value>,
    #[serde(default)]
    unit: DateUnit,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum ColumnKind {
    Numeric,
    Ordinal,
    Category,
    Date,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum DateUnit {
    #[default]
    Years,
    Months,
}

/// A data set as the valuation takes it.
pub struct Dataset {
    pub name: String,
    pub schema: Schema,
    pub rows: Vec<Row>,
    /// `None` where there is none above 0.
    pub prices: Vec<Option<f64>>,
}

pub fn json<T: for<'de> Deserialize<'de>>(path: &Path) -> Result<T, ReadFault> {
    let text = fs::read_to_string(path).map_err(|fault| failed(path, &fault))?;
    serde_json::from_str(&text).map_err(|fault| failed(path, &fault))
}

pub fn failed(path: &Path, fault: &dyn std::error::Error) -> ReadFault {
    ReadFault::File {
        path: path.to_owned(),
        fault: fault.to_string(),
    }
}

pub fn read(
    name: &str,
    schemas: &BTreeMap<String, Described>,
    folder: &Path,
) -> Result<Dataset, ReadFault> {
    let described = schemas.get(name).ok_or_else(|| ReadFault::NoSuchDataset {
        dataset: name.to_owned(),
    })?;
    let base = Path::new(&described.file).file_name().unwrap_or_default();
    let path = folder.join(base);
    let bytes = fs::read(&path).map_err(|fault| failed(&path, &fault))?;
    // Some programs put a byte order mark before the first name.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(io::Cursor::new(bytes));
    let headers = reader
        .headers()
        .map_err(|fault| failed(&path, &fault))?
        .clone();
    let mut records = Vec::new();
    for record in reader.records() {
        records.push(record.map_err(|fault| failed(&path, &fault))?);
    }
    let cells = |column: &str| -> Result<Vec<Option<&str>>, ReadFault> {
        let at = headers
            .iter()
            .position(|header| header == column)
            .ok_or_else(|| ReadFault::NoSuchColumn {
                dataset: name.to_owned(),
                column: column.to_owned(),
            })?;
        let cell = |record| csv::StringRecord::get(record, at).filter(|text| !is_missing(text));
        Ok(records.iter().map(cell).collect())
    };

    let mut rows: Vec<Row> = vec![Vec::new(); records.len()];
    let mut features = Vec::new();
    for column in &described.features {
        let (kind, values) = values(name, column, &cells(&column.name)?)?;
        features.push(Feature {
            name: column.name.clone(),
            kind,
        });
        for (row, value) in rows.iter_mut().zip(values) {
            row.push(value);
        }
    }
    let prices = numbers(name, &described.price, &cells(&described.price)?)?
        .into_iter()
        .map(|price| price.filter(|price| *price > 0.0))
        .collect();
    Ok(Dataset {
        schema: Schema::new(features).map_err(|fault| ReadFault::Schema {
            dataset: name.to_owned(),
            fault,
        })?,
        name: name.to_owned(),
        rows,
        prices,
    })
}

/// A level may be written as a text or as a number.
fn written(level: &serde_json::Value) -> String {
    level
        .as_str()
        .map_or_else(|| level.to_string(), str::to_owned)
}

/// `5.0` in the file is the level 5 of the schema.
fn is_level(level: &str, text: &str) -> bool {
    let number = |text: &str| text.parse::<f64>().ok();
    level.trim() == text
        || matches!((number(level), number(text)), (Some(a), Some(b)) if a.total_cmp(&b).is_eq())
}

fn is_missing(text: &str) -> bool {
    text.is_empty() || text == "NA"
}

fn values(
    dataset: &str,
    column: &Column,
    cells: &[Option<&str>],
) -> Result<(FeatureKind, Vec<Value>), ReadFault> {
    let told = |values: Vec<Option<f64>>, value: fn(f64) -> Value| {
        let values = values.into_iter();
        values
            .map(|number| number.map_or(Value::Missing, value))
            .collect()
    };
    Ok(match column.kind {
        ColumnKind::Numeric => {
            let mut values = numbers(dataset, &column.name, cells)?;
            if column.log {
                logarithms(dataset, &column.name, &mut values)?;
            }
            (FeatureKind::Numeric, told(values, Value::Number))
        }
        ColumnKind::Date => {
            let per_year = match column.unit {
                DateUnit::Years => 1.0,
                DateUnit::Months => 12.0,
            };
            let mut values = numbers(dataset, &column.name, cells)?;
            values
                .iter_mut()
                .flatten()
                .for_each(|value| *value /= per_year);
            (FeatureKind::Date, told(values, Value::Years))
        }
        ColumnKind::Category => {
            let name = |text: &Option<&str>| {
                text.map_or(Value::Missing, |text| Value::Name(text.to_owned()))
            };
            (FeatureKind::Category, cells.iter().map(name).collect())
        }
        ColumnKind::Ordinal => {
            // A level that the schema does not name is not known.
            let levels: Vec<String> = column.levels.iter().map(written).collect();
            let level = |text: &Option<&str>| {
                text.and_then(|text| levels.iter().position(|level| is_level(level, text)))
                    .and_then(|level| u16::try_from(level).ok())
                    .map_or(Value::Missing, Value::Level)
            };
            let levels = u16::try_from(column.levels.len()).unwrap_or(u16::MAX);
            (
                FeatureKind::Ordinal { levels },
                cells.iter().map(level).collect(),
            )
        }
    })
}

fn numbers(
    dataset: &str,
    column: &str,
    cells: &[Option<&str>],
) -> Result<Vec<Option<f64>>, ReadFault> {
    let cells = cells.iter().enumerate();
    cells
        .map(|(row, cell)| match cell {
            None => Ok(None),
            Some(text) => number(text).map(Some).ok_or_else(|| ReadFault::NotANumber {
                dataset: dataset.to_owned(),
                row,
                column: column.to_owned(),
                text: (*text).to_owned(),
            }),
        })
        .collect()
}

fn number(text: &str) -> Option<f64> {
    match text.to_ascii_lowercase().as_str() {
        "true" | "yes" => Some(1.0),
        "false" | "no" => Some(0.0),
        other => other.parse().ok().filter(|number: &f64| number.is_finite()),
    }
}

/// ln x, or ln(1 + x) for the whole column when a 0 occurs in it.
fn logarithms(dataset: &str, column: &str, values: &mut [Option<f64>]) -> Result<(), ReadFault> {
    let mut has_nought = false;
    for (row, value) in values.iter().enumerate() {
        match value {
            Some(value) if *value < 0.0 => {
                return Err(ReadFault::BelowNought {
                    dataset: dataset.to_owned(),
                    row,
                    column: column.to_owned(),
                });
            }
            Some(value) => has_nought |= *value <= 0.0,
            None => {}
        }
    }
    for value in values.iter_mut().flatten() {
        *value = if has_nought {
            value.ln_1p()
        } else {
            value.ln()
        };
    }
    Ok(())
}
