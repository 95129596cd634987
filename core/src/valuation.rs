//! What something will fetch, learned from achieved sales: low, likely and high, and why.
//!
//! A Gaussian process on the log of the achieved price over the guide's price, over plain named features, so that open data
//! sets run through the same code as engines. Hyperparameters are maximum a posteriori under tight priors, sales that do
//! not fit are believed less by one reweighting, the range comes from out-of-fold residuals, and a better grade never lowers
//! the price. Source of the method: Rasmussen & Williams, Gaussian Processes for Machine Learning (MIT Press 2006).

mod explain;
mod features;
mod kernel;
mod lanes;
mod likelihood;
mod monotone;
mod optimise;
mod posterior;
mod range;
mod sales;

pub use explain::{Effect, Explanation, Part};
pub use features::{Code, Feature, FeatureKind, Row, RowFault, Schema, SchemaFault, Value};
pub use kernel::Prior;
pub use monotone::isotonic;
pub use optimise::Effort;
pub use range::{Factor, conformal_quantile, factor};
pub use sales::{LeaveOneOut, Sale, SaleFault, Sales};

use features::Design;
use kernel::Layout;
use likelihood::{Likelihood, Observed};
use posterior::{Posterior, Predicted};
use serde::{Deserialize, Serialize};

/// Below this number of sales the guide's own uncertainty rules.
pub const FEWEST_SALES: usize = 8;

/// How a fit is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Of the shuffle that makes folds and samples.
    pub seed: u64,
    pub effort: Effort,
    /// Beyond this number of sales, hyperparameters are learned from a sample of this size ..
    pub most_learned: usize,
    /// .. and each valuation from so many sales that are nearest.
    pub nearest: usize,
}

impl Default for FitOptions {
    fn default() -> FitOptions {
        FitOptions {
            seed: 1,
            effort: Effort::default(),
            most_learned: 1500,
            nearest: 400,
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    #[error("{given} sales are too few: {FEWEST_SALES} are needed")]
    TooFewSales { given: usize },
    #[error(transparent)]
    Sale(#[from] SaleFault),
    #[error("the covariance of the sales cannot be factorised")]
    NotPositiveDefinite,
    #[error("the stored fit was made from other sales")]
    OtherSales,
    #[error("the stored fit does not hang together")]
    Unreadable,
}

/// All that has to be kept of a fit: with the sales, it gives the same answers again without learning anew.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredFit {
    pub schema: Schema,
    pub codes: Vec<Code>,
    /// Names and priors, in the order of `hyperparameters`.
    pub priors: Vec<Prior>,
    pub hyperparameters: Vec<f64>,
    /// Mean and standard deviation of the log price over the guide, of the sales learned from.
    pub mean: f64,
    pub sd: f64,
    /// Factor on the noise of each sale learned from, in the canonical order.
    pub noise_weights: Vec<f64>,
    /// Log price less its prediction from all other sales, and the standard deviation of that prediction.
    pub residuals: Vec<f64>,
    pub residual_sds: Vec<f64>,
    /// Out-of-fold residuals over their standard deviations, from which ranges are made.
    pub scores: Vec<f64>,
    pub seed: u64,
    pub most_learned: usize,
    pub nearest: usize,
    /// Of all sales.
    pub sales: usize,
    pub log_posterior: f64,
    /// How often the likelihood was computed.
    pub evaluations: u32,
}

/// A fit, ready to value.
#[derive(Debug, Clone)]
pub struct Fit {
    stored: StoredFit,
    sales: Sales,
    layout: Layout,
    /// Of the sales learned from, in the canonical order.
    learned: Vec<usize>,
    posterior: Posterior,
}

/// A price that is not known yet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    pub ln_mean: f64,
    pub ln_sd: f64,
    pub low: f64,
    pub likely: f64,
    pub high: f64,
    /// The range is a guess on the wide side: there are too few sales for the level asked.
    pub few_sales: bool,
}

/// Learns from sales.
pub fn fit(schema: &Schema, sales: &[Sale], options: &FitOptions) -> Result<Fit, FitError> {
    if sales.len() < FEWEST_SALES {
        return Err(FitError::TooFewSales { given: sales.len() });
    }
    let sales = Sales::new(schema, sales)?;
    let codes = sales.codes();
    let layout = Layout::new(schema, &codes);
    let learned = sales.sample(options.most_learned.max(FEWEST_SALES), options.seed);
    let design = sales.design(&codes, &learned);
    let (target, extra) = sales.targets(&learned);

    let full = learn(&layout, &design, &target, &extra, &layout.start(), options.effort)?;
    let theta = &full.theta;
    let left_out = Likelihood::new(&layout, &design, &full.observed)
        .leave_one_out(theta)
        .ok_or(FitError::NotPositiveDefinite)?;
    let residuals: Vec<f64> = left_out.residuals.iter().map(|r| r * full.sd).collect();
    let residual_sds: Vec<f64> = left_out.sds.iter().map(|sd| sd * full.sd).collect();
    let scores = if learned.len() <= FOLDS_UP_TO {
        out_of_fold(&layout, &codes, &design, &target, &extra, theta, options)
    } else {
        closed_form_scores(&residuals, &residual_sds)
    };
    let stored = StoredFit {
        schema: schema.clone(),
        priors: layout.priors.clone(),
        hyperparameters: theta.iter().map(|theta| theta.exp()).collect(),
        mean: full.mean,
        sd: full.sd,
        noise_weights: full.observed.noise_weights.clone(),
        residuals,
        residual_sds,
        scores,
        seed: options.seed,
        most_learned: options.most_learned.max(FEWEST_SALES),
        nearest: options.nearest.max(FEWEST_SALES),
        sales: sales.len(),
        log_posterior: full.log_posterior,
        evaluations: full.evaluations,
        codes,
    };
    Fit::assemble(stored, sales, layout, learned)
}

impl Fit {
    /// The fit again, from what was stored of it and the same sales in any order.
    pub fn from_stored(stored: StoredFit, sales: &[Sale]) -> Result<Fit, FitError> {
        if sales.len() != stored.sales {
            return Err(FitError::OtherSales);
        }
        let sales = Sales::new(&stored.schema, sales)?;
        let layout = Layout::new(&stored.schema, &stored.codes);
        let learned = sales.sample(stored.most_learned, stored.seed);
        let same_length = stored.codes.len() == stored.schema.features().len()
            && stored.hyperparameters.len() == layout.priors.len()
            && [
                &stored.noise_weights,
                &stored.residuals,
                &stored.residual_sds,
            ]
            .iter()
            .all(|list| list.len() == learned.len());
        let values = stored.hyperparameters.iter().chain(&stored.noise_weights);
        if !same_length || !values.clone().all(|value| *value > 0.0 && value.is_finite()) {
            return Err(FitError::Unreadable);
        }
        let (mean, sd) = standard_units(&sales.targets(&learned).0);
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs().max(1.0);
        if !close(mean, stored.mean) || !close(sd, stored.sd) || sales.codes() != stored.codes {
            return Err(FitError::OtherSales);
        }
        Fit::assemble(stored, sales, layout, learned)
    }

    fn assemble(
        stored: StoredFit,
        sales: Sales,
        layout: Layout,
        learned: Vec<usize>,
    ) -> Result<Fit, FitError> {
        let (target, extra) = sales.targets(&learned);
        let observed = observe(
            &target,
            &extra,
            (stored.mean, stored.sd),
            stored.noise_weights.clone(),
        );
        let theta: Vec<f64> = stored.hyperparameters.iter().map(|h| h.ln()).collect();
        let posterior = Posterior::new(
            &layout,
            &stored.codes,
            sales.design(&stored.codes, &learned),
            &observed,
            &theta,
        )
        .ok_or(FitError::NotPositiveDefinite)?;
        Ok(Fit {
            stored,
            sales,
            layout,
            learned,
            posterior,
        })
    }

    pub const fn stored(&self) -> &StoredFit {
        &self.stored
    }

    /// The price of what a row describes. `guide_ln`: log of the guide's price for it, 0 without a guide. `level`: share of
    /// prices that the range is to hold, held between 0.01 and 0.99.
    pub fn predict(&self, row: &Row, guide_ln: f64, level: f64) -> Result<Prediction, RowFault> {
        self.stored.schema.check(row)?;
        let asked = Design::new(&self.stored.codes, std::slice::from_ref(row));
        Ok(self.priced(&self.predicted(&asked, 0), guide_ln, level))
    }

    fn predicted(&self, asked: &Design, i: usize) -> Predicted {
        self.posterior.predict(&self.layout, &self.stored.codes, asked, i)
    }

    fn priced(&self, predicted: &Predicted, guide_ln: f64, level: f64) -> Prediction {
        let ln_mean = guide_ln + self.stored.mean + self.stored.sd * predicted.mean();
        let ln_sd = self.stored.sd * predicted.variance.sqrt();
        let Factor { factor, few_sales } = factor(&self.stored.scores, level.clamp(0.01, 0.99));
        // No sum of money is as large or as small as this; the exponential of anything within is a number.
        let price = |ln: f64| ln.clamp(-700.0, 700.0).exp();
        Prediction {
            ln_mean,
            ln_sd,
            low: price(ln_mean - factor * ln_sd),
            likely: price(ln_mean),
            high: price(ln_mean + factor * ln_sd),
            few_sales,
        }
    }
}

fn closed_form_scores(residuals: &[f64], sds: &[f64]) -> Vec<f64> {
    let pairs = residuals.iter().zip(sds);
    pairs.map(|(residual, sd)| residual.abs() / sd).collect()
}

/// What was learned from some sales.
struct Learned {
    /// Logarithms of the hyperparameters.
    theta: Vec<f64>,
    observed: Observed,
    mean: f64,
    sd: f64,
    log_posterior: f64,
    evaluations: u32,
}

/// The least standard deviation of log prices: sales that are all alike leave something to be known.
const LEAST_SD: f64 = 0.02;
/// Up to so many sales the range comes from folds, each learned anew; beyond, from the closed form.
const FOLDS_UP_TO: usize = 250;
const FOLDS: usize = 5;
/// Degrees of freedom of the Student-t noise of which one step of reweighting is taken.
const DEGREES_OF_FREEDOM: f64 = 8.0;

fn standard_units(target: &[f64]) -> (f64, f64) {
    let (mean, sd) = features::mean_and_sd(target);
    (mean, sd.max(LEAST_SD))
}

fn observe(
    target: &[f64],
    extra: &[f64],
    (mean, sd): (f64, f64),
    noise_weights: Vec<f64>,
) -> Observed {
    Observed {
        z: target.iter().map(|target| (target - mean) / sd).collect(),
        extra: extra.iter().map(|variance| variance / sd.powi(2)).collect(),
        noise_weights,
    }
}

/// Two passes: sales that the first cannot explain are believed less in the second.
fn learn(
    layout: &Layout,
    design: &Design,
    target: &[f64],
    extra: &[f64],
    start: &[f64],
    effort: Effort,
) -> Result<Learned, FitError> {
    let n = target.len();
    let units = standard_units(target);
    let mut observed = observe(target, extra, units, vec![1.0; n]);
    let (first, left_out) = {
        let mut likelihood = Likelihood::new(layout, design, &observed);
        let first = optimise::maximise(layout, &mut likelihood, n, start, effort)
            .ok_or(FitError::NotPositiveDefinite)?;
        let left_out = likelihood
            .leave_one_out(&first.theta)
            .ok_or(FitError::NotPositiveDefinite)?;
        (first, left_out)
    };
    observed.noise_weights = left_out.student_weights(DEGREES_OF_FREEDOM);
    let second = {
        let mut likelihood = Likelihood::new(layout, design, &observed);
        optimise::maximise(layout, &mut likelihood, n, &first.theta, effort)
            .ok_or(FitError::NotPositiveDefinite)?
    };
    Ok(Learned {
        theta: second.theta,
        observed,
        mean: units.0,
        sd: units.1,
        log_posterior: second.log_posterior,
        evaluations: first.evaluations + second.evaluations,
    })
}

/// Absolute residuals over their standard deviations, each sale predicted from the other folds. A fold that cannot be
/// learned gives none.
fn out_of_fold(
    layout: &Layout,
    codes: &[Code],
    design: &Design,
    target: &[f64],
    extra: &[f64],
    theta: &[f64],
    options: &FitOptions,
) -> Vec<f64> {
    let n = target.len();
    let shuffled = sales::shuffled(n, options.seed);
    let mut scores = vec![None; n];
    for fold in 0..FOLDS {
        let mut left: Vec<usize> = shuffled.iter().copied().skip(fold).step_by(FOLDS).collect();
        left.sort_unstable();
        let kept: Vec<usize> = (0..n).filter(|i| left.binary_search(i).is_err()).collect();
        let pick = |from: &[f64]| kept.iter().map(|i| from[*i]).collect::<Vec<f64>>();
        let (kept_target, kept_extra) = (pick(target), pick(extra));
        let kept_design = design.subset(&kept);
        let effort = options.effort;
        let Ok(learned) = learn(layout, &kept_design, &kept_target, &kept_extra, theta, effort)
        else {
            continue;
        };
        let units = (learned.mean, learned.sd);
        let posterior = Posterior::new(
            layout,
            codes,
            kept_design,
            &learned.observed,
            &learned.theta,
        );
        let Some(posterior) = posterior else { continue };
        for i in left {
            let predicted = posterior.predict(layout, codes, design, i);
            let residual = target[i] - (units.0 + units.1 * predicted.mean());
            let variance = units.1.powi(2) * predicted.variance + extra[i];
            scores[i] = Some(residual.abs() / variance.sqrt());
        }
    }
    scores.into_iter().flatten().collect()
}
