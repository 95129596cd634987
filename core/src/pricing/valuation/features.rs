//! Named features of sales, and their coding as numbers.
//!
//! Every kind of feature becomes a few columns of numbers, so that one form of kernel serves all kinds: the covariance
//! of two sales in a feature is the inner product of their columns. An unknown fact has columns of 0 and a variance of
//! its own instead.

use faer::Mat;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The kind of a feature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FeatureKind {
    /// A number; the caller takes its logarithm if needed. Yes is 1 and no is 0.
    Numeric,
    /// Levels 0 (worst) to `levels` - 1 (best).
    Ordinal { levels: u16 },
    /// A name, equal only to itself.
    Category,
    /// The day of the sale, in years from any origin. A schema has at most one.
    Date,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Feature {
    pub name: String,
    pub kind: FeatureKind,
}

/// The features of one set of sales, in a fixed order; rows have the same order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Vec<Feature>", into = "Vec<Feature>")]
pub struct Schema {
    features: Vec<Feature>,
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SchemaFault {
    #[error("two features have the name `{0}`")]
    NameTwice(String),
    #[error("`{0}` is a second date: a sale has only one")]
    TwoDates(String),
    #[error("a schema must have at most {most} features", most = Schema::MOST)]
    TooMany,
    #[error("`{name}` must have at most {most} levels", most = Schema::MOST_LEVELS)]
    TooManyLevels { name: String },
}

impl Schema {
    pub const MOST: usize = 1000;
    pub const MOST_LEVELS: u16 = 100;

    pub fn new(features: Vec<Feature>) -> Result<Schema, SchemaFault> {
        if features.len() > Schema::MOST {
            return Err(SchemaFault::TooMany);
        }
        let mut names = std::collections::BTreeSet::new();
        let mut dates = 0;
        for feature in &features {
            let name = || feature.name.clone();
            if !names.insert(feature.name.as_str()) {
                return Err(SchemaFault::NameTwice(name()));
            }
            match feature.kind {
                FeatureKind::Date => dates += 1,
                FeatureKind::Ordinal { levels } if levels > Schema::MOST_LEVELS => {
                    return Err(SchemaFault::TooManyLevels { name: name() });
                }
                FeatureKind::Numeric | FeatureKind::Ordinal { .. } | FeatureKind::Category => {}
            }
            if dates > 1 {
                return Err(SchemaFault::TwoDates(name()));
            }
        }
        Ok(Schema { features })
    }

    pub fn features(&self) -> &[Feature] {
        &self.features
    }

    /// Checks that a row has a value of the right kind, or a missing one, for every feature.
    pub fn check(&self, row: &[Value]) -> Result<(), RowFault> {
        if row.len() != self.features.len() {
            return Err(RowFault::Length {
                given: row.len(),
                wanted: self.features.len(),
            });
        }
        for (feature, value) in self.features.iter().zip(row) {
            let name = || feature.name.clone();
            match (&feature.kind, value) {
                (_, Value::Missing) | (FeatureKind::Category, Value::Name(_)) => {}
                (FeatureKind::Numeric, Value::Number(number))
                | (FeatureKind::Date, Value::Years(number)) => {
                    // Squares and their sums stay far below the largest float.
                    if !(-1e100..=1e100).contains(number) {
                        return Err(RowFault::NotANumber { feature: name() });
                    }
                }
                (FeatureKind::Ordinal { levels }, Value::Level(level)) => {
                    if level >= levels {
                        return Err(RowFault::NoSuchLevel { feature: name() });
                    }
                }
                (
                    FeatureKind::Numeric
                    | FeatureKind::Date
                    | FeatureKind::Category
                    | FeatureKind::Ordinal { .. },
                    Value::Number(_) | Value::Level(_) | Value::Name(_) | Value::Years(_),
                ) => return Err(RowFault::OtherKind { feature: name() }),
            }
        }
        Ok(())
    }
}

impl TryFrom<Vec<Feature>> for Schema {
    type Error = SchemaFault;

    fn try_from(features: Vec<Feature>) -> Result<Schema, SchemaFault> {
        Schema::new(features)
    }
}

impl From<Schema> for Vec<Feature> {
    fn from(schema: Schema) -> Vec<Feature> {
        schema.features
    }
}

/// The value of a feature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Value {
    /// Not known. It widens the range and is never guessed.
    Missing,
    Number(f64),
    /// 0 is the worst.
    Level(u16),
    Name(String),
    Years(f64),
}

/// One value per feature of the schema, in its order.
pub type Row = Vec<Value>;

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RowFault {
    #[error("{given} values for {wanted} features")]
    Length { given: usize, wanted: usize },
    #[error("`{feature}` must be a number between -1e100 and 1e100")]
    NotANumber { feature: String },
    #[error("`{feature}` has no such level")]
    NoSuchLevel { feature: String },
    #[error("`{feature}` has a value of another kind")]
    OtherKind { feature: String },
}

/// The coding of a feature; fixed when fitting starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Code {
    /// Carries no information: its known values are all the same, or fewer than two are known.
    Dropped,
    Numeric {
        mean: f64,
        sd: f64,
        lowest: f64,
        highest: f64,
    },
    /// `seen`: sales with a known value at each level.
    Ordinal { median: u16, seen: Vec<u32> },
    /// Every name seen, with the number of its sales; those with a column of their own first.
    Category {
        columns: usize,
        names: Vec<(String, u32)>,
    },
    Date {
        mean: f64,
        sd: f64,
        first: f64,
        last: f64,
    },
}

/// Dates that spread over less than half a year must not be magnified into a trend.
const LEAST_SD_YEARS: f64 = 0.5;

impl Code {
    fn of(kind: &FeatureKind, values: &[&Value]) -> Code {
        match kind {
            FeatureKind::Numeric => {
                let known = numbers(values);
                match spread(&known) {
                    Some((mean, sd, lowest, highest)) => Code::Numeric {
                        mean,
                        sd,
                        lowest,
                        highest,
                    },
                    None => Code::Dropped,
                }
            }
            FeatureKind::Date => {
                let known = numbers(values);
                match spread(&known) {
                    Some((mean, sd, first, last)) => Code::Date {
                        mean,
                        sd: sd.max(LEAST_SD_YEARS),
                        first,
                        last,
                    },
                    None => Code::Dropped,
                }
            }
            FeatureKind::Ordinal { levels } if *levels >= 2 => {
                let mut known: Vec<u16> = values
                    .iter()
                    .filter_map(|value| match value {
                        Value::Level(level) => Some(*level),
                        Value::Missing | Value::Number(_) | Value::Name(_) | Value::Years(_) => {
                            None
                        }
                    })
                    .collect();
                known.sort_unstable();
                let mut seen = vec![0; usize::from(*levels)];
                for level in &known {
                    seen[usize::from(*level)] += 1;
                }
                let median = match known.len() {
                    0 => (levels - 1) / 2,
                    n => known[(n - 1) / 2],
                };
                Code::Ordinal { median, seen }
            }
            // At most one level: nothing to distinguish.
            FeatureKind::Ordinal { .. } => Code::Dropped,
            FeatureKind::Category => {
                let mut counts: BTreeMap<&str, u32> = BTreeMap::new();
                for value in values {
                    if let Value::Name(name) = value {
                        *counts.entry(name).or_default() += 1;
                    }
                }
                // A name that many sales share is worth a column; for the rest, pairs of sales are listed.
                let frequent = |count: u32| count >= 2 && count as usize * 32 >= values.len();
                let mut names: Vec<(String, u32)> = counts
                    .into_iter()
                    .map(|(name, count)| (name.to_owned(), count))
                    .collect();
                names.sort_by_key(|(_, count)| !frequent(*count));
                let columns = names.iter().filter(|(_, count)| frequent(*count)).count();
                Code::Category { columns, names }
            }
        }
    }

    /// The codes of a schema's features, from the sales.
    pub(super) fn learn(schema: &Schema, rows: &[Row]) -> Vec<Code> {
        schema
            .features()
            .iter()
            .enumerate()
            .map(|(f, feature)| {
                let values: Vec<&Value> = rows.iter().filter_map(|row| row.get(f)).collect();
                Code::of(&feature.kind, &values)
            })
            .collect()
    }

    /// Whether two codes are equal except for last digits, which a file may lose.
    pub(super) fn is(&self, other: &Code) -> bool {
        match (self, other) {
            (
                Code::Numeric {
                    mean: a,
                    sd: b,
                    lowest: c,
                    highest: d,
                },
                Code::Numeric {
                    mean,
                    sd,
                    lowest,
                    highest,
                },
            )
            | (
                Code::Date {
                    mean: a,
                    sd: b,
                    first: c,
                    last: d,
                },
                Code::Date {
                    mean,
                    sd,
                    first: lowest,
                    last: highest,
                },
            ) => {
                let pairs = [(a, mean), (b, sd), (c, lowest), (d, highest)];
                pairs.iter().all(|(a, b)| close(**a, **b))
            }
            (
                Code::Dropped
                | Code::Numeric { .. }
                | Code::Date { .. }
                | Code::Ordinal { .. }
                | Code::Category { .. },
                _,
            ) => self == other,
        }
    }

    /// The number of columns of a feature.
    pub(super) fn columns(&self) -> usize {
        match self {
            Code::Dropped => 0,
            Code::Numeric { .. } | Code::Date { .. } => 1,
            Code::Ordinal { seen, .. } => seen.len(),
            Code::Category { columns, .. } => *columns,
        }
    }

    /// The code of a value. A value of another kind counts as missing.
    fn coded(&self, value: &Value, columns: &mut [f64]) -> Coded {
        columns.fill(0.0);
        match (self, value) {
            (Code::Dropped, _) => Coded::nothing(),
            (Code::Numeric { mean, sd, .. }, Value::Number(number)) => {
                columns[0] = held((number - mean) / sd);
                Coded {
                    square: columns[0].powi(2),
                    ..Coded::nothing()
                }
            }
            (Code::Date { mean, sd, .. }, Value::Years(years)) => {
                columns[0] = held((years - mean) / sd);
                Coded {
                    years: Some(*years),
                    ..Coded::nothing()
                }
            }
            (Code::Ordinal { seen, .. }, Value::Level(level)) => {
                ordinal_columns(*level, seen.len(), columns);
                Coded {
                    level: Some(*level),
                    ..Coded::nothing()
                }
            }
            (Code::Ordinal { median, seen }, _) => {
                ordinal_columns(*median, seen.len(), columns);
                Coded {
                    own: ordinal_variance(*median, seen),
                    ..Coded::nothing()
                }
            }
            (
                Code::Category {
                    columns: count,
                    names,
                },
                Value::Name(name),
            ) => match position(names, *count, name) {
                Some(n) if n < *count => {
                    columns[n] = 1.0;
                    Coded {
                        square: 1.0,
                        ..Coded::nothing()
                    }
                }
                rare => Coded {
                    own: 1.0,
                    square: 1.0,
                    rare: rare.and_then(|n| u32::try_from(n).ok()),
                    ..Coded::nothing()
                },
            },
            (Code::Category { .. }, _) => Coded {
                own: 1.0,
                square: 1.0,
                ..Coded::nothing()
            },
            (Code::Numeric { .. } | Code::Date { .. }, _) => Coded {
                own: 1.0,
                ..Coded::nothing()
            },
        }
    }
}

/// A known value is limited to a million standard deviations, so that its square stays a number.
fn held(code: f64) -> f64 {
    code.clamp(-1e6, 1e6)
}

/// Columns whose inner product is [min(l, m)/(L - 1) + l m/(L - 1)^2]/2: a step for each level reached, and a straight
/// line.
pub(super) fn ordinal_columns(level: u16, levels: usize, columns: &mut [f64]) {
    let steps = levels as f64 - 1.0;
    for (step, column) in (1..).zip(&mut columns[..levels - 1]) {
        *column = if level >= step {
            (2.0 * steps).sqrt().recip()
        } else {
            0.0
        };
    }
    columns[levels - 1] = f64::from(level) / steps / 2_f64.sqrt();
}

/// Mean over the known values of (d + d^2)/2, where d is the distance from the median as a share of the whole scale; 0
/// if no value is known.
fn ordinal_variance(median: u16, seen: &[u32]) -> f64 {
    let known: u32 = seen.iter().sum();
    if known == 0 {
        return 0.0;
    }
    let sum: f64 = (0_u16..)
        .zip(seen)
        .map(|(level, count)| {
            let d = f64::from(level.abs_diff(median)) / (seen.len() as f64 - 1.0);
            f64::from(*count) * (d + d * d) / 2.0
        })
        .sum();
    sum / f64::from(known)
}

/// The names of each part (with a column, without) are sorted.
fn position(names: &[(String, u32)], columns: usize, name: &str) -> Option<usize> {
    let (frequent, rare) = names.split_at(columns.min(names.len()));
    let find =
        |part: &[(String, u32)]| part.binary_search_by(|(other, _)| other.as_str().cmp(name));
    match (find(frequent), find(rare)) {
        (Ok(n), _) => Some(n),
        (Err(_), Ok(n)) => Some(frequent.len() + n),
        (Err(_), Err(_)) => None,
    }
}

/// The numbers of a numeric feature or a date.
fn numbers(values: &[&Value]) -> Vec<f64> {
    values
        .iter()
        .filter_map(|value| match value {
            Value::Number(number) | Value::Years(number) => Some(*number),
            Value::Missing | Value::Level(_) | Value::Name(_) => None,
        })
        .collect()
}

/// Mean, population standard deviation, least and greatest; `None` if all are the same or fewer than two are given.
fn spread(known: &[f64]) -> Option<(f64, f64, f64, f64)> {
    let lowest = known.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (mean, sd) = mean_and_sd(known);
    (lowest < highest && sd > 0.0 && sd.is_finite()).then_some((mean, sd, lowest, highest))
}

/// Equal except for last digits.
pub(super) fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * b.abs().max(1e-3)
}

/// Mean and population standard deviation; both 0 for an empty slice.
pub(super) fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    if values.is_empty() {
        return (0.0, 0.0);
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    (mean, variance.sqrt())
}

/// The properties of a value besides its columns.
#[derive(Debug, Clone, Copy)]
struct Coded {
    /// Share of the feature's variance that belongs only to this row.
    own: f64,
    /// Square of the row's distance from the origin, for the similarity.
    square: f64,
    /// A name without a column.
    rare: Option<u32>,
    level: Option<u16>,
    years: Option<f64>,
}

impl Coded {
    const fn nothing() -> Coded {
        Coded {
            own: 0.0,
            square: 0.0,
            rare: None,
            level: None,
            years: None,
        }
    }
}

/// Rows as numbers.
#[derive(Debug, Clone)]
pub(super) struct Design {
    /// One row per sale; the columns of the features one after the other.
    pub columns: Mat<f64>,
    /// Per feature, per row: share of the feature's variance that belongs only to the row.
    pub own: Vec<Vec<f64>>,
    /// Per feature, per row: square of the distance from the origin.
    pub square: Vec<Vec<f64>>,
    /// Per feature, per row: a name without a column. Empty for a feature that has none.
    pub rare: Vec<Vec<Option<u32>>>,
    /// Per feature, per row: the level, if it is known. Empty for a feature that is not ordinal.
    pub levels: Vec<Vec<Option<u16>>>,
    /// Per row; `None` for an unknown day.
    pub years: Vec<Option<f64>>,
}

impl Design {
    pub fn new(codes: &[Code], rows: &[Row]) -> Design {
        let width = codes.iter().map(Code::columns).sum();
        let mut design = Design {
            columns: Mat::zeros(rows.len(), width),
            own: vec![vec![0.0; rows.len()]; codes.len()],
            square: vec![vec![0.0; rows.len()]; codes.len()],
            rare: codes
                .iter()
                .map(|code| match code {
                    Code::Category { columns, names } if names.len() > *columns => {
                        vec![None; rows.len()]
                    }
                    Code::Category { .. }
                    | Code::Dropped
                    | Code::Numeric { .. }
                    | Code::Ordinal { .. }
                    | Code::Date { .. } => Vec::new(),
                })
                .collect(),
            levels: codes
                .iter()
                .map(|code| match code {
                    Code::Ordinal { .. } => vec![None; rows.len()],
                    Code::Category { .. }
                    | Code::Dropped
                    | Code::Numeric { .. }
                    | Code::Date { .. } => Vec::new(),
                })
                .collect(),
            years: vec![None; rows.len()],
        };
        let mut columns = Vec::new();
        for (i, row) in rows.iter().enumerate() {
            let mut first = 0;
            for (f, code) in codes.iter().enumerate() {
                columns.resize(code.columns(), 0.0);
                let coded = code.coded(row.get(f).unwrap_or(&Value::Missing), &mut columns);
                for (c, value) in columns.iter().enumerate() {
                    design.columns[(i, first + c)] = *value;
                }
                first += columns.len();
                design.own[f][i] = coded.own;
                design.square[f][i] = coded.square;
                if let Some(rare) = design.rare[f].get_mut(i) {
                    *rare = coded.rare;
                }
                if let Some(level) = design.levels[f].get_mut(i) {
                    *level = coded.level;
                }
                design.years[i] = design.years[i].or(coded.years);
            }
        }
        design
    }

    pub fn rows(&self) -> usize {
        self.columns.nrows()
    }

    /// The rows listed, in that order.
    pub fn subset(&self, rows: &[usize]) -> Design {
        fn pick<T: Copy>(from: &[T], rows: &[usize]) -> Vec<T> {
            rows.iter().filter_map(|i| from.get(*i).copied()).collect()
        }
        Design {
            columns: Mat::from_fn(rows.len(), self.columns.ncols(), |i, c| {
                self.columns[(rows[i], c)]
            }),
            own: self.own.iter().map(|own| pick(own, rows)).collect(),
            square: self
                .square
                .iter()
                .map(|square| pick(square, rows))
                .collect(),
            rare: self.rare.iter().map(|rare| pick(rare, rows)).collect(),
            levels: self
                .levels
                .iter()
                .map(|levels| pick(levels, rows))
                .collect(),
            years: pick(&self.years, rows),
        }
    }
}
