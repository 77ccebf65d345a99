//! `compile`: the main job, from a design to tables.

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::{Outcome, load, report, single};
use crate::cli::{CompileArgs, Format};
use crate::compile::{Compilation, compile};
use crate::diagnostic::{Diagnostic, Problems};
use crate::read::parquet::is_parquet;
use crate::render::{csv, html, json, markdown, parquet, terminal};
use crate::tables::frame::Frame;
use crate::tables::{assumptions, log_list, paired, report as reports, tidy, trees, whole_error};
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &CompileArgs) -> Result<Outcome> {
    if let Some(problem) = on_a_terminal(arguments) {
        report(&problem)?;
        return Ok(Outcome::InputIsWrong);
    }
    let loaded = load::load(&arguments.design);
    let mut problems = loaded.problems;
    let Some(cruise) = &loaded.cruise else {
        report(&problems)?;
        return Ok(Outcome::InputIsWrong);
    };
    let compilation = match compile(&cruise.design, &cruise.records, &cruise.knowledge) {
        Ok(compilation) => compilation,
        Err(missing) => {
            problems.push(Diagnostic::error("no-equation", missing.message).hint(missing.hint));
            report(&problems)?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    if let Some(problem) = unknown_stand(&compilation, arguments.stand.as_deref()) {
        report(&problem)?;
        return Ok(Outcome::InputIsWrong);
    }
    if arguments.log_list.is_some() && compilation.knowledge.logs.is_none() {
        problems.push(
            Diagnostic::error(
                "no-logs",
                "--log-list: the design does not say how stems are cut",
            )
            .hint("add a `logs` section with stump height and products"),
        );
        report(&problems)?;
        return Ok(Outcome::InputIsWrong);
    }
    warn_of_missing_heights(&compilation, &mut problems);
    report(&problems)?;
    let result = render(&compilation, arguments, &problems)?;
    // The lists first: if their place cannot be written, nothing else is left behind.
    if let Some(path) = &arguments.tree_list {
        write::file(
            path,
            list(path, csv::render(&trees::tree_list(&compilation)))?,
        )?;
    }
    if let Some(path) = &arguments.log_list {
        write::file(
            path,
            list(path, csv::render(&log_list::log_list(&compilation)))?,
        )?;
    }
    if let Some(path) = &arguments.sources_of_error {
        write::file(
            path,
            list(path, csv::render(&whole_error::tidy(&compilation)))?,
        )?;
    }
    match &arguments.out {
        Some(path) => write::file(&result_path(path, arguments), &result)?,
        None => write::standard_output(&result)?,
    }
    Ok(Outcome::Done)
}

fn render(
    compilation: &Compilation<'_>,
    arguments: &CompileArgs,
    problems: &Problems,
) -> Result<Vec<u8>> {
    let design = compilation.design;
    let estimates = || tidy::estimates(design, compilation.records, &compilation.estimates.rows);
    let stand = arguments.stand.as_deref();
    Ok(match arguments.format {
        Format::Terminal => terminal::render(
            &reports::report(compilation, stand),
            usize::from(arguments.width),
        )
        .into_bytes(),
        Format::Markdown => markdown::render(&reports::report(compilation, stand)).into_bytes(),
        Format::Html => {
            let findings: Vec<String> = problems.iter().map(ToString::to_string).collect();
            let report = reports::illustrated(compilation, stand, &findings);
            html::render(&report).into_bytes()
        }
        Format::Csv => estimates_csv(compilation),
        Format::Parquet => as_parquet(&estimates_csv(compilation))?,
        Format::Json => {
            let head = json::Head {
                title: &design.title,
                units: design.units.name(),
                confidence: design.confidence,
            };
            let sources = whole_error::tidy(compilation);
            let mut tables = vec![("estimates", estimates()), ("sources_of_error", sources)];
            if design.sampling.combine.is_some() {
                tables.push(("combined", paired::tidy(compilation)));
            }
            json::render(&head, &tables)?.into_bytes()
        }
    })
}

fn estimates_csv(compilation: &Compilation<'_>) -> Vec<u8> {
    let (design, records) = (compilation.design, compilation.records);
    let mut out = csv::estimate_head(design.units, false).into_bytes();
    let rows = &compilation.estimates.rows;
    csv::estimate_rows(&mut out, &Frame::of(design, records), rows, None);
    out
}

/// A list in the form that the ending of its file asks for: Parquet, or else CSV.
fn list(path: &Path, csv: Vec<u8>) -> Result<Vec<u8>> {
    if is_parquet(path) {
        as_parquet(&csv)
    } else {
        Ok(csv)
    }
}

fn as_parquet(csv: &[u8]) -> Result<Vec<u8>> {
    let mut out = Vec::new();
    parquet::from_csv(csv, &mut out)?;
    Ok(out)
}

/// Parquet is nothing to look at.
fn on_a_terminal(arguments: &CompileArgs) -> Option<Problems> {
    let to_terminal = arguments.out.is_none() && write::standard_output_is_terminal();
    (arguments.format == Format::Parquet && to_terminal).then(|| {
        let message = "--format parquet is not for a terminal";
        single(Diagnostic::error("binary-output", message).hint("name a file with --out"))
    })
}

/// A folder gets a file named after the design.
fn result_path(path: &Path, arguments: &CompileArgs) -> PathBuf {
    if !path.is_dir() {
        return path.to_owned();
    }
    let ending = match arguments.format {
        Format::Terminal => "txt",
        Format::Csv => "csv",
        Format::Parquet => "parquet",
        Format::Json => "json",
        Format::Markdown => "md",
        Format::Html => "html",
    };
    let stem = arguments
        .design
        .design
        .file_stem()
        .filter(|stem| *stem != "-");
    path.join(stem.unwrap_or("design".as_ref()))
        .with_extension(ending)
}

/// A stand was asked for that is not there.
pub(super) fn unknown_stand(
    compilation: &Compilation<'_>,
    asked: Option<&str>,
) -> Option<Problems> {
    let asked = asked?;
    let names: Vec<&str> = compilation
        .records
        .stands
        .iter()
        .map(|stand| stand.name.as_str())
        .collect();
    (!names.contains(&asked)).then(|| {
        single(
            Diagnostic::error(
                "unknown-stand",
                format!("--stand: there is no stand `{asked}`"),
            )
            .hint(format!("stands: {}", names.join(", "))),
        )
    })
}

/// Volumes or masses that need a height were asked for, but some trees have none.
pub(super) fn warn_of_missing_heights(compilation: &Compilation<'_>, problems: &mut Problems) {
    let volume = compilation.knowledge.volume.is_some();
    for stand in 0..compilation.records.stands.len() {
        for (species, count) in compilation.without_height(stand) {
            if !volume && !compilation.biomass_needs_height(species) {
                continue;
            }
            let words = assumptions::without_height(compilation, stand, species, count);
            problems.push(Diagnostic::warning("no-height", words));
        }
    }
}
