//! Achieved sales, in an order that does not depend on the order in which they were given.

use super::{
    features::{Code, Design, Row, RowFault, Schema, Value},
    kernel::{self, Layout, Sorted},
    learn::{self, Evidence},
    likelihood::{self, Likelihood},
};
use faer::Mat;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// One achieved price.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sale {
    pub row: Row,
    /// In any currency, the same for all sales.
    pub price: f64,
    /// Natural logarithm of the price scale's price for it; 0 without a price scale.
    pub price_scale_ln: f64,
    /// Known variance of the log price in addition to the usual noise: 0 for one of the firm's own sales.
    pub extra_variance: f64,
}

/// An error in a sale; sales are counted from 0.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SaleFault {
    #[error("sale {sale}: the price must be above 0")]
    PriceNotAboveNought { sale: usize },
    #[error("sale {sale}: the price scale's price must be a number")]
    PriceScale { sale: usize },
    #[error("sale {sale}: the variance must be between 0 and 100")]
    Variance { sale: usize },
    #[error("sale {sale}: {fault}")]
    Row { sale: usize, fault: RowFault },
}

/// Sales in their canonical order: by day, price and features.
#[derive(Debug, Clone)]
pub struct Sales {
    schema: Schema,
    rows: Vec<Row>,
    prices: Vec<f64>,
    /// ln price less that of the price scale.
    target: Vec<f64>,
    price_scale_ln: Vec<f64>,
    extra: Vec<f64>,
    /// Index of each sale in the list given.
    given: Vec<usize>,
}

/// Every sale predicted from all others, in log prices.
#[derive(Debug, Clone, PartialEq)]
pub struct LeaveOneOut {
    pub residuals: Vec<f64>,
    pub sds: Vec<f64>,
}

impl likelihood::LeftOut {
    /// Factors on the noise: one step of a Student-t noise with `freedom` degrees of freedom.
    pub(super) fn student_weights(&self, freedom: f64) -> Vec<f64> {
        let pairs = self.residuals.iter().zip(&self.sds);
        pairs
            .map(|(residual, sd)| (freedom + (residual / sd).powi(2)) / (freedom + 1.0))
            .collect()
    }
}

impl Sales {
    pub fn new(schema: &Schema, sales: &[Sale]) -> Result<Sales, SaleFault> {
        for (sale, item) in sales.iter().enumerate() {
            let fault = |fault| SaleFault::Row { sale, fault };
            schema.check(&item.row).map_err(fault)?;
            if !(item.price > 0.0 && item.price.is_finite()) {
                return Err(SaleFault::PriceNotAboveNought { sale });
            }
            if !(-700.0..=700.0).contains(&item.price_scale_ln) {
                return Err(SaleFault::PriceScale { sale });
            }
            if !(0.0..=100.0).contains(&item.extra_variance) {
                return Err(SaleFault::Variance { sale });
            }
        }
        let mut given: Vec<usize> = (0..sales.len()).collect();
        given.sort_by(|a, b| canonical(&sales[*a], &sales[*b]));
        let in_order = || given.iter().map(|i| &sales[*i]);
        Ok(Sales {
            schema: schema.clone(),
            rows: in_order().map(|sale| sale.row.clone()).collect(),
            prices: in_order().map(|sale| sale.price).collect(),
            target: in_order()
                .map(|sale| sale.price.ln() - sale.price_scale_ln)
                .collect(),
            price_scale_ln: in_order().map(|sale| sale.price_scale_ln).collect(),
            extra: in_order().map(|sale| sale.extra_variance).collect(),
            given,
        })
    }

    pub fn len(&self) -> usize {
        self.rows.len()
    }

    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Index, in the list given, of each sale of the canonical order.
    pub fn given(&self) -> &[usize] {
        &self.given
    }

    pub(super) fn schema(&self) -> &Schema {
        &self.schema
    }

    pub(super) fn codes(&self) -> Vec<Code> {
        Code::learn(&self.schema, &self.rows)
    }

    /// At most `most` of the sales, drawn with the seed, in the canonical order.
    pub(super) fn sample(&self, most: usize, seed: u64) -> Vec<usize> {
        let mut drawn = if self.len() > most {
            shuffled(self.len(), seed)
        } else {
            (0..self.len()).collect()
        };
        drawn.truncate(most);
        drawn.sort_unstable();
        drawn
    }

    /// The data of the sales listed, in that order.
    pub(super) fn evidence(&self, codes: &[Code], chosen: &[usize]) -> Evidence {
        let rows: Vec<Row> = chosen.iter().map(|i| self.rows[*i].clone()).collect();
        let pick = |from: &[f64]| chosen.iter().map(|i| from[*i]).collect();
        Evidence {
            design: Design::new(codes, &rows),
            target: pick(&self.target),
            extra: pick(&self.extra),
        }
    }

    /// All sales in numbers, if there are more than were fitted to.
    pub(super) fn beyond(&self, codes: &[Code], learned: &[usize]) -> Option<Design> {
        (self.len() > learned.len()).then(|| Design::new(codes, &self.rows))
    }

    /// Row, price and log of the price scale's price, by index in the canonical order.
    pub(super) fn get(&self, canonical: usize) -> (&Row, f64, f64) {
        let price_scale_ln = self.price_scale_ln[canonical];
        (
            &self.rows[canonical],
            self.prices[canonical],
            price_scale_ln,
        )
    }

    /// At most `most` known values of a feature, spread evenly over those that sales had.
    pub(super) fn seen(&self, feature: usize, most: usize) -> Vec<Value> {
        let values = self.rows.iter().filter_map(|row| row.get(feature));
        let mut known: Vec<&Value> = values.filter(|value| **value != Value::Missing).collect();
        known.sort_by(|a, b| by_value(a, b));
        let count = most.min(known.len());
        (0..count)
            .map(|n| known[(2 * n + 1) * known.len() / (2 * count)].clone())
            .collect()
    }

    // At given hyperparameters, for checks against other programs. Rows and columns, noise weights and answers are in
    // the order in which the sales were given.

    /// Names and priors of the hyperparameters.
    pub fn priors(&self) -> Vec<super::Prior> {
        Layout::new(&self.schema, &self.codes()).priors
    }

    /// The covariance of the sales without noise, in standard units.
    pub fn kernel(&self, hyperparameters: &[f64]) -> Vec<Vec<f64>> {
        let (layout, evidence, theta) = self.at(hyperparameters);
        let n = self.len();
        let (mut kernel, mut similarity) = (Mat::zeros(n, n), Mat::zeros(n, n));
        let sorted = Sorted::new(&evidence.design);
        kernel::fill(
            &layout,
            &sorted,
            &layout.scales(&theta),
            &mut kernel,
            &mut similarity,
        );
        let mut answer = vec![vec![0.0; n]; n];
        for i in 0..n {
            for j in 0..n {
                answer[self.given[i]][self.given[j]] = kernel[(i.max(j), i.min(j))];
            }
        }
        answer
    }

    /// The log marginal likelihood of the prices in standard units; `None` if the covariance cannot be factorised.
    pub fn log_marginal_likelihood(
        &self,
        hyperparameters: &[f64],
        noise_weights: &[f64],
    ) -> Option<f64> {
        let (layout, evidence, theta) = self.at(hyperparameters);
        let observed = evidence.observed(self.in_order(noise_weights));
        Likelihood::new(&layout, &evidence.design, &observed).log_marginal_likelihood(&theta)
    }

    /// With respect to the logarithms of the hyperparameters.
    pub fn gradient(&self, hyperparameters: &[f64], noise_weights: &[f64]) -> Option<Vec<f64>> {
        let (layout, evidence, theta) = self.at(hyperparameters);
        let observed = evidence.observed(self.in_order(noise_weights));
        let found = Likelihood::new(&layout, &evidence.design, &observed).with_gradient(&theta);
        found.map(|(_, gradient)| gradient)
    }

    pub fn leave_one_out(
        &self,
        hyperparameters: &[f64],
        noise_weights: &[f64],
    ) -> Option<LeaveOneOut> {
        let (layout, evidence, theta) = self.at(hyperparameters);
        let observed = evidence.observed(self.in_order(noise_weights));
        let found = Likelihood::new(&layout, &evidence.design, &observed).leave_one_out(&theta)?;
        let (_, sd) = evidence.units();
        let as_given = |values: &[f64]| {
            let mut answer = vec![0.0; values.len()];
            for (value, given) in values.iter().zip(&self.given) {
                answer[*given] = value * sd;
            }
            answer
        };
        Some(LeaveOneOut {
            residuals: as_given(&found.residuals),
            sds: as_given(&found.sds),
        })
    }

    /// A model with the hyperparameters and noise weights as given, its range from the closed form.
    pub fn stored_at(
        &self,
        hyperparameters: &[f64],
        noise_weights: &[f64],
    ) -> Option<super::StoredFit> {
        let codes = self.codes();
        let left_out = self.leave_one_out(hyperparameters, noise_weights)?;
        let (mean, sd) = self.at(hyperparameters).1.units();
        let residuals = self.in_order(&left_out.residuals);
        let residual_sds = self.in_order(&left_out.sds);
        Some(super::StoredFit {
            schema: self.schema.clone(),
            priors: Layout::new(&self.schema, &codes).priors,
            hyperparameters: hyperparameters.to_vec(),
            mean,
            sd,
            noise_weights: self.in_order(noise_weights),
            scores: learn::closed_form_scores(&residuals, &residual_sds),
            residuals,
            residual_sds,
            seed: 0,
            most_learned: self.len(),
            nearest: self.len(),
            sales: self.len(),
            log_posterior: self.log_marginal_likelihood(hyperparameters, noise_weights)?,
            evaluations: 0,
            codes,
        })
    }

    fn at(&self, hyperparameters: &[f64]) -> (Layout, Evidence, Vec<f64>) {
        let codes = self.codes();
        let all: Vec<usize> = (0..self.len()).collect();
        let theta = hyperparameters.iter().map(|value| value.ln()).collect();
        (
            Layout::new(&self.schema, &codes),
            self.evidence(&codes, &all),
            theta,
        )
    }

    /// From the order given into the canonical one.
    fn in_order(&self, values: &[f64]) -> Vec<f64> {
        self.given
            .iter()
            .map(|given| values.get(*given).copied().unwrap_or(1.0))
            .collect()
    }
}

/// By day, price, features, price scale and variance, which is all that a sale consists of: the order of equal sales
/// does not matter.
fn canonical(a: &Sale, b: &Sale) -> Ordering {
    let day = |sale: &Sale| {
        sale.row.iter().find_map(|value| match value {
            Value::Years(years) => Some(*years),
            Value::Missing | Value::Number(_) | Value::Level(_) | Value::Name(_) => None,
        })
    };
    let by_day = match (day(a), day(b)) {
        (Some(a), Some(b)) => a.total_cmp(&b),
        (a, b) => a.is_some().cmp(&b.is_some()),
    };
    by_day
        .then(a.price.total_cmp(&b.price))
        .then_with(|| {
            let values = a.row.iter().zip(&b.row);
            values
                .map(|(a, b)| by_value(a, b))
                .find(|order| order.is_ne())
                .unwrap_or(Ordering::Equal)
        })
        .then(a.price_scale_ln.total_cmp(&b.price_scale_ln))
        .then(a.extra_variance.total_cmp(&b.extra_variance))
}

fn by_value(a: &Value, b: &Value) -> Ordering {
    match (a, b) {
        (Value::Missing, Value::Missing) => Ordering::Equal,
        (Value::Missing, _) => Ordering::Less,
        (_, Value::Missing) => Ordering::Greater,
        (Value::Number(a), Value::Number(b)) | (Value::Years(a), Value::Years(b)) => a.total_cmp(b),
        (Value::Level(a), Value::Level(b)) => a.cmp(b),
        (Value::Name(a), Value::Name(b)) => a.cmp(b),
        // Rows of one schema have values of the same kinds.
        (Value::Number(_) | Value::Years(_) | Value::Level(_) | Value::Name(_), _) => {
            Ordering::Equal
        }
    }
}

/// 0 to n - 1 in an order decided by the seed: Fisher-Yates with SplitMix64.
///
/// Source: Steele, Lea, Flood, Fast splittable pseudorandom number generators, OOPSLA 2014, figure 17 (mix64variant13).
pub(super) fn shuffled(n: usize, seed: u64) -> Vec<usize> {
    let mut state = seed;
    let mut order: Vec<usize> = (0..n).collect();
    for last in (1..n).rev() {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        // The high half of the product is as uniform as the remainder, and the bias is below n / 2^64.
        let at = (u128::from(z) * (last as u128 + 1)) >> 64;
        order.swap(last, at as usize);
    }
    order
}
