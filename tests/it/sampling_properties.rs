//! Identities that the estimators must keep whatever the records are.

use proptest::prelude::*;
use spinney::design::{Design, Measured};
use spinney::estimates::{
    Attribute, CruiseEstimates, Domain, Estimate, EstimateRow, NoInterval, StatusDomain,
};
use spinney::records::{Plot, Records, Status, Tree};

use crate::sample::{
    bare, conelike, count, dead, design, estimate, find, fixed, gauge, plot, records, rows_of,
    tall, tree, visit,
};

const PLACE: (Option<&str>, Option<&str>, usize) = (Some("S"), None, 0);

/// A tree of one of three species, mostly live, with a height.
fn any_tree() -> impl Strategy<Value = Tree> {
    (0_usize..3, 40_u32..900, 0_usize..8).prop_map(|(species, dbh_mm, state)| {
        let dbh_cm = f64::from(dbh_mm) / 10.0;
        let tree = tall(tree(species, dbh_cm), 1.3 + dbh_cm.sqrt() * 3.0);
        match state {
            0 => dead(tree, Some(2)),
            1 => dead(tree, None),
            _ => tree,
        }
    })
}

/// The trees of some plots, empty plots among them.
fn any_plots(at_least: usize) -> impl Strategy<Value = Vec<Vec<Tree>>> {
    prop::collection::vec(prop::collection::vec(any_tree(), 0..7), at_least..12)
}

fn plots(design: &Design, trees: &[Vec<Tree>]) -> Vec<Plot> {
    let visits = trees
        .iter()
        .map(|trees| visit(design, 0, trees.clone(), Vec::new()));
    visits.map(|visit| plot(0, vec![visit])).collect()
}

fn stand(design: &Design, trees: &[Vec<Tree>]) -> Records {
    records(3, vec![("S", vec![("", Some(10.0))], plots(design, trees))])
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs()) + 1e-12
}

fn assert_alike(a: Estimate, b: Estimate, scale: f64) {
    assert!(close(a.mean * scale, b.mean), "{a:?} {b:?}");
    match (a.std_error, b.std_error) {
        (Some(x), Some(y)) => assert!(close(x * scale, y), "{a:?} {b:?}"),
        (x, y) => assert_eq!(x.is_some(), y.is_some()),
    }
}

fn is_additive(attribute: Attribute) -> bool {
    matches!(
        attribute,
        Attribute::Trees
            | Attribute::BasalArea
            | Attribute::VolumeTotal
            | Attribute::StandDensityIndexSummed
    )
}

/// Rows of a place in another cruise, each beside its counterpart.
fn assert_rows_alike(a: &CruiseEstimates, b: &CruiseEstimates, scale: f64) {
    let additive = |rows: &CruiseEstimates| -> Vec<EstimateRow> {
        let rows = rows_of(rows, Some("S"), None, 0).cloned();
        rows.filter(|row| is_additive(row.attribute)).collect()
    };
    let (a, b) = (additive(a), additive(b));
    assert_eq!(a.len(), b.len());
    for (a, b) in a.iter().zip(&b) {
        assert_eq!((a.domain, a.attribute), (b.domain, b.attribute));
        assert_alike(a.estimate, b.estimate, scale);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn one_named_stratum_is_the_stand(trees in any_plots(1)) {
        let design = design(vec![fixed(0.02)]);
        let plain = estimate(&design, &stand(&design, &trees), conelike);
        let named = records(3, vec![("S", vec![("A", Some(10.0))], plots(&design, &trees))]);
        let named = estimate(&design, &named, conelike);
        let whole: Vec<_> = rows_of(&plain, Some("S"), None, 0).collect();
        let again: Vec<_> = rows_of(&named, Some("S"), None, 0).collect();
        let stratum: Vec<_> = rows_of(&named, Some("S"), Some("A"), 0).collect();
        assert_eq!(&whole, &again);
        assert_eq!(whole.len(), stratum.len());
        for (whole, stratum) in whole.iter().zip(stratum) {
            assert_eq!(whole.estimate, stratum.estimate);
        }
    }

    #[test]
    fn strata_by_plot_shares_keep_the_mean(trees in any_plots(4), cut in 1_usize..3) {
        let design = design(vec![fixed(0.02)]);
        let plain = estimate(&design, &stand(&design, &trees), conelike);
        let mut split = plots(&design, &trees);
        for plot in &mut split[cut..] {
            plot.stratum = 1;
        }
        let areas = [cut as f64, (trees.len() - cut) as f64];
        let strata = vec![("A", Some(areas[0])), ("B", Some(areas[1]))];
        let split = estimate(&design, &records(3, vec![("S", strata, split)]), conelike);
        for row in rows_of(&plain, Some("S"), None, 0).filter(|row| is_additive(row.attribute)) {
            let other = find(&split, PLACE, row.domain, row.attribute).unwrap();
            assert!(close(other.mean, row.estimate.mean));
        }
    }

    #[test]
    fn one_plot_or_a_stratum_with_one_plot_has_no_interval(trees in any_plots(2)) {
        let design = design(vec![fixed(0.02)]);
        let alone = estimate(&design, &stand(&design, &trees[..1]), conelike);
        for row in rows_of(&alone, Some("S"), None, 0) {
            assert_eq!(row.estimate.interval(0.95), None);
            assert_eq!(row.estimate.std_error, None);
        }
        let mut split = plots(&design, &trees);
        split[0].stratum = 1;
        let strata = vec![("A", Some(1.0)), ("B", Some(3.0))];
        let split = estimate(&design, &records(3, vec![("S", strata, split)]), conelike);
        let trees = find(&split, PLACE, Domain::LIVE, Attribute::Trees).unwrap();
        assert_eq!(trees.no_interval, Some(NoInterval::StratumWithOnePlot));
    }

    #[test]
    fn twice_the_factor_is_twice_the_counted_basal_area(
        counts in prop::collection::vec(0_u32..9, 2..12),
        factor in 1_u32..10,
    ) {
        let cruise = |factor: f64| {
            let design = design(vec![gauge(factor, Measured::None, None)]);
            let plots = counts.iter().map(|n| {
                let counts = vec![count(0, Status::Live, f64::from(*n))];
                plot(0, vec![visit(&design, 0, Vec::new(), counts)])
            });
            let records = records(1, vec![("S", vec![("", None)], plots.collect())]);
            estimate(&design, &records, bare)
        };
        let (once, twice) = (cruise(f64::from(factor)), cruise(f64::from(2 * factor)));
        assert_rows_alike(&once, &twice, 2.0);
        let trees = find(&once, PLACE, Domain::LIVE, Attribute::Trees);
        assert!(trees.is_none(), "counts say nothing of numbers");
    }

    #[test]
    fn twice_the_area_is_half_the_estimate(trees in any_plots(2), ares in 1_u32..10) {
        let cruise = |area_ha: f64| {
            let design = design(vec![fixed(area_ha)]);
            estimate(&design, &stand(&design, &trees), conelike)
        };
        let area_ha = f64::from(ares) / 100.0;
        assert_rows_alike(&cruise(area_ha), &cruise(2.0 * area_ha), 0.5);
    }

    #[test]
    fn an_empty_plot_more_scales_the_means(trees in any_plots(2)) {
        let design = design(vec![fixed(0.02)]);
        let before = estimate(&design, &stand(&design, &trees), conelike);
        let mut more = trees.clone();
        more.push(Vec::new());
        let after = estimate(&design, &stand(&design, &more), conelike);
        let n = trees.len() as f64;
        for row in rows_of(&before, Some("S"), None, 0).filter(|row| is_additive(row.attribute)) {
            let other = find(&after, PLACE, row.domain, row.attribute).unwrap();
            assert!(close(other.mean, row.estimate.mean * n / (n + 1.0)));
            assert_eq!(other.n_plots, trees.len() + 1);
        }
    }

    #[test]
    fn cells_add_to_their_margins(trees in any_plots(1)) {
        let design = design(vec![fixed(0.02)]);
        let estimates = estimate(&design, &stand(&design, &trees), conelike);
        let rows: Vec<_> =
            rows_of(&estimates, Some("S"), None, 0).filter(|r| is_additive(r.attribute)).collect();
        let sum = |attribute, inside: &dyn Fn(Domain) -> bool| -> f64 {
            let cells = rows.iter().filter(|r| r.attribute == attribute && inside(r.domain));
            cells.map(|row| row.estimate.mean).fold(0.0, |a, b| a + b)
        };
        for row in &rows {
            let Domain { status, species, dbh_class } = row.domain;
            let mean = row.estimate.mean;
            if species.is_none() {
                let of_species = sum(row.attribute, &|d| {
                    d.status == status && d.dbh_class == dbh_class && d.species.is_some()
                });
                assert!(close(mean, of_species));
            }
            if dbh_class.is_none() {
                let of_classes = sum(row.attribute, &|d| {
                    d.status == status && d.species == species && d.dbh_class.is_some()
                });
                assert!(close(mean, of_classes));
            }
            if status == StatusDomain::Dead {
                let of_decay = sum(row.attribute, &|d| {
                    matches!(d.status, StatusDomain::DecayClass(_))
                        && (d.species, d.dbh_class) == (species, dbh_class)
                });
                assert!(close(mean, of_decay));
            }
        }
    }

    #[test]
    fn merging_two_species_adds_them(trees in any_plots(2)) {
        let design = design(vec![fixed(0.02)]);
        let apart = estimate(&design, &stand(&design, &trees), conelike);
        let mut merged = trees.clone();
        for tree in merged.iter_mut().flatten() {
            tree.species = tree.species.min(1);
        }
        let merged = estimate(&design, &stand(&design, &merged), conelike);
        let mean = |estimates: &CruiseEstimates, species, attribute| {
            let domain = Domain { species: Some(species), ..Domain::LIVE };
            find(estimates, PLACE, domain, attribute).map_or(0.0, |e| e.mean)
        };
        for attribute in [Attribute::Trees, Attribute::BasalArea, Attribute::VolumeTotal] {
            let sum = mean(&apart, 1, attribute) + mean(&apart, 2, attribute);
            assert!(close(sum, mean(&merged, 1, attribute)));
        }
    }

    #[test]
    fn the_order_of_plots_changes_nothing(trees in any_plots(2), by in 0_usize..12) {
        let design = design(vec![fixed(0.02)]);
        let mut turned = trees.clone();
        turned.rotate_left(by % trees.len());
        let turned = estimate(&design, &stand(&design, &turned), conelike);
        assert_rows_alike(&estimate(&design, &stand(&design, &trees), conelike), &turned, 1.0);
    }

    #[test]
    fn stands_are_strata_of_the_whole(
        first in any_plots(2),
        second in any_plots(2),
        area in 1_u32..50,
    ) {
        // One stand of two strata, and two stands of one stratum each, are the same population.
        let design = design(vec![fixed(0.02)]);
        let areas = (Some(f64::from(area)), Some(20.0));
        let (a, mut b) = (plots(&design, &first), plots(&design, &second));
        let two = records(3, vec![
            ("A", vec![("", areas.0)], a.clone()),
            ("B", vec![("", areas.1)], b.clone()),
        ]);
        for plot in &mut b {
            plot.stratum = 1;
        }
        let one = vec![("S", vec![("A", areas.0), ("B", areas.1)], [a, b].concat())];
        let one = estimate(&design, &records(3, one), conelike);
        let two = estimate(&design, &two, conelike);
        let whole: Vec<_> = rows_of(&two, None, None, 0).collect();
        let stand: Vec<_> = rows_of(&one, Some("S"), None, 0).collect();
        assert_eq!(whole.len(), stand.len());
        for (whole, stand) in whole.iter().zip(stand) {
            assert_eq!((whole.domain, whole.attribute), (stand.domain, stand.attribute));
            if is_additive(whole.attribute) {
                assert_eq!(whole.estimate, stand.estimate);
            } else {
                // Covariances go another way through the sums, and limits come from t in one of them.
                let (whole, stand) = (whole.estimate, stand.estimate);
                assert!(close(whole.mean, stand.mean));
                assert_eq!(whole.std_error.is_some(), stand.std_error.is_some());
                let errors = whole.std_error.zip(stand.std_error);
                assert!(errors.is_none_or(|(a, b)| close(a, b)), "{errors:?}");
                let df = whole.df.zip(stand.df);
                assert!(df.is_none_or(|(a, b)| close(a, b)), "{df:?}");
                assert_eq!(whole.n_plots, stand.n_plots);
            }
            assert_eq!(whole.area_ha, stand.area_ha);
        }
    }
}
