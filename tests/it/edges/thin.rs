//! Cruises of next to nothing: one tree, one plot, no heights, no live trees, only counts.

use super::{Edge, MASS, VOLUME, basal_area, close, fixed, sweep};

/// Volume of a coastal Douglas-fir in m3, `exp(b0) d^b1 h^b2` with the row Fd, CWH of Nigh 2016
/// (the set `ca-bc-volume-2016`).
fn douglas_fir_m3(dbh_cm: f64, height_m: f64) -> f64 {
    (-9.985_f64).exp() * dbh_cm.powf(1.712) * height_m.powf(1.155)
}

/// Without limits of any kind.
fn assert_bare(row: crate::invariants::compiled::Row) {
    assert_eq!(
        (row.std_error, row.lower, row.upper, row.df, row.error_pct),
        (None, None, None, None, None)
    );
}

#[test]
fn one_tree_on_one_plot() {
    let edge = fixed("area_ha: 0.02").and(VOLUME).and(MASS).plots(1);
    let tried = edge.trees(&[(1, "Fd", 30.0, Some(20.0))]).compiled();
    assert_eq!(tried.warnings(), [""; 0]);
    for (attribute, expected) in [
        ("trees", 50.0),
        ("basal_area", 50.0 * basal_area(30.0)),
        ("volume_total", 50.0 * douglas_fir_m3(30.0, 20.0)),
        ("quadratic_mean_dbh", 30.0),
        ("mean_height", 20.0),
        ("lorey_height", 20.0),
        ("top_height", 20.0),
        ("stand_density_index", 50.0 * (30.0_f64 / 25.4).powf(1.605)),
        (
            "stand_density_index_summed",
            50.0 * (30.0_f64 / 25.4).powf(1.605),
        ),
        (
            "relative_density",
            50.0 * basal_area(30.0) / 30.0_f64.sqrt(),
        ),
    ] {
        let row = tried.live(attribute);
        assert!(close(row.mean, expected), "{attribute}: {row:?}");
        assert_bare(row);
        assert_eq!((row.n_plots, row.total), (1, None));
    }
    assert!(tried.says("1 plot"));
}

#[test]
fn one_tree_on_one_of_two_plots() {
    let edge = fixed("area_ha: 0.02")
        .plots(2)
        .trees(&[(1, "Fd", 30.0, Some(20.0))]);
    let tried = edge.compiled();
    assert_eq!(tried.warnings(), ["plot-without-trees"]);
    // 50 and 0 trees/ha: s^2 = 1250, se = 25; t of one degree of freedom is tan(0.475 pi).
    let trees = tried.live("trees");
    let half = 25.0 * (0.475 * std::f64::consts::PI).tan();
    assert_eq!(
        (trees.mean, trees.std_error, trees.df),
        (25.0, Some(25.0), Some(1.0))
    );
    assert!(
        (trees.upper.unwrap() - 25.0 - half).abs() < 1e-9 * half,
        "{trees:?}"
    );
    assert!(
        (trees.lower.unwrap() - 25.0 + half).abs() < 1e-9 * half,
        "{trees:?}"
    );
    // A ratio of the one plot that has any: it does not vary.
    let height = tried.live("mean_height");
    assert_eq!((height.mean, height.std_error), (20.0, Some(0.0)));
}

#[test]
fn only_empty_plots() {
    for (trees, warnings) in [("", 3), ("1,,,,,\n2,,,,,\n3,,,,,\n", 0)] {
        let edge = fixed("area_ha: 0.02").and(VOLUME).and(MASS).plots(3);
        let tried = edge
            .tree_file(&format!(
                "plot,tree,species,dbh_cm,height_m,status\n{trees}"
            ))
            .compiled();
        let empty = tried.warnings();
        let empty = empty.iter().filter(|code| **code == "plot-without-trees");
        assert_eq!(empty.count(), warnings);
        for attribute in ["trees", "basal_area", "volume_total", "biomass", "carbon"] {
            let row = tried.live(attribute);
            assert_eq!(
                (row.mean, row.std_error, row.lower, row.upper),
                (0.0, Some(0.0), Some(0.0), Some(0.0))
            );
            assert_eq!((row.error_pct, row.df, row.n_plots), (None, Some(2.0), 3));
        }
        for attribute in [
            "quadratic_mean_dbh",
            "mean_height",
            "lorey_height",
            "top_height",
            "relative_density",
        ] {
            assert_eq!(tried.maybe("live", attribute), None);
        }
    }
}

#[test]
fn only_snags() {
    let rows = "1,1,Fd,30,20,dead,1\n2,1,Fd,40,25,dead,5\n3,1,Hw,30.5,20.5,dead,3\n";
    let edge = fixed("area_ha: 0.02").and(VOLUME).and(MASS).plots(3);
    let tried = edge
        .tree_file(&format!(
            "plot,tree,species,dbh_cm,height_m,status,decay_class\n{rows}"
        ))
        .compiled();
    assert_eq!(tried.warnings(), [""; 0]);
    assert_eq!(
        (tried.live("trees").mean, tried.live("trees").std_error),
        (0.0, Some(0.0))
    );
    let dead = tried.row("dead", "trees");
    assert_eq!((dead.mean, dead.std_error), (50.0, Some(0.0)));
    let area = 50.0 * (basal_area(30.0) + basal_area(40.0) + basal_area(30.5)) / 3.0;
    assert!(close(tried.row("dead", "basal_area").mean, area));
    for class in ["1", "3", "5"] {
        let row = tried.row(&format!("dead, decay class {class}"), "trees");
        assert!(close(row.mean, 50.0 / 3.0), "{row:?}");
    }
    assert_eq!(tried.maybe("live", "quadratic_mean_dbh"), None);
    assert!(tried.says("Snags near a plot are danger trees"));
}

/// Nothing but counts: basal area, and a standard error, and nothing that asks for a size.
#[test]
fn only_counts() {
    let counts = "plot,species,status,count\n1,Fd,live,4\n1,Hw,live,1\n2,Fd,live,3\n3,,,0\n";
    let tried = sweep("4", true)
        .and(VOLUME)
        .plots(3)
        .count_file(counts)
        .compiled();
    assert_eq!(tried.warnings(), ["no-volume-ratio"]);
    // 20, 12 and 0 m2/ha.
    let row = tried.live("basal_area");
    assert!(close(row.mean, 32.0 / 3.0), "{row:?}");
    let squares: f64 = [20.0, 12.0, 0.0]
        .iter()
        .map(|y: &f64| (y - 32.0 / 3.0).powi(2))
        .sum();
    assert!(
        close(row.std_error.unwrap(), (squares / 6.0).sqrt()),
        "{row:?}"
    );
    let attributes: std::collections::BTreeSet<&str> =
        tried.rows.keys().map(|key| key[7].as_str()).collect();
    assert_eq!(attributes.into_iter().collect::<Vec<_>>(), ["basal_area"]);
}

/// No heights and no published curves: numbers and basal area, no volume, and that is told.
#[test]
fn no_height_at_all() {
    let edge = fixed("area_ha: 0.02").and(VOLUME).and(MASS).plots(2);
    let tried = edge
        .trees(&[
            (1, "Fd", 30.0, None),
            (2, "Fd", 40.0, None),
            (2, "Fd", 41.0, None),
        ])
        .compiled();
    assert!(close(tried.live("trees").mean, 75.0));
    for attribute in [
        "volume_total",
        "biomass",
        "carbon",
        "mean_height",
        "lorey_height",
        "top_height",
    ] {
        assert_eq!(tried.maybe("live", attribute), None, "{attribute}");
    }
    assert!(tried.says(
        "stand Edge: 3 trees of Fd have no height and no curve serves, so no volume and no biomass is given for \
         them; measure at least 5 heights, or name published curves under heights: regional"
    ));
}

/// Live trees and heights that no curve can be fitted to.
fn fifteen(of: impl Fn(f64) -> (f64, f64)) -> Edge {
    let rows: Vec<_> = (0..15_u8)
        .map(|at| {
            let (dbh_cm, height_m) = of(f64::from(at));
            (
                usize::from(1 + at % 3),
                "Fd",
                dbh_cm,
                (at < 12).then_some(height_m),
            )
        })
        .collect();
    fixed("area_ha: 0.02").and(VOLUME).plots(3).trees(&rows)
}

#[test]
fn heights_that_are_all_the_same() {
    let tried = fifteen(|at| (20.0 + at, 25.0)).compiled();
    assert_eq!(tried.maybe("live", "volume_total"), None);
    assert!(
        tried
            .says("all 12 heights of it are the same: measure each tree, or name published curves")
    );
    assert!(tried.says("all 12 usable heights of Fd are the same, 25.00 m"));
}

#[test]
fn trees_that_all_have_one_dbh() {
    for step in [0.0, 0.1] {
        let tried = fifteen(|at| (30.0, 20.0 + step * at)).compiled();
        assert_eq!(tried.maybe("live", "volume_total"), None);
        let why = if step == 0.0 {
            "all 12 heights of it are the same: measure each tree"
        } else {
            "all 12 heights of it are of trees of one dbh: measure thinner and thicker ones"
        };
        assert!(tried.says(why), "{}", tried.report);
        let row = tried.live("quadratic_mean_dbh");
        assert!(
            close(row.mean, 30.0) && row.std_error == Some(0.0),
            "{row:?}"
        );
    }
}

#[test]
fn heights_that_fall_with_dbh() {
    let tried = fifteen(|at| (20.0 + at, 30.0 - at)).compiled();
    assert_eq!(tried.maybe("live", "volume_total"), None);
    assert!(tried.says(
        "no form of curve suits its 12 heights (why not stands under height curves): look for slips"
    ));
}

/// Heights on a line through breast height at dbh 0: a power of dbh fits them without a remainder.
#[test]
fn heights_on_a_straight_line() {
    let tried = fifteen(|at| (20.0 + at, 1.3 + 0.5 * (20.0 + at))).compiled();
    // Those of 32, 33 and 34 cm are filled on the line.
    let expected = (0..15)
        .map(|at| 1.3 + 0.5 * (20.0 + f64::from(at)))
        .sum::<f64>()
        / 15.0;
    let height = tried.live("mean_height").mean;
    assert!((height - expected).abs() < 1e-6, "{height} for {expected}");
    let volume: f64 = (0..15)
        .map(f64::from)
        .map(|at| douglas_fir_m3(20.0 + at, 1.3 + 0.5 * (20.0 + at)))
        .sum();
    let found = tried.live("volume_total").mean;
    assert!(
        (found / (volume * 50.0 / 3.0) - 1.0).abs() < 1e-6,
        "{found}"
    );
}

/// Named forms meet heights that lie on them exactly.
#[test]
fn heights_on_a_parabola() {
    let edge = fifteen(|at| {
        (
            20.0 + at,
            1.3 + 4.0 + 0.9 * (20.0 + at) - 0.005 * (20.0 + at).powi(2),
        )
    });
    let tried = edge
        .and("heights: {curve: parabola, calibrate: none}\n")
        .compiled();
    let of = |d: f64| 1.3 + 4.0 + 0.9 * d - 0.005 * d * d;
    let expected = (0..15).map(|at| of(20.0 + f64::from(at))).sum::<f64>() / 15.0;
    let height = tried.live("mean_height").mean;
    assert!((height - expected).abs() < 1e-9, "{height} for {expected}");
}
