//! A group of plots that is estimated as one: a stratum of a stand, a stand over its strata, a
//! stratum over several stands, everything. Groups are made from plot sums or by combining groups,
//! and become rows.

use std::collections::{BTreeMap, BTreeSet};

use super::simple::{full_tally, simple};
use super::stratified::{Part, stratified};
use super::top_height::{self, TopHeight};
use super::{Estimate, EstimateRow, metrics};
use crate::design::SelectionIndex;
use crate::plot_sums::{Attribute, Column, Domain, PlotSum, SelectionSums, Sums};
use crate::units::CO2_PER_CARBON;

/// For each column, whether it can be estimated at all.
pub(super) type Given = [bool; Column::COUNT];

/// The estimates of a domain; `None` where a tree's value is not known.
pub(super) type Cell = [Option<Estimate>; Column::COUNT];

/// The estimates of a group for one selection.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Group {
    /// Stand; `None` is all stands.
    pub(super) stand: Option<String>,
    /// Stratum; `None` is all strata.
    pub(super) stratum: Option<String>,
    /// Selection.
    pub(super) selection: SelectionIndex,
    /// Area, when known.
    pub(super) area_ha: Option<f64>,
    /// Columns that are estimated.
    pub(super) given: Given,
    /// The estimate of whatever was not found.
    pub(super) zero: Estimate,
    /// The domains that were found, and all live trees.
    pub(super) cells: BTreeMap<Domain, Cell>,
    /// Top height of the live trees.
    pub(super) top_height: TopHeight<Estimate>,
}

impl Group {
    /// One column of a domain's cell; without a cell no tree was found, which is zero.
    fn column(&self, cell: Option<&Cell>, column: Column) -> Option<Estimate> {
        match cell {
            Some(cell) => cell[column as usize],
            None => self.given[column as usize].then_some(self.zero),
        }
    }

    /// The group's rows: domains in their order, attributes in theirs within a domain.
    pub(super) fn rows(&self) -> Vec<EstimateRow> {
        let mut rows = Vec::new();
        for (domain, cell) in &self.cells {
            let mut estimates: Vec<(Attribute, Estimate)> = Column::ALL
                .into_iter()
                .filter_map(|column| Some((column.attribute()?, cell[column as usize]?)))
                .collect();
            if let Some(carbon) = cell[Column::Carbon as usize] {
                estimates.push((Attribute::Co2Equivalent, carbon.times(CO2_PER_CARBON)));
            }
            estimates.extend(metrics::of_domain(*domain, cell));
            if *domain == Domain::LIVE
                && let TopHeight::Known(estimate) = self.top_height
            {
                estimates.push((Attribute::TopHeight, estimate));
            }
            estimates.sort_by_key(|(attribute, _)| *attribute);
            rows.extend(
                estimates
                    .into_iter()
                    .map(|(attribute, estimate)| EstimateRow {
                        stand: self.stand.clone(),
                        stratum: self.stratum.clone(),
                        selection: self.selection,
                        domain: *domain,
                        attribute,
                        estimate,
                        area_ha: self.area_ha,
                    }),
            );
        }
        rows
    }
}

/// Estimates the domains of some plots of one stratum from their sums.
pub(super) fn cells_of(
    sums: &SelectionSums,
    plots: &[&PlotSum],
    given: Given,
) -> (Estimate, BTreeMap<Domain, Cell>) {
    let estimate = if sums.full_tally { full_tally } else { simple };
    let mut found: BTreeMap<Domain, Vec<(usize, &Sums)>> = BTreeMap::new();
    found.insert(Domain::LIVE, Vec::new());
    for (at, plot) in plots.iter().enumerate() {
        for (domain, sums) in &plot.cells {
            found.entry(*domain).or_default().push((at, sums));
        }
    }
    let mut values = vec![0.0; plots.len()];
    let zero = estimate(&values);
    let cells = found
        .into_iter()
        .map(|(domain, sums)| {
            let cell = Column::ALL.map(|column| {
                let unknown = sums.iter().any(|(_, sums)| sums.is_unknown(column));
                if unknown || !given[column as usize] {
                    return None;
                }
                values.fill(0.0);
                for (at, sums) in &sums {
                    values[*at] = sums.value(column);
                }
                Some(estimate(&values))
            });
            (domain, cell)
        })
        .collect();
    (zero, cells)
}

/// The area-weighted whole of several groups of one selection, under a new name; `None` when there
/// is none, or an area is unknown.
pub(super) fn combine(
    stand: Option<String>,
    stratum: Option<String>,
    groups: &[&Group],
) -> Option<Group> {
    let first = groups.first()?;
    let areas: Vec<f64> = if groups.len() == 1 {
        // A single part needs no weight.
        vec![first.area_ha.unwrap_or(1.0)]
    } else {
        groups.iter().map(|g| g.area_ha).collect::<Option<_>>()?
    };
    let whole = |estimate_of: &dyn Fn(usize) -> Option<Estimate>| -> Option<Estimate> {
        let part = |(at, area_ha): (usize, &f64)| {
            Some(Part {
                area_ha: *area_ha,
                estimate: estimate_of(at)?,
            })
        };
        let parts: Option<Vec<Part>> = areas.iter().enumerate().map(part).collect();
        Some(stratified(&parts?))
    };
    let domains: BTreeSet<Domain> = groups
        .iter()
        .flat_map(|g| g.cells.keys().copied())
        .collect();
    let cells = domains
        .into_iter()
        .map(|domain| {
            let found: Vec<Option<&Cell>> = groups.iter().map(|g| g.cells.get(&domain)).collect();
            let cell = Column::ALL.map(|column| whole(&|at| groups[at].column(found[at], column)));
            (domain, cell)
        })
        .collect();
    let mut given = first.given;
    for group in groups {
        for (all, one) in given.iter_mut().zip(group.given) {
            *all &= one;
        }
    }
    let tops: Vec<_> = areas
        .iter()
        .copied()
        .zip(groups.iter().map(|g| g.top_height))
        .collect();
    Some(Group {
        stand,
        stratum,
        selection: first.selection,
        area_ha: groups.iter().map(|g| g.area_ha).sum(),
        given,
        zero: whole(&|at| Some(groups[at].zero))?,
        cells,
        top_height: top_height::combined(&tops),
    })
}
