//! Stands, strata, full tallies, missing areas and missing values: what is given, what is not, and
//! what is said of it.

use spinney::design::{Measured, Method};
use spinney::estimates::{
    Attribute, CruiseEstimates, Domain, Estimate, NoInterval, StatusDomain, Summed, combine_stands,
    estimate_stand,
};
use spinney::records::{Plot, Rule, Tree};

use crate::sample::{
    bare, by, conelike, dead, design, estimate, find, fixed, gauge, plot, records, rows_of, tall,
    tree, values, visit,
};

/// All notes but the one that every stand of few plots has.
fn codes(estimates: &CruiseEstimates) -> Vec<&'static str> {
    let codes = estimates.notes.iter().map(|note| note.code);
    codes
        .filter(|code| *code != "few-plots-for-ratios")
        .collect()
}

fn trees(
    estimates: &CruiseEstimates,
    stand: Option<&str>,
    stratum: Option<&str>,
) -> Option<Estimate> {
    find(
        estimates,
        (stand, stratum, 0),
        Domain::LIVE,
        Attribute::Trees,
    )
}

/// Plots of 0.02 ha with so many trees each.
fn plots(stratum: usize, numbers: &[usize]) -> Vec<Plot> {
    let design = design(vec![fixed(0.02)]);
    let plot_with = |n: &usize| {
        let trees = vec![tall(tree(0, 30.0), 20.0); *n];
        plot(stratum, vec![visit(&design, 0, trees, Vec::new())])
    };
    numbers.iter().map(plot_with).collect()
}

#[test]
fn strata_without_area_have_rows_and_the_stand_has_none() {
    let design = design(vec![fixed(0.02)]);
    let both = [plots(0, &[1, 3]), plots(1, &[2, 2])].concat();
    let strata = vec![("A", Some(4.0)), ("B", None)];
    let estimates = estimate(&design, &records(1, vec![("S", strata, both)]), bare);
    assert_eq!(
        trees(&estimates, Some("S"), Some("A"))
            .unwrap()
            .mean
            .to_bits(),
        100.0_f64.to_bits()
    );
    assert_eq!(trees(&estimates, Some("S"), None), None);
    assert_eq!(codes(&estimates), ["strata-without-area"]);
    assert!(estimates.notes[0].message.contains("stratum `B`"));
}

#[test]
fn a_stratum_that_was_not_sampled_leaves_the_stand_out() {
    let design = design(vec![fixed(0.02)]);
    let strata = vec![("A", Some(4.0)), ("B", Some(6.0))];
    let estimates = estimate(
        &design,
        &records(1, vec![("S", strata, plots(0, &[1, 3]))]),
        bare,
    );
    assert_eq!(trees(&estimates, Some("S"), None), None);
    assert_eq!(codes(&estimates), ["stratum-not-sampled"]);
}

#[test]
fn the_whole_weights_strata_and_stands_by_area() {
    let design = design(vec![fixed(0.02)]);
    let first = [plots(0, &[1, 3]), plots(1, &[0, 0])].concat();
    let records = records(
        1,
        vec![
            ("S", vec![("A", Some(4.0)), ("B", Some(6.0))], first),
            ("T", vec![("A", Some(10.0))], plots(0, &[4, 6])),
        ],
    );
    let estimates = estimate(&design, &records, bare);
    let mean = |stand, stratum| trees(&estimates, stand, stratum).unwrap().mean;
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} against {b}");
    close(mean(Some("S"), None), 0.4 * 100.0);
    close(mean(None, Some("A")), (4.0 * 100.0 + 10.0 * 250.0) / 14.0);
    close(mean(None, Some("B")), 0.0);
    close(mean(None, None), (10.0 * 40.0 + 10.0 * 250.0) / 20.0);
    let place = |row: &spinney::estimates::EstimateRow| (row.stand.clone(), row.stratum.clone());
    let mut places: Vec<_> = estimates.rows.iter().map(place).collect();
    places.dedup();
    let name = |text: &str| Some(text.to_owned());
    assert_eq!(
        places,
        [
            (name("S"), name("A")),
            (name("S"), name("B")),
            (name("S"), None),
            (name("T"), name("A")),
            (name("T"), None),
            (None, name("A")),
            (None, name("B")),
            (None, None),
        ]
    );
    let whole = estimates
        .rows
        .iter()
        .find(|row| row.stand.is_none() && row.stratum.is_none());
    assert_eq!(whole.unwrap().area_ha, Some(20.0));
}

#[test]
fn stands_without_area_are_not_put_together() {
    let design = design(vec![fixed(0.02)]);
    let records = records(
        1,
        vec![
            ("S", vec![("", Some(4.0))], plots(0, &[1, 3])),
            ("T", vec![("", None)], plots(0, &[4, 6])),
        ],
    );
    let estimates = estimate(&design, &records, bare);
    assert!(trees(&estimates, Some("T"), None).is_some());
    assert_eq!(trees(&estimates, None, None), None);
    assert_eq!(codes(&estimates), ["stands-without-area"]);
}

#[test]
fn a_selection_missing_in_one_stand_is_not_given_for_all() {
    let design = design(vec![fixed(0.02), gauge(4.0, Measured::All, None)]);
    let mut second = plots(0, &[4, 6]);
    for plot in &mut second {
        plot.visits
            .push(visit(&design, 1, vec![tree(0, 20.0)], Vec::new()));
    }
    let records = records(
        1,
        vec![
            ("S", vec![("", Some(4.0))], plots(0, &[1, 3])),
            ("T", vec![("", Some(4.0))], second),
        ],
    );
    let estimates = estimate(&design, &records, bare);
    assert!(rows_of(&estimates, None, None, 0).next().is_some());
    assert!(rows_of(&estimates, None, None, 1).next().is_none());
    assert_eq!(codes(&estimates), ["stands-without-selection"]);
}

#[test]
fn a_full_tally_on_several_sheets_is_a_sum_over_the_area() {
    let design = design(vec![by(Method::FullTally)]);
    let sheet = |trees: Vec<Tree>| plot(0, vec![visit(&design, 0, trees, Vec::new())]);
    let tallied = |dbh_cm| tall(tree(0, dbh_cm), 20.0);
    let mut many = tallied(20.0);
    many.count = 6.0;
    let sheets = vec![sheet(vec![tallied(30.0), many]), sheet(vec![tallied(40.0)])];
    let with_area = records(1, vec![("S", vec![("", Some(2.0))], sheets.clone())]);
    let estimates = estimate(&design, &with_area, conelike);
    let estimate_of =
        |attribute| find(&estimates, (Some("S"), None, 0), Domain::LIVE, attribute).unwrap();
    let trees = estimate_of(Attribute::Trees);
    assert_eq!(
        trees,
        Estimate {
            mean: 4.0,
            std_error: Some(0.0),
            df: None,
            n_plots: 2,
            n_units: 2,
            no_interval: Some(NoInterval::FullTally),
            ..Estimate::of(4.0)
        }
    );
    assert_eq!(trees.interval(0.95), None);
    for attribute in [
        Attribute::QuadraticMeanDbh,
        Attribute::LoreyHeight,
        Attribute::TopHeight,
    ] {
        let exact = estimate_of(attribute);
        assert_eq!(
            (exact.std_error, exact.no_interval),
            (Some(0.0), Some(NoInterval::FullTally))
        );
    }
    let unknown_area = records(1, vec![("S", vec![("", None)], sheets)]);
    let estimates = estimate(&design, &unknown_area, bare);
    assert!(estimates.rows.is_empty());
    assert_eq!(codes(&estimates), ["full-tally-without-area"]);
    assert_eq!(estimates.plots[0].live.trees_per_ha, None);
}

#[test]
fn empty_plots_count_and_plots_without_the_selection_do_not() {
    let design = design(vec![fixed(0.02), gauge(4.0, Measured::All, None)]);
    let mut all = plots(0, &[2, 0, 0]);
    all[1]
        .visits
        .push(visit(&design, 1, vec![tree(0, 20.0)], Vec::new()));
    all[2].visits = vec![visit(&design, 1, Vec::new(), Vec::new())];
    let records = records(1, vec![("S", vec![("", None)], all)]);
    let estimates = estimate(&design, &records, bare);
    let of = |selection, attribute| {
        find(
            &estimates,
            (Some("S"), None, selection),
            Domain::LIVE,
            attribute,
        )
        .unwrap()
    };
    assert_eq!(of(0, Attribute::Trees).n_plots, 2);
    assert_eq!(of(0, Attribute::Trees).mean.to_bits(), 50.0_f64.to_bits());
    assert_eq!(of(1, Attribute::BasalArea).n_plots, 2);
    assert_eq!(
        of(1, Attribute::BasalArea).mean.to_bits(),
        2.0_f64.to_bits()
    );
}

#[test]
fn live_and_dead_stay_apart_and_an_empty_stand_is_zero() {
    let design = design(vec![fixed(0.02)]);
    let trees_of = vec![
        tree(0, 30.0),
        dead(tree(0, 30.0), Some(2)),
        dead(tree(0, 20.0), None),
    ];
    let visits = vec![visit(&design, 0, trees_of, Vec::new())];
    let records = records(
        1,
        vec![
            ("S", vec![("", Some(1.0))], vec![plot(0, visits)]),
            ("T", vec![("", Some(1.0))], plots(0, &[0, 0])),
        ],
    );
    let estimates = estimate(&design, &records, bare);
    let mean = |stand, status| {
        let place = (Some(stand), None, 0);
        find(&estimates, place, Domain::all(status), Attribute::Trees).map(|e| e.mean)
    };
    assert_eq!(mean("S", StatusDomain::Live), Some(50.0));
    assert_eq!(mean("S", StatusDomain::Dead), Some(100.0));
    assert_eq!(mean("S", StatusDomain::DecayClass(Some(2))), Some(50.0));
    assert_eq!(mean("S", StatusDomain::DecayClass(None)), Some(50.0));
    assert_eq!(mean("T", StatusDomain::Live), Some(0.0));
    assert_eq!(mean("T", StatusDomain::Dead), None);
    let empty = find(
        &estimates,
        (Some("T"), None, 0),
        Domain::LIVE,
        Attribute::QuadraticMeanDbh,
    );
    assert_eq!(empty, None);
}

#[test]
fn a_tree_without_volume_leaves_out_the_groups_that_hold_it() {
    let design = design(vec![fixed(0.02)]);
    let trees_of = vec![tall(tree(0, 30.0), 20.0), tree(1, 22.0)];
    let visits = vec![visit(&design, 0, trees_of, Vec::new())];
    let mut low = visits[0].clone();
    low.trees = vec![tree(0, 5.0)];
    low.trees[0].excluded = true;
    let plots = vec![plot(0, visits), plot(0, vec![low])];
    let estimates = estimate(
        &design,
        &records(2, vec![("S", vec![("", None)], plots)]),
        conelike,
    );
    let volume = |species, dbh_class| {
        let domain = Domain {
            species,
            dbh_class,
            ..Domain::LIVE
        };
        let place = (Some("S"), None, 0);
        find(&estimates, place, domain, Attribute::VolumeTotal).is_some()
    };
    assert!(volume(Some(0), None) && volume(Some(0), Some(6)) && volume(None, Some(6)));
    assert!(!volume(Some(1), None) && !volume(None, None) && !volume(None, Some(4)));
    assert!(trees(&estimates, Some("S"), None).is_some());
    assert_eq!(
        codes(&estimates),
        ["tree-values-missing"],
        "excluded trees need no volume"
    );
    assert!(
        estimates.notes[0]
            .message
            .contains("of 2 trees 1 without height")
    );
}

#[test]
fn top_height_leaves_out_plots_without_live_trees_and_needs_the_thickest_heights() {
    let design = design(vec![fixed(0.01)]);
    let on = |trees: Vec<Tree>| plot(0, vec![visit(&design, 0, trees, Vec::new())]);
    let top = |plots: Vec<Plot>| {
        let records = records(1, vec![("S", vec![("", None)], plots)]);
        let estimates = estimate(&design, &records, conelike);
        find(
            &estimates,
            (Some("S"), None, 0),
            Domain::LIVE,
            Attribute::TopHeight,
        )
    };
    let first = on(vec![tall(tree(0, 40.0), 24.0), tree(0, 20.0)]);
    let snag = on(vec![dead(tall(tree(0, 50.0), 9.0), None)]);
    let second = on(vec![tall(tree(0, 30.0), 20.0)]);
    let known = top(vec![first.clone(), snag, second]).unwrap();
    assert_eq!(
        (known.n_plots, known.mean.to_bits()),
        (2, 22.0_f64.to_bits())
    );
    assert_eq!(top(vec![first, on(vec![tree(0, 60.0)])]), None);
}

#[test]
fn top_height_by_a_gauge_takes_the_thickest_to_one_hundred_per_hectare() {
    // Factor 4: a tree of 40 cm stands for 31.83, one of 30 cm for 56.59, one of 20 cm for 127.3.
    let design = design(vec![gauge(4.0, Measured::All, None)]);
    let trees_of = vec![
        tall(tree(0, 20.0), 12.0),
        tall(tree(0, 40.0), 24.0),
        tall(tree(0, 30.0), 20.0),
    ];
    let plots = vec![plot(0, vec![visit(&design, 0, trees_of, Vec::new())])];
    let estimates = estimate(
        &design,
        &records(1, vec![("S", vec![("", None)], plots)]),
        conelike,
    );
    let top = find(
        &estimates,
        (Some("S"), None, 0),
        Domain::LIVE,
        Attribute::TopHeight,
    )
    .unwrap();
    let [of_40, of_30] = [40.0_f64, 30.0].map(|d| 40_000.0 * 4.0 / (std::f64::consts::PI * d * d));
    let wanted = (24.0 * of_40 + 20.0 * of_30 + 12.0 * (100.0 - of_40 - of_30)) / 100.0;
    assert!(
        (top.mean - wanted).abs() < 1e-9,
        "{} against {wanted}",
        top.mean
    );
}

#[test]
fn plots_of_their_own_size_keep_it() {
    let design = design(vec![fixed(0.02)]);
    let mut all = plots(0, &[1, 1]);
    all[1].visits[0].rule = Rule::FixedArea {
        area_ha: 0.01,
        radius_m: None,
    };
    let estimates = estimate(
        &design,
        &records(1, vec![("S", vec![("", None)], all)]),
        bare,
    );
    assert_eq!(
        trees(&estimates, Some("S"), None).unwrap().mean.to_bits(),
        75.0_f64.to_bits()
    );
    let per_plot: Vec<_> = estimates
        .plots
        .iter()
        .map(|plot| plot.live.trees_per_ha)
        .collect();
    assert_eq!(per_plot, [Some(50.0), Some(100.0)]);
}

#[test]
fn stands_may_be_estimated_apart() {
    let design = design(vec![fixed(0.02)]);
    let records = records(
        1,
        vec![
            ("S", vec![("", Some(4.0))], plots(0, &[1, 3])),
            ("T", vec![("", Some(2.0))], plots(0, &[4, 6])),
        ],
    );
    let values = values(&records, conelike);
    let summed = Summed::of(&values);
    // In whatever order they were made.
    let second = estimate_stand(&design, &records, 1, &values[1], &summed);
    let first = estimate_stand(&design, &records, 0, &values[0], &summed);
    let together = combine_stands(&design, vec![first, second]);
    let at_once = estimate(&design, &records, conelike);
    assert_eq!(together.rows, at_once.rows);
    assert_eq!(together.plots, at_once.plots);
}
