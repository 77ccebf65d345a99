//! The record files to checked [`Records`], or every problem with its place.

use std::collections::BTreeSet;

use super::assemble::{assemble, spellings};
use super::counts::{CountSheet, read_counts};
use super::csv::{Column, Table};
use super::plots::{PlotList, read_plots, sole_stand};
use super::spellings::Spellings;
use super::stands::read_stands;
use super::strata::find_strata;
use super::trees::{TreeSheet, read_trees};
use super::{RecordFiles, sampling_checks, suspicious};
use crate::design::Design;
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::records::{CruiseSpecies, Records};
use crate::species::{SpeciesId, SpeciesTable};

/// What the stands of a cruise have in common, found in all of its records before each stand is
/// read by itself.
#[derive(Clone, Debug, Default)]
pub struct Common {
    /// The species of the whole cruise, as [`Records::species`] of the whole would have them.
    pub species: Vec<CruiseSpecies>,
}

/// Says whether results can be given for a species; if not, a message and a hint.
pub type Cover<'c> = dyn FnMut(SpeciesId) -> Result<(), (String, String)> + 'c;

/// Reads and checks all record files. The records are there only if no error was found;
/// warnings and notes come with them. `cover` is asked once for each species, and what it says
/// is reported where the species is first recorded. With `common`, these are the records of one
/// stand of a cruise: species have the labels and indices of the whole.
pub fn read_records(
    design: &Design,
    files: &RecordFiles,
    species: &SpeciesTable,
    common: Option<&Common>,
    cover: &mut Cover<'_>,
) -> (Option<Records>, Problems) {
    let mut problems = Problems::new();
    let areas = match &files.stands {
        Some(source) => read_stands(design, source, &mut problems),
        None => super::stands::AreaList::default(),
    };
    let mut plots = match &files.plots {
        Some(source) => read_plots(design, source, &areas, &mut problems),
        None => PlotList::unlisted(sole_stand(design, &areas)),
    };
    let trees = (files.trees.as_ref())
        .and_then(|source| read_trees(design, source, species, &mut plots, &mut problems));
    let counts = (files.counts.as_ref())
        .and_then(|source| read_counts(design, source, species, &mut plots, &mut problems));
    let mut selections = design.selections.iter();
    let is_listed = files.plots.is_some() || design.inputs.plots.is_some();
    if !is_listed && !selections.all(|s| s.method.visits_all()) {
        warn_of_missing_list(files, &mut problems);
    }
    check_covered(trees.as_ref(), counts.as_ref(), cover, &mut problems);
    if let Some(common) = common {
        check_common(
            common,
            trees.as_ref(),
            counts.as_ref(),
            cover,
            &mut problems,
        );
    }
    let strata = find_strata(design, files, &areas, &plots, &mut problems);
    sampling_checks::check(design, files, &areas, &plots, &strata, &mut problems);
    suspicious::check(
        &suspicious::Cruise {
            design,
            species,
            files,
            plots: &plots,
            trees: trees.as_ref(),
            counts: counts.as_ref(),
        },
        &mut problems,
    );
    let records = (!problems.has_errors()).then(|| {
        assemble(
            design,
            species,
            &strata,
            &plots,
            trees.as_ref(),
            counts.as_ref(),
            common,
        )
    });
    (records, problems.sorted())
}

/// Without a list of plots, those without trees are known only if a record marks them.
fn warn_of_missing_list(files: &RecordFiles, problems: &mut Problems) {
    let Some(source) = files.trees.as_ref().or(files.counts.as_ref()) else {
        return;
    };
    let message = "there is no list of plots: those of this file are taken, and a plot without \
                   trees that no row marks is missing from the mean";
    problems.push(
        Diagnostic::warning("no-plots-file", message)
            .at(source.site(1, 0))
            .hint("list every plot visited in a plots file: `plots: plots.csv`"),
    );
}

/// Has every species that is covered an index in the cruise? One that has none was not there when the
/// species of the cruise were gathered.
fn check_common(
    common: &Common,
    trees: Option<&TreeSheet>,
    counts: Option<&CountSheet>,
    cover: &mut Cover<'_>,
    problems: &mut Problems,
) {
    for (id, text, _) in spellings(trees, counts) {
        if !common.species.iter().any(|species| species.id == id) && cover(id).is_ok() {
            let message = format!(
                "the species {} is not among those of the cruise",
                seen(text)
            );
            problems.push(
                Diagnostic::error("species-not-gathered", message)
                    .hint("was a file changed while it was read?"),
            );
        }
    }
}

/// Asks once for each species whether results can be given for it.
fn check_covered(
    trees: Option<&TreeSheet>,
    counts: Option<&CountSheet>,
    cover: &mut Cover<'_>,
    problems: &mut Problems,
) {
    let mut asked = BTreeSet::new();
    let mut ask = |spellings: &Spellings, table: &Table, column: Column| {
        for spelling in &spellings.list {
            let Some(id) = spelling.id else { continue };
            if !asked.insert(id) {
                continue;
            }
            if let Err((message, hint)) = cover(id) {
                let message = format!("{message} (recorded as {})", seen(&spelling.text));
                problems.push(
                    Diagnostic::error("species-not-covered", message)
                        .at(table.site_in_row_at(spelling.byte, Some(column)))
                        .hint(hint),
                );
            }
        }
    };
    if let Some(sheet) = trees {
        ask(&sheet.spellings, &sheet.table, sheet.columns.species);
    }
    if let Some(sheet) = counts {
        ask(&sheet.spellings, &sheet.table, sheet.species);
    }
}
