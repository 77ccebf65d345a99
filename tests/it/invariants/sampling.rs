//! What is known of means, their errors and their limits when plots are added, doubled, or put into
//! strata; and all of them computed apart, from the list of trees alone.

use std::collections::BTreeMap;

use proptest::prelude::*;
use statrs::distribution::{ContinuousCDF as _, StudentsT};

use super::compiled::{
    ATTRIBUTE, CLASS, KIND, Key, Read, Row, Rows, SELECTION, STAND, STATUS, STRATUM, is_additive,
    rests_on_dbh,
};
use super::paper::{Cruise, Plot, SELECTIONS, Stand, any_cruise, cruise, one_stratum};
use super::{CASES, cases, close, close_at};
use spinney::tables::tidy::Value;

/// Student's t of a two-sided interval; the tests keep to few degrees of freedom.
fn t(confidence: f64, df: f64) -> f64 {
    StudentsT::new(0.0, 1.0, df)
        .unwrap()
        .inverse_cdf(0.5 + confidence / 2.0)
}

fn is_ratio(key: &Key) -> bool {
    !is_additive(key)
}

/// Top heights are means over the plots that have live trees.
fn is_top_height(key: &Key) -> bool {
    key[ATTRIBUTE] == "top_height"
}

/// Rows of the stand as a whole.
fn of_stands(rows: &Rows) -> impl Iterator<Item = (&Key, &Row)> {
    rows.iter()
        .filter(|(key, _)| key[STAND] != "all" && key[STRATUM] == "all")
}

/// The row has these limits about its mean, at 95 %.
fn assert_limits(key: &Key, row: &Row) {
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
fn total_of(key: &Key, row: &Row) -> Option<f64> {
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
fn assert_follows_from_trees(cruise: &Cruise, read: &Read) {
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

/// Every plot once more, under a new name.
fn doubled(cruise: &Cruise) -> Cruise {
    let again = cruise.plots.iter().map(|plot| Plot {
        name: format!("{}again", plot.name),
        ..plot.clone()
    });
    let plots = cruise.plots.iter().cloned().chain(again).collect();
    Cruise {
        plots,
        ..cruise.clone()
    }
}

fn empty_plot(name: &str) -> Plot {
    Plot {
        name: name.to_owned(),
        stand: 0,
        stratum: 0,
        slope_pct: 0,
        fraction: 1.0,
        trees: Default::default(),
        counts: Vec::new(),
    }
}

proptest! {
    #![proptest_config(cases(CASES))]

    #[test]
    fn estimates_follow_from_the_list_of_trees(cruise in cruise()) {
        assert_follows_from_trees(&cruise, &cruise.read());
    }

    #[test]
    fn strata_by_shares_of_plots(cruise in one_stratum(), cut in 1_usize..4) {
        // Areas go with the plots, so that the mean is that of all plots.
        let n = cruise.plots.len();
        let area = cruise.stands[0].strata[0].1;
        let split = cruise.clone().with(|split| {
            let part = |plots: usize| area * plots as f64 / n as f64;
            split.stands[0].strata = vec![("a".to_owned(), part(cut)), ("b".to_owned(), part(n - cut))];
            for plot in &mut split.plots[cut..] {
                plot.stratum = 1;
            }
        });
        let read = split.read();
        // Variances and degrees of freedom by the formula for strata.
        assert_follows_from_trees(&split, &read);
        prop_assert_eq!(cruise.read().trees().len(), read.trees().len());
        let (whole, strata) = (cruise.rows(), read.rows());
        for (key, row) in of_stands(&whole) {
            // Plots without live trees have no top height and no weight in their stratum.
            if is_top_height(key) {
                continue;
            }
            let other = &strata[key];
            prop_assert!(close(other.mean, row.mean), "{key:?} {row:?} {other:?}");
            prop_assert_eq!(other.n_plots, row.n_plots);
        }
    }

    #[test]
    fn one_stratum_of_all_is_none(cruise in any_cruise()) {
        let cruise = cruise.of_one_stratum();
        let named = cruise.clone().with(|named| named.stands[0].strata[0].0 = "all of it".to_owned());
        let (plain, named) = (cruise.rows(), named.rows());
        for (key, row) in of_stands(&plain) {
            prop_assert_eq!(&named[key], row);
            let mut stratum = key.clone();
            "all of it".clone_into(&mut stratum[STRATUM]);
            prop_assert_eq!(&named[&stratum], row);
        }
    }

    /// With all heights measured: the choice among height curves depends on the number of heights.
    #[test]
    fn every_plot_twice(cruise in one_stratum(), listed in any::<bool>()) {
        let n = cruise.plots.len();
        let once = cruise.all_measured().with(|once| {
            if listed {
                once.rules.sampling = vec![format!("listed_units: {}", 3 * n)];
            }
        });
        let twice = doubled(&once).with(|twice| {
            if listed {
                twice.rules.sampling = vec![format!("listed_units: {}", 6 * n)];
            }
        });
        let (once, twice) = (once.rows(), twice.rows());
        prop_assert_eq!(once.len(), twice.len());
        for (key, row) in &once {
            let other = &twice[key];
            prop_assert!(close(row.mean, other.mean), "{key:?} {row:?} {other:?}");
            prop_assert_eq!(2.0 * row.n_plots, other.n_plots);
            let (Some(std_error), Some(df)) = (row.std_error, row.df) else { continue };
            prop_assert!(close(other.df.unwrap(), 2.0 * df + 1.0), "{key:?} {row:?} {other:?}");
            // n - 1 = df, 2n - 1 = 2 df + 1.
            let expected = std_error * (df / (2.0 * df + 1.0)).sqrt();
            prop_assert!(close_at(other.std_error.unwrap(), expected, 1e-3 * row.mean.abs()), "{key:?} {row:?} {other:?}");
            assert_limits(key, other);
        }
    }

    #[test]
    fn an_empty_plot_more(cruise in one_stratum()) {
        let n = cruise.plots.len() as f64;
        let more = cruise.clone().with(|more| more.plots.push(empty_plot("empty")));
        let (read, read_more) = (cruise.read(), more.read());
        // Heights and volumes of trees do not hang on plots.
        prop_assert_eq!(read.trees(), read_more.trees());
        let (rows, rows_more) = (read.rows(), read_more.rows());
        prop_assert_eq!(rows.len(), rows_more.len());
        for (key, row) in &rows {
            let other = &rows_more[key];
            if is_top_height(key) {
                prop_assert_eq!(other, row);
                continue;
            }
            prop_assert_eq!(other.n_plots, row.n_plots + 1.0);
            let (std_error, new_error) = (row.std_error.unwrap(), other.std_error.unwrap());
            if is_additive(key) {
                prop_assert!(close(other.mean, row.mean * n / (n + 1.0)), "{key:?} {row:?} {other:?}");
                // Volumes of the sweep are products of means, not means of plot values.
                let is_mean = key[SELECTION] != "sweep" || key[ATTRIBUTE] == "basal_area";
                if is_mean {
                    let squares = (n - 1.0) * n * std_error * std_error + n * row.mean * row.mean;
                    let variance = (squares - (n + 1.0) * other.mean * other.mean) / (n * (n + 1.0));
                    prop_assert!(close_at(new_error, variance.max(0.0).sqrt(), row.mean), "{key:?} {row:?} {other:?}");
                }
            } else if ["quadratic_mean_dbh", "mean_height", "lorey_height"].contains(&key[ATTRIBUTE].as_str()) {
                prop_assert!(close(other.mean, row.mean), "{key:?} {row:?} {other:?}");
                let expected = std_error * ((n * n - 1.0) / (n * n)).sqrt();
                prop_assert!(close_at(new_error, expected, 1e-3 * row.mean), "{key:?} {row:?} {other:?}");
            } else {
                // Both density indices are in proportion to the means.
                prop_assert!(is_ratio(key));
                prop_assert!(close(other.mean, row.mean * n / (n + 1.0)), "{key:?} {row:?} {other:?}");
            }
        }
    }

    /// Half-widths go with t; all limits are those of t here.
    #[test]
    fn another_confidence(cruise in cruise()) {
        let other = cruise.clone().with(|other| other.rules.confidence = 0.9);
        let (rows, others) = (cruise.rows(), other.rows());
        prop_assert_eq!(rows.len(), others.len());
        for (key, row) in &rows {
            let other = &others[key];
            prop_assert_eq!((row.mean, row.std_error, row.df), (other.mean, other.std_error, other.df));
            prop_assert_eq!(row.lower.is_some(), other.lower.is_some());
            if let (Some(upper), Some(narrow)) = (row.upper, other.upper) {
                let df = row.df.unwrap();
                let half = (upper - row.mean) * t(0.9, df) / t(0.95, df);
                prop_assert!(close_at(narrow - row.mean, half, upper), "{key:?} {row:?} {other:?}");
            }
        }
    }

    /// A list of N units: variances times 1 - n/N. For volumes of the sweep too, since sweep and plot
    /// are one sample.
    #[test]
    fn a_finite_population(cruise in one_stratum(), more in 1_usize..50) {
        let n = cruise.plots.len();
        let listed = cruise.clone().with(|listed| listed.rules.sampling = vec![format!("listed_units: {}", n + more)]);
        let left = 1.0 - n as f64 / (n + more) as f64;
        let (rows, others) = (cruise.rows(), listed.rows());
        for (key, row) in &rows {
            let other = &others[key];
            prop_assert!(close(row.mean, other.mean), "{key:?}");
            // Plots without live trees are no part of the sample of top heights.
            if !is_top_height(key) {
                let expected = row.std_error.unwrap() * left.sqrt();
                prop_assert!(close_at(other.std_error.unwrap(), expected, 1e-3 * row.mean), "{key:?} {row:?} {other:?}");
                prop_assert!(close(row.df.unwrap(), other.df.unwrap()), "{key:?} {row:?} {other:?}");
            }
        }
    }

    /// The whole of stands: totals add, squared errors of totals add.
    #[test]
    fn the_whole_is_the_sum_of_its_stands(cruise in cruise()) {
        let rows = cruise.rows();
        for (key, row) in rows.iter().filter(|(key, _)| key[STAND] == "all" && key[STRATUM] == "all") {
            if !is_additive(key) {
                continue;
            }
            let of = |name: &String| {
                let mut own = key.clone();
                own[STAND].clone_from(name);
                rows.get(&own)
            };
            let found: Vec<&Row> = cruise.stands.iter().filter_map(|stand| of(&stand.name)).collect();
            let area_of = |stand: &Stand| stand.strata.iter().map(|(_, area)| area).sum::<f64>();
            let means = cruise.stands.iter().filter_map(|stand| Some(of(&stand.name)?.mean * area_of(stand)));
            let sum: f64 = means.sum();
            prop_assert!(total_of(key, row).is_none_or(|total| close(total, sum)), "{key:?} {row:?}");
            let area: f64 = cruise.stands.iter().flat_map(|stand| &stand.strata).map(|(_, area)| area).sum();
            prop_assert!(close(row.mean, sum / area), "{key:?} {row:?}");
            let squares: Option<f64> = found.iter().map(|row| row.total_std_error.map(|se| se * se)).sum();
            if let (Some(std_error), Some(squares)) = (row.total_std_error, squares) {
                prop_assert!(close_at(std_error, squares.sqrt(), 1e-3 * sum), "{key:?} {row:?}");
            }
        }
    }

    /// Plots of one size are averaged alike by both rules, and a plot is a cluster of one.
    #[test]
    fn equal_plots_are_averaged_alike(cruise in cruise()) {
        let cruise = cruise.with(|cruise| {
            for plot in &mut cruise.plots {
                (plot.slope_pct, plot.fraction) = (0, 1.0);
            }
        });
        let by_area = cruise.clone().with(|other| other.rules.sampling = vec!["average: ratio-of-means".to_owned()]);
        let (rows, others) = (cruise.rows(), by_area.rows());
        for (key, row) in &rows {
            let other = &others[key];
            prop_assert!(close(row.mean, other.mean), "{key:?}");
            prop_assert_eq!(row.std_error.is_some(), other.std_error.is_some());
            if let (Some(a), Some(b)) = (row.std_error, other.std_error) {
                prop_assert!(close_at(a, b, 1e-3 * row.mean), "{key:?} {row:?} {other:?}");
            }
        }
    }

    #[test]
    fn species_and_classes_add_up(cruise in cruise()) {
        let rows = cruise.rows();
        for column in [KIND, CLASS] {
            let mut sums: BTreeMap<Key, f64> = BTreeMap::new();
            for (key, row) in rows.iter().filter(|(key, _)| is_additive(key) && key[column] != "all") {
                let mut margin = key.clone();
                "all".clone_into(&mut margin[column]);
                if column == CLASS {
                    "all".clone_into(&mut margin[CLASS + 1]);
                }
                *sums.entry(margin).or_default() += row.mean;
            }
            for (margin, sum) in sums {
                // A volume of all is not known where that of one species is not.
                match rows.get(&margin) {
                    Some(row) => prop_assert!(close(row.mean, sum), "{margin:?}: {sum}"),
                    None => prop_assert!(!rests_on_dbh(&margin), "{margin:?}"),
                }
            }
        }
        prop_assert!(SELECTIONS.iter().all(|of| rows.keys().any(|key| key[SELECTION] == *of)));
    }
}
