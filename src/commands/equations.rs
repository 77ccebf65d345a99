//! `equations`: list the sets, show one, try a tree under them, run check values.

use anyhow::Result;

use super::{Outcome, load, report, single};
use crate::cli::EquationsArgs;
use crate::design::Merchantable;
use crate::diagnostic::{Diagnostic, Problems};
use crate::logs::rules::LogRule;
use crate::read::excerpts::Named;
use crate::read::table_head::known_hint;
use crate::read::table_volume::unknown_species;
use crate::render::terminal;
use crate::species::bark::BarkSet;
use crate::species::biomass::BiomassSet;
use crate::species::set::VolumeSet;
use crate::species::{SpeciesId, SpeciesTable};
use crate::stems::evaluation::{self, Question};
use crate::stems::volume::StemInput;
use crate::tables::{self, Block, Report, catalogue, log_rules as logs};
use crate::units::{CM_PER_IN, M_PER_FT, UnitSystem};
use crate::write;

/// Check values need more columns than a narrow terminal has.
const WIDE: usize = 110;

/// The sets asked for.
struct Sets {
    volume: Vec<VolumeSet>,
    biomass: Vec<BiomassSet>,
    bark: Vec<BarkSet>,
}

impl Sets {
    /// Each set once: one that gives both volume and biomass is kept as both.
    fn all(&self) -> Vec<&VolumeSet> {
        let masses = self.biomass.iter().filter_map(|set| match set {
            BiomassSet::Components(set) => Some(set.as_ref()),
            BiomassSet::National(_) => None,
        });
        let bark = self.bark.iter().map(BarkSet::set);
        self.volume.iter().chain(masses).chain(bark).collect()
    }
}

/// Runs the command.
pub(super) fn run(arguments: &EquationsArgs) -> Result<Outcome> {
    let (table, sets, warnings) = match read(arguments) {
        Ok(read) => read,
        Err(problems) => {
            report(&problems, &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    report(&warnings, &Named::default())?;
    if arguments.verify {
        let rules = match log_rules(arguments) {
            Ok(rules) => rules,
            Err(problems) => {
                report(&problems, &Named::default())?;
                return Ok(Outcome::InputIsWrong);
            }
        };
        return verify(&sets.all(), &table, &rules);
    }
    let shown = match asked(arguments, &sets, &table) {
        Ok(shown) => shown,
        Err(diagnostic) => {
            report(&single(diagnostic), &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    write::standard_output(terminal::render(&shown, write::report_width(None, false)))?;
    Ok(Outcome::Done)
}

/// The report that the options ask for.
fn asked(
    arguments: &EquationsArgs,
    sets: &Sets,
    table: &SpeciesTable,
) -> Result<Report, Diagnostic> {
    let species = match &arguments.species {
        None => None,
        Some(code) => Some(
            table
                .lookup(code)
                .ok_or_else(|| unknown_species(code, table))?,
        ),
    };
    let tree = &arguments.tree;
    let dbh_cm = tree.dbh_cm.or(tree.dbh_in.map(|inches| inches * CM_PER_IN));
    let height_m = tree.height_m.or(tree.height_ft.map(|feet| feet * M_PER_FT));
    match (species, dbh_cm, height_m) {
        (Some(species), Some(dbh_cm), Some(height_m)) => {
            let top = tree.top_dib_cm.or(tree.top_dob_cm);
            let question = Question {
                species,
                tree: StemInput {
                    dbh_cm,
                    height_m,
                    broken_height_m: tree.broken_height_m,
                },
                region: arguments.region.as_deref(),
                merchantable: top.map(|top_diameter_cm| Merchantable {
                    stump_m: tree.stump_m,
                    top_diameter_cm,
                    top_inside_bark: tree.top_dib_cm.is_some(),
                    min_dbh_cm: None,
                }),
                planted: tree.planted,
            };
            evaluated(arguments, sets, table, &question)
        }
        (_, None, None) => Ok(match (&arguments.set, sets.all().as_slice(), species) {
            (Some(_), [set], None) => catalogue::volume_set(set, table),
            _ => catalogue::volume_sets(&covering(arguments, &sets.all(), species)),
        }),
        _ => Err(Diagnostic::error(
            "tree-incomplete",
            "a tree needs its dbh and its total height",
        )
        .hint("give --dbh-cm or --dbh-in, and --height-m or --height-ft")),
    }
}

fn evaluated(
    arguments: &EquationsArgs,
    sets: &Sets,
    table: &SpeciesTable,
    question: &Question<'_>,
) -> Result<Report, Diagnostic> {
    let evaluations: Vec<_> = sets
        .volume
        .iter()
        .flat_map(|set| evaluation::evaluate(set, question, table))
        .collect();
    let masses: Vec<_> = sets
        .biomass
        .iter()
        .filter_map(|set| evaluation::evaluate_biomass(set, question, table))
        .collect();
    if evaluations.is_empty() && masses.is_empty() {
        if let [bark] = &sets.bark[..]
            && arguments.set.is_some()
        {
            let name = &bark.set().name;
            let message = format!("bark set `{name}` gives neither volume nor biomass");
            return Err(Diagnostic::error("no-equation", message)
                .hint(format!("`spinney equations {name}` shows what it gives")));
        }
        return Err(Diagnostic::error(
            "no-equation",
            format!("no set covers {}", table.get(question.species).label()),
        )
        .hint("`spinney equations --species ...` without a region lists the sets that do"));
    }
    let units = match arguments.tree.dbh_in {
        Some(_) => UnitSystem::Imperial,
        None => UnitSystem::Metric,
    };
    let every_region = arguments.set.is_some() || arguments.region.is_some();
    Ok(tables::evaluation::report(
        question,
        &evaluations,
        &masses,
        every_region,
        table,
        units,
    ))
}

/// The sets that cover the species and have the region, as far as these are asked for.
fn covering<'s>(
    arguments: &EquationsArgs,
    sets: &[&'s VolumeSet],
    species: Option<SpeciesId>,
) -> Vec<&'s VolumeSet> {
    let covers = |set: &&VolumeSet| {
        let region = arguments.region.as_deref();
        region.is_none_or(|name| set.region(name).is_some())
            && species.is_none_or(|id| set.coverage().iter().any(|c| c.species.contains(&id)))
    };
    sets.iter().copied().filter(covers).collect()
}

/// The species table, the sets asked for, and warnings about them.
fn read(arguments: &EquationsArgs) -> Result<(SpeciesTable, Sets, Problems), Problems> {
    let tables = load::tables(arguments.tables.as_deref())?;
    let table = tables.species()?;
    let mut sets = Sets {
        volume: Vec::new(),
        biomass: Vec::new(),
        bark: Vec::new(),
    };
    let mut problems = Problems::new();
    let wanted = |name: &&String| arguments.set.as_ref().is_none_or(|set| set == *name);
    let (volume, biomass) = (tables.volume_sets(), tables.biomass_sets());
    let bark = tables.bark_sets();
    for name in volume.iter().filter(wanted) {
        if let Some(set) = load::keep(tables.volume_set(name, &table), &mut problems) {
            if let Some(warning) = tables.untested("volume", &set) {
                problems.push(warning);
            }
            sets.volume.push(set);
        }
    }
    for name in biomass.iter().filter(wanted) {
        if let Some(set) = load::keep(tables.biomass_set(name, &table), &mut problems) {
            if let Some(warning) = tables.untested("biomass", set.equations()) {
                problems.push(warning);
            }
            sets.biomass.push(set);
        }
    }
    for name in bark.iter().filter(wanted) {
        if let Some(set) = load::keep(tables.bark_set(name, &table), &mut problems) {
            if let Some(warning) = tables.untested("bark", set.set()) {
                problems.push(warning);
            }
            sets.bark.push(set);
        }
    }
    let names = [volume, biomass, bark].concat();
    if let Some(name) = &arguments.set
        && !names.contains(name)
    {
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        problems.push(
            Diagnostic::error(
                "unknown-set",
                format!("there is no volume, biomass or bark set `{name}`"),
            )
            .hint(known_hint(name, &names)),
        );
    }
    if problems.has_errors() {
        Err(problems)
    } else {
        Ok((table, sets, problems))
    }
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

fn verify(sets: &[&VolumeSet], table: &SpeciesTable, rules: &[LogRule]) -> Result<Outcome> {
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
