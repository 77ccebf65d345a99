//! The README cannot rot: its commands run, its files exist, its design is a design.

use std::fs;

use crate::cruise::{Cruise, repository, run};

fn blocks<'t>(text: &'t str, language: &str) -> Vec<&'t str> {
    let open = format!("```{language}\n");
    text.split(open.as_str())
        .skip(1)
        .map(|rest| rest.split("\n```").next().unwrap())
        .collect()
}

#[test]
fn every_command_of_the_readme_runs() {
    let text = fs::read_to_string(repository().join("README.md")).unwrap();
    let mut ran = 0;
    for line in blocks(&text, "sh").iter().flat_map(|block| block.lines()) {
        let arguments = line
            .strip_prefix("spinney ")
            .or_else(|| line.strip_prefix("cargo run --release --quiet -- "));
        let Some(arguments) = arguments else {
            assert_eq!(line, "cargo test", "this test cannot run it");
            continue;
        };
        let arguments: Vec<&str> = arguments.split_whitespace().collect();
        // Outputs go to a folder that is thrown away.
        let cruise = Cruise::new();
        let example = repository().join("examples");
        let arguments: Vec<String> = arguments
            .iter()
            .map(|word| word.replace("examples", example.to_str().unwrap()))
            .collect();
        let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
        let run = cruise.run(&words);
        assert_eq!(run.status, 0, "{line}: {}", run.stderr);
        ran += 1;
    }
    assert!(ran >= 8, "{ran} commands");
}

#[test]
fn the_design_of_the_readme_is_one() {
    let text = fs::read_to_string(repository().join("README.md")).unwrap();
    let design = blocks(&text, "yaml")[0];
    let cruise = Cruise::copy_of("examples/marrow-creek").file(
        "readme.yaml",
        design.replace("min_dbh_cm: 9", "min_dbh_cm: 9.0") + "\nstatus_codes: {L: live, D: dead}\n",
    );
    let run = cruise.run(&["compile", "readme.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
}

#[test]
fn the_tidy_columns_of_the_readme_are_those_of_the_program() {
    let text = fs::read_to_string(repository().join("README.md")).unwrap();
    let columns = blocks(&text, "text")[0].replace(['\n', ' '], "");
    let csv = run(&[
        "compile",
        "examples/one-centre/design.yaml",
        "--format",
        "csv",
    ]);
    assert_eq!(csv.stdout.lines().next().unwrap(), columns);
}

/// Names of the sets of a kind, sorted.
fn sets(kind: &str) -> Vec<String> {
    let folder = repository().join("species-tables").join(kind);
    let entries = fs::read_dir(folder).unwrap();
    let name = |entry: std::io::Result<fs::DirEntry>| entry.unwrap().file_name();
    let mut names: Vec<String> = entries
        .map(|entry| name(entry).into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn the_list_of_sets_is_that_of_the_folders() {
    let mut wanted = Vec::new();
    for kind in [
        "volume",
        "biomass",
        "bark",
        "wood",
        "height-curves",
        "log-rules",
    ] {
        for name in sets(kind) {
            let head = format!("species-tables/{kind}/{name}/set.yaml");
            let head = fs::read_to_string(repository().join(head)).unwrap();
            let title = head.lines().find_map(|line| line.strip_prefix("title: "));
            let title = title.unwrap().trim_matches('"');
            wanted.push(format!("| `{kind}` | `{name}` | {title} |"));
        }
    }
    let text = fs::read_to_string(repository().join("species-tables/README.md")).unwrap();
    let list = text.split("## All sets\n").nth(1).unwrap();
    let list = list.split("\n## ").next().unwrap();
    let listed: Vec<&str> = list
        .lines()
        .filter(|line| line.starts_with("| `"))
        .collect();
    assert_eq!(listed, wanted);
}

#[test]
fn the_readme_counts_the_sets() {
    let text = fs::read_to_string(repository().join("README.md")).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let count = |kind| sets(kind).len();
    let counts = format!(
        "{} of volume equations and stem profiles, {} of biomass, {} of bark, {} of height curves, \
         and {} log rules",
        count("volume"),
        count("biomass"),
        count("bark"),
        count("height-curves"),
        count("log-rules"),
    );
    assert!(text.contains(&counts), "{counts}");
}
