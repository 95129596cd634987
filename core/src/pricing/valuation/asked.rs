//! A question to a model: one row, with the sales that its price is conditioned on.

use super::{
    Factor, Fit, Prediction, Row, RowFault, factor,
    features::Design,
    likelihood::Likelihood,
    posterior::{Posterior, Predicted},
};
use std::borrow::Cow;

/// A row to value with a model.
#[derive(Debug)]
pub struct Asked<'f> {
    pub(super) fit: &'f Fit,
    pub(super) row: Row,
    /// The row in numbers.
    pub(super) design: Design,
    /// The sales used for it, in the canonical order.
    pub(super) rows: Cow<'f, [usize]>,
    pub(super) posterior: Cow<'f, Posterior>,
}

impl Fit {
    /// Uses all sales or, if there are very many, those nearest to the row.
    pub fn ask(&self, row: &Row) -> Result<Asked<'_>, RowFault> {
        self.stored.schema.check(row)?;
        let design = Design::new(&self.stored.codes, std::slice::from_ref(row));
        let (rows, posterior) = self.posterior_for(&design);
        Ok(Asked {
            fit: self,
            row: row.clone(),
            design,
            rows,
            posterior,
        })
    }

    fn posterior_for(&self, asked: &Design) -> (Cow<'_, [usize]>, Cow<'_, Posterior>) {
        let Some(all) = &self.all else {
            return (Cow::Borrowed(&self.learned), Cow::Borrowed(&self.posterior));
        };
        let nearest = self
            .posterior
            .nearest(&self.layout, all, asked, self.stored.nearest);
        let near = self.near(&nearest).map(Cow::Owned);
        match near {
            Some(posterior) => (Cow::Owned(nearest), posterior),
            // The sample is a worse answer than the nearest sales, but better than none.
            None => (Cow::Borrowed(&self.learned), Cow::Borrowed(&self.posterior)),
        }
    }

    /// The posterior of these sales, in the units and with the hyperparameters of the model.
    fn near(&self, rows: &[usize]) -> Option<Posterior> {
        let stored = &self.stored;
        let weight = |row: &usize| match self.learned.binary_search(row) {
            Ok(at) => stored.noise_weights.get(at).copied().unwrap_or(1.0),
            Err(_) => 1.0,
        };
        let evidence = self.sales.evidence(&stored.codes, rows);
        let units = (stored.mean, stored.sd);
        let observed = evidence.observed_in(units, rows.iter().map(weight).collect());
        let theta: Vec<f64> = stored.hyperparameters.iter().map(|h| h.ln()).collect();
        let solved =
            Likelihood::new(&self.layout, &evidence.design, &observed).into_solved(&theta)?;
        let codes = &stored.codes;
        Some(Posterior::new(
            &self.layout,
            codes,
            evidence.design,
            solved,
            &theta,
        ))
    }
}

impl Asked<'_> {
    /// The price of the row. `price_scale_ln`: log of the price scale's price for it, 0 without a price scale. `level`:
    /// share of prices expected in the range, limited to between 0.01 and 0.99.
    pub fn predict(&self, price_scale_ln: f64, level: f64) -> Prediction {
        let stored = &self.fit.stored;
        let ln_mean =
            price_scale_ln + stored.mean + stored.sd * self.predicted(&self.design).mean();
        let ln_sd = self.ln_sds(&self.design)[0];
        let Factor { factor, few_sales } = factor(&stored.scores, level.clamp(0.01, 0.99));
        // No amount is as large or small as this; the exponential of anything within these limits is a number.
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

    /// Only the likely price, which takes a fraction of the time.
    pub fn likely(&self, price_scale_ln: f64) -> f64 {
        let stored = &self.fit.stored;
        let ln = price_scale_ln + stored.mean + stored.sd * self.predicted(&self.design).mean();
        ln.clamp(-700.0, 700.0).exp()
    }

    /// The single row of `design`, from the same sales.
    pub(super) fn predicted(&self, design: &Design) -> Predicted {
        let (layout, codes) = (&self.fit.layout, &self.fit.stored.codes);
        self.posterior.predict(layout, codes, design, 0)
    }

    /// Standard deviations of the log prices of all rows of `design`, from the same sales.
    pub(super) fn ln_sds(&self, design: &Design) -> Vec<f64> {
        let variances = self.posterior.variances(&self.fit.layout, design);
        let sd = self.fit.stored.sd;
        variances
            .iter()
            .map(|variance| sd * variance.sqrt())
            .collect()
    }
}
