//! Licences of what is built in: each crate against the list of `.ci/deny.toml`, and the page that
//! names them against `Cargo.lock`.

use std::collections::BTreeSet;
use std::fs;
use std::process::Command;

use serde_json::Value;

use crate::cruise::repository;

/// Every crate that cargo knows of on this system; `None`, with a line that says so, where some of
/// them are not at hand.
fn metadata() -> Option<Value> {
    let version = Command::new("rustc").arg("-vV").output().unwrap();
    let version = String::from_utf8(version.stdout).unwrap();
    let host = version.lines().find_map(|line| line.strip_prefix("host: "));
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--locked", "--offline", "--format-version=1"])
        .args(["--filter-platform", host.unwrap()])
        .current_dir(repository())
        .output()
        .unwrap();
    if !output.status.success() {
        println!("skipped: {}", String::from_utf8_lossy(&output.stderr));
        return None;
    }
    Some(serde_json::from_slice(&output.stdout).unwrap())
}

fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_default()
}

/// The words in quotes of the list `allow` of `.ci/deny.toml`.
fn allowed() -> BTreeSet<String> {
    let text = fs::read_to_string(repository().join(".ci/deny.toml")).unwrap();
    let (_, list) = text.split_once("allow = [").unwrap();
    let (list, _) = list.split_once(']').unwrap();
    let words = list.split('"').skip(1).step_by(2);
    words.map(str::to_owned).collect()
}

/// Can a licence be had with those that are allowed? Licences are joined by `AND` and `OR` (old
/// crates write `/`), `AND` before `OR`, with brackets.
fn is_had(licence: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = licence.replace('(', " ( ").replace(')', " ) ");
    let spaced = spaced.replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let (is_had, rest) = either(&words, allowed);
    assert!(rest.is_empty(), "{licence}");
    is_had
}

fn either<'w>(words: &'w [&'w str], allowed: &BTreeSet<String>) -> (bool, &'w [&'w str]) {
    let (mut is_had, mut rest) = both(words, allowed);
    while let ["OR", more @ ..] = rest {
        let (other, after) = both(more, allowed);
        (is_had, rest) = (is_had || other, after);
    }
    (is_had, rest)
}

fn both<'w>(words: &'w [&'w str], allowed: &BTreeSet<String>) -> (bool, &'w [&'w str]) {
    let (mut is_had, mut rest) = one(words, allowed);
    while let ["AND", more @ ..] = rest {
        let (other, after) = one(more, allowed);
        (is_had, rest) = (is_had && other, after);
    }
    (is_had, rest)
}

fn one<'w>(words: &'w [&'w str], allowed: &BTreeSet<String>) -> (bool, &'w [&'w str]) {
    match words {
        ["(", inner @ ..] => {
            let (is_had, rest) = either(inner, allowed);
            assert_eq!(rest.first(), Some(&")"));
            (is_had, &rest[1..])
        }
        [name, "WITH", exception, rest @ ..] => {
            (allowed.contains(&format!("{name} WITH {exception}")), rest)
        }
        [name, rest @ ..] => (allowed.contains(*name), rest),
        [] => (false, words),
    }
}

#[test]
fn licences_are_read() {
    let allowed: BTreeSet<String> = ["MIT", "BSD-3-Clause"].map(str::to_owned).into();
    for (licence, wanted) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("GPL-3.0-only OR MIT", true),
        ("MIT AND GPL-3.0-only", false),
        ("(Apache-2.0 OR MIT) AND BSD-3-Clause", true),
        ("MIT OR Apache-2.0 AND GPL-3.0-only", true),
        ("Unlicense/MIT", true),
        ("MIT WITH LLVM-exception", false),
        ("", false),
    ] {
        assert_eq!(is_had(licence, &allowed), wanted, "{licence}");
    }
}

#[test]
fn every_crate_has_a_licence_that_is_allowed() {
    let Some(metadata) = metadata() else { return };
    let allowed = allowed();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100);
    for package in packages {
        let (name, licence) = (text(package, "name"), text(package, "license"));
        assert!(is_had(licence, &allowed), "{name}: {licence}");
        let source = text(package, "source");
        assert!(
            name == "spinney" || source.contains("crates.io"),
            "{name}: {source}"
        );
    }
}

/// Does a crate run in the compiler alone?
fn is_macro(package: &Value) -> bool {
    let targets = package["targets"].as_array().unwrap();
    let mut kinds = targets
        .iter()
        .flat_map(|target| target["kind"].as_array().unwrap());
    kinds.any(|kind| kind == "proc-macro")
}

/// Ids of the crates that the program is built of.
fn built_in(metadata: &Value) -> BTreeSet<&str> {
    let nodes = metadata["resolve"]["nodes"].as_array().unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let macros = packages.iter().filter(|package| is_macro(package));
    let macros: BTreeSet<&str> = macros.map(|package| text(package, "id")).collect();
    let mut ids = BTreeSet::new();
    let mut next = vec![text(&metadata["resolve"], "root")];
    while let Some(id) = next.pop() {
        if macros.contains(id) || !ids.insert(id) {
            continue;
        }
        let node = nodes.iter().find(|node| text(node, "id") == id).unwrap();
        for needed in node["deps"].as_array().unwrap() {
            let kinds = needed["dep_kinds"].as_array().unwrap();
            if kinds.iter().any(|kind| kind["kind"].is_null()) {
                next.push(text(needed, "pkg"));
            }
        }
    }
    ids
}

#[test]
#[cfg(target_os = "linux")]
fn the_page_names_what_is_built_in() {
    let Some(metadata) = metadata() else { return };
    let ids = built_in(&metadata);
    let packages = metadata["packages"].as_array().unwrap();
    let mut rows = Vec::new();
    for package in packages {
        let name = text(package, "name");
        if ids.contains(text(package, "id")) && name != "spinney" {
            let licence = text(package, "license")
                .replace(" / ", " OR ")
                .replace('/', " OR ");
            rows.push(format!(
                "| {name} | {} | {licence} |",
                text(package, "version")
            ));
        }
    }
    rows.sort();
    let page = format!(
        "# Licences\n\n\
         `spinney` may be used under the MIT licence or the Apache License 2.0, as you choose. The \
         program\n\
         contains these {} libraries (those of Linux; other systems have a few others in their place), \
         each\n\
         under its own licence. Where a licence is `A OR B`, it is used under one that \
         `.ci/deny.toml` allows.\n\n\
         | library | version | licence |\n| --- | --- | --- |\n{}\n",
        rows.len(),
        rows.join("\n")
    );
    let path = repository().join("docs/licences.md");
    if std::env::var("INSTA_UPDATE").is_ok_and(|update| update == "always") {
        fs::write(&path, &page).unwrap();
    }
    let written = fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(
        written, page,
        "docs/licences.md is not up to date: INSTA_UPDATE=always cargo test licences"
    );
}
