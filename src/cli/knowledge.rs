//! `species` and `equations`, as typed.

use std::path::PathBuf;

use clap::Args;

use super::size;

/// Options of `species`.
#[derive(Clone, Debug, Args)]
pub struct SpeciesArgs {
    /// Part of a name, or a code.
    #[arg(value_name = "TEXT")]
    pub text: Option<String>,
    /// Folder of your own species tables, added to the built-in ones.
    #[arg(long, value_name = "FOLDER", help_heading = "Tables")]
    pub tables: Option<PathBuf>,
}

/// Options of `equations`.
#[derive(Clone, Debug, Args)]
pub struct EquationsArgs {
    /// The set to show; all are listed without one.
    #[arg(value_name = "SET")]
    pub set: Option<String>,
    /// Run the check values of the set (or of all) and list them with the result.
    #[arg(long, help_heading = "Result")]
    pub verify: bool,
    /// Only sets that cover this species (any code or name).
    #[arg(
        long,
        value_name = "SPECIES",
        conflicts_with = "verify",
        help_heading = "Which sets"
    )]
    pub species: Option<String>,
    /// Only sets with this region or zone.
    #[arg(
        long,
        value_name = "REGION",
        conflicts_with = "verify",
        help_heading = "Which sets"
    )]
    pub region: Option<String>,
    /// A tree to evaluate.
    #[command(flatten)]
    pub tree: TreeArgs,
    /// Folder of your own species tables, added to the built-in ones.
    #[arg(long, value_name = "FOLDER", help_heading = "Which sets")]
    pub tables: Option<PathBuf>,
}

/// A tree to evaluate under every set.
#[derive(Clone, Debug, Args)]
#[command(next_help_heading = "One tree")]
pub struct TreeArgs {
    /// Its dbh in cm.
    #[arg(long, value_name = "CM", value_parser = size, requires = "species", conflicts_with = "verify")]
    pub dbh_cm: Option<f64>,
    /// Its dbh in inches; results are then imperial.
    #[arg(long, value_name = "IN", value_parser = size, requires = "species", conflicts_with_all = ["dbh_cm", "verify"])]
    pub dbh_in: Option<f64>,
    /// Its total height in m.
    #[arg(long, value_name = "M", value_parser = size, requires = "species")]
    pub height_m: Option<f64>,
    /// Its total height in feet.
    #[arg(long, value_name = "FT", value_parser = size, requires = "species", conflicts_with = "height_m")]
    pub height_ft: Option<f64>,
    /// Height in m at which it is broken off.
    #[arg(long, value_name = "M", value_parser = size)]
    pub broken_height_m: Option<f64>,
    /// Top diameter of merchantable wood inside bark, cm.
    #[arg(long, value_name = "CM", value_parser = size)]
    pub top_dib_cm: Option<f64>,
    /// Top diameter of merchantable wood outside bark, cm.
    #[arg(long, value_name = "CM", value_parser = size, conflicts_with = "top_dib_cm")]
    pub top_dob_cm: Option<f64>,
    /// Stump height of merchantable wood, m.
    #[arg(long, value_name = "M", default_value_t = 0.3)]
    pub stump_m: f64,
    /// A planted stand.
    #[arg(long)]
    pub planted: bool,
}
