//! Means of the sample, of the sample without each of its units, and of the resamples.
//!
//! Of each mean the columns lie apart, so that the same step is done to many resamples at once.

use super::{Draws, Stratum};

/// Many means of `K` columns, column by column.
pub(in super::super) type Means<const K: usize> = [Vec<f64>; K];

/// Resamples that are summed at once: few enough for the sums to stay in registers.
const BLOCK: usize = 4;

/// Units of a stratum that are summed anew without each of them. It takes the square of their number,
/// and gives exactly 0 where nothing is left of one plot's trees and no digit is lost.
const SUMMED_ANEW: usize = 2_000;

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
        let mut push = |total: Total<K>| {
            let mut means = others;
            total.add_to(&mut means, weights[at]);
            push(means);
        };
        if stratum.values.len() <= SUMMED_ANEW {
            for unit in 0..stratum.values.len() {
                push(Total::without(stratum, Some(unit)));
            }
        } else {
            without_each(stratum).into_iter().for_each(push);
        }
    }
    columns
}

/// Totals of a stratum without each of its units: the units before it and those after it.
fn without_each<const K: usize>(stratum: &Stratum<K>) -> Vec<Total<K>> {
    let units = stratum.values.len();
    let mut totals = Vec::with_capacity(units);
    let mut before = Total::NOTHING;
    for unit in 0..units {
        totals.push(before);
        before.add_unit(stratum, unit);
    }
    let mut after = Total::NOTHING;
    for (unit, total) in totals.iter_mut().enumerate().rev() {
        total.size += after.size;
        for (sum, value) in total.columns.iter_mut().zip(after.columns) {
            *sum += value;
        }
        after.add_unit(stratum, unit);
    }
    totals
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
    const NOTHING: Self = Total {
        columns: [0.0; K],
        size: 0.0,
    };

    fn without(stratum: &Stratum<K>, left_out: Option<usize>) -> Self {
        let mut total = Total::NOTHING;
        let units = 0..stratum.values.len();
        for unit in units.filter(|unit| Some(*unit) != left_out) {
            total.add_unit(stratum, unit);
        }
        total
    }

    fn add_unit(&mut self, stratum: &Stratum<K>, unit: usize) {
        self.size += stratum.sizes.map_or(1.0, |sizes| sizes[unit]);
        for (sum, value) in self.columns.iter_mut().zip(&stratum.values[unit]) {
            *sum += value;
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Units with trees on two of three, of uneven sizes.
    fn units(n: u32) -> (Vec<[f64; 3]>, Vec<f64>) {
        let value = |unit: u32, factor: f64| match unit % 3 {
            1 => 0.0,
            _ => factor / (f64::from(unit) + 0.3),
        };
        let values = (0..n).map(|unit| [value(unit, 7.0), value(unit, 0.1), value(unit, 1.1)]);
        let sizes = (0..n).map(|unit| 1.0 / f64::from(unit + 1));
        (values.collect(), sizes.collect())
    }

    /// The mean of a column in one resample, by its definition.
    fn by_definition(strata: &[Stratum<3>], resample: usize, column: usize) -> f64 {
        let all: f64 = strata.iter().map(|stratum| stratum.weight).sum();
        let means = strata.iter().map(|stratum| {
            let (mut sum, mut size) = (0.0, 0.0);
            for unit in 0..stratum.values.len() {
                let count = f64::from(stratum.draws.of_unit(unit)[resample]);
                sum += count * stratum.values[unit][column];
                size += count * stratum.sizes.map_or(1.0, |sizes| sizes[unit]);
            }
            stratum.weight / all * (sum / size)
        });
        means.sum()
    }

    #[test]
    fn blocks_give_the_bits_of_one_resample_after_another() {
        let ((first, sizes), (second, _)) = (units(20), units(7));
        for resamples in [1, BLOCK - 1, BLOCK, 20 * BLOCK + 3] {
            let draws = [20, 7].map(|units| Draws::new(units, resamples, 9, "x"));
            let strata = [
                Stratum {
                    weight: 3.0,
                    draws: &draws[0],
                    values: &first,
                    sizes: Some(&sizes),
                },
                Stratum {
                    weight: 1.7,
                    draws: &draws[1],
                    values: &second,
                    sizes: None,
                },
            ];
            for strata in [&strata[..], &strata[..1], &strata[1..]] {
                let means = of_resamples(strata);
                for (column, means) in means.iter().enumerate() {
                    assert_eq!(means.len(), resamples);
                    for (resample, mean) in means.iter().enumerate() {
                        let expected = by_definition(strata, resample, column);
                        assert_eq!(mean.to_bits(), expected.to_bits());
                    }
                }
            }
        }
    }

    #[test]
    fn many_units_are_not_summed_anew_and_give_the_same() {
        let (values, sizes) = units(300);
        let draws = Draws::new(300, 0, 1, "");
        let stratum = Stratum {
            weight: 2.0,
            draws: &draws,
            values: &values,
            sizes: Some(&sizes),
        };
        for (unit, total) in without_each(&stratum).iter().enumerate() {
            let anew = Total::without(&stratum, Some(unit));
            let pairs = total.columns.iter().zip(&anew.columns);
            for (one, other) in pairs.chain([(&total.size, &anew.size)]) {
                assert!((one / other - 1.0).abs() < 1e-13, "{unit}: {one} {other}");
            }
        }
        // Without the only plot with trees nothing is left.
        let mut lone = vec![[0.0; 3]; 300];
        lone[150] = [0.1, 0.7, 1e9];
        let stratum = Stratum {
            values: &lone,
            ..stratum
        };
        let alone = &without_each(&stratum)[150];
        assert!(alone.columns.iter().all(|sum| *sum == 0.0));
    }

    #[test]
    fn means_without_a_unit_are_those_of_the_others() {
        let (values, _) = units(6);
        let draws = Draws::new(6, 0, 1, "");
        let stratum = Stratum {
            weight: 2.0,
            draws: &draws,
            values: &values,
            sizes: None,
        };
        let means = of_sample(&[stratum]);
        assert_eq!(means[0].len(), 7);
        for unit in 0..6 {
            let mut others = values.clone();
            others.remove(unit);
            let of_others = of_sample(&[Stratum {
                values: &others,
                ..stratum
            }]);
            for (of_all, of_others) in means.iter().zip(&of_others) {
                assert_eq!(of_all[1 + unit].to_bits(), of_others[0].to_bits());
            }
        }
    }
}
