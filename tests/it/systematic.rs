//! The error of systematic samples: printed figures, a grid by hand, a trend along a line.

use std::collections::BTreeMap;

use proptest::prelude::*;
use spinney::design::Measured;
use spinney::estimates::sample::Sample;
use spinney::estimates::systematic::{ThreeErrors, three_errors};
use spinney::estimates::{Attribute, Estimate};
use spinney::records::{Plot, Status};

use crate::answers::{rows, shared_file};
use crate::cruise::Cruise;
use crate::sample::{bare, count, design, gauge, plot, records, values, visit};

/// Pairs of units that follow each other.
fn in_order(n: usize) -> Vec<(usize, usize)> {
    (1..n).map(|unit| (unit - 1, unit)).collect()
}

fn variance(estimate: Estimate) -> f64 {
    estimate.std_error.unwrap().powi(2)
}

/// Errors of the basal area of plots (place, basal area) in strata of these areas.
fn of_plots(strata: &[(&str, Option<f64>)], plots: &[(usize, f64, f64, f64)]) -> Vec<ThreeErrors> {
    let design = design(vec![gauge(1.0, Measured::None, None)]);
    let all = plots.iter().map(|(stratum, easting, northing, value)| {
        let counts = vec![count(0, Status::Live, *value)];
        Plot {
            easting: Some(*easting),
            northing: Some(*northing),
            ..plot(*stratum, vec![visit(&design, 0, Vec::new(), counts)])
        }
    });
    let records = records(1, vec![("S", strata.to_vec(), all.collect())]);
    let values = values(&records, bare);
    three_errors(&design, &records.stands[0], 0, &values[0])
}

#[test]
fn every_fourth_unit_of_a_census() {
    // Units 3, 7 ... 79 of the 80 one-hectare units of Barrett & Nutt 1979 in Gregoire & Valentine
    // 2008; variances computed apart from this program.
    let values = [
        4.0, 10.0, 15.0, 14.0, 9.0, 9.0, 6.0, 6.0, 5.0, 15.0, 7.0, 9.0, 9.0, 11.0, 7.0, 9.0, 9.0,
        12.0, 7.0, 13.0,
    ];
    let random = Sample::of_plots(20);
    let lines = random.clone().with_pairs(in_order(20));
    let listed = random.clone().from_list(Some(80.0));
    for (sample, printed) in [
        (random, 0.516_315_789_5),
        (lines, 0.472_368_421_1),
        (listed, 0.387_236_842_1),
    ] {
        let estimate = sample.estimate(&values);
        assert!((estimate.mean - 9.3).abs() < 1e-12);
        assert!((variance(estimate) - printed).abs() < 1e-9, "{estimate:?}");
    }
}

#[test]
fn a_prism_cruise_on_a_grid() {
    // Upper Flat Creek (Robinson & Hamann 2010): 144 points, down columns of 12 that run from north
    // to south, 134.11 m apart in the column and 167.64 m between columns; figures computed apart
    // from this program.
    let Some(file) = shared_file("sources/estimation/ex17_prism_cruise_ufc.csv") else {
        return;
    };
    let mut points: BTreeMap<u32, f64> = BTreeMap::new();
    for row in rows(&file) {
        let sum = points.entry(row["point"].parse().unwrap()).or_default();
        *sum += if row["dbh_mm"].is_empty() { 0.0 } else { 7.0 };
    }
    let values: Vec<f64> = points.values().copied().collect();
    assert_eq!(values.len(), 144);
    // All points that follow each other, from the foot of a column to the head of the next too.
    let sample = Sample::of_plots(144);
    let printed = sample.clone().with_pairs(in_order(144)).estimate(&values);
    assert!((printed.std_error.unwrap() - 1.330_115_216).abs() < 5e-10);
    let within: Vec<_> = (in_order(144).into_iter())
        .filter(|(_, unit)| unit % 12 != 0)
        .collect();
    let columns = sample.clone().with_pairs(within.clone()).estimate(&values);
    let across = (12..144).map(|unit| (unit - 12, unit));
    let rows_too = within.into_iter().chain(across).collect();
    let both = sample.with_pairs(rows_too).estimate(&values);

    let placed = values.iter().enumerate().map(|(at, value)| {
        let (column, row) = ((at / 12) as f64, (at % 12) as f64);
        (0, 167.64 * column, -134.11 * row, *value)
    });
    let [three] = of_plots(&[("", None)], &placed.collect::<Vec<_>>())[..] else {
        panic!("basal area alone");
    };
    assert!((three.random.std_error.unwrap() - 1.585_891_344).abs() < 5e-10);
    assert_eq!(three.lines.std_error, columns.std_error);
    assert!((three.lines.std_error.unwrap() - 1.289_465_377).abs() < 5e-10);
    assert!((variance(three.neighbours) / variance(both) - 1.0).abs() < 1e-12);
    assert_eq!(three.random.df, Some(143.0));
    assert!(three.lines.df.unwrap() < three.neighbours.df.unwrap());
}

/// Two columns of three points, 100 m apart in the column and 150 m between them:
/// `4 7 9` and `6 5 11` from south to north.
const GRID: [(usize, f64, f64, f64); 6] = [
    (0, 0.0, 0.0, 4.0),
    (0, 0.0, 100.0, 7.0),
    (0, 0.0, 200.0, 9.0),
    (0, 150.0, 0.0, 6.0),
    (0, 150.0, 100.0, 5.0),
    (0, 150.0, 200.0, 11.0),
];

#[test]
fn a_grid_by_hand() {
    let [three] = of_plots(&[("", None)], &GRID)[..] else {
        panic!("basal area alone");
    };
    assert_eq!(three.attribute, Attribute::BasalArea);
    // Squares about the mean of 7: 9 + 0 + 4 + 1 + 4 + 16 = 34.
    assert!((variance(three.random) - 34.0 / 30.0).abs() < 1e-12);
    // Along the columns: 9 + 4 + 1 + 36 = 50, four pairs. With the rows 4 + 4 + 4: 62, seven pairs.
    assert!((variance(three.lines) - 50.0 / (2.0 * 6.0 * 4.0)).abs() < 1e-12);
    assert!((variance(three.neighbours) - 62.0 / (2.0 * 6.0 * 7.0)).abs() < 1e-12);
    // Pairs of a unit: 1 2 1 1 2 1, and 2 3 2 2 3 2.
    assert!((three.lines.df.unwrap() - 64.0 / 20.0).abs() < 1e-12);
    assert!((three.neighbours.df.unwrap() - 196.0 / 48.0).abs() < 1e-12);
}

#[test]
fn strata_by_hand() {
    // The grid in the one stratum (30 ha), a line of four in the other (10 ha).
    let mut plots = GRID.to_vec();
    let line = [2.0, 4.0, 3.0, 7.0].iter().enumerate();
    plots.extend(line.map(|(at, value)| (1, 2000.0, 100.0 * at as f64, *value)));
    let strata = [("a", Some(30.0)), ("b", Some(10.0))];
    let [three] = of_plots(&strata, &plots)[..] else {
        panic!("basal area alone");
    };
    let (a, b) = (50.0 / 48.0, 21.0 / 24.0);
    let expected = 0.75 * 0.75 * a + 0.25 * 0.25 * b;
    assert!((variance(three.lines) - expected).abs() < 1e-12);
    assert!((three.lines.mean - (0.75 * 7.0 + 0.25 * 4.0)).abs() < 1e-12);
}

#[test]
fn nothing_without_places_or_units() {
    assert!(of_plots(&[("", None)], &GRID[..3]).is_empty());
    let design = design(vec![gauge(1.0, Measured::None, None)]);
    let sweep = || visit(&design, 0, Vec::new(), Vec::new());
    let plots = (0..6).map(|_| plot(0, vec![sweep()])).collect();
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    assert!(three_errors(&design, &records.stands[0], 0, &[]).is_empty());
}

proptest! {
    #[test]
    fn a_trend_along_the_line_is_no_error(
        n in 4_usize..40,
        slope in 0.1_f64..5.0,
        spread in proptest::collection::vec(0.0_f64..0.05, 40),
    ) {
        let value = |at: usize| 10.0 + slope * (at as f64 + spread[at]);
        let plots: Vec<_> = (0..n).map(|at| (0, 70.0 * at as f64, 40.0 * at as f64, value(at))).collect();
        let three = of_plots(&[("", None)], &plots);
        prop_assert_eq!(three.len(), 1);
        prop_assert!(variance(three[0].lines) < variance(three[0].random));
        prop_assert!((three[0].lines.mean - three[0].random.mean).abs() < 1e-9);
    }
}

#[test]
fn the_report_says_which_error_is_used() {
    let plots = "plot,easting,northing\n1,0,0\n2,0,100\n3,0,200\n4,150,0\n5,150,100\n6,150,200\n";
    let trees = "plot,tree,species,dbh_cm,height_m\n1,1,Fd,31.5,24\n1,2,Fd,22.4,19\n2,1,Fd,40.1,28\n\
                 3,1,Fd,28.8,22\n4,1,Fd,36.0,26\n5,1,Fd,25.5,20\n5,2,Fd,33.3,25\n6,1,Fd,45.2,30\n";
    let design = "title: Grid\nunits: metric\ninputs: { plots: plots.csv, trees: trees.csv }\n\
                  selections: { fixed: { method: fixed-area, radius_m: 7.98 } }\n\
                  volume: { set: ca-bc-volume-2016, region: CWH }\n";
    for (name, sampling) in [
        ("default", ""),
        ("random", "sampling: { layout: random }\n"),
        (
            "lines",
            "sampling: { layout: systematic, variance: successive-differences }\n",
        ),
        (
            "neighbours",
            "sampling: { layout: systematic, variance: neighbours }\n",
        ),
    ] {
        let run = Cruise::new()
            .file("plots.csv", plots)
            .file("trees.csv", trees)
            .file("design.yaml", format!("{design}{sampling}"))
            .run(&["compile", "design.yaml"]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let from = run.stdout.find("Systematic layout").unwrap();
        let section = run.stdout[from..].split("\n\nPlots\n").next().unwrap();
        assert!(section.lines().all(|line| line.chars().count() <= 80));
        insta::assert_snapshot!(format!("systematic-{name}"), section);
    }
}
