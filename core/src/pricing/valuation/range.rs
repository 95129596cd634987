//! The width of the range needed for a given share of prices.

use statrs::distribution::{ContinuousCDF, Normal};

/// The limit above which scores are not believed.
const WIDEST: f64 = 4.0;
/// The number of sales that the normal factor counts as.
const NORMAL_COUNTS: f64 = 60.0;

/// The ceil((1 - a)(m + 1))-th smallest of the `m` scores: a share of at least 1 - a of as many new sales lies within.
///
/// `scores`: absolute standardised residuals, any order, finite. `a`: share of prices left outside, 0 < a < 1. `None`
/// if the rank exceeds `m`: too few sales.
///
/// Source: Barber, Candes, Ramdas, Tibshirani, Predictive inference with the jackknife+, Annals of Statistics 49(1) (2021)
/// 486-507, section 1.
pub fn conformal_quantile(scores: &[f64], a: f64) -> Option<f64> {
    let m = scores.len();
    // 0.8 x 10 must be 8, whatever the floats give.
    let rank = ((1.0 - a) * (m as f64 + 1.0) - 1e-9).ceil();
    if !(rank >= 1.0 && rank <= m as f64) {
        return None;
    }
    let mut sorted = scores.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(rank as usize - 1).copied()
}

/// The factor on the standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    pub factor: f64,
    /// There were too few sales for the level asked for, so the factor is a rough estimate on the wide side.
    pub few_sales: bool,
}

/// The factor for a share `level` of prices inside. With few sales it is drawn towards that of the normal distribution:
/// the 17th of 21 scores is a poor estimate of anything.
pub fn factor(scores: &[f64], level: f64) -> Factor {
    let quantile = conformal_quantile(scores, 1.0 - level);
    let held = quantile.map_or(WIDEST, |q| q.clamp(1e-6, WIDEST));
    let m = scores.len() as f64;
    let normal = normal_quantile((1.0 + level) / 2.0);
    Factor {
        factor: ((m * held.ln() + NORMAL_COUNTS * normal.ln()) / (m + NORMAL_COUNTS)).exp(),
        few_sales: quantile.is_none(),
    }
}

/// The x below which a share `p` of a standard normal distribution lies, 0 < p < 1.
pub(crate) fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// The share of a standard normal distribution below `x`.
pub(crate) fn normal_share(x: f64) -> f64 {
    Normal::standard().cdf(x)
}
