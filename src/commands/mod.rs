//! The commands: each reads, calls the core, renders, writes.

use std::process::ExitCode;

use anyhow::Result;

use crate::cli::{Cli, Command};
use crate::diagnostic::{Diagnostic, Problems, Severity};
use crate::read::excerpts::{Excerpts, Named};
use crate::render::excerpt;
use crate::write;

mod batch;
mod check;
mod compare;
mod compile;
mod equations;
mod explain;
mod heights;
pub mod load;
mod manual;
mod new;
mod outputs;
mod plan;
mod schema;
mod species;
mod tally;

/// What a command ends with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Done.
    Done,
    /// The input is wrong: nothing was compiled.
    InputIsWrong,
    /// The command line is wrong: nothing was read.
    CommandLineIsWrong,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Done => ExitCode::SUCCESS,
            Outcome::InputIsWrong => ExitCode::FAILURE,
            Outcome::CommandLineIsWrong => ExitCode::from(2),
        }
    }
}

/// Runs the command that was typed.
pub fn run(cli: &Cli) -> Result<Outcome> {
    match &cli.command {
        Command::Plan(arguments) => plan::run(arguments),
        Command::Compile(arguments) => compile::run(arguments),
        Command::Batch(arguments) => batch::run(arguments),
        Command::Merge(arguments) => batch::merge::run(arguments),
        Command::Compare(arguments) => compare::run(arguments),
        Command::Heights(arguments) => heights::run(arguments),
        Command::Check(arguments) => check::run(arguments),
        Command::Species(arguments) => species::run(arguments),
        Command::Equations(arguments) => equations::run(arguments),
        Command::Explain(arguments) => explain::run(arguments),
        Command::Completions(arguments) => manual::completions(arguments),
        Command::Manual(arguments) => manual::manual(arguments),
        Command::New(arguments) => new::run(arguments),
        Command::Tally(arguments) => tally::run(arguments),
        Command::Schema(arguments) => schema::run(arguments),
    }
}

/// Prints findings to standard error, and a last line that counts them.
fn report(problems: &Problems, named: &Named) -> Result<()> {
    if problems.is_empty() {
        return Ok(());
    }
    write::standard_error(&(lines(problems, named) + &counts(problems) + "\n"))
}

/// The findings, many of one kind folded, with the lines of the files that they are about.
fn lines(problems: &Problems, named: &Named) -> String {
    let folded = problems.clone().folded();
    let excerpts = Excerpts::read(&folded, named);
    let coloured = write::standard_error_is_coloured();
    let shown = folded.iter();
    shown
        .map(|one| excerpt::finding(one, &excerpts, coloured))
        .collect()
}

/// `2 errors, 1 warning, 3 notes`.
fn counts(problems: &Problems) -> String {
    let one = |severity: Severity| {
        let count = problems.count(severity);
        let plural = if count == 1 { "" } else { "s" };
        format!("{count} {severity}{plural}")
    };
    [Severity::Error, Severity::Warning, Severity::Note]
        .map(one)
        .join(", ")
}

/// A single error without a place.
fn single(diagnostic: Diagnostic) -> Problems {
    let mut problems = Problems::new();
    problems.push(diagnostic);
    problems
}
