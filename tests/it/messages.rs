//! Messages: the line that each is about, what to do about it, and the same as JSON.

use std::fs;
use std::path::{Path, PathBuf};

use crate::cruise::{Cruise, repository};

/// The text of a call: from an open bracket on to the one that closes it.
fn to_closing(text: &str) -> usize {
    let mut depth = 0;
    for (at, c) in text.char_indices() {
        match c {
            '(' => depth += 1,
            ')' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return at + 1;
        }
    }
    text.len()
}

fn rust_files(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, files);
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
}

/// Wherever an error is made, what to do about it follows in the same breath.
#[test]
fn every_error_says_what_to_do() {
    const ERROR: &str = "Diagnostic::error(";
    let mut files = Vec::new();
    rust_files(&repository().join("src"), &mut files);
    let (mut seen, mut without) = (0, Vec::new());
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        let text = text.split("#[cfg(test)]\nmod tests").next().unwrap();
        for (start, _) in text.match_indices(ERROR) {
            seen += 1;
            let mut rest = &text[start + ERROR.len() - 1..];
            rest = &rest[to_closing(rest)..];
            let mut has_hint = false;
            // The calls on it, one after the other.
            while let Some(call) = rest.trim_start().strip_prefix('.') {
                has_hint |= call.starts_with("hint(");
                let open = call.find('(').unwrap_or(call.len());
                rest = &call[open..];
                rest = &rest[to_closing(rest)..];
            }
            if !has_hint {
                let line = text[..start].lines().count();
                without.push(format!("{}:{line}", file.display()));
            }
        }
    }
    assert!(seen > 200, "{seen}");
    assert!(without.is_empty(), "{without:#?}");
}

/// A copy of an example with slips in the design, in plots and in trees, one of them in a long
/// line, one in a quoted field, one behind letters that are two columns wide.
fn slips() -> Cruise {
    let long = format!("1,1,Hw,267,{}", "a long remark ".repeat(20));
    Cruise::new()
        .file(
            "cruise/design.yaml",
            "title: Slips\ninputs: {trees: trees.csv, plots: 'plots.csv'}\nselections:\n  \
             circle: {method: fixed-area, area_ha: 0.01, min_dbh_cm: 4}\n",
        )
        .file("cruise/plots.csv", "plot,note\n1,\n2,\n2,twice\n")
        .file(
            "cruise/trees.csv",
            format!(
                "\u{feff}plot,tree,species,dbh_cm,note\n{long}\n1,2,\"Fd, Hw\",24.5,\n\
                 1,杉木,Fd,x24,\n1,4,\tFd,2455,\"a\nb\"\n9,5,Fd,30,\r\n"
            ),
        )
}

#[test]
fn the_line_is_shown_with_a_mark_under_the_place() {
    let cruise = slips();
    let run = cruise.run(&["compile", "cruise/design.yaml"]);
    assert_eq!(run.status, 1);
    insta::assert_snapshot!("messages-slips", run.stderr);
    let of_design = slips()
        .edit("cruise/design.yaml", "area_ha: 0.01", "radius_m: [5, 6]")
        .run(&["compile", "cruise/design.yaml"]);
    insta::assert_snapshot!("messages-slips-design", of_design.stderr);
    // The same from standard input, which cannot be read again.
    let trees = cruise.read("cruise/trees.csv");
    let cruise = cruise.edit("cruise/design.yaml", "trees.csv", "'-'");
    let piped = cruise.run_with_input(&["compile", "cruise/design.yaml"], &trees);
    let firsts: Vec<&str> = (piped.stderr.lines())
        .filter(|line| line.starts_with("standard input:"))
        .collect();
    assert!(firsts.len() > 3, "{}", piped.stderr);
    assert!(!piped.stderr.contains("Fd,2455"), "{}", piped.stderr);
}

#[test]
fn own_tables_show_their_lines_too() {
    let cruise = Cruise::new()
        .file(
            "species.csv",
            "code,common_name,scientific_name,group\nXx1,Elm of ours,,nothing\n",
        )
        .run(&["species", "--tables", "."]);
    assert_eq!(cruise.status, 1);
    insta::assert_snapshot!("messages-own-tables", cruise.stderr);
}

#[test]
fn a_check_as_json_has_every_finding() {
    let run = slips().run(&["check", "cruise/design.yaml", "--format", "json"]);
    assert_eq!((run.status, run.stderr.as_str()), (1, ""));
    insta::assert_snapshot!("messages-slips-json", run.stdout);
    let rows: Vec<String> = (1..=60).map(|tree| format!("1,{tree},Fd,1.5")).collect();
    let many = Cruise::new()
        .file(
            "design.yaml",
            "inputs: {trees: trees.csv}\nselections:\n  \
             circle: {method: fixed-area, area_ha: 0.01, min_dbh_cm: 9}\n",
        )
        .file(
            "trees.csv",
            format!("plot,tree,species,dbh_cm\n{}\n", rows.join("\n")),
        );
    let json = many.run(&["check", "design.yaml", "--format", "json"]);
    assert_eq!(json.status, 0, "{}", json.stderr);
    let json: serde_json::Value = serde_json::from_str(&json.stdout).unwrap();
    let findings = json["findings"].as_array().unwrap();
    let below = findings
        .iter()
        .filter(|one| one["code"] == "below-least-dbh");
    assert_eq!(below.count(), 60);
    assert_eq!(json["stands"][0]["n_tree_records"], 60);
    let counts = ["errors", "warnings", "notes"].map(|key| json[key].as_u64().unwrap());
    assert_eq!(counts.iter().sum::<u64>(), findings.len() as u64);
    // On the terminal they are folded, and counted in full.
    let text = many.run(&["check", "design.yaml"]);
    assert!(
        text.stderr.contains("55 more of this kind"),
        "{}",
        text.stderr
    );
    let [_, warnings, notes] = counts;
    let plural = |count: u64| if count == 1 { "" } else { "s" };
    let counted = format!(
        "0 errors, {warnings} warning{}, {notes} note{}\n",
        plural(warnings),
        plural(notes)
    );
    assert!(text.stdout.ends_with(&counted), "{}", text.stdout);
}

#[test]
fn what_cannot_be_written_is_told_with_what_to_do() {
    let cruise = Cruise::copy_of("examples/one-centre");
    let missing = cruise.run(&["compile", "design.yaml", "--out", "no/such/report.txt"]);
    assert_eq!((missing.status, missing.stdout.as_str()), (1, ""));
    let advice = "; make the folder first, or name another place\n";
    assert!(missing.stderr.ends_with(advice), "{}", missing.stderr);
    assert!(
        missing.stderr.contains("error: no/such/report.txt: "),
        "{}",
        missing.stderr
    );
    let file = cruise.run(&["manual", "--out", "design.yaml"]);
    let advice = "; name a folder, not a file\n";
    assert!(file.stderr.ends_with(advice), "{}", file.stderr);
}

/// Nothing that a terminal would take as an order, and nothing wider than it was asked to be.
#[test]
fn reports_keep_their_width_and_have_no_colours_in_pipes() {
    let design = "examples/marrow-creek/design.yaml";
    let commands: [&[&str]; 7] = [
        &["compile", design],
        &["heights", design],
        &["compare", design, "--volume-set", "ca-bc-taper-1994"],
        &["plan", "plots", "--cv-pct", "30,40", "--error-pct", "10"],
        &["plan", "size", "--trees-per-ha", "800", "--dbh-cm", "24"],
        &[
            "plan",
            "distances",
            "--baf-m2-per-ha",
            "7",
            "--dbh-cm",
            "10-60:5",
        ],
        &["compile", "examples/tarn-ridge-logs/design.yaml"],
    ];
    for arguments in commands {
        // 80 columns is what files and pipes get.
        for (options, width) in [(&[][..], 80), (&["--width", "120"][..], 120)] {
            let run = crate::cruise::run(&[arguments, options].concat());
            assert_eq!(run.status, 0, "{}", run.stderr);
            for line in run.stdout.lines() {
                assert!(line.chars().count() <= width, "{arguments:?}: {line}");
            }
            assert!(
                !(run.stdout + &run.stderr).contains('\u{1b}'),
                "{arguments:?}"
            );
        }
    }
}

#[test]
fn places_that_cannot_be_written_are_told_and_no_other() {
    let cruise = Cruise::copy_of("examples/one-centre");
    fs::create_dir(cruise.path("folder.html")).unwrap();
    for (out, words) in [
        ("no/such/page.html", "make the folder first"),
        ("design.yaml/page.html", "name a folder, not a file"),
    ] {
        let run = cruise.run(&["compile", "design.yaml", "--format", "html", "--out", out]);
        assert_eq!(run.status, 1, "{out}");
        let error = run.stderr.lines().last().unwrap();
        let begin = format!("error: {out}: cannot write in this folder: ");
        assert!(error.starts_with(&begin), "{error}");
        assert!(error.contains(words), "{error}");
        assert!(!error.contains(".tmp"), "{error}");
    }
    let run = cruise.run(&["tally", "design.yaml", "--out", "folder.html"]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("name a file, not a folder"),
        "{}",
        run.stderr
    );
    assert_eq!(
        fs::read_dir(cruise.path("folder.html")).unwrap().count(),
        0,
        "nothing is left there"
    );
}
