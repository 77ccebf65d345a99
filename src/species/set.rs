//! A volume set: one publication with its equations, units, regions, limits and check values.
//!
//! In: what `read::table_volume` made of the set's files. Out: what the set covers and whether it
//! can serve a region and a merchantable limit.

use crate::design::Merchantable;
use crate::species::bark::BarkSet;
use crate::species::biomass::CarbonFraction;
use crate::species::equation::{Equation, Measure, Quantity, Units};
use crate::species::published_error::PublishedError;
use crate::species::{SpeciesId, SpeciesTable};

/// How the coefficients were obtained.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Obtained {
    /// Read in the publication itself.
    Original,
    /// Read in a later document that carries the table and names the original.
    Carried,
    /// Set up by the user.
    Own,
}

impl Obtained {
    /// All of them, with the words in the data.
    pub const NAMES: &'static [(&'static str, Obtained)] = &[
        ("read in the original", Obtained::Original),
        (
            "read in a document that carries it and names the original",
            Obtained::Carried,
        ),
        ("set up by the user", Obtained::Own),
    ];

    /// The words in the data.
    pub fn words(self) -> &'static str {
        let (words, _) = Obtained::NAMES[self as usize];
        words
    }
}

/// Does a volume or a diameter include the bark?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BarkBasis {
    /// Wood only.
    Inside,
    /// Wood and bark.
    Outside,
    /// The publication, as far as it was read, does not say.
    Unresolved,
}

impl BarkBasis {
    /// All of them, with the words in the data.
    pub const NAMES: &'static [(&'static str, BarkBasis)] = &[
        ("inside bark", BarkBasis::Inside),
        ("outside bark", BarkBasis::Outside),
        ("unresolved", BarkBasis::Unresolved),
    ];

    /// The words for people.
    pub fn words(self) -> &'static str {
        match self {
            BarkBasis::Inside => "inside bark",
            BarkBasis::Outside => "outside bark",
            BarkBasis::Unresolved => "bark basis not known",
        }
    }
}

/// Sizes of trees for which the equations were made.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ValidRange {
    /// Smallest and largest dbh.
    pub dbh_cm: Option<[f64; 2]>,
    /// Smallest and largest height.
    pub height_m: Option<[f64; 2]>,
    /// Where the range comes from, or `not published`.
    pub source: String,
}

impl ValidRange {
    /// Is the tree within?
    pub fn contains(&self, dbh_cm: f64, height_m: f64) -> bool {
        let within = |range: Option<[f64; 2]>, value: f64| {
            range.is_none_or(|[low, high]| value >= low && value <= high)
        };
        within(self.dbh_cm, dbh_cm) && within(self.height_m, height_m)
    }
}

/// Merchantable limits for which a set has equations of their own.
#[derive(Clone, Debug, PartialEq)]
pub struct FixedLimits {
    /// Stump height.
    pub stump_m: f64,
    /// Top diameter.
    pub top_diameter_cm: f64,
    /// Basis of the top diameter; where it is not known, the limits serve a top on either basis.
    pub top_basis: BarkBasis,
}

impl FixedLimits {
    /// Are these the limits asked for? (The least dbh is a matter of the design.)
    pub fn serve(&self, asked: &Merchantable) -> bool {
        let same = |a: f64, b: f64| (a - b).abs() < 1e-9;
        same(self.stump_m, asked.stump_m)
            && same(self.top_diameter_cm, asked.top_diameter_cm)
            && match self.top_basis {
                BarkBasis::Inside => asked.top_inside_bark,
                BarkBasis::Outside => !asked.top_inside_bark,
                BarkBasis::Unresolved => true,
            }
    }

    /// The limits for people.
    pub fn words(&self) -> String {
        let basis = self.top_basis.words();
        let separator = match self.top_basis {
            BarkBasis::Unresolved => ", ",
            BarkBasis::Inside | BarkBasis::Outside => " ",
        };
        format!(
            "stump {} m and top {} cm{separator}{basis}",
            self.stump_m, self.top_diameter_cm
        )
    }
}

/// The head of a set.
#[derive(Clone, Debug)]
pub struct Head {
    /// What the set is.
    pub title: String,
    /// The publication.
    pub citation: String,
    /// How the coefficients were obtained.
    pub obtained: Obtained,
    /// More on how they were obtained.
    pub obtained_note: Option<String>,
    /// Units of the forms.
    pub units: Units,
    /// Bark basis of volumes and diameters.
    pub bark: BarkBasis,
    /// What the total volume includes at the stump and at the top.
    pub total_includes: String,
    /// Height below which a profile counts as a cylinder.
    pub stump_m: Option<f64>,
    /// Limits of the set's own merchantable equations. Several only where equations of the
    /// merchantable share tell them apart.
    pub fixed_limits: Vec<FixedLimits>,
    /// Valid range.
    pub range: ValidRange,
    /// Published error.
    pub error: PublishedError,
    /// Carbon in a unit of oven-dry mass; biomass sets only.
    pub carbon_fraction: Option<CarbonFraction>,
    /// A doubt about the whole set that every result must show.
    pub mark: Option<String>,
    /// How regions fall back on each other, and on what ground.
    pub regions_note: Option<String>,
    /// Caveats and other things worth knowing.
    pub notes: Vec<String>,
}

impl Head {
    /// Has the set equations of its own for these very limits?
    pub fn serves_limits(&self, asked: &Merchantable) -> bool {
        self.fixed_limits.iter().any(|limits| limits.serve(asked))
    }

    /// The limits of the set's own merchantable equations for people, if it has fixed ones.
    pub fn limits_words(&self) -> Option<String> {
        let words: Vec<String> = self.fixed_limits.iter().map(FixedLimits::words).collect();
        (!words.is_empty()).then(|| words.join(" or "))
    }
}

/// A region or zone of a set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Region {
    /// Its name or code.
    pub name: String,
    /// The name in full.
    pub title: String,
    /// The region whose rows serve where this one has none.
    pub parent: Option<usize>,
}

/// A species, or a group of species, for which a set has rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SpeciesEntry {
    /// As published, or the code used in the table.
    pub label: String,
    /// The species or group in words.
    pub title: Option<String>,
    /// The species that the rows serve as published, in the order of the data.
    pub covers: Vec<SpeciesId>,
}

/// A value against which the set is checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// The species.
    pub species: SpeciesId,
    /// The region.
    pub region: Option<String>,
    /// Dbh.
    pub dbh_cm: f64,
    /// Total height; `None` where the equations need none.
    pub height_m: Option<f64>,
    /// Height of the break.
    pub broken_height_m: Option<f64>,
    /// Was the stand planted?
    pub planted: bool,
    /// What is checked.
    pub quantity: CheckQuantity,
    /// The value as printed.
    pub printed: String,
    /// The same as a number.
    pub value: f64,
    /// Its unit.
    pub unit: CheckUnit,
    /// How close ours must be.
    pub tolerance: Tolerance,
    /// `published` or `computed independently`, and the like.
    pub status: String,
    /// Where it is printed.
    pub printed_where: String,
    /// Line in the table, from 1.
    pub line: usize,
}

/// What a check value is of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CheckQuantity {
    /// Volume of the whole stem.
    Total,
    /// Volume of bark.
    Bark,
    /// A mass.
    Mass(Quantity),
    /// Merchantable volume between limits.
    Merchantable(Merchantable),
    /// Diameter inside bark at breast height.
    DiameterInside,
    /// Diameter at a height.
    DiameterAt {
        /// Height above ground.
        height_m: f64,
    },
    /// Height of a diameter.
    HeightOf {
        /// The diameter.
        diameter_cm: f64,
        /// Is it inside bark? (Of a profile that has one basis only it is on that one.)
        inside_bark: bool,
    },
}

/// Unit of a check value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CheckUnit {
    /// For people.
    pub name: &'static str,
    /// The program's unit (m3, cm, m) in one of it.
    pub to_held: f64,
}

/// How close our value must be to a check value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Tolerance {
    /// Rounded to the digits that are printed, it is the same.
    PrintedDigits,
    /// The relative difference is at most this.
    Relative(f64),
}

/// A volume set, complete.
#[derive(Clone, Debug)]
pub struct VolumeSet {
    /// Its name: that of its folder.
    pub name: String,
    /// Its head.
    pub head: Head,
    /// Its regions; empty where it has none.
    pub regions: Vec<Region>,
    /// Its species and groups.
    pub entries: Vec<SpeciesEntry>,
    /// Its equations in the order of the table.
    pub equations: Vec<Equation>,
    /// Its check values.
    pub checks: Vec<Check>,
    /// Name of the set whose profiles give the share of the stem between other limits, or below a
    /// break.
    pub profiles_from: Option<String>,
    /// That set.
    pub profiles: Option<Box<VolumeSet>>,
    /// The bark ratios by which its stems go to the other bark basis, where a design names them.
    pub bark_set: Option<Box<BarkSet>>,
}

/// What a set has for one of its species or groups.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Coverage {
    /// As published.
    pub label: String,
    /// The species that it serves as published.
    pub species: Vec<SpeciesId>,
    /// Regions with rows of their own; empty where the rows serve all regions.
    pub regions: Vec<String>,
}

impl VolumeSet {
    /// The quantity that a species must have: the total, else the profile that is integrated,
    /// else whatever the set is made of.
    pub fn main_quantity(&self) -> Quantity {
        [
            Quantity::Total,
            Quantity::Profile,
            Quantity::Merchantable,
            Quantity::TotalMass,
            Quantity::WoodMass,
        ]
        .into_iter()
        .find(|quantity| self.has(*quantity))
        .or_else(|| self.equations.first().map(|row| row.quantity))
        .unwrap_or(Quantity::Total)
    }

    /// `volume`, `biomass` or `bark`, for messages: what kind of set it is.
    pub fn kind(&self) -> &'static str {
        match self.main_quantity() {
            Quantity::DiameterInside => "bark",
            quantity if quantity.measure() == Measure::Mass => "biomass",
            _ => "volume",
        }
    }

    /// Has it equations for this quantity?
    pub fn has(&self, quantity: Quantity) -> bool {
        self.equations
            .iter()
            .any(|equation| equation.quantity == quantity)
    }

    /// Do volumes with and without bark, and the share of each below a height, give stem profiles?
    pub fn has_ratio_profiles(&self) -> bool {
        [
            Quantity::Total,
            Quantity::Ratio,
            Quantity::Outside,
            Quantity::RatioOutside,
        ]
        .into_iter()
        .all(|quantity| self.has(quantity))
    }

    /// Index of a region by its name, without regard to case.
    pub fn region(&self, name: &str) -> Option<usize> {
        self.regions
            .iter()
            .position(|region| region.name.eq_ignore_ascii_case(name.trim()))
    }

    /// The names of the regions, in the order of the head, for messages.
    pub fn region_names(&self) -> String {
        let names: Vec<&str> = self
            .regions
            .iter()
            .map(|region| region.name.as_str())
            .collect();
        names.join(", ")
    }

    /// Must a region be given? True where every row belongs to one.
    pub fn needs_region(&self) -> bool {
        let main = self.main_quantity();
        !self
            .equations
            .iter()
            .any(|equation| equation.quantity == main && equation.region.is_none())
    }

    /// Is this region one of the set's (or none needed)? The error says which there are.
    pub fn check_region(&self, region: Option<&str>) -> Result<(), String> {
        let (kind, name) = (self.kind(), &self.name);
        match region {
            None if self.needs_region() => Err(format!(
                "{kind} set `{name}` needs a region: one of {}",
                self.region_names()
            )),
            Some(region) if self.regions.is_empty() => Err(format!(
                "{kind} set `{name}` has no regions (`{region}`); leave the region out"
            )),
            Some(region) if self.region(region).is_none() => Err(format!(
                "{kind} set `{name}` has no region `{region}`; it has {}",
                self.region_names()
            )),
            _ => Ok(()),
        }
    }

    /// Can merchantable volume between these limits be given in this region? Single species may
    /// still lack the rows for it, which `choose` finds out.
    pub fn check_merchantable(
        &self,
        limits: &Merchantable,
        region: Option<&str>,
    ) -> Result<(), String> {
        let name = &self.name;
        let check_top = |profiles: &VolumeSet| match self.bark_set {
            Some(_) => Ok(()),
            None => profiles.check_top(limits),
        };
        if self.has(Quantity::Profile) {
            return check_top(self);
        }
        if self.head.serves_limits(limits) {
            return Ok(());
        }
        if self.head.fixed_limits.is_empty() && self.has(Quantity::Share) {
            return self.check_top(limits);
        }
        // Any top diameter, inside or outside bark.
        if self.has_ratio_profiles() {
            return Ok(());
        }
        match (&self.profiles, self.head.limits_words()) {
            (Some(profiles), _) => {
                check_top(profiles)?;
                profiles
                    .check_region(region)
                    .map_err(|reason| format!("{}: {reason}", self.other_limits(profiles)))
            }
            (None, Some(fixed)) => Err(format!(
                "volume set `{name}` gives merchantable volume for {fixed} only"
            )),
            (None, None) => Err(format!(
                "volume set `{name}` gives no merchantable volume: it has total volumes and no \
                 stem profile; leave `merchantable` out or name another set"
            )),
        }
    }

    /// Why the set's profiles are needed, for messages.
    pub(crate) fn other_limits(&self, profiles: &VolumeSet) -> String {
        let own = self.head.limits_words().map_or_else(
            || "merchantable limits".to_owned(),
            |fixed| format!("limits other than {fixed}"),
        );
        format!(
            "volume set `{}` takes {own} from the stem profiles of `{}`",
            self.name, profiles.name
        )
    }

    fn check_top(&self, limits: &Merchantable) -> Result<(), String> {
        let (basis, key) = match (self.head.bark, limits.top_inside_bark) {
            (BarkBasis::Inside, false) => ("inside bark", "top_dib_cm"),
            (BarkBasis::Outside, true) => ("outside bark", "top_dob_cm"),
            _ => return Ok(()),
        };
        Err(format!(
            "volume set `{}` is {basis}: give the top diameter {basis} (`{key}`)",
            self.name
        ))
    }

    /// The species and groups of the set with their regions, in the order of the table.
    pub fn coverage(&self) -> Vec<Coverage> {
        let main = self.main_quantity();
        self.entries
            .iter()
            .enumerate()
            .filter_map(|(index, entry)| {
                let mut rows = self
                    .equations
                    .iter()
                    .filter(|row| row.entry == index && row.quantity == main)
                    .peekable();
                rows.peek()?;
                Some(Coverage {
                    label: entry.label.clone(),
                    species: entry.covers.clone(),
                    regions: rows
                        .filter_map(|row| Some(self.regions[row.region?].name.clone()))
                        .collect(),
                })
            })
            .collect()
    }

    /// Every species that has an equation as published, in the order of the species table.
    pub fn species(&self, table: &SpeciesTable) -> Vec<SpeciesId> {
        let coverage = self.coverage();
        table
            .iter()
            .map(|(id, _)| id)
            .filter(|id| coverage.iter().any(|entry| entry.species.contains(id)))
            .collect()
    }
}
