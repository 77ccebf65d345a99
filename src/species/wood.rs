//! What is known of the wood of species: specific gravity, carbon, and what decay leaves of them.
//!
//! In: what `read::table_wood` made of a folder `wood/<set>/`. Out: figures by species, by decay
//! class, by province; a figure that is not published is missing, with a message.

use crate::species::choose::Missing;
use crate::species::set::Obtained;
use crate::species::{Kind, SpeciesId, SpeciesTable};

/// Properties of wood from one publication.
#[derive(Clone, Debug, PartialEq)]
pub struct WoodProperties {
    /// Name of the set: that of its folder.
    pub name: String,
    /// What it is.
    pub title: String,
    /// The publication.
    pub citation: String,
    /// How the figures were obtained.
    pub obtained: Obtained,
    /// What the specific gravity means.
    pub specific_gravity: String,
    /// Caveats.
    pub notes: Vec<String>,
    /// By species, sorted.
    pub species: Vec<(SpeciesId, SpeciesWood)>,
    /// Decay classes 1 to 5 of softwoods and hardwoods.
    pub decay: Vec<Decay>,
    /// Mean crown ratio of live trees by province and kind, percent.
    pub crown_ratios: Vec<CrownRatio>,
}

/// Figures of one species; `None` where none is published.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SpeciesWood {
    /// Specific gravity of wood: oven-dry mass over green volume, relative to water.
    pub wood_specific_gravity: Option<f64>,
    /// Specific gravity of bark, likewise.
    pub bark_specific_gravity: Option<f64>,
    /// Carbon in the oven-dry mass of live trees, percent.
    pub carbon_pct: Option<f64>,
}

/// What is left in a decay class.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decay {
    /// Softwood or hardwood.
    pub kind: Kind,
    /// Decay class, 1 (recent) to 5.
    pub class: u8,
    /// Density of wood over that of sound wood.
    pub density: f64,
    /// Share of the bark that is left.
    pub bark: f64,
    /// Share of the branches that is left.
    pub branch: f64,
    /// Carbon in the oven-dry mass, percent.
    pub carbon_pct: f64,
}

/// Mean crown ratio of a province.
#[derive(Clone, Debug, PartialEq)]
pub struct CrownRatio {
    /// Code of the province.
    pub province: String,
    /// Softwood or hardwood.
    pub kind: Kind,
    /// Length of the crown over total height, percent.
    pub crown_ratio_pct: f64,
}

fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Softwood => "softwoods",
        Kind::Hardwood => "hardwoods",
        Kind::Unknown => "trees neither softwood nor hardwood",
    }
}

impl WoodProperties {
    fn missing(&self, what: &str, hint: &str) -> Missing {
        Missing {
            message: format!("wood properties `{}` give no {what}", self.name),
            hint: hint.to_owned(),
            candidates: Vec::new(),
        }
    }

    fn of(&self, species: SpeciesId) -> SpeciesWood {
        self.species
            .binary_search_by_key(&species, |(id, _)| *id)
            .map(|at| self.species[at].1)
            .unwrap_or_default()
    }

    /// Specific gravity of the wood of a species.
    pub fn wood_specific_gravity(
        &self,
        species: SpeciesId,
        table: &SpeciesTable,
    ) -> Result<f64, Missing> {
        let what = format!(
            "specific gravity of wood for {}",
            table.get(species).label()
        );
        self.of(species)
            .wood_specific_gravity
            .ok_or_else(|| self.missing(&what, "name a substitute in the design"))
    }

    /// Specific gravity of the bark of a species.
    pub fn bark_specific_gravity(
        &self,
        species: SpeciesId,
        table: &SpeciesTable,
    ) -> Result<f64, Missing> {
        let what = format!(
            "specific gravity of bark for {}",
            table.get(species).label()
        );
        self.of(species)
            .bark_specific_gravity
            .ok_or_else(|| self.missing(&what, "name a substitute in the design"))
    }

    /// Carbon in the oven-dry mass of live trees of a species, as a fraction.
    pub fn live_carbon_fraction(
        &self,
        species: SpeciesId,
        table: &SpeciesTable,
    ) -> Result<f64, Missing> {
        let what = format!("carbon fraction for {}", table.get(species).label());
        self.of(species)
            .carbon_pct
            .map(|percent| percent / 100.0)
            .ok_or_else(|| self.missing(&what, "name a substitute in the design"))
    }

    /// What a decay class leaves.
    pub fn decay(&self, kind: Kind, class: u8) -> Result<Decay, Missing> {
        self.decay
            .iter()
            .find(|row| row.kind == kind && row.class == class)
            .copied()
            .ok_or_else(|| {
                let what = format!("proportions of decay class {class} for {}", kind_word(kind));
                self.missing(&what, "decay classes are 1 to 5")
            })
    }

    /// Mean crown ratio of a province, as a fraction of total height.
    pub fn crown_ratio(&self, province: &str, kind: Kind) -> Result<f64, Missing> {
        let same = |row: &&CrownRatio| {
            row.kind == kind && row.province.eq_ignore_ascii_case(province.trim())
        };
        let row = self.crown_ratios.iter().find(same).ok_or_else(|| {
            let trees = kind_word(kind);
            let what = format!("crown ratio of {trees} in province `{province}`");
            let hint = format!("provinces are {}", self.provinces().join(", "));
            self.missing(&what, &hint)
        })?;
        Ok(row.crown_ratio_pct / 100.0)
    }

    /// The provinces with a crown ratio, in the order of the data.
    pub fn provinces(&self) -> Vec<&str> {
        let mut provinces: Vec<&str> = Vec::new();
        for row in &self.crown_ratios {
            if !provinces.contains(&row.province.as_str()) {
                provinces.push(&row.province);
            }
        }
        provinces
    }
}
