//! Interval, error in percent, and plots needed.
//!
//! ```text
//! half-width   H = t(1 - (1 - c)/2, df) se       c confidence, t quantile at the exact df
//! interval     y - H, y + H                      a lower limit below zero stays as computed
//! error        E% = 100 H / y                    none when the mean is 0
//! plots        n = (t CV / E%)^2,  CV = 100 s / y;  t depends on n, so it is iterated
//! ```
//! Source: Freese 1962, USDA Agric. Handb. 232; the iteration starts from t at 30 degrees of
//! freedom, rounds up each pass, stops when n repeats, and of the values between which
//! it swings takes the smallest that is enough (checked on Corrin about 1998: CV 40 %, 15 %, 95 % gives 30 plots).

use super::Estimate;
use crate::math::t;

/// Degrees of freedom at which the iteration for the number of plots starts.
const FIRST_DF: f64 = 30.0;
/// Passes after which the iteration for the number of plots gives up looking for a repeat.
const MAX_PASSES: usize = 100;

impl Estimate {
    /// Half-width of the interval at a confidence (0.95, say); half of the width where the limits
    /// lie unevenly; `None` where there is no interval.
    pub fn half_width(&self, confidence: f64) -> Option<f64> {
        if let Some((lower, upper)) = self.limits {
            return Some((upper - lower) / 2.0);
        }
        if self.no_interval.is_some() {
            return None;
        }
        Some(two_sided_t(confidence, self.df?)? * self.std_error?)
    }

    /// Lower and upper limit. Limits of their own were found at the confidence of the design,
    /// whatever is asked for.
    pub fn interval(&self, confidence: f64) -> Option<(f64, f64)> {
        self.interval_and_error_pct(confidence).0
    }

    /// [`Estimate::interval`] and [`Estimate::error_pct`], with one quantile for both.
    pub fn interval_and_error_pct(&self, confidence: f64) -> (Option<(f64, f64)>, Option<f64>) {
        let half_width = self.half_width(confidence);
        let about_mean = half_width.map(|h| (self.mean - h, self.mean + h));
        let error_pct = half_width.filter(|_| self.mean > 0.0);
        (
            self.limits.or(about_mean),
            error_pct.map(|h| 100.0 * h / self.mean),
        )
    }

    /// The estimate of a multiple of the quantity.
    #[must_use]
    pub fn times(self, factor: f64) -> Estimate {
        Estimate {
            mean: factor * self.mean,
            std_error: self.std_error.map(|se| factor * se),
            limits: self
                .limits
                .map(|(lower, upper)| (factor * lower, factor * upper)),
            ..self
        }
    }

    /// Half-width in percent of the mean; `None` when the mean is 0.
    pub fn error_pct(&self, confidence: f64) -> Option<f64> {
        self.interval_and_error_pct(confidence).1
    }

    /// Standard error in percent of the mean; `None` when the mean is 0.
    pub fn std_error_pct(&self) -> Option<f64> {
        (self.mean > 0.0)
            .then(|| self.std_error.map(|se| 100.0 * se / self.mean))
            .flatten()
    }

    /// Plots that would bring the half-width to an allowable percentage of the mean.
    ///
    /// For strata (and stands) the shares of the plots are kept as they are: with `n` units in
    /// place of the present `n0` the variance is taken as `n0 / n` of the present one and the
    /// degrees of freedom as `(n - 1) / (n0 - 1)` of the present ones; for a single stratum both
    /// are exact. Clusters keep their size: whole clusters are added. From a list no more can be
    /// drawn than it has. `None` where there is no interval or the mean is 0, and for ratios.
    pub fn plots_needed(&self, allowable_error_pct: f64, confidence: f64) -> Option<usize> {
        if self.no_interval.is_some() || self.limits.is_some() {
            return None;
        }
        let n_units = self.n_units as f64;
        let left = 1.0 - self.list_share;
        if left <= 0.0 {
            return Some(self.n_plots);
        }
        let cv_pct = self.std_error_pct()? * (n_units / left).sqrt();
        let df_per_unit = self.df? / (n_units - 1.0);
        let listed = (self.list_share > 0.0).then(|| n_units / self.list_share);
        let units = iterate_plots(confidence, df_per_unit, |t| {
            wanted(t, cv_pct, allowable_error_pct, listed)
        })?;
        Some(if self.n_units == self.n_plots {
            units
        } else {
            (units * self.n_plots).div_ceil(self.n_units)
        })
    }
}

/// `(t CV / E)^2`, less where the list is short.
fn wanted(t: f64, cv_pct: f64, allowable_error_pct: f64, listed: Option<f64>) -> f64 {
    let infinite = (t * cv_pct / allowable_error_pct).powi(2);
    listed.map_or(infinite, |n| 1.0 / (1.0 / n + 1.0 / infinite))
}

/// Plots needed for an allowable error, from a coefficient of variation of plot values; with a
/// finite population of `population` plots that tile the area, if that is wanted.
///
/// ```text
/// n = (t CV / E)^2        finite: 1 / n = 1 / N + (E / (t CV))^2
/// ```
pub fn plots_needed(
    cv_pct: f64,
    allowable_error_pct: f64,
    confidence: f64,
    population: Option<f64>,
) -> Option<usize> {
    iterate_plots(confidence, 1.0, |t| {
        wanted(t, cv_pct, allowable_error_pct, population)
    })
}

/// Iterates `n = wanted(t(df))` with `df = (n - 1) df_per_plot`; never fewer than 2 plots.
fn iterate_plots(confidence: f64, df_per_plot: f64, wanted: impl Fn(f64) -> f64) -> Option<usize> {
    let mut seen: Vec<f64> = Vec::new();
    let mut df = FIRST_DF;
    for _ in 0..MAX_PASSES {
        let n = wanted(two_sided_t(confidence, df)?).ceil().max(2.0);
        if !n.is_finite() {
            return None;
        }
        if let Some(at) = seen
            .iter()
            .position(|before| before.to_bits() == n.to_bits())
        {
            let swing = &seen[at..];
            let (least, most) = (
                swing.iter().copied().fold(n, f64::min),
                swing.iter().copied().fold(n, f64::max),
            );
            return fewest(least, most, |n| {
                Some(wanted(two_sided_t(confidence, (n - 1.0) * df_per_plot)?) <= n)
            });
        }
        seen.push(n);
        df = (n - 1.0) * df_per_plot;
    }
    seen.last().copied().and_then(to_count)
}

/// The smallest whole number from `least` on that is enough; `most` is.
fn fewest(least: f64, most: f64, enough: impl Fn(f64) -> Option<bool>) -> Option<usize> {
    let mut n = least;
    while n < most && !enough(n)? {
        n += 1.0;
    }
    to_count(n)
}

fn to_count(n: f64) -> Option<usize> {
    // Above 2^53 the count would not be exact, and nobody lays out that many plots.
    const LIMIT: f64 = 9e15;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole, positive and below 2^53"
    )]
    (n < LIMIT).then_some(n as usize)
}

fn two_sided_t(confidence: f64, df: f64) -> Option<f64> {
    t::quantile(0.5 + confidence / 2.0, df)
}

#[cfg(test)]
mod tests {
    use super::super::{NoInterval, simple::simple};
    use super::*;

    #[test]
    fn no_percentage_of_nothing() {
        let empty = simple(&[0.0, 0.0, 0.0]);
        assert_eq!(empty.interval(0.95), Some((0.0, 0.0)));
        assert_eq!(empty.error_pct(0.95), None);
        assert_eq!(empty.plots_needed(10.0, 0.95), None);
    }

    #[test]
    fn lower_limits_below_zero_stay() {
        let (lower, _) = simple(&[0.0, 0.0, 0.0, 12.0]).interval(0.95).unwrap();
        assert!(lower < 0.0, "{lower}");
    }

    #[test]
    fn no_interval_means_none() {
        let one = simple(&[5.0]);
        assert_eq!(one.no_interval, Some(NoInterval::OnePlot));
        assert_eq!(one.interval(0.95), None);
        assert_eq!(one.plots_needed(10.0, 0.95), None);
    }

    #[test]
    fn both_ways_to_the_number_of_plots_agree() {
        let values = [12.0, 30.0, 25.0, 8.0, 19.0, 22.0, 31.0];
        let estimate = simple(&values);
        let cv_pct = estimate.std_error_pct().unwrap() * 7.0_f64.sqrt();
        assert_eq!(
            estimate.plots_needed(10.0, 0.9),
            plots_needed(cv_pct, 10.0, 0.9, None)
        );
    }
}
