//! `batch` and `merge`, as typed.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use serde::{Deserialize, Serialize};

use super::Overrides;

/// Options of `batch`.
#[expect(clippy::struct_excessive_bools, reason = "each is a switch")]
#[derive(Clone, Debug, Args)]
pub struct BatchArgs {
    /// Cruise designs, or patterns such as `stands/*/design.yaml`.
    #[arg(value_name = "DESIGN")]
    pub designs: Vec<String>,
    /// File with one design or pattern on each line (`#` begins a comment); `-` reads them from
    /// standard input.
    #[arg(long, value_name = "FILE", help_heading = "Input")]
    pub list: Vec<PathBuf>,
    /// Folder for the results; made if it is not there.
    #[arg(long, value_name = "DIR", help_heading = "Result")]
    pub out: PathBuf,
    /// Form of the tables of estimates and trees.
    #[arg(long, value_enum, default_value_t = BatchFormat::Csv, help_heading = "Result")]
    pub format: BatchFormat,
    /// Write every tree, with its height, volumes and expansion.
    #[arg(long, help_heading = "Result")]
    pub tree_list: bool,
    /// Write the report of each stand to a file of its own, in the folder `reports`: as text, or in
    /// the form that is named (`--reports=html`).
    #[arg(
        long,
        value_enum,
        value_name = "FORM",
        num_args = 0..=1,
        require_equals = true,
        default_missing_value = "terminal",
        help_heading = "Result"
    )]
    pub reports: Option<ReportForm>,
    /// Go on with what an earlier run has in the same folder: only what is missing, or made from
    /// other records or options, is compiled.
    #[arg(long, help_heading = "Run")]
    pub resume: bool,
    /// Stop at the first stand that cannot be compiled, and write no results.
    #[arg(long, help_heading = "Run")]
    pub strict: bool,
    /// Stands that are compiled at a time; as many as there are cores unless said.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..), help_heading = "Run")]
    pub threads: Option<u16>,
    /// Print neither progress nor the table of all stands.
    #[arg(long, conflicts_with = "verbose", help_heading = "Run")]
    pub quiet: bool,
    /// Print every finding, not only the first errors.
    #[arg(long, help_heading = "Run")]
    pub verbose: bool,
    /// What the command line says in place of the designs.
    #[command(flatten)]
    pub overrides: Overrides,
}

/// Options of `merge`.
#[derive(Clone, Debug, Args)]
pub struct MergeArgs {
    /// Folders of results of `batch`.
    #[arg(value_name = "DIR", required = true)]
    pub folders: Vec<PathBuf>,
    /// Folder for the results together.
    #[arg(long, value_name = "DIR", help_heading = "Result")]
    pub out: PathBuf,
    /// Form of the tables of estimates and trees.
    #[arg(long, value_enum, default_value_t = BatchFormat::Csv, help_heading = "Result")]
    pub format: BatchFormat,
    /// Do not print the table of all stands.
    #[arg(long, help_heading = "Run")]
    pub quiet: bool,
}

/// Forms of the reports of single stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Serialize, Deserialize)]
pub enum ReportForm {
    /// Text.
    Terminal,
    /// Markdown.
    Markdown,
    /// One HTML page with charts.
    Html,
}

/// Forms of the large tables of a batch run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum BatchFormat {
    /// Comma-separated text.
    Csv,
    /// Columns, for large inventories (Apache Parquet); findings and summary stay CSV.
    Parquet,
}
