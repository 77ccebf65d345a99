//! Results as workbooks, read back and held against the CSV of the same cruise.

use std::fs;
use std::io::Cursor;
use std::process::{Command, Stdio};

use calamine::{Data, Reader as _, Xlsx};

use spinney::diagnostic::unguarded;

use crate::cruise::{Cruise, repository};
use crate::workbooks::part;

const LISTS: [(&str, &str); 4] = [
    ("estimates", "--out"),
    ("trees", "--tree-list"),
    ("logs", "--log-list"),
    ("sources of error", "--sources-of-error"),
];

/// The cells of a sheet, from its first.
fn cells(bytes: &[u8], sheet: &str) -> Vec<Vec<Data>> {
    let mut workbook = Xlsx::new(Cursor::new(bytes)).unwrap();
    let range = workbook.worksheet_range(sheet).unwrap();
    assert_eq!(range.start(), Some((0, 0)), "{sheet}");
    range.rows().map(<[Data]>::to_vec).collect()
}

fn sheet_names(bytes: &[u8]) -> Vec<String> {
    Xlsx::new(Cursor::new(bytes)).unwrap().sheet_names()
}

/// Compiles a cruise as a workbook.
fn compiled(cruise: &Cruise) -> Vec<u8> {
    let run = cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "xlsx",
        "--out",
        "out.xlsx",
    ]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    fs::read(cruise.path("out.xlsx")).unwrap()
}

/// Compiles a cruise as CSV, with the lists that it has.
fn csvs(cruise: &Cruise, logs: bool) -> Vec<(&'static str, String)> {
    let lists = || LISTS.iter().filter(|(name, _)| logs || *name != "logs");
    let mut arguments = vec!["compile", "design.yaml", "--format", "csv"];
    let files: Vec<String> = lists()
        .map(|(name, _)| format!("list of {name}.csv"))
        .collect();
    for ((_, option), file) in lists().zip(&files) {
        arguments.extend([option, file.as_str()]);
    }
    let run = cruise.run(&arguments);
    assert_eq!(run.status, 0, "{}", run.stderr);
    lists()
        .zip(&files)
        .map(|((name, _), file)| (*name, cruise.read(file)))
        .collect()
}

/// Is every cell what the CSV says, words as words and numbers to the last bit?
fn assert_same(sheet: &str, cells: &[Vec<Data>], csv: &str) {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(csv.as_bytes());
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(cells.len(), rows.len(), "{sheet}");
    let (mut numbers, mut words) = (0, 0);
    for (cells, row) in cells.iter().zip(&rows) {
        assert_eq!(cells.len(), row.len(), "{sheet}");
        for (cell, field) in cells.iter().zip(row) {
            match cell {
                Data::Empty => assert_eq!(field, "", "{sheet}"),
                Data::String(word) => {
                    // What would run as a formula has an apostrophe there.
                    assert_eq!(word, &unguarded(field), "{sheet}");
                    words += 1;
                }
                Data::Float(number) => {
                    let expected: f64 = field.parse().unwrap();
                    assert_eq!(number.to_bits(), expected.to_bits(), "{sheet}: {field}");
                    numbers += 1;
                }
                other => panic!("{sheet}: {other:?}"),
            }
        }
    }
    assert!(
        numbers > 15 && words > 15,
        "{sheet}: {numbers} numbers, {words} words"
    );
}

#[test]
fn lists_are_those_of_the_csv_to_the_last_bit() {
    for (example, logs) in [
        ("examples/marrow-creek", false),
        ("examples/tarn-ridge-logs", true),
    ] {
        let cruise = Cruise::copy_of(example);
        let bytes = compiled(&cruise);
        for (sheet, csv) in csvs(&cruise, logs) {
            assert_same(sheet, &cells(&bytes, sheet), &csv);
        }
    }
}

#[test]
fn lists_by_themselves_are_workbooks_too() {
    let cruise = Cruise::copy_of("examples/tarn-ridge-logs");
    let lists = "--tree-list trees.xlsx --log-list logs.xlsx --sources-of-error sources.XLSX";
    let arguments = format!("compile design.yaml --format csv --out estimates.csv {lists}");
    let run = cruise.run(&arguments.split(' ').collect::<Vec<_>>());
    assert_eq!(run.status, 0, "{}", run.stderr);
    let files = ["", "trees.xlsx", "logs.xlsx", "sources.XLSX"];
    for ((sheet, csv), file) in csvs(&cruise, true).iter().zip(files).skip(1) {
        let bytes = fs::read(cruise.path(file)).unwrap();
        assert_eq!(sheet_names(&bytes), [*sheet]);
        assert_same(sheet, &cells(&bytes, sheet), csv);
    }
}

/// Names of sheets with their heads, and what stays in sight, is filtered and printed.
#[test]
fn sheets_have_heads_that_stay_and_filters() {
    let bytes = compiled(&Cruise::copy_of("examples/tarn-ridge-logs"));
    let mut told = String::new();
    for (at, name) in sheet_names(&bytes).iter().enumerate() {
        let rows = cells(&bytes, name);
        let head = if name == "summary" { 3 } else { 0 };
        let heads: Vec<String> = rows[head].iter().map(ToString::to_string).collect();
        told += &format!("{name}: {}\n", heads.join(" | "));
        let xml = part(&bytes, &format!("xl/worksheets/sheet{}.xml", at + 1));
        for tag in ["<pane ", "<autoFilter ", "<pageSetup "] {
            let found = xml
                .split(tag)
                .nth(1)
                .and_then(|rest| rest.split("/>").next());
            told += &format!("  {tag}{}\n", found.unwrap_or("none"));
        }
        // Head rows do not come twice, so that tables can be filtered and summed up.
        if name != "report" {
            let again = rows.iter().filter(|row| **row == rows[head]).count();
            assert_eq!(again, 1, "{name}");
            let mut sorted = heads.clone();
            sorted.sort();
            sorted.dedup();
            assert_eq!(sorted.len(), heads.len(), "{name}: {heads:?}");
        }
    }
    insta::assert_snapshot!("xlsx-sheets-of-output", told);
}

/// What people read is what the estimates say.
#[test]
fn tables_for_people_hold_the_estimates() {
    let bytes = compiled(&Cruise::copy_of("examples/marrow-creek"));
    let estimates = cells(&bytes, "estimates");
    let word = |cell: &Data| cell.to_string();
    let value = |keys: &[&str; 8]| {
        let is_it = |row: &&Vec<Data>| row.iter().zip(keys).all(|(cell, key)| word(cell) == *key);
        estimates.iter().find(is_it).map(|row| row[9].clone())
    };
    let stand = "Marrow Creek, block 7";
    let mut compared = 0;
    let table = cells(&bytes, "stand table");
    for row in &table[1..] {
        let (from, to) = match &row[4] {
            Data::Empty => ("all".to_owned(), "all".to_owned()),
            _ => (word(&row[4]), word(&row[5])),
        };
        for (head, cell) in table[0].iter().zip(row).skip(6) {
            let head = word(head);
            let species = head.strip_suffix(", 1/ha").unwrap();
            let keys = [
                stand,
                &word(&row[1]),
                &word(&row[2]),
                "live",
                species,
                &from,
                &to,
                "trees",
            ];
            assert_eq!(value(&keys).unwrap_or(Data::Empty), *cell, "{keys:?}");
            compared += 1;
        }
    }
    let summary = cells(&bytes, "summary");
    for row in &summary[4..] {
        let attribute = match word(&row[3]).as_str() {
            "trees" => "trees",
            "basal area" => "basal_area",
            "total volume" => "volume_total",
            _ => continue,
        };
        let (stratum, selection) = (word(&row[1]), word(&row[2]));
        let keys = [
            stand, &stratum, &selection, "live", "all", "all", "all", attribute,
        ];
        assert_eq!(value(&keys).unwrap(), row[5]);
        compared += 1;
    }
    assert!(compared > 100, "{compared}");
}

#[test]
fn the_bytes_are_the_same_every_time() {
    let cruise = Cruise::copy_of("examples/tarn-ridge-logs");
    let made = ["1", "4", "1"].map(|threads| {
        let output = Command::new(env!("CARGO_BIN_EXE_spinney"))
            .args(["compile", "design.yaml", "--format", "xlsx"])
            .current_dir(cruise.path(""))
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .unwrap();
        assert!(output.status.success());
        // The date of making would stand in whole seconds.
        std::thread::sleep(std::time::Duration::from_millis(1100));
        output.stdout
    });
    assert_eq!(&made[0][..2], b"PK");
    assert!(made[0] == made[1] && made[0] == made[2]);
}

/// A cruise whose words look like formulas, links and instructions.
fn with_odd_words() -> Cruise {
    let design = "title: \"=T & co\"\ninputs: {trees: trees.csv}\n\
                  selections:\n  \"+fixed\": {method: fixed-area, area_ha: 0.02}\n";
    let trees = "stand,plot,tree,species,dbh_cm,status\n\
                 =1+1,-2+3,@x,Fd,31,L\n\
                 =1+1,-2+3,\"=HYPERLINK(\"\"http://example.org\"\",\"\"x\"\")\",Fd,24,L\n\
                 =1+1,http://example.org,007,Fd,24,L\n\
                 =1+1,_x0041_,1e5,Fd,24,L\n\
                 {=2},#1,TRUE,Fd,24,L\n";
    Cruise::new()
        .file("design.yaml", design)
        .file("trees.csv", trees)
}

#[test]
fn words_are_never_formulas_or_links() {
    let cruise = with_odd_words();
    let bytes = compiled(&cruise);
    let names = sheet_names(&bytes);
    for at in 1..=names.len() {
        let xml = part(&bytes, &format!("xl/worksheets/sheet{at}.xml"));
        assert!(!xml.contains("<f>") && !xml.contains("<f ") && !xml.contains("hyperlink"));
    }
    for (sheet, csv) in csvs(&cruise, false) {
        if sheet != "sources of error" {
            assert_same(sheet, &cells(&bytes, sheet), &csv);
        }
    }
    let trees = cells(&bytes, "trees");
    let of = |column: usize| trees[1..].iter().map(move |row| row[column].clone());
    let string = |text: &str| Data::String(text.to_owned());
    assert!(of(0).any(|cell| cell == string("=1+1")) && of(3).all(|cell| cell == string("+fixed")));
    assert!(of(4).any(|cell| cell == string("007")) && of(2).any(|cell| cell == string("_x0041_")));
    assert_eq!(cells(&bytes, "summary")[0][0], string("=T & co"));
}

#[test]
fn findings_stand_in_the_workbook() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    let rows = cells(&compiled(&cruise), "warnings");
    let check = cruise.run(&["check", "design.yaml"]).stderr;
    let of = |kind: &str| rows.iter().filter(|row| row[0] == *kind).count();
    let warnings = check
        .lines()
        .filter(|line| line.contains(": warning: "))
        .count();
    // What only `check` tells: heights that the rule of the design asks for.
    let by_rule = check
        .lines()
        .filter(|line| line.contains("[height-not-measured]"))
        .count();
    assert_eq!(of("warning"), warnings - by_rule);
    assert!(of("note") > 3 && of("assumption") > 5 && of("caution") > 1 && of("compiled") > 1);
    let steep = rows.iter().find(|row| row[1] == *"steep-sight").unwrap();
    let place = [&steep[2], &steep[3], &steep[4]].map(ToString::to_string);
    assert_eq!(place, ["trees.csv", "115", "18"]);
}

/// Another library sees the same; skipped, with a line that says so, where it is not installed.
#[test]
fn another_library_reads_what_is_written() {
    let has = Command::new("python3")
        .args(["-c", "import openpyxl"])
        .stderr(Stdio::null())
        .status();
    if !has.is_ok_and(|status| status.success()) {
        println!("skipped: openpyxl is not here");
        return;
    }
    let cruise = Cruise::copy_of("examples/tarn-ridge-logs");
    compiled(&cruise);
    for (sheet, _) in csvs(&cruise, true) {
        let output = Command::new("python3")
            .arg(repository().join("tests/python/workbook.py"))
            .args(["out.xlsx", sheet, &format!("list of {sheet}.csv")])
            .current_dir(cruise.path(""))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(
            output.status.success() && said.starts_with("same "),
            "{said}{errors}"
        );
    }
}
