//! `compare`: the same records compiled by the design and by each alternative.

use anyhow::Result;

use super::load::{Change, Comparison};
use super::{
    Outcome, compile::unknown_stand, compile::warn_of_missing_heights, load, outputs, report,
};
use crate::cli::{CompareArgs, DesignArgs, Overrides, TableFormat};
use crate::compile::{Compilation, compile};
use crate::diagnostic::{Diagnostic, Problems};
use crate::render::{csv, json, terminal};
use crate::tables::compare::{self as comparison, Compared};
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &CompareArgs) -> Result<Outcome> {
    let changes: Vec<Change<'_>> = arguments
        .volume_set
        .iter()
        .map(Change::VolumeSet)
        .chain(arguments.curve.iter().map(|form| Change::Curve(form)))
        .chain(
            arguments
                .merchantable
                .iter()
                .map(|limits| Change::Merchantable(limits)),
        )
        .collect();
    let (read, mut problems, named) = load::load_variants(&design_arguments(arguments), &changes);
    let over = outputs::check(&[("--out", arguments.out.as_deref())], named.paths());
    let read = read.filter(|_| over.is_empty());
    problems.append(over);
    let compilations = match read.as_ref().map(compile_all) {
        Some(Ok(compilations)) => compilations,
        Some(Err(problem)) => {
            problems.push(problem);
            Vec::new()
        }
        None => Vec::new(),
    };
    let Some((base, alternatives)) = compilations.split_first() else {
        report(&problems, &named)?;
        return Ok(Outcome::InputIsWrong);
    };
    if let Some(problem) = unknown_stand(base, arguments.stand.as_deref()) {
        report(&problem, &named)?;
        return Ok(Outcome::InputIsWrong);
    }
    warn(&compilations, &mut problems);
    report(&problems, &named)?;
    let alternatives = alternatives
        .iter()
        .zip(&changes)
        .map(|(alternative, change)| {
            let kind = match change {
                Change::VolumeSet(_) => comparison::Kind::VolumeSet,
                Change::Curve(_) => comparison::Kind::Curve,
                Change::Merchantable(_) => comparison::Kind::Merchantable,
            };
            (kind, alternative)
        });
    let compared = Compared::new(base, alternatives);
    let result = render(&compared, arguments)?;
    match &arguments.out {
        Some(path) => write::file(path, &result)?,
        None => write::standard_output(&result)?,
    }
    Ok(Outcome::Done)
}

/// The design as it stands, without what the options change.
fn design_arguments(arguments: &CompareArgs) -> DesignArgs {
    DesignArgs {
        design: arguments.design.clone(),
        overrides: Overrides {
            confidence: arguments.confidence,
            units: arguments.units,
            tables: arguments.tables.clone(),
            ..Overrides::default()
        },
    }
}

fn compile_all(read: &Comparison) -> Result<Vec<Compilation<'_>>, Diagnostic> {
    let variants = read.variants.iter();
    variants
        .map(|variant| {
            compile(&variant.design, &read.records, &variant.knowledge).map_err(|missing| {
                Diagnostic::error("no-equation", missing.message).hint(missing.hint)
            })
        })
        .collect()
}

/// Trees without a height, each finding once.
fn warn(compilations: &[Compilation<'_>], problems: &mut Problems) {
    for compilation in compilations {
        let mut found = Problems::new();
        warn_of_missing_heights(compilation, &mut found);
        for diagnostic in &found {
            if !problems.iter().any(|said| said == diagnostic) {
                problems.push(diagnostic.clone());
            }
        }
    }
}

fn render(compared: &Compared<'_>, arguments: &CompareArgs) -> Result<Vec<u8>> {
    let design = compared.base().design;
    Ok(match arguments.format {
        TableFormat::Terminal => terminal::render(
            &comparison::report(compared, arguments.stand.as_deref()),
            write::report_width(arguments.width, arguments.out.is_some()),
        )
        .into_bytes(),
        TableFormat::Csv => csv::render(&comparison::differences(compared)),
        TableFormat::Json => {
            let head = json::Head {
                title: &design.title,
                units: design.units.name(),
                confidence: design.confidence,
            };
            let tables = [
                ("remarks", comparison::remarks(compared)),
                ("differences", comparison::differences(compared)),
                ("trees", comparison::trees(compared)),
            ];
            json::render(&head, &tables)?.into_bytes()
        }
    })
}
