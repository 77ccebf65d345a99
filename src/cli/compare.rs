//! `compare`, as typed.

use std::path::PathBuf;

use clap::Args;

use super::{TableFormat, Units, confidence};

/// Options of `compare`.
#[derive(Clone, Debug, Args)]
pub struct CompareArgs {
    /// The cruise design (YAML); `-` reads it from standard input.
    #[arg(value_name = "DESIGN")]
    pub design: PathBuf,
    /// Alternative with this volume set; its region is the design's unless one is given.
    #[arg(
        long,
        value_name = "SET[@REGION]",
        group = "alternative",
        help_heading = "Alternatives"
    )]
    pub volume_set: Vec<SetInRegion>,
    /// Alternative with this form of the height-diameter curve (`best` or a form's name).
    #[arg(
        long,
        value_name = "FORM",
        group = "alternative",
        help_heading = "Alternatives"
    )]
    pub curve: Vec<String>,
    /// Alternative with these merchantable limits, keys as in the design.
    #[arg(
        long,
        value_name = "KEY=VALUE,...",
        group = "alternative",
        help_heading = "Alternatives"
    )]
    pub merchantable: Vec<String>,
    /// Form of the result.
    #[arg(long, value_enum, default_value_t = TableFormat::Terminal, help_heading = "Result")]
    pub format: TableFormat,
    /// File to write the result to.
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub out: Option<PathBuf>,
    /// Show one stand of several in the terminal report.
    #[arg(long, value_name = "NAME", help_heading = "Result")]
    pub stand: Option<String>,
    /// Width of the terminal report in columns; that of the terminal, from 80 to 120, if not given.
    #[arg(long, value_name = "COLUMNS", value_parser = clap::value_parser!(u16).range(40..), help_heading = "Result")]
    pub width: Option<u16>,
    /// Confidence level of the intervals, for example 0.9.
    #[arg(long, value_name = "LEVEL", value_parser = confidence, help_heading = "Result")]
    pub confidence: Option<f64>,
    /// Units of the results.
    #[arg(long, value_enum, value_name = "SYSTEM", help_heading = "Result")]
    pub units: Option<Units>,
    /// Folder of your own species tables, added to the built-in ones.
    #[arg(long, value_name = "FOLDER", help_heading = "Equations and curves")]
    pub tables: Option<PathBuf>,
}

/// A volume set and, if named, one of its regions: `SET` or `SET@REGION`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetInRegion {
    /// Name of the set.
    pub set: String,
    /// The region.
    pub region: Option<String>,
}

impl std::str::FromStr for SetInRegion {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (set, region) = match text.split_once('@') {
            Some((set, region)) => (set, Some(region)),
            None => (text, None),
        };
        if set.is_empty() || region == Some("") {
            return Err("write it as SET or SET@REGION".to_owned());
        }
        Ok(SetInRegion {
            set: set.to_owned(),
            region: region.map(str::to_owned),
        })
    }
}
