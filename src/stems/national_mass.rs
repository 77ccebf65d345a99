//! Biomass of one tree of a cruise by the national-scale system: what was recorded of it, and what
//! has to be done without.
//!
//! In: the set, the equations, the tree as recorded. Out: its figures. Where something is not known
//! the tree counts for more than it is, and that is told:
//! - a dead tree without a decay class is taken as sound, without foliage;
//! - a broken tree whose crown is not known (a live one without crown ratio, a dead one without
//!   province or decay class) is taken as whole.

use crate::species::biomass::NationalSet;
use crate::species::national::NationalEquations;
use crate::stems::biomass::{BiomassInput, StemBiomass, TreeBiomass};
use crate::stems::national::{NationalFigures, NationalTree, national_figures};
use crate::units::KG_PER_LB;

/// Figures of a tree, and what was left out of account.
pub(super) struct Found {
    /// `None` outside the domain of the equations.
    pub(super) figures: Option<NationalFigures>,
    decay_ignored: bool,
    break_ignored: bool,
}

impl NationalSet {
    /// Figures of a tree with a height.
    pub(super) fn figures(
        &self,
        equations: &NationalEquations,
        province: Option<&str>,
        tree: &BiomassInput,
    ) -> Found {
        let stem = tree.stem();
        let known = NationalTree {
            dbh_cm: tree.dbh_cm,
            height_m: stem.height_m,
            broken_height_m: stem.break_m(),
            cull_pct: tree.defect_pct,
            decay_class: tree.decay_class,
            crown_ratio_pct: tree.crown_ratio_pct,
            province,
        };
        let crown_known = if tree.decay_class.is_some() {
            province.is_some()
        } else {
            tree.crown_ratio_pct.is_some()
        };
        let break_ignored = known.broken_height_m.is_some() && !crown_known;
        let whole = NationalTree {
            broken_height_m: None,
            ..known
        };
        let taken = if break_ignored { whole } else { known };
        Found {
            figures: national_figures(&self.set, equations, &self.wood, &taken).ok(),
            decay_ignored: !tree.status.is_live() && tree.decay_class.is_none(),
            break_ignored,
        }
    }

    /// Biomass of a tree: the total above ground without foliage, its components brought to it,
    /// and foliage apart, as published; `None` without a height. `carbon_fraction` is the
    /// design's, in place of the published ones.
    pub(super) fn biomass(
        &self,
        equations: &NationalEquations,
        province: Option<&str>,
        carbon_fraction: Option<f64>,
        tree: &BiomassInput,
    ) -> Option<StemBiomass> {
        tree.height_m?;
        let found = self.figures(equations, province, tree);
        let outside = equations.all().any(|row| !self.set.within_range(row, tree));
        let biomass = match &found.figures {
            Some(figures) => in_kg(figures, carbon_fraction, tree.status.is_live()),
            None => TreeBiomass::default(),
        };
        Some(StemBiomass {
            biomass,
            out_of_range: outside || found.figures.is_none(),
            decay_ignored: found.decay_ignored,
            break_ignored: found.break_ignored,
        })
    }
}

fn in_kg(figures: &NationalFigures, carbon_fraction: Option<f64>, live: bool) -> TreeBiomass {
    let masses = figures.harmonised;
    let total_kg = figures.total_lb * KG_PER_LB;
    TreeBiomass {
        total_kg,
        wood_kg: Some(masses.wood_lb * KG_PER_LB),
        bark_kg: Some(masses.bark_lb * KG_PER_LB),
        branch_kg: Some(masses.branch_lb * KG_PER_LB),
        foliage_kg: Some(if live {
            masses.foliage_lb * KG_PER_LB
        } else {
            0.0
        }),
        carbon_kg: total_kg * carbon_fraction.unwrap_or(figures.carbon_fraction),
    }
}
