//! The error of a systematic sample, found in each of three ways.
//!
//! ```text
//! random        as if the plots had been placed at random
//! lines         from the differences of units that follow each other along the lines
//! neighbours    from the differences of units that lie beside each other in all directions
//! ```
//! The formulas and their sources stand in [`sample`](super::sample), what lies beside what in the
//! module `grid`. Strata are combined as the estimates do it.

use super::layout::{Layout, layout_with, of_stratum, size_of_stratum};
use super::stratified::{Part, together};
use super::{Attribute, Domain, Estimate};
use crate::design::{Design, SelectionIndex, Variance};
use crate::plot_sums::{Column, PlotSum, SelectionSums, sum_selection};
use crate::records::Stand;
use crate::stems::TreeValues;

/// Units that every stratum must have.
const FEWEST_UNITS: usize = 4;

/// One attribute of the live trees of a stand, with its error found in three ways.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThreeErrors {
    /// What is estimated, metric.
    pub attribute: Attribute,
    /// As for a random sample.
    pub random: Estimate,
    /// By successive differences along the lines.
    pub lines: Estimate,
    /// By neighbours in all directions.
    pub neighbours: Estimate,
}

/// Trees, basal area and total volume of the live trees of one selection in one stand, where its
/// plots have places on the map and every stratum has at least four units; else nothing. Of a
/// counted sweep the basal area alone. `values` holds the trees in the order of `Stand::trees`.
pub fn three_errors(
    design: &Design,
    stand: &Stand,
    selection: SelectionIndex,
    values: &[TreeValues],
) -> Vec<ThreeErrors> {
    let layouts = [
        Variance::Simple,
        Variance::SuccessiveDifferences,
        Variance::Neighbours,
    ]
    .map(|variance| layout_with(design, stand, selection, variance));
    let [_, lines, neighbours] = &layouts;
    if design.selections[selection].method.visits_all() {
        return Vec::new();
    }
    let enough = |layout: &Layout| {
        let mut strata = layout.strata.iter();
        !layout.without_places
            && strata.all(|sample| {
                (sample.as_ref()).is_some_and(|s| s.n_units() >= FEWEST_UNITS && !s.is_tallied())
            })
    };
    if !enough(lines) || !enough(neighbours) {
        return Vec::new();
    }
    let sums = sum_selection(design, stand, selection, values);
    let one = |column: Column| {
        let [random, lines, neighbours] =
            (layouts.each_ref()).map(|layout| whole_stand(design, stand, layout, &sums, column));
        Some(ThreeErrors {
            attribute: column.attribute()?,
            random: random?,
            lines: lines?,
            neighbours: neighbours?,
        })
    };
    let volume = values.iter().any(|tree| tree.volume_total_m3.is_some());
    let columns = [
        (Column::Trees, !sums.counted),
        (Column::BasalArea, true),
        (Column::VolumeTotal, !sums.counted && volume),
    ];
    let wanted = columns.into_iter().filter(|(_, wanted)| *wanted);
    wanted.filter_map(|(column, _)| one(column)).collect()
}

/// The live trees of a stand over its strata.
fn whole_stand(
    design: &Design,
    stand: &Stand,
    layout: &Layout,
    sums: &SelectionSums,
    column: Column,
) -> Option<Estimate> {
    let value = |plot: &PlotSum| {
        plot.get(Domain::LIVE)
            .map_or(0.0, |sums| sums.value(column))
    };
    if let Some(sample) = &layout.stand {
        return Some(sample.estimate(&sums.plots.iter().map(value).collect::<Vec<_>>()));
    }
    let part = |h: usize| {
        let values: Vec<f64> = of_stratum(sums, h).into_iter().map(value).collect();
        Some(Part {
            area_ha: match layout.strata.len() {
                1 => 1.0,
                _ => size_of_stratum(design, stand, h)?,
            },
            estimate: layout.strata[h].as_ref()?.estimate(&values),
        })
    };
    let parts: Option<Vec<Part>> = (0..layout.strata.len()).map(part).collect();
    Some(together(layout.together, &parts?))
}
