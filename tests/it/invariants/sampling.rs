//! What is known of means, their errors and their limits when plots are added, doubled, or put into
//! strata.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::compiled::{
    ATTRIBUTE, CLASS, KIND, Key, Row, SELECTION, STAND, STRATUM, is_additive, rests_on_dbh,
};
use super::from_trees::{assert_follows_from_trees, assert_limits, of_stands, t, total_of};
use super::paper::{Cruise, Plot, SELECTIONS, Stand, any_cruise, cruise, one_stratum};
use super::{CASES, cases, close, close_at, close_errors};

fn is_ratio(key: &Key) -> bool {
    !is_additive(key)
}

/// Top heights are means over the plots that have live trees.
fn is_top_height(key: &Key) -> bool {
    key[ATTRIBUTE] == "top_height"
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
        cluster: String::new(),
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
            prop_assert_eq!(2 * row.n_plots, other.n_plots);
            let (Some(std_error), Some(df)) = (row.std_error, row.df) else { continue };
            prop_assert!(close(other.df.unwrap(), 2.0 * df + 1.0), "{key:?} {row:?} {other:?}");
            // n - 1 = df, 2n - 1 = 2 df + 1.
            let expected = std_error * (df / (2.0 * df + 1.0)).sqrt();
            prop_assert!(close_errors(other.std_error.unwrap(), expected, row.mean), "{key:?} {row:?} {other:?}");
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
            prop_assert_eq!(other.n_plots, row.n_plots + 1);
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
                prop_assert!(close_errors(new_error, expected, row.mean), "{key:?} {row:?} {other:?}");
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
                prop_assert!(close_errors(other.std_error.unwrap(), expected, row.mean), "{key:?} {row:?} {other:?}");
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

    /// A plot by itself is a cluster of one; and each plot once more in its cluster says nothing new.
    #[test]
    fn clusters_of_like_plots(cruise in cruise()) {
        let cruise = cruise.all_measured();
        let clustered = cruise.clone().with(|clustered| {
            for plot in &mut clustered.plots {
                plot.cluster = format!("cluster {}", plot.name);
            }
        });
        let (rows, of_one, of_two) = (cruise.rows(), clustered.rows(), doubled(&clustered).rows());
        prop_assert_eq!(rows.len(), of_two.len());
        for (key, row) in &rows {
            prop_assert_eq!(Some(row), of_one.get(key), "{:?}", key);
            let twice = &of_two[key];
            prop_assert!(close(row.mean, twice.mean), "{key:?} {row:?} {twice:?}");
            prop_assert_eq!(2 * row.n_plots, twice.n_plots);
            prop_assert_eq!(row.std_error.is_some(), twice.std_error.is_some());
            if let (Some(a), Some(b)) = (row.std_error, twice.std_error) {
                prop_assert!(close_errors(a, b, row.mean), "{key:?} {row:?} {twice:?}");
            }
        }
    }

    /// Plots of one size are averaged alike by both rules.
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
                prop_assert!(close_errors(a, b, row.mean), "{key:?} {row:?} {other:?}");
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
