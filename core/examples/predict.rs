//! Trains on splits of open price data sets and writes the ranges for the rows left out, so that a scorer that knows nothing
//! of this program can judge them.
//!
//! `cargo run --release -p outshop-core --example predict -- --schemas schemas.json --data DIR --splits DIR --dataset NAME,NAME
//! --out FILE`

#![expect(
    clippy::disallowed_methods,
    reason = "a program reads files; core itself does not"
)]

use indicatif::{ProgressBar, ProgressStyle};
use outshop_core::valuation::{
    Feature, FeatureKind, FitError, FitOptions, Row, RowFault, Sale, Schema, SchemaFault, Value,
    fit,
};
use serde::Deserialize;
use std::{
    collections::BTreeMap,
    fs, io,
    path::{Path, PathBuf},
    process::ExitCode,
};

/// Share of prices that the ranges are to hold.
const LEVEL: f64 = 0.8;

const USAGE: &str =
    "predict --schemas FILE --data DIR --splits DIR --dataset NAME[,NAME] --out FILE";

#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error("usage: {USAGE}\n{0}")]
    Usage(String),
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
    #[error("{dataset}, row {row} (the first is 0), column `{column}`: {what}")]
    Cell {
        dataset: String,
        row: usize,
        column: String,
        what: &'static str,
    },
    #[error("{dataset}, {n} sales, split {split}: row {row} is not in the file")]
    NoSuchRow {
        dataset: String,
        n: usize,
        split: usize,
        row: usize,
    },
    #[error("{dataset}, {n} sales, split {split}: {fault}")]
    Fit {
        dataset: String,
        n: usize,
        split: usize,
        fault: FitError,
    },
    #[error("{dataset}, row {row}: {fault}")]
    Row {
        dataset: String,
        row: usize,
        fault: RowFault,
    },
}

struct Settings {
    schemas: PathBuf,
    data: PathBuf,
    splits: PathBuf,
    datasets: Vec<String>,
    out: PathBuf,
}

/// The schema file: one entry per data set; members not named here are notes.
#[derive(Debug, Deserialize)]
struct Described {
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
    levels: Vec<String>,
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

#[derive(Debug, Deserialize)]
struct Split {
    train: Vec<usize>,
    test: Vec<usize>,
}

/// A data set as the valuation takes it.
struct Dataset {
    name: String,
    schema: Schema,
    rows: Vec<Row>,
    prices: Vec<Option<f64>>,
}

fn main() -> ExitCode {
    match settings(std::env::args().skip(1)).and_then(|settings| run(&settings)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("{failure}");
            ExitCode::FAILURE
        }
    }
}

fn settings(arguments: impl Iterator<Item = String>) -> Result<Settings, Failure> {
    let mut given = BTreeMap::new();
    let mut arguments = arguments;
    while let Some(argument) = arguments.next() {
        let (name, value) = match argument.split_once('=') {
            Some((name, value)) => (name.to_owned(), Some(value.to_owned())),
            None => (argument, arguments.next()),
        };
        let value = value.ok_or_else(|| Failure::Usage(format!("{name} needs a value")))?;
        given.insert(name, value);
    }
    let mut take = |name: &str| {
        given
            .remove(name)
            .ok_or_else(|| Failure::Usage(format!("{name} is missing")))
    };
    let settings = Settings {
        schemas: take("--schemas")?.into(),
        data: take("--data")?.into(),
        splits: take("--splits")?.into(),
        datasets: take("--dataset")?
            .split(',')
            .map(|name| name.trim().to_owned())
            .filter(|name| !name.is_empty())
            .collect(),
        out: take("--out")?.into(),
    };
    match given.keys().next() {
        Some(unknown) => Err(Failure::Usage(format!("{unknown} is not known"))),
        None => Ok(settings),
    }
}

fn run(settings: &Settings) -> Result<(), Failure> {
    let schemas: BTreeMap<String, Described> = json(&settings.schemas)?;
    let mut work = Vec::new();
    for name in &settings.datasets {
        let dataset = read(name, &schemas, &settings.data)?;
        let path = settings.splits.join(format!("{name}.json"));
        let splits: BTreeMap<usize, Vec<Split>> = json(&path)?;
        work.push((dataset, splits));
    }
    let jobs: Vec<(&Dataset, usize, usize, &Split)> = work
        .iter()
        .flat_map(|(dataset, splits)| {
            splits.iter().flat_map(move |(n, splits)| {
                let chosen = splits.iter().take(splits_used(*n)).enumerate();
                chosen.map(move |(number, split)| (dataset, *n, number, split))
            })
        })
        .collect();
    let bar = ProgressBar::new(jobs.len() as u64);
    if let Ok(style) =
        ProgressStyle::with_template("{bar:40} {pos}/{len} splits, {eta} left, {msg}")
    {
        bar.set_style(style);
    }
    let fault = |fault: csv::Error| failed(&settings.out, &fault);
    let mut out = csv::Writer::from_path(&settings.out).map_err(fault)?;
    out.write_record([
        "dataset", "n_train", "split", "row", "low", "likely", "high",
    ])
    .map_err(fault)?;
    for (dataset, n, number, split) in jobs {
        bar.set_message(format!("{} {n}", dataset.name));
        for (row, [low, likely, high]) in predict(dataset, n, number, split)? {
            let record = [
                dataset.name.clone(),
                n.to_string(),
                number.to_string(),
                row.to_string(),
                low.to_string(),
                likely.to_string(),
                high.to_string(),
            ];
            out.write_record(record).map_err(fault)?;
        }
        bar.inc(1);
    }
    bar.finish();
    out.flush().map_err(|fault| failed(&settings.out, &fault))
}

/// Fewer splits where each takes longer.
const fn splits_used(n: usize) -> usize {
    match n {
        0..=100 => 10,
        101..=250 => 6,
        251.. => 4,
    }
}

/// Low, likely and high for each row left out.
fn predict(
    dataset: &Dataset,
    n: usize,
    split: usize,
    rows: &Split,
) -> Result<Vec<(usize, [f64; 3])>, Failure> {
    let name = || dataset.name.clone();
    let no_such_row = |row| Failure::NoSuchRow {
        dataset: name(),
        n,
        split,
        row,
    };
    let mut sales = Vec::new();
    for i in &rows.train {
        let row = dataset.rows.get(*i).ok_or_else(|| no_such_row(*i))?;
        let price = dataset.prices.get(*i).copied().flatten();
        sales.push(Sale {
            row: row.clone(),
            price: price.ok_or_else(|| Failure::Cell {
                dataset: name(),
                row: *i,
                column: "price".to_owned(),
                what: "a sale to learn from has a price above 0",
            })?,
            guide_ln: 0.0,
            extra_variance: 0.0,
        });
    }
    let fit =
        fit(&dataset.schema, &sales, &FitOptions::default()).map_err(|fault| Failure::Fit {
            dataset: name(),
            n,
            split,
            fault,
        })?;
    let valued = rows.test.iter().map(|i| {
        let row = dataset.rows.get(*i).ok_or_else(|| no_such_row(*i))?;
        let found = fit.predict(row, 0.0, LEVEL).map_err(|fault| Failure::Row {
            dataset: name(),
            row: *i,
            fault,
        })?;
        Ok((*i, [found.low, found.likely, found.high]))
    });
    valued.collect()
}

fn json<T: for<'de> Deserialize<'de>>(path: &Path) -> Result<T, Failure> {
    let text = fs::read_to_string(path).map_err(|fault| failed(path, &fault))?;
    serde_json::from_str(&text).map_err(|fault| failed(path, &fault))
}

fn failed(path: &Path, fault: &dyn std::error::Error) -> Failure {
    Failure::File {
        path: path.to_owned(),
        fault: fault.to_string(),
    }
}

fn read(
    name: &str,
    schemas: &BTreeMap<String, Described>,
    folder: &Path,
) -> Result<Dataset, Failure> {
    let described = schemas.get(name).ok_or_else(|| Failure::NoSuchDataset {
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
    let cells = |column: &str| -> Result<Vec<Option<&str>>, Failure> {
        let at = headers
            .iter()
            .position(|header| header == column)
            .ok_or_else(|| Failure::NoSuchColumn {
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
        schema: Schema::new(features).map_err(|fault| Failure::Schema {
            dataset: name.to_owned(),
            fault,
        })?,
        name: name.to_owned(),
        rows,
        prices,
    })
}

fn is_missing(text: &str) -> bool {
    text.is_empty() || text == "NA"
}

fn values(
    dataset: &str,
    column: &Column,
    cells: &[Option<&str>],
) -> Result<(FeatureKind, Vec<Value>), Failure> {
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
            let level = |text: &Option<&str>| {
                text.and_then(|text| column.levels.iter().position(|level| level == text))
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
) -> Result<Vec<Option<f64>>, Failure> {
    let cells = cells.iter().enumerate();
    cells
        .map(|(row, cell)| match cell {
            None => Ok(None),
            Some(text) => number(text).map(Some).ok_or_else(|| Failure::NotANumber {
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
fn logarithms(dataset: &str, column: &str, values: &mut [Option<f64>]) -> Result<(), Failure> {
    let refuse = |row, what| Failure::Cell {
        dataset: dataset.to_owned(),
        row,
        column: column.to_owned(),
        what,
    };
    let mut has_nought = false;
    for (row, value) in values.iter().enumerate() {
        match value {
            Some(value) if *value < 0.0 => {
                return Err(refuse(row, "a number below 0 has no logarithm"));
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
