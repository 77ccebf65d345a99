//! Expansion: how many trees per hectare a tallied tree stands for, and how far from the centre
//! it may stand to be tallied.
//!
//! In: a visit (the rule in force, slope, share of the plot) and one of its trees or counts. Out:
//! trees and basal area per hectare. Slope, part plots, like trees and the walkthrough enter here
//! and nowhere else:
//!
//! ```text
//! w = w0 k c m / p     w0 from the rule (1/a, or F/g)   k slope factor     c like trees
//!                      m times by walkthrough           p share of the plot in the stand
//! full tally: w = c / A, A area of the stratum; slope and share have no part in it
//! 3P sample:  w = P / (n p_j) / A, or 1 / A for a tree measured in any case [records::ThreeP]
//! ```

use crate::math::digits::six_digits;
use crate::records::{Count, Rule, ThreeP, Tree, Visit};
use crate::units::basal_area_m2;

pub mod angle_gauge;
pub mod boundary;
pub mod fixed_area;
pub mod slope;

/// What one record stands for on a hectare.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Expansion {
    /// Trees, 1/ha.
    pub trees_per_ha: f64,
    /// Basal area, m2/ha.
    pub basal_area_m2_per_ha: f64,
}

/// Factor of slope, part plot, like trees and walkthrough on the bare expansion of the rule.
fn multiplier(visit: &Visit, tree: &Tree) -> f64 {
    match visit.rule {
        Rule::FullTally => tree.count,
        Rule::ThreeP(_) => 1.0,
        _ => boundary::factor(visit, tree) * slope::factor(visit.slope_to_correct),
    }
}

/// What one tree stands for. An excluded tree stands for nothing; `None` only for a full tally
/// or a 3P sample of a stratum whose area (`stratum_area_ha`) is unknown.
pub fn expand(visit: &Visit, tree: &Tree, stratum_area_ha: Option<f64>) -> Option<Expansion> {
    if tree.excluded {
        return Some(Expansion::default());
    }
    let basal_area = basal_area_m2(tree.dbh_cm);
    let per_area = |area_ha: f64| Expansion {
        trees_per_ha: fixed_area::trees_per_ha(area_ha),
        basal_area_m2_per_ha: basal_area / area_ha,
    };
    let bare = match &visit.rule {
        Rule::FixedArea { area_ha, .. } => per_area(*area_ha),
        Rule::NestedRings(rings) => fixed_area::ring_of(rings, tree.dbh_cm)
            .map_or(Expansion::default(), |ring| per_area(ring.area_ha)),
        Rule::FullTally => per_area(stratum_area_ha?),
        Rule::ThreeP(sample) => {
            let trees = tree.prediction.map_or(0.0, |of| sample.trees_for(of));
            let one = per_area(stratum_area_ha?);
            Expansion {
                trees_per_ha: trees * one.trees_per_ha,
                basal_area_m2_per_ha: trees * one.basal_area_m2_per_ha,
            }
        }
        Rule::AngleGauge { baf_m2_per_ha } => {
            let factor = tree.baf_m2_per_ha.unwrap_or(*baf_m2_per_ha);
            Expansion {
                trees_per_ha: angle_gauge::trees_per_ha(factor, tree.dbh_cm),
                basal_area_m2_per_ha: factor,
            }
        }
    };
    let multiplier = multiplier(visit, tree);
    Some(Expansion {
        trees_per_ha: bare.trees_per_ha * multiplier,
        basal_area_m2_per_ha: bare.basal_area_m2_per_ha * multiplier,
    })
}

/// Basal area per hectare of trees that were only counted: `F k c / p`. `None` for a rule without
/// a basal area factor, where a tree without a dbh says nothing of basal area.
pub fn counted_basal_area_m2_per_ha(visit: &Visit, count: &Count) -> Option<f64> {
    match visit.rule {
        Rule::AngleGauge { baf_m2_per_ha } => Some(
            baf_m2_per_ha * slope::factor(visit.slope_to_correct) * count.count
                / visit.plot_fraction,
        ),
        _ => None,
    }
}

/// Largest horizontal distance from the plot centre to the tree's centre at which the tree is in;
/// `None` where the rule has no centre (strips, full tallies) or the dbh falls outside every ring.
///
/// ```text
/// circle: its radius            gauge: dbh_cm / (2 sqrt(F)) metres, F the factor in m2/ha
/// ```
/// Source: geometry of the gauge; factors printed in the plot-radius checks of the tests. A tree
/// exactly at the limit is in.
pub fn limiting_distance_m(rule: &Rule, dbh_cm: f64) -> Option<f64> {
    match rule {
        Rule::FixedArea { radius_m, .. } => *radius_m,
        Rule::NestedRings(rings) => fixed_area::ring_of(rings, dbh_cm).map(|ring| ring.radius_m),
        Rule::FullTally | Rule::ThreeP(_) => None,
        Rule::AngleGauge { baf_m2_per_ha } => {
            Some(angle_gauge::limiting_distance_m(*baf_m2_per_ha, dbh_cm))
        }
    }
}

/// The derivation of [`expand`] for one tree, one step a line, metric.
pub fn derivation(visit: &Visit, tree: &Tree, stratum_area_ha: Option<f64>) -> Vec<String> {
    if tree.excluded {
        return vec!["outside the dbh limits of the selection: stands for 0 trees/ha".to_owned()];
    }
    let dbh_cm = tree.dbh_cm;
    let basal_area = basal_area_m2(dbh_cm);
    let mut steps = vec![format!(
        "basal area of the tree: pi x {dbh_cm}^2 / 40000 = {basal_area:.6} m2"
    )];
    steps.push(match &visit.rule {
        Rule::FixedArea { area_ha, .. } => format!(
            "plot of {area_ha:.6} ha: 1 / {area_ha:.6} = {:.4} trees/ha",
            1.0 / area_ha
        ),
        Rule::NestedRings(rings) => match fixed_area::ring_of(rings, dbh_cm) {
            Some(ring) => format!(
                "ring of {:.6} ha for dbh from {} cm{}: 1 / {:.6} = {:.4} trees/ha",
                ring.area_ha,
                ring.min_dbh_cm,
                ring.max_dbh_cm
                    .map_or(String::new(), |max| format!(" to under {max} cm")),
                ring.area_ha,
                1.0 / ring.area_ha
            ),
            None => format!("dbh {dbh_cm} cm falls outside every ring: 0 trees/ha"),
        },
        Rule::FullTally => match stratum_area_ha {
            Some(area_ha) => format!(
                "full tally of {area_ha} ha: 1 / {area_ha} = {:.6} trees/ha",
                1.0 / area_ha
            ),
            None => "full tally of an unknown area: trees/ha cannot be said".to_owned(),
        },
        Rule::ThreeP(sample) => three_p_step(sample, tree, stratum_area_ha),
        Rule::AngleGauge { baf_m2_per_ha } => {
            let factor = tree.baf_m2_per_ha.unwrap_or(*baf_m2_per_ha);
            let shown = six_digits(factor);
            format!(
                "angle gauge of {shown} m2/ha{}: {shown} / {basal_area:.6} = {:.4} trees/ha",
                if tree.baf_m2_per_ha.is_some() {
                    " (the tree's own)"
                } else {
                    ""
                },
                angle_gauge::trees_per_ha(factor, dbh_cm)
            )
        }
    });
    steps.extend(multiplier_steps(visit, tree));
    if let Some(expansion) = expand(visit, tree, stratum_area_ha) {
        steps.push(format!(
            "stands for {:.4} trees/ha and {:.4} m2/ha of basal area",
            expansion.trees_per_ha, expansion.basal_area_m2_per_ha
        ));
    }
    steps
}

fn three_p_step(sample: &ThreeP, tree: &Tree, stratum_area_ha: Option<f64>) -> String {
    let (Some(prediction), Some(area_ha)) = (tree.prediction, stratum_area_ha) else {
        return "3P sample of an unknown area: trees/ha cannot be said".to_owned();
    };
    let (shown, trees) = (six_digits(prediction), sample.trees_for(prediction));
    if sample.is_certain(prediction) {
        return format!(
            "predicted {shown}, above the largest number {}: measured in any case, 1 / {area_ha} = \
             {:.6} trees/ha",
            six_digits(sample.largest_number),
            trees / area_ha
        );
    }
    format!(
        "3P sample: predictions of {} in all, {} sample trees, {shown} for this one: {} / ({} x \
         {shown}) / {area_ha} ha = {:.6} trees/ha",
        six_digits(sample.predicted),
        sample.sample_trees,
        six_digits(sample.predicted),
        sample.sample_trees,
        trees / area_ha
    )
}

/// The steps of [`multiplier`] that change something.
fn multiplier_steps(visit: &Visit, tree: &Tree) -> Vec<String> {
    let sampled = !matches!(visit.rule, Rule::FullTally | Rule::ThreeP(_));
    let differs = |value: f64| (value - 1.0).abs() > 0.0;
    let mut steps = Vec::new();
    if sampled && visit.slope_to_correct.abs() > 0.0 {
        steps.push(format!(
            "slope of {:.1} % not corrected in the field: times 1 / cos(atan({})) = {:.6}",
            100.0 * visit.slope_to_correct,
            visit.slope_to_correct,
            slope::factor(visit.slope_to_correct)
        ));
    }
    if differs(tree.count) {
        steps.push(format!(
            "record of {} like trees: times {}",
            tree.count, tree.count
        ));
    }
    if sampled && differs(tree.walkthrough) {
        steps.push(format!("walkthrough: times {}", tree.walkthrough));
    }
    if sampled && differs(visit.plot_fraction) {
        steps.push(format!(
            "share of the plot inside the stand: divided by {}",
            visit.plot_fraction
        ));
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::Ring;
    use crate::records::{HeightRecord, Status};

    fn tree(dbh_cm: f64) -> Tree {
        Tree {
            number: "1".into(),
            line: 2,
            species: 0,
            dbh_cm,
            status: Status::Live,
            height: HeightRecord::Missing,
            broken_height_m: None,
            count: 1.0,
            walkthrough: 1.0,
            defect_pct: None,
            crown_ratio_pct: None,
            baf_m2_per_ha: None,
            prediction: None,
            excluded: false,
        }
    }

    fn visit(rule: Rule) -> Visit {
        Visit {
            selection: 0,
            rule,
            slope_to_correct: 0.0,
            plot_fraction: 1.0,
            trees: Vec::new(),
            counts: Vec::new(),
        }
    }

    fn expanded(visit: &Visit, tree: &Tree) -> Expansion {
        expand(visit, tree, None).unwrap()
    }

    fn assert_close(a: f64, b: f64) {
        assert!((a - b).abs() <= 1e-12 * b.abs(), "{a} against {b}");
    }

    #[test]
    fn every_multiplier_enters_once() {
        let mut visit = visit(Rule::FixedArea {
            area_ha: 0.02,
            radius_m: Some(7.98),
        });
        let mut tree = tree(20.0);
        assert_close(expanded(&visit, &tree).trees_per_ha, 50.0);
        visit.slope_to_correct = 0.75;
        assert_close(expanded(&visit, &tree).trees_per_ha, 62.5);
        visit.plot_fraction = 0.5;
        assert_close(expanded(&visit, &tree).trees_per_ha, 125.0);
        tree.count = 3.0;
        tree.walkthrough = 2.0;
        let all = expanded(&visit, &tree);
        assert_close(all.trees_per_ha, 750.0);
        assert_close(all.basal_area_m2_per_ha, 750.0 * basal_area_m2(20.0));
        tree.excluded = true;
        assert_eq!(expanded(&visit, &tree), Expansion::default());
    }

    #[test]
    fn a_tree_on_a_ring_limit_belongs_to_the_outer_ring_alone() {
        let ring = |area_ha, min_dbh_cm, max_dbh_cm| Ring {
            area_ha,
            radius_m: 0.0,
            min_dbh_cm,
            max_dbh_cm,
        };
        let visit = visit(Rule::NestedRings(vec![
            ring(0.005, 4.0, Some(10.0)),
            ring(0.02, 10.0, None),
        ]));
        assert_close(expanded(&visit, &tree(9.9)).trees_per_ha, 200.0);
        assert_close(expanded(&visit, &tree(10.0)).trees_per_ha, 50.0);
        assert_eq!(expanded(&visit, &tree(3.9)), Expansion::default());
    }

    #[test]
    fn a_gauge_tree_adds_its_factor_whatever_its_size() {
        let mut visit = visit(Rule::AngleGauge { baf_m2_per_ha: 4.0 });
        let mut tree = tree(33.3);
        assert_close(expanded(&visit, &tree).basal_area_m2_per_ha, 4.0);
        tree.baf_m2_per_ha = Some(9.0);
        assert_close(expanded(&visit, &tree).basal_area_m2_per_ha, 9.0);
        visit.slope_to_correct = 0.75;
        let count = Count {
            species: 0,
            status: Status::Live,
            count: 6.0,
            prediction: None,
            line: 2,
        };
        assert_eq!(counted_basal_area_m2_per_ha(&visit, &count), Some(30.0));
    }

    #[test]
    fn a_full_tally_needs_the_area_and_nothing_else() {
        let mut visit = visit(Rule::FullTally);
        visit.slope_to_correct = 0.75;
        visit.plot_fraction = 0.5;
        assert_eq!(expand(&visit, &tree(20.0), None), None);
        let expansion = expand(&visit, &tree(20.0), Some(2.5)).unwrap();
        assert_close(expansion.trees_per_ha, 0.4);
    }

    #[test]
    fn the_derivation_ends_in_the_figure_that_is_used() {
        let mut visit = visit(Rule::AngleGauge { baf_m2_per_ha: 4.0 });
        visit.slope_to_correct = 0.35;
        visit.plot_fraction = 0.5;
        let mut tree = tree(25.0);
        tree.walkthrough = 2.0;
        assert_eq!(
            derivation(&visit, &tree, None),
            [
                "basal area of the tree: pi x 25^2 / 40000 = 0.049087 m2",
                "angle gauge of 4 m2/ha: 4 / 0.049087 = 81.4873 trees/ha",
                "slope of 35.0 % not corrected in the field: times 1 / cos(atan(0.35)) = 1.059481",
                "walkthrough: times 2",
                "share of the plot inside the stand: divided by 0.5",
                "stands for 345.3371 trees/ha and 16.9517 m2/ha of basal area",
            ]
        );
    }
}
