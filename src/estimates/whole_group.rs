//! Groups of many stands for one selection, summed one after the other by their areas.

use std::collections::BTreeMap;

use super::Estimate;
use super::area_sum::AreaSum;
use super::group::{Cell, Given, Group, combine};
use super::metrics::{Covariances, has_ratios};
use super::stratified::Together;
use super::top_height::TopHeight;
use crate::plot_sums::{Column, Domain};

/// The sums of groups.
#[derive(Clone, Debug, Default)]
pub(super) struct GroupSum {
    groups: usize,
    /// The only group so far.
    only: Option<Group>,
    /// Has every group an area?
    without_area: bool,
    selection: usize,
    /// Of the estimate of what was not found.
    zero: AreaSum,
    /// In how many groups each column can be estimated.
    given: [usize; Column::COUNT],
    cells: BTreeMap<Domain, CellSum>,
    top_height: TopSum,
}

/// The sums of one domain over the groups that have it.
#[derive(Clone, Debug, Default)]
struct CellSum {
    groups: usize,
    /// The zeros of these groups.
    zero: AreaSum,
    columns: [AreaSum; Column::COUNT],
    /// In how many groups each column is known.
    known: [usize; Column::COUNT],
    /// Squared areas times covariances.
    covariances: Covariances,
    without_covariances: bool,
}

/// The sum of top heights.
#[derive(Clone, Debug, Default)]
struct TopSum {
    known: usize,
    only: Option<Estimate>,
    unknown: bool,
    sum: AreaSum,
}

impl GroupSum {
    pub(super) fn groups(&self) -> usize {
        self.groups
    }

    /// Their area together, where every one is known.
    pub(super) fn area_ha(&self) -> Option<f64> {
        (!self.without_area).then_some(self.zero.area())
    }

    pub(super) fn add(&mut self, group: &Group) {
        self.groups += 1;
        self.only = (self.groups == 1).then(|| group.clone());
        self.selection = group.selection;
        let Some(area_ha) = group.area_ha else {
            self.without_area = true;
            return;
        };
        self.zero.add(area_ha, &group.zero);
        for (count, given) in self.given.iter_mut().zip(group.given) {
            *count += usize::from(given);
        }
        for (domain, cell) in &group.cells {
            let sum = self.cells.entry(*domain).or_default();
            sum.add(area_ha, cell, &group.zero, has_ratios(*domain));
        }
        self.top_height.add(area_ha, group.top_height);
    }

    /// The groups as one, under the name of a stratum; `None` where an area is not known.
    pub(super) fn combined(&self, stratum: Option<String>) -> Option<Group> {
        if let Some(only) = &self.only {
            return combine((None, stratum), &[only], None, Together::Strata);
        }
        let area_ha = self.area_ha()?;
        let given: Given = self.given.map(|count| count == self.groups);
        let cells = self.cells.iter().map(|(domain, sum)| {
            let column = |column: Column| {
                let at = column as usize;
                let is_known = given[at] && sum.known[at] == sum.groups;
                let whole = || sum.columns[at].and_zeros(&self.zero, &sum.zero);
                is_known.then(|| whole().estimate())
            };
            let of_zeros = sum.zero.and_zeros(&self.zero, &sum.zero);
            let has_covariances =
                has_ratios(*domain) && !sum.without_covariances && of_zeros.has_errors();
            let cell = Cell {
                columns: Column::ALL.map(column),
                covariances: has_covariances.then(|| {
                    sum.covariances
                        .map(|row| row.map(|of| of / (area_ha * area_ha)))
                }),
                limits: Vec::new(),
            };
            (*domain, cell)
        });
        Some(Group {
            stand: None,
            stratum,
            selection: self.selection,
            area_ha: Some(area_ha),
            given,
            zero: self.zero.estimate(),
            cells: cells.collect(),
            top_height: self.top_height.combined(),
        })
    }
}

impl CellSum {
    fn add(&mut self, area_ha: f64, cell: &Cell, zero: &Estimate, has_ratios: bool) {
        self.groups += 1;
        self.zero.add(area_ha, zero);
        let columns = self.columns.iter_mut().zip(&mut self.known);
        for ((sum, known), column) in columns.zip(&cell.columns) {
            if let Some(estimate) = column {
                sum.add(area_ha, estimate);
                *known += 1;
            }
        }
        match &cell.covariances {
            Some(covariances) => {
                let sums = self.covariances.iter_mut().flatten();
                for (sum, covariance) in sums.zip(covariances.iter().flatten()) {
                    *sum += area_ha * area_ha * covariance;
                }
            }
            None => self.without_covariances |= has_ratios,
        }
    }
}

impl TopSum {
    fn add(&mut self, area_ha: f64, top_height: TopHeight<Estimate>) {
        match top_height {
            TopHeight::NoTrees => {}
            TopHeight::Unknown => self.unknown = true,
            TopHeight::Known(estimate) => {
                self.known += 1;
                self.only = Some(estimate);
                self.sum.add(area_ha, &estimate);
            }
        }
    }

    fn combined(&self) -> TopHeight<Estimate> {
        match (self.unknown, self.known, self.only) {
            (true, ..) => TopHeight::Unknown,
            (_, 1, Some(only)) => TopHeight::Known(only),
            (_, 0, _) => TopHeight::NoTrees,
            _ => TopHeight::Known(self.sum.estimate()),
        }
    }
}
