//! `batch` and `merge`, end to end: what one run over many stands gives is what `compile` gives.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use crate::cruise::{Cruise, Run, repository, shared};
use crate::random::Random;

const DESIGN: &str = "\
title: Larch Hollow
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections:
  circle: {method: fixed-area, area_ha: 0.02}
volume: {set: ca-bc-volume-2016, region: CWH}
";

/// An inventory of `stands` stands with four plots each, by seed.
fn inventory(stands: usize, seed: u64) -> Cruise {
    let mut random = Random(seed);
    let mut areas = "stand,area_ha\n".to_owned();
    let mut plots = "stand,plot\n".to_owned();
    let mut trees = "stand,plot,tree,species,dbh_cm,status,height_m\n".to_owned();
    for stand in 1..=stands {
        let _ = writeln!(areas, "S{stand},{:.1}", 3.0 + 20.0 * random.unit());
        for plot in 1..=4 {
            let _ = writeln!(plots, "S{stand},{plot}");
            // The third stand has no trees.
            let n_trees = if stand == 3 { 0 } else { 7 };
            for tree in 1..=n_trees {
                let dbh = 10.0 + 50.0 * random.unit();
                let species = if random.unit() < 0.6 { "Fd" } else { "Hw" };
                let status = if random.unit() < 0.1 { "dead" } else { "live" };
                let height = 1.3 + dbh * dbh / (1.9 + 0.155 * dbh).powi(2);
                let height = if random.unit() < 0.5 {
                    format!("{height:.1}")
                } else {
                    String::new()
                };
                let _ = writeln!(
                    trees,
                    "S{stand},{plot},{tree},{species},{dbh:.1},{status},{height}"
                );
            }
        }
    }
    Cruise::new()
        .file("design.yaml", DESIGN)
        .file("stands.csv", areas)
        .file("plots.csv", plots)
        .file("trees.csv", trees)
}

/// Runs `batch` on the design of a cruise.
fn batch(cruise: &Cruise, out: &str, more: &[&str]) -> Run {
    let arguments = ["batch", "design.yaml", "--out", out];
    cruise.run(&[&arguments[..], more].concat())
}

/// Every file of a folder and its folders but the journal.
fn results(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            let below = results(&path);
            found.extend(
                below
                    .into_iter()
                    .map(|(of, bytes)| (format!("{name}/{of}"), bytes)),
            );
        } else if name != "batch.journal" {
            found.insert(name, fs::read(&path).unwrap());
        }
    }
    found
}

#[test]
fn a_batch_run_prints_all_stands_and_writes_tables() {
    let cruise = inventory(5, 1);
    let run = batch(&cruise, "out", &["--reports", "--tree-list"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    insta::assert_snapshot!("batch-stdout", run.stdout);
    insta::assert_snapshot!("batch-stderr", run.stderr);
    insta::assert_snapshot!("batch-summary", cruise.read("out/summary.csv"));
    insta::assert_snapshot!("batch-findings", cruise.read("out/findings.csv"));
    let names: Vec<String> = results(&cruise.path("out")).into_keys().collect();
    insta::assert_snapshot!("batch-files", names.join("\n"));
}

#[test]
fn estimates_trees_and_reports_are_those_of_compile() {
    let cruise = inventory(6, 2);
    assert_eq!(
        batch(&cruise, "out", &["--tree-list", "--reports"]).status,
        0
    );
    let compile = [
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--out",
        "e.csv",
    ];
    let run = cruise.run(&[&compile[..], &["--tree-list", "t.csv"]].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert_eq!(cruise.read("e.csv"), cruise.read("out/estimates.csv"));
    assert_eq!(cruise.read("t.csv"), cruise.read("out/trees.csv"));
}

#[test]
fn reports_have_the_form_that_is_asked_for() {
    let cruise = inventory(3, 2);
    for (form, ending) in [("terminal", "txt"), ("markdown", "md"), ("html", "html")] {
        let option = format!("--reports={form}");
        assert_eq!(batch(&cruise, form, &[option.as_str()]).status, 0);
        let compile = ["compile", "design.yaml", "--format", form, "--out", "one"];
        let found = results(&cruise.path(form));
        let mut reports = 0;
        for (name, bytes) in &found {
            let Some(stand) = name
                .strip_prefix("reports/")
                .and_then(|name| name.strip_suffix(&format!(".{ending}")))
            else {
                continue;
            };
            let run = cruise.run(&[&compile[..], &["--stand", stand]].concat());
            assert_eq!(run.status, 0, "{}", run.stderr);
            let text = String::from_utf8(bytes.clone()).unwrap();
            let alone = cruise.read("one");
            // A page has what was found in the records before its tables: of the whole cruise, where
            // that was read as one.
            let figures = |report: &str| {
                let from = match form {
                    "html" => report.find("Stand table").unwrap_or(report.len()),
                    _ => 0,
                };
                let to = report[from..].find("Sources of error").map(|to| from + to);
                let title = report.lines().next().unwrap().to_owned();
                (title, report[from..to.unwrap_or(from)].to_owned())
            };
            assert_eq!(figures(&text), figures(&alone), "{stand}");
            assert_eq!(text.contains("<svg"), form == "html");
            reports += 1;
        }
        assert_eq!(reports, 3, "{form}: {:?}", found.keys());
    }
    let run = cruise.run(&["batch", "design.yaml", "--out", "x", "--reports=pdf"]);
    assert_eq!(run.status, 2);
    assert!(run.stderr.contains("html"), "{}", run.stderr);
}

#[test]
fn examples_give_the_same_in_a_batch_run() {
    for example in ["marrow-creek", "one-centre", "tarn-ridge-logs"] {
        let cruise = Cruise::copy_of(&format!("examples/{example}"));
        assert_eq!(batch(&cruise, "out", &[]).status, 0, "{example}");
        let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
        assert_eq!(run.stdout, cruise.read("out/estimates.csv"), "{example}");
    }
}

/// A real prism cruise, read as one as it names no stands. Data as in `upper_flat_creek`.
#[test]
fn upper_flat_creek_gives_the_same_in_a_batch_run() {
    let Some(trees) = shared("data/upper-flat-creek/trees-as-recorded.csv") else {
        return;
    };
    let tables = repository().join("tests/tables");
    let own = ["--tables", tables.to_str().unwrap()];
    let cruise = Cruise::new()
        .file("design.yaml", crate::upper_flat_creek::DESIGN)
        .file("trees.csv", fs::read(trees).unwrap());
    let run = batch(&cruise, "out", &own);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let compile = ["compile", "design.yaml", "--format", "csv"];
    let run = cruise.run(&[&compile[..], &own].concat());
    assert!(run.stdout.lines().count() > 100);
    assert_eq!(run.stdout, cruise.read("out/estimates.csv"));
}

#[test]
fn threads_and_order_of_rows_change_nothing() {
    let cruise = inventory(9, 3);
    assert_eq!(
        batch(&cruise, "one", &["--threads", "1", "--reports"]).status,
        0
    );
    assert_eq!(
        batch(&cruise, "two", &["--threads", "2", "--reports"]).status,
        0
    );
    assert_eq!(results(&cruise.path("one")), results(&cruise.path("two")));
    // Rows of all stands mixed.
    let text = cruise.read("trees.csv");
    let (head, body) = text.split_once('\n').unwrap();
    let mut rows: Vec<&str> = body.lines().collect();
    rows.sort_by_key(|row| row.bytes().rev().collect::<Vec<u8>>());
    let cruise = cruise.file("trees.csv", format!("{head}\n{}\n", rows.join("\n")));
    assert_eq!(batch(&cruise, "mixed", &[]).status, 0);
    let of = |name: &str| cruise.read(&format!("{name}/estimates.csv"));
    assert_eq!(of("one"), of("mixed"));
}

#[test]
fn a_species_without_an_equation_is_an_error_of_its_stand_alone() {
    let cruise = inventory(4, 9).edit(
        "trees.csv",
        "S2,1,1,",
        "S2,1,99,Quercus alba,30,live,\nS2,1,1,",
    );
    let run = batch(&cruise, "out", &[]);
    assert_eq!(run.status, 1);
    let findings = cruise.read("out/findings.csv");
    let errors: Vec<&str> = findings.lines().filter(|l| l.contains(",error,")).collect();
    assert_eq!(errors.len(), 1, "{findings}");
    assert!(
        errors[0].starts_with("S2,error,species-not-covered,trees.csv,"),
        "{errors:?}"
    );
    let summary = cruise.read("out/summary.csv");
    let failed: Vec<&str> = summary.lines().filter(|l| l.contains(",failed,")).collect();
    assert_eq!(failed.len(), 1, "{summary}");
}

/// An inventory in which two stands have errors.
fn with_two_bad_stands() -> Cruise {
    inventory(8, 4)
        .edit("trees.csv", "S2,1,1,", "S2,1,1,Zz,25.0,live,\nS2,1,99,")
        .edit("trees.csv", "S6,3,2,", "S6,3,98,Fd,-4,live,\nS6,3,2,")
}

#[test]
fn a_bad_stand_does_not_sink_the_rest() {
    let cruise = with_two_bad_stands();
    let run = batch(&cruise, "out", &[]);
    assert_eq!(run.status, 1);
    insta::assert_snapshot!("batch-failed-stderr", run.stderr);
    let findings = cruise.read("out/findings.csv");
    let errors: Vec<&str> = findings.lines().filter(|l| l.contains(",error,")).collect();
    insta::assert_snapshot!("batch-failed-errors", errors.join("\n"));
    let summary = cruise.read("out/summary.csv");
    let failed: Vec<&str> = summary.lines().filter(|l| l.contains(",failed,")).collect();
    assert_eq!(failed.len(), 2);
    // The other stands are what they are without the bad ones.
    let good = cruise.read("trees.csv");
    let good: Vec<&str> = good
        .lines()
        .filter(|l| !l.starts_with("S2,") && !l.starts_with("S6,"))
        .collect();
    let plots = cruise.read("plots.csv");
    let plots: Vec<&str> = plots
        .lines()
        .filter(|l| !l.starts_with("S2,") && !l.starts_with("S6,"))
        .collect();
    let stands = cruise.read("stands.csv");
    let stands: Vec<&str> = stands
        .lines()
        .filter(|l| !l.starts_with("S2,") && !l.starts_with("S6,"))
        .collect();
    let cruise = cruise
        .file("trees.csv", good.join("\n"))
        .file("plots.csv", plots.join("\n"))
        .file("stands.csv", stands.join("\n"));
    assert_eq!(batch(&cruise, "good", &[]).status, 0);
    assert_eq!(
        cruise.read("out/estimates.csv"),
        cruise.read("good/estimates.csv")
    );
}

#[test]
fn a_strict_run_stops_at_the_first_and_writes_nothing() {
    let cruise = with_two_bad_stands();
    for threads in ["1", "2"] {
        let run = batch(&cruise, "out", &["--strict", "--threads", threads]);
        assert_eq!((run.status, run.stdout.as_str()), (1, ""));
        insta::assert_snapshot!("batch-strict-stderr", run.stderr);
        assert!(results(&cruise.path("out")).is_empty());
    }
    let cruise = cruise.file("other.yaml", "title: [");
    let run = cruise.run(&[
        "batch",
        "design.yaml",
        "other.yaml",
        "--out",
        "o",
        "--strict",
    ]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("no results were written"),
        "{}",
        run.stderr
    );
}

#[test]
fn resuming_compiles_what_changed_and_gives_the_same_files() {
    let cruise = with_two_bad_stands();
    assert_eq!(batch(&cruise, "out", &[]).status, 1);
    // One stand is mended; a row above moves all others down by a line.
    let cruise = cruise.edit("trees.csv", "S2,1,1,Zz,25.0", "S2,1,1,Fd,25.0");
    let run = batch(&cruise, "out", &["--resume"]);
    assert!(run.stderr.contains("(7 of 8 kept"), "{}", run.stderr);
    let cruise = cruise.edit("trees.csv", "S1,1,1,", "S1,1,97,Fd,33.3,live,\nS1,1,1,");
    let run = batch(&cruise, "out", &["--resume"]);
    assert!(run.stderr.contains("(7 of 8 kept"), "{}", run.stderr);
    assert_eq!(batch(&cruise, "fresh", &[]).status, 1);
    assert_eq!(results(&cruise.path("out")), results(&cruise.path("fresh")));
    // Nothing changed: everything is kept. Other options: nothing is.
    let run = batch(&cruise, "out", &["--resume"]);
    assert!(run.stderr.contains("(8 of 8 kept"), "{}", run.stderr);
    let run = batch(&cruise, "out", &["--resume", "--confidence", "0.9"]);
    assert!(!run.stderr.contains("kept"), "{}", run.stderr);
}

#[test]
fn several_designs_are_named_in_a_first_column() {
    let cruise = inventory(3, 5)
        .file(
            "wide.yaml",
            DESIGN
                .replace("Larch Hollow", "Wide")
                .replace("0.02", "0.04"),
        )
        .file("broken.yaml", "title: Broken\nselections: 3\n");
    let list = "# two designs\n\nwide.yaml\n";
    let run = cruise.run_with_input(
        &[
            "batch",
            "d*.yaml",
            "--list",
            "-",
            "broken.yaml",
            "--out",
            "out",
        ],
        list,
    );
    assert_eq!(run.status, 1);
    insta::assert_snapshot!("batch-several-stderr", run.stderr);
    insta::assert_snapshot!("batch-several-stdout", run.stdout);
    insta::assert_snapshot!("batch-several-summary", cruise.read("out/summary.csv"));
    let head = cruise.read("out/estimates.csv");
    assert!(head.starts_with("design,stand,"));
}

#[test]
fn designs_that_cannot_stand_in_one_table_are_refused() {
    let cruise = inventory(3, 6).file(
        "imperial.yaml",
        format!("units: imperial\nconfidence: 0.9\n{DESIGN}"),
    );
    let run = cruise.run(&["batch", "design.yaml", "imperial.yaml", "--out", "out"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    insta::assert_snapshot!("batch-units-differ", run.stderr);
    assert!(results(&cruise.path("out")).is_empty());
    let run = cruise.run(&[
        "batch",
        "design.yaml",
        "imperial.yaml",
        "--out",
        "out",
        "--units",
        "metric",
        "--confidence",
        "0.9",
    ]);
    assert_eq!(run.status, 0, "{}", run.stderr);
}

#[test]
fn wrong_command_lines_say_what_is_wrong() {
    let cruise = inventory(3, 7).file("file", "");
    let mut said = String::new();
    for arguments in [
        &["batch", "--out", "out"][..],
        &["batch", "no/such/*.yaml", "--out", "out"],
        &["batch", "--list", "no-list", "--out", "out"],
        &["batch", "[", "--out", "out"],
        &["batch", "gone.yaml", "--out", "out"],
        &["merge", "nowhere", "--out", "out"],
        &["batch", "design.yaml", "--out", "file"],
    ] {
        let run = cruise.run(arguments);
        assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{arguments:?}");
        let _ = writeln!(said, "{}\n{}", arguments.join(" "), run.stderr);
    }
    insta::assert_snapshot!("batch-wrong-lines", said);
}

#[test]
fn two_runs_do_not_write_to_one_folder() {
    let cruise = inventory(3, 9);
    assert_eq!(batch(&cruise, "out", &[]).status, 0);
    let before = results(&cruise.path("out"));
    let journal = fs::File::open(cruise.path("out/batch.journal")).unwrap();
    journal.lock().unwrap();
    for more in [&[][..], &["--resume"]] {
        let run = batch(&cruise, "out", more);
        assert_eq!(run.status, 1);
        assert_eq!(
            run.stderr,
            "error: out/batch.journal: another run writes to this folder; wait for it, or give another --out\n"
        );
    }
    assert_eq!(results(&cruise.path("out")), before);
    drop(journal);
    assert_eq!(batch(&cruise, "out", &["--resume"]).status, 0);
}

#[test]
fn parts_of_an_inventory_are_put_together_again() {
    let cruise = inventory(7, 8);
    assert_eq!(batch(&cruise, "whole", &["--tree-list"]).status, 0);
    let texts = ["stands.csv", "plots.csv", "trees.csv"].map(|name| (name, cruise.read(name)));
    let mut cruise = cruise;
    for (part, kept) in [("a", "S1 S4 S7"), ("b", "S2 S3"), ("c", "S5 S6")] {
        for (name, text) in &texts {
            let is_in = |line: &str| {
                kept.split(' ')
                    .any(|stand| line.starts_with(&format!("{stand},")))
            };
            let lines: Vec<&str> = text
                .lines()
                .enumerate()
                .filter(|(at, line)| *at == 0 || is_in(line))
                .map(|(_, line)| line)
                .collect();
            cruise = cruise.file(name, lines.join("\n") + "\n");
        }
        assert_eq!(batch(&cruise, part, &["--tree-list"]).status, 0);
    }
    let run = cruise.run(&["merge", "c", "a", "b", "--out", "merged"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    for name in ["estimates.csv", "summary.csv"] {
        assert_eq!(
            cruise.read(&format!("merged/{name}")),
            cruise.read(&format!("whole/{name}"))
        );
    }
    let run = cruise.run(&["merge", "a", "whole", "--out", "twice"]);
    assert_eq!(run.status, 1);
    insta::assert_snapshot!("merge-stand-twice", run.stderr);
}
