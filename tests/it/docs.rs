//! The documents cannot rot: every block of code in `README.md` and `docs/` is run, read or compared.
//!
//! A page is a session in a folder of its own, which begins with a copy of `examples/`. What a block
//! is stands behind its fence:
//!
//! - `sh`: commands, run in turn; `sh fails`: commands that end with status 1
//! - `yaml file=PATH`, `csv file=PATH`: a file of the page's folder
//! - `csv rows=PATH`: rows in place of those with the same first two fields in that file
//! - `yaml into=examples/NAME`: keys that replace those of that example's design, which is compiled
//! - `text output`: lines of what the last command printed, in this order
//! - `text formula`, `text format`: for people, nothing to run
//!
//! Any other block fails.

use std::collections::BTreeSet;
use std::fs;

use clap::CommandFactory as _;
use serde_json::Value;
use spinney::cli::Cli;

use crate::cruise::{Cruise, Run, copy, repository, run};
use crate::docs_names::{LISTS, everything_written};

/// The pages, README first.
pub(crate) fn pages() -> Vec<(String, String)> {
    let mut names = vec![String::from("README.md")];
    let entries = fs::read_dir(repository().join("docs")).unwrap();
    let mut docs: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .map(|name| format!("docs/{name}"))
        .collect();
    docs.sort();
    names.extend(docs);
    let read = |name: String| {
        let text = fs::read_to_string(repository().join(&name)).unwrap();
        (name, text)
    };
    names.into_iter().map(read).collect()
}

/// A block of code: the words behind its fence, and what is in it.
struct Block<'t> {
    kind: &'t str,
    body: String,
    line: usize,
}

fn blocks(text: &str) -> Vec<Block<'_>> {
    let mut found = Vec::new();
    let mut lines = text.lines().zip(1..);
    while let Some((line, number)) = lines.next() {
        if let Some(kind) = line.strip_prefix("```") {
            let inside: Vec<&str> = lines
                .by_ref()
                .map(|(line, _)| line)
                .take_while(|line| *line != "```")
                .collect();
            let (kind, line) = (kind.trim(), number);
            let body = inside.join("\n") + "\n";
            found.push(Block { kind, body, line });
        }
    }
    found
}

/// Runs one line of a block of commands; `None` where it is one that a test cannot run.
fn command(cruise: &Cruise, line: &str) -> Option<Run> {
    let arguments = line
        .strip_prefix("spinney ")
        .or_else(|| line.strip_prefix("cargo run --release --quiet -- "));
    let Some(arguments) = arguments else {
        assert!(
            ["cargo test", "cargo install --path ."].contains(&line),
            "`{line}` is no command that this test can run"
        );
        return None;
    };
    let words = arguments.split_whitespace();
    let words: Vec<String> = words.flat_map(|word| spread(cruise, word)).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    Some(cruise.run(&words))
}

/// `examples/*/design.yaml` as the paths that there are, as a shell does it.
fn spread(cruise: &Cruise, word: &str) -> Vec<String> {
    let Some((before, after)) = word.split_once('*') else {
        return vec![word.to_owned()];
    };
    let mut found: Vec<String> = fs::read_dir(cruise.path(before))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .map(|name| format!("{before}{name}{after}"))
        .filter(|path| cruise.path(path).exists())
        .collect();
    found.sort();
    found
}

/// The name and the lines of each top-level key of a design.
fn keys(design: &str) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = Vec::new();
    for line in design.lines() {
        let begins = line.starts_with(|mark: char| !mark.is_whitespace() && mark != '#');
        if begins {
            let (key, _) = line.split_once(':').unwrap();
            found.push((key.to_owned(), format!("{line}\n")));
        } else if let Some((_, lines)) = found.last_mut() {
            *lines += line;
            lines.push('\n');
        }
    }
    found
}

/// The design of an example with some keys of a document in place of its own.
fn merged(design: &str, ours: &str) -> String {
    let ours = keys(ours);
    let mut all = keys(design);
    all.retain(|(key, _)| !ours.iter().any(|(own, _)| own == key));
    all.extend(ours);
    all.into_iter().map(|(_, lines)| lines).collect()
}

/// A file with some of its rows replaced, each by the one that begins with the same two fields.
fn with_rows(file: &str, rows: &str) -> String {
    let key = |row: &str| {
        row.split(',')
            .take(2)
            .map(str::to_owned)
            .collect::<Vec<_>>()
    };
    let mut lines: Vec<&str> = file.lines().collect();
    for row in rows.lines() {
        let mut of_key = lines.iter_mut().filter(|line| key(line) == key(row));
        *of_key
            .next()
            .unwrap_or_else(|| panic!("no row to replace by `{row}`")) = row;
    }
    lines.join("\n") + "\n"
}

/// Does one page as it says; what went wrong.
fn walk_through(page: &str, text: &str) -> Vec<String> {
    let cruise = Cruise::new();
    let examples = cruise.path("examples");
    fs::create_dir(&examples).unwrap();
    copy(&repository().join("examples"), &examples);
    let mut printed = String::new();
    let mut faults = Vec::new();
    for block in blocks(text) {
        let place = format!("{page}:{}: ```{}", block.line, block.kind);
        let (kind, argument) = block.kind.split_once(' ').unwrap_or((block.kind, ""));
        match (kind, argument.split_once('=').unwrap_or((argument, ""))) {
            ("sh", (fails @ ("" | "fails"), _)) => {
                for line in block.body.lines() {
                    let Some(run) = command(&cruise, line) else {
                        continue;
                    };
                    if run.status != i32::from(fails == "fails") {
                        faults.push(format!("{place}: {line}\n{}", run.stderr));
                    }
                    printed = run.stdout + &run.stderr;
                }
            }
            ("yaml" | "csv", ("file", path)) => {
                let path = cruise.path(path);
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(path, &block.body).unwrap();
            }
            ("csv", ("rows", path)) => {
                let changed = with_rows(&cruise.read(path), &block.body);
                fs::write(cruise.path(path), changed).unwrap();
            }
            ("yaml", ("into", example)) => {
                let design = cruise.read(&format!("{example}/design.yaml"));
                let changed = format!("{example}/changed.yaml");
                fs::write(cruise.path(&changed), merged(&design, &block.body)).unwrap();
                let run = cruise.run(&["compile", &changed]);
                if run.status != 0 {
                    faults.push(format!("{place}\n{}", run.stderr));
                }
            }
            ("text", ("output", _)) => {
                let mut lines = printed.lines();
                for line in block.body.lines() {
                    if !lines.any(|printed| printed.trim_end() == line.trim_end()) {
                        faults.push(format!("{place}: `{line}` is not in\n{printed}"));
                        break;
                    }
                }
            }
            ("text", ("formula" | "format", _)) => {}
            _ => faults.push(format!("{place}: a block of no known kind")),
        }
    }
    faults
}

#[test]
fn every_block_of_the_documents_does_what_it_says() {
    let pages = pages();
    let faults = pages
        .iter()
        .flat_map(|(page, text)| walk_through(page, text));
    let faults: Vec<String> = faults.collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn links_between_documents_lead_somewhere() {
    for (page, text) in pages() {
        let folder = repository().join(&page);
        let folder = folder.parent().unwrap();
        for target in text.split("](").skip(1) {
            let target = target.split(')').next().unwrap();
            if target.starts_with("http") {
                continue;
            }
            let (file, anchor) = target.split_once('#').unwrap_or((target, ""));
            let linked = match file {
                "" => text.clone(),
                file if folder.join(file).is_dir() => String::new(),
                file => fs::read_to_string(folder.join(file))
                    .unwrap_or_else(|_| panic!("{page}: {target} is not there")),
            };
            let heads = linked.lines().filter(|line| line.starts_with('#'));
            let anchors: Vec<String> = heads.map(anchor_of).collect();
            let known = anchor.is_empty() || anchors.iter().any(|known| known == anchor);
            assert!(known, "{page}: no heading for {target}");
        }
    }
}

/// `## Strata, stands and grids` as `strata-stands-and-grids`.
fn anchor_of(heading: &str) -> String {
    let text = heading.trim_start_matches('#').trim().to_lowercase();
    let kept = text.chars().filter_map(|mark| match mark {
        ' ' => Some('-'),
        mark if mark.is_alphanumeric() || "-_".contains(mark) => Some(mark),
        _ => None,
    });
    kept.collect()
}

/// Long options of a command and of those below it.
fn options(command: &clap::Command, found: &mut BTreeSet<String>) {
    let long = command.get_arguments().filter_map(clap::Arg::get_long);
    found.extend(long.map(|long| format!("--{long}")));
    for below in command.get_subcommands() {
        options(below, found);
    }
}

/// Does a text hold a word that goes no further than given (`--out`, not `--output`)?
fn says(text: &str, word: &str) -> bool {
    let goes_on = |rest: &str| rest.starts_with(|c: char| c.is_alphanumeric() || "-_".contains(c));
    let mut rest = text.split(word);
    rest.next();
    rest.any(|after| !goes_on(after))
}

#[test]
fn every_command_and_option_is_named_somewhere() {
    let text: String = pages().into_iter().map(|(_, text)| text).collect();
    let cli = Cli::command();
    let mut named = BTreeSet::new();
    options(&cli, &mut named);
    for usual in ["--help", "--version"] {
        named.remove(usual);
    }
    let commands = cli.get_subcommands().map(clap::Command::get_name);
    named.extend(commands.map(|name| format!("spinney {name}")));
    let missing: Vec<&String> = named.iter().filter(|name| !says(&text, name)).collect();
    assert!(missing.is_empty(), "not in README.md or docs/: {missing:?}");
}

/// A design with a key or a column that is not known in every section: what the program says to it
/// lists all that are known.
pub(crate) const NOTHING_KNOWN: &str = "\
zzzzzzzz: 1
inputs:
  zzzzzzzz: 1
  stands: { path: a.csv, columns: { X: zzzzzzzz } }
  plots: { path: b.csv, columns: { X: zzzzzzzz } }
  trees: { path: c.csv, zzzzzzzz: 1, columns: { X: zzzzzzzz } }
  counts: { path: d.csv, columns: { X: zzzzzzzz } }
selections:
  circle: { method: fixed-area, radius_m: 5, zzzzzzzz: 1 }
  rings: { method: fixed-area, rings: [{ radius_m: 3, zzzzzzzz: 1 }] }
  strip: { method: strip, length_m: 20, width_m: 4, zzzzzzzz: 1 }
  gauge: { method: angle-gauge, baf_m2_per_ha: 4, measured: some, zzzzzzzz: 1 }
  drawn: { method: three-p, largest_number: 500, zzzzzzzz: 1 }
  all_trees: { method: full-tally, zzzzzzzz: 1 }
status_codes: { L: { dead: false, zzzzzzzz: 1 } }
sampling: { zzzzzzzz: 1 }
heights:
  zzzzzzzz: 1
  fill: { draws: 3, zzzzzzzz: 1 }
  instrument: { zzzzzzzz: 1 }
  subsample: { rule: SUBSAMPLE, zzzzzzzz: 1 }
  ratio_to: { Cw: { species: Hw, zzzzzzzz: 1 } }
volume:
  set: ca-bc-volume-2016
  zzzzzzzz: 1
  merchantable: { stump_m: 0.3, top_dib_cm: 10, zzzzzzzz: 1 }
biomass: { set: us-taxa-2014, zzzzzzzz: 1 }
logs:
  stump_m: 0.3
  zzzzzzzz: 1
  board_feet: [{ rule: doyle, zzzzzzzz: 1 }]
  products: [{ name: pole, lengths_m: [5], min_top_dib_cm: 10, zzzzzzzz: 1 }]
tables: { zzzzzzzz: 1 }
intervals: { zzzzzzzz: 1 }
";

#[test]
fn every_key_and_column_that_is_read_is_in_the_reference() {
    let reference = fs::read_to_string(repository().join("docs/files.md")).unwrap();
    let mut known = BTreeSet::new();
    for rule in ["first-per-species", "every-nth", "per-dbh-class", "all-in"] {
        let design = NOTHING_KNOWN.replace("SUBSAMPLE", rule);
        let run = Cruise::new()
            .file("design.yaml", design)
            .run(&["check", "design.yaml"]);
        assert_eq!(run.status, 1);
        for lists in ["known here: ", "columns are "] {
            for list in run.stderr.split(lists).skip(1) {
                let list = list.split(" [").next().unwrap();
                known.extend(list.split(", ").map(str::to_owned));
            }
        }
    }
    assert!(known.len() > 120, "{} names", known.len());
    // The first unit stands for its fellows.
    let imperial = |name: &&String| {
        let ends = ["_in", "_ft", "_ac", "_per_ac"];
        ends.iter().any(|end| name.ends_with(end))
    };
    let missing: Vec<&String> = known
        .iter()
        .filter(|name| !imperial(name) && !reference.contains(&format!("`{name}`")))
        .collect();
    assert!(missing.is_empty(), "not in docs/files.md: {missing:?}");
}

/// The words that keys take, from a schema.
pub(crate) fn words_of(schema: &Value, found: &mut BTreeSet<String>) {
    match schema {
        Value::Object(map) => {
            for (key, value) in map {
                let words = match (key.as_str(), value) {
                    ("enum", Value::Array(words)) => words.as_slice(),
                    ("const", word) => std::slice::from_ref(word),
                    _ => &[],
                };
                found.extend(words.iter().filter_map(Value::as_str).map(str::to_owned));
                words_of(value, found);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| words_of(item, found)),
        _ => {}
    }
}

#[test]
fn every_word_that_a_key_takes_is_in_the_reference() {
    let reference = fs::read_to_string(repository().join("docs/files.md")).unwrap();
    // Sets of equations are listed there.
    let sets = fs::read_to_string(repository().join("species-tables/README.md")).unwrap();
    let schema = run(&["schema"]);
    assert_eq!(schema.status, 0, "{}", schema.stderr);
    let mut words = BTreeSet::new();
    words_of(&serde_json::from_str(&schema.stdout).unwrap(), &mut words);
    assert!(words.len() > 80, "{} words", words.len());
    words.retain(|word| {
        let quoted = format!("`{word}`");
        !reference.contains(&quoted) && !sets.contains(&quoted)
    });
    assert!(words.is_empty(), "not in docs/files.md: {words:?}");
}

#[test]
fn every_column_that_is_written_is_in_the_reference() {
    let reference = fs::read_to_string(repository().join("docs/files.md")).unwrap();
    let cruise = everything_written();
    let mut missing = Vec::new();
    for file in LISTS {
        let text = cruise.read(file);
        for head in text.lines().next().unwrap().split(',') {
            // Board feet have columns for each rule, all alike.
            let is_alike = head.starts_with("board_feet_") && !head.contains("scribner");
            if !is_alike && !reference.contains(&format!("`{head}`")) {
                missing.push(format!("{file}: {head}"));
            }
        }
    }
    assert!(missing.is_empty(), "not in docs/files.md: {missing:?}");
}

#[test]
fn every_example_comes_out_in_every_form() {
    let mut compiled = 0;
    let formats: Vec<String> = format_names();
    for entry in fs::read_dir(repository().join("examples")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let folder = format!("examples/{name}");
        if !repository().join(&folder).join("design.yaml").exists() {
            continue;
        }
        let cruise = Cruise::copy_of(&folder);
        let check = cruise.run(&["check", "design.yaml"]);
        assert_eq!(check.status, 0, "{name}: {}", check.stderr);
        for format in &formats {
            let out = format!("out.{format}");
            let run = cruise.run(&[
                "compile",
                "design.yaml",
                "--format",
                format,
                "--out",
                out.as_str(),
            ]);
            assert_eq!(run.status, 0, "{name} {format}: {}", run.stderr);
            let size = fs::metadata(cruise.path(&out)).unwrap().len();
            assert!(size > 500, "{name} {format}: {size} bytes");
        }
        let wide: Vec<String> = (cruise.read("out.terminal").lines())
            .filter(|line| line.chars().count() > 80)
            .map(str::to_owned)
            .collect();
        assert!(wide.is_empty(), "{name}: {wide:#?}");
        compiled += 1;
    }
    assert!(compiled >= 9, "{compiled} examples");
}

/// The words that `compile --format` takes.
fn format_names() -> Vec<String> {
    let cli = Cli::command();
    let compile = cli.find_subcommand("compile").unwrap();
    let format = compile
        .get_arguments()
        .find(|argument| argument.get_long() == Some("format"));
    let values = format.unwrap().get_possible_values();
    let names = values.iter().map(|value| value.get_name().to_owned());
    names.collect()
}
