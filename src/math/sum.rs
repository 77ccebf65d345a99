//! Mean, variance and covariance, summed in the order given.
//!
//! ```text
//! mean        x = x1 + sum (xi - x1) / n
//! variance    sum (xi - x)^2 / (n - 1)
//! covariance  sum (xi - x)(yi - y) / (n - 1)
//! ```
//! The mean is taken from the first value on, so that equal values have exactly that mean and a
//! variance of exactly 0. Source: the definitions.

/// Arithmetic mean; 0 of no values.
pub fn mean(values: &[f64]) -> f64 {
    let Some(first) = values.first() else {
        return 0.0;
    };
    let above_first: f64 = values.iter().map(|value| value - first).sum();
    first + above_first / values.len() as f64
}

/// Variance with divisor n - 1; `None` with fewer than two values.
pub fn variance(values: &[f64]) -> Option<f64> {
    covariance(values, values)
}

/// Covariance of pairs with divisor n - 1; `None` with fewer than two pairs. Values without a
/// partner are left out of the sum; callers give slices of the same length.
pub fn covariance(x: &[f64], y: &[f64]) -> Option<f64> {
    let n = x.len().min(y.len());
    if n < 2 {
        return None;
    }
    let (mean_x, mean_y) = (mean(&x[..n]), mean(&y[..n]));
    let products = x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y));
    Some(products.sum::<f64>() / (n as f64 - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_have_exactly_no_variance() {
        for value in [0.1, 1.0 / 3.0, 1e-9, 123.456, -7.7] {
            for n in 2..40 {
                let values = vec![value; n];
                assert_eq!(mean(&values).to_bits(), value.to_bits());
                assert_eq!(variance(&values), Some(0.0));
            }
        }
    }

    #[test]
    fn small_sets_by_hand() {
        let (x, y) = ([1.0, 2.0, 3.0, 6.0], [2.0, 1.0, 5.0, 8.0]);
        assert!((mean(&x) - 3.0).abs() < 1e-15);
        assert!((variance(&x).unwrap() - 14.0 / 3.0).abs() < 1e-15);
        assert!((covariance(&x, &y).unwrap() - 19.0 / 3.0).abs() < 1e-14);
        assert_eq!(
            (mean(&[]).to_bits(), variance(&[5.0])),
            (0.0_f64.to_bits(), None)
        );
    }
}
