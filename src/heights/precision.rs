//! Weights from the precision of each height.
//!
//! ```text
//! w_i = 1 / (s_c^2 + s_i^2)             s_i standard error of the measurement of a height
//! sum w_i r_i^2 = n - p                 defines s_c^2, the variance of heights about the curve
//! ```
//! `r` are the residuals of the fit with these weights, so that fit and variance are found in turn
//! until neither changes. The sum falls with `s_c^2`: there is one solution, or none where the
//! residuals are smaller than the errors of measurement alone account for; then `s_c^2` is 0. A
//! height without a known error counts as exact.
//!
//! Source: Paule & Mandel 1982, Journal of Research of the National Bureau of Standards 87, for a
//! mean (from memory); here with the degrees of freedom of a curve.

use crate::math::nonlinear::Fit;
use crate::math::root;

/// Rounds of fit and variance after which they count as not settling.
const MOST_ROUNDS: usize = 200;
/// Relative change of the variance that counts as none.
const SAME: f64 = 1e-10;
/// The least variance about a curve, m2: a thousandth of a millimetre keeps weights finite.
const LEAST_M2: f64 = 1e-12;

/// Heights about a curve, their errors of measurement taken out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scatter {
    /// Standard deviation about the curve, m.
    pub std_dev_m: f64,
    /// Heights whose error is not known, and which counted as exact.
    pub without_error: usize,
}

/// A fit with weights by precision.
pub(super) struct Reweighted {
    pub(super) fit: Fit,
    pub(super) weights: Vec<f64>,
    pub(super) scatter: Scatter,
}

/// The variance about a curve that squared residuals leave when errors of measurement are taken
/// out, m2.
pub fn variance_about_m2(squares_m2: &[f64], errors_m2: &[f64], degrees_of_freedom: f64) -> f64 {
    let excess = |variance_m2: f64| {
        let pairs = squares_m2.iter().zip(errors_m2);
        let sum: f64 = pairs
            .map(|(square, error)| square / (variance_m2 + error))
            .sum();
        sum - degrees_of_freedom
    };
    // Without errors of measurement this much would do.
    let most_m2 = squares_m2.iter().sum::<f64>() / degrees_of_freedom;
    if most_m2 <= LEAST_M2 || excess(LEAST_M2) <= 0.0 {
        return LEAST_M2;
    }
    let tolerance = SAME * 1e-2 * most_m2;
    root::between(excess, LEAST_M2, most_m2, tolerance).unwrap_or(most_m2)
}

/// Fits again and again with the weights that the residuals ask for. `refit` fits with weights from
/// a start, `squares` gives the squared residuals of parameters. `None` where a fit fails, or they
/// do not settle.
pub(super) fn reweighted(
    first: Fit,
    std_errors_m: &[Option<f64>],
    mut refit: impl FnMut(&[f64], &[f64]) -> Option<Fit>,
    squares_m2: impl Fn(&[f64]) -> Vec<f64>,
) -> Option<Reweighted> {
    let errors_m2: Vec<f64> = std_errors_m
        .iter()
        .map(|error| error.unwrap_or(0.0).powi(2))
        .collect();
    let degrees_of_freedom = (errors_m2.len() - first.parameters.len()) as f64;
    let mut fit = first;
    let mut before_m2 = f64::INFINITY;
    for _ in 0..MOST_ROUNDS {
        let squares_m2 = squares_m2(&fit.parameters);
        let variance_m2 = variance_about_m2(&squares_m2, &errors_m2, degrees_of_freedom);
        let weights: Vec<f64> = errors_m2
            .iter()
            .map(|error| 1.0 / (variance_m2 + error))
            .collect();
        fit = refit(&weights, &fit.parameters)?;
        if (variance_m2 - before_m2).abs() <= SAME * variance_m2 {
            let scatter = Scatter {
                std_dev_m: variance_m2.sqrt(),
                without_error: std_errors_m.iter().filter(|error| error.is_none()).count(),
            };
            return Some(Reweighted {
                fit,
                weights,
                scatter,
            });
        }
        before_m2 = variance_m2;
    }
    None
}
