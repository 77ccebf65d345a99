//! `compile`: the main job, from a design to tables.

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::{Outcome, load, outputs, report, single};
use crate::cli::{CompileArgs, Format};
use crate::compile::{Compilation, compile};
use crate::diagnostic::{Diagnostic, Problems};
use crate::read::excerpts::Named;
use crate::read::{parquet::is_parquet, xlsx::is_workbook};
use crate::render::{csv, html, json, markdown, parquet, terminal, xlsx};
use crate::tables::frame::Frame;
use crate::tables::tidy::Tidy;
use crate::tables::{
    assumptions, log_list, paired, report as reports, tidy, trees, whole_error, workbook,
};
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &CompileArgs) -> Result<Outcome> {
    if let Some(problem) = on_a_terminal(arguments) {
        report(&problem, &Named::default())?;
        return Ok(Outcome::InputIsWrong);
    }
    let loaded = load::load(&arguments.design);
    let mut problems = loaded.problems;
    let Some(cruise) = &loaded.cruise else {
        report(&problems, &loaded.named)?;
        return Ok(Outcome::InputIsWrong);
    };
    let out = arguments
        .out
        .as_deref()
        .map(|path| result_path(path, arguments));
    let asked = [
        ("--out", out.as_deref()),
        ("--tree-list", arguments.tree_list.as_deref()),
        ("--log-list", arguments.log_list.as_deref()),
        ("--sources-of-error", arguments.sources_of_error.as_deref()),
    ];
    problems.append(outputs::check(&asked, loaded.named.paths()));
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
    if let Some(problem) = unknown_stand(&compilation, arguments.stand.as_deref()) {
        report(&problem, &Named::default())?;
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
        report(&problems, &loaded.named)?;
        return Ok(Outcome::InputIsWrong);
    }
    warn_of_missing_heights(&compilation, &mut problems);
    report(&problems, &loaded.named)?;
    // All of it before anything is written; the lists first: if their place cannot be written,
    // nothing else is left behind.
    let result = render(&compilation, &problems, arguments)?;
    for (path, content) in lists(&compilation, arguments)? {
        write::file(path, content)?;
    }
    match &out {
        Some(path) => write::file(path, &result)?,
        None => write::standard_output(&result)?,
    }
    Ok(Outcome::Done)
}

fn render(
    compilation: &Compilation<'_>,
    problems: &Problems,
    arguments: &CompileArgs,
) -> Result<Vec<u8>> {
    let design = compilation.design;
    let estimates = || tidy::estimates(design, compilation.records, &compilation.estimates.rows);
    let stand = arguments.stand.as_deref();
    Ok(match arguments.format {
        Format::Terminal => terminal::render(
            &reports::report(compilation, stand),
            write::report_width(arguments.width, arguments.out.is_some()),
        )
        .into_bytes(),
        Format::Markdown => markdown::render(&reports::report(compilation, stand)).into_bytes(),
        Format::Html => {
            let report = reports::illustrated(compilation, stand, problems);
            html::render(&report).into_bytes()
        }
        Format::Csv => estimates_csv(compilation),
        Format::Parquet => as_parquet(&estimates_csv(compilation))?,
        Format::Xlsx => xlsx::render(&workbook::workbook(compilation, problems))?,
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

/// The lists that were asked for, each with its file.
fn lists<'a>(
    compilation: &Compilation<'_>,
    arguments: &'a CompileArgs,
) -> Result<Vec<(&'a Path, Vec<u8>)>> {
    let mut lists = Vec::new();
    if let Some(path) = &arguments.tree_list {
        let content = list(
            compilation,
            path,
            workbook::TREES,
            trees::tree_list(compilation),
        )?;
        lists.push((path.as_path(), content));
    }
    if let Some(path) = &arguments.log_list {
        let content = list(
            compilation,
            path,
            workbook::LOGS,
            log_list::log_list(compilation),
        )?;
        lists.push((path.as_path(), content));
    }
    if let Some(path) = &arguments.sources_of_error {
        let sources = whole_error::tidy(compilation);
        let content = list(compilation, path, workbook::SOURCES_OF_ERROR, sources)?;
        lists.push((path.as_path(), content));
    }
    Ok(lists)
}

/// A list in the form that the ending of its file asks for: Parquet, a workbook, or else CSV.
fn list<Name: AsRef<str> + Into<String>>(
    compilation: &Compilation<'_>,
    path: &Path,
    sheet: (&'static str, usize),
    list: Tidy<Name>,
) -> Result<Vec<u8>> {
    if is_workbook(path) {
        xlsx::render(&workbook::of_list(compilation, sheet, list))
    } else if is_parquet(path) {
        as_parquet(&csv::render(&list))
    } else {
        Ok(csv::render(&list))
    }
}

fn as_parquet(csv: &[u8]) -> Result<Vec<u8>> {
    let mut out = Vec::new();
    parquet::from_csv(csv, &mut out)?;
    Ok(out)
}

/// Parquet and workbooks are nothing to look at.
fn on_a_terminal(arguments: &CompileArgs) -> Option<Problems> {
    let format = match arguments.format {
        Format::Parquet => "parquet",
        Format::Xlsx => "xlsx",
        Format::Terminal | Format::Csv | Format::Json | Format::Markdown | Format::Html => {
            return None;
        }
    };
    let to_terminal = arguments.out.is_none() && write::standard_output_is_terminal();
    to_terminal.then(|| {
        let message = format!("--format {format} is not for a terminal");
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
        Format::Xlsx => "xlsx",
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
