//! Parts together: strata, and stands as strata of the whole.
//!
//! ```text
//! mean            y = sum W_h y_h                     W_h = A_h / A, area weights
//! strata          v = sum g_h,   g_h = W_h^2 v_h      v_h variance of the mean of stratum h
//! after sampling  v = sum g_h,   g_h = (W_h / n + (1 - W_h) / (n^2 (1 - f))) n_h v_h
//! estimated       v = sum W_h (n'_h - 1) / (n' - 1) v_h + sum W_h (y_h - y)^2 / (n' - 1)
//!                 W_h = n'_h / n' of the n' points of a first sample
//! listed          R = sum A_i y_i / sum A_i           stands i drawn from a list of M, m of them
//!                 v = ((M / m)^2 (1 - m/M) m s_z^2 + (M / m) sum A_i^2 v_i) / B^2
//!                 z_i = A_i (y_i - R), B = (M / m) sum A_i; with a known area A of the list
//!                 y = (M / m) sum A_i y_i / A, z_i = A_i y_i, B = A
//! df              (sum g_h)^2 / sum (g_h^2 / df_h)    Satterthwaite; m - 1 for listed stands
//! ```
//! Weights are areas, never plot shares. Combining stands that were themselves combined from
//! strata of known areas gives the same mean, error and degrees of freedom as combining all the
//! strata at once. A part without an error (one plot) leaves the whole without one. Where no part
//! varies at all, the degrees of freedom are those of the parts together. After sampling, `v_h`
//! holds `(1 - f) s_h^2 / n_h`, so that `g_h` is the usual
//! `(1 - f) W_h s_h^2 / n + (1 - W_h) s_h^2 / n^2`.
//!
//! Sources: Freese 1962, USDA Agric. Handb. 232, stratified random sampling; Satterthwaite 1946,
//! Biometrics Bull. 2; Cochran 1977, sections 5A.9 (after sampling), 12.2 (estimated, the unbiased
//! form 12.32), 11.7 (two stages) (from memory); checked on the examples of Freese, of Cunia's plots,
//! of Sarndal, Swensson & Wretman, constructed ones, and on R's survey package.

use super::area_sum::AreaSum;
use super::{Estimate, NoInterval};
use crate::design::ListedStands;
use crate::math::sum::variance;

/// The estimate of one part and its weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Area of the part, or any weight in proportion to it; for strata of estimated weight the
    /// points of the first sample.
    pub area_ha: f64,
    /// Its estimate.
    pub estimate: Estimate,
}

/// How parts make the whole.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Together {
    /// Strata of known areas, sampled one by one.
    #[default]
    Strata,
    /// Strata of known areas into which one sample was sorted.
    AfterSampling,
    /// Strata weighted by the points of a first sample.
    FirstSample,
    /// Stands drawn from a list.
    Listed(ListedStands),
}

/// The area-weighted whole of some strata of known areas. A single part is returned as it is.
pub fn stratified(parts: &[Part]) -> Estimate {
    together(Together::Strata, parts)
}

/// The whole of some parts. A single part is returned as it is, unless it was drawn from a list.
pub fn together(how: Together, parts: &[Part]) -> Estimate {
    if let Together::Listed(list) = how {
        return listed(list, parts);
    }
    if let [only] = parts {
        return only.estimate;
    }
    if how == Together::Strata {
        let mut sum = AreaSum::default();
        for part in parts {
            sum.add(part.area_ha, &part.estimate);
        }
        return sum.estimate();
    }
    let mut whole = weighted_mean(parts);
    if parts.iter().any(|part| part.estimate.std_error.is_none()) {
        whole.no_interval = Some(NoInterval::StratumWithOnePlot);
        return whole;
    }
    let total: f64 = parts.iter().map(|part| part.area_ha).sum();
    let n: f64 = parts.iter().map(|part| part.estimate.n_units as f64).sum();
    let mut variances: Vec<(f64, Option<f64>)> = parts
        .iter()
        .map(|part| {
            let estimate = part.estimate;
            let (w, n_h) = (part.area_ha / total, estimate.n_units as f64);
            let error = estimate.std_error.unwrap_or_default();
            let variance = error * error;
            let share = match how {
                Together::AfterSampling if estimate.df.is_some() => {
                    let left = 1.0 - estimate.list_share;
                    let after = if left > 0.0 {
                        (1.0 - w) / (n * n * left)
                    } else {
                        0.0
                    };
                    n_h * (w / n + after)
                }
                Together::FirstSample => w * (part.area_ha - 1.0) / (total - 1.0),
                _ => w * w,
            };
            (share * variance, estimate.df)
        })
        .collect();
    if how == Together::FirstSample {
        let apart = |part: &Part| part.area_ha / total * (part.estimate.mean - whole.mean).powi(2);
        let between = parts.iter().map(apart).sum::<f64>() / (total - 1.0);
        variances.push((between, Some(total - 1.0)));
    }
    let variance: f64 = variances.iter().map(|(v, _)| v).sum();
    whole.std_error = Some(variance.sqrt());
    whole.df = satterthwaite(&variances);
    whole.list_share = share_of_lists(&variances, parts);
    if whole.df.is_none() {
        whole.no_interval = Some(NoInterval::FullTally);
    }
    whole
}

/// Mean by weight, with the plots of the parts and no error yet.
fn weighted_mean(parts: &[Part]) -> Estimate {
    let total: f64 = parts.iter().map(|part| part.area_ha).sum();
    let means = parts
        .iter()
        .map(|part| part.area_ha / total * part.estimate.mean);
    Estimate {
        n_plots: parts.iter().map(|part| part.estimate.n_plots).sum(),
        n_units: parts.iter().map(|part| part.estimate.n_units).sum(),
        ..Estimate::of(means.sum())
    }
}

/// The share that takes as much off the variance as the lists of all parts do.
fn share_of_lists(variances: &[(f64, Option<f64>)], parts: &[Part]) -> f64 {
    let infinite = variances.iter().zip(parts).map(|((v, _), part)| {
        let left = 1.0 - part.estimate.list_share;
        if left > 0.0 { v / left } else { *v }
    });
    let infinite: f64 = infinite.sum();
    let finite: f64 = variances.iter().take(parts.len()).map(|(v, _)| v).sum();
    if infinite > 0.0 {
        1.0 - finite / infinite
    } else {
        0.0
    }
}

/// Stands drawn from a list, each with an estimate of its own.
fn listed(list: ListedStands, parts: &[Part]) -> Estimate {
    let m = parts.len() as f64;
    let raise = list.stands / m;
    let totals = |of: &dyn Fn(&Part) -> f64| -> f64 { raise * parts.iter().map(of).sum::<f64>() };
    let base = list.area_ha.unwrap_or_else(|| totals(&|part| part.area_ha));
    let mean = totals(&|part| part.area_ha * part.estimate.mean) / base;
    let mut whole = Estimate {
        n_plots: parts.iter().map(|part| part.estimate.n_plots).sum(),
        n_units: parts.len(),
        list_share: 1.0 / raise,
        ..Estimate::of(mean)
    };
    let less = if list.area_ha.is_some() { 0.0 } else { mean };
    let apart: Vec<f64> = parts
        .iter()
        .map(|part| part.area_ha * (part.estimate.mean - less))
        .collect();
    let Some(between) = variance(&apart) else {
        whole.no_interval = Some(NoInterval::OneStand);
        return whole;
    };
    if parts.iter().any(|part| part.estimate.std_error.is_none()) {
        whole.no_interval = Some(NoInterval::StratumWithOnePlot);
        return whole;
    }
    let within =
        totals(&|part| (part.area_ha * part.estimate.std_error.unwrap_or_default()).powi(2));
    let between = raise * raise * (1.0 - 1.0 / raise) * m * between;
    whole.std_error = Some((between + within).sqrt() / base);
    whole.df = Some(m - 1.0);
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
