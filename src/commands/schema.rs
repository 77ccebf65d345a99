//! `schema`: the JSON Schema of the cruise design.

use anyhow::Result;

use super::{Outcome, load, report};
use crate::cli::SchemaArgs;
use crate::read::excerpts::Named;
use crate::read::tables::Tables;
use crate::{schema, write};

/// Runs the command.
pub(super) fn run(arguments: &SchemaArgs) -> Result<Outcome> {
    let tables = match load::tables(arguments.tables.as_deref()) {
        Ok(tables) => tables,
        Err(problems) => {
            report(&problems, &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    let text = text(&tables)?;
    match &arguments.out {
        Some(path) => write::file(path, text)?,
        None => write::standard_output(text)?,
    }
    Ok(Outcome::Done)
}

/// The schema with the names that the tables know.
pub(super) fn text(tables: &Tables) -> Result<String> {
    let schema = load::with_known_names(tables, schema::design);
    Ok(serde_json::to_string_pretty(&schema)? + "\n")
}
