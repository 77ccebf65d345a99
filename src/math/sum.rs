//! Mean, variance and covariance, summed in the order given.
//!
//! ```text
//! mean        x = sum xi / n
//! variance    sum (xi - x)^2 / (n - 1)
//! covariance  sum (xi - x)(yi - y) / (n - 1)
//! ```
//! Equal values have exactly that mean and a variance of exactly 0. Nothing is taken off before the
//! sum: where a tree stands on one plot of many, that would leave the mean to rounding. Source: the
//! definitions.

/// Arithmetic mean; 0 of no values.
pub fn mean(values: &[f64]) -> f64 {
    let Some(first) = values.first() else {
        return 0.0;
    };
    if values
        .iter()
        .all(|value| value.to_bits() == first.to_bits())
    {
        return *first;
    }
    values.iter().sum::<f64>() / values.len() as f64
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
    use crate::units::basal_area_m2;

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
    fn one_value_among_many_zeros_is_not_lost() {
        let mut values = vec![0.0; 10_000];
        values[0] = basal_area_m2(20.0);
        let expected = basal_area_m2(20.0) / 10_000.0;
        assert!((mean(&values) / expected - 1.0).abs() < 1e-15);
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
