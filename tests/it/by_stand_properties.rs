//! What must hold of any files that are divided by stand: no panic, and no error is lost.

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use spinney::read::by_stand::Opened;

use crate::by_stand::Folder;
use crate::reading::lines;

const DESIGN: &str = "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv}
selections:
  circle: {method: fixed-area, radius_m: 7.98, min_dbh_cm: 7}
  sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some}
";

const CELLS: &[&str] = &[
    "", "A", "A", "a", "B", " B ", "1", "1", "2", "Fd", "Hw", "xx", "31.2", "24,5", "circle",
    "sweep", "\"", "\"A\"", "\"a\nb\"", "é", "\r", "\u{a0}",
];

fn file(heads: &'static [&'static str]) -> impl Strategy<Value = String> {
    let rows = vec(vec(select(CELLS), heads.len()), 0..8);
    (rows, select(&["\n", "\r\n"][..]), select(&[",", ";"][..])).prop_map(
        move |(mut rows, line_end, delimiter)| {
            rows.insert(0, heads.to_vec());
            let lines: Vec<String> = rows.iter().map(|row| row.join(delimiter)).collect();
            lines.join(line_end)
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    #[test]
    fn no_error_is_lost(
        stands in file(&["stand", "area_ha"]),
        plots in file(&["stand", "plot"]),
        trees in file(&["stand", "plot", "selection", "species", "dbh_cm"]),
        counts in file(&["stand", "plot", "species", "count"]),
    ) {
        let folder = Folder::new(DESIGN, &[
            ("stands.csv", stands.as_bytes()),
            ("plots.csv", plots.as_bytes()),
            ("trees.csv", trees.as_bytes()),
            ("counts.csv", counts.as_bytes()),
        ]);
        let (whole, whole_problems) = folder.whole();
        let (opened, problems) = folder.open();
        let mut has_errors = problems.has_errors();
        match opened {
            None => prop_assert!(has_errors),
            Some(Opened::Whole(_)) => return Ok(()),
            Some(Opened::ByStand(divided)) => {
                for stand in 0..divided.stands().len() {
                    has_errors |= folder.stand(&divided, stand).1.has_errors();
                }
            }
        }
        // A column is in order where each stand keeps to one decimal mark.
        let may_differ = |code| code == "mixed-decimal-marks";
        let mut codes = whole_problems.iter().map(|diagnostic| diagnostic.code);
        if !codes.any(may_differ) {
            prop_assert_eq!(has_errors, whole.is_none(), "{:#?}", lines(&whole_problems));
        }
    }
}
