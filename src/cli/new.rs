//! `new`, `tally` and `schema`, as typed.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::Units;

/// Options of `schema`.
#[derive(Clone, Debug, Args)]
pub struct SchemaArgs {
    /// File to write the schema to.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Folder of your own species tables: their sets are suggested too.
    #[arg(long, value_name = "FOLDER")]
    pub tables: Option<PathBuf>,
}

/// Options of `tally`.
#[derive(Clone, Debug, Args)]
pub struct TallyArgs {
    /// The cruise design (YAML).
    #[arg(value_name = "DESIGN")]
    pub design: PathBuf,
    /// Number of plots; their names are left to be written in.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=1000))]
    pub plots: u16,
    /// Names of the plots, with commas.
    #[arg(
        long,
        value_name = "NAME,...",
        value_delimiter = ',',
        conflicts_with = "plots"
    )]
    pub plot_names: Vec<String>,
    /// Species that are printed on the sheets, with commas (any code or name).
    #[arg(long, value_name = "SPECIES,...", value_delimiter = ',')]
    pub species: Vec<String>,
    /// Strata to choose from, with commas.
    #[arg(long, value_name = "STRATUM,...", value_delimiter = ',')]
    pub strata: Vec<String>,
    /// Lines for trees of each plot and selection; as many as a page holds unless said.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1000))]
    pub rows: Option<u16>,
    /// File to write the sheets to.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Folder of your own species tables, added to the built-in ones.
    #[arg(long, value_name = "FOLDER")]
    pub tables: Option<PathBuf>,
}

/// Options of `new`.
#[derive(Clone, Debug, Args)]
pub struct NewArgs {
    /// Folder for the cruise; made if it is not there.
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Title of the cruise; the name of the folder unless said.
    #[arg(long, value_name = "TEXT", help_heading = "The cruise")]
    pub title: Option<String>,
    /// Units of the record files and of the results.
    #[arg(long, value_enum, value_name = "SYSTEM", help_heading = "The cruise")]
    pub units: Option<Units>,

    /// A fixed plot of this radius, m.
    #[arg(long, value_name = "M", group = "size", help_heading = PLOTS)]
    pub fixed_radius_m: Option<f64>,
    /// A fixed plot of this radius, feet.
    #[arg(long, value_name = "FT", group = "size", help_heading = PLOTS)]
    pub fixed_radius_ft: Option<f64>,
    /// A fixed plot of this area, ha.
    #[arg(long, value_name = "HA", group = "size", help_heading = PLOTS)]
    pub fixed_area_ha: Option<f64>,
    /// A fixed plot of this area, acres.
    #[arg(long, value_name = "AC", group = "size", help_heading = PLOTS)]
    pub fixed_area_ac: Option<f64>,
    /// Nested rings, each with its radius and least dbh: `3.99m@4cm,7.98m@10cm`.
    #[arg(long, value_name = "RADIUS@DBH,...", value_delimiter = ',', group = "size", help_heading = PLOTS)]
    pub rings: Vec<RingSize>,
    /// Least dbh of trees on fixed plots, cm.
    #[arg(long, value_name = "CM", conflicts_with = "rings", help_heading = PLOTS)]
    pub min_dbh_cm: Option<f64>,
    /// Least dbh of trees on fixed plots, inches.
    #[arg(long, value_name = "IN", conflicts_with_all = ["rings", "min_dbh_cm"], help_heading = PLOTS)]
    pub min_dbh_in: Option<f64>,
    /// Every tree of the stand, without plots.
    #[arg(long, conflicts_with_all = ["size", "factor", "strata", "clusters"], help_heading = PLOTS)]
    pub full_tally: bool,
    /// A sweep with an angle gauge or prism of this basal area factor, m2/ha.
    #[arg(long, value_name = "FACTOR", group = "factor", help_heading = PLOTS)]
    pub baf_m2_per_ha: Option<f64>,
    /// A sweep with an angle gauge or prism of this basal area factor, ft2/ac.
    #[arg(long, value_name = "FACTOR", group = "factor", help_heading = PLOTS)]
    pub baf_ft2_per_ac: Option<f64>,
    /// Which trees of the sweep get records of their own.
    #[arg(long, value_enum, value_name = "WAY", help_heading = PLOTS)]
    pub sweep: Option<Sweep>,
    /// Names of the strata, with commas.
    #[arg(long, value_name = "STRATUM,...", value_delimiter = ',', help_heading = PLOTS)]
    pub strata: Vec<String>,
    /// Plots lie in clusters.
    #[arg(long, help_heading = PLOTS)]
    pub clusters: bool,

    /// Which trees get a height: `first-per-species:2` (on each plot), `every:5`, or `none`.
    #[arg(long, value_name = "RULE", help_heading = HEIGHTS)]
    pub height_rule: Option<HeightRule>,
    /// How heights are taken; with a clinometer (percent scale) unless said.
    #[arg(long, value_enum, value_name = "WAY", help_heading = HEIGHTS)]
    pub instrument: Option<Instrument>,
    /// Published height curves for species with too few heights of their own.
    #[arg(long, value_name = "SET", help_heading = HEIGHTS)]
    pub height_curves: Option<String>,
    /// Set of volume equations (`spinney equations` lists them).
    #[arg(long, value_name = "SET", help_heading = HEIGHTS)]
    pub volume_set: Option<String>,
    /// Region or zone of the volume set.
    #[arg(long, value_name = "REGION", requires = "volume_set", help_heading = HEIGHTS)]
    pub region: Option<String>,

    /// Number of plots to print sheets for; 10 unless said.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1000), help_heading = SHEETS)]
    pub plots: Option<u16>,
    /// Species that are printed on the sheets, with commas (any code or name).
    #[arg(long, value_name = "SPECIES,...", value_delimiter = ',', help_heading = SHEETS)]
    pub species: Vec<String>,
}

const PLOTS: &str = "Plots and sweeps";
const HEIGHTS: &str = "Heights and volume";
const SHEETS: &str = "Field sheets";

/// Which trees of a sweep get records of their own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Sweep {
    /// None: trees are only counted, by species.
    Counted,
    /// All: every tree is measured.
    Measured,
    /// Some: trees are measured on some points and counted on the others.
    CountMeasure,
}

/// How heights are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Instrument {
    /// Sights to top and base in percent, and the horizontal distance.
    Clinometer,
    /// Heights are written down as they are read or estimated.
    None,
}

/// Which trees get a height.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeightRule {
    /// The first so many of each species on each plot.
    FirstPerSpecies(u16),
    /// Every nth.
    Every(u16),
    /// No heights are taken.
    None,
}

impl std::str::FromStr for HeightRule {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || String::from("write it as first-per-species:2, every:5 or none");
        if text == "none" {
            return Ok(HeightRule::None);
        }
        let (rule, number) = text.split_once(':').ok_or_else(wrong)?;
        let number = number.parse::<u16>().map_err(|_| wrong())?;
        if !(1..=1000).contains(&number) {
            return Err(String::from("the number must be from 1 to 1000"));
        }
        match rule {
            "first-per-species" => Ok(HeightRule::FirstPerSpecies(number)),
            "every" => Ok(HeightRule::Every(number)),
            _ => Err(wrong()),
        }
    }
}

/// A ring of a nested plot: its radius and the least dbh of its trees.
#[derive(Clone, Debug, PartialEq)]
pub struct RingSize {
    /// The radius.
    pub radius: f64,
    /// Its unit, `m` or `ft`.
    pub radius_unit: &'static str,
    /// The least dbh.
    pub min_dbh: f64,
    /// Its unit, `cm` or `in`.
    pub dbh_unit: &'static str,
}

impl std::str::FromStr for RingSize {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong =
            || String::from("write each ring as RADIUS@DBH with units: 3.99m@4cm or 10ft@2in");
        let (radius, dbh) = text.split_once('@').ok_or_else(wrong)?;
        let (radius, radius_unit) = with_unit(radius, ["m", "ft"]).ok_or_else(wrong)?;
        let (min_dbh, dbh_unit) = with_unit(dbh, ["cm", "in"]).ok_or_else(wrong)?;
        Ok(RingSize {
            radius,
            radius_unit,
            min_dbh,
            dbh_unit,
        })
    }
}

/// A number with one of two units behind it.
fn with_unit(text: &str, units: [&'static str; 2]) -> Option<(f64, &'static str)> {
    let text = text.trim();
    let unit = units.into_iter().find(|unit| text.ends_with(unit))?;
    let number: f64 = text.strip_suffix(unit)?.trim().parse().ok()?;
    (number.is_finite() && number >= 0.0).then_some((number, unit))
}
