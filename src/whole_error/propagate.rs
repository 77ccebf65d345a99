//! The variance of a weighted sum of model results: pure functions of weights, gradients and
//! covariances.
//!
//! ```text
//! V = sum c_j v_j(b)
//! parameters    g' C g,  g = sum c_j dv_j/db          common to all trees
//! residuals     sum c_j^2 s_j^2                       independent from tree to tree
//! ```
//! Source: propagation of errors to first order; Stahl et al. 2014, Cunia 1965 (both from memory);
//! checked on the constructed example of `tests/it/whole_error.rs`.

/// Adds `weight * gradient` to a sum of gradients.
pub fn add_weighted(sum: &mut [f64], weight: f64, gradient: &[f64]) {
    for (sum, derivative) in sum.iter_mut().zip(gradient) {
        *sum += weight * derivative;
    }
}

/// `g' C g`; the covariance row by row. Not below 0, whatever rounding does.
pub fn parameter_variance(gradient: &[f64], covariance: &[f64]) -> f64 {
    let rows = covariance.chunks(gradient.len().max(1));
    let variance: f64 = gradient
        .iter()
        .zip(rows)
        .map(|(by_row, row)| {
            let of_row: f64 = row.iter().zip(gradient).map(|(c, g)| c * g).sum();
            by_row * of_row
        })
        .sum();
    variance.max(0.0)
}

/// What one independent error adds to the variance of the sum: `(c s)^2`.
pub fn independent_variance(weight: f64, std_error: f64) -> f64 {
    (weight * std_error).powi(2)
}

/// Standard error of independent parts together.
pub fn combined_std_error(variances: impl IntoIterator<Item = f64>) -> f64 {
    variances.into_iter().sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quadratic_form_by_hand() {
        let mut gradient = [0.0; 2];
        add_weighted(&mut gradient, 2.0, &[1.0, 0.5]);
        add_weighted(&mut gradient, 1.0, &[1.0, 2.0]);
        // g = (3, 3); 9 (4 + 1 + 1 + 2.5)
        let variance = parameter_variance(&gradient, &[4.0, 1.0, 1.0, 2.5]);
        assert!((variance - 76.5).abs() < 1e-12);
        assert!((combined_std_error([independent_variance(3.0, 1.0), 16.0]) - 5.0).abs() < 1e-15);
    }
}
