//! `species`: find a species by any code or name.

use anyhow::Result;

use super::{Outcome, load, report, single};
use crate::cli::SpeciesArgs;
use crate::diagnostic::Diagnostic;
use crate::read::excerpts::Named;
use crate::render::terminal;
use crate::species::{SpeciesId, SpeciesTable};
use crate::tables::{Block, Report, catalogue};
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &SpeciesArgs) -> Result<Outcome> {
    let tables = load::tables(arguments.tables.as_deref()).and_then(|tables| tables.species());
    let table = match tables {
        Ok(table) => table,
        Err(problems) => {
            report(&problems, &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    let found = match &arguments.text {
        Some(text) => matching(&table, text),
        None => table.iter().map(|(id, _)| id).collect(),
    };
    if found.is_empty() {
        let text = arguments.text.as_deref().unwrap_or_default();
        let near = table.nearest(text);
        let hint = if near.is_empty() {
            "`spinney species` lists all; give a code, or three letters of a name".to_owned()
        } else {
            format!("did you mean {}?", near.join(", "))
        };
        let diagnostic = Diagnostic::error(
            "unknown-species",
            format!("no species is known as `{text}`"),
        )
        .hint(hint);
        report(&single(diagnostic), &Named::default())?;
        return Ok(Outcome::InputIsWrong);
    }
    let mut list = Report::new("Species");
    let heading = if found.len() == 1 {
        "1 entry".to_owned()
    } else {
        format!("{} entries", found.len())
    };
    list.section(
        heading,
        vec![Block::Table(catalogue::species(&table, &found))],
    );
    write::standard_output(terminal::render(&list, write::report_width(None, false)))?;
    Ok(Outcome::Done)
}

/// The species that a code means, else all whose names contain the text.
fn matching(table: &SpeciesTable, text: &str) -> Vec<SpeciesId> {
    let wanted = text.trim().to_lowercase();
    let contains = |name: &str| name.to_lowercase().contains(&wanted);
    let by_code = table.lookup(text);
    let by_name = table.iter().filter(|(_, species)| {
        wanted.len() > 2 && (contains(&species.common_name) || contains(&species.scientific_name))
    });
    let mut found: Vec<SpeciesId> = by_name.map(|(id, _)| id).chain(by_code).collect();
    found.sort_unstable();
    found.dedup();
    found
}
