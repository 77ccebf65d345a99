//! What the documents name exists where they say that it does: keys under their section, columns
//! under their file. (`docs` tests the other way: what exists is named; `docs_options` has the
//! command line.)

use std::collections::BTreeSet;
use std::fs;

use serde_json::Value;

use crate::cruise::{Cruise, repository, run};
use crate::docs::{NOTHING_KNOWN, pages, words_of};

pub(crate) type Words = BTreeSet<String>;

pub(crate) fn page(name: &str) -> String {
    fs::read_to_string(repository().join(name)).unwrap()
}

/// Headings and the lines under each, up to the next heading; blocks of code left out.
pub(crate) fn sections(text: &str) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = vec![Default::default()];
    let mut is_code = false;
    for line in text.lines() {
        if line.starts_with("```") {
            is_code = !is_code;
        } else if is_code {
        } else if let Some(heading) = line.strip_prefix('#') {
            let heading = heading.trim_start_matches('#').trim();
            found.push((heading.to_owned(), String::new()));
        } else if let Some((_, lines)) = found.last_mut() {
            lines.push_str(line);
            lines.push('\n');
        }
    }
    found
}

/// The lines under a heading.
pub(crate) fn section(text: &str, heading: &str) -> String {
    let mut found = sections(text).into_iter();
    let found = found.find(|(name, _)| name == heading);
    found.unwrap_or_else(|| panic!("no heading {heading}")).1
}

/// What stands between backticks.
pub(crate) fn ticked(text: &str) -> impl Iterator<Item = &str> {
    text.lines()
        .flat_map(|line| line.split('`').skip(1).step_by(2))
}

/// What stands between backticks in the first column of tables.
fn first_column(text: &str) -> Words {
    let rows = text.lines().filter_map(|line| line.strip_prefix("| "));
    let cells = rows.filter_map(|row| row.split(" |").next());
    cells.flat_map(ticked).map(str::to_owned).collect()
}

/// A name of this program: small letters, with a hyphen, an underscore or a point inside.
fn is_name(word: &str) -> bool {
    word.starts_with(|mark: char| mark.is_ascii_lowercase())
        && word.contains(['-', '_'])
        && !word.ends_with(['-', '_'])
        && word
            .chars()
            .all(|mark| mark.is_ascii_lowercase() || mark.is_ascii_digit() || "-_".contains(mark))
}

/// Keys of a schema at any depth, and of the maps in it.
fn keys_of(schema: &Value, found: &mut Words) {
    match schema {
        Value::Object(map) => {
            for (key, value) in map {
                if let ("properties", Value::Object(properties)) = (key.as_str(), value) {
                    found.extend(properties.keys().cloned());
                }
                keys_of(value, found);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| keys_of(item, found)),
        _ => {}
    }
}

fn schema() -> Value {
    let run = run(&["schema"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    serde_json::from_str(&run.stdout).unwrap()
}

#[test]
fn keys_stand_under_their_section() {
    let text = page("docs/files.md");
    let schema = schema();
    let properties = schema["properties"].as_object().unwrap();
    let mut faults = Vec::new();
    let of_section = |key: &str| {
        let (mut keys, mut words) = (Words::new(), Words::new());
        keys_of(&properties[key], &mut keys);
        words_of(&properties[key], &mut words);
        (keys, words)
    };
    let top: Words = properties.keys().cloned().collect();
    let told = first_column(&section(&text, "The design"));
    assert_eq!(told, top, "keys of the design");
    for key in [
        "inputs",
        "selections",
        "sampling",
        "heights",
        "volume",
        "logs",
        "biomass",
        "intervals",
    ] {
        let body = section(&text, key);
        let (keys, words) = of_section(key);
        for word in first_column(&body).difference(&(&keys | &words)) {
            faults.push(format!("{key}: `{word}` is no key"));
        }
        // In the text: keys, what they take, and other sections.
        for word in ticked(&body).filter(|word| is_name(word)) {
            let is_set = repository()
                .join("species-tables/volume")
                .join(word)
                .exists()
                || repository()
                    .join("species-tables/biomass")
                    .join(word)
                    .exists();
            if !keys.contains(word)
                && !words.contains(word)
                && !is_set
                && !["easting", "northing"].contains(&word)
            {
                faults.push(format!("{key}: `{word}` is not there"));
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

/// The columns of stands, plots, trees and counts, from what their readers say to one that they do
/// not know.
fn columns_read() -> Vec<Words> {
    let run = Cruise::new()
        .file("design.yaml", NOTHING_KNOWN.replace("SUBSAMPLE", "all-in"))
        .run(&["check", "design.yaml"]);
    let lists = run
        .stderr
        .lines()
        .filter_map(|line| line.split_once("columns are "));
    let lists = lists.map(|(_, list)| list.split(" [").next().unwrap());
    lists
        .map(|list| list.split(", ").map(str::to_owned).collect())
        .collect()
}

#[test]
fn columns_of_record_files_are_read() {
    let text = page("docs/files.md");
    let lists = columns_read();
    // Files in the order in which the design above names them.
    let files = ["stands.csv", "plots.csv", "trees.csv", "counts.csv"];
    assert_eq!(lists.len(), files.len());
    for (file, list) in files.into_iter().zip(lists) {
        let mut told = first_column(&section(&text, file));
        // Sizes and shares of one of several selections: its name and a point.
        told.retain(|word| !word.contains('.'));
        let unread: Vec<&String> = told
            .iter()
            .filter(|word| !list.contains(*word))
            .filter(|word| !["yes", "no", "live", "dead"].contains(&word.as_str()))
            .collect();
        assert!(
            unread.is_empty(),
            "{file}: {unread:?} are not among {list:?}"
        );
    }
}

/// Every table that can be written, in a folder of [`everything_written`].
pub(crate) const LISTS: [&str; 9] = [
    "estimates.csv",
    "trees-out.csv",
    "logs.csv",
    "errors.csv",
    "heights.csv",
    "results/estimates.csv",
    "results/trees.csv",
    "results/summary.csv",
    "results/findings.csv",
];

/// A folder with all that can be written.
pub(crate) fn everything_written() -> Cruise {
    let cruise = Cruise::copy_of("examples/tarn-ridge-logs");
    for arguments in [
        "compile design.yaml --format csv --out estimates.csv --tree-list trees-out.csv \
         --log-list logs.csv --sources-of-error errors.csv --biomass-set ca-national-2008-height",
        "heights design.yaml --data heights.csv",
        "batch design.yaml --out results --tree-list --quiet --biomass-set ca-national-2008-height",
    ] {
        let arguments: Vec<&str> = arguments.split_whitespace().collect();
        let run = cruise.run(&arguments);
        assert_eq!(run.status, 0, "{arguments:?}: {}", run.stderr);
    }
    cruise
}

#[test]
fn columns_of_results_are_written() {
    let text = page("docs/files.md");
    let cruise = everything_written();
    for (heading, file) in [
        ("The table of estimates", "estimates.csv"),
        ("Tree list", "trees-out.csv"),
        ("Tree list", "results/trees.csv"),
        ("Log list", "logs.csv"),
        ("Sources of error", "errors.csv"),
        ("Heights and their curves", "heights.csv"),
    ] {
        let told = first_column(&section(&text, heading));
        let written = heads(&cruise.read(file));
        let missing: Vec<&String> = told.difference(&written).collect();
        assert!(missing.is_empty(), "{heading}: not in {file}: {missing:?}");
    }
}

#[test]
fn files_and_columns_of_batch_runs_are_written() {
    let text = section(&page("docs/files.md"), "Batch runs");
    let cruise = everything_written();
    let files = first_column(&text);
    for file in files.iter().filter(|name| name.contains('.')) {
        let path = cruise.path("results").join(file);
        assert!(path.exists(), "batch writes no {file}");
    }
    for (file, end) in [
        ("summary.csv", "`findings.csv`: "),
        ("findings.csv", "\n\n"),
    ] {
        let told = between(&text, &format!("`{file}`: "), end);
        let written = heads(&cruise.read(&format!("results/{file}")));
        // Words that stand in a column.
        let values = ["compiled", "failed", "error", "warning", "note"];
        let told: Words = ticked(told)
            .filter(|word| !values.contains(word))
            .map(str::to_owned)
            .collect();
        assert_eq!(told, written, "{file}");
    }
}

#[test]
fn attributes_are_estimated() {
    let text = section(&page("docs/files.md"), "The table of estimates");
    let mut known = attributes_in(&everything_written().read("estimates.csv"));
    let with_bark = Cruise::copy_of("examples/larrow-grid");
    let with_bark = with_bark.run(&["compile", "design.yaml", "--format", "csv"]);
    known.extend(attributes_in(&with_bark.stdout));
    let told = between(&text, "Attributes: ", "\n\n");
    let told: Words = ticked(told).map(str::to_owned).collect();
    assert_eq!(told, known);
}

fn between<'t>(text: &'t str, from: &str, to: &str) -> &'t str {
    let (_, after) = text.split_once(from).unwrap();
    after.split(to).next().unwrap()
}

/// The attributes in a table of estimates.
fn attributes_in(estimates: &str) -> Words {
    let mut heads = estimates.lines().next().unwrap().split(',');
    let at = heads.position(|head| head == "attribute").unwrap();
    let mut reader = csv::Reader::from_reader(estimates.as_bytes());
    reader
        .records()
        .map(|row| row.unwrap()[at].to_owned())
        .collect()
}

#[test]
fn columns_of_files_for_planning_are_read() {
    let text = section(&page("docs/files.md"), "Files for planning");
    let (strata, sizes) = text.split_once("`plan size").unwrap();
    for (text, command, heads) in [
        (
            strata,
            "plan plots --error 10 --strata",
            [
                "stratum,area_ha,cv_pct,mean_m3_per_ha,cost",
                "stratum,listed_units,std_dev_m3_per_ha",
            ]
            .as_slice(),
        ),
        (sizes, "plan size --stand-table", &["dbh_cm,trees_per_ha"]),
    ] {
        let told = first_column(text);
        let given: Words = heads
            .iter()
            .flat_map(|line| line.split(','))
            .map(str::to_owned)
            .collect();
        assert_eq!(told, given);
        for head in heads {
            let row = vec!["20"; head.split(',').count()].join(",");
            let cruise = Cruise::new().file("table.csv", format!("{head}\n{row}\n"));
            let mut arguments: Vec<&str> = command.split(' ').collect();
            arguments.push("table.csv");
            let run = cruise.run(&arguments);
            assert!(
                run.status == 0 && !run.stderr.contains("columns-ignored"),
                "{head}: {}",
                run.stderr
            );
        }
    }
}

/// The names that were compared above, and those of files and folders.
fn all_names() -> Words {
    let mut known = Words::new();
    let schema = schema();
    keys_of(&schema, &mut known);
    words_of(&schema, &mut known);
    known.extend(columns_read().into_iter().flatten());
    let cruise = everything_written();
    for file in LISTS {
        known.extend(heads(&cruise.read(file)));
    }
    let files = page("docs/files.md");
    for heading in ["Files for planning", "The table of estimates"] {
        known.extend(ticked(&section(&files, heading)).map(str::to_owned));
    }
    let check = cruise.run(&["check", "design.yaml", "--format", "json"]);
    json_keys(&serde_json::from_str(&check.stdout).unwrap(), &mut known);
    for folder in [
        ".",
        "examples",
        "species-tables/volume",
        "species-tables/biomass",
    ] {
        let entries = fs::read_dir(repository().join(folder)).unwrap();
        known.extend(entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()));
    }
    known
}

#[test]
fn every_other_name_exists_too() {
    let known = all_names();
    // A symbol of a formula, a value of an option.
    let is_symbol = |word: &str| ["w_j", "count-measure"].contains(&word);
    let is_known = |word: &str| {
        let metric = [("_ft", "_m"), ("_in", "_cm")].map(|(ours, metric)| {
            let stem = word.strip_suffix(ours)?;
            Some(format!("{stem}{metric}"))
        });
        let mut names = metric.iter().flatten().map(String::as_str).chain([word]);
        names.any(|name| known.contains(name))
    };
    let mut faults = Vec::new();
    for (name, text) in pages() {
        for (_, body) in sections(&text) {
            let keys = ticked(&body).map(|tick| tick.split(": ").next().unwrap());
            let unknown = keys.filter(|key| is_name(key) && !is_symbol(key) && !is_known(key));
            faults.extend(unknown.map(|key| format!("{name}: `{key}`")));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

/// The keys of JSON at any depth.
fn json_keys(value: &Value, found: &mut Words) {
    match value {
        Value::Object(map) => {
            found.extend(map.keys().cloned());
            map.values().for_each(|value| json_keys(value, found));
        }
        Value::Array(items) => items.iter().for_each(|item| json_keys(item, found)),
        _ => {}
    }
}

/// The heads of a CSV text.
fn heads(csv: &str) -> Words {
    let first = csv.lines().next().unwrap();
    first.split(',').map(str::to_owned).collect()
}
