//! Means of the sample, of the sample without each of its units, and of the resamples.
//!
//! Of each mean the columns lie apart, so that the same step is done to many resamples at once.

use super::{Draws, Stratum};

/// Many means of `K` columns, column by column.
pub(in super::super) type Means<const K: usize> = [Vec<f64>; K];

/// Resamples that are summed at once.
const BLOCK: usize = 128;

/// The means of the sample, then those without each of its units, stratum by stratum.
pub(super) fn of_sample<const K: usize>(strata: &[Stratum<K>]) -> Means<K> {
    let weights = shares(strata);
    let totals: Vec<Total<K>> = strata.iter().map(|s| Total::without(s, None)).collect();
    // Summed anew rather than by difference: what is left of one plot's trees is exactly 0.
    let without_stratum = |left_out: Option<usize>| {
        let mut means = [0.0; K];
        for (at, (weight, total)) in weights.iter().zip(&totals).enumerate() {
            if Some(at) != left_out {
                total.add_to(&mut means, *weight);
            }
        }
        means
    };
    let units: usize = strata.iter().map(|stratum| stratum.values.len()).sum();
    let mut columns = [(); K].map(|()| Vec::with_capacity(1 + units));
    let mut push = |means: [f64; K]| {
        for (column, mean) in columns.iter_mut().zip(means) {
            column.push(mean);
        }
    };
    push(without_stratum(None));
    for (at, stratum) in strata.iter().enumerate() {
        let others = without_stratum(Some(at));
        for unit in 0..stratum.values.len() {
            let mut means = others;
            Total::without(stratum, Some(unit)).add_to(&mut means, weights[at]);
            push(means);
        }
    }
    columns
}

/// The means of each resample.
pub(super) fn of_resamples<const K: usize>(strata: &[Stratum<K>]) -> Means<K> {
    let resamples = strata.iter().map(|stratum| stratum.draws.resamples()).min();
    let mut means = [(); K].map(|()| vec![0.0; resamples.unwrap_or_default()]);
    for (weight, stratum) in shares(strata).into_iter().zip(strata) {
        debug_assert_eq!(stratum.values.len(), stratum.draws.units());
        // Most domains have trees on few of the plots.
        let columns = || stratum.values.iter().enumerate();
        let with_trees: Vec<(usize, &[f64; K])> = columns()
            .filter(|(_, values)| values.iter().any(|value| *value != 0.0))
            .collect();
        for from in (0..resamples.unwrap_or_default()).step_by(BLOCK) {
            let mut sizes = [stratum.values.len() as f64; BLOCK];
            if let Some(of_units) = stratum.sizes {
                sizes = [0.0; BLOCK];
                for (unit, size) in of_units.iter().enumerate() {
                    let counts = counts_of(stratum.draws, unit, from);
                    add_times(&mut sizes, &counts, *size);
                }
            }
            let mut sums = [[0.0; BLOCK]; K];
            for (unit, values) in &with_trees {
                let counts = counts_of(stratum.draws, *unit, from);
                for (sums, value) in sums.iter_mut().zip(*values) {
                    add_times(sums, &counts, *value);
                }
            }
            for (means, sums) in means.iter_mut().zip(&sums) {
                for ((mean, sum), size) in means[from..].iter_mut().zip(sums).zip(&sizes) {
                    *mean += weight * (sum / size);
                }
            }
        }
    }
    means
}

/// How often a unit is in each resample of a block; 0 beyond the last.
fn counts_of(draws: &Draws, unit: usize, from: usize) -> [f64; BLOCK] {
    let mut counts = [0.0; BLOCK];
    for (count, drawn) in counts.iter_mut().zip(&draws.of_unit(unit)[from..]) {
        *count = f64::from(*drawn);
    }
    counts
}

fn add_times(sums: &mut [f64; BLOCK], counts: &[f64; BLOCK], value: f64) {
    for (sum, count) in sums.iter_mut().zip(counts) {
        *sum += count * value;
    }
}

/// Sums of the columns and of the sizes over some units.
#[derive(Clone, Copy, Debug)]
struct Total<const K: usize> {
    columns: [f64; K],
    size: f64,
}

impl<const K: usize> Total<K> {
    fn without(stratum: &Stratum<K>, left_out: Option<usize>) -> Self {
        let mut total = Total {
            columns: [0.0; K],
            size: 0.0,
        };
        let units = stratum.values.iter().enumerate();
        for (unit, values) in units.filter(|(unit, _)| Some(*unit) != left_out) {
            total.size += stratum.sizes.map_or(1.0, |sizes| sizes[unit]);
            for (sum, value) in total.columns.iter_mut().zip(values) {
                *sum += value;
            }
        }
        total
    }

    fn add_to(&self, means: &mut [f64; K], weight: f64) {
        for (mean, sum) in means.iter_mut().zip(&self.columns) {
            *mean += weight * (sum / self.size);
        }
    }
}

/// Weights that add up to 1.
fn shares<const K: usize>(strata: &[Stratum<K>]) -> Vec<f64> {
    let all: f64 = strata.iter().map(|stratum| stratum.weight).sum();
    strata.iter().map(|stratum| stratum.weight / all).collect()
}
