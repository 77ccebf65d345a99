//! What README and the reference of species tables say of the sets is what there is; its blocks are
//! run by `docs`.

use std::fs;

use crate::cruise::repository;

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
