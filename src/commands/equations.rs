//! `equations`: list volume sets, show one, run check values.

use anyhow::Result;

use super::{Outcome, load, report};
use crate::cli::EquationsArgs;
use crate::diagnostic::Problems;
use crate::logs::rules::LogRule;
use crate::render::terminal;
use crate::species::SpeciesTable;
use crate::species::set::VolumeSet;
use crate::tables::{Block, Report, catalogue, log_rules as logs};
use crate::write;

const WIDTH: usize = 80;
/// Check values need more columns than a narrow terminal has.
const WIDE: usize = 110;

/// Runs the command.
pub(super) fn run(arguments: &EquationsArgs) -> Result<Outcome> {
    let (table, sets) = match read(arguments) {
        Ok(read) => read,
        Err(problems) => {
            report(&problems)?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    if arguments.verify {
        let rules = match log_rules(arguments) {
            Ok(rules) => rules,
            Err(problems) => {
                report(&problems)?;
                return Ok(Outcome::InputIsWrong);
            }
        };
        return verify(&sets, &table, &rules);
    }
    let shown = match (&arguments.set, &sets[..]) {
        (Some(_), [set]) => catalogue::volume_set(set, &table),
        _ => catalogue::volume_sets(&sets),
    };
    write::standard_output(&terminal::render(&shown, WIDTH))?;
    Ok(Outcome::Done)
}

fn read(arguments: &EquationsArgs) -> Result<(SpeciesTable, Vec<VolumeSet>), Problems> {
    let tables = load::tables(arguments.tables.as_deref())?;
    let table = tables.species()?;
    let names = match &arguments.set {
        Some(name) => vec![name.clone()],
        None => tables.volume_sets(),
    };
    let sets = names.iter().map(|name| tables.volume_set(name, &table));
    Ok((table.clone(), sets.collect::<Result<_, _>>()?))
}

/// The log rules; none where a single volume set is asked for.
fn log_rules(arguments: &EquationsArgs) -> Result<Vec<LogRule>, Problems> {
    if arguments.set.is_some() {
        return Ok(Vec::new());
    }
    let tables = load::tables(arguments.tables.as_deref())?;
    let names = tables.log_rules();
    names.iter().map(|name| tables.log_rule(name)).collect()
}

fn verify(sets: &[VolumeSet], table: &SpeciesTable, rules: &[LogRule]) -> Result<Outcome> {
    let mut shown = Report::new("Check values");
    let (mut checks, mut failed) = (0, 0);
    for set in sets {
        let results = set.verify(table);
        checks += results.len();
        failed += results.iter().filter(|result| !result.pass).count();
        let worst = results
            .iter()
            .map(|result| result.relative_error.abs())
            .fold(0.0, f64::max);
        shown.section(
            set.name.clone(),
            vec![
                Block::Paragraph(format!(
                    "{} check values, largest relative difference {worst:.1e}",
                    results.len()
                )),
                Block::Table(catalogue::checks(&results, table)),
            ],
        );
    }
    for rule in rules {
        let results = rule.verify();
        checks += results.len();
        failed += results.iter().filter(|result| !result.pass).count();
        shown.section(
            format!("Log rule {}", rule.name),
            logs::checks(rule, &results),
        );
    }
    let mut text = terminal::render(&shown, WIDE);
    text += &format!("\n{} of {checks} check values agree\n", checks - failed);
    write::standard_output(&text)?;
    Ok(if failed == 0 {
        Outcome::Done
    } else {
        Outcome::InputIsWrong
    })
}
