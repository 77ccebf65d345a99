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
use crate::diagnostic::Problems;
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
    (files, problems)
}
