//! The checked cruise design: what `read::design` makes of the YAML file.
//!
//! Plain values, metric throughout, every default already filled in and listed in
//! [`Design::defaults`]. An invalid design cannot be built by the reader.

use crate::units::UnitSystem;

mod instrument;
mod sampling;

pub use instrument::{InstrumentError, LengthError, SightError};
pub use sampling::{
    Average, Layout, ListedStands, RatioBy, RatioError, Sampling, StrataWeights, Variance,
};

/// Index of a selection in [`Design::selections`].
pub type SelectionIndex = usize;

/// The whole design.
#[derive(Clone, Debug)]
pub struct Design {
    /// Title of the cruise; names the stand when the records have no stand column.
    pub title: String,
    /// Units that are printed.
    pub units: UnitSystem,
    /// Confidence level of the intervals, for example 0.95.
    pub confidence: f64,
    /// Wanted half-width of the interval in percent of the mean; drives the number-of-plots advice.
    pub allowable_error_pct: Option<f64>,
    /// Where the records are.
    pub inputs: Inputs,
    /// The rules by which trees were chosen, in the order of the file.
    pub selections: Vec<Selection>,
    /// How plots were laid out.
    pub sampling: Sampling,
    /// The crew's own tree classes, lower-cased code and what it means.
    pub status_codes: Vec<(String, StatusCode)>,
    /// Names of the decay classes, in order of decay; five unless the design lists its own.
    pub decay_classes: Vec<String>,
    /// The crew's own species codes: lower-cased code, then any code or name of the species table.
    pub species_aliases: Vec<(String, String)>,
    /// Code system in which results name the species.
    pub species_codes: SpeciesCodes,
    /// How heights were taken and are filled.
    pub heights: Heights,
    /// Which volume equations; `None` gives trees and basal area only.
    pub volume: Option<Volume>,
    /// How stems are cut into logs and scaled; `None` leaves logs out.
    pub logs: Option<LogRules>,
    /// Which biomass equations; `None` gives no biomass and no carbon.
    pub biomass: Option<Biomass>,
    /// Width of a dbh class in cm.
    pub dbh_class_cm: f64,
    /// How limits of ratios are found.
    pub intervals: Intervals,
    /// Defaults that were filled in, one sentence each, for the report.
    pub defaults: Vec<String>,
}

/// How limits of ratios (quadratic mean dbh, Lorey's height, ...) are found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Intervals {
    /// The method.
    pub ratios: RatioLimits,
    /// Number of resamples, where the method uses them.
    pub resamples: usize,
    /// Seed of the resamples.
    pub seed: u64,
}

impl Default for Intervals {
    fn default() -> Self {
        Intervals {
            ratios: RatioLimits::Bca,
            resamples: 2000,
            seed: 1,
        }
    }
}

/// A way to the limits of a ratio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RatioLimits {
    /// Quantiles of its resampled values, corrected for bias and for an error that changes with it.
    Bca,
    /// Quantiles of its resampled values.
    Percentile,
    /// Jackknife standard error and t.
    T,
    /// No limits.
    None,
}

/// Paths of the inputs, relative ones already joined to the folder of the design; `-` is standard
/// input.
#[derive(Clone, Debug, Default)]
pub struct Inputs {
    /// `stands.csv`.
    pub stands: Option<Input>,
    /// `plots.csv`.
    pub plots: Option<Input>,
    /// `trees.csv`.
    pub trees: Option<Input>,
    /// `counts.csv`.
    pub counts: Option<Input>,
    /// Folder whose species tables add to or override the built-in ones.
    pub species_tables: Option<String>,
}

/// One record file.
#[derive(Clone, Debug)]
pub struct Input {
    /// What it holds, as its key in the design: `trees`.
    pub record: &'static str,
    /// The path to open, or `-`.
    pub path: String,
    /// The path as written in the design; names the file in messages.
    pub shown: String,
    /// Sheet of a workbook, if it was named.
    pub sheet: Option<String>,
    /// The crew's own column heads: head in the file, then spinney's column name.
    pub columns: Vec<(String, String)>,
}

/// One rule by which trees were chosen.
#[derive(Clone, Debug)]
pub struct Selection {
    /// Its name, as used in the records.
    pub name: String,
    /// How trees were chosen.
    pub method: Method,
    /// Trees thinner than this are not part of the selection.
    pub min_dbh_cm: Option<f64>,
    /// Which trees of an angle gauge have records of their own.
    pub measured: Measured,
    /// The selection whose mean volume/basal-area ratio turns counted basal area into volume.
    pub volume_ratio_from: Option<SelectionIndex>,
    /// Whose ratio counted trees take.
    pub volume_ratio_by: RatioBy,
    /// How the error of the borrowed volume is found.
    pub volume_ratio_error: RatioError,
    /// Who corrects for slope.
    pub slope_correction: SlopeCorrection,
}

/// How trees were chosen, with the size that the design gives; plots may override it.
#[derive(Clone, Debug, PartialEq)]
pub enum Method {
    /// One circle. `radius_m` is kept for limiting distances; the area is authoritative.
    FixedArea {
        /// Plot area.
        area_ha: f64,
        /// Plot radius.
        radius_m: f64,
    },
    /// Concentric circles, each for its own dbh range [min, max).
    NestedRings(Vec<Ring>),
    /// A strip of a length and a width.
    Strip {
        /// Strip length.
        length_m: f64,
        /// Full strip width.
        width_m: f64,
    },
    /// Every tree of the stand.
    FullTally,
    /// Every tree of the stand is visited and a value predicted for it; a tree is measured with
    /// probability in proportion to that (3P sampling).
    ThreeP {
        /// The largest random number, in the unit of the predictions.
        largest_number: f64,
    },
    /// Angle gauge (prism, relascope) with its basal area factor.
    AngleGauge {
        /// Basal area factor.
        baf_m2_per_ha: f64,
    },
}

impl Method {
    /// Is every tree of the stand visited? Then there are no plots, only sheets.
    pub fn visits_all(&self) -> bool {
        matches!(self, Method::FullTally | Method::ThreeP { .. })
    }
}

/// One ring rule of a nested plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Ring {
    /// Circle area.
    pub area_ha: f64,
    /// Circle radius.
    pub radius_m: f64,
    /// Lower dbh limit, part of the ring.
    pub min_dbh_cm: f64,
    /// Upper dbh limit, not part of the ring; none for the outermost.
    pub max_dbh_cm: Option<f64>,
}

/// Which trees of a sweep were measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measured {
    /// Every tree has a record.
    All,
    /// Some have a record, the rest are in the counts.
    Some,
    /// Only counted.
    None,
}

/// Who corrects radii and factors for slope.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SlopeCorrection {
    /// Distances are horizontal, or radius and factor were corrected in the field.
    Field,
    /// Distances were taken along the slope; the program corrects.
    Program,
}

/// What a status code of the crew means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatusCode {
    /// Dead?
    pub dead: bool,
    /// Decay class, an entry of [`Design::decay_classes`].
    pub decay_class: Option<usize>,
}

/// Code system for species in results.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpeciesCodes {
    /// As the crew wrote them.
    AsRecorded,
    /// Provincial code of British Columbia (`Fd`).
    BcInventory,
    /// Canadian national forest inventory code (`PSEU.MEN`).
    NationalInventory,
    /// USDA PLANTS symbol (`PSME`).
    Plants,
    /// FIA species number (`202`).
    Fia,
    /// Scientific name.
    ScientificName,
    /// Common name.
    CommonName,
}

/// How heights were taken and how missing ones are filled.
#[derive(Clone, Debug)]
pub struct Heights {
    /// Where dbh was taken.
    pub breast_height_m: f64,
    /// What the crew was told about the height trees, held against the records.
    pub subsample: Option<Subsample>,
    /// Which curve form.
    pub curve: CurveChoice,
    /// Fewer measured heights than this: use the pooled group.
    pub min_trees: usize,
    /// Weights of the fit.
    pub weights: FitWeights,
    /// Fit per stand, or once for the whole cruise.
    pub fit_by: FitBy,
    /// Set of published curves for species that cannot be fitted.
    pub regional: Option<String>,
    /// Species that take another's curve where they have none of their own; none of them twice,
    /// and none its own through others.
    pub ratio_to: Vec<RatioTo>,
    /// Effects of places on a species' own curve.
    pub calibrate: Calibrate,
    /// How well heights were measured.
    pub instrument: InstrumentError,
    /// What a curve gives to a tree without a height.
    pub fill: Fill,
}

/// Does the first parameter of a species' own curve differ from place to place?
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Calibrate {
    /// Where the curve fits better so.
    #[default]
    Best,
    /// Never.
    None,
    /// From plot to plot.
    Plots,
    /// From stand to stand, where stands are fitted together.
    Stands,
    /// From stand to stand and from plot to plot within them.
    StandsAndPlots,
}

/// A species that takes the curve of another, times a factor.
#[derive(Clone, Debug, PartialEq)]
pub struct RatioTo {
    /// The species, by a name that the species table knows.
    pub species: String,
    /// The other, likewise.
    pub to: String,
    /// The factor of the height above breast height; found from heights where it is not given.
    pub ratio: Option<f64>,
}

/// What a curve gives to a tree without a height.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fill {
    /// The mean height of its dbh.
    #[default]
    Mean,
    /// Heights drawn about that mean, over and over.
    Draws {
        /// How many times.
        number: usize,
        /// Seed of the random numbers.
        seed: u64,
    },
}

/// What the crew was told about the height trees. It is about live, unbroken trees: others need no
/// height.
#[derive(Clone, Debug, PartialEq)]
pub struct Subsample {
    /// The rule.
    pub rule: SubsampleRule,
    /// Selections that it is about; all with tree records when empty.
    pub selections: Vec<SelectionIndex>,
}

/// Which trees get a height. Trees are taken in the order of their numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SubsampleRule {
    /// The first trees of each species on each plot.
    FirstPerSpecies {
        /// How many.
        per_plot: usize,
    },
    /// Every nth tree.
    EveryNth {
        /// The n.
        every: usize,
        /// Where the count begins anew.
        count_over: CountOver,
    },
    /// Some trees of each dbh class, all species together, whichever they are.
    PerDbhClass {
        /// Width of the classes, which begin at multiples of it.
        class_cm: f64,
        /// How many trees of each.
        per_class: usize,
        /// Where they are taken from.
        over: ClassOver,
    },
    /// Every tree of one selection.
    AllIn {
        /// The selection.
        selection: SelectionIndex,
    },
}

/// Where a count of trees begins anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CountOver {
    /// On every plot.
    Plot,
    /// Never: it runs on from plot to plot and from stand to stand, in the order of their names.
    Cruise,
}

/// Where the trees of a dbh class are taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClassOver {
    /// From each plot.
    Plot,
    /// From each stand.
    Stand,
}

/// The curve form that the design asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CurveChoice {
    /// The acceptable form that is best by `heights::fit`.
    Best,
    /// One form, by its name.
    Named(String),
}

/// Weights in the height fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FitWeights {
    /// All trees alike.
    Equal,
    /// 1/dbh.
    InverseDbh,
    /// By the precision of each height and the variance about the curve.
    Precision,
}

/// Which trees share a fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FitBy {
    /// Those of one stand.
    Stand,
    /// Those of the whole cruise.
    Cruise,
}

/// Which volume equations are applied.
#[derive(Clone, Debug)]
pub struct Volume {
    /// Name of the set, a folder in `species-tables/volume/`.
    pub set: String,
    /// Region or zone of the set.
    pub region: Option<String>,
    /// Species (lower-cased, as written) without an equation, and the species that stands in.
    pub substitute: Vec<(String, String)>,
    /// What to do for species without an equation and without a substitute.
    pub fallback: Fallback,
    /// Limits of merchantable wood.
    pub merchantable: Option<Merchantable>,
    /// Was the stand planted? Some publications have equations for planted stands.
    pub planted: bool,
    /// Name of a set of bark ratios, a folder in `species-tables/bark/`: by it stems go from one
    /// bark basis to the other, for logs and for the top of merchantable wood.
    pub bark: Option<String>,
}

/// Which biomass equations are applied.
#[derive(Clone, Debug, Default)]
pub struct Biomass {
    /// Names of sets in order of preference: folders in `species-tables/biomass/`, or a volume set
    /// that gives biomass too.
    pub sets: Vec<String>,
    /// Region or zone of the sets.
    pub region: Option<String>,
    /// Ecological province, for sets that use one.
    pub province: Option<String>,
    /// Are the stands planted? `None`: as for volume.
    pub planted: Option<bool>,
    /// Carbon in a unit of oven-dry mass, in place of the sets' own.
    pub carbon_fraction: Option<f64>,
    /// Species (lower-cased, as written) without an equation, and the species that stands in.
    pub substitute: Vec<(String, String)>,
    /// What to do for species without an equation and without a substitute.
    pub fallback: Fallback,
}

/// What to do for a species without an equation.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fallback {
    /// Refuse to compile.
    #[default]
    None,
    /// Take the equation of the genus.
    Genus,
    /// Take the equation of the genus, then of the species group.
    Group,
}

/// Limits of merchantable wood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Merchantable {
    /// Stump height.
    pub stump_m: f64,
    /// Top diameter.
    pub top_diameter_cm: f64,
    /// Is the top diameter taken inside bark?
    pub top_inside_bark: bool,
    /// Trees thinner than this have no merchantable volume.
    pub min_dbh_cm: Option<f64>,
}

/// How stems are cut into logs, and how logs are scaled.
#[derive(Clone, Debug, PartialEq)]
pub struct LogRules {
    /// Height of the stump, where the first log begins.
    pub stump_m: f64,
    /// Rule for the cubic volume of a log.
    pub cubic_rule: CubicRule,
    /// Rules for board feet, each a table of its own; may be empty.
    pub board_feet: Vec<BoardFeet>,
    /// How the small-end diameter is taken for board feet.
    pub scale_diameter: ScaleDiameter,
    /// How the length is taken for board feet.
    pub scale_length: ScaleLength,
    /// Width of a class of small-end diameters.
    pub class_cm: f64,
    /// Products in order of preference.
    pub products: Vec<Product>,
}

/// A product: what a log must be to be one.
#[derive(Clone, Debug, PartialEq)]
pub struct Product {
    /// Its name.
    pub name: String,
    /// Nominal lengths, the longest first.
    pub lengths_m: Vec<f64>,
    /// Length left on top of the nominal length; it scales as nothing.
    pub trim_m: f64,
    /// Least diameter inside bark at the top of the nominal length.
    pub min_top_dib_cm: f64,
    /// Trees thinner than this give none.
    pub min_dbh_cm: Option<f64>,
    /// Species that give it, as written; empty for all.
    pub species: Vec<String>,
    /// Do dead trees give none?
    pub live_only: bool,
}

/// Rule for the cubic volume of a log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CubicRule {
    /// From both ends.
    Smalian,
    /// From the middle.
    Huber,
    /// From both ends and the middle.
    Newton,
}

impl CubicRule {
    /// All of them, with their names.
    pub const NAMES: [(&'static str, CubicRule); 3] = [
        ("smalian", CubicRule::Smalian),
        ("huber", CubicRule::Huber),
        ("newton", CubicRule::Newton),
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        let (name, _) = CubicRule::NAMES[self as usize];
        name
    }
}

/// A rule for board feet, and how each log is rounded.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardFeet {
    /// A folder in `species-tables/log-rules/`.
    pub rule: String,
    /// How the volume of each log is rounded.
    pub rounding: Rounding,
}

/// How the board feet of a log are rounded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rounding {
    /// As the tables of the rule are.
    AsPrinted,
    /// To the nearest multiple, halves up.
    Nearest(f64),
    /// Not at all.
    Exact,
}

/// How a small-end diameter is taken for board feet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScaleDiameter {
    /// To the nearest inch, halves up.
    NearestInch,
    /// To the whole inch below.
    InchBelow,
    /// As it is.
    AsIs,
}

/// How a length is taken for board feet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScaleLength {
    /// The nominal length as it is.
    AsIs,
    /// To the whole foot below.
    WholeFoot,
}
