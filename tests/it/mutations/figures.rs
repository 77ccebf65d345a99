//! What the program printed against the reference: the table of estimates and the list of trees.

use std::collections::{BTreeMap, BTreeSet};

use super::reference::{Key, Reference};
use super::table::{ACRE, FOOT};

type Row = BTreeMap<String, String>;

fn rows(text: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader
        .deserialize()
        .map(Result::unwrap_or_default)
        .collect()
}

/// A number of the first of two heads, in metric units.
fn metric(row: &Row, heads: [&str; 2], to_metric: f64) -> Option<f64> {
    let metric = row.get(heads[0]).and_then(|text| text.parse().ok());
    metric.or_else(|| Some(row.get(heads[1])?.parse::<f64>().ok()? * to_metric))
}

fn is_close(one: f64, other: f64) -> bool {
    (one - other).abs() <= 1e-9 * one.abs().max(other.abs()).max(1e-12)
}

/// Everything in which the two differ, in words; at most ten.
pub(super) fn differences(expected: &Reference, estimates: &str, trees: &str) -> Vec<String> {
    let (estimates, trees) = (rows(estimates), rows(trees));
    let mut differ = estimates_differ(expected, &estimates);
    differ.extend(trees_differ(expected, &trees));
    differ.extend(sums_differ(expected, &estimates, &trees));
    differ.truncate(10);
    differ
}

/// All sizes and species, live or dead.
fn is_sum(row: &Row) -> bool {
    let is_all = |head: &str| row.get(head).is_none_or(|text| text == "all");
    ["species", "dbh_from_cm", "dbh_from_in"]
        .into_iter()
        .all(is_all)
        && ["live", "dead"].contains(&row["status"].as_str())
}

/// The estimates that the reference has too.
fn figures(expected: &Reference, estimates: &[Row]) -> BTreeMap<Key, f64> {
    let names: BTreeSet<&String> = expected.plots.keys().map(|(stand, _, _)| stand).collect();
    let mut figures = BTreeMap::new();
    for row in estimates.iter().filter(|row| is_sum(row)) {
        let status = if row["status"] == "live" {
            "live"
        } else {
            "dead"
        };
        let (attribute, to_metric) = match row["attribute"].as_str() {
            "trees" => ("trees", 1.0 / ACRE),
            "basal_area" => ("basal_area", FOOT * FOOT / ACRE),
            _ => continue,
        };
        // The whole of several stands is none of the reference.
        if names.len() > 1 && row["stand"] == "all" {
            continue;
        }
        let stand = if names.len() > 1 {
            row["stand"].clone()
        } else {
            names
                .first()
                .map_or_else(String::new, |name| (*name).clone())
        };
        let Some(value) = metric(row, ["per_ha", "per_ac"], to_metric) else {
            continue;
        };
        if value > 0.0 {
            let key = (
                stand,
                row["stratum"].clone(),
                row["selection"].clone(),
                status,
                attribute,
            );
            figures.insert(key, value);
        }
    }
    figures
}

fn estimates_differ(expected: &Reference, estimates: &[Row]) -> Vec<String> {
    let printed = figures(expected, estimates);
    let mut differ = Vec::new();
    for (key, value) in &expected.figures {
        match printed.get(key) {
            Some(printed) if is_close(*printed, *value) => {}
            other => differ.push(format!("{key:?}: {other:?}, by the reference {value}")),
        }
    }
    let unknown = printed
        .iter()
        .filter(|(key, _)| !expected.figures.contains_key(*key));
    // A whole without areas is none of the reference.
    let unknown = unknown.filter(|(key, _)| {
        key.1 != "all"
            || !expected
                .plots
                .keys()
                .any(|(stand, stratum, _)| *stand == key.0 && !stratum.is_empty())
    });
    differ.extend(unknown.map(|(key, value)| format!("{key:?}: {value}, not in the reference")));
    differ
}

fn trees_differ(expected: &Reference, trees: &[Row]) -> Vec<String> {
    let mut differ = Vec::new();
    let mut lines = BTreeSet::new();
    for row in trees {
        let line: usize = row["line"].parse().unwrap_or(0);
        lines.insert(line);
        let Some(tree) = expected.trees.get(&line) else {
            differ.push(format!("line {line} is no tree of the reference"));
            continue;
        };
        let height = metric(row, ["height_m", "height_ft"], FOOT);
        let is_measured = ["measured", "instrument"].contains(&row["height_source"].as_str());
        let pairs = [
            (
                "dbh",
                metric(row, ["dbh_cm", "dbh_in"], 2.54),
                Some(tree.dbh_cm),
            ),
            ("height", height.filter(|_| is_measured), tree.height_m),
            (
                "trees",
                metric(row, ["trees_per_ha", "trees_per_ac"], 1.0 / ACRE),
                Some(tree.trees_per_ha),
            ),
        ];
        for (what, printed, wanted) in pairs {
            let is_right = match (printed, wanted) {
                (Some(printed), Some(wanted)) => is_close(printed, wanted),
                (one, other) => one.is_none() && other.is_none(),
            };
            if !is_right {
                differ.push(format!(
                    "line {line}: {what} {printed:?}, by the reference {wanted:?}"
                ));
            }
        }
        if row["status"] != if tree.dead { "dead" } else { "live" } {
            differ.push(format!("line {line}: {}", row["status"]));
        }
    }
    // One spelling stands for each species, so that rows of one spelling agree.
    let mut names: BTreeMap<String, &String> = BTreeMap::new();
    for row in trees {
        let line: usize = row["line"].parse().unwrap_or(0);
        let Some(tree) = expected.trees.get(&line) else {
            continue;
        };
        let name = names
            .entry(tree.species.to_lowercase())
            .or_insert(&row["species"]);
        if **name != row["species"] {
            differ.push(format!("line {line}: species {}", row["species"]));
        }
    }
    let lost = expected.trees.keys().filter(|line| !lines.contains(line));
    differ.extend(lost.map(|line| format!("line {line} is not in the list of trees")));
    differ
}

/// Volumes of the table are those of the trees in the list, summed over plots.
fn sums_differ(expected: &Reference, estimates: &[Row], trees: &[Row]) -> Vec<String> {
    let mut sums: BTreeMap<(String, String, String, String), f64> = BTreeMap::new();
    for row in trees {
        let number = |heads| metric(row, heads, 1.0);
        let volume = number(["volume_total_m3", "volume_total_ft3"]);
        let (Some(volume), Some(per_ha)) = (volume, number(["trees_per_ha", "trees_per_ac"]))
        else {
            continue;
        };
        let text = |head: &str| row[head].clone();
        let key = (
            text("stand"),
            text("stratum"),
            text("selection"),
            text("status"),
        );
        *sums.entry(key).or_default() += volume * per_ha;
    }
    let mut differ = Vec::new();
    for ((stand, stratum, selection, status), sum) in sums {
        let shown = if stratum.is_empty() { "all" } else { &stratum };
        let printed = estimates.iter().find(|row| {
            is_sum(row)
                && row["attribute"] == "volume_total"
                && row["stand"] == stand
                && (row["stratum"] == shown || row["stratum"] == stratum)
                && row["selection"] == selection
                && row["status"] == status
        });
        // Counted sweeps borrow their volume.
        let has_trees = expected
            .figures
            .keys()
            .any(|key| key.2 == selection && key.4 == "trees");
        let (Some(printed), true) = (printed, has_trees) else {
            continue;
        };
        let plots: f64 = printed["n_plots"].parse().unwrap_or(0.0);
        let wanted = sum / plots;
        let value = metric(printed, ["per_ha", "per_ac"], 1.0).unwrap_or(0.0);
        let known = expected
            .plots
            .values()
            .any(|known| *known as f64 - plots == 0.0);
        if !is_close(value, wanted) || !known {
            differ.push(format!("volume of {stand}, {stratum}, {status}: {value}, by the trees {wanted}, {plots} plots"));
        }
    }
    differ
}
