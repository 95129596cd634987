//! Fits a model to sales: two passes over all of them, and again without each fold.

use super::{
    FitError, FitOptions,
    features::{self, Code, Design},
    kernel::Layout,
    likelihood::{LeftOut, Likelihood, Observed, Solved},
    optimise::{self, Effort, Start},
    posterior::Posterior,
    sales,
};

/// The least standard deviation of log prices, so that identical sales still leave some uncertainty.
const LEAST_SD: f64 = 0.02;
/// Up to this many sales the range comes from folds, each fitted separately; above, from the closed form.
pub(super) const FOLDS_UP_TO: usize = 250;
const FOLDS: usize = 5;
/// Degrees of freedom of the Student-t noise for the one step of reweighting.
const DEGREES_OF_FREEDOM: f64 = 8.0;
/// From this many sales on, a search over a quarter of them, which costs next to nothing, gives the starting point for
/// the search over all of them.
const GUESS_FROM: usize = 400;

/// The first of two passes only has to find the outliers, so its tolerance is a hundred times as large.
const FIRST_PASS_ROUGHER: f64 = 100.0;

/// The data of some sales.
pub(super) struct Evidence {
    pub design: Design,
    /// Log prices less those of the price scale.
    pub target: Vec<f64>,
    /// Their known variances.
    pub extra: Vec<f64>,
}

impl Evidence {
    fn subset(&self, rows: &[usize]) -> Evidence {
        let pick = |from: &[f64]| rows.iter().map(|i| from[*i]).collect();
        Evidence {
            design: self.design.subset(rows),
            target: pick(&self.target),
            extra: pick(&self.extra),
        }
    }

    /// Mean and standard deviation that convert log prices to standard units.
    pub fn units(&self) -> (f64, f64) {
        let (mean, sd) = features::mean_and_sd(&self.target);
        (mean, sd.max(LEAST_SD))
    }

    /// In standard units.
    pub fn observed(&self, noise_weights: Vec<f64>) -> Observed {
        self.observed_in(self.units(), noise_weights)
    }

    pub fn observed_in(&self, (mean, sd): (f64, f64), noise_weights: Vec<f64>) -> Observed {
        let z = |target: &f64| (target - mean) / sd;
        Observed {
            z: self.target.iter().map(z).collect(),
            extra: self.extra.iter().map(|v| v / sd.powi(2)).collect(),
            noise_weights,
        }
    }
}

pub(super) fn closed_form_scores(residuals: &[f64], sds: &[f64]) -> Vec<f64> {
    let pairs = residuals.iter().zip(sds);
    pairs.map(|(residual, sd)| residual.abs() / sd).collect()
}

/// The result of fitting to some sales.
pub(super) struct Learned {
    /// The optimum, and the starting point for a search over nearly the same sales.
    pub end: Start,
    pub noise_weights: Vec<f64>,
    pub left_out: LeftOut,
    pub solved: Solved,
    pub units: (f64, f64),
    pub log_posterior: f64,
    pub evaluations: u32,
}

/// The starting point: the medians of the priors, or the optimum of a part of many sales.
pub(super) fn first_guess(layout: &Layout, evidence: &Evidence, options: &FitOptions) -> Start {
    let start = Start::at_prior(layout);
    let n = evidence.target.len();
    if n < GUESS_FROM {
        return start;
    }
    let mut quarter = sales::shuffled(n, options.seed);
    quarter.truncate(n / 4);
    quarter.sort_unstable();
    let part = evidence.subset(&quarter);
    let observed = part.observed(vec![1.0; quarter.len()]);
    let mut likelihood = Likelihood::new(layout, &part.design, &observed);
    optimise::maximise(
        layout,
        &mut likelihood,
        quarter.len(),
        &start,
        options.effort,
    )
    .map_or(start, |(_, end)| end)
}

/// Two passes: sales that the first cannot explain get less weight in the second.
pub(super) fn learn(
    layout: &Layout,
    evidence: &Evidence,
    start: &Start,
    effort: Effort,
) -> Result<Learned, FitError> {
    let n = evidence.target.len();
    let failed = FitError::NotPositiveDefinite;
    let mut observed = evidence.observed(vec![1.0; n]);
    let mut likelihood = Likelihood::new(layout, &evidence.design, &observed);
    let rough = Effort {
        tolerance: effort.tolerance * FIRST_PASS_ROUGHER,
        ..effort
    };
    let (first, end) = optimise::maximise(layout, &mut likelihood, n, start, rough)
        .ok_or_else(|| failed.clone())?;
    let left_out = likelihood
        .leave_one_out(&end.theta)
        .ok_or_else(|| failed.clone())?;
    drop(likelihood);

    observed.noise_weights = left_out.student_weights(DEGREES_OF_FREEDOM);
    let mut likelihood = Likelihood::new(layout, &evidence.design, &observed);
    let (second, end) = optimise::maximise(layout, &mut likelihood, n, &end, effort)
        .ok_or_else(|| failed.clone())?;
    let left_out = likelihood
        .leave_one_out(&end.theta)
        .ok_or_else(|| failed.clone())?;
    let solved = likelihood.into_solved(&end.theta).ok_or(failed)?;
    Ok(Learned {
        end,
        noise_weights: observed.noise_weights,
        left_out,
        solved,
        units: evidence.units(),
        log_posterior: second.log_posterior,
        evaluations: first.evaluations + second.evaluations,
    })
}

/// Absolute residuals over their standard deviations, each sale predicted from the other folds. A fold that cannot be
/// fitted gives none.
pub(super) fn out_of_fold(
    layout: &Layout,
    codes: &[Code],
    evidence: &Evidence,
    start: &Start,
    options: &FitOptions,
) -> Vec<f64> {
    let n = evidence.target.len();
    let shuffled = sales::shuffled(n, options.seed);
    let mut scores = vec![None; n];
    for fold in 0..FOLDS {
        let mut left: Vec<usize> = shuffled.iter().copied().skip(fold).step_by(FOLDS).collect();
        left.sort_unstable();
        let kept: Vec<usize> = (0..n).filter(|i| left.binary_search(i).is_err()).collect();
        let kept = evidence.subset(&kept);
        let Ok(learned) = learn(layout, &kept, start, options.effort) else {
            continue;
        };
        let (mean, sd) = learned.units;
        let posterior = Posterior::new(
            layout,
            codes,
            kept.design,
            learned.solved,
            &learned.end.theta,
        );
        let asked = evidence.design.subset(&left);
        let variances = posterior.variances(layout, &asked);
        for (at, (i, variance)) in left.into_iter().zip(variances).enumerate() {
            let predicted = posterior.predict(layout, codes, &asked, at);
            let residual = evidence.target[i] - (mean + sd * predicted.mean());
            let variance = sd.powi(2) * variance + evidence.extra[i];
            scores[i] = Some(residual.abs() / variance.sqrt());
        }
    }
    scores.into_iter().flatten().collect()
}
