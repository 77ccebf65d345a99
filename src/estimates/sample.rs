//! The plots of one stratum and how they were laid out: the mean of their values and its variance.
//!
//! ```text
//! mean        y = sum_g W_g y_g,  y_g = sum x_i y_i / sum x_i      x_i size of the plot: 1, or its area
//! influence   e_i = W_g x_i (y_i - y_g) / sum_g x                    what plot i moves the mean by
//! unit        E_u = sum of e_i over the plots of unit u              a unit is a plot or a cluster
//! simple      v = (1 - f) n / (n - 1) sum E_u^2                      n units, f = n / N of a list of N
//! neighbours  v = (1 - f) n sum (E_a - E_b)^2 / (2 D)                D pairs of units that lie together
//! df          n - 1; for pairs (2 D)^2 / (sum k_u^2 + 2 D), at most n - 1     k_u pairs of unit u
//! full tally  y = sum y_i, without error
//! ```
//! There is one group `g` unless a whole stand was sorted into strata after sampling, when clusters
//! may reach over several. With plots of one size `e_i = (y_i - y) / n`, so that the simple variance
//! is `s^2 / n` and the one of pairs `sum d^2 / (2 n D)`. With unequal sizes or clusters it is that
//! of a ratio of means. The degrees of freedom for pairs are those of a quadratic form of
//! independent values with the pairs' matrix (`(tr Q)^2 / tr Q^2`; two thirds of n along one line).
//!
//! Sources: Freese 1962, USDA Agric. Handb. 232 (simple random, list); Cochran 1977 sections 2.11,
//! 9A (ratio to size of clusters, from memory); Bechtold & Patterson 2005, USDA SRS-80 (ratio of
//! means; from memory); Wolter 2007, Introduction to Variance Estimation, chapter 8 (differences;
//! from memory). Checked on Freese, Lohr, and on R's survey package.

use super::{Estimate, NoInterval};
use crate::math::sum::mean;

/// The plots of one stratum, or of a stand that was sorted into strata after sampling.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sample {
    /// Group of each plot.
    groups: Vec<usize>,
    /// Share of each group in the mean.
    shares: Vec<f64>,
    /// Size of each plot in the mean of its group.
    sizes: Vec<f64>,
    /// Unit of each plot, counted from 0.
    units: Vec<usize>,
    n_units: usize,
    /// Share of the list that was drawn; 0 without a list.
    list_share: f64,
    /// Pairs of units that lie together; `None`: a random sample.
    pairs: Option<Vec<(usize, usize)>>,
    tallied: bool,
}

impl Sample {
    /// So many plots, each a unit, all alike.
    pub fn of_plots(n_plots: usize) -> Sample {
        Sample {
            groups: vec![0; n_plots],
            shares: vec![1.0],
            sizes: vec![1.0; n_plots],
            units: (0..n_plots).collect(),
            n_units: n_plots,
            ..Sample::default()
        }
    }

    /// So many sheets of a full tally.
    pub fn tallied(sheets: usize) -> Sample {
        Sample {
            tallied: true,
            ..Sample::of_plots(sheets)
        }
    }

    /// The same with plots of these sizes: a ratio of means.
    #[must_use]
    pub fn with_sizes(self, sizes: Vec<f64>) -> Sample {
        Sample { sizes, ..self }
    }

    /// The same with the plots gathered into units, by any labels.
    #[must_use]
    pub fn in_clusters<L: PartialEq>(self, labels: &[L]) -> Sample {
        let mut first: Vec<&L> = Vec::new();
        let units = labels.iter().map(|label| {
            let known = first.iter().position(|other| *other == label);
            known.unwrap_or_else(|| {
                first.push(label);
                first.len() - 1
            })
        });
        let units: Vec<usize> = units.collect();
        Sample {
            n_units: first.len(),
            units,
            pairs: None,
            ..self
        }
    }

    /// The same drawn from a list of so many units.
    #[must_use]
    pub fn from_list(self, listed_units: Option<f64>) -> Sample {
        let share = |listed: f64| (self.n_units as f64 / listed).min(1.0);
        Sample {
            list_share: listed_units.map_or(0.0, share),
            ..self
        }
    }

    /// The same with the pairs of units that lie together.
    #[must_use]
    pub fn with_pairs(self, pairs: Vec<(usize, usize)>) -> Sample {
        Sample {
            pairs: (!pairs.is_empty()).then_some(pairs),
            ..self
        }
    }

    /// The same sorted into groups that have known shares in the mean.
    #[must_use]
    pub fn sorted_into(self, groups: Vec<usize>, shares: Vec<f64>) -> Sample {
        Sample {
            groups,
            shares,
            ..self
        }
    }

    /// Some of the plots, for a mean over these alone.
    #[must_use]
    pub fn only(&self, plots: &[usize]) -> Sample {
        let mut units: Vec<usize> = plots.iter().map(|plot| self.units[*plot]).collect();
        units.sort_unstable();
        units.dedup();
        let unit = |old: usize| units.binary_search(&old).ok();
        let pair = |(a, b): &(usize, usize)| Some((unit(*a)?, unit(*b)?));
        let pairs: Option<Vec<_>> =
            (self.pairs.as_ref()).map(|pairs| pairs.iter().filter_map(pair).collect());
        Sample {
            groups: plots.iter().map(|plot| self.groups[*plot]).collect(),
            shares: self.shares.clone(),
            sizes: plots.iter().map(|plot| self.sizes[*plot]).collect(),
            units: plots
                .iter()
                .filter_map(|plot| unit(self.units[*plot]))
                .collect(),
            n_units: units.len(),
            list_share: self.list_share,
            pairs: pairs.filter(|pairs| !pairs.is_empty()),
            tallied: self.tallied,
        }
    }

    /// Plots.
    pub fn n_plots(&self) -> usize {
        self.units.len()
    }

    /// Sampling units: plots or clusters.
    pub fn n_units(&self) -> usize {
        self.n_units
    }

    /// Unit of each plot, counted from 0.
    pub fn units(&self) -> &[usize] {
        &self.units
    }

    /// Are the plots sheets of a full tally?
    pub fn is_tallied(&self) -> bool {
        self.tallied
    }

    /// Share of the list that was drawn; 0 without a list.
    pub fn list_share(&self) -> f64 {
        self.list_share
    }

    /// Pairs of units whose differences give the variance, if they do.
    pub fn pairs(&self) -> Option<&[(usize, usize)]> {
        self.pairs.as_deref()
    }

    /// Do plots differ in size?
    pub fn sizes_differ(&self) -> bool {
        self.sizes
            .windows(2)
            .any(|two| two[0].to_bits() != two[1].to_bits())
    }

    /// Size of each plot in the mean.
    pub fn sizes(&self) -> &[f64] {
        &self.sizes
    }

    /// Mean of each group.
    fn group_means(&self, values: &[f64]) -> Vec<f64> {
        let of_group = |group: usize| {
            let here = || (0..values.len()).filter(move |plot| self.groups[*plot] == group);
            let Some(first) = here().next().map(|plot| values[plot]) else {
                return 0.0;
            };
            // Equal values have exactly that mean.
            if here().all(|plot| values[plot].to_bits() == first.to_bits()) {
                return first;
            }
            let size: f64 = here().map(|plot| self.sizes[plot]).sum();
            let sum: f64 = here().map(|plot| self.sizes[plot] * values[plot]).sum();
            sum / size
        };
        (0..self.shares.len()).map(of_group).collect()
    }

    /// Mean of the plots' values; their sum in a full tally.
    pub fn mean(&self, values: &[f64]) -> f64 {
        if self.tallied {
            return values.iter().sum();
        }
        if let [_] = self.shares[..]
            && !self.sizes_differ()
        {
            return mean(values);
        }
        let means = self.group_means(values);
        self.shares
            .iter()
            .zip(means)
            .map(|(w, mean)| w * mean)
            .sum()
    }

    /// Weight of each plot in the mean.
    pub fn weights(&self) -> Vec<f64> {
        let size = |group: usize| -> f64 {
            let plots = (0..self.sizes.len()).filter(|plot| self.groups[*plot] == group);
            plots.map(|plot| self.sizes[plot]).sum()
        };
        let sizes: Vec<f64> = (0..self.shares.len()).map(size).collect();
        let weight = |(group, size): (&usize, &f64)| {
            if self.tallied {
                1.0
            } else {
                self.shares[*group] * size / sizes[*group]
            }
        };
        self.groups.iter().zip(&self.sizes).map(weight).collect()
    }

    /// What each unit moves the mean by, `E_u`; they add up to zero.
    pub fn influence(&self, values: &[f64]) -> Vec<f64> {
        let mut units = vec![0.0; self.n_units];
        self.weighted().influence(values, &mut units);
        units
    }

    /// The sample with what many estimates need of it.
    pub(super) fn weighted(&self) -> Weighted<'_> {
        Weighted {
            sample: self,
            weights: self.weights(),
            df: self.df(),
        }
    }

    /// Covariance of two means from the influences of their units; `None` with fewer than two
    /// units, 0 in a full tally.
    pub fn covariance(&self, a: &[f64], b: &[f64]) -> Option<f64> {
        if self.tallied {
            return Some(0.0);
        }
        if self.n_units < 2 {
            return None;
        }
        let n = self.n_units as f64;
        let left = 1.0 - self.list_share;
        Some(match &self.pairs {
            None => {
                let products = a.iter().zip(b).map(|(a, b)| a * b);
                left * n / (n - 1.0) * products.sum::<f64>()
            }
            Some(pairs) => {
                let products = pairs.iter().map(|(u, w)| (a[*u] - a[*w]) * (b[*u] - b[*w]));
                left * n * products.sum::<f64>() / (2.0 * pairs.len() as f64)
            }
        })
    }

    /// Degrees of freedom of the variance; `None` with fewer than two units or in a full tally.
    pub fn df(&self) -> Option<f64> {
        if self.tallied || self.n_units < 2 {
            return None;
        }
        let most = self.n_units as f64 - 1.0;
        let Some(pairs) = &self.pairs else {
            return Some(most);
        };
        let mut at_unit = vec![0.0; self.n_units];
        for (a, b) in pairs {
            at_unit[*a] += 1.0;
            at_unit[*b] += 1.0;
        }
        let twice = 2.0 * pairs.len() as f64;
        let squares: f64 = at_unit.iter().map(|k: &f64| k * k).sum();
        Some((twice * twice / (squares + twice)).min(most))
    }

    /// Mean of the plots' values and its error.
    pub fn estimate(&self, values: &[f64]) -> Estimate {
        self.weighted().estimate(values, &self.influence(values))
    }
}

/// A sample with its weights and degrees of freedom, worked out once for many estimates.
pub(super) struct Weighted<'s> {
    sample: &'s Sample,
    weights: Vec<f64>,
    df: Option<f64>,
}

impl Weighted<'_> {
    /// Fills in what each unit moves the mean by.
    pub(super) fn influence(&self, values: &[f64], units: &mut [f64]) {
        let sample = self.sample;
        units.fill(0.0);
        let plots = self.weights.iter().zip(&sample.units).zip(values);
        if sample.shares.len() == 1 {
            let mean = sample.mean(values);
            for ((weight, unit), value) in plots {
                units[*unit] += weight * (value - mean);
            }
        } else {
            let means = sample.group_means(values);
            for (((weight, unit), value), group) in plots.zip(&sample.groups) {
                units[*unit] += weight * (value - means[*group]);
            }
        }
    }

    /// Mean of the plots' values and its error; `influence` is theirs.
    pub(super) fn estimate(&self, values: &[f64], influence: &[f64]) -> Estimate {
        let sample = self.sample;
        let variance = sample.covariance(influence, influence);
        Estimate {
            std_error: variance.map(f64::sqrt),
            df: self.df,
            no_interval: if sample.tallied {
                Some(NoInterval::FullTally)
            } else if sample.n_units < 2 {
                Some(if sample.n_plots() < 2 {
                    NoInterval::OnePlot
                } else {
                    NoInterval::OneCluster
                })
            } else {
                None
            },
            n_plots: sample.n_plots(),
            n_units: sample.n_units,
            list_share: sample.list_share,
            ..Estimate::of(sample.mean(values))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identical_plots_have_exactly_no_variance() {
        for value in [0.1, 1.0 / 3.0, 1e-9, 123.456] {
            for n in 2..40 {
                let estimate = Sample::of_plots(n).estimate(&vec![value; n]);
                assert_eq!(estimate.std_error, Some(0.0));
                assert_eq!(estimate.mean.to_bits(), value.to_bits());
            }
        }
    }

    #[test]
    fn one_plot_has_a_mean_and_no_error() {
        let estimate = Sample::of_plots(1).estimate(&[7.5]);
        assert_eq!(estimate.no_interval, Some(NoInterval::OnePlot));
        assert_eq!((estimate.std_error, estimate.df), (None, None));
        let one = Sample::of_plots(3).in_clusters(&["a"; 3]);
        let estimate = one.estimate(&[7.5, 8.0, 9.0]);
        assert_eq!(estimate.no_interval, Some(NoInterval::OneCluster));
    }

    #[test]
    fn differences_along_one_line() {
        // sum d^2 / (2 n (n - 1)) with d = 1, 2, -4.
        let line = Sample::of_plots(4).with_pairs(vec![(0, 1), (1, 2), (2, 3)]);
        let estimate = line.estimate(&[5.0, 6.0, 8.0, 4.0]);
        let variance = 21.0 / (2.0 * 4.0 * 3.0);
        assert!((estimate.std_error.unwrap().powi(2) - variance).abs() < 1e-14);
        // Degrees 1, 2, 2, 1: 36 / (10 + 6).
        assert!((estimate.df.unwrap() - 36.0 / 16.0).abs() < 1e-14);
    }

    #[test]
    fn weights_make_the_mean() {
        let values = [3.0, 9.0, 4.0, 8.0, 1.0];
        let samples = [
            Sample::of_plots(5),
            Sample::of_plots(5).with_sizes(vec![1.0, 0.5, 1.0, 0.25, 2.0]),
            Sample::of_plots(5).sorted_into(vec![0, 1, 0, 1, 1], vec![0.3, 0.7]),
            Sample::tallied(5),
        ];
        for sample in samples {
            let sum: f64 = sample
                .weights()
                .iter()
                .zip(values)
                .map(|(w, y)| w * y)
                .sum();
            assert!((sum - sample.mean(&values)).abs() < 1e-14);
        }
    }
}
