//! What must hold for any input: findings or records, never a panic; and the order of rows and
//! columns, the delimiter and the decimal mark change nothing.

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use spinney::records::Records;

use crate::reading::{Cruise, design_of, lines};

const DESIGN: &str = "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv}
selections:
  fixed: {method: fixed-area, radius_m: 7.98, min_dbh_cm: 7}
  rings: {method: fixed-area, rings: [{radius_m: 4, max_dbh_cm: 20}, {radius_m: 9, min_dbh_cm: 20}]}
  sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some, slope_correction: program}
";

/// Words of the design language and marks of YAML, to be strung together.
const DESIGN_WORDS: &[&str] = &[
    "title: ",
    "inputs: ",
    "selections: ",
    "fixed: ",
    "method: ",
    "fixed-area",
    "angle-gauge",
    "rings: ",
    "radius_m: ",
    "baf_ft2_per_ac: ",
    "heights: ",
    "volume: ",
    "set: ",
    "measured: ",
    "none",
    "status_codes: ",
    "dead: ",
    "true",
    "decay_class: ",
    "trees: ",
    "columns: ",
    "path: ",
    "t.csv",
    "1",
    "-7.5",
    ".nan",
    "1e400",
    "~",
    "{",
    "}",
    "[",
    "]",
    ", ",
    "\n",
    "\n  ",
    "\n    ",
    "- ",
    "\"",
    "'",
    "&a ",
    "*a",
    "!tag ",
    "? ",
    "<<: ",
    "|",
    "#",
    "\t",
    "é",
    "\u{0}",
];

/// Heads and cells of record files, good and bad.
const CELLS: &[&str] = &[
    "plot",
    "stand",
    "stratum",
    "selection",
    "tree",
    "species",
    "dbh_cm",
    "dbh_in",
    "height_m",
    "status",
    "decay_class",
    "top_pct",
    "top_deg",
    "base_pct",
    "distance_m",
    "slope_distance_m",
    "top_slant_m",
    "base_slant_m",
    "pole_m",
    "pole_top_per_20",
    "hidden_top_m",
    "broken_height_m",
    "distance_to_centre_m",
    "count",
    "walkthrough",
    "baf_m2_per_ha",
    "plot_fraction",
    "slope_deg",
    "slope_corrected",
    "radius_m",
    "fixed.area_ha",
    "area_ha",
    "dbh",
    "",
    "1",
    "2",
    "02",
    "0",
    "-3",
    "31.2",
    "24,5",
    "1e308",
    "1e-308",
    "Fd",
    "Hw",
    "xx",
    "live",
    "d",
    "5",
    "fixed",
    "rings",
    "sweep",
    "yes",
    "no",
    "\"",
    "\"a\nb\"",
    "é",
    "\u{feff}",
    "\u{0}",
];

fn text_of(rows: &[Vec<&str>], delimiter: &str) -> String {
    let rows: Vec<String> = rows.iter().map(|row| row.join(delimiter)).collect();
    rows.join("\n")
}

fn csv_text() -> impl Strategy<Value = String> {
    let rows = vec(vec(select(CELLS), 1..9), 0..7);
    (rows, select(&[",", ";", "\t"][..])).prop_map(|(rows, mark)| text_of(&rows, mark))
}

/// A plausible file: known heads, cells from the list.
fn plausible(heads: &'static [&'static str]) -> impl Strategy<Value = String> {
    vec(vec(select(CELLS), heads.len()), 0..8).prop_map(move |mut rows| {
        rows.insert(0, heads.to_vec());
        text_of(&rows, ",")
    })
}

const TREE_HEADS: &[&str] = &[
    "plot",
    "selection",
    "tree",
    "species",
    "dbh_cm",
    "height_m",
    "status",
    "decay_class",
    "top_pct",
    "base_pct",
    "distance_m",
    "top_slant_m",
    "base_slant_m",
    "pole_m",
    "pole_top_per_20",
    "hidden_top_m",
    "top_offset_ft",
    "broken_height_m",
    "distance_to_centre_m",
    "count",
    "baf_m2_per_ha",
];
const PLOT_HEADS: &[&str] = &[
    "plot",
    "selection",
    "stratum",
    "slope_pct",
    "slope_corrected",
    "plot_fraction",
    "radius_m",
    "fixed.area_ha",
    "baf_m2_per_ha",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_bytes_as_a_design_give_findings_or_a_design(bytes in vec(any::<u8>(), 0..200)) {
        let (design, problems) = design_of(&String::from_utf8_lossy(&bytes));
        prop_assert!(design.is_some() || problems.has_errors());
    }

    #[test]
    fn any_words_as_a_design_give_findings_or_a_design(words in vec(select(DESIGN_WORDS), 0..40)) {
        let (design, problems) = design_of(&words.concat());
        prop_assert!(design.is_some() != problems.has_errors());
    }

    #[test]
    fn any_bytes_as_records_give_findings_or_records(bytes in vec(any::<u8>(), 0..200)) {
        let text = String::from_utf8_lossy(&bytes);
        let cruise = Cruise {
            design: DESIGN,
            stands: Some(&text),
            plots: Some(&text),
            trees: Some(&text),
            counts: Some(&text),
        };
        let (records, problems) = cruise.read();
        prop_assert!(records.is_some() != problems.has_errors());
    }

    #[test]
    fn any_cells_as_records_give_findings_or_records(
        stands in proptest::option::of(csv_text()),
        plots in proptest::option::of(prop_oneof![csv_text(), plausible(PLOT_HEADS)]),
        trees in prop_oneof![csv_text(), plausible(TREE_HEADS)],
        counts in proptest::option::of(csv_text()),
    ) {
        let cruise = Cruise {
            design: DESIGN,
            stands: stands.as_deref(),
            plots: plots.as_deref(),
            trees: Some(&trees),
            counts: counts.as_deref(),
        };
        let (records, problems) = cruise.read();
        prop_assert!(records.is_some() != problems.has_errors(), "{:#?}", lines(&problems));
    }

    #[test]
    fn order_delimiter_and_decimal_mark_change_nothing(
        trees in vec(tree_row(), 1..25),
        shuffled in Just((0..25_usize).collect::<Vec<_>>()).prop_shuffle(),
        columns in Just((0..HEADS.len()).collect::<Vec<_>>()).prop_shuffle(),
        mark in select(&[";", "\t"][..]),
    ) {
        let plots = "plot;stratum\n1;a\n2;b\n10;a\n";
        let plots_shuffled = "stratum\tplot\na\t10\na\t1\nb\t2\n";
        let straight = with_heads(&trees, HEADS);
        let rows: Vec<Vec<String>> = shuffled
            .iter()
            .filter(|row| **row < trees.len())
            .map(|row| columns.iter().map(|c| trees[*row][*c].replace('.', ",")).collect())
            .collect();
        let heads: Vec<&str> = columns.iter().map(|column| HEADS[*column]).collect();
        let turned = with_heads(&rows, &heads);
        let read = |plots, trees: &str| Cruise {
            design: SMALL,
            plots: Some(plots),
            trees: Some(trees),
            ..Cruise::default()
        }.records();
        let one = read(plots, &text(&straight, ","));
        let other = read(plots_shuffled, &text(&turned, mark));
        prop_assert_eq!(without_lines(one), without_lines(other));
    }
}

const SMALL: &str = "
inputs: {plots: plots.csv, trees: trees.csv}
selections:
  fixed: {method: fixed-area, radius_m: 7.98, min_dbh_cm: 10}
  sweep: {method: angle-gauge, baf_m2_per_ha: 4}
";
const HEADS: &[&str] = &[
    "plot",
    "selection",
    "tree",
    "species",
    "dbh_cm",
    "height_m",
    "status",
];

fn tree_row() -> impl Strategy<Value = Vec<String>> {
    (
        select(&["1", "2", "10"][..]),
        select(&["fixed", "sweep"][..]),
        select(&["", "1", "2", "03", "3", "a"][..]),
        select(&["Fd", "fd", "FD", "Hw", "Western Hemlock", "242"][..]),
        80_u32..900,
        proptest::option::of(15_u32..400),
        select(&["live", "D", "snag"][..]),
    )
        .prop_map(|(plot, selection, tree, species, dbh, height, status)| {
            let tenths = |value: u32| format!("{}.{}", value / 10, value % 10);
            vec![
                plot.to_owned(),
                selection.to_owned(),
                tree.to_owned(),
                species.to_owned(),
                tenths(dbh),
                height.map_or_else(String::new, tenths),
                status.to_owned(),
            ]
        })
}

fn with_heads(rows: &[Vec<String>], heads: &[&str]) -> Vec<Vec<String>> {
    let heads = heads.iter().map(ToString::to_string).collect();
    std::iter::once(heads).chain(rows.iter().cloned()).collect()
}

fn text(rows: &[Vec<String>], delimiter: &str) -> String {
    let rows: Vec<String> = rows.iter().map(|row| row.join(delimiter)).collect();
    rows.join("\r\n")
}

/// The records in full, but for the lines on which they stood.
fn without_lines(mut records: Records) -> String {
    for stand in &mut records.stands {
        for visit in stand.plots.iter_mut().flat_map(|plot| &mut plot.visits) {
            visit.trees.iter_mut().for_each(|tree| tree.line = 0);
            visit.counts.iter_mut().for_each(|count| count.line = 0);
        }
    }
    format!("{records:#?}")
}
