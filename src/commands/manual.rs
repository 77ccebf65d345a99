//! `completions` and `manual`: what shells and `man` need, from the definitions of the command line.

use std::fs;

use anyhow::{Context as _, Result};
use clap::{Command, CommandFactory as _};
use clap_mangen::Man;

use super::Outcome;
use crate::cli::{Cli, CompletionsArgs, ManualArgs};
use crate::write;

/// Prints a script for a shell.
pub(super) fn completions(arguments: &CompletionsArgs) -> Result<Outcome> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Cli::command(), "spinney", &mut script);
    write::standard_output(script)?;
    Ok(Outcome::Done)
}

/// Writes the manual: a page of the program, and one of each command.
pub(super) fn manual(arguments: &ManualArgs) -> Result<Outcome> {
    // The pages are the manual; a command that prints other help has none.
    let mut program = Cli::command().disable_help_subcommand(true);
    program.build();
    let Some(folder) = &arguments.out else {
        write::standard_output(page(&program)?.1)?;
        return Ok(Outcome::Done);
    };
    let mut pages = Vec::new();
    add_pages(&program, &mut pages)?;
    fs::create_dir_all(folder).with_context(|| {
        let shown = folder.display();
        format!("{shown}: this folder cannot be made; name one that you may write in")
    })?;
    for (name, page) in pages {
        write::file(&folder.join(name), page)?;
    }
    Ok(Outcome::Done)
}

/// The pages of a command and of those below it.
fn add_pages(command: &Command, pages: &mut Vec<(String, Vec<u8>)>) -> Result<()> {
    pages.push(page(command)?);
    for below in command.get_subcommands() {
        add_pages(below, pages)?;
    }
    Ok(())
}

/// Name of a file and what stands in it.
fn page(command: &Command) -> Result<(String, Vec<u8>)> {
    let page = Man::new(command.clone());
    let mut text = Vec::new();
    page.render(&mut text)?;
    Ok((page.get_filename(), text))
}
