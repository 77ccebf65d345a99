//! A group of plots that is estimated as one: a stratum of a stand, a stand over its strata, a
//! stratum over several stands, everything. Groups are made from plot sums or by combining groups,
//! and become rows.

use std::collections::{BTreeMap, BTreeSet};

use super::metrics::{self, BASE, Covariances, RatioBounds};
use super::sample::Sample;
use super::stratified::{Part, Together, together};
use super::top_height::{self, TopHeight};
use super::{Estimate, EstimateRow};
use crate::design::SelectionIndex;
use crate::plot_sums::{Attribute, Column, Domain, PlotSum, Sums};
use crate::units::CO2_PER_CARBON;

/// For each column, whether it can be estimated at all.
pub(super) type Given = [bool; Column::COUNT];

/// The estimates of a domain.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Cell {
    /// By column; `None` where a tree's value is not known.
    pub(super) columns: [Option<Estimate>; Column::COUNT],
    /// Covariances of the means that ratios are made of, where there are ratios and errors.
    pub(super) covariances: Option<Covariances>,
    /// Limits of the ratios, where they were looked for by resampling.
    pub(super) limits: Vec<(Attribute, RatioBounds)>,
}

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
            Some(cell) => cell.columns[column as usize],
            None => self.given[column as usize].then_some(self.zero),
        }
    }

    /// The group's rows: domains in their order, attributes in theirs within a domain.
    pub(super) fn rows(&self) -> Vec<EstimateRow> {
        let mut rows = Vec::new();
        for (domain, cell) in &self.cells {
            let mut estimates: Vec<(Attribute, Estimate)> = Column::ALL
                .into_iter()
                .filter_map(|column| Some((column.attribute()?, cell.columns[column as usize]?)))
                .collect();
            if let Some(carbon) = cell.columns[Column::Carbon as usize] {
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

/// Estimates the domains of some plots from their sums; `sample` is how these were laid out.
pub(super) fn cells_of(
    sample: &Sample,
    plots: &[&PlotSum],
    given: Given,
) -> (Estimate, BTreeMap<Domain, Cell>) {
    let mut found: BTreeMap<Domain, Vec<(usize, &Sums)>> = BTreeMap::new();
    found.insert(Domain::LIVE, Vec::new());
    for (at, plot) in plots.iter().enumerate() {
        for (domain, sums) in &plot.cells {
            found.entry(*domain).or_default().push((at, sums));
        }
    }
    let weighted = sample.weighted();
    let mut values = vec![0.0; plots.len()];
    let mut influence = vec![0.0; sample.n_units()];
    weighted.influence(&values, &mut influence);
    let zero = weighted.estimate(&values, &influence);
    let cells = found
        .into_iter()
        .map(|(domain, sums)| {
            let has_ratios = metrics::has_ratios(domain);
            let mut of_base = BASE.map(|_| None::<Vec<f64>>);
            let columns = Column::ALL.map(|column| {
                let unknown = || sums.iter().any(|(_, sums)| sums.is_unknown(column));
                if !given[column as usize] || unknown() {
                    return None;
                }
                values.fill(0.0);
                for (at, sums) in &sums {
                    values[*at] = sums.value(column);
                }
                weighted.influence(&values, &mut influence);
                if let Some(k) = BASE.iter().position(|base| has_ratios && *base == column) {
                    of_base[k] = Some(influence.clone());
                }
                Some(weighted.estimate(&values, &influence))
            });
            let covariances = has_ratios.then(|| {
                symmetric(|a, b| match (&of_base[a], &of_base[b]) {
                    (Some(a), Some(b)) => sample.covariance(a, b),
                    _ => Some(0.0),
                })
            });
            let cell = Cell {
                columns,
                covariances: covariances.flatten(),
                limits: Vec::new(),
            };
            (domain, cell)
        })
        .collect();
    (zero, cells)
}

/// The matrix of something symmetric; `None` where an element is not known.
fn symmetric(of: impl Fn(usize, usize) -> Option<f64>) -> Option<Covariances> {
    let mut lower = [[0.0; BASE.len()]; BASE.len()];
    for (a, row) in lower.iter_mut().enumerate() {
        for (b, cell) in row.iter_mut().enumerate().take(a + 1) {
            *cell = of(a, b)?;
        }
    }
    let at = |a: usize, b: usize| lower[a.max(b)][a.min(b)];
    Some([0, 1, 2, 3].map(|a| [0, 1, 2, 3].map(|b| at(a, b))))
}

/// Covariances of the means of the whole, from the variances of sums and differences of columns.
fn covariances_of(how: Together, parts: &[(f64, Option<&Cell>, Estimate)]) -> Option<Covariances> {
    if let [(_, Some(cell), _)] = parts
        && !matches!(how, Together::Listed(_))
    {
        return cell.covariances;
    }
    let of = |a: usize, b: usize, (scale_a, scale_b): (f64, f64)| -> Option<f64> {
        let part = |(area_ha, cell, zero): &(f64, Option<&Cell>, Estimate)| {
            let Some(cell) = cell else {
                return Some(Part {
                    area_ha: *area_ha,
                    estimate: *zero,
                });
            };
            let mean = |k: usize| cell.columns[BASE[k] as usize].map_or(0.0, |e| e.mean);
            let covariances = cell.covariances?;
            let variance = scale_a * scale_a * covariances[a][a]
                + scale_b * scale_b * covariances[b][b]
                + 2.0 * scale_a * scale_b * covariances[a][b];
            Some(Part {
                area_ha: *area_ha,
                estimate: Estimate {
                    mean: scale_a * mean(a) + scale_b * mean(b),
                    std_error: Some(variance.max(0.0).sqrt()),
                    ..*zero
                },
            })
        };
        let parts: Option<Vec<Part>> = parts.iter().map(part).collect();
        let error = together(how, &parts?).std_error?;
        Some(error * error)
    };
    symmetric(|a, b| {
        let own = |k: usize| of(k, k, (1.0, 0.0));
        if a == b {
            return own(a);
        }
        // Scaled, so that neither column drowns the other.
        let (of_a, of_b) = (own(a)?.sqrt(), own(b)?.sqrt());
        if of_a == 0.0 || of_b == 0.0 {
            return Some(0.0);
        }
        let sum = of(a, b, (1.0 / of_a, 1.0 / of_b))?;
        let difference = of(a, b, (1.0 / of_a, -1.0 / of_b))?;
        Some(of_a * of_b * (sum - difference) / 4.0)
    })
}

/// The whole of several groups of one selection, under a new name, by their areas or other weights;
/// `None` when there is none, or a weight is unknown.
pub(super) fn combine(
    (stand, stratum): (Option<String>, Option<String>),
    groups: &[&Group],
    weights: Option<Vec<f64>>,
    how: Together,
) -> Option<Group> {
    let first = groups.first()?;
    let weights: Vec<f64> = match weights {
        Some(weights) => weights,
        // A single part needs no weight.
        None if groups.len() == 1 => vec![first.area_ha.unwrap_or(1.0)],
        None => groups.iter().map(|g| g.area_ha).collect::<Option<_>>()?,
    };
    let whole = |estimate_of: &dyn Fn(usize) -> Option<Estimate>| -> Option<Estimate> {
        let part = |(at, area_ha): (usize, &f64)| {
            Some(Part {
                area_ha: *area_ha,
                estimate: estimate_of(at)?,
            })
        };
        let parts: Option<Vec<Part>> = weights.iter().enumerate().map(part).collect();
        Some(together(how, &parts?))
    };
    let domains: BTreeSet<Domain> = groups
        .iter()
        .flat_map(|g| g.cells.keys().copied())
        .collect();
    let cells = domains
        .into_iter()
        .map(|domain| {
            let found: Vec<Option<&Cell>> = groups.iter().map(|g| g.cells.get(&domain)).collect();
            let columns =
                Column::ALL.map(|column| whole(&|at| groups[at].column(found[at], column)));
            let covariances = metrics::has_ratios(domain).then(|| {
                let part = |at: usize| (weights[at], found[at], groups[at].zero);
                let parts: Vec<_> = (0..groups.len()).map(part).collect();
                covariances_of(how, &parts)
            });
            let cell = Cell {
                columns,
                covariances: covariances.flatten(),
                limits: Vec::new(),
            };
            (domain, cell)
        })
        .collect();
    let mut given = first.given;
    for group in groups {
        for (all, one) in given.iter_mut().zip(group.given) {
            *all &= one;
        }
    }
    let tops: Vec<_> = weights
        .iter()
        .copied()
        .zip(groups.iter().map(|g| g.top_height))
        .collect();
    Some(Group {
        stand,
        stratum,
        selection: first.selection,
        area_ha: match how {
            Together::Listed(list) if list.area_ha.is_some() => list.area_ha,
            Together::Listed(list) => {
                let areas: Option<f64> = groups.iter().map(|g| g.area_ha).sum();
                areas.map(|area| area * list.stands / groups.len() as f64)
            }
            _ => groups.iter().map(|g| g.area_ha).sum(),
        },
        given,
        zero: whole(&|at| Some(groups[at].zero))?,
        cells,
        top_height: top_height::combined(&tops, how),
    })
}
