//! Each broken file of `tests/rejects/` gives exactly its snapshot: what the user is told.

use std::fs;
use std::path::{Path, PathBuf};

use crate::reading::{Cruise, design_of, drawn};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/rejects")
}

fn text(path: &Path) -> String {
    fs::read_to_string(path).expect("a text file")
}

fn broken_files() -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(folder())
        .expect("the folder")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "csv" || e == "yaml"))
        .collect();
    files.sort();
    files
}

#[test]
fn each_broken_file_is_told_what_is_wrong() {
    let files = broken_files();
    assert!(files.len() >= 12);
    let sound = |name: &str| text(&folder().join("sound").join(name));
    let (stands, plots) = (sound("stands.csv"), sound("plots.csv"));
    let (trees, counts, design) = (
        sound("trees.csv"),
        sound("counts.csv"),
        sound("design.yaml"),
    );
    for path in files {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let broken = text(&path);
        let mut cruise = Cruise {
            design: &design,
            stands: Some(&stands),
            plots: Some(&plots),
            trees: Some(&trees),
            counts: Some(&counts),
        };
        let findings = match name.split('-').next().unwrap() {
            "design" => drawn(&design_of(&broken).1, |_| Some(&broken)),
            kind => {
                match kind {
                    "stands" => cruise.stands = Some(&broken),
                    "plots" => cruise.plots = Some(&broken),
                    "trees" => cruise.trees = Some(&broken),
                    "counts" => cruise.counts = Some(&broken),
                    other => panic!("no kind of file is called {other}"),
                }
                cruise.drawn()
            }
        };
        assert!(!findings.is_empty(), "{name} is not broken");
        insta::assert_snapshot!(format!("reject__{name}"), findings);
    }
}

#[test]
fn the_sound_files_have_no_errors_and_no_warnings() {
    let sound = |name: &str| text(&folder().join("sound").join(name));
    let (stands, plots) = (sound("stands.csv"), sound("plots.csv"));
    let (trees, counts, design) = (
        sound("trees.csv"),
        sound("counts.csv"),
        sound("design.yaml"),
    );
    let cruise = Cruise {
        design: &design,
        stands: Some(&stands),
        plots: Some(&plots),
        trees: Some(&trees),
        counts: Some(&counts),
    };
    insta::assert_snapshot!(cruise.drawn());
    let records = cruise.records();
    let areas: Vec<(&str, &str, Option<f64>)> = records
        .stands
        .iter()
        .flat_map(|stand| {
            let strata = stand.strata.iter();
            strata.map(|s| (stand.name.as_str(), s.name.as_str(), s.area_ha))
        })
        .collect();
    assert_eq!(
        areas,
        [
            ("North", "dry", Some(6.5)),
            ("North", "wet", Some(4.0)),
            ("South", "", Some(3.0))
        ]
    );
}
