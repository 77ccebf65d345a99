//! Field sheets: what is on them, and that they are what the design asks.

use std::fs;
use std::process::Command;

use crate::cruise::{Cruise, Run, run};

fn tally(design: &str, options: &[&str]) -> Run {
    let folder = Cruise::new().file("design.yaml", design);
    folder.run(&[&["tally", "design.yaml"], options].concat())
}

/// The words on the sheets, a line for each element with text.
fn words(html: &str) -> String {
    let body = &html[html.find("<body>").unwrap()..];
    let mut lines = Vec::new();
    let mut line = String::new();
    for part in body.split('<').skip(1) {
        let (tag, text) = part.split_once('>').unwrap();
        if tag == "span class=\"box\"" {
            line += "[ ]";
        }
        let ends = [
            "p", "h1", "h2", "li", "tr", "div", "/p", "/li", "/tr", "/div", "/h1", "/h2",
            "section", "caption", "/caption",
        ];
        let name = tag.split(' ').next().unwrap();
        if ends.contains(&name) {
            lines.push(std::mem::take(&mut line));
            if tag == "tr class=\"due\"" {
                line += "(marked) ";
            }
        }
        if ["th", "td", "dd", "small", "colgroup"].contains(&name) && !line.is_empty() {
            line += " | ";
        }
        line += text;
    }
    lines.retain(|line| !line.trim().is_empty());
    lines.join("\n")
}

#[test]
fn sheets_of_the_example() {
    let run = run(&[
        "tally",
        "examples/marrow-creek/design.yaml",
        "--plot-names",
        "7",
        "--species",
        "Fd,Cw,Hw",
        "--strata",
        "upper,creek",
    ]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    insta::assert_snapshot!(words(&run.stdout));
    assert_eq!(run.stdout.matches("<section>").count(), 2);
}

#[test]
fn nothing_is_loaded_and_nothing_runs() {
    let html = run(&["tally", "examples/marrow-creek/design.yaml"]).stdout;
    for word in ["<script", "http:", "https:", "src=", "href=", "url("] {
        assert!(!html.contains(word), "{word}");
    }
    assert!(html.contains("default-src 'none'"));
    let scopes = html.matches("<th").count();
    // `<thead>` begins alike.
    assert_eq!(
        html.matches("<th scope=").count() + html.matches("<th class=\"total\" scope=").count(),
        scopes - html.matches("<thead").count()
    );
}

const EVERY_METHOD: &str = "
inputs: {plots: plots.csv, trees: trees.csv, counts: counts.csv}
units: imperial
selections:
  nested: {method: fixed-area, rings: [{radius_ft: 10, min_dbh_in: 1, max_dbh_in: 4}, {radius_ft: 26.3, min_dbh_in: 4}]}
  strip: {method: strip, length_ft: 132, width_ft: 33}
  swept: {method: angle-gauge, baf_ft2_per_ac: 20, measured: some}
  drawn: {method: three-p, largest_number: 800}
decay_classes: [firm, soft]
heights: {subsample: {rule: every-nth, every: 5}}
";

#[test]
fn every_method_has_its_sheet() {
    let run = tally(EVERY_METHOD, &["--rows", "6"]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    insta::assert_snapshot!(words(&run.stdout));
}

/// The numbers of the lines that are marked, of each page.
fn marked(html: &str) -> Vec<Vec<u32>> {
    let pages = html.split("<section>").skip(1);
    let lines = |page: &str| {
        let rows = page.split("<tr class=\"due\">").skip(1);
        let number = |row: &str| {
            let head = row.split_once("<th scope=\"row\">").unwrap().1;
            head.split_once(" \u{25b2}").unwrap().0.parse().unwrap()
        };
        rows.map(number).collect()
    };
    pages.map(lines).collect()
}

fn with_rule(rule: &str) -> String {
    format!(
        "
inputs: {{plots: plots.csv, trees: trees.csv}}
selections:
  fixed: {{method: fixed-area, radius_m: 8}}
  sweep: {{method: angle-gauge, baf_m2_per_ha: 4}}
heights: {{subsample: {rule}}}
"
    )
}

#[test]
fn height_trees_are_marked_as_the_rule_says() {
    let every = with_rule("{rule: every-nth, every: 5, selections: [fixed]}");
    let html = tally(&every, &["--plots", "2", "--rows", "12"]).stdout;
    assert_eq!(marked(&html), [vec![5, 10], vec![], vec![5, 10], vec![]]);
    // Counted over both selections, the marks of the second would be wrong.
    let both = with_rule("{rule: every-nth, every: 4}");
    assert_eq!(
        marked(&tally(&both, &["--rows", "9"]).stdout),
        [vec![4, 8], vec![]]
    );
    let goes_on = with_rule("{rule: every-nth, every: 4, count_over: cruise}");
    let html = tally(&goes_on, &[]).stdout;
    assert!(marked(&html).concat().is_empty());
    assert!(html.contains("The count goes on from plot to plot"));
    let rules: Vec<String> = [
        "{rule: first-per-species, per_plot: 3}",
        "{rule: per-dbh-class, class_cm: 10, per_class: 2, over: plot}",
        "{rule: per-dbh-class, class_cm: 10, per_class: 2, over: stand}",
        "{rule: all-in, selection: sweep}",
        "{rule: every-nth, every: 5}",
    ]
    .map(|rule| {
        let html = tally(&with_rule(rule), &["--rows", "1", "--species", "Fd"]).stdout;
        assert!(marked(&html).concat().is_empty());
        let words = words(&html);
        let told = words.lines().filter(|line| {
            line.contains("eight") || line.contains("[ ]") || line.contains("classes")
        });
        format!("{rule}\n{}", told.collect::<Vec<_>>().join("\n"))
    })
    .to_vec();
    insta::assert_snapshot!(rules.join("\n\n"));
}

#[test]
fn many_lines_go_on_on_another_page() {
    let html = tally(
        &with_rule("{rule: first-per-species, per_plot: 2}"),
        &["--rows", "40"],
    )
    .stdout;
    assert_eq!(html.matches("<section>").count(), 6);
    assert!(html.contains("(3 of 3)"));
    assert!(html.contains(">40<"));
}

#[test]
fn columns_are_those_of_the_record_files() {
    let folder = Cruise::new()
        .file(
            "design.yaml",
            "
inputs: {plots: plots.csv, trees: {path: trees.csv, columns: {dia: dbh_mm}}}
selections: {fixed: {method: fixed-area, radius_m: 8}}
",
        )
        .file("plots.csv", "plot,aspect,slope_deg\n")
        .file(
            "trees.csv",
            "plot,tree,species,dia,pole_m,pole_top_pct,vigour\n",
        );
    let run = folder.run(&["tally", "design.yaml", "--rows", "1", "--out", "tally.html"]);
    assert_eq!(
        (run.status, run.stdout.as_str(), run.stderr.as_str()),
        (0, "", "")
    );
    insta::assert_snapshot!(words(&folder.read("tally.html")));
}

#[test]
fn what_is_wrong_is_told() {
    let run = tally(
        "inputs: {tree: trees.csv}\nselections: {fixed: {method: fixed-area}}\n",
        &["--out", "tally.html"],
    );
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    let species = tally(
        &with_rule("{rule: first-per-species, per_plot: 2}"),
        &["--species", "Fd,Qq"],
    );
    assert_eq!(species.status, 1);
    let folder = Cruise::new();
    let missing = folder.run(&["tally", "design.yaml"]);
    assert_eq!(missing.status, 1);
    insta::assert_snapshot!(run.stderr + &species.stderr + &missing.stderr);
}

/// Pages of a PDF as a browser writes it: each is an object of its own.
fn pages_of(pdf: &[u8]) -> usize {
    let word = b"/Type /Page";
    let found = pdf.windows(word.len() + 1);
    found
        .filter(|part| part.starts_with(word) && part[word.len()] != b's')
        .count()
}

/// Prints sheets by a browser; `None`, with a line that says so, where there is none.
fn printed(html: &str, paper: &str) -> Option<usize> {
    let folder = Cruise::new();
    let html = html.replacen("@page { ", &format!("@page {{ size: {paper}; "), 1);
    let folder = folder.file("tally.html", html);
    let pdf = folder.path("tally.pdf");
    let status = Command::new("chromium")
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
        ])
        .args([
            "--disable-background-networking",
            "--disable-component-update",
        ])
        .arg(format!(
            "--user-data-dir={}",
            folder.path("profile").display()
        ))
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .arg(format!("file://{}", folder.path("tally.html").display()))
        .output();
    let printed = fs::read(pdf).ok().filter(|_| status.is_ok());
    if printed.is_none() {
        println!("skipped: no browser prints on this machine");
    }
    printed.map(|pdf| pages_of(&pdf))
}

#[test]
fn every_sheet_fits_on_its_paper() {
    let long = "A long title of a cruise in the far corner of the great northern block, part 117";
    let many = "Fd,Cw,Hw,Bl,Ss,Dr,Mb,Act,Pl,Se,Lw,Py";
    let codes = "status_codes: {L: live, D1: {dead: true, decay_class: firm}, D2: {dead: true, decay_class: soft}}\n";
    let species = EVERY_METHOD.replace(
        "{rule: every-nth, every: 5}",
        "{rule: first-per-species, per_plot: 3}",
    );
    let designs = [
        (EVERY_METHOD.to_owned(), vec!["--rows", "45"]),
        (
            format!("title: {long}\n{codes}{species}"),
            vec!["--species", many, "--strata", "upper,creek,north,south"],
        ),
    ];
    for (design, options) in designs {
        let html = tally(&design, &options).stdout;
        let sheets = html.matches("<section>").count();
        for paper in ["A4", "letter"] {
            if let Some(pages) = printed(&html, paper) {
                assert_eq!(pages, sheets, "{paper}");
            }
        }
    }
}
