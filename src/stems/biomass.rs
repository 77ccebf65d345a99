//! Biomass and carbon of one tree by the equations chosen for its species.
//!
//! In: the sets, the chosen equations, dbh, height, live or dead, broken or not. Out: oven-dry
//! mass above ground by component, and carbon. The national-scale system of the United States has
//! its own rules for cull, decay and breaks (`national`). Rules, the same for every component set:
//! - where the set gives the four components and no total, the total is their sum;
//! - where it gives the total and three components, the fourth is the remainder; shares that would
//!   make more than the whole (very small trees) are scaled to the whole, and that is told;
//! - a negative mass counts as zero;
//! - equations are for live trees. A dead tree has no foliage: it is left out of components and
//!   total. No deduction for decay is published with these sets, none is made, and that is told;
//!   a set without components cannot leave the foliage out either;
//! - a broken tree has the mass of the whole tree: the sets do not tell where it lies. That is told
//!   too.

use crate::records::Status;
use crate::species::biomass::{BiomassEquation, BiomassRows, BiomassSet, ComponentRows};
use crate::species::equation::Model;
use crate::species::form::Form;
use crate::species::set::VolumeSet;
use crate::stems::volume::StemInput;

/// Oven-dry aboveground biomass and carbon of one tree.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TreeBiomass {
    /// Aboveground total as the set defines it (its definition stands in the set).
    pub total_kg: f64,
    /// Stem wood; `None` where the set does not give the component.
    pub wood_kg: Option<f64>,
    /// Stem bark.
    pub bark_kg: Option<f64>,
    /// Branches.
    pub branch_kg: Option<f64>,
    /// Foliage; whether it is part of the total is a matter of the set's definition.
    pub foliage_kg: Option<f64>,
    /// Carbon in `total_kg`.
    pub carbon_kg: f64,
}

/// Sizes and state of one tree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BiomassInput {
    /// Diameter at breast height outside bark.
    pub dbh_cm: f64,
    /// Total height, of the unbroken stem; `None` where it is not known.
    pub height_m: Option<f64>,
    /// Height at which the stem is broken off.
    pub broken_height_m: Option<f64>,
    /// Live or dead.
    pub status: Status,
    /// Decay class 1 to 5 of a dead tree, where it is known.
    pub decay_class: Option<u8>,
    /// Share of the wood lost to defect, percent.
    pub defect_pct: f64,
    /// Length of the crown over the height of the tree as it stands, percent.
    pub crown_ratio_pct: Option<f64>,
}

impl BiomassInput {
    /// A sound, unbroken, live tree.
    pub fn sound(dbh_cm: f64, height_m: Option<f64>) -> Self {
        BiomassInput {
            dbh_cm,
            height_m,
            broken_height_m: None,
            status: Status::Live,
            decay_class: None,
            defect_pct: 0.0,
            crown_ratio_pct: None,
        }
    }

    /// Sizes that go into the stem equations; height not a number where it is not known.
    pub(super) fn stem(&self) -> StemInput {
        StemInput {
            dbh_cm: self.dbh_cm,
            height_m: self.height_m.unwrap_or(f64::NAN),
            broken_height_m: self.broken_height_m,
        }
    }
}

/// Biomass of a tree, and what to know about it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StemBiomass {
    /// The masses.
    pub biomass: TreeBiomass,
    /// Dbh or height lies outside the valid range of an equation, or outside its domain.
    pub out_of_range: bool,
    /// Dead, and nothing deducted for decay.
    pub decay_ignored: bool,
    /// Broken, and computed as a whole tree.
    pub break_ignored: bool,
}

impl BiomassSet {
    /// Biomass of a tree by the chosen equations; `None` where they need a height and there is
    /// none.
    pub fn tree(&self, equation: &BiomassEquation, tree: &BiomassInput) -> Option<StemBiomass> {
        match (self, &equation.rows) {
            (BiomassSet::Components(set), BiomassRows::Components(rows)) => {
                set.component_biomass(rows, equation.carbon_fraction, tree)
            }
            (
                BiomassSet::National(national),
                BiomassRows::National {
                    equations,
                    province,
                },
            ) => {
                let fraction = equation
                    .carbon_of_design
                    .then_some(equation.carbon_fraction);
                national.biomass(equations, province.as_deref(), fraction, tree)
            }
            // Rows are those of their own set.
            _ => None,
        }
    }

    /// Do the chosen equations need a height?
    pub fn needs_height(&self, equation: &BiomassEquation) -> bool {
        match &equation.rows {
            BiomassRows::Components(rows) => self.equations().biomass_needs_height(rows),
            BiomassRows::National { .. } => true,
        }
    }
}

impl VolumeSet {
    /// Do the equations need a height?
    pub(super) fn biomass_needs_height(&self, rows: &ComponentRows) -> bool {
        let needs = |row: usize| {
            let model = &self.equations[row].model;
            matches!(model, Model::Direct(form) if form.uses_height())
        };
        rows.all().any(needs)
    }

    /// Are dbh and height, as far as it is known, within the range of an equation?
    pub(super) fn within_range(&self, equation: usize, tree: &BiomassInput) -> bool {
        let range = self.range_of(&self.equations[equation]);
        let within = |range: Option<[f64; 2]>, value: Option<f64>| {
            let pair = range.zip(value);
            pair.is_none_or(|([low, high], value)| value >= low && value <= high)
        };
        within(range.dbh_cm, Some(tree.dbh_cm)) && within(range.height_m, tree.height_m)
    }

    /// Mass by an equation, in kg; `None` if it is not finite. `total_kg` is that of the same tree,
    /// for equations that give a share of it.
    pub(crate) fn mass_kg(
        &self,
        equation: usize,
        tree: &BiomassInput,
        total_kg: f64,
    ) -> Option<f64> {
        let mass_kg = self.evaluate(equation, &tree.stem())?;
        match &self.equations[equation].model {
            Model::Direct(Form::ComponentRatio { .. }) => {
                Some(mass_kg / self.head.units.kg_per_result * total_kg)
            }
            _ => Some(mass_kg),
        }
    }

    /// Biomass by the equations of a component set; `None` as for [`BiomassSet::tree`].
    pub(crate) fn component_biomass(
        &self,
        rows: &ComponentRows,
        carbon_fraction: f64,
        tree: &BiomassInput,
    ) -> Option<StemBiomass> {
        if tree.height_m.is_none() && self.biomass_needs_height(rows) {
            return None;
        }
        let mut outside = rows.all().any(|row| !self.within_range(row, tree));
        let mut mass = |row: Option<usize>, total_kg: f64| {
            row.map(|row| {
                self.mass_kg(row, tree, total_kg).unwrap_or_else(|| {
                    outside = true;
                    0.0
                })
            })
        };
        let published_kg = mass(rows.total, 0.0);
        let whole_kg = published_kg.unwrap_or(0.0);
        let mut parts =
            [rows.wood, rows.bark, rows.branch, rows.foliage].map(|row| mass(row, whole_kg));
        if let Some(total_kg) = published_kg {
            outside |= !close_sum(&mut parts, total_kg);
        }
        let live_kg = published_kg.unwrap_or_else(|| parts.iter().flatten().sum());
        let live = tree.status.is_live();
        let [wood_kg, bark_kg, branch_kg, foliage_kg] = parts;
        let total_kg = match foliage_kg {
            Some(foliage_kg) if !live => (live_kg - foliage_kg).max(0.0),
            _ => live_kg,
        };
        Some(StemBiomass {
            biomass: TreeBiomass {
                total_kg,
                wood_kg,
                bark_kg,
                branch_kg,
                foliage_kg: foliage_kg.map(|kg| if live { kg } else { 0.0 }),
                carbon_kg: total_kg * carbon_fraction,
            },
            out_of_range: outside,
            decay_ignored: !live,
            break_ignored: tree.broken_height_m.is_some(),
        })
    }
}

/// Makes a missing fourth component the remainder of the total. Shares of more than the whole are
/// scaled to it; false where that was needed.
fn close_sum(parts: &mut [Option<f64>; 4], total_kg: f64) -> bool {
    let given_kg: f64 = parts.iter().flatten().sum();
    if parts.iter().filter(|part| part.is_none()).count() != 1 {
        return true;
    }
    let fits = given_kg <= total_kg;
    let scale = if fits { 1.0 } else { total_kg / given_kg };
    let remainder_kg = if fits { total_kg - given_kg } else { 0.0 };
    for part in parts {
        *part = Some(part.map_or(remainder_kg, |kg| kg * scale));
    }
    fits
}
