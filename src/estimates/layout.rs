//! How the plots of a selection in one stand were laid out, as samples to estimate from.

use super::grid;
use super::sample::Sample;
use super::stratified::Together;
use crate::design::{Average, Design, SelectionIndex, StrataWeights, Variance};
use crate::expansion::slope;
use crate::plot_sums::SelectionSums;
use crate::records::{Plot, Rule, Stand, Visit};

/// The samples of one selection in one stand.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    /// One per stratum; `None` where the selection was not carried out.
    pub(super) strata: Vec<Option<Sample>>,
    /// How the strata make the stand.
    pub(super) together: Together,
    /// The plots of all strata as one sample, where clusters reach over strata that were made after
    /// sampling: then the strata are no samples of their own for the error of the stand.
    pub(super) stand: Option<Sample>,
    /// Is a variance from neighbours wanted that cannot be given, for want of places on the map?
    pub(super) without_places: bool,
}

/// A plot with the visit that carried out the selection.
type At<'a> = (&'a Plot, &'a Visit);

/// The plots of a stand where a selection was carried out, in their order.
fn plots(stand: &Stand, selection: SelectionIndex) -> Vec<At<'_>> {
    let all = stand
        .plots
        .iter()
        .flat_map(|plot| plot.visits.iter().map(move |visit| (plot, visit)));
    all.filter(|(_, visit)| visit.selection == selection)
        .collect()
}

/// How a selection was laid out in a stand.
pub(super) fn layout(design: &Design, stand: &Stand, selection: SelectionIndex) -> Layout {
    layout_with(design, stand, selection, design.sampling.variance)
}

/// The same with a variance of another kind.
pub(super) fn layout_with(
    design: &Design,
    stand: &Stand,
    selection: SelectionIndex,
    variance: Variance,
) -> Layout {
    let all = plots(stand, selection);
    let tallied = all.iter().any(|(_, visit)| visit.rule == Rule::FullTally);
    let three_p = three_p(&all);
    let mut without_places = false;
    let strata = (0..stand.strata.len())
        .map(|h| {
            let here: Vec<At<'_>> = all.iter().copied().filter(|at| at.0.stratum == h).collect();
            if here.is_empty() {
                return None;
            }
            if tallied {
                return Some(Sample::tallied(here.len()));
            }
            if three_p {
                return sample_trees(&here);
            }
            let sample = sample_of(design, &here);
            let after = design.sampling.strata == StrataWeights::AfterSampling;
            // One list for the whole stand, where the strata came later.
            let listed = stand.strata[h]
                .listed_units
                .or(design.sampling.listed_units);
            let listed = match listed {
                Some(listed) if after => {
                    let share = sample.n_units() as f64 / units_of(&all) as f64;
                    Some(listed * share)
                }
                other => other,
            };
            let sample = sample.from_list(listed);
            Some(with_neighbours(
                variance,
                sample,
                &here,
                &mut without_places,
            ))
        })
        .collect();
    Layout {
        strata,
        together: match design.sampling.strata {
            _ if tallied || three_p => Together::Strata,
            StrataWeights::Areas => Together::Strata,
            StrataWeights::AfterSampling => Together::AfterSampling,
            StrataWeights::Estimated => Together::FirstSample,
        },
        stand: (!tallied && !three_p)
            .then(|| across_strata(design, stand, &all, variance))
            .flatten(),
        without_places,
    }
}

/// Are these the sheets of a 3P sample?
fn three_p(plots: &[At<'_>]) -> bool {
    let mut plots = plots.iter();
    plots.any(|(_, visit)| matches!(visit.rule, Rule::ThreeP(_)))
}

/// The sample trees of a stratum as its units; a tally where all trees were measured in any case.
/// `None` where none was measured of those that were left to chance.
fn sample_trees(sheets: &[At<'_>]) -> Option<Sample> {
    let found = sheets.iter().find_map(|(_, visit)| match visit.rule {
        Rule::ThreeP(sample) => Some(sample),
        _ => None,
    })?;
    match found.sample_trees {
        0 if found.predicted > 0.0 => None,
        0 => Some(Sample::tallied(1)),
        n => Some(Sample::of_plots(n)),
    }
}

/// The plots as a sample of one group, without list and neighbours.
fn sample_of(design: &Design, plots: &[At<'_>]) -> Sample {
    let mut sample = Sample::of_plots(plots.len());
    if design.sampling.average == Average::RatioOfMeans {
        sample = sample.with_sizes(plots.iter().map(|(_, visit)| size(visit)).collect());
    }
    if plots.iter().any(|(plot, _)| plot.cluster.is_some()) {
        sample = sample.in_clusters(&labels(plots));
    }
    sample
}

/// Cluster of each plot; a plot without one is a unit by itself.
fn labels<'a>(plots: &[At<'a>]) -> Vec<Result<&'a str, &'a str>> {
    let label = |(plot, _): &At<'a>| plot.cluster.as_deref().ok_or(plot.name.as_str());
    plots.iter().map(label).collect()
}

fn units_of(plots: &[At<'_>]) -> usize {
    let mut labels = labels(plots);
    labels.sort_unstable();
    labels.dedup();
    labels.len()
}

/// Area of a plot inside the stand, in ha; of a sweep, its share of a full one.
fn size(visit: &Visit) -> f64 {
    let full_ha = match &visit.rule {
        Rule::FixedArea { area_ha, .. } => *area_ha,
        Rule::NestedRings(rings) => rings.iter().map(|ring| ring.area_ha).fold(0.0, f64::max),
        Rule::FullTally | Rule::ThreeP(_) | Rule::AngleGauge { .. } => return visit.plot_fraction,
    };
    full_ha * visit.plot_fraction / slope::factor(visit.slope_to_correct)
}

/// Adds the pairs of neighbours that a variance asks for.
fn with_neighbours(
    variance: Variance,
    sample: Sample,
    plots: &[At<'_>],
    without_places: &mut bool,
) -> Sample {
    let pairs_of = match variance {
        Variance::Simple => return sample,
        Variance::SuccessiveDifferences => grid::along_lines,
        Variance::Neighbours => grid::neighbours,
    };
    // A cluster lies in the middle of its plots.
    let mut places = vec![(0.0, 0.0, 0.0); sample.n_units()];
    for ((plot, _), unit) in plots.iter().zip(sample.units()) {
        let (Some(easting), Some(northing)) = (plot.easting, plot.northing) else {
            *without_places = true;
            return sample;
        };
        let (x, y, n) = &mut places[*unit];
        (*x, *y, *n) = (*x + easting, *y + northing, *n + 1.0);
    }
    let middle: Vec<(f64, f64)> = places.iter().map(|(x, y, n)| (x / n, y / n)).collect();
    let pairs = pairs_of(&middle);
    *without_places |= pairs.is_empty() && middle.len() > 1;
    sample.with_pairs(pairs)
}

/// All plots as one sample sorted into strata, where clusters reach over several of these.
fn across_strata(
    design: &Design,
    stand: &Stand,
    plots: &[At<'_>],
    variance: Variance,
) -> Option<Sample> {
    let reaches = |(plot, _): &At<'_>| {
        let same = |other: &At<'_>| other.0.cluster == plot.cluster;
        let mut others = plots.iter().filter(|other| same(other));
        plot.cluster.is_some() && others.any(|other| other.0.stratum != plot.stratum)
    };
    if design.sampling.strata != StrataWeights::AfterSampling || !plots.iter().any(reaches) {
        return None;
    }
    let areas: Vec<f64> = stand
        .strata
        .iter()
        .map(|s| s.area_ha)
        .collect::<Option<_>>()?;
    let total: f64 = areas.iter().sum();
    let sample = sample_of(design, plots)
        .sorted_into(
            plots.iter().map(|(plot, _)| plot.stratum).collect(),
            areas.iter().map(|area| area / total).collect(),
        )
        .from_list(
            stand.strata[0]
                .listed_units
                .or(design.sampling.listed_units),
        );
    Some(with_neighbours(variance, sample, plots, &mut false))
}

/// Weights of the strata in a mean: of one stratum by itself, or of all by their areas (or the
/// points of a first sample); `None` where one of several is not known.
pub(super) fn strata_weights(
    design: &Design,
    stand: &Stand,
    stratum: Option<usize>,
) -> Option<Vec<f64>> {
    if let Some(only) = stratum {
        let weight = |h| if h == only { 1.0 } else { 0.0 };
        return Some((0..stand.strata.len()).map(weight).collect());
    }
    if stand.strata.len() == 1 {
        return Some(vec![1.0]);
    }
    let sizes: Vec<f64> = (0..stand.strata.len())
        .map(|h| size_of_stratum(design, stand, h))
        .collect::<Option<_>>()?;
    let total: f64 = sizes.iter().sum();
    Some(sizes.iter().map(|size| size / total).collect())
}

/// What a stratum is weighted by.
pub(super) fn size_of_stratum(design: &Design, stand: &Stand, stratum: usize) -> Option<f64> {
    let stratum = &stand.strata[stratum];
    match design.sampling.strata {
        StrataWeights::Estimated => stratum.phase_one_points,
        StrataWeights::Areas | StrataWeights::AfterSampling => stratum.area_ha,
    }
}

/// What one unit per hectare on each plot adds to the mean of the stand over its strata, or of one
/// of these (of a 3P sample: to what its trees stand for together); 0 for plots outside it, or where the selection was not carried out. `None` where a
/// stratum was not sampled, or the strata cannot be put together.
pub fn plot_weights(
    design: &Design,
    stand: &Stand,
    stratum: Option<usize>,
    selection: SelectionIndex,
) -> Option<Vec<f64>> {
    let layout = layout(design, stand, selection);
    let three_p = three_p(&plots(stand, selection));
    let shares = strata_weights(design, stand, stratum)?;
    let mut weights = vec![0.0; stand.plots.len()];
    for (h, share) in shares.iter().enumerate().filter(|(_, share)| **share > 0.0) {
        let sample = layout.strata[h].as_ref()?;
        // The share of a sample tree is already in the trees that it stands for.
        let of_plots = if three_p {
            vec![1.0; stand.plots.len()]
        } else {
            sample.weights()
        };
        let here = stand.plots.iter().enumerate().filter(|(_, plot)| {
            let mut visits = plot.visits.iter();
            plot.stratum == h && visits.any(|visit| visit.selection == selection)
        });
        for ((at, _), weight) in here.zip(of_plots) {
            weights[at] = share * weight;
        }
    }
    Some(weights)
}

/// The sums of the plots of one stratum, in their order.
pub(super) fn of_stratum(sums: &SelectionSums, stratum: usize) -> Vec<&crate::plot_sums::PlotSum> {
    let plots = sums.plots.iter();
    plots.filter(|plot| plot.stratum == stratum).collect()
}
