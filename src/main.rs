//! The `spinney` command: parse, dispatch, print what failed, exit status.

use std::process::ExitCode;

use clap::Parser as _;

use spinney::cli::Cli;
use spinney::{commands, write};

fn main() -> ExitCode {
    let cli = Cli::parse();
    match commands::run(&cli) {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            // Nothing more can be said if even standard error is closed.
            let _ = write::standard_error(write::failure(&error));
            ExitCode::FAILURE
        }
    }
}
