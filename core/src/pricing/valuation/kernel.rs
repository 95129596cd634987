//! The covariance of the log prices of two sales: a sum with one readable part per feature, a market index over time,
//! and the similarity of engines that agree in all features.
//!
//! Symbols as in Rasmussen & Williams, Gaussian Processes for Machine Learning (MIT Press 2006), chapters 2, 4 and 5.

use super::{
    features::{Code, Design, FeatureKind, Schema},
    lanes,
};
use faer::{
    Accum, Mat, Par,
    linalg::matmul::triangular::{BlockStructure, matmul},
};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// Added to the diagonal, so that two equal sales do not make the covariance singular.
pub(super) const JITTER: f64 = 1e-9;

/// A hyperparameter's name and prior: its logarithm is normal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    pub name: String,
    pub median: f64,
    pub sd_of_log: f64,
}

/// The position of each hyperparameter in theta, and the part that it belongs to.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub priors: Vec<Prior>,
    /// One per feature of the schema.
    pub parts: Vec<Part>,
    /// Standard deviation and length of the market index.
    pub index: Option<(usize, usize)>,
    /// Standard deviation of the similarity, and its reach.
    pub similarity: Option<(usize, usize)>,
    pub noise: usize,
}

/// A feature's part of the kernel.
#[derive(Debug, Clone)]
pub(super) struct Part {
    pub columns: Range<usize>,
    /// Standard deviation of the sum over the columns: of the trend, for a date. `None` if the feature was dropped.
    pub sd: Option<usize>,
    /// Its weight in the similarity.
    pub weight: Option<usize>,
    /// Squared distance over the squared difference of the columns: two names are 4 apart, their columns 2.
    pub stretch: f64,
    pub is_ordinal: bool,
}

impl Layout {
    pub fn new(schema: &Schema, codes: &[Code]) -> Layout {
        let mut priors = Vec::new();
        let mut add = |name: String, median: f64, sd_of_log: f64| {
            priors.push(Prior {
                name,
                median,
                sd_of_log,
            });
            priors.len() - 1
        };
        let mut parts = Vec::new();
        let mut index_sd = None;
        let mut date = None;
        let mut first = 0;
        for (f, (feature, code)) in schema.features().iter().zip(codes).enumerate() {
            let columns = first..first + code.columns();
            first = columns.end;
            let median = match (code, &feature.kind) {
                (Code::Dropped, _) => None,
                (_, FeatureKind::Numeric) => Some(0.2),
                (_, FeatureKind::Ordinal { .. }) => Some(0.6),
                (_, FeatureKind::Category) => Some(0.4),
                (_, FeatureKind::Date) => {
                    index_sd = Some(add(format!("sd of {}", feature.name), 0.3, 0.5));
                    date = Some(f);
                    None
                }
            };
            parts.push(Part {
                columns,
                sd: median.map(|median| add(format!("sd of {}", feature.name), median, 0.5)),
                weight: None,
                stretch: match feature.kind {
                    FeatureKind::Category => 2.0,
                    FeatureKind::Numeric | FeatureKind::Ordinal { .. } | FeatureKind::Date => 1.0,
                },
                is_ordinal: matches!(code, Code::Ordinal { .. }),
            });
        }
        if let Some(part) = date.and_then(|f| parts.get_mut(f)) {
            part.sd = Some(add("sd of trend".to_owned(), 0.1, 0.5));
        }
        let alike: Vec<usize> = codes
            .iter()
            .enumerate()
            .filter_map(|(f, code)| match code {
                Code::Numeric { .. } | Code::Category { .. } => Some(f),
                // Inside the similarity, a better grade could lower the price.
                Code::Ordinal { .. } | Code::Date { .. } | Code::Dropped => None,
            })
            .collect();
        let similarity_sd =
            (!alike.is_empty()).then(|| add("sd of similarity".to_owned(), 0.5, 0.5));
        let noise = add("sd of noise".to_owned(), 0.4, 0.5);
        let index = index_sd.map(|sd| (sd, add("years of index".to_owned(), 3.0, 0.5)));
        let similarity =
            similarity_sd.map(|sd| (sd, add("reach of similarity".to_owned(), 1.0, 0.5)));
        for f in alike {
            let name = schema
                .features()
                .get(f)
                .map_or("", |feature| feature.name.as_str());
            parts[f].weight = Some(add(format!("reach of {name}"), 1.0, 0.3));
        }
        Layout {
            priors,
            parts,
            index,
            similarity,
            noise,
        }
    }

    /// theta at the medians of the priors.
    pub fn start(&self) -> Vec<f64> {
        self.priors.iter().map(|prior| prior.median.ln()).collect()
    }

    pub fn columns(&self) -> usize {
        self.parts.last().map_or(0, |part| part.columns.end)
    }

    /// theta, limited to 8 standard deviations of its prior, so that a long step of a line search cannot overflow.
    pub fn held(&self, theta: &[f64]) -> Vec<f64> {
        let held = |(prior, value): (&Prior, &f64)| {
            let (middle, reach) = (prior.median.ln(), 8.0 * prior.sd_of_log);
            value.clamp(middle - reach, middle + reach)
        };
        self.priors.iter().zip(theta).map(held).collect()
    }

    /// The scale of each part at theta.
    pub fn scales(&self, theta: &[f64]) -> Scales {
        let value = |n: usize| theta.get(n).copied().unwrap_or_default().exp();
        let parts = self.parts.iter();
        let alike = parts.clone().filter(|part| part.weight.is_some()).count() as f64;
        let similarity = self
            .similarity
            .map(|(sd, reach)| (value(sd).powi(2), value(reach)));
        Scales {
            sd: parts
                .clone()
                .map(|part| part.sd.map_or(0.0, value))
                .collect(),
            nearness: parts
                .map(|part| match (part.weight, similarity) {
                    (Some(weight), Some((_, reach))) => {
                        part.stretch / (alike * (reach * value(weight)).powi(2))
                    }
                    (None, _) | (_, None) => 0.0,
                })
                .collect(),
            similarity: similarity.map_or(0.0, |(variance, _)| variance),
            index: self
                .index
                .map(|(sd, years)| (value(sd).powi(2), value(years))),
            noise: value(self.noise).powi(2),
        }
    }
}

/// Theta as the numbers that the kernel uses.
#[derive(Debug, Clone)]
pub(super) struct Scales {
    /// Per feature: standard deviation.
    pub sd: Vec<f64>,
    /// Per feature: factor on the squared difference of the columns in q; 0 outside the similarity.
    pub nearness: Vec<f64>,
    /// Variance.
    pub similarity: f64,
    /// Variance, and length in years.
    pub index: Option<(f64, f64)>,
    /// Variance.
    pub noise: f64,
}

/// Rows to compare with each other, sorted by day, those without a day first.
pub(super) struct Sorted<'a> {
    pub design: &'a Design,
    /// Per feature: pairs of rows with the same name, the later row first, for names without a column.
    pub pairs: Vec<Vec<(usize, usize)>>,
    pub first_dated: usize,
    /// For the rows with a day.
    pub years: Vec<f64>,
}

impl<'a> Sorted<'a> {
    pub fn new(design: &'a Design) -> Sorted<'a> {
        let pairs = design
            .rare
            .iter()
            .map(|names| {
                let mut order: Vec<(u32, usize)> = names
                    .iter()
                    .enumerate()
                    .filter_map(|(i, name)| name.map(|name| (name, i)))
                    .collect();
                order.sort_unstable();
                let mut pairs = Vec::new();
                for same in order.chunk_by(|a, b| a.0 == b.0) {
                    for (n, (_, later)) in same.iter().enumerate() {
                        pairs.extend(same[..n].iter().map(|(_, earlier)| (*later, *earlier)));
                    }
                }
                pairs
            })
            .collect();
        let years: Vec<f64> = design.years.iter().filter_map(|years| *years).collect();
        Sorted {
            design,
            pairs,
            first_dated: design.rows() - years.len(),
            years,
        }
    }
}

/// Copies of the columns, each multiplied by its scale; only those with a scale other than 0.
pub(super) fn scaled(design: &Design, layout: &Layout, scale: &[f64]) -> Mat<f64> {
    let chosen: Vec<(usize, f64)> = layout
        .parts
        .iter()
        .zip(scale)
        .filter(|(_, scale)| **scale > 0.0)
        .flat_map(|(part, scale)| part.columns.clone().map(|c| (c, *scale)))
        .collect();
    Mat::from_fn(design.rows(), chosen.len(), |i, n| {
        design.columns[(i, chosen[n].0)] * chosen[n].1
    })
}

/// Squared distance of each row from the origin of the similarity.
pub(super) fn squares(design: &Design, scales: &Scales) -> Vec<f64> {
    let mut sums = vec![0.0; design.rows()];
    for (square, nearness) in design.square.iter().zip(&scales.nearness) {
        for (sum, square) in sums.iter_mut().zip(square) {
            *sum += nearness * square;
        }
    }
    sums
}

/// Writes the kernel of rows with themselves without noise, and the similarity in it, into the lower triangles of
/// `kernel` and `similarity`; their upper triangles are not touched. Without a similarity its matrix is not touched.
pub(super) fn fill(
    layout: &Layout,
    sorted: &Sorted<'_>,
    scales: &Scales,
    kernel: &mut Mat<f64>,
    similarity: &mut Mat<f64>,
) {
    let design = sorted.design;
    let n = design.rows();
    gram(&scaled(design, layout, &scales.sd), kernel);
    for (pairs, sd) in sorted.pairs.iter().zip(&scales.sd) {
        for pair in pairs {
            kernel[*pair] += sd.powi(2);
        }
    }
    let has_similarity = scales.similarity > 0.0;
    let squares = squares(design, scales);
    if has_similarity {
        let roots: Vec<f64> = scales.nearness.iter().map(|near| near.sqrt()).collect();
        gram(&scaled(design, layout, &roots), similarity);
        for (pairs, nearness) in sorted.pairs.iter().zip(&scales.nearness) {
            for pair in pairs {
                similarity[*pair] += nearness;
            }
        }
    }
    let mut index = Index::new(sorted, scales);
    for j in (0..n).rev() {
        let column = &mut kernel.col_as_slice_mut(j)[j..];
        if has_similarity {
            let alike = &mut similarity.col_as_slice_mut(j)[j..];
            lanes::similarity(column, alike, &squares[j..], squares[j], scales.similarity);
        }
        lanes::add(column, 1.0);
        index.add_to(j, column);
    }
    for i in 0..n {
        kernel[(i, i)] = 1.0
            + scales.similarity
            + scales.index.map_or(0.0, |(variance, _)| variance)
            + own_variance(layout, design, scales, i);
        if has_similarity {
            similarity[(i, i)] = scales.similarity;
        }
    }
}

/// The variance of the linear terms at row i.
fn own_variance(layout: &Layout, design: &Design, scales: &Scales, i: usize) -> f64 {
    let terms = layout.parts.iter().zip(&scales.sd).zip(&design.own);
    terms
        .map(|((part, sd), own)| {
            let square: f64 = part
                .columns
                .clone()
                .map(|c| design.columns[(i, c)].powi(2))
                .sum();
            sd.powi(2) * (square + own.get(i).copied().unwrap_or_default())
        })
        .sum()
}

/// Variance of a single row, without noise.
pub(super) fn prior_variance(layout: &Layout, design: &Design, scales: &Scales, i: usize) -> f64 {
    let index = scales.index.map_or(0.0, |(variance, _)| variance);
    1.0 + scales.similarity + index + own_variance(layout, design, scales, i)
}

/// Covariance, without noise, of row 0 of `before` and row 0 of `after`, two states of one engine on one day: facts
/// unknown in both are the same in both.
pub(super) fn covariance_of_states(
    layout: &Layout,
    before: &Design,
    after: &Design,
    scales: &Scales,
) -> f64 {
    let cross = cross(layout, before, scales, after, 0, Ordinals::Counted);
    let own = |design: &Design, f: usize| design.own[f].first().copied().unwrap_or_default();
    let not_known: f64 = (scales.sd.iter().enumerate())
        .map(|(f, sd)| sd.powi(2) * own(before, f).min(own(after, f)))
        .sum();
    cross.total[0] + not_known
}

fn gram(columns: &Mat<f64>, out: &mut Mat<f64>) {
    matmul(
        out,
        BlockStructure::TriangularLower,
        Accum::Replace,
        columns,
        BlockStructure::Rectangular,
        columns.transpose(),
        BlockStructure::Rectangular,
        1.0,
        Par::Seq,
    );
}

/// The market index, column by column from the last: exp(-(t_i - t_j)/T) of a column is that of the next column times
/// exp(-(t_j+1 - t_j)/T), because an Ornstein-Uhlenbeck process forgets the past at every step.
pub(super) struct Index<'a> {
    sorted: &'a Sorted<'a>,
    variance: f64,
    length: f64,
    /// exp(-(t_i - t_j)/T) for the rows i with a day, from column j on.
    pub correlation: Vec<f64>,
}

impl<'a> Index<'a> {
    pub fn new(sorted: &'a Sorted<'a>, scales: &Scales) -> Index<'a> {
        let (variance, length) = scales.index.unwrap_or((0.0, 1.0));
        Index {
            sorted,
            variance,
            length,
            correlation: vec![0.0; sorted.years.len()],
        }
    }

    /// Moves on to column j: returns the rows from j on and their days, if the column has a day and there is an index.
    pub fn column(&mut self, j: usize) -> Option<(&[f64], &'a [f64])> {
        let at = j
            .checked_sub(self.sorted.first_dated)
            .filter(|_| self.variance > 0.0)?;
        let years = self.sorted.years.get(at..)?;
        if let [this, next, ..] = years {
            lanes::multiply(
                &mut self.correlation[at + 1..],
                (-(next - this).abs() / self.length).exp(),
            );
        }
        self.correlation[at] = 1.0;
        Some((&self.correlation[at..], years))
    }

    fn add_to(&mut self, j: usize, column: &mut [f64]) {
        let variance = self.variance;
        if let Some((correlation, _)) = self.column(j) {
            lanes::add_scaled(column, correlation, variance);
        }
    }
}

/// Whether the covariance includes the ordinal features.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ordinals {
    Counted,
    LeftOut,
}

/// The parts of the covariance of one row with all rows of a model.
#[derive(Debug, Clone)]
pub(super) struct Cross {
    /// The sum of all parts.
    pub total: Vec<f64>,
    pub index: Vec<f64>,
    pub similarity: Vec<f64>,
}

/// Row `i` of `asked` with all rows of `design`. A row in both counts as two different rows.
pub(super) fn cross(
    layout: &Layout,
    design: &Design,
    scales: &Scales,
    asked: &Design,
    i: usize,
    ordinals: Ordinals,
) -> Cross {
    let n = design.rows();
    let mut total = vec![1.0; n];
    let mut inner = vec![0.0; n];
    for (f, part) in layout.parts.iter().enumerate() {
        let (sd, nearness) = (scales.sd[f], scales.nearness[f]);
        if part.is_ordinal && ordinals == Ordinals::LeftOut {
            continue;
        }
        for c in part.columns.clone() {
            let value = asked.columns[(i, c)];
            if value != 0.0 {
                let column = design.columns.col_as_slice(c);
                lanes::add_scaled(&mut total, column, value * sd.powi(2));
                if nearness > 0.0 {
                    lanes::add_scaled(&mut inner, column, value * nearness);
                }
            }
        }
        if let Some(Some(name)) = asked.rare[f].get(i) {
            for (j, other) in design.rare[f].iter().enumerate() {
                if *other == Some(*name) {
                    total[j] += sd.powi(2);
                    inner[j] += nearness;
                }
            }
        }
    }
    let mut similarity = inner;
    if scales.similarity > 0.0 {
        let own: f64 = (asked.square.iter().zip(&scales.nearness))
            .map(|(square, near)| square[i] * near)
            .sum();
        lanes::similarity(
            &mut total,
            &mut similarity,
            &squares(design, scales),
            own,
            scales.similarity,
        );
    }
    let index: Vec<f64> = match (scales.index, asked.years[i]) {
        (Some((variance, length)), Some(then)) => design
            .years
            .iter()
            .map(|years| {
                years.map_or(0.0, |years| {
                    variance * (-(years - then).abs() / length).exp()
                })
            })
            .collect(),
        (None, _) | (_, None) => vec![0.0; n],
    };
    lanes::add_scaled(&mut total, &index, 1.0);
    Cross {
        total,
        index,
        similarity,
    }
}
