//! `batch`: many stands at a time, from many designs or from one.
//!
//! ```text
//! designs -> cruises [cruise] -> units of work -> parts [unit], side by side -> journal [journal]
//!         -> files of results [assemble], all stands together [together]
//! ```
//! A unit of work is a stand; a cruise whose stands depend on each other is one unit. What a unit
//! gives depends on its own records and the design alone, so it may be made anywhere and at any time.

mod assemble;
mod cruise;
mod designs;
#[cfg(test)]
mod hostile;
mod journal;
pub(super) mod merge;
mod part;
mod progress;
mod together;
mod unit;

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use anyhow::{Context as _, Result};
use rayon::prelude::*;

use super::{Outcome, outputs, report};
use crate::cli::{BatchArgs, BatchFormat, DesignArgs};
use crate::diagnostic::{Problems, Severity, counted};
use crate::read::excerpts::Named;
use crate::write;
use assemble::{Assembly, OfCruise};
use cruise::OpenCruise;
use journal::{Contents, Journal, Placed};
use part::Finding;
use unit::Wanted;

/// Errors that are printed unless all are asked for.
const ERRORS_SHOWN: usize = 20;

/// Runs the command.
pub(super) fn run(arguments: &BatchArgs) -> Result<Outcome> {
    let paths = match designs::named(arguments) {
        Ok(paths) => paths,
        Err(problems) => {
            report(&problems, &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    fs::create_dir_all(&arguments.out)
        .with_context(|| format!("{}: cannot be made", arguments.out.display()))?;
    let threads = arguments.threads.map_or(0, usize::from);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.context("threads cannot be started")?;
    pool.install(|| Batch::open(arguments, &paths).run())
}

/// A run, with all cruises opened.
struct Batch<'a> {
    arguments: &'a BatchArgs,
    cruises: Vec<OpenCruise>,
    /// Every unit of work: its cruise, and its stand there.
    units: Vec<(usize, Option<usize>)>,
    of_cruises: Vec<OfCruise>,
    /// Cruises that could not be opened.
    failed: usize,
    wanted: Wanted,
}

/// Parts of an earlier run by design and stand.
type Kept = BTreeMap<(String, Option<String>), Placed>;

impl<'a> Batch<'a> {
    fn open(arguments: &'a BatchArgs, paths: &[PathBuf]) -> Batch<'a> {
        let wanted = Wanted {
            tree_list: arguments.tree_list,
            reports: arguments.reports,
            several: paths.len() > 1,
        };
        let options = options_hash(arguments, wanted);
        let open = |path: &PathBuf| {
            let of_design = DesignArgs {
                design: path.clone(),
                overrides: arguments.overrides.clone(),
            };
            OpenCruise::open(&of_design, &options)
        };
        let opened: Vec<Result<OpenCruise, Problems>> = paths.par_iter().map(open).collect();
        let mut batch = Batch {
            arguments,
            cruises: Vec::new(),
            units: Vec::new(),
            of_cruises: Vec::new(),
            failed: 0,
            wanted,
        };
        for (path, opened) in paths.iter().zip(opened) {
            let (cruise, problems) = match opened {
                Ok(cruise) => {
                    let problems = cruise.problems.clone();
                    (Some(cruise), problems)
                }
                Err(problems) => (None, problems),
            };
            let of_cruise = |diagnostic| OfCruise {
                design: path.display().to_string(),
                finding: Finding::of(diagnostic),
            };
            batch.of_cruises.extend(problems.iter().map(of_cruise));
            match cruise {
                Some(cruise) => {
                    let at = batch.cruises.len();
                    let units = cruise.units().into_iter().map(|unit| (at, unit));
                    batch.units.extend(units);
                    batch.cruises.push(cruise);
                }
                None => batch.failed += 1,
            }
        }
        batch
    }

    fn run(self) -> Result<Outcome> {
        let folder = &self.arguments.out;
        let over = self.over_inputs();
        if over.has_errors() {
            report(&over, &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
        let (journal, earlier) = if self.arguments.resume {
            Journal::resume(folder)?
        } else {
            (Journal::create(folder)?, Contents::default())
        };
        let kept = kept(earlier);
        let n_kept = AtomicUsize::new(0);
        let first_failed = AtomicUsize::new(if self.stops_at_once() { 0 } else { usize::MAX });
        let bar = progress::bar(self.units.len(), self.arguments.quiet);
        let parts: Result<Vec<Option<Placed>>> = (self.units.par_iter().enumerate())
            .map(|(at, unit)| {
                if self.arguments.strict && at > first_failed.load(Ordering::Relaxed) {
                    return Ok(None);
                }
                let part = self.part(*unit, &kept, &journal, &n_kept)?;
                if part.meta.failed {
                    first_failed.fetch_min(at, Ordering::Relaxed);
                }
                bar.inc(1);
                Ok(Some(part))
            })
            .collect();
        bar.finish_and_clear();
        let parts: Vec<Placed> = parts?.into_iter().flatten().collect();
        let first_failed = first_failed.into_inner();
        let assembly = Assembly {
            parts,
            heads: journal.heads(),
            of_cruises: self.of_cruises,
            several: self.wanted.several,
            tree_list: self.wanted.tree_list,
            reports: self.wanted.reports,
            format: self.arguments.format,
        };
        if self.arguments.strict && first_failed < usize::MAX {
            return stopped(&assembly, first_failed, self.failed);
        }
        let written = match assembly.write(folder)? {
            Ok(written) => written,
            Err(problems) => {
                report(&problems, &Named::default())?;
                return Ok(Outcome::InputIsWrong);
            }
        };
        journal.finish(&assembly)?;
        if !self.arguments.quiet {
            assemble::print(&written)?;
        }
        let problems = &written.problems;
        let outcome = outcome(&assembly, self.failed);
        write::standard_error(
            findings_text(&assembly, self.arguments.verbose)
                + &super::lines(problems, &Named::default())
                + &last_line(&assembly, self.failed, n_kept.into_inner(), self.arguments),
        )?;
        Ok(outcome)
    }

    /// Results are never written over files of the cruises.
    fn over_inputs(&self) -> Problems {
        let end = match self.arguments.format {
            BatchFormat::Csv => "csv",
            BatchFormat::Parquet => "parquet",
        };
        let mut names = vec![format!("estimates.{end}"), format!("trees.{end}")];
        names.truncate(if self.wanted.tree_list { 2 } else { 1 });
        names.extend(["summary.csv", "findings.csv", journal::NAME].map(str::to_owned));
        let files: Vec<PathBuf> = names
            .iter()
            .map(|name| self.arguments.out.join(name))
            .collect();
        let outputs: Vec<_> = files
            .iter()
            .map(|path| ("--out", Some(path.as_path())))
            .collect();
        outputs::check(&outputs, self.cruises.iter().flat_map(OpenCruise::paths))
    }

    /// A strict run stops before any stand where a cruise cannot be opened whole.
    fn stops_at_once(&self) -> bool {
        self.arguments.strict && self.of_cruises.iter().any(|of| of.finding.is_error())
    }

    /// One unit: kept from an earlier run, or compiled.
    fn part(
        &self,
        (cruise, unit): (usize, Option<usize>),
        kept: &Kept,
        journal: &Journal,
        n_kept: &AtomicUsize,
    ) -> Result<Placed> {
        let cruise = &self.cruises[cruise];
        let read = unit::read(cruise, unit);
        let name = (cruise.shown.clone(), cruise.stand(unit).map(str::to_owned));
        if let Some(earlier) = kept.get(&name).filter(|part| part.meta.key == read.key)
            && let Some(moved) = earlier.meta.moved_to(&read.lines)
        {
            n_kept.fetch_add(1, Ordering::Relaxed);
            if moved == earlier.meta {
                return Ok(earlier.clone());
            }
            return journal.append_moved(earlier, moved);
        }
        let (head, part) = unit::compile(cruise, unit, read, self.wanted);
        journal.append(&head, part)
    }
}

/// The hash of everything that changes results besides designs and records: program and options.
fn options_hash(arguments: &BatchArgs, wanted: Wanted) -> blake3::Hasher {
    let mut hash = blake3::Hasher::new();
    cruise::add(&mut hash, env!("CARGO_PKG_VERSION").as_bytes());
    // Another build may give other figures.
    let program = std::env::current_exe().and_then(fs::read);
    cruise::add(
        &mut hash,
        blake3::hash(&program.unwrap_or_default()).as_bytes(),
    );
    let mut overrides = arguments.overrides.clone();
    // What lies in the folder counts, not its name.
    overrides.tables = None;
    cruise::add(&mut hash, format!("{overrides:?} {wanted:?}").as_bytes());
    hash
}

/// The latest part of each unit.
fn kept(earlier: Contents) -> Kept {
    let mut kept = Kept::new();
    for part in earlier.parts {
        if let Some(head) = earlier.heads.get(&part.meta.head) {
            kept.insert((head.design.clone(), part.meta.stand.clone()), part);
        }
    }
    kept
}

/// What is said when a strict run stops: the findings of the first that failed.
fn stopped(assembly: &Assembly, first_failed: usize, failed_cruises: usize) -> Result<Outcome> {
    let of_cruises = assembly.of_cruises.iter().map(|of| &of.finding);
    let mut text = String::new();
    if assembly.of_cruises.iter().any(|of| of.finding.is_error()) {
        text.extend(of_cruises.filter(|of| of.is_error()).map(Finding::line));
    } else if let Some(part) = assembly.parts.get(first_failed) {
        text.extend(part.meta.findings.iter().map(Finding::line));
    }
    let what = match failed_cruises {
        0 => "stopped at the first stand that cannot be compiled".to_owned(),
        _ => format!("{} cannot be read", counted(failed_cruises, "design")),
    };
    write::standard_error(text + &what + "; no results were written\n")?;
    Ok(Outcome::InputIsWrong)
}

fn outcome(assembly: &Assembly, failed_cruises: usize) -> Outcome {
    if failed_cruises + assembly.failed() + assembly.count(Severity::Error) > 0 {
        Outcome::InputIsWrong
    } else {
        Outcome::Done
    }
}

/// The first errors, or all findings.
fn findings_text(assembly: &Assembly, all: bool) -> String {
    if all {
        let of_cruises = assembly.of_cruises.iter().map(|of| &of.finding);
        let of_parts = assembly.parts.iter().flat_map(|part| &part.meta.findings);
        return of_cruises.chain(of_parts).map(Finding::line).collect();
    }
    let errors: Vec<String> = assembly.errors().take(ERRORS_SHOWN).collect();
    let all = assembly.count(Severity::Error);
    let mut text = errors.concat();
    if all > errors.len() {
        text += &format!("and {} more\n", counted(all - errors.len(), "error"));
    }
    text
}

/// How many were compiled and how many not, and where to look.
fn last_line(
    assembly: &Assembly,
    failed_cruises: usize,
    n_kept: usize,
    arguments: &BatchArgs,
) -> String {
    let mut line = format!("{} compiled", counted(assembly.compiled(), "stand"));
    if n_kept > 0 {
        line += &format!(
            " ({n_kept} of {} kept from an earlier run)",
            assembly.parts.len()
        );
    }
    line += &format!(", {} failed", assembly.failed());
    if failed_cruises > 0 {
        line += &format!("; {} could not be read", counted(failed_cruises, "design"));
    }
    let findings = [Severity::Error, Severity::Warning, Severity::Note]
        .map(|severity| counted(assembly.count(severity), &severity.to_string()));
    let path = arguments.out.join("findings.csv");
    line + &format!("; {} in {}\n", findings.join(", "), path.display())
}
