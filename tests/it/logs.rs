//! Logs of a cruise: what the design may say, the tables, the list of logs.

use std::collections::BTreeMap;

use spinney::design::{CubicRule, Rounding, ScaleDiameter};

use crate::cruise::{Cruise, Run};
use crate::reading::{design_of, lines};

type Row = BTreeMap<String, String>;

fn example() -> Cruise {
    Cruise::copy_of("examples/tarn-ridge-logs")
}

fn list(cruise: &Cruise) -> Vec<Row> {
    let run = cruise.run(&["compile", "design.yaml", "--log-list", "logs.csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    csv::Reader::from_path(cruise.path("logs.csv"))
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

/// The line of the report that begins with some words, cut at runs of spaces.
fn line<'r>(run: &'r Run, table: &str, begin: &[&str]) -> Vec<&'r str> {
    let at = run.stdout.find(table).unwrap_or_else(|| panic!("{table}"));
    run.stdout[at..]
        .lines()
        .map(|line| {
            let cells = line.split("  ").map(str::trim);
            cells.filter(|cell| !cell.is_empty()).collect::<Vec<_>>()
        })
        .find(|cells| cells.starts_with(begin))
        .unwrap_or_else(|| panic!("{begin:?}"))
}

/// Means and standard errors of the report from the list of logs, worked here: plot sums of
/// trees/ha times volume, means and variances by stratum, weighted by 6.4 and 9.1 ha.
#[test]
fn the_tables_are_the_list_summed_up() {
    let cruise = example();
    let logs = list(&cruise);
    let report = cruise.run(&["compile", "design.yaml"]);
    let stratified = |value: &dyn Fn(&Row) -> f64, product: Option<&str>| {
        let mut plots = [0.0; 6];
        for log in &logs {
            if log["status"] == "live" && product.is_none_or(|name| log["product"] == name) {
                let plot: usize = log["plot"].parse().unwrap();
                plots[plot - 1] += number(log, "trees_per_ha") * value(log);
            }
        }
        let of = |values: &[f64]| {
            let n = values.len() as f64;
            let mean = values.iter().sum::<f64>() / n;
            let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
            (mean, squares / (n - 1.0) / n)
        };
        let (bench, slope) = (of(&plots[..3]), of(&plots[3..]));
        let (b, s) = (6.4 / 15.5, 9.1 / 15.5);
        let variance = b * b * bench.1 + s * s * slope.1;
        (b * bench.0 + s * slope.0, variance.sqrt())
    };
    let measures: [(&str, &str, usize); 7] = [
        ("number and volume", "logs", 1),
        ("number and volume", "gross volume", 1),
        ("number and volume", "net volume", 1),
        ("board feet by scribner-decimal-c", "gross", 0),
        ("board feet by scribner-decimal-c", "net", 0),
        ("board feet by international-quarter-inch", "gross", 0),
        ("board feet by international-quarter-inch", "net", 0),
    ];
    for (product, name) in [
        (Some("sawlog"), "sawlog"),
        (Some("pulp"), "pulp"),
        (None, "all"),
    ] {
        for (table, figure, digits) in measures {
            let value = |log: &Row| match (table, figure) {
                (_, "logs") => 1.0,
                (_, "gross volume") => number(log, "volume_m3"),
                (_, "net volume") => number(log, "volume_net_m3"),
                ("board feet by scribner-decimal-c", "gross") => {
                    number(log, "board_feet_scribner_decimal_c")
                }
                ("board feet by scribner-decimal-c", _) => {
                    number(log, "board_feet_net_scribner_decimal_c")
                }
                (_, "gross") => number(log, "board_feet_international_quarter_inch"),
                _ => number(log, "board_feet_net_international_quarter_inch"),
            };
            let (mean, error) = stratified(&value, product);
            let caption = format!("Logs of live trees, {table}, by product");
            let cells = line(&report, &caption, &[name, figure]);
            assert_eq!(cells[3], format!("{mean:.digits$}"), "{name} {figure}");
            assert_eq!(cells[4], format!("{error:.digits$}"), "{name} {figure}");
        }
    }
}

#[test]
fn a_log_of_the_list_is_a_log_of_the_rules() {
    let cruise = example();
    let logs = list(&cruise);
    assert!(logs.len() > 100);
    for log in &logs {
        let (small, large) = (number(log, "dib_small_cm"), number(log, "dib_large_cm"));
        let length = number(log, "length_m");
        // Smalian, the formula written out.
        let volume = std::f64::consts::PI / 80_000.0 * (small * small + large * large) * length;
        assert!((number(log, "volume_m3") / volume - 1.0).abs() < 1e-12);
        let defect = log["defect_pct"].parse::<f64>().unwrap_or(0.0);
        let net = number(log, "volume_net_m3");
        assert!((net / volume - (1.0 - defect / 100.0)).abs() < 1e-12);
        let scribner = number(log, "board_feet_scribner_decimal_c");
        assert!((scribner / 10.0).fract().abs() < 1e-12, "{scribner}");
        match log["product"].as_str() {
            "sawlog" => assert!(small >= 15.0 && (length - 4.5).abs() < 0.6),
            "pulp" => assert!(small >= 8.0 && (length - 2.5).abs() < 1e-12),
            other => panic!("{other}"),
        }
        assert_eq!(
            log["status"], "live",
            "the products are for live trees only"
        );
    }
}

#[test]
fn dead_trees_stand_apart() {
    let cruise = example().edit("design.yaml", "      live_only: true\n", "");
    let cruise = cruise.edit("design.yaml", "      live_only: true\n", "");
    let report = cruise.run(&["compile", "design.yaml"]);
    let live = line(&report, "Logs of live trees, number", &["all", "logs"]);
    let dead = line(&report, "Logs of dead trees, number", &["sawlog", "logs"]);
    let before = example().run(&["compile", "design.yaml"]);
    assert_eq!(
        live,
        line(&before, "Logs of live trees, number", &["all", "logs"])
    );
    assert!(dead[3].parse::<f64>().unwrap() > 0.0);
    assert!(!before.stdout.contains("Logs of dead trees"));
    // A broken stem ends where it broke.
    for log in list(&cruise) {
        let end = number(&log, "bottom_m") + number(&log, "length_m") + number(&log, "trim_m");
        if log["plot"] == "2" && log["tree"] == "2" {
            assert!(end <= 15.3 + 1e-9, "{end}");
        }
    }
}

#[test]
fn rows_in_another_order_give_the_same_logs() {
    let cruise = example();
    let text = cruise.read("trees.csv");
    let (head, rows) = text.split_once('\n').unwrap();
    let mut rows: Vec<&str> = rows.lines().collect();
    rows.reverse();
    let turned = example().file("trees.csv", format!("{head}\n{}\n", rows.join("\n")));
    let without_lines = |logs: Vec<Row>| -> Vec<Row> {
        let strip = |mut log: Row| {
            log.remove("line");
            log
        };
        logs.into_iter().map(strip).collect()
    };
    assert_eq!(without_lines(list(&cruise)), without_lines(list(&turned)));
}

#[test]
fn imperial_lists_and_tables_are_the_metric_ones_converted() {
    let cruise = example();
    let metric = list(&cruise);
    let run = cruise.run(&[
        "compile",
        "design.yaml",
        "--units",
        "imperial",
        "--log-list",
        "imperial.csv",
    ]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    for line in run.stdout.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let imperial: Vec<Row> = csv::Reader::from_path(cruise.path("imperial.csv"))
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect();
    assert_eq!(metric.len(), imperial.len());
    for (m, i) in metric.iter().zip(&imperial) {
        // NIST Handbook 44, appendix C (from memory).
        for (metric, imperial, size) in [
            ("dib_small_cm", "dib_small_in", 2.54),
            ("length_m", "length_ft", 0.3048),
            ("volume_m3", "volume_ft3", 0.3048_f64.powi(3)),
            ("trees_per_ha", "trees_per_ac", 1.0 / 0.40468564224),
            (
                "board_feet_scribner_decimal_c",
                "board_feet_scribner_decimal_c",
                1.0,
            ),
        ] {
            let (a, b) = (number(m, metric), number(i, imperial) * size);
            assert!((a - b).abs() <= 1e-12 * a.abs(), "{metric}: {a} and {b}");
        }
    }
}

#[test]
fn every_rule_that_was_used_is_named() {
    let report = example().run(&["compile", "design.yaml"]).stdout;
    let flat = report.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "cubic volume of a log by Smalian",
        "scribner-decimal-c: factor(D, L) L",
        "to the nearest 10 board feet",
        "4-ft section from the small end",
        "to the nearest inch, halves up, the nominal length to the whole foot below",
        "those of two rules are never added",
        "logs by Smalian",
    ] {
        assert!(flat.contains(words), "{words}");
    }
}

#[test]
fn borrowed_profiles_are_said_to_be() {
    let cruise = example().edit("design.yaml", "ca-bc-taper-1994", "ca-bc-volume-2016");
    let borrowed = list(&cruise);
    let own = list(&example());
    assert_eq!(borrowed.len(), own.len());
    for (a, b) in borrowed.iter().zip(&own) {
        assert_eq!(a["dib_small_cm"], b["dib_small_cm"]);
    }
    let report = cruise.run(&["compile", "design.yaml"]).stdout;
    let flat = report.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("stem profiles of ca-bc-taper-1994, lent to ca-bc-volume-2016"));
}

/// Edits of the example's design, and what is told.
#[test]
fn what_cannot_be_scaled_is_told() {
    let told = |cruise: Cruise| {
        let run = cruise.run(&["compile", "design.yaml"]);
        assert_eq!(run.status, 1, "{}", run.stdout);
        run.stderr
    };
    let smalian = example().edit("design.yaml", "international-quarter-inch]", "smalian]");
    let smalian = told(smalian);
    assert!(smalian.contains("design.yaml:30:"), "{smalian}");
    assert!(
        smalian.contains("gives cubic volume, not board feet"),
        "{smalian}"
    );
    let trees = example().edit(
        "design.yaml",
        "international-quarter-inch]",
        "form-class-1986]",
    );
    assert!(told(trees).contains("is for standing trees"));
    let long = example().edit("design.yaml", "[5.0, 4.0]", "[13.0, 5.0]");
    let long = told(long);
    assert!(long.contains("end at 40 ft (13.00 m)"), "{long}");
    let as_is = "class_cm: 10\n  scale_diameter: as-is";
    let as_is = told(example().edit("design.yaml", "class_cm: 10", as_is));
    assert!(as_is.contains("are for whole inches"), "{as_is}");
    let species = told(example().edit("design.yaml", "species: [Fd,", "species: [Fdd,"));
    assert!(
        species.contains("no species is known as `Fdd`"),
        "{species}"
    );
}

#[test]
fn profiles_must_be_inside_bark() {
    for (bark, words) in [
        ("outside bark", "are outside bark"),
        ("unresolved", "it is not known whether"),
    ] {
        let cruise = example();
        let folder = cruise.path("tables/volume/ca-bc-taper-1994");
        std::fs::create_dir_all(&folder).unwrap();
        let theirs = crate::cruise::repository().join("species-tables/volume/ca-bc-taper-1994");
        for file in ["set.yaml", "coefficients.csv"] {
            let text = std::fs::read_to_string(theirs.join(file)).unwrap();
            let text = text.replace("bark: inside bark", &format!("bark: {bark}"));
            std::fs::write(folder.join(file), text).unwrap();
        }
        let design = cruise.read("design.yaml");
        let design = design.replace("top_dib_cm: 10", "top_dob_cm: 10");
        let cruise = cruise.file("design.yaml", design);
        let run = cruise.run(&["compile", "design.yaml", "--tables", "tables"]);
        assert_eq!(run.status, 1);
        assert!(run.stderr.contains(words), "{}", run.stderr);
        assert!(run.stderr.contains("design.yaml:28:"), "{}", run.stderr);
    }
}

#[test]
fn another_set_without_profiles_leaves_logs_out() {
    // Coefficients of an invented set without profiles: no volume is looked at.
    let cruise = example();
    let folder = cruise.path("own/volume/plain");
    std::fs::create_dir_all(&folder).unwrap();
    let head = "title: plain\ncitation: invented 2026\nobtained: set up by the user\nform: power\n\
                quantity: total\nunits: { dbh: cm, height: m, result: m3 }\nbark: inside bark\n\
                total_includes: all\nrange: not published\nerror: not published\n\
                regions: { CWH: { title: here } }\n";
    std::fs::write(folder.join("set.yaml"), head).unwrap();
    let rows = "species,a,b,c\nFd,0.00004,1.9,1\nHw,0.00004,1.9,1\nCw,0.00004,1.9,1\n";
    std::fs::write(folder.join("coefficients.csv"), rows).unwrap();
    let set = ["--tables", "own", "--volume-set", "plain"];
    let run = cruise.run(&[&["compile", "design.yaml"], &set[..]].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stderr.contains("log-profiles"), "{}", run.stderr);
    assert!(!run.stdout.contains("Logs of live trees"));
}

#[test]
fn a_list_of_logs_needs_rules_for_logs() {
    let cruise = Cruise::copy_of("examples/one-centre");
    let run = cruise.run(&["compile", "design.yaml", "--log-list", "logs.csv"]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("does not say how stems are cut"),
        "{}",
        run.stderr
    );
    assert!(!cruise.path("logs.csv").exists());
}

#[test]
fn counted_sweeps_have_no_logs() {
    let logs = "logs: {stump_m: 0.3, products: [{name: pole, lengths_m: 4, min_top_dib_cm: 10}]}\n";
    let cruise = Cruise::copy_of("examples/one-centre");
    let design = cruise.read("design.yaml");
    let cruise = cruise.file("design.yaml", design + logs);
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(
        run.stdout
            .contains("sweep: trees were only counted, so there are no logs")
    );
    // One plot: means without errors.
    let cells = line(&run, "Logs of live trees, number", &["pole", "logs"]);
    assert_eq!(cells.len(), 4, "{cells:?}");
}

#[test]
fn the_logs_of_a_tree_are_explained() {
    let run = example().run(&["explain", "design.yaml", "--plot", "1", "--tree", "6"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    insta::assert_snapshot!("explain-logs", run.stdout);
}

#[test]
fn what_the_design_says_is_read() {
    let text = "inputs: {plots: plots.csv, trees: trees.csv}\n\
                selections: {fixed: {method: fixed-area, radius_m: 7.98}}\n\
                volume: {set: ca-bc-volume-2016}\n\
                logs:\n  stump_ft: 1\n  cubic_rule: newton\n  scale_diameter: inch-below\n  class_in: 2\n\
                \x20 board_feet: [{rule: doyle, round_to_bf: none}, {rule: scribner-decimal-c, round_to_bf: 5}]\n\
                \x20 products:\n  - {name: peeler, lengths_ft: [8, 16], trim_in: 6, min_top_dib_in: 10}\n";
    let (_, problems) = design_of(text);
    let told = lines(&problems).join("\n");
    // Inches are no unit of lengths; feet are.
    assert!(told.contains("trim_in"), "{told}");
    let (design, problems) = design_of(&text.replace("trim_in: 6", "trim_ft: 0.5"));
    let logs = design
        .unwrap_or_else(|| panic!("{:#?}", lines(&problems)))
        .logs
        .unwrap();
    assert_eq!(logs.cubic_rule, CubicRule::Newton);
    assert_eq!(logs.scale_diameter, ScaleDiameter::InchBelow);
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
    close(logs.stump_m, 0.3048);
    close(logs.class_cm, 5.08);
    assert_eq!(logs.board_feet[0].rounding, Rounding::Exact);
    assert_eq!(logs.board_feet[1].rounding, Rounding::Nearest(5.0));
    let [peeler] = &logs.products[..] else {
        panic!()
    };
    close(peeler.lengths_m[0], 4.8768);
    close(peeler.lengths_m[1], 2.4384);
    close(peeler.trim_m, 0.1524);
    close(peeler.min_top_dib_cm, 25.4);
}
