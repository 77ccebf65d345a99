//! Which equations of a set serve a species: its own, its published group's, or, where the
//! design allows it, those of its genus or species group. Nothing is guessed among several.
//!
//! In: a set, a species, what the design wants. Out: [`Chosen`], or [`Missing`] with the species
//! that could stand in.

use std::fmt::Write as _;

use crate::design::{Fallback, Merchantable};
use crate::species::equation::{Equation, Quantity};
use crate::species::set::VolumeSet;
use crate::species::{SpeciesId, SpeciesTable};

/// What the design wants of a volume set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted<'a> {
    /// Region or zone.
    pub region: Option<&'a str>,
    /// What to do for a species without an equation.
    pub fallback: Fallback,
    /// Merchantable limits.
    pub merchantable: Option<Merchantable>,
    /// Was the stand planted? Rows for planted stands come first then.
    pub planted: bool,
}

/// How the species of the equation relates to the species asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpeciesMatch {
    /// The equation is the species' own.
    Own,
    /// The publication serves the species with the equation of a group.
    PublishedGroup,
    /// Another species (or the generic equation) of the same genus stands in.
    Genus,
    /// A species of the same species group (Jenkins et al. 2003) stands in.
    SpeciesGroup,
}

/// How the region of the equation relates to the region asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegionMatch {
    /// It is the region asked for, or the set has none.
    AsGiven,
    /// The region has no row for the species; that of its parent serves.
    Parent,
    /// The row is for all regions.
    AllRegions,
}

/// Where merchantable volume comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MerchantableBy {
    /// An equation for these very limits.
    Equation(usize),
    /// An equation for the share of the total between these limits.
    Share(usize),
    /// The set's own profile.
    Profile,
    /// The share below a height, up to the height at which the volume with bark, and the share of
    /// it, put the top diameter.
    VolumeRatio,
    /// Total volume times the share that the profile of another set gives.
    BorrowedShare,
}

/// The equations that serve a species.
#[derive(Clone, Debug, PartialEq)]
pub struct Chosen {
    /// The species asked for.
    pub species: SpeciesId,
    /// The species or group of the equation, as published.
    pub label: String,
    /// The same in words.
    pub title: Option<String>,
    /// How the two relate.
    pub species_match: SpeciesMatch,
    /// The region of the equation; `None` if it serves all.
    pub region: Option<String>,
    /// How it relates to the region asked for.
    pub region_match: RegionMatch,
    /// Doubts that every result must show.
    pub marks: Vec<String>,
    /// Doubts that concern broken stems only.
    pub break_marks: Vec<String>,
    /// The merchantable limits and where the volume comes from.
    pub merchantable: Option<(Merchantable, MerchantableBy)>,
    /// Index of the total or profile equation.
    pub main: usize,
    /// Index of the bark equation.
    pub bark: Option<usize>,
    /// Index of the equation for the share below a height.
    pub ratio: Option<usize>,
    /// Index of the equation for the volume with bark.
    pub outside: Option<usize>,
    /// Index of the equation for the share of the volume with bark below a height.
    pub ratio_outside: Option<usize>,
    /// Index of a profile in the set that lends its profiles.
    pub borrowed: Option<usize>,
    /// Index of a row in the bark set, where the stem has to go to the other bark basis; see
    /// [`VolumeSet::add_bark`].
    pub bark_ratio: Option<usize>,
}

impl Chosen {
    /// Do the equations give a stem profile by volume and ratio?
    pub fn has_ratio_profile(&self) -> bool {
        self.ratio.is_some() && self.outside.is_some() && self.ratio_outside.is_some()
    }
}

/// No equation: what is missing and what could be done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// What is missing; lower case, no full stop.
    pub message: String,
    /// What would be right.
    pub hint: String,
    /// Species with an equation that could stand in: same genus first, then same species group,
    /// then same kind.
    pub candidates: Vec<SpeciesId>,
}

/// Where rows are looked for, in this order: the region asked for, its parents, rows without a
/// region; in planted stands the rows for these come first.
type Chain = Vec<Place>;

/// Rows of a region, or of none; for planted stands only, or for any.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    region: Option<usize>,
    planted: bool,
}

impl VolumeSet {
    fn chain(&self, region: Option<usize>, planted: bool) -> Chain {
        let mut regions = Vec::new();
        let mut next = region;
        while let Some(index) = next {
            regions.push(Some(index));
            next = self.regions[index].parent;
        }
        regions.push(None);
        let origins: &[bool] = if planted { &[true, false] } else { &[false] };
        origins
            .iter()
            .flat_map(|planted| {
                regions.iter().map(|region| Place {
                    region: *region,
                    planted: *planted,
                })
            })
            .collect()
    }

    /// The first row along the chain of regions whose species entry is accepted.
    fn row(
        &self,
        quantity: Quantity,
        chain: &Chain,
        accept: impl Fn(usize) -> bool,
    ) -> Option<usize> {
        chain.iter().find_map(|place| {
            self.equations.iter().position(|row| {
                row.quantity == quantity
                    && row.region == place.region
                    && row.planted == place.planted
                    && accept(row.entry)
            })
        })
    }

    /// The row that the publication provides for a species: its own, else its group's.
    fn published_row(
        &self,
        quantity: Quantity,
        chain: &Chain,
        species: SpeciesId,
    ) -> Option<(usize, SpeciesMatch)> {
        let own = |entry: usize| self.entries[entry].covers == [species];
        let group = |entry: usize| self.entries[entry].covers.contains(&species);
        self.row(quantity, chain, own)
            .map(|row| (row, SpeciesMatch::Own))
            .or_else(|| {
                self.row(quantity, chain, group)
                    .map(|row| (row, SpeciesMatch::PublishedGroup))
            })
    }

    /// The entries with a row along the chain, in the order of the data.
    fn entries_within(&self, quantity: Quantity, chain: &Chain) -> Vec<usize> {
        (0..self.entries.len())
            .filter(|entry| self.row(quantity, chain, |e| e == *entry).is_some())
            .collect()
    }

    /// The equations that serve a species.
    ///
    /// With [`Fallback::Genus`] the generic row of the genus, else the only entry of that genus;
    /// with [`Fallback::Group`] then the only entry of the species group. Several are an error.
    pub fn choose(
        &self,
        species: SpeciesId,
        wanted: &Wanted,
        table: &SpeciesTable,
    ) -> Result<Chosen, Missing> {
        let plain = |message: String| Missing {
            message,
            hint: String::new(),
            candidates: Vec::new(),
        };
        self.check_region(wanted.region).map_err(plain)?;
        if let Some(limits) = &wanted.merchantable {
            self.check_merchantable(limits, wanted.region)
                .map_err(plain)?;
        }
        let asked_region = wanted.region.and_then(|name| self.region(name));
        let chain = self.chain(asked_region, wanted.planted);
        let main_quantity = self.main_quantity();
        let (main, species_match) = self
            .published_row(main_quantity, &chain, species)
            .or_else(|| self.stand_in(species, wanted.fallback, &chain, table))
            .ok_or_else(|| self.missing(species, wanted, &chain, table))?;
        let row = &self.equations[main];
        let entry = &self.entries[row.entry];
        let served = self.served(main, species);
        let further = |quantity| {
            self.published_row(quantity, &chain, served)
                .map(|(row, _)| row)
        };
        let mut chosen = Chosen {
            species,
            label: entry.label.clone(),
            title: entry.title.clone(),
            species_match,
            region: row.region.map(|index| self.regions[index].name.clone()),
            region_match: match row.region {
                region if region == asked_region => RegionMatch::AsGiven,
                Some(_) => RegionMatch::Parent,
                None => RegionMatch::AllRegions,
            },
            marks: self.head.mark.iter().chain(&row.mark).cloned().collect(),
            break_marks: Vec::new(),
            merchantable: None,
            main,
            bark: further(Quantity::Bark),
            ratio: further(Quantity::Ratio),
            outside: further(Quantity::Outside),
            ratio_outside: further(Quantity::RatioOutside),
            borrowed: self.borrowed(served, wanted.region),
            bark_ratio: None,
        };
        if let Some(limits) = wanted.merchantable {
            let by = self
                .merchantable_by(&chosen, &limits)
                .ok_or_else(|| self.missing_profile(&chosen, wanted, served, table))?;
            chosen.merchantable = Some((limits, by));
            if let MerchantableBy::Equation(index) | MerchantableBy::Share(index) = by {
                chosen.marks.extend(self.equations[index].mark.clone());
            }
        }
        if let (Some(profiles), Some(index)) = (&self.profiles, chosen.borrowed) {
            let marks = profiles.lending_marks(index, wanted.region);
            match chosen.merchantable {
                Some((_, MerchantableBy::BorrowedShare)) => chosen.marks.extend(marks),
                _ => chosen.break_marks = marks,
            }
        }
        Ok(chosen)
    }

    /// The species by which further quantities are looked up: that of the equation, where it
    /// stands in for another.
    pub(super) fn served(&self, main: usize, species: SpeciesId) -> SpeciesId {
        let covers = &self.entries[self.equations[main].entry].covers;
        if covers.contains(&species) {
            species
        } else {
            covers[0]
        }
    }

    /// The row of another quantity that goes with a choice.
    pub(super) fn further_row(
        &self,
        quantity: Quantity,
        chosen: &Chosen,
        wanted: &Wanted,
    ) -> Option<usize> {
        let region = wanted.region.and_then(|name| self.region(name));
        let chain = self.chain(region, wanted.planted);
        let served = self.served(chosen.main, chosen.species);
        self.published_row(quantity, &chain, served)
            .map(|(row, _)| row)
    }

    /// The doubts about a profile that this set lends.
    fn lending_marks(&self, index: usize, region: Option<&str>) -> Vec<String> {
        let row = &self.equations[index];
        let asked = region.and_then(|name| self.region(name));
        let neighbour = match (asked, row.region) {
            (Some(asked), Some(used)) if asked != used => Some(format!(
                "{} has no row, that of {} serves",
                self.regions[asked].name, self.regions[used].name
            )),
            _ => None,
        };
        [&self.head.mark, &row.mark, &neighbour]
            .into_iter()
            .flatten()
            .map(|mark| format!("profile of {}: {mark}", self.name))
            .collect()
    }

    /// The profile of the lending set for a species in the region asked for.
    fn borrowed(&self, species: SpeciesId, region: Option<&str>) -> Option<usize> {
        let profiles = self.profiles.as_ref()?;
        profiles.check_region(region).ok()?;
        let chain = profiles.chain(region.and_then(|name| profiles.region(name)), false);
        profiles
            .published_row(Quantity::Profile, &chain, species)
            .map(|(row, _)| row)
    }

    fn merchantable_by(&self, chosen: &Chosen, limits: &Merchantable) -> Option<MerchantableBy> {
        let main = &self.equations[chosen.main];
        if main.quantity == Quantity::Profile {
            return Some(MerchantableBy::Profile);
        }
        let beside = |quantity: Quantity| {
            self.equations.iter().position(|row: &Equation| {
                row.quantity == quantity && row.entry == main.entry && row.region == main.region
            })
        };
        let serves = self.head.serves_limits(limits);
        if serves && let Some(index) = beside(Quantity::Merchantable) {
            return Some(MerchantableBy::Equation(index));
        }
        if (serves || self.head.fixed_limits.is_empty())
            && let Some(index) = beside(Quantity::Share)
        {
            return Some(MerchantableBy::Share(index));
        }
        if chosen.has_ratio_profile() {
            return Some(MerchantableBy::VolumeRatio);
        }
        chosen.borrowed.map(|_| MerchantableBy::BorrowedShare)
    }

    fn stand_in(
        &self,
        species: SpeciesId,
        fallback: Fallback,
        chain: &Chain,
        table: &SpeciesTable,
    ) -> Option<(usize, SpeciesMatch)> {
        let quantity = self.main_quantity();
        let asked = table.get(species);
        let covers = |entry: usize, accept: &dyn Fn(SpeciesId) -> bool| {
            self.entries[entry].covers.iter().any(|id| accept(*id))
        };
        let same_genus =
            |id: SpeciesId| !asked.genus().is_empty() && table.get(id).genus() == asked.genus();
        let generic = |id: SpeciesId| same_genus(id) && table.get(id).is_genus();
        let same_group = |id: SpeciesId| {
            let other = table.get(id);
            other.kind == asked.kind
                && asked.jenkins_group.is_some()
                && other.jenkins_group == asked.jenkins_group
        };
        let only = |accept: &dyn Fn(SpeciesId) -> bool| {
            let fitting: Vec<usize> = self
                .entries_within(quantity, chain)
                .into_iter()
                .filter(|entry| covers(*entry, accept))
                .collect();
            match fitting[..] {
                [entry] => self.row(quantity, chain, |e| e == entry),
                _ => None,
            }
        };
        if fallback == Fallback::None {
            return None;
        }
        if let Some(row) = self
            .row(quantity, chain, |entry| covers(entry, &generic))
            .or_else(|| only(&same_genus))
        {
            return Some((row, SpeciesMatch::Genus));
        }
        if fallback == Fallback::Group {
            return only(&same_group).map(|row| (row, SpeciesMatch::SpeciesGroup));
        }
        None
    }

    fn missing(
        &self,
        species: SpeciesId,
        wanted: &Wanted,
        chain: &Chain,
        table: &SpeciesTable,
    ) -> Missing {
        const SHOWN: usize = 6;
        let asked = table.get(species);
        let quantity = self.main_quantity();
        let mut ranked: Vec<(bool, bool, bool, usize, SpeciesId)> = self
            .entries_within(quantity, chain)
            .into_iter()
            .filter_map(|index| {
                // The member of the entry that is closest to the species stands for it.
                self.entries[index]
                    .covers
                    .iter()
                    .map(|id| {
                        let other = table.get(*id);
                        (
                            other.genus() != asked.genus(),
                            other.jenkins_group != asked.jenkins_group,
                            other.kind != asked.kind,
                            index,
                            *id,
                        )
                    })
                    .min_by_key(|rank| (rank.0, rank.1, rank.2))
            })
            .collect();
        ranked.sort_unstable();
        let candidates: Vec<SpeciesId> = ranked.into_iter().map(|rank| rank.4).collect();
        let region = wanted
            .region
            .map(|region| format!(" in region `{region}`"))
            .unwrap_or_default();
        let elsewhere = self.regions_with(quantity, species);
        let mut hint = String::new();
        if !elsewhere.is_empty() {
            hint = format!("it has one in {}; ", elsewhere.join(", "));
        }
        if candidates.is_empty() {
            hint += "no species has one there";
        } else {
            let labels: Vec<String> = candidates
                .iter()
                .take(SHOWN)
                .map(|id| table.get(*id).label())
                .collect();
            let kind = self.kind();
            let _ = write!(
                hint,
                "name a substitute in the design (`{kind}: substitute`, or `fallback: genus`), \
                 for example one of "
            );
            hint += &labels.join(", ");
        }
        Missing {
            message: format!(
                "{} set `{}` has no equation for {}{region}",
                self.kind(),
                self.name,
                asked.label()
            ),
            hint,
            candidates,
        }
    }

    /// Names of the regions in which the publication has a row for a species.
    fn regions_with(&self, quantity: Quantity, species: SpeciesId) -> Vec<String> {
        self.regions
            .iter()
            .enumerate()
            .filter(|(index, _)| {
                let of = |region| Place {
                    region,
                    planted: false,
                };
                self.row(quantity, &vec![of(Some(*index))], |entry| {
                    self.entries[entry].covers.contains(&species)
                })
                .is_some()
            })
            .map(|(_, region)| region.name.clone())
            .collect()
    }

    fn missing_profile(
        &self,
        chosen: &Chosen,
        wanted: &Wanted,
        served: SpeciesId,
        table: &SpeciesTable,
    ) -> Missing {
        let species = table.get(chosen.species).label();
        let region = wanted.region.unwrap_or("no region");
        let Some(profiles) = &self.profiles else {
            return Missing {
                message: format!(
                    "volume set `{}` has no merchantable equation for {species} in `{region}`",
                    self.name
                ),
                hint: "leave `merchantable` out or name another set".to_owned(),
                candidates: Vec::new(),
            };
        };
        let zones = profiles.regions_with(Quantity::Profile, served);
        Missing {
            message: format!(
                "{}, which has none for {species} in `{region}`",
                self.other_limits(profiles)
            ),
            hint: if zones.is_empty() {
                "name a substitute in the design".to_owned()
            } else {
                format!("give a zone that has one as region: {}", zones.join(", "))
            },
            candidates: Vec::new(),
        }
    }
}
