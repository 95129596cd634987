//! How accurate estimates were: statistics of estimate over price.
//!
//! Source: International Association of Assessing Officers, Standard on Ratio Studies (2013), appendices B and D.

use serde::Serialize;

/// An estimate, and the price achieved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    pub estimate: f64,
    pub price: f64,
}

words! {
    /// Whether a statistic is within the range of the standard.
    pub enum JudgedResult {
        /// Within the acceptable range.
        Within = "within",
        /// Below the acceptable range.
        Below = "below",
        /// Above the acceptable range.
        Above = "above",
        /// There are too few pairs to judge this statistic by the standard.
        NotJudged = "not_judged",
    }
}

/// A statistic with its acceptable range, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Judged {
    pub value: f64,
    pub from: f64,
    pub to: f64,
    pub result: JudgedResult,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RatioStudy {
    pub pairs: usize,
    /// Fewer than 20: one more sale could change a result.
    pub few_pairs: bool,
    /// Half of the ratios are lower; 1 if estimates are right on the whole.
    pub median_ratio: Judged,
    /// Coefficient of dispersion: mean distance from the median, in per cent of it. Below 5 suggests that estimates
    /// were adjusted to the prices.
    pub cod: Judged,
    /// Price-related differential: above 1 if expensive engines are estimated too low.
    pub prd: Judged,
    /// Price-related bias: relative change in the ratio when the value doubles. `None` if all values are the same.
    pub prb: Option<Judged>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoStudy {
    #[error("must have at least two pairs")]
    TooFewPairs,
    #[error("pair {pair} (the first is 0): estimate and price must be above 0 and below 1e15")]
    NotAnAmount { pair: usize },
}

/// With fewer pairs the standard advises not to judge by PRD and to point out the small sample.
const ENOUGH_PAIRS: usize = 20;

/// Statistics of the ratios of estimate to price. The order of the pairs does not matter.
pub fn study(pairs: &[Pair]) -> Result<RatioStudy, NoStudy> {
    let in_order = |amount: f64| amount > 0.0 && amount < 1e15;
    let wrong = |pair: &Pair| !in_order(pair.estimate) || !in_order(pair.price);
    if let Some(pair) = pairs.iter().position(wrong) {
        return Err(NoStudy::NotAnAmount { pair });
    }
    if pairs.len() < 2 {
        return Err(NoStudy::TooFewPairs);
    }
    // Sums of floats depend on their order in the last digits.
    let mut pairs = pairs.to_vec();
    pairs.sort_by(|a, b| (a.price.total_cmp(&b.price)).then(a.estimate.total_cmp(&b.estimate)));
    let n = pairs.len() as f64;
    let ratios: Vec<f64> = pairs
        .iter()
        .map(|pair| pair.estimate / pair.price)
        .collect();
    let median = median(&ratios);
    let deviation: f64 = ratios.iter().map(|ratio| (ratio - median).abs()).sum();
    let mean_ratio = ratios.iter().sum::<f64>() / n;
    let estimates: f64 = pairs.iter().map(|pair| pair.estimate).sum();
    let prices: f64 = pairs.iter().map(|pair| pair.price).sum();
    let enough = pairs.len() >= ENOUGH_PAIRS;
    Ok(RatioStudy {
        pairs: pairs.len(),
        few_pairs: !enough,
        median_ratio: judged(median, 0.9, 1.1, true),
        cod: judged(100.0 * deviation / n / median, 5.0, 20.0, true),
        prd: judged(mean_ratio / (estimates / prices), 0.98, 1.03, enough),
        prb: bias(&pairs, median).map(|prb| judged(prb, -0.05, 0.05, true)),
    })
}

fn judged(value: f64, from: f64, to: f64, enough: bool) -> Judged {
    let result = match (enough, value < from, value > to) {
        (false, _, _) => JudgedResult::NotJudged,
        (true, true, _) => JudgedResult::Below,
        (true, false, true) => JudgedResult::Above,
        (true, false, false) => JudgedResult::Within,
    };
    Judged {
        value,
        from,
        to,
        result,
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match sorted.len() % 2 {
        0 => f64::midpoint(sorted[middle - 1], sorted[middle]),
        _ => sorted[middle],
    }
}

/// Least-squares slope of (ratio - median)/median on the logarithm to base 2 of the mean of price and estimate/median:
/// so errors in the price cannot look like a bias on their own.
fn bias(pairs: &[Pair], median: f64) -> Option<f64> {
    let n = pairs.len() as f64;
    let x: Vec<f64> = pairs
        .iter()
        .map(|pair| f64::midpoint(pair.price, pair.estimate / median).log2())
        .collect();
    let y: Vec<f64> = pairs
        .iter()
        .map(|pair| (pair.estimate / pair.price - median) / median)
        .collect();
    let (mean_x, mean_y) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let spread: f64 = x.iter().map(|x| (x - mean_x).powi(2)).sum();
    let products = x.iter().zip(&y).map(|(x, y)| (x - mean_x) * (y - mean_y));
    (spread > 1e-18 * n).then(|| products.sum::<f64>() / spread)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table 1-4 of the standard: 17 sales, estimate and price.
    const TABLE_1_4: &str = "87200,138720 38240,59700 96320,146400 68610,99000 32960,47400 50560,70500 61360,78000 \
        47360,60000 56580,69000 47040,55500 136000,154500 98000,109500 56000,60000 159100,168000 128000,124500 \
        132000,127500 160000,150000";
    /// Table D-1: 25 sales, with expensive ones estimated too low.
    const TABLE_D_1: &str = "116700,114500 130300,121000 130200,133900 145500,139000 134100,145000 153900,156500 \
        143400,161100 156900,169500 169000,175000 149200,181000 160100,188900 191400,205000 177200,216150 205500,219000 \
        206500,235000 243800,249000 211600,258900 242500,263000 258400,305900 265900,312500 305700,336000 291600,360000 \
        312800,399900 352200,418500 354900,459000";
    /// Table D-2: 16 sales, one of them far off.
    const TABLE_D_2: &str = "45000,50000 100000,100000 165000,150000 180000,200000 250000,250000 330000,300000 \
        315000,350000 400000,400000 495000,450000 450000,500000 550000,550000 660000,600000 585000,650000 700000,700000 \
        825000,750000 1875000,2500000";

    fn pairs(table: &str) -> Vec<Pair> {
        table
            .split_whitespace()
            .map(|pair| {
                let (estimate, price) = pair.split_once(',').expect("a pair");
                Pair {
                    estimate: estimate.parse().expect("a number"),
                    price: price.parse().expect("a number"),
                }
            })
            .collect()
    }

    #[track_caller]
    fn close(found: f64, right: f64, half_digit: f64) {
        assert!((found - right).abs() <= half_digit, "{found} for {right}");
    }

    /// Worked tables of the IAAO Standard on Ratio Studies (2013), as printed; further digits by arithmetic.
    #[test]
    fn the_tables_of_the_standard_come_out() {
        for (table, median, cod, prd, prb) in [
            (TABLE_1_4, 0.820, 14.523_802, 0.976_587, 0.135_490),
            (TABLE_D_1, 0.909_821, 7.507_398, 1.026_904, -0.119_837),
            (TABLE_D_2, 1.0, 7.8125, 1.055_80, -0.010_85),
        ] {
            let found = study(&pairs(table)).expect("a study");
            close(found.median_ratio.value, median, 5e-4);
            close(found.cod.value, cod, 5e-6);
            close(found.prd.value, prd, 5e-6);
            close(found.prb.expect("a bias").value, prb, 5e-6);
        }
    }

    /// Acceptable ranges of the standard: level 0.90 to 1.10, PRD 0.98 to 1.03 and not with fewer than 20 sales, PRB
    /// within 0.05.
    #[test]
    fn results_follow_the_ranges_of_the_standard() {
        let found = study(&pairs(TABLE_1_4)).expect("a study");
        assert!(found.few_pairs);
        assert_eq!(found.median_ratio.result, JudgedResult::Below);
        assert_eq!(found.cod.result, JudgedResult::Within);
        assert_eq!(found.prd.result, JudgedResult::NotJudged, "17 sales");
        assert_eq!(found.prb.expect("a bias").result, JudgedResult::Above);

        let found = study(&pairs(TABLE_D_1)).expect("a study");
        assert!(!found.few_pairs);
        assert_eq!(found.median_ratio.result, JudgedResult::Within);
        assert_eq!(found.prd.result, JudgedResult::Within);
        assert_eq!(found.prb.expect("a bias").result, JudgedResult::Below);
    }

    #[test]
    fn both_ends_of_a_range_are_within() {
        for (value, result) in [
            (0.899_999, JudgedResult::Below),
            (0.9, JudgedResult::Within),
            (1.1, JudgedResult::Within),
            (1.100_001, JudgedResult::Above),
        ] {
            assert_eq!(judged(value, 0.9, 1.1, true).result, result, "{value}");
        }
    }

    /// Estimates that equal the prices do not prove skill: a COD below 5 is reported.
    #[test]
    fn estimates_equal_to_the_prices_raise_suspicion() {
        let pairs: Vec<Pair> = (1..=30)
            .map(|n| Pair {
                estimate: f64::from(n),
                price: f64::from(n),
            })
            .collect();
        let found = study(&pairs).expect("a study");
        assert_eq!(found.cod.result, JudgedResult::Below);
        assert_eq!(found.median_ratio.result, JudgedResult::Within);
    }

    #[test]
    fn what_is_no_price_is_refused_and_one_value_has_no_bias() {
        let pair = |estimate, price| Pair { estimate, price };
        assert_eq!(study(&[]), Err(NoStudy::TooFewPairs));
        assert_eq!(study(&[pair(1.0, 1.0)]), Err(NoStudy::TooFewPairs));
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let pairs = [pair(1.0, 1.0), pair(1.0, bad)];
            assert_eq!(study(&pairs), Err(NoStudy::NotAnAmount { pair: 1 }));
            let pairs = [pair(bad, 1.0), pair(1.0, 1.0)];
            assert_eq!(study(&pairs), Err(NoStudy::NotAnAmount { pair: 0 }));
        }
        let same = study(&[pair(100.0, 100.0); 25]).expect("a study");
        assert_eq!(same.prb, None);
    }

    #[test]
    fn the_order_of_the_pairs_does_not_matter() {
        let mut turned = pairs(TABLE_D_1);
        turned.reverse();
        assert_eq!(study(&turned), study(&pairs(TABLE_D_1)));
    }
}
