//! Means, their errors and their limits computed apart, from the list of trees alone.

use std::collections::BTreeMap;

use spinney::tables::tidy::Value;
use statrs::distribution::{ContinuousCDF as _, StudentsT};

use super::compiled::{
    ATTRIBUTE, CLASS, KIND, Key, Read, Row, Rows, SELECTION, STAND, STATUS, STRATUM, is_additive,
};
use super::paper::Cruise;
use super::{close, close_at};

/// Student's t of a two-sided interval; the tests keep to few degrees of freedom.
pub(super) fn t(confidence: f64, df: f64) -> f64 {
    StudentsT::new(0.0, 1.0, df)
        .unwrap()
        .inverse_cdf(0.5 + confidence / 2.0)
}

/// Rows of the stand as a whole.
pub(super) fn of_stands(rows: &Rows) -> impl Iterator<Item = (&Key, &Row)> {
    rows.iter()
        .filter(|(key, _)| key[STAND] != "all" && key[STRATUM] == "all")
}

/// The row has these limits about its mean, at 95 %.
pub(super) fn assert_limits(key: &Key, row: &Row) {
    let (Some(std_error), Some(df)) = (row.std_error, row.df) else {
        assert!(
            row.lower.is_none() && row.upper.is_none(),
            "{key:?} {row:?}"
        );
        return;
    };
    let half = t(0.95, df) * std_error;
    let (lower, upper) = (row.lower.unwrap(), row.upper.unwrap());
    assert!(
        close_at(lower, row.mean - half, row.mean.abs() + half),
        "{key:?} {row:?}"
    );
    assert!(
        close_at(upper, row.mean + half, row.mean.abs() + half),
        "{key:?} {row:?}"
    );
    if row.mean == 0.0 {
        assert_eq!(row.error_pct, None, "{key:?}");
    } else {
        assert!(
            close(row.error_pct.unwrap(), 100.0 * half / row.mean),
            "{key:?} {row:?}"
        );
    }
}

/// The total of a sum; the summed density index has none.
pub(super) fn total_of(key: &Key, row: &Row) -> Option<f64> {
    assert_eq!(
        row.total.is_none(),
        key[ATTRIBUTE] == "stand_density_index_summed",
        "{key:?}"
    );
    row.total
}

/// What a tree of the list holds of an attribute; `None` where it is not known.
fn held(tree: &Listed, attribute: &str) -> Option<f64> {
    let number = |column: &str| match tree[column] {
        Value::Number(number) => Some(number),
        _ => None,
    };
    let dbh_cm = number("dbh_cm")?;
    Some(match attribute {
        "trees" => 1.0,
        "basal_area" => std::f64::consts::PI * dbh_cm * dbh_cm / 40_000.0,
        "stand_density_index_summed" => (dbh_cm / 25.4).powf(1.605),
        "co2_equivalent" => number("carbon_kg")? * 44.0 / 12.0 / 1000.0,
        "carbon" => number("carbon_kg")? / 1000.0,
        mass if mass.starts_with("biomass") => number(&format!("{mass}_kg"))? / 1000.0,
        volume => number(&format!("{volume}_m3"))?,
    })
}

/// Is a tree of the list in the domain of a row?
fn is_in(tree: &Listed, key: &Key) -> bool {
    let word = |column: &str| match &tree[column] {
        Value::Word(word) => word.as_str(),
        _ => "",
    };
    let status = match key[STATUS].strip_prefix("dead, decay class ") {
        Some(class) => word("status") == "dead" && word("decay_class") == class,
        None => word("status") == key[STATUS],
    };
    let Value::Number(dbh_cm) = tree["dbh_cm"] else {
        panic!("no dbh")
    };
    let limits = (key[CLASS].parse::<f64>(), key[CLASS + 1].parse::<f64>());
    let in_class = match limits {
        (Ok(from), Ok(to)) => dbh_cm >= from && dbh_cm < to,
        _ => true,
    };
    status && in_class && (key[KIND] == "all" || key[KIND] == word("species"))
}

/// A tree of the list.
type Listed = BTreeMap<&'static str, Value>;

/// The trees of the list by stand and selection, each with its plot.
type ByPlace<'l> = BTreeMap<(&'l str, &'l str), Vec<(usize, &'l Listed)>>;

fn by_place<'l>(cruise: &Cruise, list: &'l [Listed]) -> ByPlace<'l> {
    let mut places = ByPlace::new();
    for tree in list {
        let [stand, plot, selection] =
            ["stand", "plot", "selection"].map(|column| match &tree[column] {
                Value::Word(word) => word.as_str(),
                other => panic!("{other:?}"),
            });
        let mut plots = cruise.plots.iter();
        let at = plots.position(|of| of.name == plot).unwrap();
        places
            .entry((stand, selection))
            .or_default()
            .push((at, tree));
    }
    places
}

/// Values per hectare of the plots of a stand, by stratum, from the list of trees; `None` where a
/// tree's value is not known.
fn plot_values(cruise: &Cruise, places: &ByPlace<'_>, key: &Key) -> Option<Vec<Vec<f64>>> {
    let mut sums = vec![0.0; cruise.plots.len()];
    let trees = places.get(&(key[STAND].as_str(), key[SELECTION].as_str()));
    for (plot, tree) in trees
        .into_iter()
        .flatten()
        .filter(|(_, tree)| is_in(tree, key))
    {
        let Value::Number(stands_for) = tree["trees_per_ha"] else {
            panic!("no expansion")
        };
        // Outside the limits of the selection a tree stands for nothing.
        if stands_for > 0.0 {
            sums[*plot] += stands_for * held(tree, &key[ATTRIBUTE])?;
        }
    }
    let stand = cruise
        .stands
        .iter()
        .position(|stand| stand.name == key[STAND])
        .unwrap();
    let mut strata = vec![Vec::new(); cruise.stands[stand].strata.len()];
    for (plot, sum) in cruise
        .plots
        .iter()
        .zip(sums)
        .filter(|(plot, _)| plot.stand == stand)
    {
        strata[plot.stratum].push(sum);
    }
    Some(strata)
}

/// Mean, and variance of the mean with its degrees of freedom, of plots in strata of these areas.
fn stratified(strata: &[Vec<f64>], areas: &[f64]) -> (f64, Option<(f64, f64)>) {
    let area: f64 = areas.iter().sum();
    let (mut mean, mut parts) = (0.0, Vec::new());
    for (values, own) in strata.iter().zip(areas) {
        let (n, weight) = (values.len() as f64, own / area);
        let middle = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|value| (value - middle).powi(2)).sum();
        mean += weight * middle;
        parts.push((weight * weight * squares / (n - 1.0) / n, n - 1.0));
    }
    if parts.iter().any(|(_, df)| *df < 1.0) {
        return (mean, None);
    }
    let variance: f64 = parts.iter().map(|(g, _)| g).sum();
    let df = match &parts[..] {
        [(_, df)] => *df,
        _ => variance * variance / parts.iter().map(|(g, df)| g * g / df).sum::<f64>(),
    };
    (mean, Some((variance, df)))
}

/// Every additive row of the measured selections of single stands, from the list of trees.
pub(super) fn assert_follows_from_trees(cruise: &Cruise, read: &Read) {
    let list = read.tree_rows();
    let places = by_place(cruise, &list);
    let mut held_to_account = 0;
    for (key, row) in of_stands(&read.rows()) {
        if !is_additive(key) || key[SELECTION] == "sweep" {
            continue;
        }
        let Some(strata) = plot_values(cruise, &places, key) else {
            panic!("{key:?} has an estimate and a tree of unknown value")
        };
        let stand = cruise
            .stands
            .iter()
            .find(|stand| stand.name == key[STAND])
            .unwrap();
        let areas: Vec<f64> = stand.strata.iter().map(|(_, area_ha)| *area_ha).collect();
        let (mean, error) = stratified(&strata, &areas);
        assert!(close(row.mean, mean), "{key:?} {row:?}: {mean}");
        if let Some(total) = total_of(key, row) {
            assert!(
                close(total, mean * areas.iter().sum::<f64>()),
                "{key:?} {row:?}"
            );
        }
        assert_eq!(row.std_error.is_some(), error.is_some(), "{key:?} {row:?}");
        if let Some((variance, df)) = error {
            let size = strata.iter().flatten().fold(0.0, |a: f64, b| a.max(*b));
            assert!(
                close_at(row.std_error.unwrap(), variance.sqrt(), size),
                "{key:?} {row:?}: {variance}"
            );
            // Of no variance there is no weight of strata.
            if variance.sqrt() > 1e-6 * size {
                assert!(close(row.df.unwrap(), df), "{key:?} {row:?}: {df}");
            }
        }
        assert_limits(key, row);
        held_to_account += 1;
    }
    assert!(held_to_account > 0);
}
