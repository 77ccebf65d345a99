//! Very small and very large sizes, numbers and names, steep ground, even stands.

use std::fmt::Write as _;

use statrs::distribution::{ContinuousCDF as _, StudentsT};

use super::{VOLUME, basal_area, close, fixed, sweep};

#[test]
fn a_thousand_trees_on_a_plot() {
    let kinds = ["Fd", "Hw", "Cw"];
    let dbh_cm = |at: u32| f64::from(50 + at * 7919 % 400) / 10.0;
    let rows: Vec<(usize, &str, f64, Option<f64>)> = (0..2000_u32)
        .map(|at| {
            let d = dbh_cm(at % 1000);
            let height = (at % 5 == 0)
                .then(|| ((1.3 + (d / (1.8 + 0.16 * d)).powi(2)) * 10.0).round() / 10.0);
            (
                1 + (at / 1000) as usize,
                kinds[(at % 3) as usize],
                d,
                height,
            )
        })
        .collect();
    let tried = fixed("area_ha: 0.5")
        .and(VOLUME)
        .plots(2)
        .trees(&rows)
        .compiled();
    let area: f64 = (0..1000).rev().map(|at| basal_area(dbh_cm(at))).sum();
    let row = tried.live("basal_area");
    assert!(close(row.mean, 2.0 * area), "{row:?}");
    assert!(close(tried.live("trees").mean, 2000.0));
    // Both plots are alike, up to the last digit of a sum.
    assert!(row.std_error.unwrap() < 1e-12 * row.mean);
    // The 999th tree is one of the last: every one of them is in the list.
    assert!(tried.says("2000 tree records"));
}

#[test]
fn trees_of_a_centimetre_and_of_four_metres() {
    for (dbh_cm, height_m, warnings) in [
        (1.0, 1.5, vec![]),
        (0.01, 1.31, vec![]),
        (
            400.0,
            90.0,
            vec!["larger-than-species", "basal-area-too-high"],
        ),
    ] {
        let tried = fixed("area_ha: 0.02")
            .plots(1)
            .trees(&[(1, "Fd", dbh_cm, Some(height_m))])
            .compiled();
        let mut found = tried.warnings();
        found.sort_unstable();
        let mut warnings = warnings;
        warnings.sort_unstable();
        assert_eq!(found, warnings, "{dbh_cm}");
        let row = tried.live("basal_area");
        assert!(close(row.mean, 50.0 * basal_area(dbh_cm)), "{row:?}");
        assert!(close(tried.live("quadratic_mean_dbh").mean, dbh_cm));
    }
}

/// The thickest coast redwoods have a dbh of 8 to 9 m and 90 m of height (from memory): they are
/// warned of at most. Where no other tree says what is usual, none is spoken of.
#[test]
fn the_largest_trees_on_earth() {
    let tried = fixed("area_ha: 0.5")
        .plots(1)
        .trees(&[(1, "SESE3", 880.0, Some(95.0))])
        .compiled();
    assert_eq!(tried.warnings(), ["decimal-slip"]);
    assert!(close(
        tried.live("basal_area").mean,
        2.0 * basal_area(880.0)
    ));
}

/// A plot on a slope s is cos(s) of its area on the map; the cosine of 90 % is cos(atan 0.9).
#[test]
fn steep_ground() {
    for slope_pct in [0.0, 90.0, -90.0, 150.0, 500.0] {
        let edge = fixed("radius_m: 10, slope_correction: program");
        let plots = format!("plot,slope_pct\n1,{slope_pct}\n");
        let trees = [(1, "Fd", 30.0, None)];
        let tried = edge.plot_file(&plots).trees(&trees).compiled();
        let cosine = (slope_pct / 100.0_f64).atan().cos();
        let expected = 10_000.0 / (std::f64::consts::PI * 100.0 * cosine);
        assert!(close(tried.live("trees").mean, expected), "{slope_pct}");
        assert_eq!(tried.warnings(), [""; 0]);
        // Distances that were corrected in the field are horizontal already.
        let tried = fixed("radius_m: 10")
            .plot_file(&plots)
            .trees(&trees)
            .compiled();
        let level = 10_000.0 / (std::f64::consts::PI * 100.0);
        assert!(close(tried.live("trees").mean, level), "{slope_pct}");
    }
    // By hand: sqrt(1 + 0.81) = 1.345362; 31.830989 trees/ha times that.
    let expected = 31.830_988_618_379_067 * 1.345_362_404_707_371;
    let edge = fixed("radius_m: 10, slope_correction: program")
        .plot_file("plot,slope_deg\n1,41.98721249581666\n");
    let tried = edge.trees(&[(1, "Fd", 30.0, None)]).compiled();
    assert!(close(tried.live("trees").mean, expected));
}

#[test]
fn small_and_large_plots() {
    for (radius_m, warnings) in [
        (0.1, vec!["basal-area-too-high"]),
        (100.0, vec![]),
        (200.0, vec![]),
    ] {
        let edge = fixed(&format!("radius_m: {radius_m}")).plots(1);
        let tried = edge.trees(&[(1, "Fd", 30.0, Some(20.0))]).compiled();
        let expected = 10_000.0 / (std::f64::consts::PI * radius_m * radius_m);
        assert!(close(tried.live("trees").mean, expected), "{radius_m}");
        assert_eq!(tried.warnings(), warnings);
    }
}

#[test]
fn small_and_large_factors() {
    for (factor, warnings) in [
        (0.001, vec![]),
        (0.01, vec![]),
        (100.0, vec!["factor-units", "basal-area-too-high"]),
    ] {
        let edge = sweep(&factor.to_string(), false).plots(1);
        let tried = edge
            .trees(&[(1, "Fd", 30.0, Some(20.0)), (1, "Fd", 0.01, Some(1.31))])
            .compiled();
        assert!(
            close(tried.live("basal_area").mean, 2.0 * factor),
            "{factor}"
        );
        let expected = factor / basal_area(30.0) + factor / basal_area(0.01);
        assert!(close(tried.live("trees").mean, expected), "{factor}");
        assert_eq!(tried.warnings(), warnings);
    }
}

#[test]
fn plots_that_are_all_alike() {
    let trees = |plot: usize| {
        [
            (plot, "Fd", 30.0, Some(20.0)),
            (plot, "Fd", 33.0, Some(22.0)),
        ]
    };
    let rows: Vec<_> = (1..=3).flat_map(trees).collect();
    let tried = fixed("area_ha: 0.02")
        .and(VOLUME)
        .plots(3)
        .trees(&rows)
        .compiled();
    for attribute in [
        "trees",
        "basal_area",
        "volume_total",
        "quadratic_mean_dbh",
        "lorey_height",
    ] {
        let row = tried.live(attribute);
        assert_eq!(
            (row.std_error, row.lower, row.upper),
            (Some(0.0), Some(row.mean), Some(row.mean)),
            "{attribute}"
        );
        assert_eq!(
            (row.error_pct, row.df),
            (Some(0.0), Some(2.0)),
            "{attribute}"
        );
    }
}

#[test]
fn a_stratum_with_one_plot() {
    let edge = fixed("area_ha: 0.02").stand_file("stratum,area_ha\na,1\nb,3\n");
    let edge = edge.plot_file("plot,stratum\n1,a\n2,b\n3,b\n");
    let tried = edge
        .trees(&[
            (1, "Fd", 30.0, None),
            (2, "Fd", 40.0, None),
            (3, "Fd", 50.0, None),
        ])
        .compiled();
    let row = tried.live("basal_area");
    let b = f64::midpoint(basal_area(40.0), basal_area(50.0));
    let expected = 50.0 * (basal_area(30.0) + 3.0 * b) / 4.0;
    assert!(close(row.mean, expected), "{row:?}");
    assert_eq!((row.std_error, row.lower, row.df), (None, None, None));
    assert!(close(row.total.unwrap(), 4.0 * expected));
}

#[test]
fn five_hundred_strata_of_one_plot() {
    let (mut stands, mut plots) = ("stratum,area_ha\n".to_owned(), "plot,stratum\n".to_owned());
    let mut trees = Vec::new();
    let (mut sum, mut area) = (0.0, 0.0);
    for at in 0..500_u32 {
        let (size, dbh_cm) = (f64::from(1 + at % 7), f64::from(20 + at % 31));
        let _ = writeln!(stands, "s{at},{size}");
        let _ = writeln!(plots, "{at},s{at}");
        trees.push((at as usize, "Fd", dbh_cm, None));
        sum += size * 50.0 * basal_area(dbh_cm);
        area += size;
    }
    let tried = fixed("area_ha: 0.02")
        .stand_file(&stands)
        .plot_file(&plots)
        .trees(&trees)
        .compiled();
    let row = tried.live("basal_area");
    assert!(close(row.mean, sum / area), "{row:?}");
    assert_eq!((row.std_error, row.n_plots), (None, 500));
    assert!(close(row.total.unwrap(), sum));
    let strata = tried
        .rows
        .keys()
        .filter(|key| key[1] == "s499" && key[4] == "all" && key[5] == "all");
    assert_eq!(strata.filter(|key| key[7] == "trees").count(), 1);
}

/// One tree on ten thousand plots: 50 trees/ha on one, so s^2 = 2500/10000, and the standard error is
/// the mean.
#[test]
fn ten_thousand_plots_with_one_tree() {
    let tried = fixed("area_ha: 0.02")
        .plots(10_000)
        .trees(&[(1, "Fd", 20.0, None)])
        .compiled();
    let row = tried.live("trees");
    assert!(close(row.mean, 0.005), "{row:?}");
    assert!(close(row.std_error.unwrap(), 0.005), "{row:?}");
    assert_eq!((row.df, row.n_plots), (Some(9999.0), 10_000));
    assert!(close(
        tried.live("basal_area").mean,
        0.005 * basal_area(20.0)
    ));
    assert!(close(tried.live("quadratic_mean_dbh").mean, 20.0));
    assert_eq!(tried.warnings(), vec!["plot-without-trees"; 9999]);
}

/// A species code of a letter, and one of 200, which is broken rather than widen a line.
#[test]
fn short_and_long_names() {
    let long = "X".repeat(200);
    let aliases = format!("species_aliases: {{{long}: Fd, Q: Hw}}\n");
    let rows: Vec<(usize, &str, f64, Option<f64>)> = (0..20_u8)
        .map(|at| {
            let species = if at % 4 == 0 { "Q" } else { long.as_str() };
            let dbh_cm = 20.0 + f64::from(at);
            (
                1 + usize::from(at) % 2,
                species,
                dbh_cm,
                (at < 14).then_some(15.0 + f64::from(at)),
            )
        })
        .collect();
    let tried = fixed("area_ha: 0.02")
        .and(&aliases)
        .and(VOLUME)
        .plots(2)
        .trees(&rows)
        .compiled();
    assert_eq!(tried.warnings(), [""; 0]);
    let of = |species: &str| {
        let mut found = tried
            .rows
            .iter()
            .filter(|(key, _)| key[4] == species && key[5] == "all" && key[7] == "trees");
        found.next().map(|(_, row)| row.mean)
    };
    assert_eq!((of("Q"), of(&long)), (Some(5.0 * 25.0), Some(15.0 * 25.0)));
}

#[test]
fn confidence_at_its_ends() {
    for confidence in ["0.500001", "0.9", "0.999999"] {
        let edge = fixed("area_ha: 0.02")
            .and(&format!("confidence: {confidence}\n"))
            .plots(3);
        let tried = edge
            .trees(&[(1, "Fd", 30.0, None), (2, "Fd", 40.0, None)])
            .compiled();
        let row = tried.live("basal_area");
        // Of two degrees of freedom t = c sqrt(2 / (1 - c^2)), which is F solved for t.
        let c: f64 = confidence.parse().unwrap();
        let t = c * (2.0 / (1.0 - c * c)).sqrt();
        let half = t * row.std_error.unwrap();
        assert!(
            ((row.upper.unwrap() - row.mean) / half - 1.0).abs() < 1e-9,
            "{confidence}: {row:?}"
        );
        assert!(
            ((row.mean - row.lower.unwrap()) / half - 1.0).abs() < 1e-9,
            "{confidence}: {row:?}"
        );
        let statrs = StudentsT::new(0.0, 1.0, 2.0)
            .unwrap()
            .inverse_cdf(0.5 + c / 2.0);
        assert!((statrs / t - 1.0).abs() < 1e-9);
    }
}

#[test]
fn small_and_large_stands() {
    for area_ha in [0.0001, 1.0, 10_000_000.0] {
        let edge = fixed("area_ha: 0.02")
            .stand_file(&format!("area_ha\n{area_ha}\n"))
            .plots(2);
        let tried = edge
            .trees(&[(1, "Fd", 30.0, None), (2, "Fd", 30.0, None)])
            .compiled();
        let row = tried.live("trees");
        assert_eq!((row.mean, row.std_error), (50.0, Some(0.0)));
        assert!(close(row.total.unwrap(), 50.0 * area_ha), "{row:?}");
        // Two plots of 0.02 ha are larger than the smallest of these.
        let warnings = tried.warnings();
        assert_eq!(
            warnings,
            vec!["plots-exceed-area"; usize::from(area_ha < 0.04)]
        );
        assert!(
            tried.says(&format!("stand Edge, {area_ha} ha")),
            "{}",
            tried.report
        );
    }
}

#[test]
fn many_trees_in_one_record() {
    let edge = fixed("area_ha: 0.02").plots(1);
    let tried = edge
        .tree_file("plot,tree,species,dbh_cm,status,count\n1,1,Fd,1,live,100000\n")
        .compiled();
    assert!(close(tried.live("trees").mean, 5_000_000.0));
    assert!(close(
        tried.live("basal_area").mean,
        5_000_000.0 * basal_area(1.0)
    ));
}

/// Height from a sight of 89.9 degrees and two centimetres of tape: the formula, and how bad it is.
#[test]
fn almost_straight_up() {
    let edge = fixed("area_ha: 0.02").plots(1);
    let trees = "plot,tree,species,dbh_cm,status,top_deg,base_deg,distance_m\n1,1,Fd,30,live,89.9,-5,0.02\n";
    let tried = edge.tree_file(trees).compiled();
    let height = 0.02 * (89.9_f64.to_radians().tan() - (-5.0_f64).to_radians().tan());
    let row = tried.live("mean_height");
    assert!(close(row.mean, height), "{row:?} for {height}");
    assert_eq!(tried.warnings(), ["steep-sight"]);
}

#[test]
fn heights_next_to_breast_height() {
    let edge = fixed("area_ha: 0.02").and(VOLUME).plots(1);
    let tried = edge
        .trees(&[(1, "Fd", 1.0, Some(1.31)), (1, "Fd", 1.0, Some(1.301))])
        .compiled();
    assert!(close(
        tried.live("mean_height").mean,
        f64::midpoint(1.31, 1.301)
    ));
    assert!(tried.live("volume_total").mean > 0.0);
}

#[test]
fn decay_classes_at_their_ends() {
    let rows = "1,1,Fd,30,dead,1\n1,2,Fd,31,dead,5\n1,3,Fd,32,dead,\n";
    let edge = fixed("area_ha: 0.02").plots(1);
    let tried = edge
        .tree_file(&format!(
            "plot,tree,species,dbh_cm,status,decay_class\n{rows}"
        ))
        .compiled();
    assert_eq!(tried.warnings(), ["no-decay-class"]);
    for (status, trees) in [
        ("dead", 150.0),
        ("dead, decay class 1", 50.0),
        ("dead, decay class 5", 50.0),
        ("dead, decay class not recorded", 50.0),
    ] {
        assert!(close(tried.row(status, "trees").mean, trees), "{status}");
    }
}
