//! Top height: mean height of the 100 thickest trees per hectare.
//!
//! ```text
//! fixed-area plot of A ares: mean height of its m = 1.6 A - 0.6 thickest live trees (at least 1),
//!     the last tree taken with the fraction that is left; with fewer trees, of all of them
//! other rules: the thickest trees until their expansions reach 100 trees/ha, the last one taken
//!     with what is left; with fewer, all of them
//! ```
//! The plain mean of the `A` thickest on a plot of `A` ares overestimates; 1.6 A - 0.6 removes most
//! of that. Source: Garcia & Batho 2005, West. J. Appl. For. 20:64-68 (from memory), checked on the
//! constructed plot of the tests. The lower bound of one tree (plots under 1 are) and the rule for
//! gauges and nested rings are common practice, no source. A plot without a live tree has no top
//! height and is not in its n. All species together.

use super::Estimate;
use super::sample::Sample;
use super::stand::ValuedVisit;
use super::stratified::{Part, Together, together};
use crate::expansion::{expand, slope};
use crate::records::{Rule, Tree};

/// Trees per ha whose mean height is the top height.
const THICKEST_PER_HA: f64 = 100.0;
const ARES_PER_HA: f64 = 100.0;
/// A rest smaller than this share is rounding, not a tree.
const ROUNDING: f64 = 1e-9;

/// A top height, or why there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum TopHeight<T> {
    /// No live tree.
    NoTrees,
    /// One of the thickest trees has no height.
    Unknown,
    /// The mean height, m.
    Known(T),
}

/// Top height of the visits of one stratum: the mean over the plots that have live trees, or that
/// of all trees together in a full tally.
pub(super) fn of_stratum(
    sample: &Sample,
    visits: &[ValuedVisit],
    stratum_area_ha: Option<f64>,
) -> TopHeight<Estimate> {
    // The thickest trees of a stand are not all among the measured ones of a 3P sample.
    let three_p = |at: &ValuedVisit| matches!(at.visit.rule, Rule::ThreeP(_));
    if visits.iter().any(three_p) {
        return TopHeight::NoTrees;
    }
    if visits.iter().any(|at| at.visit.rule == Rule::FullTally) {
        return match of_expanded(visits, stratum_area_ha) {
            TopHeight::NoTrees => TopHeight::NoTrees,
            TopHeight::Unknown => TopHeight::Unknown,
            TopHeight::Known(height_m) => TopHeight::Known(Estimate {
                mean: height_m,
                ..sample.estimate(&vec![0.0; visits.len()])
            }),
        };
    }
    match of_plots(visits) {
        TopHeight::NoTrees => TopHeight::NoTrees,
        TopHeight::Unknown => TopHeight::Unknown,
        TopHeight::Known(plots) => {
            let at: Vec<usize> = plots.iter().map(|(at, _)| *at).collect();
            let heights_m: Vec<f64> = plots.iter().map(|(_, height_m)| *height_m).collect();
            TopHeight::Known(sample.only(&at).estimate(&heights_m))
        }
    }
}

/// The visits of a stratum that found live trees, by their positions, with their top heights.
pub(super) fn of_plots(visits: &[ValuedVisit]) -> TopHeight<Vec<(usize, f64)>> {
    let mut plots = Vec::new();
    for (at, visit) in visits.iter().enumerate() {
        match of_plot(visit) {
            TopHeight::NoTrees => {}
            TopHeight::Unknown => return TopHeight::Unknown,
            TopHeight::Known(height_m) => plots.push((at, height_m)),
        }
    }
    if plots.is_empty() {
        TopHeight::NoTrees
    } else {
        TopHeight::Known(plots)
    }
}

/// The whole of several groups: those without live trees have no top height, the others are
/// weighted by their areas.
pub(super) fn combined(parts: &[(f64, TopHeight<Estimate>)], how: Together) -> TopHeight<Estimate> {
    let mut known = Vec::new();
    for (area_ha, top_height) in parts {
        match *top_height {
            TopHeight::NoTrees => {}
            TopHeight::Unknown => return TopHeight::Unknown,
            TopHeight::Known(estimate) => known.push(Part {
                area_ha: *area_ha,
                estimate,
            }),
        }
    }
    if known.is_empty() {
        TopHeight::NoTrees
    } else {
        TopHeight::Known(together(how, &known))
    }
}

/// Top height of one visit of a sampled plot.
fn of_plot(at: &ValuedVisit) -> TopHeight<f64> {
    let visit = at.visit;
    let Rule::FixedArea { area_ha, .. } = visit.rule else {
        return of_expanded(&[*at], None);
    };
    let on_the_map_ha = area_ha * visit.plot_fraction / slope::factor(visit.slope_to_correct);
    let wanted = (1.6 * ARES_PER_HA * on_the_map_ha - 0.6).max(1.0);
    let trees = visit.trees.iter().zip(at.values);
    let entries = trees
        .filter(|(tree, _)| counts(tree))
        .map(|(tree, v)| (tree.dbh_cm, tree.count * tree.walkthrough, v.height_m));
    mean_of_thickest(entries.collect(), wanted)
}

/// Top height of trees that stand for different numbers per ha.
fn of_expanded(visits: &[ValuedVisit], stratum_area_ha: Option<f64>) -> TopHeight<f64> {
    let trees = visits.iter().flat_map(|at| {
        let trees = at.visit.trees.iter().zip(at.values);
        trees.map(move |(tree, v)| (at.visit, tree, v))
    });
    let entries = trees
        .filter(|(_, tree, _)| counts(tree))
        .filter_map(|(visit, tree, v)| {
            let expansion = expand(visit, tree, stratum_area_ha)?;
            Some((tree.dbh_cm, expansion.trees_per_ha, v.height_m))
        });
    mean_of_thickest(entries.collect(), THICKEST_PER_HA)
}

fn counts(tree: &Tree) -> bool {
    tree.status.is_live() && !tree.excluded
}

/// Mean height of the thickest of `(dbh, weight, height)` up to a sum of weights. Of trees equally
/// thick the earlier one goes first.
fn mean_of_thickest(mut entries: Vec<(f64, f64, Option<f64>)>, wanted: f64) -> TopHeight<f64> {
    entries.retain(|(_, weight, _)| *weight > 0.0);
    entries.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut taken = 0.0;
    let mut sum = 0.0;
    for (_, weight, height_m) in entries {
        let weight = weight.min(wanted - taken);
        if weight <= ROUNDING * wanted {
            break;
        }
        let Some(height_m) = height_m else {
            return TopHeight::Unknown;
        };
        taken += weight;
        sum += weight * height_m;
    }
    if taken > 0.0 {
        TopHeight::Known(sum / taken)
    } else {
        TopHeight::NoTrees
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_tree_is_taken_with_what_is_left() {
        let trees = vec![(20.0, 1.0, Some(10.0)), (40.0, 1.0, Some(20.0))];
        assert_eq!(mean_of_thickest(trees.clone(), 1.0), TopHeight::Known(20.0));
        assert_eq!(
            mean_of_thickest(trees.clone(), 1.25),
            TopHeight::Known(18.0)
        );
        assert_eq!(mean_of_thickest(trees, 9.0), TopHeight::Known(15.0));
        assert_eq!(mean_of_thickest(Vec::new(), 1.0), TopHeight::NoTrees);
    }

    #[test]
    fn only_the_thickest_need_a_height() {
        let trees = vec![(20.0, 1.0, None), (40.0, 1.0, Some(20.0))];
        assert_eq!(mean_of_thickest(trees.clone(), 1.0), TopHeight::Known(20.0));
        assert_eq!(mean_of_thickest(trees, 1.5), TopHeight::Unknown);
    }
}
