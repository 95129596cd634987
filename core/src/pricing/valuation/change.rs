//! The effect of a change on an engine's price. The range of the difference is not the difference of two ranges,
//! because most unknowns are the same before and after.

use super::{
    Asked, Factor, Row, RowFault, factor, features::Design, normal_quantile, normal_share,
};

/// Equally probable steps of the price before, over which a chance is summed.
const STEPS: u16 = 200;
/// Halvings in the search for a quantile: more precise than a penny for any amount.
const HALVINGS: u32 = 80;

/// The log price of an engine before and after a change, jointly normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    pub before_ln: f64,
    pub after_ln: f64,
    /// Standard deviation of the log price before.
    pub before_sd: f64,
    /// Standard deviation of the change of the log price.
    pub change_sd: f64,
    /// Covariance of the log price before and its change.
    pub covariance: f64,
    /// Factor on standard deviations for the share of prices expected in the range.
    pub factor: f64,
}

impl Asked<'_> {
    /// The change from the row asked about to `after`, on the same day. `before_price_scale_ln`,
    /// `after_price_scale_ln`: log of the price scale's price of each, 0 without a price scale. `level`: share of
    /// differences expected in the range; as no sales give differences, its factor is that of prices.
    ///
    /// Source: joint posterior of two points of a Gaussian process, Rasmussen & Williams (2006), equation 2.24.
    pub fn change(
        &self,
        after: &Row,
        before_price_scale_ln: f64,
        after_price_scale_ln: f64,
        level: f64,
    ) -> Result<Change, RowFault> {
        let stored = &self.fit.stored;
        stored.schema.check(after)?;
        let after = Design::new(&stored.codes, std::slice::from_ref(after));
        let [before_variance, after_variance, shared] =
            self.posterior
                .states(&self.fit.layout, &self.design, &after);
        let square = stored.sd.powi(2);
        let Factor { factor, .. } = factor(&stored.scores, level.clamp(0.01, 0.99));
        let ln = |design, price_scale_ln: f64| {
            price_scale_ln + stored.mean + stored.sd * self.predicted(design).mean()
        };
        Ok(Change {
            before_ln: ln(&self.design, before_price_scale_ln),
            after_ln: ln(&after, after_price_scale_ln),
            before_sd: (square * before_variance).sqrt(),
            change_sd: (square * (before_variance + after_variance - 2.0 * shared).max(0.0)).sqrt(),
            covariance: square * (shared - before_variance),
            factor,
        })
    }
}

impl Change {
    /// Difference of the likely prices.
    pub fn likely(&self) -> f64 {
        self.after_ln.exp() - self.before_ln.exp()
    }

    /// Low and high: as far out as the range of a price at the same level.
    pub fn range(&self) -> (f64, f64) {
        let below = normal_share(-self.factor);
        (self.quantile(below), self.quantile(1.0 - below))
    }

    /// The share of differences above `amount`.
    pub fn chance_above(&self, amount: f64) -> f64 {
        1.0 - self.share_below(amount)
    }

    /// The difference is P (exp(D) - 1): given the log of P, D is normal with a mean and a spread of its own.
    fn share_below(&self, amount: f64) -> f64 {
        let mean = self.after_ln - self.before_ln;
        let slope = if self.before_sd > 0.0 {
            self.covariance / self.before_sd.powi(2)
        } else {
            0.0
        };
        let spread = (self.change_sd.powi(2) - slope * self.covariance)
            .max(0.0)
            .sqrt();
        let shares = (0..STEPS).map(|step| {
            let off = normal_quantile((f64::from(step) + 0.5) / f64::from(STEPS)) * self.before_sd;
            let ratio = 1.0 + amount * (-(self.before_ln + off)).exp();
            if ratio <= 0.0 {
                return 0.0;
            }
            let beyond = ratio.ln() - mean - slope * off;
            if spread > 0.0 {
                normal_share(beyond / spread)
            } else if beyond >= 0.0 {
                1.0
            } else {
                0.0
            }
        });
        shares.sum::<f64>() / f64::from(STEPS)
    }

    fn quantile(&self, share: f64) -> f64 {
        let widest = 8.0 * (self.before_sd + self.change_sd);
        let most = (self.before_ln.max(self.after_ln) + widest)
            .clamp(-700.0, 700.0)
            .exp();
        let (mut low, mut high) = (-most, most);
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(low, high);
            if self.share_below(middle) < share {
                low = middle;
            } else {
                high = middle;
            }
        }
        f64::midpoint(low, high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn change(before_sd: f64, change_sd: f64, correlation: f64) -> Change {
        Change {
            before_ln: 5000_f64.ln(),
            after_ln: 6000_f64.ln(),
            before_sd,
            change_sd,
            covariance: correlation * before_sd * change_sd,
            factor: normal_quantile(0.9),
        }
    }

    /// The sign of the difference is that of the change, whatever the price before: P(D > 0) of a normal D.
    #[test]
    fn the_chance_of_a_gain_is_that_of_the_change_alone() {
        for correlation in [-0.9, -0.3, 0.0, 0.5, 0.95] {
            let it = change(0.2, 0.1, correlation);
            let right = normal_share(1.2_f64.ln() / 0.1);
            assert!((it.chance_above(0.0) - right).abs() < 1e-3, "{correlation}");
        }
    }

    /// Quantiles of a shifted log-normal distribution, in closed form.
    #[test]
    fn with_a_price_that_is_known_the_range_is_log_normal() {
        let it = change(0.0, 0.1, 0.0);
        let (low, high) = it.range();
        let right = |z: f64| 5000.0 * ((1.2_f64.ln() + z * 0.1).exp() - 1.0);
        assert!((low - right(-it.factor)).abs() < 0.01, "{low}");
        assert!((high - right(it.factor)).abs() < 0.01, "{high}");
    }

    /// If the work is certain, the difference is a share of the price before and log-normal itself.
    #[test]
    fn a_certain_change_spreads_as_the_price_does() {
        let it = change(0.25, 0.0, 0.0);
        let (low, high) = it.range();
        let right = |z: f64| 1000.0 * (z * 0.25).exp();
        assert!((low / right(-it.factor) - 1.0).abs() < 0.01, "{low}");
        assert!((high / right(it.factor) - 1.0).abs() < 0.01, "{high}");
        let (before, after) = ((it.factor * 0.25).exp(), (-it.factor * 0.25).exp());
        let of_ranges = 6000.0 * before - 5000.0 * after;
        assert!(high < of_ranges / 2.0, "not the difference of two ranges");
    }

    /// Mean of a difference of log-normal prices: exp(m + v/2) of each (Johnson, Kotz, Balakrishnan, Continuous
    /// Univariate Distributions, volume 1, chapter 14), compared with the mean of the quantiles.
    #[test]
    fn the_mean_of_the_differences_is_the_difference_of_the_means() {
        for correlation in [-0.6, 0.0, 0.7] {
            let it = change(0.2, 0.15, correlation);
            let after_variance = 0.2_f64.powi(2) + 0.15_f64.powi(2) + 2.0 * it.covariance;
            let right = (it.after_ln + after_variance / 2.0).exp()
                - (it.before_ln + 0.2_f64.powi(2) / 2.0).exp();
            let of_quantiles: f64 = (0..400)
                .map(|n| it.quantile((f64::from(n) + 0.5) / 400.0))
                .sum::<f64>()
                / 400.0;
            assert!((of_quantiles - right).abs() < 8.0, "{of_quantiles} {right}");
        }
    }
}
