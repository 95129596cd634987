//! Converts amounts to floats for statistics, and estimates back to amounts.

use crate::money::{Money, NotMoney};
use rust_decimal::prelude::ToPrimitive;

/// The amount as a float.
pub fn estimate_of(amount: Money) -> f64 {
    let number = amount.decimal().to_f64();
    number.expect("an amount is a float")
}

/// To the nearest penny; refuses a value that is not a number or beyond the range of amounts.
pub fn amount_of(estimate: f64) -> Result<Money, NotMoney> {
    let pennies = (estimate * 100.0).round();
    if pennies.is_finite() {
        Money::from_pennies(pennies as i128)
    } else {
        Err(NotMoney::OutOfRange)
    }
}

/// Rounds the parts so that they add up to `total`: each is rounded down, then those with the largest remainders get a
/// penny more; of equal remainders the earlier comes first. Empty if there are no parts.
pub(crate) fn whole_pennies(parts: &[f64], total: i128) -> Vec<i128> {
    let mut pennies: Vec<i128> = parts.iter().map(|part| part.floor() as i128).collect();
    let mut by_remainder: Vec<usize> = (0..parts.len()).collect();
    let remainder = |n: usize| parts[n] - parts[n].floor();
    by_remainder.sort_by(|a, b| remainder(*b).total_cmp(&remainder(*a)));
    let Ok(count) = i128::try_from(parts.len()) else {
        return pennies;
    };
    if count == 0 {
        return pennies;
    }
    // The rest is less than a penny each, except for the last digits of very large amounts, which are spread over all.
    let left_over = total - pennies.iter().sum::<i128>();
    let (each, further) = (left_over.div_euclid(count), left_over.rem_euclid(count));
    for (rank, n) in (0..).zip(by_remainder) {
        pennies[n] += each + i128::from(rank < further);
    }
    pennies
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of the remainders .6, .3 and .3 the largest gets the penny left over.
    #[test]
    fn parts_are_rounded_so_that_they_add_up() {
        assert_eq!(whole_pennies(&[0.6, -0.7, 0.3], 0), [1, -1, 0]);
        assert_eq!(whole_pennies(&[], 0), [0; 0]);
    }
}
