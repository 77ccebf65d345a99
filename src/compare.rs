//! The same cruise compiled in two ways: paired differences, and the trees that drive them.
//!
//! In: two compilations of the same records that differ in volume set, curve or limits. Out: for
//! each estimate of both, the difference with a sampling error of its own, and each tree's part.
//!
//! ```text
//! y_i(x) = sum_j w_ij x_ij               plot value of the tree values x, w trees/ha
//! Y(x)   = sum_i k_i y_i(x)              the estimate: k_i weight of the plot, W_h / n_h as a rule
//! Y(x) = gbar vbar(x) / dbar             where a counted sweep borrows volume
//! ```
//! Both are linear in `x`, and so are the deviations from which their errors are made (also those
//! of the linearised ratio: `gbar`, `dbar` and the weights do not hold `x`). So
//!
//! ```text
//! Y(x') - Y(x) = Y(x' - x)    and its standard error is that of Y for the tree values x' - x
//! ```
//! which is the paired comparison plot by plot: with one stratum the mean of `d_i = y_i' - y_i`,
//! `s(d) / sqrt(n)`, n - 1 degrees of freedom. Strata, stands, classes and borrowed ratios follow
//! without a formula of their own.
//!
//! Source: paired t on plot differences, Freese 1962, USDA Agric. Handb. 232 (from memory).

use std::collections::BTreeMap;

use crate::compile::Compilation;
use crate::design::{Design, Intervals, Measured, RatioLimits, SelectionIndex};
use crate::estimates::{Attribute, Domain, Estimate, Summed, estimate_cruise, plot_weights};
use crate::expansion::expand;
use crate::plot_sums::Column;
use crate::records::{Plot, Tree};
use crate::stems::TreeValues;

/// One estimate under both, and their difference. Metric, per hectare.
#[derive(Clone, Debug, PartialEq)]
pub struct PairedRow {
    /// Stand name; `None` is all stands.
    pub stand: Option<String>,
    /// Stratum name; `None` is all strata.
    pub stratum: Option<String>,
    /// Selection.
    pub selection: SelectionIndex,
    /// Trees it is about.
    pub domain: Domain,
    /// What is estimated.
    pub attribute: Attribute,
    /// The estimate of the base.
    pub base: f64,
    /// The estimate of the alternative.
    pub alternative: f64,
    /// Alternative less base, with its own error.
    pub difference: Estimate,
}

impl PairedRow {
    /// The difference in percent of the base; `None` when the base is 0.
    pub fn difference_pct(&self) -> Option<f64> {
        (self.base > 0.0).then(|| 100.0 * self.difference.mean / self.base)
    }

    /// Is there no difference, on any plot?
    pub fn is_same(&self) -> bool {
        self.difference.mean == 0.0 && self.difference.std_error.is_none_or(|error| error == 0.0)
    }

    /// Does the interval of the difference leave zero out? `None` where there is no interval.
    pub fn excludes_zero(&self, confidence: f64) -> Option<bool> {
        let (lower, upper) = self.difference.interval(confidence)?;
        Some(lower > 0.0 || upper < 0.0)
    }
}

/// A tree's part in the difference of the mean of its stand.
#[derive(Clone, Debug)]
pub struct Driver<'a> {
    /// Its plot.
    pub plot: &'a Plot,
    /// Its record.
    pub tree: &'a Tree,
    /// Its height under base and alternative.
    pub heights_m: [Option<f64>; 2],
    /// What it holds of the column under base and alternative.
    pub values: [f64; 2],
    /// What its difference adds to the mean per hectare: `k_i w (x' - x)`.
    pub per_ha: f64,
    /// Its share of the sum of these, signs left out.
    pub share: f64,
}

/// The paired rows of two compilations of the same records, in the order of the estimates; those
/// that only one of them has are left out.
pub fn paired(base: &Compilation<'_>, alternative: &Compilation<'_>) -> Vec<PairedRow> {
    let values: Vec<Vec<TreeValues>> = base
        .stands
        .iter()
        .zip(&alternative.stands)
        .map(|(base, other)| {
            let pairs = other.values.iter().zip(&base.values);
            pairs.map(|(other, base)| other.less(base)).collect()
        })
        .collect();
    // Differences are sums: no ratio needs resampling.
    let design = Design {
        intervals: Intervals {
            ratios: RatioLimits::None,
            ..base.design.intervals
        },
        ..base.design.clone()
    };
    let differences = estimate_cruise(&design, base.records, &values, &Summed::of(&values));
    let (of_base, of_alternative) = (means(base), means(alternative));
    differences
        .rows
        .into_iter()
        .filter(|row| rests_on_equations(row.attribute))
        .filter_map(|row| {
            let key = (
                row.stand.as_deref(),
                row.stratum.as_deref(),
                row.selection,
                row.domain,
                row.attribute,
            );
            let (base, alternative) = (*of_base.get(&key)?, *of_alternative.get(&key)?);
            Some(PairedRow {
                base,
                alternative,
                stand: row.stand,
                stratum: row.stratum,
                selection: row.selection,
                domain: row.domain,
                attribute: row.attribute,
                difference: row.estimate,
            })
        })
        .collect()
}

type Key<'a> = (
    Option<&'a str>,
    Option<&'a str>,
    SelectionIndex,
    Domain,
    Attribute,
);

fn means<'a>(compilation: &'a Compilation<'_>) -> BTreeMap<Key<'a>, f64> {
    let rows = compilation.estimates.rows.iter();
    rows.map(|row| {
        let key = (
            row.stand.as_deref(),
            row.stratum.as_deref(),
            row.selection,
            row.domain,
            row.attribute,
        );
        (key, row.estimate.mean)
    })
    .collect()
}

/// The columns that are sums of what the equations give for each tree.
pub fn columns() -> impl Iterator<Item = (Column, Attribute)> {
    let columns = Column::BORROWED.into_iter();
    columns.filter_map(|column| Some((column, column.attribute()?)))
}

fn rests_on_equations(attribute: Attribute) -> bool {
    columns().any(|(_, of)| of == attribute)
}

/// The column by which the trees are ranked: merchantable volume where both give it, or else the
/// first one that both give.
pub fn ranking(base: &Compilation<'_>, alternative: &Compilation<'_>) -> Option<Column> {
    let both = |column: &Column| {
        let trees = base.stands.iter().zip(&alternative.stands);
        let mut pairs = trees.flat_map(|(base, other)| base.values.iter().zip(&other.values));
        pairs.any(|(base, other)| column.of_tree(base).is_some() && column.of_tree(other).is_some())
    };
    let first = std::iter::once(Column::VolumeMerch);
    let others = columns().map(|(column, _)| column);
    first.chain(others).find(both)
}

/// The live trees of a selection in a stand by their part in the difference of its mean, the
/// largest first (ties in the order of the records); trees without a difference are left out.
/// `None` where the mean is no mean of these trees (a sweep with counted trees), or the stand has no
/// estimate (a stratum without area or without plots).
pub fn drivers<'a>(
    base: &Compilation<'a>,
    alternative: &Compilation<'_>,
    stand: usize,
    selection: SelectionIndex,
    column: Column,
) -> Option<Vec<Driver<'a>>> {
    let this = &base.records.stands[stand];
    let visits = this.plots.iter().flat_map(|plot| &plot.visits);
    let mut visits = visits.filter(|visit| visit.selection == selection);
    let measured = base.design.selections[selection].measured == Measured::All;
    if !measured || visits.any(|visit| !visit.counts.is_empty()) {
        return None;
    }
    let weights = plot_weights(base.design, this, None, selection)?;
    let weight_of = |plot: &Plot| {
        let at = this
            .plots
            .iter()
            .position(|other| std::ptr::eq(other, plot));
        at.map_or(0.0, |at| weights[at])
    };
    let (ours, others) = (&base.stands[stand], &alternative.stands[stand]);
    let mut drivers = Vec::new();
    for (at, (plot, visit, tree)) in this.trees().enumerate() {
        let stratum_area_ha = this.strata[plot.stratum].area_ha;
        if visit.selection != selection || tree.excluded || !tree.status.is_live() {
            continue;
        }
        let (Some(expansion), Some(value), Some(other)) = (
            expand(visit, tree, stratum_area_ha),
            column.of_tree(&ours.values[at]),
            column.of_tree(&others.values[at]),
        ) else {
            continue;
        };
        let per_ha = weight_of(plot) * expansion.trees_per_ha * (other - value);
        if per_ha != 0.0 {
            drivers.push(Driver {
                plot,
                tree,
                heights_m: [
                    ours.heights.trees[at].height_m,
                    others.heights.trees[at].height_m,
                ],
                values: [value, other],
                per_ha,
                share: 0.0,
            });
        }
    }
    let whole: f64 = drivers.iter().map(|driver| driver.per_ha.abs()).sum();
    for driver in &mut drivers {
        driver.share = driver.per_ha.abs() / whole;
    }
    drivers.sort_by(|a, b| b.per_ha.abs().total_cmp(&a.per_ha.abs()));
    Some(drivers)
}
