//! The weight with which a tree enters a mean: that of its plot times the trees per hectare it
//! stands for.
//!
//! ```text
//! measured trees   V = sum_i p_i sum_j w_ij v_ij          c_ij = p_i w_ij
//! counted trees    V = sum_k (gbar_k / dbar_k) sum_i q_i sum_j w_ij v_ij
//!                  c_ij = q_i w_ij sum_k gbar_k / dbar_k  over the counted species k that borrow
//!                                                         from the tree
//! ```
//! `p` are the weights of plots in the mean, `q` those in the means of the donor; `gbar`, `dbar` as
//! in `estimates::counted`. A borrowed volume is linear in the volumes of the lending trees, so the
//! weights are exact, and `sum c v` is the estimate itself in every case.

use crate::compile::Compilation;
use crate::design::{Design, SelectionIndex};
use crate::estimates::{
    Domain, EstimateRow, Quantity, StandDerivation, derive_stand, plot_weights,
};
use crate::expansion::expand;
use crate::plot_sums::Column;
use crate::records::{Records, Stand};

/// A part of a stand and its share in an estimate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandPart {
    /// Index into `Records::stands`.
    pub stand: usize,
    /// Index into `Stand::strata`; `None` is the whole stand.
    pub stratum: Option<usize>,
    /// Its weight.
    pub share: f64,
}

/// The stands (or strata of stands) that an estimate puts together, by their areas; stands drawn
/// from a list stand for the area of the list.
pub fn parts_of(design: &Design, records: &Records, row: &EstimateRow) -> Option<Vec<StandPart>> {
    let mut parts = Vec::new();
    for (at, stand) in records.stands.iter().enumerate() {
        if row.stand.as_ref().is_some_and(|name| *name != stand.name) {
            continue;
        }
        let stratum = match &row.stratum {
            None => None,
            Some(name) => match stand.strata.iter().position(|h| h.name == *name) {
                None => continue,
                found => found,
            },
        };
        let area_ha = match stratum {
            Some(h) => stand.strata[h].area_ha,
            None => stand.strata.iter().map(|h| h.area_ha).sum(),
        };
        parts.push((at, stratum, area_ha));
    }
    let alone = parts.len() == 1;
    let areas = parts
        .iter()
        .map(|(.., area_ha)| area_ha.or(alone.then_some(1.0)));
    let areas: Vec<f64> = areas.collect::<Option<_>>()?;
    let drawn: f64 = areas.iter().sum();
    let listed = design.sampling.listed.filter(|_| row.stand.is_none());
    let of_list = listed.and_then(|list| Some(list.area_ha? * parts.len() as f64 / list.stands));
    let whole = of_list.unwrap_or(drawn);
    let shares = parts.iter().zip(areas);
    let part = |((stand, stratum, _), area): (&(usize, Option<usize>, _), f64)| StandPart {
        stand: *stand,
        stratum: *stratum,
        share: area / whole,
    };
    Some(shares.map(part).collect())
}

/// Weight of each tree of a stand, in the order of `Stand::trees`, in the mean of a column over its
/// live trees; 0 for trees that have no part in it. `None` where there is no such mean.
pub fn tree_weights(
    compilation: &Compilation<'_>,
    part: StandPart,
    selection: SelectionIndex,
    column: Column,
) -> Option<Vec<f64>> {
    let stand = &compilation.records.stands[part.stand];
    let derivation = derive(compilation, part, selection, column)?;
    match derivation {
        StandDerivation::Plots { .. } => {
            let plots = plot_weights(compilation.design, stand, part.stratum, selection)?;
            Some(expanded(stand, selection, &plots, |_| 1.0))
        }
        StandDerivation::Borrowed {
            donor, borrowed, ..
        } => {
            let lent = |species: usize| -> f64 {
                let borrowers = borrowed.species.iter();
                borrowers
                    .filter(|one| one.pooled || one.species == Some(species))
                    .map(|one| one.sweep_basal_area_m2_per_ha / one.donor_basal_area_m2_per_ha)
                    .sum()
            };
            let plots = &borrowed.donor_plot_weights;
            Some(expanded(stand, donor, plots, lent))
        }
    }
}

fn derive<'a>(
    compilation: &'a Compilation<'_>,
    part: StandPart,
    selection: SelectionIndex,
    column: Column,
) -> Option<StandDerivation<'a>> {
    derive_stand(
        compilation.design,
        compilation.records,
        (part.stand, part.stratum),
        &compilation.stands[part.stand].values,
        selection,
        (Domain::LIVE, Quantity::Sum(column)),
    )
}

/// Plot weight times trees per hectare times a factor of the species, for the live trees of a
/// selection.
fn expanded(
    stand: &Stand,
    selection: SelectionIndex,
    plots: &[f64],
    by_species: impl Fn(usize) -> f64,
) -> Vec<f64> {
    let mut weights = Vec::new();
    for (plot, weight) in stand.plots.iter().zip(plots) {
        let area_ha = stand.strata[plot.stratum].area_ha;
        for visit in &plot.visits {
            for tree in &visit.trees {
                let expansion = expand(visit, tree, area_ha);
                let counts = visit.selection == selection && tree.status.is_live();
                let trees_per_ha = expansion
                    .filter(|_| counts)
                    .map_or(0.0, |expansion| expansion.trees_per_ha);
                weights.push(weight * trees_per_ha * by_species(tree.species));
            }
        }
    }
    weights
}
