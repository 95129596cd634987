//! Prices given the sales: mean and variance of the log price of an engine, part by part.

use super::{
    features::{Code, Design, ordinal_columns},
    kernel::{self, Layout, Ordinals, Scales},
    lanes,
    likelihood::Solved,
    monotone::isotonic,
};
use faer::{
    MatMut, Par,
    linalg::triangular_solve::{solve_lower_triangular_in_place, solve_upper_triangular_in_place},
};

/// A small weight for a level without sales, so that the rising path is defined there.
const UNSEEN_WEIGHT: f64 = 0.1;

/// The posterior from the prices of a set of sales.
#[derive(Debug, Clone)]
pub(super) struct Posterior {
    pub design: Design,
    scales: Scales,
    solved: Solved,
    /// Per column: its product with alpha.
    column_alpha: Vec<f64>,
    /// Per feature and level: the correction for the rule that a better grade is never cheaper, in standard units.
    lifts: Vec<Vec<f64>>,
}

/// The mean of a prediction in standard units.
#[derive(Debug, Clone)]
pub(super) struct Predicted {
    pub constant: f64,
    /// Per feature; for a date, trend and index together.
    pub parts: Vec<f64>,
    /// Per feature: the part that comes from the rule that a better grade is never cheaper.
    pub lifts: Vec<f64>,
    pub similarity: f64,
}

impl Predicted {
    pub fn mean(&self) -> f64 {
        self.constant + self.parts.iter().sum::<f64>() + self.similarity
    }
}

impl Posterior {
    pub fn new(
        layout: &Layout,
        codes: &[Code],
        design: Design,
        solved: Solved,
        theta: &[f64],
    ) -> Posterior {
        let scales = layout.scales(theta);
        let column_alpha: Vec<f64> = (0..layout.columns())
            .map(|c| lanes::dot(design.columns.col_as_slice(c), &solved.alpha))
            .collect();
        let lifts = codes
            .iter()
            .enumerate()
            .map(|(f, code)| match code {
                Code::Ordinal { seen, .. } => lifts(
                    seen.len(),
                    scales.sd[f].powi(2),
                    &column_alpha[layout.parts[f].columns.clone()],
                    &design.levels[f],
                ),
                Code::Dropped
                | Code::Numeric { .. }
                | Code::Category { .. }
                | Code::Date { .. } => Vec::new(),
            })
            .collect();
        Posterior {
            design,
            scales,
            solved,
            column_alpha,
            lifts,
        }
    }

    /// Row `i` of `asked`.
    pub fn predict(&self, layout: &Layout, codes: &[Code], asked: &Design, i: usize) -> Predicted {
        let cross = kernel::cross(
            layout,
            &self.design,
            &self.scales,
            asked,
            i,
            Ordinals::Counted,
        );
        let alpha = &self.solved.alpha;
        let lifts: Vec<f64> = codes
            .iter()
            .enumerate()
            .map(|(f, code)| self.lift(f, code, asked, i))
            .collect();
        let parts = layout.parts.iter().zip(codes).enumerate();
        Predicted {
            constant: alpha.iter().sum(),
            parts: parts
                .map(|(f, (part, code))| {
                    let columns: f64 = part
                        .columns
                        .clone()
                        .map(|c| asked.columns[(i, c)] * self.column_alpha[c])
                        .sum();
                    let variance = self.scales.sd[f].powi(2);
                    let linear = variance * (columns + self.rare(f, asked, i)) + lifts[f];
                    match code {
                        Code::Date { .. } => linear + lanes::dot(&cross.index, alpha),
                        Code::Dropped
                        | Code::Numeric { .. }
                        | Code::Ordinal { .. }
                        | Code::Category { .. } => linear,
                    }
                })
                .collect(),
            lifts,
            similarity: lanes::dot(&cross.similarity, alpha),
        }
    }

    /// An unknown level takes the correction at the median.
    fn lift(&self, f: usize, code: &Code, asked: &Design, i: usize) -> f64 {
        match code {
            Code::Ordinal { median, .. } => {
                let level = asked.levels[f].get(i).copied().flatten();
                let level = usize::from(level.unwrap_or(*median));
                self.lifts[f].get(level).copied().unwrap_or_default()
            }
            Code::Dropped | Code::Numeric { .. } | Code::Category { .. } | Code::Date { .. } => 0.0,
        }
    }

    /// Sum of alpha over the sales that share a name without a column.
    fn rare(&self, f: usize, asked: &Design, i: usize) -> f64 {
        let Some(Some(name)) = asked.rare[f].get(i) else {
            return 0.0;
        };
        let names = self.design.rare[f].iter().zip(&self.solved.alpha);
        names
            .filter(|(other, _)| **other == Some(*name))
            .map(|(_, alpha)| alpha)
            .sum()
    }

    /// For all rows of `asked`, as new sales with ordinary noise, in standard units: k** - k' K^-1 k + noise. Solved
    /// together, so that the factor is read once for many rows.
    pub fn variances(&self, layout: &Layout, asked: &Design) -> Vec<f64> {
        let (n, m) = (self.design.rows(), asked.rows());
        let mut halves: Vec<f64> = Vec::with_capacity(n * m);
        for i in 0..m {
            let (design, scales) = (&self.design, &self.scales);
            halves.extend(kernel::cross(layout, design, scales, asked, i, Ordinals::Counted).total);
        }
        let columns = MatMut::from_column_major_slice_mut(&mut halves, n, m);
        solve_lower_triangular_in_place(self.solved.factor.as_ref(), columns, Par::Seq);
        let variance = |(i, half): (usize, &[f64])| {
            let prior = kernel::prior_variance(layout, asked, &self.scales, i);
            (prior - lanes::dot(half, half) + self.scales.noise).max(kernel::JITTER)
        };
        halves.chunks_exact(n).enumerate().map(variance).collect()
    }

    /// For the rows of `before` and `after`, one each: two states of one engine on one day, with the same noise.
    /// Returns the variances of both and their covariance, all with noise, in standard units.
    pub fn states(&self, layout: &Layout, before: &Design, after: &Design) -> [f64; 3] {
        let n = self.design.rows();
        let (design, scales) = (&self.design, &self.scales);
        let mut halves: Vec<f64> = [before, after]
            .into_iter()
            .flat_map(|asked| {
                kernel::cross(layout, design, scales, asked, 0, Ordinals::Counted).total
            })
            .collect();
        let columns = MatMut::from_column_major_slice_mut(&mut halves, n, 2);
        solve_lower_triangular_in_place(self.solved.factor.as_ref(), columns, Par::Seq);
        let (first, second) = halves.split_at(n);
        let own = |asked, half: &[f64]| {
            let prior = kernel::prior_variance(layout, asked, scales, 0);
            (prior - lanes::dot(half, half) + scales.noise).max(kernel::JITTER)
        };
        let prior = kernel::covariance_of_states(layout, before, after, scales);
        [
            own(before, first),
            own(after, second),
            prior - lanes::dot(first, second) + scales.noise,
        ]
    }

    /// K^-1 k: the share of each sale in the answer for the single row of `asked`.
    pub fn weights(&self, layout: &Layout, asked: &Design) -> Vec<f64> {
        let (design, scales) = (&self.design, &self.scales);
        let mut weights = kernel::cross(layout, design, scales, asked, 0, Ordinals::Counted).total;
        let n = weights.len();
        let factor = self.solved.factor.as_ref();
        let mut column = MatMut::from_column_major_slice_mut(&mut weights, n, 1);
        solve_lower_triangular_in_place(factor, column.as_mut(), Par::Seq);
        solve_upper_triangular_in_place(factor.transpose(), column, Par::Seq);
        weights
    }

    /// The `n` nearest rows of `all` to the single row of `asked`, in original order. Grades do not count in the
    /// distance.
    pub fn nearest(
        &self,
        layout: &Layout,
        all: &Design,
        asked: &Design,
        count: usize,
    ) -> Vec<usize> {
        let near = kernel::cross(layout, all, &self.scales, asked, 0, Ordinals::LeftOut).total;
        let mut rows: Vec<usize> = (0..near.len()).collect();
        let nearer = |a: &usize, b: &usize| near[*b].total_cmp(&near[*a]).then(a.cmp(b));
        if count < rows.len() {
            rows.select_nth_unstable_by(count, nearer);
            rows.truncate(count);
        }
        rows.sort_unstable();
        rows
    }
}

/// Makes the path of an ordinal feature over its levels rise, and returns the correction at each level.
fn lifts(levels: usize, variance: f64, column_alpha: &[f64], known: &[Option<u16>]) -> Vec<f64> {
    let mut columns = vec![0.0; levels];
    let mut path = Vec::with_capacity(levels);
    let mut weights = vec![UNSEEN_WEIGHT; levels];
    for level in (0..).take(levels) {
        ordinal_columns(level, levels, &mut columns);
        path.push(variance * lanes::dot(&columns, column_alpha));
    }
    for level in known.iter().flatten() {
        weights[usize::from(*level)] += 1.0;
    }
    let rising = isotonic(&path, &weights);
    rising
        .iter()
        .zip(&path)
        .map(|(new, old)| new - old)
        .collect()
}
