//! Strata, and stands as strata of the whole.
//!
//! ```text
//! mean   y = sum W_h y_h                            W_h = A_h / A, area weights
//! error  se2 = sum v_h,   v_h = W_h^2 se_h^2
//! df     (sum v_h)^2 / sum (v_h^2 / df_h)           Satterthwaite
//! ```
//! Weights are areas, never plot shares. Combining stands that were themselves combined from
//! strata gives the same mean, error and degrees of freedom as combining all the strata at once.
//! A part without an error (one plot) leaves the whole without one. Where no part varies at all,
//! the degrees of freedom are those of the parts together.
//!
//! Source: Freese 1962, USDA Agric. Handb. 232, stratified random sampling; Satterthwaite 1946,
//! Biometrics Bull. 2 (from memory); checked on the examples of Freese and of Cunia's plots.

use super::{Estimate, NoInterval};

/// The estimate of one stratum and its area (or any weight in proportion to it).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Area of the stratum.
    pub area_ha: f64,
    /// Its estimate.
    pub estimate: Estimate,
}

/// The area-weighted whole of some parts. A single part is returned as it is.
pub fn stratified(parts: &[Part]) -> Estimate {
    if let [only] = parts {
        return only.estimate;
    }
    let area: f64 = parts.iter().map(|part| part.area_ha).sum();
    let weighted = || {
        parts
            .iter()
            .map(|part| (part.area_ha / area, part.estimate))
    };
    let mut whole = Estimate {
        mean: weighted().map(|(w, part)| w * part.mean).sum(),
        std_error: None,
        df: None,
        n_plots: parts.iter().map(|part| part.estimate.n_plots).sum(),
        no_interval: None,
    };
    if parts.iter().any(|part| part.estimate.std_error.is_none()) {
        whole.no_interval = Some(NoInterval::StratumWithOnePlot);
        return whole;
    }
    let variances: Vec<(f64, Option<f64>)> = weighted()
        .map(|(w, part)| {
            let error = w * part.std_error.unwrap_or_default();
            (error * error, part.df)
        })
        .collect();
    whole.std_error = Some(variances.iter().map(|(v, _)| v).sum::<f64>().sqrt());
    whole.df = satterthwaite(&variances);
    if whole.df.is_none() {
        whole.no_interval = Some(NoInterval::FullTally);
    }
    whole
}

/// Degrees of freedom of a sum of independent variances `(v, df)`; parts without degrees of
/// freedom are free of error. `None` when all are.
pub(super) fn satterthwaite(variances: &[(f64, Option<f64>)]) -> Option<f64> {
    let known = || variances.iter().filter_map(|(v, df)| Some((v, (*df)?)));
    let total: f64 = known().map(|(v, _)| v).sum();
    let denominator: f64 = known().map(|(v, df)| v * v / df).sum();
    if denominator > 0.0 {
        Some(total * total / denominator)
    } else {
        known().map(|(_, df)| df).reduce(|sum, df| sum + df)
    }
}
