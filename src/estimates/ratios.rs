//! Limits of the ratios of a stand and its strata, by resampling the units within strata.
//!
//! Resampling imitates a random sample of units from strata of known areas. Where the sample was
//! another one (a list, neighbours that give the variance, strata made after sampling or of
//! estimated weight) and for all stands together, limits come from the linearised standard error
//! and t instead.

use super::bootstrap::{Draws, Means, NoLimits, Stratum, limits_at_many};
use super::group::{Cell, Group};
use super::layout::{Layout, of_stratum};
use super::metrics::{BASE, RATIOS, RatioBounds, has_ratios, ratio_by, ratio_of};
use super::sample::Sample;
use super::stratified::Together;
use crate::design::{Intervals, RatioLimits};
use crate::plot_sums::{Attribute, Domain, PlotSum, SelectionSums};

/// What is resampled in one stratum.
struct Units<'a> {
    plots: Vec<&'a PlotSum>,
    sample: &'a Sample,
    sizes: Vec<f64>,
    all_of_size_one: bool,
    draws: Draws,
}

/// How ratios are resampled.
pub(super) struct Resampling<'a> {
    pub(super) intervals: Intervals,
    pub(super) confidence: f64,
    pub(super) stand: &'a str,
    pub(super) strata: Vec<&'a str>,
}

/// Fills the limits of the ratios of the strata and of the stand over them, whose weights are
/// `weights`. Returns how many limits lie at the outermost resample.
pub(super) fn fill(
    how: &Resampling<'_>,
    (sums, layout): (&SelectionSums, &Layout),
    strata: &mut [Option<Group>],
    stand: Option<(&mut Group, &[f64])>,
) -> usize {
    let resampled = matches!(
        how.intervals.ratios,
        RatioLimits::Bca | RatioLimits::Percentile
    );
    if how.intervals.ratios == RatioLimits::T || sums.counted || sums.full_tally {
        return 0;
    }
    if !resampled {
        let groups = strata
            .iter_mut()
            .flatten()
            .chain(stand.map(|(stand, _)| stand));
        groups.for_each(without_limits);
        return 0;
    }
    let units: Vec<Option<Units<'_>>> = (layout.strata.iter().enumerate())
        .map(|(h, sample)| {
            let sample = sample.as_ref()?;
            let random = sample.pairs().is_none() && sample.list_share() == 0.0;
            random.then(|| units_of(how, sums, sample, h))
        })
        .collect();
    let mut at_extreme = 0;
    for (group, units) in strata.iter_mut().zip(&units) {
        if let (Some(group), Some(units)) = (group, units) {
            at_extreme += of_group(how, group, &[(1.0, units)]);
        }
    }
    let all: Option<Vec<&Units<'_>>> = units.iter().map(Option::as_ref).collect();
    if let (Some((stand, weights)), Some(all)) = (stand, all)
        && layout.together == Together::Strata
        && layout.stand.is_none()
    {
        let parts: Vec<(f64, &Units<'_>)> = weights.iter().copied().zip(all).collect();
        if let ([(_, _)], Some(Some(only))) = (&parts[..], strata.first()) {
            // One stratum is the stand: what was found for it holds.
            for (domain, cell) in &mut stand.cells {
                if let Some(found) = only.cells.get(domain) {
                    cell.limits.clone_from(&found.limits);
                }
            }
        } else {
            at_extreme += of_group(how, stand, &parts);
        }
    }
    at_extreme
}

/// Says of every ratio that it has no limits.
fn without_limits(group: &mut Group) {
    let cells = group.cells.iter_mut();
    for (_, cell) in cells.filter(|(domain, _)| has_ratios(**domain)) {
        cell.limits = RATIOS.map(|(of, _)| (of, RatioBounds::NotSound)).to_vec();
    }
}

fn units_of<'a>(
    how: &Resampling<'_>,
    sums: &'a SelectionSums,
    sample: &'a Sample,
    stratum: usize,
) -> Units<'a> {
    let mut sizes = vec![0.0; sample.n_units()];
    for (unit, size) in sample.units().iter().zip(sample.sizes()) {
        sizes[*unit] += size;
    }
    // The only stratum is the stand, whatever it is called.
    let name = if let [_] = how.strata[..] {
        how.stand.to_owned()
    } else {
        format!("{}/{}", how.stand, how.strata[stratum])
    };
    let intervals = &how.intervals;
    Units {
        plots: of_stratum(sums, stratum),
        draws: Draws::new(sizes.len(), intervals.resamples, intervals.seed, &name),
        sample,
        all_of_size_one: sizes.iter().all(|size| size.to_bits() == 1.0_f64.to_bits()),
        sizes,
    }
}

impl Units<'_> {
    /// The base columns of a domain by unit, as sums over its plots weighted by their sizes.
    fn values(&self, domain: Domain) -> Vec<[f64; 4]> {
        let mut values = vec![[0.0; 4]; self.sizes.len()];
        let at = self.sample.units().iter().zip(self.sample.sizes());
        for (plot, (unit, size)) in self.plots.iter().zip(at) {
            if let Some(sums) = plot.get(domain) {
                for (value, column) in values[*unit].iter_mut().zip(BASE) {
                    *value += size * sums.value(column);
                }
            }
        }
        values
    }
}

/// Fills the limits of one group from the units of its strata.
fn of_group(how: &Resampling<'_>, group: &mut Group, parts: &[(f64, &Units<'_>)]) -> usize {
    let mut at_extreme = 0;
    let cells = group.cells.iter_mut();
    for (domain, cell) in cells.filter(|(domain, _)| has_ratios(**domain)) {
        let ratios = ratios_of(cell);
        let values: Vec<Vec<[f64; 4]>> = parts
            .iter()
            .map(|(_, units)| units.values(*domain))
            .collect();
        let strata: Vec<Stratum<'_, 4>> = (parts.iter().zip(&values))
            .map(|((weight, units), values)| Stratum {
                weight: *weight,
                draws: &units.draws,
                values,
                // A mean of units that are all of size 1 is the plain mean.
                sizes: (!units.all_of_size_one).then_some(&units.sizes[..]),
            })
            .collect();
        let at_many = |means: &Means<4>| at_many(&ratios, means);
        let asked = how.intervals.ratios;
        let limits = limits_at_many(&strata, ratios.len(), at_many, asked, how.confidence);
        let bounds = ratios
            .into_iter()
            .zip(limits)
            .filter_map(|(attribute, limits)| {
                Some((
                    attribute,
                    match limits {
                        Ok(limits) => {
                            at_extreme += usize::from(limits.at_extreme);
                            RatioBounds::Between(limits.lower, limits.upper)
                        }
                        // Nothing varies: the error of zero says so.
                        Err(NoLimits::NoSpread) => return None,
                        Err(_) => RatioBounds::NotSound,
                    },
                ))
            });
        cell.limits = bounds.collect();
    }
    at_extreme
}

/// Ratios at each of some means; not a number where they are not defined.
fn at_many(ratios: &[Attribute], means: &Means<4>) -> Vec<Vec<f64>> {
    use Attribute as A;
    let [n, g, ..] = means;
    let q = n.iter().zip(g).map(|(n, g)| {
        let of = ratio_of(A::QuadraticMeanDbh, &[*n, *g, 0.0, 0.0]);
        of.unwrap_or(f64::NAN)
    });
    let q: Vec<f64> = q.collect();
    // Named one by one, so that no loop has a choice in it.
    let values = |ratio: &Attribute| match *ratio {
        A::QuadraticMeanDbh => q.clone(),
        A::StandDensityIndex => each(means, &q, |m, q| ratio_by(A::StandDensityIndex, m, q)),
        A::RelativeDensity => each(means, &q, |m, q| ratio_by(A::RelativeDensity, m, q)),
        A::MeanHeight => each(means, &q, |m, q| ratio_by(A::MeanHeight, m, q)),
        A::LoreyHeight => each(means, &q, |m, q| ratio_by(A::LoreyHeight, m, q)),
        other => each(means, &q, |m, q| ratio_by(other, m, q)),
    };
    ratios.iter().map(values).collect()
}

/// A ratio at each of some means; not defined where the quadratic mean dbh is not.
fn each(
    [n, g, height, basal_area_height]: &Means<4>,
    quadratic_mean_dbh_cm: &[f64],
    ratio: impl Fn(&[f64; 4], f64) -> Option<f64>,
) -> Vec<f64> {
    let means = n.iter().zip(g).zip(height).zip(basal_area_height);
    let with_q = means.zip(quadratic_mean_dbh_cm);
    with_q
        .map(|((((n, g), height), basal_area_height), q)| {
            let value = ratio(&[*n, *g, *height, *basal_area_height], *q);
            value.filter(|_| !q.is_nan()).unwrap_or(f64::NAN)
        })
        .collect()
}

/// The ratios whose columns are known.
fn ratios_of(cell: &Cell) -> Vec<Attribute> {
    let known = |powers: &[f64; 4]| {
        let mut pairs = powers.iter().zip(BASE);
        pairs.all(|(power, column)| *power == 0.0 || cell.columns[column as usize].is_some())
    };
    let known = RATIOS.into_iter().filter(|(_, powers)| known(powers));
    known.map(|(attribute, _)| attribute).collect()
}
