//! `heights`: the report on height curves.

use anyhow::Result;

use super::compile::{unknown_stand, warn_of_missing_heights};
use super::{Outcome, load, outputs, report};
use crate::cli::{HeightsArgs, TableFormat};
use crate::compile::{Compilation, compile, means};
use crate::diagnostic::{Diagnostic, Problems};
use crate::records::CruiseSpeciesIndex;
use crate::render::{csv, json, terminal};
use crate::tables::height_report::{
    Asked, Gathered, bias_rows, curve_rows, data, out_rows, without_rows,
};
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &HeightsArgs) -> Result<Outcome> {
    let loaded = load::load(&arguments.design);
    let mut problems = loaded.problems;
    let Some(cruise) = &loaded.cruise else {
        report(&problems, &loaded.named)?;
        return Ok(Outcome::InputIsWrong);
    };
    let asked_for = [
        ("--data", arguments.data.as_deref()),
        ("--out", arguments.out.as_deref()),
    ];
    problems.append(outputs::check(&asked_for, loaded.named.paths()));
    if problems.has_errors() {
        report(&problems, &loaded.named)?;
        return Ok(Outcome::InputIsWrong);
    }
    let compilation = match compile(&cruise.design, &cruise.records, &cruise.knowledge) {
        Ok(compilation) => compilation,
        Err(missing) => {
            problems.push(Diagnostic::error("no-equation", missing.message).hint(missing.hint));
            report(&problems, &loaded.named)?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    let asked = match asked(&compilation, arguments) {
        Ok(asked) => asked,
        Err(problems) => {
            report(&problems, &loaded.named)?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    warn_of_missing_heights(&compilation, &mut problems);
    report(&problems, &loaded.named)?;
    let gathered = Gathered::new(&compilation, asked);
    let result = render(&compilation, &gathered, arguments)?;
    // The data first: if their place cannot be written, nothing else is left behind.
    if let Some(path) = &arguments.data {
        write::file(path, csv::render(&data(&gathered)))?;
    }
    match &arguments.out {
        Some(path) => write::file(path, &result)?,
        None => write::standard_output(&result)?,
    }
    Ok(Outcome::Done)
}

/// The stand and the species that the command line names; every one that is not there is told.
fn asked(compilation: &Compilation<'_>, arguments: &HeightsArgs) -> Result<Asked, Problems> {
    let stand = arguments.stand.as_deref();
    let mut problems = unknown_stand(compilation, stand).unwrap_or_default();
    let stands = &compilation.records.stands;
    let stand = stand.and_then(|name| stands.iter().position(|stand| stand.name == name));
    let species =
        arguments
            .species
            .as_deref()
            .and_then(|text| match species_of(compilation, text) {
                Ok(species) => Some(species),
                Err(problem) => {
                    problems.push(problem);
                    None
                }
            });
    if problems.is_empty() {
        Ok(Asked { stand, species })
    } else {
        Err(problems)
    }
}

/// A species of the cruise, by its label there or by any code or name.
fn species_of(compilation: &Compilation<'_>, text: &str) -> Result<CruiseSpeciesIndex, Diagnostic> {
    let species = &compilation.records.species;
    let aliases = &compilation.design.species_aliases;
    let id = means(aliases, &compilation.knowledge.species, text);
    let is_it = |label: &str| label.eq_ignore_ascii_case(text);
    let mut found = species.iter();
    found
        .position(|one| is_it(&one.label) || Some(one.id) == id)
        .ok_or_else(|| {
            let labels: Vec<&str> = species.iter().map(|one| one.label.as_str()).collect();
            Diagnostic::error(
                "unknown-species",
                format!("--species: there is no `{text}` in this cruise"),
            )
            .hint(format!("species: {}", labels.join(", ")))
        })
}

fn render(
    compilation: &Compilation<'_>,
    gathered: &Gathered<'_>,
    arguments: &HeightsArgs,
) -> Result<Vec<u8>> {
    let design = compilation.design;
    Ok(match arguments.format {
        TableFormat::Terminal => {
            let width = write::report_width(arguments.width, arguments.out.is_some());
            terminal::render(&gathered.report(width), width).into_bytes()
        }
        TableFormat::Csv => csv::render(&curve_rows(gathered)),
        TableFormat::Json => {
            let head = json::Head {
                title: &design.title,
                units: design.units.name(),
                confidence: design.confidence,
            };
            let tables = [
                ("curves", curve_rows(gathered)),
                ("bias", bias_rows(gathered)),
                ("without_curve", without_rows(gathered)),
                ("standing_out", out_rows(gathered)),
                ("heights", data(gathered)),
            ];
            json::render(&head, &tables)?.into_bytes()
        }
    })
}
