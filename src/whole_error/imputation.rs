//! What drawing heights adds to the error of an estimate, and the degrees of freedom of the total.
//!
//! ```text
//! Q_m           the estimate with the heights of draw m;  Q = sum Q_m / M is the estimate
//! W             mean over draws of the sampling variance of Q_m
//! B             sum (Q_m - Q)^2 / (M - 1)
//! T             W + (1 + 1/M) B
//! draws         T - std_error^2 = (W - std_error^2) + (1 + 1/M) B
//! ```
//! The sampling variance of `Q`, `std_error^2` of the estimate, is that of plots whose trees hold
//! their means over the draws. It lacks the scatter of heights between plots, which is in `W`, so
//! that `W` is more than it as a rule.
//!
//! Degrees of freedom, with `l = (1 + 1/M) B / T` of the total with all its parts, and `n` those of
//! the sampling error:
//! ```text
//! df_draws      (M - 1) / l^2                                        Rubin 1987
//! df_sample     n (n + 1) / (n + 3) (1 - l)                          Barnard & Rubin 1999
//! df            1 / (1 / df_draws + 1 / df_sample)
//! ```
//! Without any scatter between the draws they are `n`.
//!
//! Source: Rubin 1987, Multiple Imputation for Nonresponse in Surveys; Barnard & Rubin 1999,
//! Biometrika 86 (both from memory).

use super::{Part, is_taken_apart};
use crate::compile::Compilation;
use crate::compile::draws::DrawnTree;
use crate::design::{Design, RatioLimits};
use crate::estimates::{Estimate, estimate_cruise};
use crate::math::sum::variance;
use crate::stems::TreeValues;

/// The number of draws, and the mean of the sampling variances of their estimates.
#[derive(Clone, Copy, Debug)]
pub(super) struct Within {
    pub(super) number: usize,
    pub(super) variance: Option<f64>,
}

/// What drawing heights adds to the error of one estimate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Imputation {
    /// Times that heights were drawn.
    pub number: usize,
    /// The mean sampling variance over the draws, less the sampling variance of the estimate.
    pub within: f64,
    /// The variance of the estimate between the draws.
    pub between: f64,
    /// Tree records that were drawn and hang on it.
    pub known: usize,
    /// Tree records with a height from a curve whose scatter is not known.
    pub unknown: usize,
}

impl Imputation {
    pub(super) fn new(
        within: Within,
        estimate: &Estimate,
        draws: &[f64],
        (known, unknown): (usize, usize),
    ) -> Imputation {
        let sampling = estimate.std_error.map(|error| error * error);
        let more = within.variance.zip(sampling);
        Imputation {
            number: within.number,
            within: more.map_or(0.0, |(mean, sampling)| mean - sampling),
            between: variance(draws).unwrap_or(0.0),
            known,
            unknown,
        }
    }

    /// `(1 + 1/M) B`.
    pub fn of_draws(&self) -> f64 {
        (1.0 + 1.0 / self.number as f64) * self.between
    }

    /// All that the draws add to the variance.
    pub fn part(&self) -> Part {
        Part {
            variance: (self.within + self.of_draws()).max(0.0),
            known: self.known,
            unknown: self.unknown,
        }
    }

    /// Degrees of freedom of a total variance whose sampling error has `sample_df`.
    pub fn df(&self, total: f64, sample_df: f64) -> f64 {
        let share = self.of_draws() / total;
        if share > 0.0 {
            barnard_rubin_df(self.number, share, sample_df)
        } else {
            sample_df
        }
    }
}

/// Degrees of freedom of a total of which the scatter between `number` draws is a share.
pub fn barnard_rubin_df(number: usize, share: f64, sample_df: f64) -> f64 {
    let of_draws = (number as f64 - 1.0) / (share * share);
    let of_sample = sample_df * (sample_df + 1.0) / (sample_df + 3.0) * (1.0 - share);
    1.0 / (1.0 / of_draws + 1.0 / of_sample)
}

/// The mean over draws of the sampling variance of every estimate that is taken apart, in their
/// order; `None` where there is none.
pub(super) fn within_variances(compilation: &Compilation<'_>, number: usize) -> Vec<Option<f64>> {
    let mut design: Design = compilation.design.clone();
    design.intervals.ratios = RatioLimits::None;
    let mut sums: Vec<Option<f64>> = Vec::new();
    for draw in 0..number {
        let stands = compilation.stands.iter();
        let values: Vec<Vec<TreeValues>> = stands
            .map(|stand| {
                let at = |(drawn, values): (&Option<DrawnTree>, &TreeValues)| {
                    drawn.as_ref().map_or(*values, |drawn| drawn.at(draw))
                };
                stand.drawn.iter().zip(&stand.values).map(at).collect()
            })
            .collect();
        let estimates = estimate_cruise(&design, compilation.records, &values, &compilation.summed);
        let rows = estimates.rows.iter().filter(|row| is_taken_apart(row));
        let variances = rows.map(|row| row.estimate.std_error.map(|error| error * error));
        if draw == 0 {
            sums = variances.collect();
        } else {
            for (sum, variance) in sums.iter_mut().zip(variances) {
                *sum = sum.zip(variance).map(|(sum, variance)| sum + variance);
            }
        }
    }
    let mean = |sum: Option<f64>| Some(sum? / number as f64);
    sums.into_iter().map(mean).collect()
}
