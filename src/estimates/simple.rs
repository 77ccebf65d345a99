//! The plainest sample, from its values alone.

use super::Estimate;
use super::sample::Sample;

/// Mean of a simple random sample of plots and its standard error, without a finite population.
/// Without plots: mean 0 and no interval. The formulas are those of [`Sample`].
pub fn simple(values: &[f64]) -> Estimate {
    Sample::of_plots(values.len()).estimate(values)
}
