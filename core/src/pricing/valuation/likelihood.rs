//! How well hyperparameters explain the sales: log posterior, its gradient, and leave-one-out residuals.
//!
//! Symbols and equations: Rasmussen & Williams, Gaussian Processes for Machine Learning (MIT Press 2006): K is the
//! covariance with noise, alpha = K^-1 z.

use super::{
    features::Design,
    kernel::{self, Index, Layout, Scales, Sorted},
    lanes,
};
use faer::{
    Accum, Mat, MatMut, Par,
    dyn_stack::{MemBuffer, MemStack},
    linalg::{
        cholesky::llt::factor::{cholesky_in_place, cholesky_in_place_scratch},
        matmul::triangular::{BlockStructure, matmul},
        triangular_inverse::invert_lower_triangular,
        triangular_solve::{solve_lower_triangular_in_place, solve_upper_triangular_in_place},
    },
};

/// The observations: prices in standard units, and the noise of each.
#[derive(Debug, Clone)]
pub(super) struct Observed {
    pub z: Vec<f64>,
    /// Factor on the variance of the noise.
    pub noise_weights: Vec<f64>,
    /// Known variance in addition to the noise, in squared standard units.
    pub extra: Vec<f64>,
}

/// Leave-one-out residuals and the standard deviations of a prediction of each row from all others, in standard units.
#[derive(Debug, Clone)]
pub(super) struct LeftOut {
    pub residuals: Vec<f64>,
    pub sds: Vec<f64>,
}

/// The Cholesky factor of the covariance (lower triangle), and alpha.
#[derive(Debug, Clone)]
pub(super) struct Solved {
    pub factor: Mat<f64>,
    pub alpha: Vec<f64>,
    pub log_marginal_likelihood: f64,
}

/// Matrices with a row per sale, reused.
struct Buffers {
    similarity: Mat<f64>,
    inverse_factor: Mat<f64>,
    inverse: Mat<f64>,
    stack: MemBuffer,
}

impl Buffers {
    fn new(n: usize) -> Buffers {
        Buffers {
            similarity: Mat::zeros(n, n),
            inverse_factor: Mat::zeros(n, n),
            inverse: Mat::zeros(n, n),
            stack: MemBuffer::new(cholesky_in_place_scratch::<f64>(
                n,
                Par::Seq,
                Default::default(),
            )),
        }
    }
}

pub(super) struct Likelihood<'a> {
    layout: &'a Layout,
    sorted: Sorted<'a>,
    observed: &'a Observed,
    /// The theta that `solved` and the inverse of its factor belong to.
    solved_at: Option<Vec<f64>>,
    inverted_at: Option<Vec<f64>>,
    solved: Solved,
    buffers: Buffers,
}

impl<'a> Likelihood<'a> {
    pub fn new(layout: &'a Layout, design: &'a Design, observed: &'a Observed) -> Likelihood<'a> {
        let n = design.rows();
        Likelihood {
            layout,
            sorted: Sorted::new(design),
            observed,
            solved_at: None,
            inverted_at: None,
            solved: Solved {
                factor: Mat::zeros(n, n),
                alpha: vec![0.0; n],
                log_marginal_likelihood: f64::NEG_INFINITY,
            },
            buffers: Buffers::new(n),
        }
    }

    /// Factorises the covariance; `None` if it is not positive definite in floats.
    fn solve(&mut self, theta: &[f64]) -> Option<()> {
        if self.solved_at.as_deref() == Some(theta) {
            return Some(());
        }
        self.solved_at = None;
        let scales = &self.layout.scales(theta);
        let (solved, buffers) = (&mut self.solved, &mut self.buffers);
        kernel::fill(
            self.layout,
            &self.sorted,
            scales,
            &mut solved.factor,
            &mut buffers.similarity,
        );
        let diagonal = self.observed.noise_weights.iter().zip(&self.observed.extra);
        for (i, (weight, extra)) in diagonal.enumerate() {
            solved.factor[(i, i)] += scales.noise * weight + extra + kernel::JITTER;
        }
        cholesky_in_place(
            solved.factor.as_mut(),
            Default::default(),
            Par::Seq,
            MemStack::new(&mut buffers.stack),
            Default::default(),
        )
        .ok()?;
        solved.alpha.copy_from_slice(&self.observed.z);
        let n = solved.alpha.len();
        let factor = solved.factor.as_ref();
        let mut alpha = MatMut::from_column_major_slice_mut(&mut solved.alpha, n, 1);
        solve_lower_triangular_in_place(factor, alpha.as_mut(), Par::Seq);
        solve_upper_triangular_in_place(factor.transpose(), alpha.as_mut(), Par::Seq);
        let fit = lanes::dot(&self.observed.z, &solved.alpha);
        let log_determinant: f64 = (0..n).map(|i| solved.factor[(i, i)].ln()).sum();
        // Equation 2.30.
        solved.log_marginal_likelihood =
            -fit / 2.0 - log_determinant - n as f64 / 2.0 * (2.0 * std::f64::consts::PI).ln();
        if !solved.log_marginal_likelihood.is_finite() {
            return None;
        }
        self.solved_at = Some(theta.to_vec());
        Some(())
    }

    /// K^-1 = L^-T L^-1; the diagonal is that of a matrix of inner products of the columns of L^-1.
    fn invert_factor(&mut self) {
        if self.inverted_at.is_some() && self.inverted_at == self.solved_at {
            return;
        }
        self.inverted_at.clone_from(&self.solved_at);
        invert_lower_triangular(
            self.buffers.inverse_factor.as_mut(),
            self.solved.factor.as_ref(),
            Par::Seq,
        );
    }

    pub fn log_marginal_likelihood(&mut self, theta: &[f64]) -> Option<f64> {
        self.solve(theta)?;
        Some(self.solved.log_marginal_likelihood)
    }

    /// The log marginal likelihood and its gradient with respect to theta; `None` if the covariance cannot be
    /// factorised.
    pub fn with_gradient(&mut self, theta: &[f64]) -> Option<(f64, Vec<f64>)> {
        // The gradient overwrites the similarity.
        self.solved_at = None;
        self.solve(theta)?;
        self.invert_factor();
        let scales = self.layout.scales(theta);
        let inverse_factor = self.buffers.inverse_factor.as_ref();
        matmul(
            self.buffers.inverse.as_mut(),
            BlockStructure::TriangularLower,
            Accum::Replace,
            inverse_factor.transpose(),
            BlockStructure::TriangularUpper,
            inverse_factor,
            BlockStructure::TriangularLower,
            1.0,
            Par::Seq,
        );
        Some((self.solved.log_marginal_likelihood, self.gradient(&scales)))
    }

    /// 1/2 tr[(alpha alpha' - K^-1) dK/dtheta] (equation 5.9) without a product of full-size matrices: W = alpha alpha'
    /// - K^-1 is formed once, and a part that is x x' gives x'Wx.
    fn gradient(&mut self, scales: &Scales) -> Vec<f64> {
        let Likelihood {
            layout,
            sorted,
            observed,
            solved,
            buffers,
            ..
        } = self;
        let design = sorted.design;
        let n = design.rows();
        let alpha = &solved.alpha;
        let mut gradient = vec![0.0; layout.priors.len()];

        // From here on the lower triangle of `inverse` is W, and that of `similarity` is W times the similarity.
        let mut index = Index::new(sorted, scales);
        let (mut index_sum, mut index_moment) = (0.0, 0.0);
        let mut alike_total = 0.0;
        let mut alike_sums = vec![0.0; n];
        for j in (0..n).rev() {
            let w = &mut buffers.inverse.col_as_slice_mut(j)[j..];
            lanes::residual_minus_inverse(w, &alpha[j..], alpha[j]);
            let (_, below) = w.split_at(1);
            if let Some((correlation, years)) = index.column(j) {
                let (sum, moment) =
                    lanes::index_sums(below, &correlation[1..], &years[1..], years[0]);
                index_sum += sum;
                index_moment += moment;
            }
            if layout.similarity.is_some() {
                let alike = &mut buffers.similarity.col_as_slice_mut(j)[j + 1..];
                let sum = lanes::weigh(alike, below, &mut alike_sums[j + 1..]);
                alike_sums[j] += sum;
                alike_total += sum;
            }
        }
        let diagonal: Vec<f64> = (0..n).map(|i| buffers.inverse[(i, i)]).collect();
        let trace: f64 = diagonal.iter().sum();

        gradient[layout.noise] = scales.noise * lanes::dot(&observed.noise_weights, &diagonal);
        if let (Some((sd, length)), Some((variance, years))) = (layout.index, scales.index) {
            gradient[sd] = variance * (trace + 2.0 * index_sum);
            gradient[length] = variance * index_moment / years;
        }

        // x'Wx = (x'alpha)^2 - |L^-1 x|^2.
        let mut half = Mat::zeros(n, layout.columns());
        matmul(
            half.as_mut(),
            BlockStructure::Rectangular,
            Accum::Replace,
            buffers.inverse_factor.as_ref(),
            BlockStructure::TriangularLower,
            design.columns.as_ref(),
            BlockStructure::Rectangular,
            1.0,
            Par::Seq,
        );
        for (f, part) in layout.parts.iter().enumerate() {
            let Some(at) = part.sd else { continue };
            let mut sum = lanes::dot(&design.own[f], &diagonal);
            for c in part.columns.clone() {
                let half = half.col_as_slice(c);
                let column = design.columns.col_as_slice(c);
                sum += lanes::dot(column, alpha).powi(2) - lanes::dot(half, half);
            }
            let pairs = sorted.pairs[f].iter();
            sum += 2.0 * pairs.map(|pair| buffers.inverse[*pair]).sum::<f64>();
            gradient[at] = scales.sd[f].powi(2) * sum;
        }

        let Some((sd, reach)) = layout.similarity else {
            return gradient;
        };
        gradient[sd] = scales.similarity * trace + 2.0 * alike_total;
        // With M = W times the similarity, without pairs of a row with itself, the sum of M_ij (x_i - x_j)^2 is 2 sum_i
        // x_i^2 (M 1)_i - 2 x'Mx.
        let ones: Vec<f64> = layout
            .parts
            .iter()
            .map(|part| f64::from(part.weight.is_some()))
            .collect();
        let columns = kernel::scaled(design, layout, &ones);
        let mut weighed = Mat::zeros(n, columns.ncols());
        matmul(
            weighed.as_mut(),
            BlockStructure::Rectangular,
            Accum::Replace,
            buffers.similarity.as_ref(),
            BlockStructure::StrictTriangularLower,
            columns.as_ref(),
            BlockStructure::Rectangular,
            1.0,
            Par::Seq,
        );
        let mut next = 0;
        for (f, part) in layout.parts.iter().enumerate() {
            let Some(weight) = part.weight else { continue };
            let mut products = 0.0;
            for c in next..next + part.columns.len() {
                products += lanes::dot(columns.col_as_slice(c), weighed.col_as_slice(c));
            }
            next += part.columns.len();
            let pairs = sorted.pairs[f].iter();
            products += pairs.map(|pair| buffers.similarity[*pair]).sum::<f64>();
            let squares = lanes::dot(&design.square[f], &alike_sums);
            gradient[weight] = scales.nearness[f] * (squares - 2.0 * products);
            gradient[reach] += gradient[weight];
        }
        gradient
    }

    /// Predicts every row from all others without fitting again (section 5.4.2, equations 5.10 to 5.12). The row's own
    /// noise is that of an ordinary sale; the known uncertainty of its price stays.
    pub fn leave_one_out(&mut self, theta: &[f64]) -> Option<LeftOut> {
        self.solve(theta)?;
        self.invert_factor();
        let noise = self.layout.scales(theta).noise;
        let n = self.solved.alpha.len();
        let mut found = LeftOut {
            residuals: Vec::with_capacity(n),
            sds: Vec::with_capacity(n),
        };
        for i in 0..n {
            let column = &self.buffers.inverse_factor.col_as_slice(i)[i..];
            let precision = lanes::dot(column, column);
            let weight = self.observed.noise_weights[i];
            found.residuals.push(self.solved.alpha[i] / precision);
            let variance = precision.recip() + noise * (1.0 - weight);
            found.sds.push(variance.max(kernel::JITTER).sqrt());
        }
        Some(found)
    }

    pub fn into_solved(mut self, theta: &[f64]) -> Option<Solved> {
        self.solve(theta)?;
        Some(self.solved)
    }
}
