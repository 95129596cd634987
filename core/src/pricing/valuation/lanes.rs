//! Loops over columns, compiled for the widest arithmetic of the machine they run on.
//!
//! Products and sums are rounded separately and never fused, so that every machine gets the same digits.

use pulp::Arch;

/// `to` += `value`
pub(super) fn add(to: &mut [f64], value: f64) {
    Arch::new().dispatch(|| {
        for to in to {
            *to += value;
        }
    });
}

/// `to` *= `value`
pub(super) fn multiply(to: &mut [f64], value: f64) {
    Arch::new().dispatch(|| {
        for to in to {
            *to *= value;
        }
    });
}

/// `to` += `scale` x `from`
pub(super) fn add_scaled(to: &mut [f64], from: &[f64], scale: f64) {
    Arch::new().dispatch(|| {
        for (to, from) in to.iter_mut().zip(from) {
            *to += scale * from;
        }
    });
}

/// Sum of products, in eight partial sums.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let len = a.len().min(b.len());
    let (a, b) = (&a[..len], &b[..len]);
    Arch::new().dispatch(|| {
        let mut sums = [0.0; 8];
        let (a, a_rest) = a.as_chunks::<8>();
        let (b, b_rest) = b.as_chunks::<8>();
        for (a, b) in a.iter().zip(b) {
            for lane in 0..8 {
                sums[lane] += a[lane] * b[lane];
            }
        }
        let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
        sums.iter().sum::<f64>() + rest
    })
}

/// Turns inner products into similarities, `variance` x exp(-(square_i + square - 2 inner_i)/2), and adds them to
/// `kernel`.
pub(super) fn similarity(
    kernel: &mut [f64],
    inner: &mut [f64],
    squares: &[f64],
    square: f64,
    variance: f64,
) {
    Arch::new().dispatch(|| {
        for ((kernel, inner), other) in kernel.iter_mut().zip(inner).zip(squares) {
            // For equal rows this can come out a last digit below 0.
            let q = (other + square - 2.0 * *inner).max(0.0);
            *inner = variance * exp(-0.5 * q);
            *kernel += *inner;
        }
    });
}

/// W = alpha_i alpha_j - (K^-1)_ij for a part of column j, replacing the inverse.
pub(super) fn residual_minus_inverse(inverse: &mut [f64], alpha: &[f64], alpha_j: f64) {
    Arch::new().dispatch(|| {
        for (inverse, alpha) in inverse.iter_mut().zip(alpha) {
            *inverse = alpha * alpha_j - *inverse;
        }
    });
}

/// Sum of w x correlation, and of w x correlation x (year_i - year).
pub(super) fn index_sums(w: &[f64], correlation: &[f64], years: &[f64], year: f64) -> (f64, f64) {
    let len = w.len().min(correlation.len()).min(years.len());
    let (w, correlation, years) = (&w[..len], &correlation[..len], &years[..len]);
    Arch::new().dispatch(|| {
        let (mut sums, mut moments) = ([0.0; 8], [0.0; 8]);
        let (w, w_rest) = w.as_chunks::<8>();
        let (c, c_rest) = correlation.as_chunks::<8>();
        let (t, t_rest) = years.as_chunks::<8>();
        for ((w, c), t) in w.iter().zip(c).zip(t) {
            for lane in 0..8 {
                let product = w[lane] * c[lane];
                sums[lane] += product;
                moments[lane] += product * (t[lane] - year);
            }
        }
        let mut sum: f64 = sums.iter().sum();
        let mut moment: f64 = moments.iter().sum();
        for ((w, c), t) in w_rest.iter().zip(c_rest).zip(t_rest) {
            let product = w * c;
            sum += product;
            moment += product * (t - year);
        }
        (sum, moment)
    })
}

/// `similarity` *= `w`, added up into `sums` row by row; returns the sum of all.
pub(super) fn weigh(similarity: &mut [f64], w: &[f64], sums: &mut [f64]) -> f64 {
    Arch::new().dispatch(|| {
        for ((similarity, w), sum) in similarity.iter_mut().zip(w).zip(sums.iter_mut()) {
            *similarity *= w;
            *sum += *similarity;
        }
    });
    total(similarity)
}

fn total(values: &[f64]) -> f64 {
    Arch::new().dispatch(|| {
        let mut sums = [0.0; 8];
        let (values, rest) = values.as_chunks::<8>();
        for values in values {
            for lane in 0..8 {
                sums[lane] += values[lane];
            }
        }
        sums.iter().sum::<f64>() + rest.iter().sum::<f64>()
    })
}

/// e^x for x at most 0, to 2 units in the last place; 0 below -708.
///
/// x = n ln 2 + r with abs(r) <= ln 2/2, in two parts so that no digit of r is lost; e^r by its Taylor series to r^13,
/// whose next term is below 1e-17.
#[inline(always)]
fn exp(x: f64) -> f64 {
    const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
    const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    // Adding and subtracting this rounds to a whole number, which is in the lowest bits of the sum.
    const ROUNDER: f64 = 6_755_399_441_055_744.0;
    let sum = x.max(-708.0) * std::f64::consts::LOG2_E + ROUNDER;
    let n = sum - ROUNDER;
    let r = (x.max(-708.0) - n * LN_2_HIGH) - n * LN_2_LOW;
    let r2 = r * r;
    let r4 = r2 * r2;
    let low = (1.0 + r) + r2 * (1.0 / 2.0 + r * (1.0 / 6.0));
    let middle = (1.0 / 24.0 + r * (1.0 / 120.0)) + r2 * (1.0 / 720.0 + r * (1.0 / 5_040.0));
    let high = (1.0 / 40_320.0 + r * (1.0 / 362_880.0))
        + r2 * (1.0 / 3_628_800.0 + r * (1.0 / 39_916_800.0));
    let top = 1.0 / 479_001_600.0 + r * (1.0 / 6_227_020_800.0);
    let series = low + r4 * (middle + r4 * (high + r4 * top));
    let power = f64::from_bits(sum.to_bits().wrapping_add(1023) << 52);
    if x < -708.0 { 0.0 } else { series * power }
}

#[cfg(test)]
mod tests {
    use super::exp;

    /// Compared with the standard library's exponential.
    #[test]
    fn the_exponential_is_right_to_the_last_digits() {
        for n in 0..=70_900 {
            let x = f64::from(n) / -100.0;
            let (found, right) = (exp(x), x.exp());
            assert!(
                (found - right).abs() <= 4.5e-16 * right || x < -708.0 && found == 0.0,
                "{x}: {found:e} for {right:e}"
            );
        }
        assert_eq!(exp(0.0).to_bits(), 1_f64.to_bits());
        assert_eq!(exp(f64::NEG_INFINITY).to_bits(), 0);
    }
}
