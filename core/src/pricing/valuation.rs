//! What an engine will fetch, estimated from achieved sales: low, likely and high, and why.
//!
//! A Gaussian process on the log of the achieved price over the price scale's price, with plain named features, so that
//! open data sets run through the same code as engines. Hyperparameters are maximum a posteriori under tight priors,
//! outlying sales get less weight by one reweighting, the range comes from out-of-fold residuals, and a better grade
//! never lowers the price. Source of the method: Rasmussen & Williams, Gaussian Processes for Machine Learning (MIT
//! Press 2006).

mod amounts;
mod asked;
mod change;
mod comparables;
pub mod engine_features;
mod explain;
mod features;
mod kernel;
mod lanes;
mod learn;
mod likelihood;
mod monotone;
mod optimise;
mod posterior;
mod range;
mod sales;

pub use amounts::{amount_of, estimate_of};
pub use asked::Asked;
pub use change::Change;
pub use comparables::{Comparable, Difference, Outlier, Step};
pub use explain::{Effect, Explanation, Narrowing, Part, Warning, money_steps};
pub use features::{Code, Feature, FeatureKind, Row, RowFault, Schema, SchemaFault, Value};
pub use kernel::Prior;
pub use monotone::isotonic;
pub use optimise::Effort;
pub use range::{Factor, conformal_quantile, factor};
pub use sales::{LeaveOneOut, Sale, SaleFault, Sales};

pub(crate) use amounts::whole_pennies;
pub(crate) use range::{normal_quantile, normal_share};

use features::Design;
use kernel::Layout;
use likelihood::Likelihood;
use posterior::Posterior;
use serde::{Deserialize, Serialize};

/// With fewer sales the price scale's own uncertainty is used.
pub const FEWEST_SALES: usize = 8;

/// How a model is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Seed of the shuffle that makes folds and samples.
    pub seed: u64,
    pub effort: Effort,
    /// Above this number of sales, hyperparameters are fitted to a sample of this size ..
    pub most_learned: usize,
    /// .. and each valuation uses this many nearest sales.
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
    #[error("{given} sales are too few: at least {FEWEST_SALES} are needed")]
    TooFewSales { given: usize },
    #[error(transparent)]
    Sale(#[from] SaleFault),
    #[error("the covariance of the sales cannot be factorised")]
    NotPositiveDefinite,
    #[error("the stored model was fitted to other sales")]
    OtherSales,
    #[error("the stored model is inconsistent")]
    Unreadable,
}

/// The stored part of a model: together with the sales it gives the same answers again without fitting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredFit {
    pub schema: Schema,
    pub codes: Vec<Code>,
    /// Names and priors, in the order of `hyperparameters`.
    pub priors: Vec<Prior>,
    pub hyperparameters: Vec<f64>,
    /// Mean and standard deviation of the log price over the price scale, in the sales fitted to.
    pub mean: f64,
    pub sd: f64,
    /// Factor on the noise of each sale fitted to, in the canonical order.
    pub noise_weights: Vec<f64>,
    /// Log price less its prediction from all other sales, and the standard deviation of that prediction.
    pub residuals: Vec<f64>,
    pub residual_sds: Vec<f64>,
    /// Out-of-fold residuals over their standard deviations; ranges are calculated from these.
    pub scores: Vec<f64>,
    pub seed: u64,
    pub most_learned: usize,
    pub nearest: usize,
    /// Number of all sales.
    pub sales: usize,
    pub log_posterior: f64,
    /// How often the likelihood was calculated.
    pub evaluations: u32,
}

/// A fitted model, ready to value with.
#[derive(Debug, Clone)]
pub struct Fit {
    stored: StoredFit,
    sales: Sales,
    layout: Layout,
    /// The sales fitted to, in the canonical order.
    learned: Vec<usize>,
    posterior: Posterior,
    /// All sales, if there are more than were fitted to.
    all: Option<Design>,
    /// Per feature: values that sales had, each with its share of them.
    tried: Vec<Vec<(Value, f64)>>,
}

/// The predicted price of an engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    pub ln_mean: f64,
    pub ln_sd: f64,
    pub low: f64,
    pub likely: f64,
    pub high: f64,
    /// There are too few sales for the level asked for, so the range is a rough estimate on the wide side.
    pub few_sales: bool,
}

/// Fits a model to sales.
pub fn fit(schema: &Schema, sales: &[Sale], options: &FitOptions) -> Result<Fit, FitError> {
    if sales.len() < FEWEST_SALES {
        return Err(FitError::TooFewSales { given: sales.len() });
    }
    let sales = Sales::new(schema, sales)?;
    let codes = sales.codes();
    let layout = Layout::new(schema, &codes);
    let learned = sales.sample(options.most_learned.max(FEWEST_SALES), options.seed);
    let evidence = sales.evidence(&codes, &learned);

    let start = learn::first_guess(&layout, &evidence, options);
    let full = learn::learn(&layout, &evidence, &start, options.effort)?;
    let (mean, sd) = full.units;
    let in_logs = |values: &[f64]| values.iter().map(|value| value * sd).collect::<Vec<f64>>();
    let residuals = in_logs(&full.left_out.residuals);
    let residual_sds = in_logs(&full.left_out.sds);
    let scores = if learned.len() <= learn::FOLDS_UP_TO {
        learn::out_of_fold(&layout, &codes, &evidence, &full.end, options)
    } else {
        learn::closed_form_scores(&residuals, &residual_sds)
    };
    let stored = StoredFit {
        schema: schema.clone(),
        priors: layout.priors.clone(),
        hyperparameters: full.end.theta.iter().map(|theta| theta.exp()).collect(),
        mean,
        sd,
        noise_weights: full.noise_weights,
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
    let theta = &full.end.theta;
    let posterior = Posterior::new(&layout, &stored.codes, evidence.design, full.solved, theta);
    Ok(Fit {
        all: sales.beyond(&stored.codes, &learned),
        tried: explain::tried(&sales),
        stored,
        sales,
        layout,
        learned,
        posterior,
    })
}

impl Fit {
    /// Restores a model from its stored part and the same sales in any order.
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
        if !same_length
            || !values
                .clone()
                .all(|value| *value > 0.0 && value.is_finite())
        {
            return Err(FitError::Unreadable);
        }
        let evidence = sales.evidence(&stored.codes, &learned);
        let (mean, sd) = evidence.units();
        let codes = sales.codes();
        let same_codes = codes
            .iter()
            .zip(&stored.codes)
            .all(|(code, other)| code.is(other));
        let units = features::close(mean, stored.mean) && features::close(sd, stored.sd);
        if !units || !same_codes {
            return Err(FitError::OtherSales);
        }
        let observed = evidence.observed(stored.noise_weights.clone());
        let theta: Vec<f64> = stored.hyperparameters.iter().map(|h| h.ln()).collect();
        let solved = Likelihood::new(&layout, &evidence.design, &observed)
            .into_solved(&theta)
            .ok_or(FitError::NotPositiveDefinite)?;
        let posterior = Posterior::new(&layout, &stored.codes, evidence.design, solved, &theta);
        Ok(Fit {
            all: sales.beyond(&stored.codes, &learned),
            tried: explain::tried(&sales),
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

    /// Like `Asked::predict`, if nothing else is asked about the row.
    pub fn predict(
        &self,
        row: &Row,
        price_scale_ln: f64,
        level: f64,
    ) -> Result<Prediction, RowFault> {
        Ok(self.ask(row)?.predict(price_scale_ln, level))
    }

    /// The share of the predicted prices that lie above `price`.
    pub fn chance_above(&self, prediction: &Prediction, price: f64) -> f64 {
        let off = (prediction.ln_mean - price.max(f64::MIN_POSITIVE).ln()) / prediction.ln_sd;
        normal_share(off)
    }
}
