//! The dirty field book: each planted mistake is found, in its line, under its code.

use std::path::Path;

use spinney::diagnostic::Severity::{self, Error, Note, Warning};
use spinney::read::design::{Known, read_design};
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::read::{RecordFiles, design};

use crate::reading::{lines, species_table};

/// The planted mistakes: number, file, line, code, and how serious we hold it to be.
///
/// Constructed for this test. Where the severity is not that of the list of mistakes, the comment
/// says why.
const PLANTED: [(&str, &str, usize, &str, Severity); 23] = [
    ("D01", "plots.csv", 2, "slope-not-corrected", Warning),
    // Listed as an error; crews do change prisms, so it is compiled as recorded.
    ("D02", "plots.csv", 5, "far-from-design", Warning),
    ("D03", "plots.csv", 7, "part-plot", Note),
    ("D04", "plots.csv", 10, "plot-twice", Error),
    ("D05", "plots.csv", 8, "plot-without-trees", Warning),
    // Listed as an error; a size that is possible is compiled as recorded.
    ("D06", "trees.csv", 3, "decimal-slip", Warning),
    // Listed as an error; stems of one tree often share its number.
    ("D07", "trees.csv", 5, "tree-number-twice", Warning),
    ("D08", "trees.csv", 4, "height-missing", Note),
    // Listed as an error for a list of four species; the species table knows mountain hemlock.
    ("D09", "trees.csv", 6, "rare-species-code", Warning),
    // Listed as an error; the status is what the crew wrote.
    ("D10", "trees.csv", 8, "live-with-decay-class", Warning),
    ("D11", "trees.csv", 9, "beyond-limiting-distance", Warning),
    ("D12", "trees.csv", 10, "below-least-dbh", Warning),
    ("D13", "trees.csv", 11, "decimal-comma", Error),
    ("D14", "trees.csv", 12, "below-breast-height", Error),
    ("D15", "trees.csv", 13, "steep-sight", Warning),
    // Listed as an error; a size that is possible is compiled as recorded.
    ("D16", "trees.csv", 14, "feet-for-metres", Warning),
    ("D17", "trees.csv", 15, "unknown-decay-class", Error),
    ("D18", "trees.csv", 17, "borderline-tree", Note),
    ("D19", "trees.csv", 18, "beyond-limiting-distance", Warning),
    ("D19", "trees.csv", 18, "same-measurements", Warning),
    ("D20", "trees.csv", 19, "unknown-plot", Error),
    ("D21", "trees.csv", 16, "empty-plot", Note),
    ("D22", "trees.csv", 7, "tree-in-two-selections", Note),
];

#[test]
fn every_planted_mistake_is_found() {
    let text = |name: &str| {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/dirty-field-book");
        Source::open(&folder.join(name), name).unwrap()
    };
    let design_source = text("design.yaml");
    let (design, problems) = read_design(&design_source, Path::new("."), &Known::default());
    assert!(problems.is_empty(), "{:#?}", lines(&problems));
    let species = species_table();
    assert!(design::check_species(&design_source, &species).is_empty());
    let files = RecordFiles {
        design: None,
        plots: Some(text("plots.csv")),
        trees: Some(text("trees.csv")),
        ..RecordFiles::default()
    };
    let (records, problems) =
        read_records(&design.unwrap(), &files, &species, None, &mut |_| Ok(()));
    assert!(records.is_none(), "there are errors");
    let mut unfound = Vec::new();
    for (number, file, line, code, severity) in PLANTED {
        let is_found = problems.iter().any(|found| {
            let site = found.site.as_ref();
            found.code == code
                && found.severity == severity
                && site.is_some_and(|site| &*site.file == file && site.line == line)
        });
        if !is_found {
            unfound.push(format!("{number} {file}:{line} {code}"));
        }
    }
    insta::assert_snapshot!(lines(&problems).join("\n"));
    assert!(unfound.is_empty(), "not found: {unfound:#?}");
}
