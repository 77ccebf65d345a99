//! `tally`: field sheets to be printed.

use anyhow::Result;

use super::{Outcome, load, outputs, report};
use crate::cli::TallyArgs;
use crate::design::Input;
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::read::csv::Table;
use crate::read::excerpts::Named;
use crate::read::source::Source;
use crate::read::tables::Tables;
use crate::render::html;
use crate::species::SpeciesTable;
use crate::tables::tally::{Wanted, sheets};
use crate::units::UnitSystem;
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &TallyArgs) -> Result<Outcome> {
    let mut problems = Problems::new();
    let inputs = [arguments.design.as_path()];
    problems.append(outputs::check(
        &[("--out", arguments.out.as_deref())],
        inputs,
    ));
    let text = read(arguments, &mut problems).filter(|_| !problems.has_errors());
    report(&problems.sorted(), &Named::of_design(&arguments.design))?;
    let Some(text) = text else {
        return Ok(Outcome::InputIsWrong);
    };
    match &arguments.out {
        Some(path) => write::file(path, text)?,
        None => write::standard_output(text)?,
    }
    Ok(Outcome::Done)
}

/// The sheets; what is wrong is in `problems`.
fn read(arguments: &TallyArgs, problems: &mut Problems) -> Option<String> {
    let read = load::read_design_alone(&arguments.design, arguments.tables.as_deref(), problems);
    let (design, tables) = read?;
    check_species(
        &arguments.species,
        &design.species_aliases,
        &tables,
        problems,
    )?;
    let plots = if arguments.plot_names.is_empty() {
        vec![String::new(); usize::from(arguments.plots)]
    } else {
        arguments.plot_names.clone()
    };
    let inputs = &design.inputs;
    let wanted = Wanted {
        plots,
        species: arguments.species.clone(),
        strata: arguments.strata.clone(),
        lines: arguments.rows.map(usize::from),
        tree_heads: heads(inputs.trees.as_ref()).unwrap_or_else(|| usual_tree_heads(design.units)),
        plot_heads: heads(inputs.plots.as_ref()).unwrap_or_else(usual_plot_heads),
    };
    Some(html::tally::render(&sheets(&design, &wanted)))
}

/// Species for the sheets must be known.
pub(super) fn check_species(
    names: &[String],
    aliases: &[(String, String)],
    tables: &Tables,
    problems: &mut Problems,
) -> Option<SpeciesTable> {
    let species = load::keep(tables.species(), problems)?;
    let mut all_known = true;
    for name in names {
        let is_alias = aliases.iter().any(|(code, _)| *code == name.to_lowercase());
        if !is_alias && species.lookup(name).is_none() {
            let message = format!("--species: no species is known as {}", seen(name));
            let hint = "`spinney species TEXT` finds its code";
            problems.push(Diagnostic::error("unknown-species", message).hint(hint));
            all_known = false;
        }
    }
    all_known.then_some(species)
}

/// The heads of a record file, as they are called here; `None` where there is none that can be read.
fn heads(input: Option<&Input>) -> Option<Vec<String>> {
    let input = input.filter(|input| input.path != "-")?;
    let source = Source::open_records(input).ok()?;
    // Whatever is wrong with the file is told by `check`.
    let table = Table::open(&source, &input.columns, &mut Problems::new())?;
    Some(table.heads().to_vec())
}

fn usual_plot_heads() -> Vec<String> {
    ["slope_pct", "plot_fraction", "easting", "northing"]
        .map(String::from)
        .to_vec()
}

/// Columns of sheets where there is no trees file yet.
fn usual_tree_heads(units: UnitSystem) -> Vec<String> {
    let (length, diameter) = (units.length().label, units.diameter().label);
    let heads = [
        "tree",
        "species",
        &format!("dbh_{diameter}"),
        "status",
        "decay_class",
        "top_pct",
        "base_pct",
        &format!("distance_{length}"),
        &format!("broken_height_{length}"),
        "defect_pct",
        &format!("distance_to_centre_{length}"),
        "note",
    ];
    heads.map(str::to_owned).to_vec()
}
