//! `new`: a design, record files with their heads, and field sheets.

mod ask;
mod design;
mod heads;
mod wanted;

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};

use super::load::Prepared;
use super::{Outcome, report, schema, tally};
use crate::cli::{DesignArgs, NewArgs, Overrides};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::read::excerpts::Named;
use crate::read::nearest::did_you_mean;
use crate::read::source::Source;
use crate::read::tables::Tables;
use crate::render::html;
use crate::tables::tally::{Wanted as WantedSheets, sheets};
use crate::write;
use wanted::Wanted;

/// A file to be written: its name, what it holds in words, its text.
type File = (&'static str, &'static str, String);

/// Runs the command.
pub(super) fn run(arguments: &NewArgs) -> Result<Outcome> {
    let tables = Tables::builtin();
    let mut arguments = arguments.clone();
    if ask::can_ask() && ask::lacks_something(&arguments) {
        ask::fill_in(&mut arguments, &tables)?;
    }
    let mut problems = Problems::new();
    let wanted = Wanted::of(&arguments, &mut problems);
    check_names(&arguments, &tables, &mut problems);
    if problems.has_errors() {
        report(&problems.sorted(), &Named::default())?;
        return Ok(Outcome::CommandLineIsWrong);
    }
    let Some(wanted) = wanted else {
        return Ok(Outcome::CommandLineIsWrong);
    };
    let files = files(&wanted, &arguments.folder, &tables, &mut problems)?;
    let folder = &arguments.folder;
    if let Some(files) = &files {
        refuse_to_overwrite(folder, files, &mut problems);
    }
    let is_wrong = problems.has_errors();
    report(&problems.sorted(), &Named::default())?;
    match files {
        Some(files) if !is_wrong => {
            write_all(folder, &files)?;
            write::standard_output(what_next(&wanted, folder, &files))?;
            Ok(Outcome::Done)
        }
        _ => Ok(Outcome::InputIsWrong),
    }
}

/// Names of sets and species that nobody knows.
fn check_names(arguments: &NewArgs, tables: &Tables, problems: &mut Problems) {
    let (volume_sets, height_sets) = (tables.volume_sets(), tables.folders("height-curves"));
    for (option, name, known, what) in [
        (
            "--volume-set",
            &arguments.volume_set,
            &volume_sets,
            "set of volume equations",
        ),
        (
            "--height-curves",
            &arguments.height_curves,
            &height_sets,
            "set of height curves",
        ),
    ] {
        if let Some(name) = name
            && !known.contains(name)
        {
            let names: Vec<&str> = known.iter().map(String::as_str).collect();
            let message = format!("{option}: there is no {what} {}", seen(name));
            let hint = did_you_mean(name, &names);
            problems.push(Diagnostic::error("unknown-set", message).hint(hint));
        }
    }
    tally::check_species(&arguments.species, &[], tables, problems);
}

/// Every file of the cruise. The design is read back as any other: what the reader has against it is
/// in `problems`.
fn files(
    wanted: &Wanted,
    folder: &Path,
    tables: &Tables,
    problems: &mut Problems,
) -> Result<Option<Vec<File>>> {
    let text = design::text(wanted);
    let path = folder.join("design.yaml");
    let source = Source::new(&path.to_string_lossy(), text.clone());
    let overrides = Overrides {
        region: wanted
            .volume
            .as_ref()
            .and_then(|(_, region)| region.clone()),
        volume_set: wanted.volume.as_ref().map(|(set, _)| set.clone()),
        ..Overrides::default()
    };
    let arguments = DesignArgs {
        design: path,
        overrides,
    };
    let Some(prepared) = Prepared::of(source, &arguments, &[], problems) else {
        return Ok(None);
    };
    tell_uncovered(wanted, &prepared, tables, problems);
    let mut files: Vec<File> = vec![
        (
            "design.yaml",
            "the design, with comments: edit it at will",
            text,
        ),
        (
            "design.schema.json",
            "lets an editor complete and check the design",
            schema::text(tables)?,
        ),
    ];
    if !wanted.strata.is_empty() {
        let text = heads::stands(wanted);
        files.push(("stands.csv", "the strata: write in their areas", text));
    } else if wanted.full_tally {
        let text = heads::stands(wanted);
        files.push(("stands.csv", "the stand: write in its area", text));
    }
    if !wanted.full_tally {
        let text = heads::line(&heads::plots(wanted));
        files.push(("plots.csv", "a row for every plot visited", text));
    }
    if wanted.measures() {
        let text = heads::line(&heads::trees(wanted));
        files.push(("trees.csv", "a row for each measured tree", text));
    }
    if wanted.counts() {
        let text = heads::line(&heads::counts());
        files.push((
            "counts.csv",
            "a row for each plot and species counted",
            text,
        ));
    }
    let on_sheets = WantedSheets {
        plots: (1..=wanted.plots).map(|plot| plot.to_string()).collect(),
        species: wanted.species.clone(),
        strata: wanted.strata.clone(),
        lines: None,
        tree_heads: heads::trees(wanted),
        plot_heads: heads::plots(wanted),
    };
    let sheets = html::tally::render(&sheets(prepared.design(), &on_sheets));
    files.push((
        "tally.html",
        "field sheets to be printed, A4 or Letter",
        sheets,
    ));
    Ok(Some(files))
}

/// Says which of the named species have no equation in the volume set.
fn tell_uncovered(wanted: &Wanted, prepared: &Prepared, tables: &Tables, problems: &mut Problems) {
    let (Some((set, _)), Ok(species)) = (&wanted.volume, tables.species()) else {
        return;
    };
    for name in &wanted.species {
        if let Some(id) = species.lookup(name)
            && !prepared.covers(id)
        {
            let message = format!("volume set `{set}` has no equation for {}", seen(name));
            let hint = format!(
                "`spinney equations --species {name}` lists sets that have; or write in the design \
                 `volume: {{substitute: {{{name}: ...}}}}`"
            );
            problems.push(Diagnostic::warning("no-equation", message).hint(hint));
        }
    }
}

/// An error for each file that is there.
fn refuse_to_overwrite(folder: &Path, files: &[File], problems: &mut Problems) {
    for (name, _, _) in files {
        let path = folder.join(name);
        if path.symlink_metadata().is_ok() {
            let message = format!("{} is there already", path.display());
            let hint = "nothing was written: take another folder, or move the file away";
            problems.push(Diagnostic::error("file-exists", message).hint(hint));
        }
    }
}

/// Writes all files, or none.
fn write_all(folder: &Path, files: &[File]) -> Result<()> {
    fs::create_dir_all(folder)
        .with_context(|| format!("{}: the folder cannot be made", folder.display()))?;
    let mut written: Vec<PathBuf> = Vec::new();
    for (name, _, text) in files {
        let path = folder.join(name);
        if let Err(error) = write::new_file(&path, text) {
            for path in &written {
                // They are this run's own; the first failure is what is told.
                let _ = fs::remove_file(path);
            }
            return Err(error);
        }
        written.push(path);
    }
    Ok(())
}

/// What was written, what was taken for granted, and what comes next.
fn what_next(wanted: &Wanted, folder: &Path, files: &[File]) -> String {
    let mut text = format!("written to {}:\n", folder.display());
    for (name, what, _) in files {
        text += &format!("  {name:<20} {what}\n");
    }
    if !wanted.assumed.is_empty() {
        text += "taken for granted:\n";
        for one in &wanted.assumed {
            text += &format!("  {one}\n");
        }
    }
    let design = folder.join("design.yaml");
    let design = shell_word(&design.to_string_lossy());
    let mut rows = Vec::new();
    if files.iter().any(|(name, ..)| *name == "stands.csv") {
        rows.push("the areas in stands.csv");
    }
    if !wanted.full_tally {
        rows.push("every plot visited in plots.csv, with or without trees");
    }
    if wanted.measures() {
        rows.push("the trees in trees.csv");
    }
    if wanted.counts() {
        rows.push("the counts in counts.csv");
    }
    text += "next:\n  1. print tally.html and take it to the field\n  2. type the records:\n";
    for row in rows {
        text += &format!("       {row}\n");
    }
    text += &format!("  3. spinney check {design}\n  4. spinney compile {design}\n");
    text
}

/// A path as it is typed.
fn shell_word(path: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "/._-".contains(c);
    if path.chars().all(is_plain) {
        path.to_owned()
    } else {
        format!("'{}'", path.replace('\'', "'\\''"))
    }
}
