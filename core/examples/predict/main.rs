//! Trains on splits of open price data sets and writes the ranges for the rows left out, so that a scorer that knows nothing
//! of this program can judge them.
//!
//! `cargo run --release -p outshop-core --example predict -- --schemas schemas.json --data DIR --splits DIR --dataset NAME,NAME
//! --out FILE`

#![expect(
    clippy::disallowed_methods,
    reason = "a program reads files; core itself does not"
)]

mod data;

use data::{Dataset, Described, ReadFault, failed, json, read};
use indicatif::{ProgressBar, ProgressStyle};
use outshop_core::pricing::valuation::{FitError, FitOptions, RowFault, Sale, fit};
use serde::Deserialize;
use std::{collections::BTreeMap, path::PathBuf, process::ExitCode};

/// Share of prices that the ranges are to hold.
const LEVEL: f64 = 0.8;

const USAGE: &str =
    "predict --schemas FILE --data DIR --splits DIR --dataset NAME[,NAME] --out FILE";

#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error("usage: {USAGE}\n{0}")]
    Usage(String),
    #[error(transparent)]
    Read(#[from] ReadFault),
    #[error("{dataset}, row {row} (the first is 0): a sale to learn from has a price above 0")]
    NoPrice { dataset: String, row: usize },
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

#[derive(Debug, Deserialize)]
struct Split {
    train: Vec<usize>,
    test: Vec<usize>,
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
    out.flush().map_err(|fault| failed(&settings.out, &fault))?;
    Ok(())
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
            price: price.ok_or_else(|| Failure::NoPrice {
                dataset: name(),
                row: *i,
            })?,
            price_scale_ln: 0.0,
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
