//! `explain --estimate`: what is printed leads to the row of the estimate table.

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF as _, StudentsT};

use crate::cruise::{Cruise, run};

const DESIGN: &str = "examples/marrow-creek/design.yaml";

type Row = BTreeMap<String, String>;

fn estimates(options: &[&str]) -> Vec<Row> {
    let fixed = ["compile", DESIGN, "--format", "csv"];
    let run = run(&[&fixed, options].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    csv::Reader::from_reader(run.stdout.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn explained(options: &[&str]) -> String {
    let run = run(&[&["explain", DESIGN], options].concat());
    assert_eq!(run.status, 0, "{options:?}: {}", run.stderr);
    for line in run.stdout.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    run.stdout
}

/// The part under a heading.
fn section<'t>(text: &'t str, heading: &str) -> &'t str {
    let start = text
        .find(&format!("\n{heading}\n-"))
        .unwrap_or_else(|| panic!("{heading}: {text}"));
    let rest = &text[start + heading.len() + 2..];
    let rest = &rest[rest.find('\n').unwrap()..];
    rest.split("\n\n\n").next().unwrap()
}

/// The numbers of a line, in their order.
fn numbers(line: &str) -> Vec<f64> {
    line.split(|c: char| c.is_whitespace() || matches!(c, '(' | ')' | ','))
        .filter_map(|word| word.parse().ok())
        .collect()
}

/// The line that starts so.
fn line<'t>(text: &'t str, start: &str) -> &'t str {
    let found = text.lines().find(|line| line.starts_with(start));
    found.unwrap_or_else(|| panic!("{start}: {text}"))
}

fn close(ours: f64, theirs: f64) {
    // Printed to six digits.
    assert!(
        (ours - theirs).abs() <= 1e-5 * theirs.abs().max(1e-6),
        "{ours} against {theirs}"
    );
}

#[test]
fn the_last_section_is_the_row_of_the_table() {
    let mut explained_rows = 0;
    for units in ["metric", "imperial"] {
        let per_area = if units == "metric" {
            "per_ha"
        } else {
            "per_ac"
        };
        for row in estimates(&["--units", units]) {
            // All sizes of all species, and one class of one species.
            let class = row
                .iter()
                .find(|(column, _)| column.starts_with("dbh_from_"));
            let (column, class) = class.map(|(c, v)| (c.clone(), v.clone())).unwrap();
            let margin = class == "all" && matches!(row["species"].as_str(), "all" | "Cw");
            let one = row["species"] == "Fd"
                && numbers(&class).first().is_some_and(|from| {
                    (from - if units == "metric" { 20.0 } else { 20.0 / 2.54 }).abs() < 1e-6
                });
            if !(margin || one) || (units == "imperial" && row["stratum"] != "all") {
                continue;
            }
            let option = format!("--{}", column.replace('_', "-"));
            let mut options = vec![
                "--units",
                units,
                "--estimate",
                &row["attribute"],
                "--selection",
                &row["selection"],
                "--stratum",
                &row["stratum"],
                "--status",
                &row["status"],
                "--species",
                &row["species"],
            ];
            if class != "all" {
                options.extend([option.as_str(), class.as_str()]);
            }
            let text = explained(&options);
            let last = section(&text, "In the estimate table");
            for column in [
                per_area,
                "std_error",
                "ci_lower",
                "ci_upper",
                "error_pct",
                "df",
                "total",
                "total_std_error",
            ] {
                let start = format!("{column}: ");
                if row[column].is_empty() {
                    assert!(!last.contains(&format!("\n{start}")), "{column}: {text}");
                } else {
                    let printed = line(last, &start)[start.len()..].split(' ').next().unwrap();
                    let (ours, theirs): (f64, f64) =
                        (printed.parse().unwrap(), row[column].parse().unwrap());
                    assert!((ours - theirs).abs() == 0.0, "{column}: {text}");
                }
            }
            explained_rows += 1;
        }
    }
    println!("{explained_rows} estimates explained");
    assert!(explained_rows > 100);
}

#[test]
fn printed_plot_values_lead_to_mean_error_and_interval() {
    let text = explained(&["--estimate", "volume_merch", "--selection", "fixed"]);
    let areas_ha = [("creek", 12.1, 7), ("upper", 8.4, 5)];
    let (mut mean, mut variance, mut by_df) = (0.0, 0.0, 0.0);
    for (stratum, area_ha, plots) in areas_ha {
        let part = section(&text, &format!("Plots, stratum {stratum}"));
        let values: Vec<f64> = part
            .lines()
            .map(numbers)
            .filter(|row| row.len() == 3 && row[0].fract() == 0.0)
            .filter(|row| row[0] <= 12.0 && row[1].fract() == 0.0)
            .take(plots)
            .map(|row| row[2])
            .collect();
        assert_eq!(values.len(), plots, "{part}");
        let n = plots as f64;
        let y = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|value| (value - y).powi(2)).sum();
        let se = (squares / (n - 1.0) / n).sqrt();
        close(*numbers(line(part, "mean:")).last().unwrap(), y);
        close(
            numbers(line(part, "sum of squares:")).pop().unwrap(),
            squares,
        );
        close(
            numbers(line(part, "variance:")).pop().unwrap(),
            squares / (n - 1.0),
        );
        assert!(line(part, "standard error:").contains("m3/ha"));
        let weight = area_ha / 20.5;
        mean += weight * y;
        variance += (weight * se).powi(2);
        by_df += (weight * se).powi(4) / (n - 1.0);
    }
    let df = variance.powi(2) / by_df;
    let together = section(&text, "Strata together");
    close(numbers(line(together, "mean:")).pop().unwrap(), mean);
    close(
        numbers(line(together, "standard error:")).pop().unwrap(),
        variance.sqrt(),
    );
    let interval = section(&text, "Interval");
    let t = StudentsT::new(0.0, 1.0, df).unwrap().inverse_cdf(0.975);
    close(numbers(line(interval, "t(")).pop().unwrap(), t);
    close(
        numbers(line(interval, "half-width:")).pop().unwrap(),
        t * variance.sqrt(),
    );
    let limits = numbers(line(interval, "interval:"));
    close(limits[limits.len() - 2], mean - t * variance.sqrt());
    close(limits[limits.len() - 1], mean + t * variance.sqrt());
}

#[test]
fn printed_ratios_lead_to_the_borrowed_volume() {
    let text = explained(&["--estimate", "volume_total", "--selection", "sweep"]);
    let part = section(&text, "Borrowed volume");
    let mut mean = 0.0;
    for species in ["Cw", "Dr", "Fd", "Hw"] {
        let row = numbers(line(part, species));
        let [g, v, d, r, product] = row[..] else {
            panic!("{part}")
        };
        // Printed to four decimals.
        assert!(
            (v / d - r).abs() < 1e-3 * r && (g * r - product).abs() < 1e-3,
            "{row:?}"
        );
        mean += product;
    }
    assert!((numbers(line(part, "estimate:")).pop().unwrap() - mean).abs() < 1e-3);
    // From the first-order parts of the plots, with the same n plots in both.
    let mut variance = 0.0;
    for stratum in ["creek", "upper"] {
        let parts: Vec<[f64; 2]> = part
            .lines()
            .filter(|line| line.split_whitespace().nth(1) == Some(stratum))
            .map(|line| {
                let row = numbers(line);
                [row[1], row[2]]
            })
            .collect();
        let n = parts.len() as f64;
        let factor = n / (n - 1.0);
        let of_stratum = factor * parts.iter().map(|[a, b]| (a + b).powi(2)).sum::<f64>();
        let both = 2.0 * factor * parts.iter().map(|[a, b]| a * b).sum::<f64>();
        let row = numbers(line(part, stratum));
        assert!(
            (row[4] - both).abs() < 1e-3 && (row[5] - of_stratum).abs() < 1e-3,
            "{row:?}"
        );
        variance += of_stratum;
    }
    let lines = part.replace("\n  ", " ");
    close(
        numbers(line(&lines, "standard error:")).pop().unwrap(),
        variance.sqrt(),
    );
}

#[test]
fn derivations_of_an_estimate_as_printed() {
    for (name, options) in [
        (
            "sum",
            &[
                "--estimate",
                "volume_total",
                "--selection",
                "fixed",
                "--species",
                "Dr",
            ][..],
        ),
        (
            "borrowed",
            &["--estimate", "volume_merch", "--selection", "sweep"][..],
        ),
        (
            "ratio",
            &["--estimate", "stand_density_index", "--selection", "fixed"][..],
        ),
        (
            "snags",
            &[
                "--estimate",
                "trees",
                "--selection",
                "fixed",
                "--status",
                "dead",
                "--dbh-from-cm",
                "20",
            ][..],
        ),
    ] {
        insta::assert_snapshot!(format!("explain-estimate-{name}"), explained(options));
    }
}

#[test]
fn all_stands_are_weighted_by_area() {
    let cruise = Cruise::new()
        .file(
            "design.yaml",
            "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
             selections: {circle: {method: fixed-area, area_ha: 0.02}}\n",
        )
        .file("stands.csv", "stand,area_ha\nA,3\nB,9\n")
        .file("plots.csv", "stand,plot\nA,1\nA,2\nB,1\nB,2\n")
        .file(
            "trees.csv",
            "stand,plot,tree,species,dbh_cm\nA,1,1,Fd,40\nA,2,1,Hw,25\nB,1,1,Cw,50\n",
        );
    // Every tree stands for 50 per ha: A has 50, B 25, the whole (3 x 50 + 9 x 25) / 12.
    let run = cruise.run(&["explain", "design.yaml", "--estimate", "trees"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let together = section(&run.stdout, "Stands together");
    close(numbers(line(together, "mean:")).pop().unwrap(), 31.25);
    assert!(
        line(section(&run.stdout, "In the estimate table"), "per_ha:")
            .starts_with("per_ha: 31.25 ")
    );
}

#[test]
fn what_is_not_there_is_told_with_what_is() {
    let refused = |options: &[&str], status: i32, words: &str| {
        let run = run(&[&["explain", DESIGN], options].concat());
        assert_eq!((run.status, run.stdout.as_str()), (status, ""));
        assert!(run.stderr.contains(words), "{words}: {}", run.stderr);
    };
    refused(
        &["--estimate", "volume_total"],
        1,
        "which selection?; there are: fixed, sweep",
    );
    refused(
        &["--estimate", "volume", "--selection", "fixed"],
        1,
        "trees, basal_area, volume_total",
    );
    refused(
        &["--estimate", "trees", "--selection", "sweep"],
        1,
        "there are: basal_area",
    );
    refused(
        &[
            "--estimate",
            "trees",
            "--selection",
            "fixed",
            "--dbh-from-cm",
            "22",
        ],
        1,
        "there are: all, 0, 10",
    );
    refused(
        &[
            "--estimate",
            "trees",
            "--selection",
            "fixed",
            "--species",
            "Ss",
        ],
        1,
        "Cw, Dr, Fd, Hw",
    );
    refused(
        &["--estimate", "trees", "--plot", "3", "--tree", "2"],
        2,
        "cannot be used with",
    );
    refused(&["--plot", "3"], 2, "--tree");
    refused(&[], 2, "required");
}
