//! A better grade never lowers the price.

/// The rising sequence nearest to `path` in weighted least squares: falling neighbours are pooled into their mean.
///
/// `weights`: above 0, one per value. Source: Barlow, Bartholomew, Bremner, Brunk, Statistical Inference under Order
/// Restrictions (1972), pool-adjacent-violators.
pub fn isotonic(path: &[f64], weights: &[f64]) -> Vec<f64> {
    // Mean, weight and length of each pool.
    let mut pools: Vec<(f64, f64, usize)> = Vec::new();
    for (value, weight) in path.iter().zip(weights) {
        let mut pool = (*value, *weight, 1);
        while let Some(&(mean, weight, len)) = pools.last()
            && mean > pool.0
        {
            pools.pop();
            let together = weight + pool.1;
            pool = (
                (mean * weight + pool.0 * pool.1) / together,
                together,
                len + pool.2,
            );
        }
        pools.push(pool);
    }
    pools
        .into_iter()
        .flat_map(|(mean, _, len)| std::iter::repeat_n(mean, len))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::isotonic;

    /// Worked by hand from the definition: .3, .1, .4 and .35 fall in two places.
    #[test]
    fn falling_neighbours_are_pooled_by_weight() {
        let found = isotonic(&[0.0, 0.3, 0.1, 0.4, 0.35], &[2.1, 3.1, 1.1, 0.1, 4.1]);
        let right = [
            0.0,
            0.247_619_048,
            0.247_619_048,
            0.351_190_476,
            0.351_190_476,
        ];
        for (found, right) in found.iter().zip(right) {
            assert!((found - right).abs() < 5e-10, "{found} for {right}");
        }
        assert_eq!(isotonic(&[], &[]), Vec::<f64>::new());
        assert_eq!(isotonic(&[3.0, 2.0, 1.0], &[1.0; 3]), [2.0; 3]);
    }
}
