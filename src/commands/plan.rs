//! `plan`: number of plots, plot size or factor, limiting distances.

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::{Outcome, outputs, report};
use crate::cli::plan::{
    DistancesArgs, OutputArgs, PlanArgs, PlanCommand, PlanFormat, SizeArgs, To,
};
use crate::diagnostic::Problems;
use crate::planning::gauge::MeasuredTo;
use crate::planning::size::{Class, Expected};
use crate::read::excerpts::Named;
use crate::read::source::Source;
use crate::render::{csv, terminal};
use crate::tables::Report;
use crate::tables::planning::{distances, size};
use crate::tables::tidy::Tidy;
use crate::units::{CM_PER_IN, HA_PER_AC, M2_PER_HA_PER_FT2_PER_AC, UnitSystem};
use crate::write;

mod files;
mod plots;

/// What a plan comes to: the same as a report and as rows.
type Planned = (Report, Tidy<String>);

/// Runs the command.
pub(super) fn run(arguments: &PlanArgs) -> Result<Outcome> {
    let mut problems = Problems::new();
    let mut named = Named::default();
    let (inputs, to) = match &arguments.what {
        PlanCommand::Plots(of) => (vec![&of.strata, &of.pilot], &of.output.out),
        PlanCommand::Size(of) => (vec![&of.stand_table], &of.output.out),
        PlanCommand::Distances(of) => (Vec::new(), &of.output.out),
    };
    let inputs = inputs.into_iter().flatten().map(PathBuf::as_path);
    problems.append(outputs::check(&[("--out", to.as_deref())], inputs));
    let (planned, output) = match &arguments.what {
        PlanCommand::Plots(arguments) => (
            plots::plan(arguments, &mut problems, &mut named),
            &arguments.output,
        ),
        PlanCommand::Size(arguments) => (plan_size(arguments, &mut problems), &arguments.output),
        PlanCommand::Distances(arguments) => (Some(plan_distances(arguments)), &arguments.output),
    };
    let planned = planned.filter(|_| !problems.has_errors());
    report(&problems.sorted(), &named)?;
    match planned {
        Some(planned) => show(&planned, output),
        None => Ok(Outcome::InputIsWrong),
    }
}

fn show((shown, rows): &Planned, output: &OutputArgs) -> Result<Outcome> {
    let text = match output.format {
        PlanFormat::Terminal => {
            let width = write::report_width(output.width, output.out.is_some());
            terminal::render(shown, width).into_bytes()
        }
        PlanFormat::Csv => csv::render(rows),
    };
    match &output.out {
        Some(path) => write::file(path, &text)?,
        None => write::standard_output(&text)?,
    }
    Ok(Outcome::Done)
}

/// Opens a file of the command line.
fn open(path: &Path, problems: &mut Problems) -> Option<Source> {
    let shown = if path.as_os_str() == "-" {
        "standard input".into()
    } else {
        path.to_string_lossy()
    };
    match Source::open(path, &shown) {
        Ok(source) => Some(source),
        Err(found) => {
            problems.append(found);
            None
        }
    }
}

fn plan_size(arguments: &SizeArgs, problems: &mut Problems) -> Option<Planned> {
    let (expected, imperial, from) = if let Some(path) = &arguments.stand_table {
        let source = open(path, problems)?;
        let (expected, imperial) = files::read_stand_table(&source, problems)?;
        let from = size::From::StandTable(source.name().to_owned());
        (expected, imperial, from)
    } else {
        let per_ac = arguments.trees_per_ac.map(|trees| trees / HA_PER_AC);
        let of_inches = arguments.dbh_in.map(|inches| inches * CM_PER_IN);
        let class = Class {
            trees_per_ha: arguments.trees_per_ha.or(per_ac)?,
            dbh_cm: arguments.dbh_cm.or(of_inches)?,
        };
        let expected = Expected {
            classes: vec![class],
        };
        let imperial = per_ac.is_some() && of_inches.is_some();
        (expected, imperial, size::From::MeanTree)
    };
    let units = arguments.units.map_or(system(imperial), UnitSystem::from);
    let asked = size::Asked {
        expected: &expected,
        from,
        trees: arguments.trees,
        units,
    };
    Some((size::report(&asked), size::rows(&asked)))
}

fn system(imperial: bool) -> UnitSystem {
    if imperial {
        UnitSystem::Imperial
    } else {
        UnitSystem::Metric
    }
}

fn plan_distances(arguments: &DistancesArgs) -> Planned {
    let of_feet = arguments
        .baf_ft2_per_ac
        .map(|factor| factor * M2_PER_HA_PER_FT2_PER_AC);
    let in_cm = arguments
        .dbh_cm
        .iter()
        .flat_map(|list| list.0.iter().copied());
    let in_inches = arguments.dbh_in.iter().flat_map(|list| &list.0);
    let asked = distances::Asked {
        // One of the two is there: the command line wants it.
        baf_m2_per_ha: arguments.baf_m2_per_ha.or(of_feet).unwrap_or_default(),
        baf_is_imperial: arguments.baf_ft2_per_ac.is_some(),
        dbhs_cm: in_cm
            .chain(in_inches.map(|inches| inches * CM_PER_IN))
            .collect(),
        to: match arguments.to {
            To::Centre => MeasuredTo::Centre,
            To::Face => MeasuredTo::Face,
        },
        slopes_pct: &arguments.slope_pct,
        units: arguments
            .units
            .map_or(system(arguments.dbh_in.is_some()), UnitSystem::from),
    };
    (distances::report(&asked), distances::rows(&asked))
}
