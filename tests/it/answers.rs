//! Check values: `tests/check-values/<case>/answers.csv` against what the program gives.
//!
//! A printed value is met when ours, written with the digits printed there, is the same text (or
//! lies within the relative tolerance that the file states, where the source carries a slip or a
//! rounded factor). A recomputed value is met to 1e-8 (or to the tolerance stated because it has
//! few digits). A row may be skipped only with a reason, and every other row must be given.

#![allow(
    clippy::print_stdout,
    reason = "the table of differences is shown by `cargo test -- --nocapture`"
)]

use std::collections::BTreeMap;
use std::path::PathBuf;

/// Relative difference allowed against a recomputed value of ten digits.
const RECOMPUTED: f64 = 1e-8;

/// A file of a case.
pub(crate) fn case_file(case: &str, file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/check-values"))
        .join(case)
        .join(file)
}

/// A data file outside the repository; `None`, with a word on it, where it is absent.
pub(crate) fn shared_file(path: &str) -> Option<PathBuf> {
    let file = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../shared")).join(path);
    if file.exists() {
        return Some(file);
    }
    println!("skipped: {path} is not here");
    None
}

/// Rows of a CSV file as maps from column to text.
pub(crate) fn rows(path: &PathBuf) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(|row| row.unwrap()).collect()
}

/// The numbers of one column.
pub(crate) fn numbers(rows: &[BTreeMap<String, String>], column: &str) -> Vec<f64> {
    rows.iter()
        .map(|row| row[column].parse().unwrap())
        .collect()
}

fn relative(ours: f64, value: f64) -> f64 {
    if value.abs() > 0.0 {
        (ours - value).abs() / value.abs()
    } else {
        ours.abs()
    }
}

fn number(text: &str) -> Option<f64> {
    (!text.is_empty()).then(|| text.parse().unwrap())
}

fn meets_printed(ours: f64, printed: &str, tolerance: Option<f64>) -> bool {
    if let Some(tolerance) = tolerance {
        return relative(ours, printed.parse().unwrap()) <= tolerance;
    }
    let digits = printed
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len());
    format!("{ours:.digits$}") == printed
}

/// Compares every answer of a case and prints the table of differences.
pub(crate) fn check(case: &str, ours: &[(impl AsRef<str>, f64)]) {
    let citation = std::fs::read_to_string(case_file(case, "case.yaml")).unwrap();
    assert!(citation.starts_with("citation: "), "{case} does not cite");
    let answers = rows(&case_file(case, "answers.csv"));
    let mut ours: BTreeMap<&str, f64> = ours.iter().map(|(q, v)| (q.as_ref(), *v)).collect();
    let mut faults = Vec::new();
    println!(
        "\n{case}\n{:<28} {:>14} {:>18} {:>18} {:>9}",
        "quantity", "printed", "recomputed", "ours", "rel.diff"
    );
    for row in &answers {
        let quantity = row["quantity"].as_str();
        let (printed, recomputed) = (row["printed"].as_str(), row["recomputed"].as_str());
        if !row["skipped"].is_empty() {
            println!(
                "{quantity:<28} {printed:>14} {recomputed:>18} skipped: {}",
                row["skipped"]
            );
            continue;
        }
        let Some(value) = ours.remove(quantity) else {
            faults.push(format!("{case}: {quantity} is not given"));
            continue;
        };
        let against = number(recomputed).or(number(printed)).unwrap();
        let difference = relative(value, against);
        println!("{quantity:<28} {printed:>14} {recomputed:>18} {value:>18.9} {difference:>9.1e}");
        let tolerance = number(&row["recomputed_tolerance"]).unwrap_or(RECOMPUTED);
        if number(recomputed).is_some_and(|recomputed| relative(value, recomputed) > tolerance) {
            faults.push(format!(
                "{case}: {quantity} is {value}, recomputed {recomputed}"
            ));
        }
        let tolerance = number(&row["printed_tolerance"]);
        if !printed.is_empty() && !meets_printed(value, printed, tolerance) {
            faults.push(format!("{case}: {quantity} is {value}, printed {printed}"));
        }
    }
    faults.extend(
        ours.keys()
            .map(|quantity| format!("{case}: {quantity} is no answer of the case")),
    );
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
