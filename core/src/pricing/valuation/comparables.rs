//! The sales with the most weight in a price, each adjusted step by step to the engine being valued.
//!
//! Source: International Valuation Standards, market approach: a comparable's price is adjusted for every difference that
//! matters to the market.

use super::{Asked, Explanation, Fit, Part, features::Design};

/// A sale with weight in a price.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparable {
    /// Index of the sale in the list that the model was fitted to, from 0.
    pub sale: usize,
    /// Its share in the answer: (K^-1 k)_j. Negative if it corrects another sale.
    pub weight: f64,
    pub price: f64,
    pub steps: Vec<Step>,
    /// The price that the sale would have fetched as the engine being valued.
    pub adjusted: f64,
}

/// One difference between a sale and the engine being valued.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    pub difference: Difference,
    /// The price is multiplied by this.
    pub factor: f64,
    /// The price after this step.
    pub price: f64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Difference {
    /// The price scale gives the two engines different prices.
    PriceScale,
    Of(Part),
}

/// A sale with a price far from what all the others predict.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlier {
    /// Index of the sale in the list, from 0.
    pub sale: usize,
    pub price: f64,
    /// The price that the others predict.
    pub expected: f64,
    /// Distance in standard deviations: of that prediction, or of all residuals if these are smaller.
    pub sds: f64,
}

/// A factor this close to 1 makes no visible difference to a price.
const NOTHING: f64 = 1e-9;

/// A sale this many standard deviations off is an outlier.
const OUTLIER_SDS: f64 = 6.0;
/// Standard deviation of a normal distribution over its median distance from the centre.
const NORMAL_SD_PER_MEDIAN: f64 = 1.4826;
/// If half of the prices agree to within one per cent, an ordinary price must not count as an outlier.
const LEAST_SD: f64 = 0.015;

impl Asked<'_> {
    /// The sales with the most weight, heaviest first, adjusted to the row.
    pub fn comparables(&self, price_scale_ln: f64, most: usize) -> Vec<Comparable> {
        let (fit, wanted) = (self.fit, self.explain(price_scale_ln));
        let weights = self.posterior.weights(&fit.layout, &self.design);
        let mut weights: Vec<(usize, f64)> = self.rows.iter().copied().zip(weights).collect();
        weights.sort_by(|a, b| (b.1.abs().total_cmp(&a.1.abs())).then_with(|| a.0.cmp(&b.0)));
        weights.truncate(most);
        weights
            .into_iter()
            .map(|(canonical, weight)| {
                let (row, price, price_scale_ln) = fit.sales.get(canonical);
                let design = Design::new(&fit.stored.codes, std::slice::from_ref(row));
                let had = self.explanation(&design, price_scale_ln);
                let steps = steps(price, &had, &wanted);
                Comparable {
                    sale: fit.sales.given()[canonical],
                    weight,
                    price,
                    adjusted: steps.last().map_or(price, |step| step.price),
                    steps,
                }
            })
            .collect()
    }
}

impl Fit {
    /// Sales more than 6 standard deviations from what all the others predict, farthest first. They stay in the model
    /// with less weight. Only sales that were fitted to.
    pub fn outliers(&self) -> Vec<Outlier> {
        let stored = &self.stored;
        // Among few sales an outlier widens every prediction and draws all the others its way; it cannot move the
        // median of all residuals or of their distances from it.
        let centre = median(&stored.residuals);
        let distances: Vec<f64> = stored
            .residuals
            .iter()
            .map(|r| (r - centre).abs())
            .collect();
        let robust = (NORMAL_SD_PER_MEDIAN * median(&distances)).max(LEAST_SD);
        let pairs = stored.residuals.iter().zip(&stored.residual_sds);
        let mut found: Vec<Outlier> = pairs
            .zip(&self.learned)
            .filter_map(|((residual, sd), canonical)| {
                let (_, price, _) = self.sales.get(*canonical);
                let off = (residual - centre).abs() / sd.min(robust);
                (off > OUTLIER_SDS).then(|| Outlier {
                    sale: self.sales.given()[*canonical],
                    price,
                    expected: (price.ln() - residual).clamp(-700.0, 700.0).exp(),
                    sds: off,
                })
            })
            .collect();
        found.sort_by(|a, b| b.sds.total_cmp(&a.sds).then(a.sale.cmp(&b.sale)));
        found
    }
}

fn steps(price: f64, had: &Explanation, wanted: &Explanation) -> Vec<Step> {
    let price_scale = (
        Difference::PriceScale,
        wanted.price_scale_ln - had.price_scale_ln,
    );
    let parts = wanted.effects.iter().zip(&had.effects);
    let differences = parts.map(|(wanted, had)| {
        let difference = Difference::Of(wanted.part.clone());
        (difference, wanted.ln - had.ln)
    });
    let mut price = price;
    std::iter::once(price_scale)
        .chain(differences)
        .filter(|(_, ln)| ln.abs() > NOTHING)
        .map(|(difference, ln)| {
            let factor = ln.clamp(-700.0, 700.0).exp();
            price *= factor;
            Step {
                difference,
                factor,
                price,
            }
        })
        .collect()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}
