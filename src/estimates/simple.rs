//! Simple random sampling of plots, and the full tally.
//!
//! ```text
//! mean        y = sum y_i / n                      y_i plot value per ha, empty plots are zeros
//! variance    s2 = sum (y_i - y)^2 / (n - 1)
//! error       se(y) = sqrt(s2 / n),  n - 1 degrees of freedom
//! full tally  y = sum y_i                          y_i part of sheet i, already per ha of the area
//! ```
//! No finite population correction: points have no finite population, and plots rarely cover the
//! 5 % of the area above which it matters. Systematic layouts are treated as random ones, which
//! as a rule overstates the error. One plot has a mean and no error.
//!
//! Source: Freese 1962, USDA Agric. Handb. 232, simple random sampling; checked on its example.

use super::{Estimate, NoInterval};
use crate::math::sum::{mean, variance};

/// Mean of the plots and its standard error. Without plots: mean 0 and no interval.
pub fn simple(values: &[f64]) -> Estimate {
    let n = values.len() as f64;
    let variance = variance(values);
    Estimate {
        mean: mean(values),
        std_error: variance.map(|s2| (s2 / n).sqrt()),
        df: variance.map(|_| n - 1.0),
        n_plots: values.len(),
        no_interval: variance.is_none().then_some(NoInterval::OnePlot),
    }
}

/// Sum over the sheets of a full tally, free of sampling error.
pub fn full_tally(values: &[f64]) -> Estimate {
    Estimate {
        mean: values.iter().sum(),
        std_error: Some(0.0),
        df: None,
        n_plots: values.len(),
        no_interval: Some(NoInterval::FullTally),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identical_plots_have_exactly_no_variance() {
        for value in [0.1, 1.0 / 3.0, 1e-9, 123.456] {
            for n in 2..40 {
                let estimate = simple(&vec![value; n]);
                assert_eq!(estimate.std_error, Some(0.0));
                assert_eq!(estimate.mean.to_bits(), value.to_bits());
            }
        }
    }

    #[test]
    fn one_plot_has_a_mean_and_no_error() {
        let estimate = simple(&[7.5]);
        assert_eq!(estimate.no_interval, Some(NoInterval::OnePlot));
        assert_eq!((estimate.std_error, estimate.df), (None, None));
    }
}
