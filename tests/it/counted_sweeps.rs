//! Sweeps that were only counted: basal area from the counts, volume lent by measured trees.

use spinney::design::{Design, Measured};
use spinney::estimates::{Attribute, CruiseEstimates, Domain, Estimate, NoInterval, StatusDomain};
use spinney::records::{Count, Plot, Status, Tree};
use spinney::stems::TreeValues;
use spinney::units::basal_area_m2;

use crate::answers::{case_file, check, numbers, rows};
use crate::sample::{
    conelike, count, dead, design, estimate, find, fixed, gauge, plot, records, tall, tree, visit,
};

const SWEEP: usize = 0;
const DONOR: usize = 1;

/// A sweep of factor 4 that was only counted, and plots of 0.02 ha that lend it their volume.
fn sweep_and_plots() -> Design {
    design(vec![gauge(4.0, Measured::None, Some(DONOR)), fixed(0.02)])
}

/// A sweep of factor 4 that was only counted, and the same sweep measured.
fn sweep_twice() -> Design {
    let measured = spinney::design::Selection {
        name: "measured".to_owned(),
        ..gauge(4.0, Measured::All, None)
    };
    design(vec![gauge(4.0, Measured::None, Some(DONOR)), measured])
}

fn volume(estimates: &CruiseEstimates, selection: usize, domain: Domain) -> Option<Estimate> {
    let place = (Some("S"), None, selection);
    find(estimates, place, domain, Attribute::VolumeTotal)
}

fn species(status: StatusDomain, species: usize) -> Domain {
    Domain {
        species: Some(species),
        ..Domain::all(status)
    }
}

fn close(a: f64, b: f64) {
    assert!(
        (a - b).abs() <= 1e-12 * a.abs().max(b.abs()),
        "{a} against {b}"
    );
}

/// Invented sweeps: trees of two species, of many sizes and heights, one point empty.
fn sweeps() -> Vec<Vec<Tree>> {
    (0..9_usize)
        .map(|point| {
            let trees = 0..(point * 5) % 7;
            let grown = trees.map(|at| {
                let dbh_cm = 12.0 + ((point * 31 + at * 17) % 40) as f64;
                let height_m = 5.0 + dbh_cm / 3.0 + ((point + 2 * at) % 5) as f64;
                tall(tree((point + at) % 2, dbh_cm), height_m)
            });
            grown.collect()
        })
        .collect()
}

/// The counts of some trees, one record each.
fn counts(trees: &[Tree]) -> Vec<Count> {
    trees
        .iter()
        .map(|tree| count(tree.species, tree.status, 1.0))
        .collect()
}

/// Each point swept twice: counted, and measured.
fn counted_and_measured(design: &Design, points: &[Vec<Tree>]) -> Vec<Plot> {
    let point = |(at, trees): (usize, &Vec<Tree>)| {
        let visits = vec![
            visit(design, SWEEP, Vec::new(), counts(trees)),
            visit(design, DONOR, trees.clone(), Vec::new()),
        ];
        plot(usize::from(at >= 4), visits)
    };
    points.iter().enumerate().map(point).collect()
}

/// A sweep that borrows from itself must give its own estimate, error and degrees of freedom:
/// g R = v and the linearised plots are the plots.
#[test]
fn a_sweep_borrowing_from_itself_is_the_measured_sweep() {
    let design = sweep_twice();
    for strata in [vec![("", None)], vec![("A", Some(7.0)), ("B", Some(12.0))]] {
        let mut plots = counted_and_measured(&design, &sweeps());
        for plot in &mut plots {
            plot.stratum = plot.stratum.min(strata.len() - 1);
        }
        let records = records(2, vec![("S", strata, plots)]);
        let estimates = estimate(&design, &records, conelike);
        for domain in [
            Domain::LIVE,
            species(StatusDomain::Live, 0),
            species(StatusDomain::Live, 1),
        ] {
            let lent = volume(&estimates, SWEEP, domain).unwrap();
            let own = volume(&estimates, DONOR, domain).unwrap();
            close(lent.mean, own.mean);
            close(lent.std_error.unwrap(), own.std_error.unwrap());
            close(lent.df.unwrap(), own.df.unwrap());
            assert_eq!(lent.n_plots, own.n_plots);
        }
        let mut notes = estimates.notes.iter();
        // The points are few for ratios.
        let of_ratios = ["ratio-limits-at-extreme", "few-plots-for-ratios"];
        assert!(notes.all(|note| of_ratios.contains(&note.code)));
    }
}

/// With no point in common the errors of the two factors add as those of independent samples.
#[test]
fn disjoint_sweep_and_donor_are_independent() {
    let design = sweep_twice();
    let points = sweeps();
    let one_species = |trees: &Vec<Tree>| -> Vec<Tree> {
        trees
            .iter()
            .map(|tree| Tree {
                species: 0,
                ..tree.clone()
            })
            .collect()
    };
    let mut plots = Vec::new();
    for trees in &points[..5] {
        let trees = one_species(trees);
        let visits = vec![visit(&design, SWEEP, Vec::new(), counts(&trees))];
        plots.push(plot(0, visits));
    }
    for trees in &points[5..] {
        let visits = vec![visit(&design, DONOR, one_species(trees), Vec::new())];
        plots.push(plot(0, visits));
    }
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    let estimates = estimate(&design, &records, conelike);
    let g: Vec<f64> = points[..5]
        .iter()
        .map(|trees| 4.0 * trees.len() as f64)
        .collect();
    let d: Vec<f64> = points[5..]
        .iter()
        .map(|trees| 4.0 * trees.len() as f64)
        .collect();
    let v: Vec<f64> = points[5..]
        .iter()
        .map(|trees| {
            trees
                .iter()
                .map(|t| 4.0 * 0.45 * conelike(t).height_m.unwrap())
                .sum()
        })
        .collect();
    let mean = |x: &[f64]| x.iter().sum::<f64>() / x.len() as f64;
    let ratio = mean(&v) / mean(&d);
    let residuals: Vec<f64> = v.iter().zip(&d).map(|(v, d)| v - ratio * d).collect();
    // Variance of a mean, n - 1 in the divisor.
    let of_mean = |x: &[f64]| {
        let squares: f64 = x.iter().map(|value| (value - mean(x)).powi(2)).sum();
        squares / (x.len() as f64 * (x.len() as f64 - 1.0))
    };
    let variance =
        ratio.powi(2) * of_mean(&g) + (mean(&g) / mean(&d)).powi(2) * of_mean(&residuals);
    let lent = volume(&estimates, SWEEP, Domain::LIVE).unwrap();
    close(lent.mean, ratio * mean(&g));
    close(lent.std_error.unwrap(), variance.sqrt());
    assert!(lent.df.unwrap() <= 8.0);
}

/// Where volume is in proportion to basal area the ratio has no error.
#[test]
fn an_exact_ratio_adds_no_error() {
    let design = sweep_twice();
    let plots = counted_and_measured(&design, &sweeps());
    let records = records(
        2,
        vec![("S", vec![("A", Some(7.0)), ("B", Some(12.0))], plots)],
    );
    let estimates = estimate(&design, &records, |tree| TreeValues {
        volume_total_m3: Some(10.0 * basal_area_m2(tree.dbh_cm)),
        ..TreeValues::default()
    });
    for stratum in [None, Some("A"), Some("B")] {
        let place = (Some("S"), stratum, SWEEP);
        let [v, g] = [Attribute::VolumeTotal, Attribute::BasalArea]
            .map(|attribute| find(&estimates, place, Domain::LIVE, attribute).unwrap());
        close(v.mean, 10.0 * g.mean);
        close(v.std_error.unwrap(), 10.0 * g.std_error.unwrap());
    }
}

#[test]
fn two_phase_ratio_of_barrett_and_nutt() {
    let case = "barrett-nutt-1979-two-phase";
    // Phase 1 is a sweep of factor 1 that counts x trees; phase 2 lends y of volume on x of basal
    // area, on plots of 1 ha with one tree.
    let design = design(vec![gauge(1.0, Measured::None, Some(DONOR)), fixed(1.0)]);
    let rows = rows(&case_file(case, "units.csv"));
    let units = [
        numbers(&rows, "unit"),
        numbers(&rows, "x"),
        numbers(&rows, "y"),
    ];
    let plots = (0..rows.len()).map(|at| {
        let [unit, x, y] = [0, 1, 2].map(|column| units[column][at]);
        let counted = vec![count(0, Status::Live, x)];
        let mut visits = vec![visit(&design, SWEEP, Vec::new(), counted)];
        if unit % 2.0 < 1.0 {
            let dbh_cm = 200.0 * (x / std::f64::consts::PI).sqrt();
            visits.push(visit(
                &design,
                DONOR,
                vec![tall(tree(0, dbh_cm), y)],
                Vec::new(),
            ));
        }
        plot(0, visits)
    });
    let records = records(1, vec![("S", vec![("", None)], plots.collect())]);
    let estimates = estimate(&design, &records, |tree| TreeValues {
        volume_total_m3: conelike(tree).height_m,
        ..TreeValues::default()
    });
    let place = (Some("S"), None, SWEEP);
    let x = find(&estimates, place, Domain::LIVE, Attribute::BasalArea).unwrap();
    let y = volume(&estimates, SWEEP, Domain::LIVE).unwrap();
    check(case, &[("x_mean", x.mean), ("ratio_estimate", y.mean)]);
    assert_eq!(y.n_plots, 40);
    // The printed form takes every moment from the second phase; the linearised plots take the
    // spread of x from all units. They estimate the same variance.
    let recomputed = 0.3722897656;
    assert!((y.std_error.unwrap().powi(2) / recomputed - 1.0).abs() < 0.15);
}

/// A plot of both selections: live and dead counts, and measured trees on the fixed plot.
fn plot_of(design: &Design, counts: Vec<Count>, trees: Vec<Tree>) -> Plot {
    let visits = vec![
        visit(design, SWEEP, Vec::new(), counts),
        visit(design, DONOR, trees, Vec::new()),
    ];
    plot(0, visits)
}

#[test]
fn species_without_donor_take_the_pooled_ratio_and_dead_take_only_dead() {
    let design = sweep_and_plots();
    let decayed = Status::Dead {
        decay_class: Some(1),
    };
    let plots = vec![
        plot_of(
            &design,
            vec![
                count(0, Status::Live, 3.0),
                count(1, Status::Live, 2.0),
                count(0, decayed, 1.0),
            ],
            vec![tall(tree(0, 30.0), 20.0), tall(tree(0, 40.0), 24.0)],
        ),
        plot_of(
            &design,
            vec![count(0, Status::Live, 4.0)],
            vec![tall(tree(0, 25.0), 18.0), tall(tree(2, 20.0), 10.0)],
        ),
    ];
    let records = records(3, vec![("S", vec![("", Some(5.0))], plots)]);
    let estimates = estimate(&design, &records, conelike);
    let per_basal_area = |trees: &[(f64, f64)]| -> f64 {
        let g: f64 = trees.iter().map(|(dbh, _)| dbh * dbh).sum();
        trees
            .iter()
            .map(|(dbh, height)| 0.45 * dbh * dbh * height)
            .sum::<f64>()
            / g
    };
    let own = per_basal_area(&[(30.0, 20.0), (40.0, 24.0), (25.0, 18.0)]);
    let pooled = per_basal_area(&[(30.0, 20.0), (40.0, 24.0), (25.0, 18.0), (20.0, 10.0)]);
    let mean = |domain| volume(&estimates, SWEEP, domain).map(|e| e.mean);
    close(mean(species(StatusDomain::Live, 0)).unwrap(), 14.0 * own);
    close(mean(species(StatusDomain::Live, 1)).unwrap(), 4.0 * pooled);
    close(mean(Domain::LIVE).unwrap(), 14.0 * own + 4.0 * pooled);
    for status in [StatusDomain::Dead, StatusDomain::DecayClass(Some(1))] {
        assert_eq!(mean(Domain::all(status)), None, "no dead tree lends");
        assert_eq!(mean(species(status, 0)), None);
        let place = (Some("S"), None, SWEEP);
        let g = find(&estimates, place, Domain::all(status), Attribute::BasalArea).unwrap();
        close(g.mean, 2.0);
    }
    let codes: Vec<_> = estimates.notes.iter().map(|note| note.code).collect();
    assert_eq!(codes, ["volume-ratio-pooled", "no-volume-donor"]);
    let pooled = &estimates.notes[0].message;
    assert!(pooled.contains("no live tree of 1;"), "{pooled}");
}

#[test]
fn decay_classes_share_the_ratio_of_the_dead_and_add_up() {
    let design = sweep_and_plots();
    let state = |class| Status::Dead {
        decay_class: Some(class),
    };
    let plots = vec![
        plot_of(
            &design,
            vec![count(0, state(0), 2.0), count(0, state(3), 1.0)],
            vec![dead(tall(tree(0, 30.0), 12.0), Some(0))],
        ),
        plot_of(&design, vec![count(0, state(3), 3.0)], Vec::new()),
    ];
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    let estimates = estimate(&design, &records, conelike);
    let mean = |status| volume(&estimates, SWEEP, Domain::all(status)).unwrap().mean;
    close(mean(StatusDomain::Dead), 12.0 * 0.45 * 12.0);
    close(
        mean(StatusDomain::DecayClass(Some(0))) + mean(StatusDomain::DecayClass(Some(3))),
        mean(StatusDomain::Dead),
    );
}

#[test]
fn a_donor_tree_without_volume_leaves_the_volume_out() {
    let design = sweep_and_plots();
    let live = |n| vec![count(0, Status::Live, n)];
    let plots = vec![
        plot_of(&design, live(3.0), vec![tall(tree(0, 30.0), 20.0)]),
        plot_of(&design, live(1.0), vec![tree(0, 25.0)]),
    ];
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    let estimates = estimate(&design, &records, conelike);
    assert_eq!(volume(&estimates, SWEEP, Domain::LIVE), None);
    assert_eq!(volume(&estimates, DONOR, Domain::LIVE), None);
    let note = &estimates.notes[0];
    assert_eq!(note.code, "tree-values-missing");
    assert!(
        note.message
            .contains("of 2 trees 1 without height, 1 without total volume")
    );
}

#[test]
fn one_donor_plot_gives_a_volume_without_error() {
    let design = sweep_and_plots();
    let mut plots = vec![
        plot_of(
            &design,
            vec![count(0, Status::Live, 3.0)],
            vec![tall(tree(0, 30.0), 20.0)],
        ),
        plot_of(&design, vec![count(0, Status::Live, 1.0)], Vec::new()),
    ];
    plots[1].visits.truncate(1);
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    let estimates = estimate(&design, &records, conelike);
    let lent = volume(&estimates, SWEEP, Domain::LIVE).unwrap();
    close(lent.mean, 8.0 * 9.0);
    assert_eq!(
        (lent.std_error, lent.no_interval),
        (None, Some(NoInterval::OnePlot))
    );
}

#[test]
fn partly_measured_sweeps_lend_to_themselves_and_have_no_classes() {
    let design = design(vec![gauge(4.0, Measured::Some, None)]);
    let at = |counted, trees| {
        plot(
            0,
            vec![visit(
                &design,
                0,
                trees,
                vec![count(0, Status::Live, counted)],
            )],
        )
    };
    let plots = vec![
        at(
            3.0,
            vec![tall(tree(0, 30.0), 20.0), tall(tree(0, 20.0), 16.0)],
        ),
        at(1.0, Vec::new()),
    ];
    let records = records(1, vec![("S", vec![("", None)], plots)]);
    let estimates = estimate(&design, &records, conelike);
    let place = (Some("S"), None, 0);
    let g = find(&estimates, place, Domain::LIVE, Attribute::BasalArea).unwrap();
    close(g.mean, 12.0);
    // Each measured tree adds the same basal area, so the ratio is the plain mean of 0.45 h.
    close(
        volume(&estimates, 0, Domain::LIVE).unwrap().mean,
        12.0 * 0.45 * 18.0,
    );
    assert!(
        estimates
            .rows
            .iter()
            .all(|row| row.domain.dbh_class.is_none())
    );
    assert!(
        estimates
            .rows
            .iter()
            .all(|row| row.attribute != Attribute::Trees)
    );
    assert_eq!(estimates.plots[0].live.tallied.to_bits(), 5.0_f64.to_bits());
    assert_eq!(estimates.plots[0].live.basal_area_m2_per_ha, Some(20.0));
    assert_eq!(estimates.plots[0].live.trees_per_ha, None);
}
