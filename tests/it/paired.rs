//! Two selections at the same plots: the paired difference and the combined estimate.

use proptest::prelude::*;
use spinney::design::{Design, Measured, Selection};
use spinney::estimates::paired::{Paired, least_variance_weight, paired};
use spinney::estimates::{Attribute, Estimate};
use spinney::math::t::quantile;
use spinney::records::{Status, Tree};

use crate::cruise::{Cruise, run};
use crate::sample::{
    bare, conelike, count, design, fixed, gauge, plot, records, tall, tree, values, visit,
};

fn sweep() -> Selection {
    gauge(1.0, Measured::None, None)
}

/// Two counted sweeps that find these basal areas, plot by plot: (stratum, a, b).
fn counted(strata: &[(&str, Option<f64>)], plots: &[(usize, f64, f64)]) -> Vec<Paired> {
    let design = design(vec![sweep(), sweep()]);
    let at = |selection, value| {
        let counts = vec![count(0, Status::Live, value)];
        visit(&design, selection, Vec::new(), counts)
    };
    let plots = plots
        .iter()
        .map(|(stratum, a, b)| plot(*stratum, vec![at(0, *a), at(1, *b)]));
    let records = records(1, vec![("S", strata.to_vec(), plots.collect())]);
    paired(&design, &records.stands[0], &values(&records, bare)[0])
}

fn unstratified(plots: &[(f64, f64)]) -> Paired {
    let plots: Vec<_> = plots.iter().map(|(a, b)| (0, *a, *b)).collect();
    counted(&[("", None)], &plots).remove(0)
}

fn variance(estimate: &Estimate) -> f64 {
    estimate.std_error.unwrap().powi(2)
}

fn close(ours: f64, value: f64) {
    assert!(
        (ours - value).abs() <= 1e-12 * value.abs().max(1.0),
        "{ours} for {value}"
    );
}

/// Ten pairs of Student 1908, Biometrika 6 (hours of sleep), each 2 more so that none is negative.
const STUDENT: [(f64, f64); 10] = [
    (2.7, 3.9),
    (0.4, 2.8),
    (1.8, 3.1),
    (0.8, 2.1),
    (1.9, 1.9),
    (5.4, 6.4),
    (5.7, 7.5),
    (2.8, 3.6),
    (2.0, 6.6),
    (4.0, 5.4),
];

#[test]
fn the_paired_test_of_student() {
    let pair = unstratified(&STUDENT);
    let one = &pair.attributes[0];
    assert_eq!((pair.n_plots, pair.attributes.len()), (10, 1));
    assert_eq!(one.attribute, Attribute::BasalArea);
    // t.test(a, b, paired = TRUE) of R 4.2.2.
    let (lower, upper) = one.difference.interval(0.95).unwrap();
    for (ours, value) in [
        (one.difference.mean, -1.58),
        (one.difference.std_error.unwrap(), 0.388_958_723_888_395),
        (one.t.unwrap(), -4.062_127_683_382_04),
        (one.p.unwrap(), 0.002_832_890_197_384_27),
        (lower, -2.459_885_763_276_98),
        (upper, -0.700_114_236_723_018),
    ] {
        assert!((ours / value - 1.0).abs() < 1e-11, "{ours} for {value}");
    }
    assert_eq!(one.difference.df, Some(9.0));
}

#[test]
fn combined_by_hand() {
    // a: 2 4 6 8, squares about the mean 20; b: 7 3 5 5, squares 8; products -6 + 2 = -4. So
    // w = (8 + 4) / (20 + 8 + 8) = 1/3, v = (160 - 16) / 36 / 12 = 1/3.
    let one = unstratified(&[(2.0, 7.0), (4.0, 3.0), (6.0, 5.0), (8.0, 5.0)]);
    let combined = one.attributes[0].combined.unwrap();
    close(combined.weight, 1.0 / 3.0);
    close(variance(&combined.estimate), 1.0 / 3.0);
    close(combined.estimate.mean, 5.0);
    assert_eq!(combined.estimate.df, Some(3.0));
    assert!(!combined.clipped);
}

#[test]
fn weights_stay_within_0_and_1() {
    assert_eq!(least_variance_weight(1.0, 1.0, 0.0), (0.5, false));
    assert_eq!(least_variance_weight(4.0, 1.0, 1.5), (0.0, true));
    assert_eq!(least_variance_weight(1.0, 4.0, 1.5), (1.0, true));
    assert_eq!(least_variance_weight(2.0, 2.0, 2.0), (0.5, false));
    // Twice the other and a little: the less variable one counts alone.
    let one = unstratified(&[(2.0, 4.1), (4.0, 8.0), (6.0, 11.9), (8.0, 16.0)]);
    let combined = one.attributes[0].combined.unwrap();
    assert!(combined.clipped);
    close(combined.weight, 1.0);
    close(combined.estimate.mean, 5.0);
}

#[test]
fn strata_by_hand() {
    // Differences -1 -2 -3 -2 (variance 2/3) on 30 ha, 1 3 (variance 2) on 10 ha.
    let plots = [
        (0, 5.0, 6.0),
        (0, 3.0, 5.0),
        (0, 9.0, 12.0),
        (0, 4.0, 6.0),
        (1, 8.0, 7.0),
        (1, 9.0, 6.0),
    ];
    let pair = counted(&[("a", Some(30.0)), ("b", Some(10.0))], &plots).remove(0);
    let one = &pair.attributes[0];
    close(one.difference.mean, 0.75 * -2.0 + 0.25 * 2.0);
    let (a, b) = (0.5625 * (2.0 / 3.0) / 4.0, 0.0625 * 2.0 / 2.0);
    close(variance(&one.difference), a + b);
    close(
        one.difference.df.unwrap(),
        (a + b).powi(2) / (a * a / 3.0 + b * b),
    );
    // Without areas the strata cannot be put together; two plots are too few.
    assert!(counted(&[("a", None), ("b", None)], &plots).is_empty());
    assert!(counted(&[("", None)], &plots[..2]).is_empty());
}

/// A fixed plot of 0.1 ha from 10 cm on, and a measured sweep.
fn fixed_and_sweep(sweep_from_cm: Option<f64>) -> Design {
    design(vec![
        Selection {
            min_dbh_cm: Some(10.0),
            ..fixed(0.1)
        },
        Selection {
            min_dbh_cm: sweep_from_cm,
            ..gauge(2.0, Measured::All, None)
        },
    ])
}

fn measured(design: &Design, small_cm: Option<f64>) -> Vec<Paired> {
    let large = |cm: f64| tall(tree(0, cm), 20.0);
    let plots = [(20.0, 30.0), (25.0, 40.0), (30.0, 22.0)].map(|(a, b)| {
        let mut swept: Vec<Tree> = vec![large(b)];
        swept.extend(small_cm.map(|cm| tall(tree(0, cm), 5.0)));
        let visits = vec![
            visit(design, 0, vec![large(a)], Vec::new()),
            visit(design, 1, swept, Vec::new()),
        ];
        plot(0, visits)
    });
    let mut plots = plots.to_vec();
    plots.push(plot(
        0,
        vec![visit(design, 1, vec![large(50.0)], Vec::new())],
    ));
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    paired(design, &records.stands[0], &values(&records, conelike)[0])
}

#[test]
fn trees_that_one_does_not_cover_are_left_out() {
    let wider = fixed_and_sweep(None);
    let with_small = measured(&wider, Some(6.0)).remove(0);
    assert_eq!(with_small.sizes.cut_to_cm, Some((10.0, None)));
    assert!(with_small.sizes.unknown.is_empty());
    assert!(with_small.plots_left_out);
    assert_eq!(with_small.n_plots, 3);
    let alike = measured(&fixed_and_sweep(Some(10.0)), None).remove(0);
    assert_eq!(alike.sizes.cut_to_cm, None);
    assert_eq!(with_small.attributes, alike.attributes);
    let compared: Vec<_> = alike.attributes.iter().map(|one| one.attribute).collect();
    let expected = [
        Attribute::Trees,
        Attribute::BasalArea,
        Attribute::VolumeTotal,
    ];
    assert_eq!(compared, expected);
    // Three trees of 2 m2/ha each; the plot with the sweep alone is not among them.
    close(alike.attributes[1].each[1].mean, 2.0);
    close(alike.attributes[0].each[0].mean, 10.0);
    // A tree of exactly the least dbh is covered by both.
    let edge = measured(&wider, Some(10.0)).remove(0);
    close(edge.attributes[1].each[1].mean, 4.0);
}

#[test]
fn counted_trees_give_basal_area_of_unknown_sizes() {
    let pair = unstratified(&STUDENT);
    assert!(pair.counted);
    assert_eq!(pair.sizes.unknown, [0, 1]);
    assert_eq!(pair.sizes.cut_to_cm, None);
}

proptest! {
    #[test]
    fn combined_is_never_worse_than_either(
        plots in proptest::collection::vec((0.0_f64..50.0, 0.0_f64..50.0), 3..20),
    ) {
        let one = unstratified(&plots).attributes.remove(0);
        let combined = one.combined.unwrap();
        let [v_a, v_b] = one.each.each_ref().map(variance);
        let v = variance(&combined.estimate);
        prop_assert!(v <= v_a.min(v_b) * (1.0 + 1e-9));
        let c = (v_a + v_b - variance(&one.difference)) / 2.0;
        if !combined.clipped && v_a + v_b - 2.0 * c > 1e-6 {
            let least = (v_a * v_b - c * c) / (v_a + v_b - 2.0 * c);
            prop_assert!((v - least).abs() < 1e-8 * (v_a + v_b), "{} for {}", v, least);
        }
        // The plain paired test, from the differences alone.
        let d: Vec<f64> = plots.iter().map(|(a, b)| a - b).collect();
        let n = d.len() as f64;
        let mean = d.iter().sum::<f64>() / n;
        let se = (d.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0) / n).sqrt();
        let (lower, _) = one.difference.interval(0.95).unwrap();
        let expected = mean - quantile(0.975, n - 1.0).unwrap() * se;
        prop_assert!((lower - expected).abs() < 1e-8);
        // p below 5 % where the 95 % interval excludes zero, and only there.
        let excluded = mean.abs() > quantile(0.975, n - 1.0).unwrap() * se;
        prop_assert_eq!(one.p.unwrap() < 0.05, excluded);
    }
}

fn section(stdout: &str) -> String {
    let from = stdout.find("Fixed plots and sweep").unwrap();
    let section = &stdout[from..];
    let ends = ["\nStrata\n", "\nPlots\n"].map(|end| section.find(end).unwrap_or(section.len()));
    let section = &section[..ends[0].min(ends[1])];
    assert!(section.lines().all(|line| line.chars().count() <= 80));
    section.to_owned()
}

#[test]
fn a_design_may_combine_them() {
    let combine = |folder: &str, from: &str| {
        let to = format!("sampling: {{ combine: [sweep, fixed] }}\n{from}");
        Cruise::copy_of(folder).edit("design.yaml", from, &to)
    };
    let cruise = combine("examples/marrow-creek", "status_codes:");
    let report = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(report.status, 0, "{}", report.stderr);
    insta::assert_snapshot!("combined-marrow-creek", section(&report.stdout));
    let json = cruise.run(&["compile", "design.yaml", "--format", "json"]);
    let from = json.stdout.find("\"combined\"").unwrap();
    insta::assert_snapshot!("combined-marrow-creek-json", &json.stdout[from..]);
    // One centre: nothing to compare, and the wish is answered.
    let report = combine("examples/one-centre", "heights:").run(&["compile", "design.yaml"]);
    insta::assert_snapshot!("combined-one-centre", section(&report.stdout));
    let report = run(&["compile", "examples/one-centre/design.yaml"]);
    assert!(!report.stdout.contains("Fixed plots and sweep"));
}
