//! What is known when sizes, areas or factors are multiplied, or written in other units.

use proptest::prelude::*;

use super::compiled::{ATTRIBUTE, Key, Row, Rows, SELECTION, STAND, is_additive, rests_on_dbh};
use super::paper::{Cruise, Written, cruise, one_stratum, rules};
use super::{CASES, cases, close, close_at};

/// The figures of a row are those of another times `k`: mean, error, limits.
fn assert_times(key: &Key, row: &Row, k: f64, other: &Row) {
    let size = row.mean.abs() * k;
    assert!(close(row.mean * k, other.mean), "{key:?} {row:?} {other:?}");
    for (a, b) in [
        (row.std_error, other.std_error),
        (row.lower, other.lower),
        (row.upper, other.upper),
    ] {
        assert_eq!(a.is_some(), b.is_some(), "{key:?} {row:?} {other:?}");
        if let (Some(a), Some(b)) = (a, b) {
            assert!(close_at(a * k, b, size), "{key:?} {row:?} {other:?}");
        }
    }
    assert_eq!(row.n_plots, other.n_plots, "{key:?}");
}

fn top_height_of(key: &Key) -> bool {
    key[ATTRIBUTE] == "top_height"
}

/// Attributes that do not change where every tree stands for k times as many.
fn is_average(key: &Key) -> bool {
    ["quadratic_mean_dbh", "mean_height", "lorey_height"].contains(&key[ATTRIBUTE].as_str())
}

proptest! {
    #![proptest_config(cases(CASES))]

    /// In inches, feet, acres and square feet per acre, each converted exactly. One form of curve,
    /// since the choice among several may hang on the last digit; results in metric units.
    #[test]
    fn in_imperial_units(cruise in cruise(), rules in rules()) {
        let cruise = Cruise { rules, ..cruise }.with(|cruise| {
            cruise.rules.further.clear();
            for line in &mut cruise.rules.heights {
                *line = line.replace("curve: best", "curve: naslund");
                if !line.contains("curve:") {
                    line.push_str("\n  curve: naslund");
                }
            }
        });
        let metric = cruise.rows();
        let imperial = cruise.written(Written::Imperial).read().rows();
        prop_assert_eq!(metric.len(), imperial.len());
        for (key, row) in &metric {
            assert_times(key, row, 1.0, &imperial[key]);
        }
    }

    #[test]
    fn another_area_of_all_strata(cruise in cruise(), k in 0.01..100.0_f64) {
        let other = cruise.clone().with(|other| {
            for (_, area_ha) in other.stands.iter_mut().flat_map(|stand| &mut stand.strata) {
                *area_ha *= k;
            }
        });
        let (rows, others) = (cruise.rows(), other.rows());
        prop_assert_eq!(rows.len(), others.len());
        for (key, row) in &rows {
            let other = &others[key];
            assert_times(key, row, 1.0, other);
            let totals = [(row.total, other.total), (row.total_std_error, other.total_std_error)];
            for (a, b) in totals {
                prop_assert_eq!(a.is_some(), b.is_some());
                if let (Some(a), Some(b)) = (a, b) {
                    prop_assert!(close_at(a * k, b, row.total.unwrap() * k), "{key:?} {row:?} {other:?}");
                }
            }
        }
    }

    /// Plots of k times the area. Top height goes by the number of trees on a plot of a size, and
    /// is left out.
    #[test]
    fn another_size_of_plots(cruise in cruise(), k in 0.1..10.0_f64) {
        let other = cruise.clone().with(|other| {
            other.rules.radius_m *= k.sqrt();
            other.rules.ring_radii_m = other.rules.ring_radii_m.map(|radius_m| radius_m * k.sqrt());
        });
        let (rows, others) = (cruise.rows(), other.rows());
        let keys = |rows: &Rows| rows.keys().filter(|key| !top_height_of(key)).count();
        prop_assert_eq!(keys(&rows), keys(&others));
        for (key, row) in rows.iter().filter(|(key, _)| !top_height_of(key)) {
            // The sweeps see nothing of it, nor does the ratio that they borrow.
            let sweep = ["prism", "sweep"].contains(&key[SELECTION].as_str());
            let factor = if sweep || is_average(key) { 1.0 } else { 1.0 / k };
            assert_times(key, row, factor, &others[key]);
        }
    }

    /// Factors times k: basal area, trees and volumes times k. Top height is left out: it takes trees
    /// until they stand for 100 per hectare.
    #[test]
    fn other_factors(cruise in cruise(), k in 0.1..10.0_f64) {
        let other = cruise.clone().with(|other| {
            other.rules.prism_m2_per_ha *= k;
            other.rules.sweep_m2_per_ha *= k;
        });
        let (rows, others) = (cruise.rows(), other.rows());
        let keys = |rows: &Rows| rows.keys().filter(|key| !top_height_of(key)).count();
        prop_assert_eq!(keys(&rows), keys(&others));
        for (key, row) in rows.iter().filter(|(key, _)| !top_height_of(key)) {
            let sweep = ["prism", "sweep"].contains(&key[SELECTION].as_str());
            let factor = if sweep && !is_average(key) { k } else { 1.0 };
            assert_times(key, row, factor, &others[key]);
        }
    }

    /// All dbh times k, no heights and no volumes. Classes of diameter are left out, since trees
    /// change theirs, and selections with limits of dbh.
    #[test]
    fn other_diameters(cruise in cruise(), k in 0.3..3.0_f64) {
        let cruise = cruise.with(|cruise| {
            (cruise.rules.volume, cruise.rules.biomass) = (false, false);
            cruise.trees_mut().for_each(|tree| tree.height_m = None);
        });
        let other = cruise.clone().with(|other| other.trees_mut().for_each(|tree| tree.dbh_cm *= k));
        let (rows, others) = (cruise.rows(), other.rows());
        let all_sizes = |key: &&Key| key[SELECTION] == "circle" && key[5] == "all";
        let keys: Vec<&Key> = rows.keys().filter(all_sizes).collect();
        prop_assert_eq!(keys.len(), others.keys().filter(all_sizes).count());
        for key in keys {
            prop_assert!(rests_on_dbh(key), "{key:?}");
            let power = match key[ATTRIBUTE].as_str() {
                "trees" => 0.0,
                "basal_area" => 2.0,
                "quadratic_mean_dbh" => 1.0,
                "stand_density_index" | "stand_density_index_summed" => 1.605,
                "relative_density" => 1.5,
                other => panic!("{other}"),
            };
            assert_times(key, &rows[key], k.powf(power), &others[key]);
        }
    }

    /// Slopes that the program corrects: a plot on a slope s is cos(s) of its area on the map.
    #[test]
    fn the_same_slope_everywhere(cruise in cruise(), slope_pct in 1_u32..200) {
        let on_slope = |pct: u32| cruise.clone().with(|cruise| cruise.plots.iter_mut().for_each(|plot| plot.slope_pct = pct));
        let k = f64::from(slope_pct) / 100.0;
        let k = 1.0 / k.atan().cos();
        let (level, steep) = (on_slope(0).rows(), on_slope(slope_pct).rows());
        let keys = |rows: &Rows| rows.keys().filter(|key| !top_height_of(key)).count();
        prop_assert_eq!(keys(&level), keys(&steep));
        for (key, row) in &level {
            let corrected = key[SELECTION] == "circle" && is_additive(key);
            if corrected || key[SELECTION] != "circle" || is_average(key) {
                assert_times(key, row, if corrected { k } else { 1.0 }, &steep[key]);
            }
        }
    }

    /// Printed in other units: every figure by the factor of its unit.
    #[test]
    fn printed_in_imperial_units(cruise in one_stratum()) {
        let other = cruise.clone().with(|other| other.rules.further = vec!["units: imperial".to_owned()]);
        let (rows, others) = (cruise.rows(), other.rows());
        // Classes are written in inches there; keys without them and without the unit.
        let bare = |key: &Key| -> Option<Vec<String>> {
            (key[5] == "all").then(|| key[..5].iter().chain([&key[ATTRIBUTE]]).cloned().collect())
        };
        let by_key: std::collections::BTreeMap<_, _> =
            others.iter().filter_map(|(key, row)| Some((bare(key)?, (key, row)))).collect();
        for (key, row) in &rows {
            let Some(bare) = bare(key) else { continue };
            let (other_key, other) = by_key[&bare];
            // Size of a unit in metric ones: NIST Handbook 44, appendix C (from memory).
            let (acre, foot) = (0.404_685_642_24, 0.3048_f64);
            let factor = match other_key[8].as_str() {
                "1/ac" => acre,
                "ft2/ac" => acre / (foot * foot),
                "ft3/ac" => acre / foot.powi(3),
                "in" => 1.0 / 2.54,
                "ft" => 1.0 / foot,
                "ft2/ac/in^0.5" => acre / (foot * foot) * 2.54_f64.sqrt(),
                "short ton/ac" => acre * 1000.0 / 907.184_74,
                unit => panic!("unit {unit}"),
            };
            assert_times(key, row, factor, other);
            prop_assert_eq!(&key[STAND], &other_key[STAND]);
            prop_assert_eq!((row.df, row.error_pct.is_some()), (other.df, other.error_pct.is_some()));
        }
    }
}
