//! From files to checked values: a design and its records, or every problem with its place.
//!
//! ```text
//! design text  -> yaml -> design  -> Design
//! record texts -> csv  -> records -> Records, after stands, plots, trees, counts, strata and
//!                                    suspicious have had their say
//! ```

mod assemble;
pub mod by_stand;
mod bytes;
mod columns;
mod counts;
pub mod csv;
pub mod design;
pub mod excerpts;
pub mod height_curves;
pub(crate) mod limits;
pub(crate) mod nearest;
mod orphans;
pub mod parquet;
mod plot_sizes;
mod plot_slope;
mod plots;
mod readings;
pub mod records;
mod sampling_checks;
mod sightings;
pub mod source;
mod spellings;
mod stands;
mod status;
mod strata;
mod suspicious;
mod table_checks;
mod table_error;
mod table_formula;
pub(crate) mod table_head;
mod table_log_checks;
mod table_log_rules;
mod table_models;
mod table_rows;
mod table_species;
mod table_units;
pub(crate) mod table_volume;
mod table_wood;
pub mod tables;
mod three_p;
mod trees;
pub mod xlsx;
pub mod yaml;

use crate::design::{Design, Input};
use crate::diagnostic::{Diagnostic, Problems, Site};
use source::Source;

/// The texts of the record files.
#[derive(Clone, Debug, Default)]
pub struct RecordFiles {
    /// The design, for findings at its keys.
    pub design: Option<Source>,
    /// `stands.csv`.
    pub stands: Option<Source>,
    /// `plots.csv`.
    pub plots: Option<Source>,
    /// `trees.csv`.
    pub trees: Option<Source>,
    /// `counts.csv`.
    pub counts: Option<Source>,
}

/// The name of an input in messages.
fn shown(input: &Input) -> &str {
    match input.shown.as_str() {
        "-" => "standard input",
        shown => shown,
    }
}

/// Reads the record files that a design names, from disk or standard input; every one that
/// cannot be read is a problem. The text of the design is the caller's to add.
pub fn open_record_files(design: &Design) -> (RecordFiles, Problems) {
    let mut problems = Problems::new();
    let mut open = |input: &Option<Input>| match Source::open_records(input.as_ref()?) {
        Ok(source) => Some(source),
        Err(found) => {
            problems.append(found);
            None
        }
    };
    let files = RecordFiles {
        design: None,
        stands: open(&design.inputs.stands),
        plots: open(&design.inputs.plots),
        trees: open(&design.inputs.trees),
        counts: open(&design.inputs.counts),
    };
    warn_of_no_rows(&files, &mut problems);
    (files, problems)
}

/// Tells files of heads alone; where not even a plot is typed, their reader tells that.
fn warn_of_no_rows(files: &RecordFiles, problems: &mut Problems) {
    if files.plots.as_ref().is_none_or(has_rows) {
        let others = [&files.stands, &files.trees, &files.counts];
        for source in others.into_iter().flatten().filter(|of| !has_rows(of)) {
            problems.push(no_rows(source.whole()));
        }
    }
}

/// Is there more than a line of heads?
fn has_rows(source: &Source) -> bool {
    let lines = source.text().split(['\n', '\r']);
    // An empty file is told by its reader.
    lines.filter(|line| !line.trim().is_empty()).count() != 1
}

/// Heads alone: a file that was forgotten, or saved too early.
fn no_rows(file: Site) -> Diagnostic {
    Diagnostic::warning("no-rows", "the file has heads and no rows")
        .at(file)
        .hint("type its rows; if there is nothing to type, leave it out of the design")
}
