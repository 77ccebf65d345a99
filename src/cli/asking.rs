//! `check`, `completions` and `manual`, as typed.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use clap_complete::Shell;

use super::DesignArgs;

/// Options of `check`.
#[derive(Clone, Debug, Args)]
pub struct CheckArgs {
    /// The cruise.
    #[command(flatten)]
    pub design: DesignArgs,
    /// Form of the result.
    #[arg(long, value_enum, default_value_t = CheckFormat::Terminal, help_heading = "Result")]
    pub format: CheckFormat,
}

/// Forms of what a check finds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CheckFormat {
    /// Findings as text on standard error, counts on standard output.
    Terminal,
    /// All of it as JSON on standard output.
    Json,
}

/// Options of `completions`.
#[derive(Clone, Debug, Args)]
pub struct CompletionsArgs {
    /// The shell that is to complete commands and options.
    #[arg(value_enum, value_name = "SHELL")]
    pub shell: Shell,
}

/// Options of `manual`.
#[derive(Clone, Debug, Args)]
pub struct ManualArgs {
    /// Folder for a page of each command; made if it is not there. Without it the page of the
    /// program goes to standard output.
    #[arg(long, value_name = "FOLDER", help_heading = "Result")]
    pub out: Option<PathBuf>,
}
