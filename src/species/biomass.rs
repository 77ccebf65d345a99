//! Biomass sets: which equations of which of the design's sets serve a species.
//!
//! In: the sets in the order of the design, a species, what the design wants. Out: a
//! [`BiomassEquation`], or [`Missing`]. A set gives the total and all, some or no components; or
//! the four components, which then add up to the total.
//!
//! Of several sets the one whose row is closest to the species serves: its own row first, then that
//! of a group within its genus, then that of a wider group (all softwoods); the earlier set where
//! these are equal. Sets are never mixed within a species, hence never within a tree.

use crate::design::Fallback;
use crate::species::choose::{Chosen, Missing, Wanted};
use crate::species::equation::Quantity;
use crate::species::national::NationalEquations;
use crate::species::set::VolumeSet;
use crate::species::wood::WoodProperties;
use crate::species::{SpeciesId, SpeciesTable};

/// A set that gives biomass.
#[derive(Clone, Debug)]
pub enum BiomassSet {
    /// Equations for the total or for components, each straight from dbh (and height).
    Components(Box<VolumeSet>),
    /// The national-scale system of the United States: a total, to which components that follow
    /// from volume, wood and decay are brought.
    National(Box<NationalSet>),
}

/// The national-scale system: its equations, and what is known of the wood.
#[derive(Clone, Debug)]
pub struct NationalSet {
    /// Volumes and masses.
    pub set: VolumeSet,
    /// Specific gravity, carbon, decay, crown ratios.
    pub wood: WoodProperties,
}

/// The share of carbon in oven-dry mass, and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct CarbonFraction {
    /// Carbon in a unit of mass.
    pub value: f64,
    /// Its source.
    pub source: String,
}

/// Indices of the equations of a component set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ComponentRows {
    /// Total above ground.
    pub total: Option<usize>,
    /// Stem wood.
    pub wood: Option<usize>,
    /// Stem bark.
    pub bark: Option<usize>,
    /// Branches.
    pub branch: Option<usize>,
    /// Foliage.
    pub foliage: Option<usize>,
}

impl ComponentRows {
    /// The rows that are there, total first.
    pub fn all(&self) -> impl Iterator<Item = usize> {
        [self.total, self.wood, self.bark, self.branch, self.foliage]
            .into_iter()
            .flatten()
    }
}

/// The equations that serve a species.
#[derive(Clone, Debug)]
pub enum BiomassRows {
    /// Of a component set.
    Components(ComponentRows),
    /// Of the national-scale system.
    National {
        /// One for each component.
        equations: NationalEquations,
        /// Ecological province, whose mean crown ratio serves dead broken trees.
        province: Option<String>,
    },
}

/// What serves a species.
#[derive(Clone, Debug)]
pub struct BiomassEquation {
    /// Index of the set among those of the design.
    pub set: usize,
    /// The choice; its main equation is the total, or stem wood.
    pub chosen: Chosen,
    /// The equations.
    pub rows: BiomassRows,
    /// Carbon in a unit of mass of a live tree.
    pub carbon_fraction: f64,
    /// Is that fraction the design's, for every tree?
    pub carbon_of_design: bool,
    /// The species that the design lets stand in.
    pub substitute: Option<SpeciesId>,
}

/// What the design wants of its biomass sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BiomassWanted<'a> {
    /// Region or zone, for sets that have it.
    pub region: Option<&'a str>,
    /// Ecological province, for sets that use it.
    pub province: Option<&'a str>,
    /// Are the stands planted?
    pub planted: bool,
    /// What to do for a species without an equation.
    pub fallback: Fallback,
    /// Carbon fraction in place of the set's own.
    pub carbon_fraction: Option<f64>,
}

impl BiomassSet {
    /// Its equations.
    pub fn equations(&self) -> &VolumeSet {
        match self {
            BiomassSet::Components(set) => set,
            BiomassSet::National(national) => &national.set,
        }
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.equations().name
    }

    /// The carbon fraction that it has for every species alike.
    pub fn carbon_fraction(&self) -> Option<&CarbonFraction> {
        self.equations().head.carbon_fraction.as_ref()
    }

    /// Does it tell how much carbon there is?
    pub fn has_carbon(&self) -> bool {
        match self {
            BiomassSet::Components(_) => self.carbon_fraction().is_some(),
            BiomassSet::National(_) => true,
        }
    }

    /// Has it this region?
    pub fn has_region(&self, region: &str) -> bool {
        self.equations().region(region).is_some()
    }

    /// The provinces that it tells apart.
    pub fn provinces(&self) -> Vec<&str> {
        match self {
            BiomassSet::Components(_) => Vec::new(),
            BiomassSet::National(national) => national.wood.provinces(),
        }
    }

    /// Does it need a region other than the one given, which another set may have? The error says
    /// which there are.
    pub fn check_region(&self, region: Option<&str>) -> Result<(), String> {
        let region = region.filter(|region| self.has_region(region));
        self.equations().check_region(region)
    }

    /// The equations of this set for a species, and how close their row is to it.
    fn choose(
        &self,
        index: usize,
        species: SpeciesId,
        wanted: &BiomassWanted,
        table: &SpeciesTable,
    ) -> Result<(Closeness, BiomassEquation), Missing> {
        let of_set = Wanted {
            region: wanted.region.filter(|region| self.has_region(region)),
            fallback: wanted.fallback,
            merchantable: None,
            planted: wanted.planted,
        };
        let (chosen, rows, own) = match self {
            BiomassSet::Components(set) => {
                let (chosen, rows) = set.choose_components(species, &of_set, table)?;
                let own = self.carbon_fraction().map(|fraction| fraction.value);
                (chosen, BiomassRows::Components(rows), own)
            }
            BiomassSet::National(national) => {
                let mut chosen = national.set.choose(species, &of_set, table)?;
                let wood = &national.wood;
                let equations = national
                    .set
                    .national_equations(&chosen, &of_set, wood, table)?;
                national.set.add_marks(&mut chosen, equations.all());
                let province = wanted.province.map(str::to_owned);
                let own = Some(equations.live_carbon_fraction);
                (
                    chosen,
                    BiomassRows::National {
                        equations,
                        province,
                    },
                    own,
                )
            }
        };
        let carbon_fraction = wanted.carbon_fraction.or(own).ok_or_else(|| Missing {
            hint: "give one in the design: `biomass: carbon_fraction`".to_owned(),
            ..plain(format!(
                "biomass set `{}` has no carbon fraction",
                self.name()
            ))
        })?;
        let set = self.equations();
        let entry = &set.entries[set.equations[chosen.main].entry];
        let closeness = Closeness::of(&entry.covers, table);
        let equation = BiomassEquation {
            set: index,
            chosen,
            rows,
            carbon_fraction,
            carbon_of_design: wanted.carbon_fraction.is_some(),
            substitute: None,
        };
        Ok((closeness, equation))
    }
}

/// How close a row is to a species that it serves; the closest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Closeness {
    /// The row is for one species.
    Own,
    /// For several species of one genus.
    Genus,
    /// For species of several genera.
    Wider,
}

impl Closeness {
    fn of(covers: &[SpeciesId], table: &SpeciesTable) -> Self {
        let genus = |id: &SpeciesId| table.get(*id).genus();
        match covers {
            [_] => Closeness::Own,
            [first, rest @ ..] if rest.iter().all(|id| genus(id) == genus(first)) => {
                Closeness::Genus
            }
            _ => Closeness::Wider,
        }
    }
}

fn plain(message: String) -> Missing {
    Missing {
        message,
        hint: String::new(),
        candidates: Vec::new(),
    }
}

impl VolumeSet {
    /// The choice for a species with the rows of every mass that go with it.
    pub(crate) fn choose_components(
        &self,
        species: SpeciesId,
        wanted: &Wanted,
        table: &SpeciesTable,
    ) -> Result<(Chosen, ComponentRows), Missing> {
        let mut chosen = self.choose(species, wanted, table)?;
        let row = |quantity| self.further_row(quantity, &chosen, wanted);
        let rows = ComponentRows {
            total: row(Quantity::TotalMass),
            wood: row(Quantity::WoodMass),
            bark: row(Quantity::BarkMass),
            branch: row(Quantity::BranchMass),
            foliage: row(Quantity::FoliageMass),
        };
        let components = [rows.wood, rows.bark, rows.branch, rows.foliage];
        if rows.total.is_none() && components.contains(&None) {
            return Err(plain(format!(
                "biomass set `{}` has neither a total nor all components for {}",
                self.name,
                table.get(species).label()
            )));
        }
        self.add_marks(&mut chosen, rows.all());
        Ok((chosen, rows))
    }

    /// Adds the doubts about further rows to a choice.
    fn add_marks(&self, chosen: &mut Chosen, rows: impl Iterator<Item = usize>) {
        for row in rows {
            if let Some(mark) = &self.equations[row].mark
                && !chosen.marks.contains(mark)
            {
                chosen.marks.push(mark.clone());
            }
        }
    }
}

/// The equations that serve a species, of the set that is closest to it.
pub fn choose_biomass(
    sets: &[BiomassSet],
    species: SpeciesId,
    wanted: &BiomassWanted,
    table: &SpeciesTable,
) -> Result<BiomassEquation, Missing> {
    let published = BiomassWanted {
        fallback: Fallback::None,
        ..*wanted
    };
    let mut closest: Option<(Closeness, BiomassEquation)> = None;
    let mut first_missing = None;
    for (index, set) in sets.iter().enumerate() {
        match set.choose(index, species, &published, table) {
            Ok(found) if closest.as_ref().is_none_or(|best| found.0 < best.0) => {
                closest = Some(found);
            }
            Ok(_) => {}
            Err(missing) => {
                first_missing.get_or_insert(missing);
            }
        }
    }
    if let Some((_, equation)) = closest {
        return Ok(equation);
    }
    if wanted.fallback != Fallback::None {
        for (index, set) in sets.iter().enumerate() {
            if let Ok((_, equation)) = set.choose(index, species, wanted, table) {
                return Ok(equation);
            }
        }
    }
    let missing = first_missing.unwrap_or_else(|| plain("no biomass set is named".to_owned()));
    let [_, _, ..] = sets else {
        return Err(missing);
    };
    let names: Vec<String> = sets.iter().map(|set| format!("`{}`", set.name())).collect();
    Err(Missing {
        message: format!(
            "none of the biomass sets {} has an equation for {}",
            names.join(", "),
            table.get(species).label()
        ),
        ..missing
    })
}
