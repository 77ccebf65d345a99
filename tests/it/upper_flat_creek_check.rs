//! A real field book, 144 prism points: its slips are found, without hundreds of false alarms.
//!
//! Source: Upper Flat Creek, companion data of Robinson & Hamann 2010, Forest Analytics with R
//! (Springer). The slips: species F and FG (3 rows, read as GF by its analysts), a height of 0,
//! a larch of 57.5 cm with a height of 3.4 m, four rows typed twice, ten points without trees.

use std::collections::BTreeMap;
use std::path::Path;

use spinney::diagnostic::Severity;
use spinney::read::RecordFiles;
use spinney::read::records::read_records;
use spinney::read::source::Source;

use crate::reading::{design_of, lines, species_table};

const DESIGN: &str = "
title: Upper Flat Creek
inputs: {trees: {path: t.csv, columns: {dbh: dbh_mm, height: height_dm}}}
selections: {sweep: {method: angle-gauge, baf_m2_per_ha: 7}}
species_aliases:
  WC: Thuja plicata
  GF: Abies grandis
  DF: Pseudotsuga menziesii
  WP: Pinus monticola
  WL: Larix occidentalis
  SF: Abies lasiocarpa
  LP: Pinus contorta
  HW: Tsuga heterophylla
  PP: Pinus ponderosa
  ES: Picea engelmannii
";

#[test]
fn the_slips_of_a_real_field_book_are_found() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../shared/data/upper-flat-creek/trees-as-recorded.csv");
    if !path.exists() {
        println!("skipped: {} is not here", path.display());
        return;
    }
    let (design, _) = design_of(DESIGN);
    let files = RecordFiles {
        design: None,
        trees: Some(Source::open(&path, "t.csv").unwrap()),
        ..RecordFiles::default()
    };
    let (records, problems) = read_records(
        &design.unwrap(),
        &files,
        &species_table(),
        None,
        &mut |_| Ok(()),
    );
    assert!(records.is_none(), "species F and FG are errors");
    let all = lines(&problems);
    let found = |line: usize, code: &str| {
        let (place, code) = (format!("t.csv:{line}:"), format!("[{code}]"));
        let found = all
            .iter()
            .find(|text| text.starts_with(&place) && text.ends_with(&code));
        found
            .unwrap_or_else(|| panic!("{place} {code} in {all:#?}"))
            .clone()
    };
    let lines_of = |species: &str| {
        let text = std::fs::read_to_string(&path).unwrap();
        let rows = text.lines().zip(1..);
        let wanted = format!(",\"{species}\",");
        rows.filter(|(row, _)| row.contains(&wanted))
            .map(|(_, line)| line)
            .collect::<Vec<usize>>()
    };
    for species in ["F", "FG"] {
        let finding = found(lines_of(species)[0], "unknown-species");
        assert!(finding.contains("did you mean `GF`"), "{finding}");
    }
    assert_eq!(lines_of("F").len() + lines_of("FG").len(), 3);
    found(416, "height-zero");
    let larch = found(377, "decimal-slip");
    assert!(larch.contains("height 34.00 m?"), "{larch}");
    found(242, "rows-repeated");
    for line in 243..=245 {
        found(line, "tree-twice");
    }
    let mut by_code: BTreeMap<&str, usize> = BTreeMap::new();
    for finding in &problems {
        *by_code.entry(finding.code).or_default() += 1;
    }
    println!("{by_code:#?}\n{all:#?}");
    assert_eq!(by_code["empty-plot"], 10);
    assert_eq!(problems.count(Severity::Error), 2);
    assert!(problems.count(Severity::Warning) <= 20, "{all:#?}");
}
