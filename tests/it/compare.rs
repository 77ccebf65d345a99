//! `compare`: paired differences against a paired t worked out here from two tree lists, the same
//! for a counted sweep, and what the command prints and refuses.

use std::collections::BTreeMap;
use std::fs;

use statrs::distribution::{ContinuousCDF as _, StudentsT};

use crate::cruise::{Cruise, Run, repository, shared};

pub(crate) type Row = BTreeMap<String, String>;

pub(crate) fn rows(text: &str) -> Vec<Row> {
    csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

pub(crate) fn done(run: &Run) -> &str {
    assert_eq!(run.status, 0, "{}", run.stderr);
    &run.stdout
}

pub(crate) fn number(row: &Row, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column}: `{}`", row[column]))
}

pub(crate) fn close(what: &str, ours: f64, theirs: f64, relative: f64) {
    let size = ours.abs().max(theirs.abs()).max(1e-12);
    assert!(
        (ours - theirs).abs() <= relative * size,
        "{what}: {ours} against {theirs}"
    );
}

/// The same number; zeros of either sign are.
pub(crate) fn same(ours: f64, theirs: f64) {
    assert!((ours - theirs).abs() == 0.0, "{ours} against {theirs}");
}

/// Rows of all sizes with these properties.
fn margins<'r>(rows: &'r [Row], wanted: &[(&str, &str)]) -> Vec<&'r Row> {
    let from = |row: &Row| {
        row.iter()
            .any(|(k, v)| k.starts_with("dbh_from") && v == "all")
    };
    rows.iter()
        .filter(|row| from(row) && wanted.iter().all(|(column, value)| row[*column] == *value))
        .collect()
}

fn margin<'r>(rows: &'r [Row], wanted: &[(&str, &str)]) -> &'r Row {
    let found = margins(rows, wanted);
    assert_eq!(found.len(), 1, "{wanted:?}");
    found[0]
}

/// Mean, standard error and number of some values: the formulas of any textbook.
fn mean_and_error(values: &[f64]) -> (f64, f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0) / n).sqrt(), n)
}

/// Checks estimate, error and 95 % limits of a difference.
fn check_difference(row: &Row, mean: f64, std_error: f64, df: f64) {
    close("difference", number(row, "difference_per_ha"), mean, 1e-9);
    close("std_error", number(row, "std_error"), std_error, 1e-9);
    close("df", number(row, "df"), df, 1e-9);
    let t = StudentsT::new(0.0, 1.0, df).unwrap().inverse_cdf(0.975);
    close(
        "ci_lower",
        number(row, "ci_lower"),
        mean - t * std_error,
        1e-9,
    );
    close(
        "ci_upper",
        number(row, "ci_upper"),
        mean + t * std_error,
        1e-9,
    );
    let pct = 100.0 * mean / number(row, "base_per_ha");
    close("difference_pct", number(row, "difference_pct"), pct, 1e-9);
}

/// Per-hectare sums of a column by plot, live trees of a species (or all).
fn plot_sums(tree_list: &str, column: &str, species: &str) -> BTreeMap<String, f64> {
    let mut sums = BTreeMap::new();
    for tree in rows(tree_list) {
        if tree["status"] == "live" && (species == "all" || tree["species"] == species) {
            *sums.entry(tree["plot"].clone()).or_default() +=
                number(&tree, "trees_per_ha") * number(&tree, column);
        }
    }
    sums
}

pub(crate) const EXAMPLE: &str = "examples/marrow-creek";
const AREAS_HA: [(&str, f64); 2] = [("creek", 12.1), ("upper", 8.4)];

/// The example compiled by the design and by other options: estimates and tree lists.
fn compiled_both_ways(options: &[&str]) -> (Cruise, [Vec<Row>; 2], [String; 2]) {
    let cruise = Cruise::copy_of(EXAMPLE);
    let compile = |options: &[&str]| {
        let fixed = [
            "compile",
            "design.yaml",
            "--format",
            "csv",
            "--tree-list",
            "list.csv",
        ];
        let run = cruise.run(&[&fixed, options].concat());
        (rows(done(&run)), cruise.read("list.csv"))
    };
    let (base, base_list) = compile(&[]);
    let (other, other_list) = compile(options);
    (cruise, [base, other], [base_list, other_list])
}

/// Plots of the example by stratum; all twelve were visited, one of them without trees.
fn plots_by_stratum(cruise: &Cruise) -> BTreeMap<String, Vec<String>> {
    let mut strata: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for plot in rows(&cruise.read("plots.csv")) {
        let plots = strata.entry(plot["stratum"].clone()).or_default();
        plots.push(plot["plot"].clone());
    }
    strata
}

#[test]
fn the_difference_is_a_paired_t_on_plots() {
    for (option, value) in [
        ("--volume-set", "ca-bc-taper-1994"),
        ("--curve", "naslund3"),
    ] {
        let (cruise, _, lists) = compiled_both_ways(&[option, value]);
        let strata = plots_by_stratum(&cruise);
        let compare = ["compare", "design.yaml", option, value, "--format", "csv"];
        let compared = rows(done(&cruise.run(&compare)));
        for attribute in ["volume_total", "volume_merch"] {
            for species in ["all", "Fd", "Hw"] {
                let column = format!("{attribute}_m3");
                let [base, other] = [&lists[0], &lists[1]].map(|l| plot_sums(l, &column, species));
                let at = |sums: &BTreeMap<String, f64>, plot: &String| {
                    sums.get(plot).copied().unwrap_or(0.0)
                };
                let asked = |stratum| {
                    let wanted = [
                        ("stratum", stratum),
                        ("selection", "fixed"),
                        ("status", "live"),
                        ("species", species),
                        ("attribute", attribute),
                    ];
                    margin(&compared, &wanted)
                };
                // Each stratum is a simple random sample; together they are weighted by area, the
                // degrees of freedom by Satterthwaite 1946.
                let area: f64 = AREAS_HA.iter().map(|(_, ha)| ha).sum();
                let (mut mean, mut variance, mut by_df) = (0.0, 0.0, 0.0);
                for (stratum, area_ha) in AREAS_HA {
                    let differences: Vec<f64> = strata[stratum]
                        .iter()
                        .map(|plot| at(&other, plot) - at(&base, plot))
                        .collect();
                    let (d, se, n) = mean_and_error(&differences);
                    check_difference(asked(stratum), d, se, n - 1.0);
                    let weight = area_ha / area;
                    mean += weight * d;
                    variance += (weight * se).powi(2);
                    by_df += (weight * se).powi(4) / (n - 1.0);
                }
                check_difference(
                    asked("all"),
                    mean,
                    variance.sqrt(),
                    variance.powi(2) / by_df,
                );
            }
        }
    }
}

#[test]
fn base_alternative_and_difference_are_those_of_two_compilations() {
    let (cruise, [base, other], _) = compiled_both_ways(&["--volume-set", "ca-bc-taper-1994"]);
    let compare = [
        "compare",
        "design.yaml",
        "--volume-set",
        "ca-bc-taper-1994",
        "--format",
        "csv",
    ];
    let compared = rows(done(&cruise.run(&compare)));
    let keys = [
        "stand",
        "stratum",
        "selection",
        "status",
        "species",
        "dbh_from_cm",
        "dbh_to_cm",
        "attribute",
    ];
    let key = |row: &Row| keys.map(|column| row[column].clone());
    let values = |rows: &[Row]| -> BTreeMap<_, f64> {
        let volume = |row: &&Row| row["attribute"].starts_with("volume");
        rows.iter()
            .filter(volume)
            .map(|row| (key(row), number(row, "per_ha")))
            .collect()
    };
    let (base, other) = (values(&base), values(&other));
    assert!(base.keys().any(|key| key[2] == "sweep"));
    assert_eq!(compared.len(), base.len());
    for row in &compared {
        let (base, other) = (base[&key(row)], other[&key(row)]);
        same(number(row, "base_per_ha"), base);
        same(number(row, "alternative_per_ha"), other);
        // Relative to the figures that are subtracted.
        let difference = number(row, "difference_per_ha");
        assert!((difference - (other - base)).abs() <= 1e-9 * base.abs().max(other.abs()));
    }
}

#[test]
fn species_add_up_and_swapping_turns_the_sign() {
    let cruise = Cruise::copy_of(EXAMPLE);
    let swapped =
        Cruise::copy_of(EXAMPLE).edit("design.yaml", "ca-bc-volume-2016", "ca-bc-taper-1994");
    let compare = |cruise: &Cruise, set: &str| {
        let run = cruise.run(&[
            "compare",
            "design.yaml",
            "--volume-set",
            set,
            "--format",
            "csv",
        ]);
        rows(done(&run))
    };
    let one = compare(&cruise, "ca-bc-taper-1994");
    let other = compare(&swapped, "ca-bc-volume-2016");
    assert_eq!(one.len(), other.len());
    for (a, b) in one.iter().zip(&other) {
        same(number(a, "base_per_ha"), number(b, "alternative_per_ha"));
        same(
            number(a, "difference_per_ha"),
            -number(b, "difference_per_ha"),
        );
        assert_eq!(a["std_error"], b["std_error"]);
        same(number(a, "ci_lower"), -number(b, "ci_upper"));
    }
    for selection in ["fixed", "sweep"] {
        for status in ["live", "dead"] {
            let of_all_species = margins(
                &one,
                &[
                    ("selection", selection),
                    ("status", status),
                    ("stratum", "all"),
                    ("attribute", "volume_merch"),
                ],
            );
            let (all, species): (Vec<&Row>, Vec<&Row>) = of_all_species
                .iter()
                .partition(|row| row["species"] == "all");
            let sum: f64 = species
                .iter()
                .map(|row| number(row, "difference_per_ha"))
                .sum();
            close(status, sum, number(all[0], "difference_per_ha"), 1e-12);
        }
    }
}

/// The linearised error of a borrowed volume, worked out for the difference: with the same plots in
/// sweep and donor, `se2 = sum_h n_h / (n_h - 1) sum_i (a_i + b_i)^2` (Cochran 1977, ratio of
/// means times a mean, from memory).
#[test]
fn a_counted_sweep_differs_by_its_linearised_ratio() {
    let (cruise, _, lists) = compiled_both_ways(&["--volume-set", "ca-bc-taper-1994"]);
    let compare = [
        "compare",
        "design.yaml",
        "--volume-set",
        "ca-bc-taper-1994",
        "--format",
        "csv",
    ];
    let compared = rows(done(&cruise.run(&compare)));
    let strata = plots_by_stratum(&cruise);
    let area: f64 = AREAS_HA.iter().map(|(_, ha)| ha).sum();
    // Factor 7 m2/ha; slopes were corrected in the field.
    let mut counted: BTreeMap<(String, String), f64> = BTreeMap::new();
    for count in rows(&cruise.read("counts.csv")) {
        if count["status"] == "L" {
            let key = (count["species"].clone(), count["plot"].clone());
            *counted.entry(key).or_default() += 7.0 * number(&count, "count");
        }
    }
    let mut parts: BTreeMap<String, f64> = BTreeMap::new();
    let (mut mean, all) = (0.0, ["Cw", "Dr", "Fd", "Hw"]);
    for species in all {
        let [base, other] =
            [&lists[0], &lists[1]].map(|list| plot_sums(list, "volume_total_m3", species));
        let basal_area = plot_sums(&lists[0], "basal_area_m2", species);
        let at =
            |sums: &BTreeMap<String, f64>, plot: &String| sums.get(plot).copied().unwrap_or(0.0);
        let v = |plot: &String| at(&other, plot) - at(&base, plot);
        let d = |plot: &String| at(&basal_area, plot);
        let g = |plot: &String| {
            let key = (species.to_owned(), plot.clone());
            counted.get(&key).copied().unwrap_or(0.0)
        };
        let mean_in = |stratum: &str, value: &dyn Fn(&String) -> f64| {
            let plots = &strata[stratum];
            plots.iter().map(value).sum::<f64>() / plots.len() as f64
        };
        let weighted = |value: &dyn Fn(&String) -> f64| -> f64 {
            AREAS_HA
                .iter()
                .map(|(h, ha)| ha / area * mean_in(h, value))
                .sum()
        };
        let (gbar, vbar, dbar) = (weighted(&g), weighted(&v), weighted(&d));
        let ratio = vbar / dbar;
        mean += gbar * ratio;
        for (h, area_ha) in AREAS_HA {
            let n = strata[h].len() as f64;
            for plot in &strata[h] {
                let a = ratio * (g(plot) - mean_in(h, &g));
                let b =
                    gbar / dbar * ((v(plot) - mean_in(h, &v)) - ratio * (d(plot) - mean_in(h, &d)));
                *parts.entry(plot.clone()).or_default() += area_ha / area * (a + b) / n;
            }
        }
    }
    let variance: f64 = AREAS_HA
        .iter()
        .map(|(h, _)| {
            let n = strata[*h].len() as f64;
            n / (n - 1.0)
                * strata[*h]
                    .iter()
                    .map(|plot| parts[plot].powi(2))
                    .sum::<f64>()
        })
        .sum();
    let row = margin(
        &compared,
        &[
            ("stratum", "all"),
            ("selection", "sweep"),
            ("status", "live"),
            ("species", "all"),
            ("attribute", "volume_total"),
        ],
    );
    close("difference", number(row, "difference_per_ha"), mean, 1e-9);
    close("std_error", number(row, "std_error"), variance.sqrt(), 1e-9);
}

/// A real prism cruise of 144 points under its own equations and under the national ones of the
/// United States: the interval is that of the 144 differences. Data as in `upper_flat_creek`.
#[test]
fn upper_flat_creek_by_hand() {
    let Some(trees) = shared("data/upper-flat-creek/trees-as-recorded.csv") else {
        return;
    };
    let recorded = fs::read_to_string(&trees).unwrap();
    let cruise = Cruise::new()
        .file("design.yaml", crate::upper_flat_creek::DESIGN)
        .file("trees.csv", &recorded);
    let tables = repository().join("tests/tables");
    let tables = tables.to_str().unwrap();
    for (option, value) in [("--volume-set", "us-national-2024"), ("--curve", "naslund")] {
        let list = |options: &[&str]| {
            let fixed = [
                "compile",
                "design.yaml",
                "--tables",
                tables,
                "--tree-list",
                "list.csv",
            ];
            done(&cruise.run(&[&fixed, options].concat()));
            plot_sums(&cruise.read("list.csv"), "volume_total_m3", "all")
        };
        let (base, other) = (list(&[]), list(&[option, value]));
        // Points without trees are rows without a species in the field book.
        let points: std::collections::BTreeSet<String> = rows(&recorded)
            .iter()
            .map(|row| row["plot"].clone())
            .collect();
        assert_eq!(points.len(), 144);
        let at =
            |sums: &BTreeMap<String, f64>, plot: &String| sums.get(plot).copied().unwrap_or(0.0);
        let differences: Vec<f64> = points
            .iter()
            .map(|plot| at(&other, plot) - at(&base, plot))
            .collect();
        let (mean, std_error, n) = mean_and_error(&differences);
        let run = cruise.run(&[
            "compare",
            "design.yaml",
            "--tables",
            tables,
            option,
            value,
            "--format",
            "csv",
        ]);
        let compared = rows(done(&run));
        let row = margin(
            &compared,
            &[
                ("status", "live"),
                ("species", "all"),
                ("attribute", "volume_total"),
            ],
        );
        println!("{value}: {mean:.4} m3/ha, standard error {std_error:.4}, {n} points");
        check_difference(row, mean, std_error, n - 1.0);
        assert_eq!(row["n_plots"], "144");
    }
}
