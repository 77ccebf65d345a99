//! Species: one table of codes and names, and the equations that belong to species.
//!
//! In: rows of the species table. Out: the species that a code or name means, and back.

pub mod bark;
pub mod biomass;
pub mod choose;
pub mod equation;
pub mod expression;
pub mod form;
pub mod form_factor;
pub mod inside_bark;
pub mod national;
pub mod published_error;
pub mod ratio;
pub mod ratio_profile;
pub mod regional;
pub mod segmented_taper;
pub mod set;
pub mod share;
pub mod stem_profile;
pub mod taper;
pub mod wood;
pub mod zakrzewski;

use std::ops::Range;

use crate::design::SpeciesCodes;

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

/// How strong a name is: where two species share one, the strongest claim has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Claim {
    Code,
    AlsoKnownAs,
    /// The scientific name of a species proper.
    Scientific,
    /// The scientific name of a row that is a variety by its PLANTS symbol (`ABLAA`).
    ScientificOfVariety,
    Common,
}

impl Species {
    /// The genus; empty where the entry has no scientific name.
    pub fn genus(&self) -> &str {
        self.scientific_name.split(' ').next().unwrap_or_default()
    }

    /// Is it the entry for a whole genus (`Abies spp.`)?
    pub fn is_genus(&self) -> bool {
        self.scientific_name.ends_with(" spp.")
    }

    /// Its code or name in a system; `None` if the system has none for it, and for
    /// [`SpeciesCodes::AsRecorded`], which is not a property of the species.
    pub fn code(&self, system: SpeciesCodes) -> Option<String> {
        let text = match system {
            SpeciesCodes::AsRecorded => None,
            SpeciesCodes::BcInventory => self.bc_inventory.clone(),
            SpeciesCodes::NationalInventory => self.national_inventory.clone(),
            SpeciesCodes::Plants => self.plants.clone(),
            SpeciesCodes::Fia => self.fia.map(|number| number.to_string()),
            SpeciesCodes::ScientificName => Some(self.scientific_name.clone()),
            SpeciesCodes::CommonName => Some(self.common_name.clone()),
        };
        text.filter(|text| !text.is_empty())
    }

    /// The shortest code that it has: provincial, PLANTS, national, FIA; else the common name.
    pub fn short_code(&self) -> String {
        [
            SpeciesCodes::BcInventory,
            SpeciesCodes::Plants,
            SpeciesCodes::NationalInventory,
            SpeciesCodes::Fia,
        ]
        .into_iter()
        .find_map(|system| self.code(system))
        .unwrap_or_else(|| self.common_name.clone())
    }

    /// Common name and short code, for messages: `arbutus (Ra)`.
    pub fn label(&self) -> String {
        let code = self.short_code();
        if code == self.common_name {
            code
        } else {
            format!("{} ({code})", self.common_name)
        }
    }

    fn is_variety(&self) -> bool {
        self.plants.as_ref().is_some_and(|symbol| {
            symbol.bytes().take_while(u8::is_ascii_alphabetic).count() > 4 && !self.is_genus()
        })
    }

    /// Every text name with its claim; the FIA number is apart because it is a number.
    fn names(&self) -> impl Iterator<Item = (Claim, &str)> {
        let scientific = if self.is_variety() {
            Claim::ScientificOfVariety
        } else {
            Claim::Scientific
        };
        let codes = [&self.plants, &self.national_inventory, &self.bc_inventory];
        codes
            .into_iter()
            .flatten()
            .map(|code| (Claim::Code, code.as_str()))
            .chain(
                self.also
                    .iter()
                    .map(|name| (Claim::AlsoKnownAs, name.as_str())),
            )
            .chain([
                (scientific, self.scientific_name.as_str()),
                (Claim::Common, self.common_name.as_str()),
            ])
            .filter(|(_, name)| !name.is_empty())
    }
}

/// All species, with every code and name by which they are known.
#[derive(Clone, Debug, Default)]
pub struct SpeciesTable {
    species: Vec<Species>,
    /// Every folded name, one after the other.
    folded: String,
    /// Where each name stands in `folded`, and whose it is; sorted by name, each name once.
    index: Vec<(Range<u32>, SpeciesId)>,
    /// FIA number and species, sorted.
    fia: Vec<(u16, SpeciesId)>,
}

/// Lower case, hyphens as spaces, single spaces; appended to `out`.
fn fold(text: &str, out: &mut String) {
    let mut gap = false;
    let start = out.len();
    for c in text.chars() {
        if c == '-' || c.is_whitespace() {
            gap = out.len() > start;
            continue;
        }
        if gap {
            out.push(' ');
            gap = false;
        }
        if c.is_ascii() {
            out.push(c.to_ascii_lowercase());
        } else {
            out.extend(c.to_lowercase());
        }
    }
}

/// The first character of a name as `fold` has it.
fn first_folded(text: &str) -> Option<char> {
    let mut chars = text.chars();
    let first = chars.find(|c| *c != '-' && !c.is_whitespace())?;
    first.to_lowercase().next()
}

/// The kinds of lower-case letters in a text, a bit each (some share one).
fn letters(text: &str) -> u64 {
    let lower = text.chars().flat_map(char::to_lowercase);
    lower.fold(0, |letters, c| letters | 1 << (u32::from(c) % 64))
}

impl SpeciesTable {
    /// Indexes a list of species (at most 65,535). A code is stronger than a further name, that
    /// than a scientific name, that than a common name; where two species have equal claim to a
    /// name, it means neither.
    pub fn new(species: Vec<Species>) -> Self {
        let mut folded = String::with_capacity(64 * species.len());
        let mut claims = Vec::with_capacity(4 * species.len());
        for (id, entry) in (0..).map(SpeciesId).zip(&species) {
            for (claim, name) in entry.names() {
                let start = folded.len();
                fold(name, &mut folded);
                claims.push((
                    sort_prefix(&folded[start..]),
                    start..folded.len(),
                    claim,
                    id,
                ));
            }
        }
        claims.sort_unstable_by(|a, b| {
            a.0.cmp(&b.0)
                .then_with(|| folded[a.1.clone()].cmp(&folded[b.1.clone()]))
                .then_with(|| (a.2, a.3).cmp(&(b.2, b.3)))
        });
        let same_name = |a: &(_, Range<usize>, _, _), b: &(_, Range<usize>, _, _)| {
            folded[a.1.clone()] == folded[b.1.clone()]
        };
        let index = claims
            .chunk_by(same_name)
            .filter_map(|group| {
                let (_, place, claim, id) = &group[0];
                let contested = group[1..]
                    .iter()
                    .any(|rival| rival.2 == *claim && rival.3 != *id);
                let place = u32::try_from(place.start).ok()?..u32::try_from(place.end).ok()?;
                (!contested).then_some((place, *id))
            })
            .collect();
        let mut fia: Vec<(u16, SpeciesId)> = (0..)
            .map(SpeciesId)
            .zip(&species)
            .filter_map(|(id, entry)| Some((entry.fia?, id)))
            .collect();
        fia.sort_unstable();
        SpeciesTable {
            species,
            folded,
            index,
            fia,
        }
    }

    /// The entry.
    pub fn get(&self, id: SpeciesId) -> &Species {
        &self.species[usize::from(id.0)]
    }

    /// All entries in the order of the table.
    pub fn iter(&self) -> impl Iterator<Item = (SpeciesId, &Species)> {
        (0..).map(SpeciesId).zip(&self.species)
    }

    /// Number of entries.
    pub fn len(&self) -> usize {
        self.species.len()
    }

    /// Is it without entries?
    pub fn is_empty(&self) -> bool {
        self.species.is_empty()
    }

    /// The species that a code or name means, without regard to case, to hyphens against spaces,
    /// or to leading zeros of an FIA number. `None` also where a common name is shared by two
    /// species (see [`SpeciesTable::sharers`]).
    pub fn lookup(&self, text: &str) -> Option<SpeciesId> {
        let text = text.trim();
        if let Ok(number) = text.parse::<u16>() {
            let at = self
                .fia
                .binary_search_by_key(&number, |(fia, _)| *fia)
                .ok()?;
            return Some(self.fia[at].1);
        }
        let mut key = String::with_capacity(text.len());
        fold(text, &mut key);
        let at = self
            .index
            .binary_search_by(|(place, _)| {
                let name = self.name(place);
                (sort_prefix(name), name).cmp(&(sort_prefix(&key), key.as_str()))
            })
            .ok()?;
        Some(self.index[at].1)
    }

    fn name(&self, place: &Range<u32>) -> &str {
        &self.folded[place.start as usize..place.end as usize]
    }

    /// The species that share a name which [`SpeciesTable::lookup`] cannot decide.
    pub fn sharers(&self, text: &str) -> Vec<SpeciesId> {
        let mut key = String::new();
        fold(text, &mut key);
        let first = first_folded(text);
        let mut name_folded = String::new();
        self.iter()
            .filter(|(_, entry)| {
                let mut names = entry.names();
                names.any(|(_, name)| {
                    if first_folded(name) != first {
                        return false;
                    }
                    name_folded.clear();
                    fold(name, &mut name_folded);
                    name_folded == key
                })
            })
            .map(|(id, _)| id)
            .collect()
    }

    /// Up to three codes or names close to a text that means no species: by edit distance, codes
    /// of the text's own scheme first, then species of the Canadian lists (the commonest of the
    /// table) before others. For a name that several species share, their codes.
    pub fn nearest(&self, text: &str) -> Vec<String> {
        let text = text.trim();
        let sharers = self.sharers(text);
        if !sharers.is_empty() {
            return sharers
                .iter()
                .take(3)
                .map(|id| self.get(*id).short_code())
                .collect();
        }
        let scheme = Scheme::of_text(text);
        let wanted = text.to_lowercase();
        let wanted_letters = letters(text);
        let allowed = match wanted.chars().count() {
            0 => return Vec::new(),
            1..=4 => 1,
            5..=7 => 2,
            _ => 3,
        };
        let mut close: Vec<(usize, bool, bool, SpeciesId, String)> = Vec::new();
        for (id, entry) in self.iter() {
            let number = entry.fia.map(|number| number.to_string());
            let names = entry
                .names()
                .map(|(claim, name)| (Scheme::of(claim, name, entry), name))
                .chain(
                    number
                        .iter()
                        .map(|number| (Scheme::Number, number.as_str())),
                );
            for (candidate_scheme, name) in names {
                if name.len().abs_diff(wanted.len()) > allowed {
                    continue;
                }
                // A file may hold thousands of unknown names, and a change of one letter takes away
                // one kind of letter and adds another at most.
                let differ = letters(name) ^ wanted_letters;
                if differ.count_ones() as usize > 2 * allowed {
                    continue;
                }
                let distance = strsim::osa_distance(&wanted, &name.to_lowercase());
                if distance <= allowed {
                    let other_scheme = candidate_scheme != scheme;
                    let uncommon = entry.national_inventory.is_none();
                    close.push((distance, other_scheme, uncommon, id, name.to_owned()));
                }
            }
        }
        close.sort();
        let mut found: Vec<String> = Vec::new();
        let mut species: Vec<SpeciesId> = Vec::new();
        for (.., id, name) in close {
            if found.len() < 3 && !species.contains(&id) {
                species.push(id);
                found.push(name);
            }
        }
        found
    }
}

/// Which kind of code a text looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scheme {
    Number,
    National,
    Provincial,
    Plants,
    Name,
}

impl Scheme {
    fn of_text(text: &str) -> Self {
        if text.starts_with(|c: char| c.is_ascii_digit()) {
            Scheme::Number
        } else if text.contains(' ') || text.contains('-') {
            Scheme::Name
        } else if text.contains('.') {
            Scheme::National
        } else {
            match text.len() {
                0..=3 => Scheme::Provincial,
                4..=6 => Scheme::Plants,
                _ => Scheme::Name,
            }
        }
    }

    fn of(claim: Claim, name: &str, entry: &Species) -> Self {
        match claim {
            Claim::Code if entry.plants.as_deref() == Some(name) => Scheme::Plants,
            Claim::Code if entry.national_inventory.as_deref() == Some(name) => Scheme::National,
            Claim::Code => Scheme::Provincial,
            Claim::AlsoKnownAs => Scheme::of_text(name),
            Claim::Scientific | Claim::ScientificOfVariety | Claim::Common => Scheme::Name,
        }
    }
}

/// The first eight bytes as a number, so that most comparisons of a sort need no text.
fn sort_prefix(name: &str) -> u64 {
    let mut bytes = [0; 8];
    for (to, from) in bytes.iter_mut().zip(name.bytes()) {
        *to = from;
    }
    u64::from_be_bytes(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn species(common: &str, scientific: &str, plants: &str, fia: Option<u16>) -> Species {
        Species {
            scientific_name: scientific.to_owned(),
            common_name: common.to_owned(),
            fia,
            plants: Some(plants.to_owned()).filter(|text| !text.is_empty()),
            national_inventory: None,
            bc_inventory: None,
            also: Vec::new(),
            kind: Kind::Unknown,
            jenkins_group: None,
            plausible_max_dbh_cm: 200.0,
            plausible_max_height_m: 60.0,
        }
    }

    fn table() -> SpeciesTable {
        SpeciesTable::new(vec![
            species("corkbark fir", "Abies lasiocarpa", "ABLAA", Some(18)),
            species("subalpine fir", "Abies lasiocarpa", "ABLA", Some(19)),
            species("olive", "Olea capensis", "OLCA", Some(8004)),
            species("olive", "Olea europaea", "OLEU", Some(8007)),
        ])
    }

    #[test]
    fn case_hyphens_and_leading_zeros_do_not_matter() {
        let table = table();
        assert_eq!(table.lookup(" abla "), Some(SpeciesId(1)));
        assert_eq!(table.lookup("Subalpine-Fir"), Some(SpeciesId(1)));
        assert_eq!(table.lookup("subalpine  fir"), Some(SpeciesId(1)));
        assert_eq!(table.lookup("019"), Some(SpeciesId(1)));
        for unknown in ["", "0", "1", "99999999", "-19", "fir"] {
            assert_eq!(table.lookup(unknown), None, "{unknown}");
        }
    }

    #[test]
    fn a_shared_name_means_the_species_proper_or_nobody() {
        let table = table();
        assert_eq!(table.lookup("Abies lasiocarpa"), Some(SpeciesId(1)));
        assert_eq!(table.lookup("olive"), None);
        assert_eq!(table.sharers("Olive"), [SpeciesId(2), SpeciesId(3)]);
        assert_eq!(table.nearest("olive"), ["OLCA", "OLEU"]);
    }

    #[test]
    fn close_codes_are_offered_in_the_scheme_that_was_used() {
        let table = table();
        assert_eq!(table.nearest("OLEX")[0], "OLEU");
        assert_eq!(table.nearest("subalpin fir"), ["subalpine fir"]);
        assert_eq!(table.nearest("8005"), ["8004", "8007"]);
        assert_eq!(table.nearest("SUBALPNIE FIR"), ["subalpine fir"]);
        assert!(table.nearest("").is_empty());
        assert!(table.nearest("qqqqqqqq").is_empty());
    }
}
