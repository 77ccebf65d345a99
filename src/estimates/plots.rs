//! The figures of each plot, for the plot table.

use super::stand::{Summed, ValuedVisit};
use crate::design::SelectionIndex;
use crate::plot_sums::{Column, Domain, PlotSum, SelectionSums, StatusDomain, cells_of_visit};
use crate::records::Stand;

/// The figures of one plot and selection.
#[derive(Clone, Debug, PartialEq)]
pub struct PlotValue {
    /// Stand.
    pub stand: String,
    /// Stratum; empty when the stand is not stratified.
    pub stratum: String,
    /// Plot.
    pub plot: String,
    /// Selection.
    pub selection: SelectionIndex,
    /// Live trees.
    pub live: PlotFigures,
    /// Dead trees.
    pub dead: PlotFigures,
}

/// What the trees of one plot add up to; on a sheet of a full tally, its share of the stratum.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlotFigures {
    /// Trees on the plot, counted ones included.
    pub tallied: f64,
    /// Trees/ha; not known where trees were only counted.
    pub trees_per_ha: Option<f64>,
    /// Basal area, m2/ha.
    pub basal_area_m2_per_ha: Option<f64>,
    /// Total volume, m3/ha; not known where trees were only counted or one has no volume.
    pub volume_m3_per_ha: Option<f64>,
}

/// The plots of one selection in one stand; `visits` are those of the selection.
pub(super) fn plot_values(
    stand: &Stand,
    sums: &SelectionSums,
    visits: &[ValuedVisit],
    summed: &Summed,
) -> Vec<PlotValue> {
    let value = |(at, sum): (&ValuedVisit, &PlotSum)| PlotValue {
        stand: stand.name.clone(),
        stratum: stand.strata[at.plot.stratum].name.clone(),
        plot: at.plot.name.clone(),
        selection: sums.selection,
        live: figures(sums, at, stand, sum, StatusDomain::Live, summed),
        dead: figures(sums, at, stand, sum, StatusDomain::Dead, summed),
    };
    if sums.three_p {
        let of_sheet = |at: &ValuedVisit| value((at, &sheet_sum(stand, at)));
        return visits.iter().map(of_sheet).collect();
    }
    visits.iter().zip(&sums.plots).map(value).collect()
}

/// What the measured trees of a sheet of a 3P sample stand for.
fn sheet_sum(stand: &Stand, at: &ValuedVisit) -> PlotSum {
    let area_ha = stand.strata[at.plot.stratum].area_ha;
    PlotSum {
        plot: 0,
        stratum: at.plot.stratum,
        cells: cells_of_visit(at.visit, at.values, area_ha, None),
    }
}

fn figures(
    sums: &SelectionSums,
    at: &ValuedVisit,
    stand: &Stand,
    sum: &PlotSum,
    status: StatusDomain,
    summed: &Summed,
) -> PlotFigures {
    let live = status == StatusDomain::Live;
    let (visit, area_ha) = (at.visit, stand.strata[at.plot.stratum].area_ha);
    let trees = visit
        .trees
        .iter()
        .filter(|t| !t.excluded && t.status.is_live() == live);
    let counts = visit.counts.iter().filter(|c| c.status.is_live() == live);
    let tallied = trees.map(|t| t.count).chain(counts.map(|c| c.count));
    let cell = sum.get(Domain::all(status));
    let figure = |column: Column| {
        let known = !cell.is_some_and(|sums| sums.is_unknown(column))
            && (!sums.counted || column == Column::BasalArea)
            && !sums.area_missing
            && summed.has(column);
        known.then(|| cell.map_or(0.0, |sums| sums.value(column)))
    };
    let tallied = tallied.fold(0.0, |sum, count| sum + count);
    // On a sheet of a 3P sample trees are counted, whatever the measured ones stand for.
    let number = |area_ha: f64| tallied / area_ha;
    PlotFigures {
        tallied,
        trees_per_ha: if sums.three_p {
            area_ha.map(number)
        } else {
            figure(Column::Trees)
        },
        basal_area_m2_per_ha: figure(Column::BasalArea),
        volume_m3_per_ha: figure(Column::VolumeTotal),
    }
}
