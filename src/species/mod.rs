//! Species: one table of codes and names, and the equations that belong to species.

pub mod equation;

/// Index into the species table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SpeciesId(pub u16);

/// Softwood or hardwood; groups of species without either have `Unknown`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Conifers.
    Softwood,
    /// Broadleaved trees.
    Hardwood,
    /// Not recorded.
    Unknown,
}

/// One entry of the species table.
#[derive(Clone, Debug, PartialEq)]
pub struct Species {
    /// Scientific name; `Genus spp.` for a genus.
    pub scientific_name: String,
    /// Common name.
    pub common_name: String,
    /// FIA species number.
    pub fia: Option<u16>,
    /// USDA PLANTS symbol.
    pub plants: Option<String>,
    /// Canadian national forest inventory code.
    pub national_inventory: Option<String>,
    /// British Columbia inventory code.
    pub bc_inventory: Option<String>,
    /// Further codes and names under which it is known.
    pub also: Vec<String>,
    /// Softwood or hardwood.
    pub kind: Kind,
    /// Species group 1 to 10 of Jenkins et al. 2003.
    pub jenkins_group: Option<u8>,
    /// A dbh above this is probably a slip.
    pub plausible_max_dbh_cm: f64,
    /// A height above this is probably a slip.
    pub plausible_max_height_m: f64,
}

impl Species {
    /// The genus.
    pub fn genus(&self) -> &str {
        self.scientific_name.split(' ').next().unwrap_or_default()
    }

    fn names(&self) -> impl Iterator<Item = String> + '_ {
        [Some(&self.scientific_name), Some(&self.common_name)]
            .into_iter()
            .chain([
                self.plants.as_ref(),
                self.national_inventory.as_ref(),
                self.bc_inventory.as_ref(),
            ])
            .flatten()
            .chain(&self.also)
            .map(|name| name.to_lowercase())
            .chain(self.fia.map(|number| number.to_string()))
            .filter(|name| !name.is_empty())
    }
}

/// All species, with every code and name by which they are known.
#[derive(Clone, Debug, Default)]
pub struct SpeciesTable {
    species: Vec<Species>,
    /// Lower-cased name or code, sorted; the first entry of a name wins.
    index: Vec<(String, SpeciesId)>,
}

impl SpeciesTable {
    /// Indexes a list of species. Where two share a common name, the earlier one has it.
    pub fn new(species: Vec<Species>) -> Self {
        let mut index: Vec<(String, SpeciesId)> = species
            .iter()
            .zip(0..)
            .flat_map(|(entry, number)| entry.names().map(move |name| (name, SpeciesId(number))))
            .collect();
        index.sort();
        index.dedup_by(|later, earlier| later.0 == earlier.0);
        SpeciesTable { species, index }
    }

    /// The entry.
    pub fn get(&self, id: SpeciesId) -> &Species {
        &self.species[usize::from(id.0)]
    }

    /// All entries in the order of the table.
    pub fn iter(&self) -> impl Iterator<Item = (SpeciesId, &Species)> {
        (0..).map(SpeciesId).zip(&self.species)
    }

    /// The species that a code or name means, without regard to case.
    pub fn lookup(&self, text: &str) -> Option<SpeciesId> {
        let key = text.trim().to_lowercase();
        // FIA numbers may carry leading zeros.
        let digits = !key.is_empty() && key.bytes().all(|b| b.is_ascii_digit());
        let key = if digits {
            key.trim_start_matches('0')
        } else {
            &key
        };
        let at = self
            .index
            .binary_search_by(|(name, _)| name.as_str().cmp(key))
            .ok()?;
        Some(self.index[at].1)
    }
}
