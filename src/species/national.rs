//! The equations of the national-scale system of the United States for one species: one for each
//! component of the tree.
//!
//! In: a set with all components, the equations chosen for volume, the wood properties. Out:
//! [`NationalEquations`], or what is missing.

use crate::species::choose::{Chosen, Missing, Wanted};
use crate::species::equation::Quantity;
use crate::species::set::VolumeSet;
use crate::species::wood::WoodProperties;
use crate::species::{Kind, SpeciesId, SpeciesTable};

/// Indices of the equations of every component for one species, and what is known of its wood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NationalEquations {
    /// The species whose rows these are: the one asked for, or the one that stands in for it. Its
    /// wood properties go with them.
    pub species: SpeciesId,
    /// Softwood or hardwood.
    pub kind: Kind,
    /// Specific gravity of its wood.
    pub wood_specific_gravity: f64,
    /// Carbon in the oven-dry mass of live trees.
    pub live_carbon_fraction: f64,
    /// Volume of stem wood.
    pub wood: usize,
    /// Volume of stem bark.
    pub bark: usize,
    /// Volume of the stem outside bark, for diameters only.
    pub outside: usize,
    /// Share of the volume below a height, inside bark.
    pub ratio: usize,
    /// The same outside bark, for diameters only.
    pub ratio_outside: usize,
    /// Mass of stem bark.
    pub bark_mass: usize,
    /// Mass of branches.
    pub branch_mass: usize,
    /// Mass of foliage.
    pub foliage_mass: usize,
    /// Mass above ground without foliage.
    pub total_mass: usize,
}

impl NationalEquations {
    /// Indices of all of them.
    pub fn all(&self) -> impl Iterator<Item = usize> {
        [
            self.wood,
            self.bark,
            self.outside,
            self.ratio,
            self.ratio_outside,
            self.bark_mass,
            self.branch_mass,
            self.foliage_mass,
            self.total_mass,
        ]
        .into_iter()
    }
}

impl VolumeSet {
    /// Has the set every component of the national-scale system?
    pub fn is_national(&self) -> bool {
        [
            Quantity::Total,
            Quantity::Bark,
            Quantity::Outside,
            Quantity::Ratio,
            Quantity::RatioOutside,
            Quantity::BarkMass,
            Quantity::BranchMass,
            Quantity::FoliageMass,
            Quantity::TotalMass,
        ]
        .into_iter()
        .all(|quantity| self.has(quantity))
    }

    /// The equations of every component for a species whose volume equations are `chosen`.
    ///
    /// Each component takes its row by itself, as published: in planted stands the rows for these
    /// (division, then all divisions), then that of species and division, of the species, of its
    /// species group. An error names the component, or the property of the wood, for which there
    /// is none.
    pub fn national_equations(
        &self,
        chosen: &Chosen,
        wanted: &Wanted,
        wood: &WoodProperties,
        table: &SpeciesTable,
    ) -> Result<NationalEquations, Missing> {
        let species = self.served(chosen.main, chosen.species);
        let need = |quantity: Quantity| {
            self.further_row(quantity, chosen, wanted)
                .ok_or_else(|| Missing {
                    message: format!(
                        "set `{}` has no equation for `{}` of {}",
                        self.name,
                        quantity.name(),
                        table.get(species).label()
                    ),
                    hint: "name a substitute in the design, or another set".to_owned(),
                    candidates: Vec::new(),
                })
        };
        Ok(NationalEquations {
            species,
            kind: table.get(species).kind,
            wood_specific_gravity: wood.wood_specific_gravity(species, table)?,
            live_carbon_fraction: wood.live_carbon_fraction(species, table)?,
            wood: chosen.main,
            bark: need(Quantity::Bark)?,
            outside: need(Quantity::Outside)?,
            ratio: need(Quantity::Ratio)?,
            ratio_outside: need(Quantity::RatioOutside)?,
            bark_mass: need(Quantity::BarkMass)?,
            branch_mass: need(Quantity::BranchMass)?,
            foliage_mass: need(Quantity::FoliageMass)?,
            total_mass: need(Quantity::TotalMass)?,
        })
    }
}
