//! Which curve fills which height: every level and every rule, on small invented stands.

use spinney::design::{CurveChoice, Heights};
use spinney::heights::curve::Form;
use spinney::heights::fill::CurveSet;
use spinney::heights::regional::RegionalSet;
use spinney::heights::{HeightCurve, HeightSource, Level, StandHeights, Why};
use spinney::read::height_curves::regional_set;
use spinney::read::tables::Tables;
use spinney::records::{CruiseSpecies, Stand, Tree};
use spinney::species::SpeciesTable;

use crate::sample::{dead, design, fixed, plot, records, tall, tree, visit};

/// Fd, Hw, Dr and something that is neither softwood nor hardwood.
struct Forest {
    table: SpeciesTable,
    species: Vec<CruiseSpecies>,
    regional: RegionalSet,
    heights: Heights,
}

const FD: usize = 0;
const HW: usize = 1;
const DR: usize = 2;

impl Forest {
    fn new() -> Self {
        let tables = Tables::builtin();
        let table = tables.species().unwrap();
        let species = ["Fd", "Hw", "Dr"]
            .map(|code| CruiseSpecies {
                label: code.to_owned(),
                id: table.lookup(code).unwrap(),
            })
            .to_vec();
        let file = |part: &str| {
            tables
                .source(&format!("height-curves/us-coastal-northwest-1999/{part}"))
                .unwrap()
        };
        let regional = regional_set(&file("set.yaml"), &file("coefficients.csv"), &table).unwrap();
        Forest {
            table,
            species,
            regional,
            heights: design(vec![fixed(0.02)]).heights,
        }
    }

    fn fill(&self, trees: Vec<Tree>, with_regional: bool) -> StandHeights {
        let stand = stand(trees);
        let regional = with_regional.then_some(&self.regional);
        let curves = CurveSet::fit(
            &[&stand],
            &self.species,
            &self.table,
            &self.heights,
            regional,
        );
        curves.fill(&stand)
    }
}

/// One plot with these visits.
fn stand_of(visits: Vec<Vec<Tree>>) -> Stand {
    let design = design(vec![fixed(0.02)]);
    let visits = visits
        .into_iter()
        .map(|trees| visit(&design, 0, trees, Vec::new()))
        .collect();
    records(3, vec![("Wood", vec![("", None)], vec![plot(0, visits)])])
        .stands
        .remove(0)
}

fn stand(trees: Vec<Tree>) -> Stand {
    stand_of(vec![trees])
}

/// Trees with heights about Naslund's curve, thick ones last.
fn measured(species: usize, n: usize) -> Vec<Tree> {
    let off = [0.3, -0.4, 0.2, 0.5, -0.6, 0.1, -0.2, 0.4, -0.3];
    (0..n)
        .map(|k| {
            let d = 12.0 + 5.0 * k as f64;
            tall(
                tree(species, d),
                1.3 + (d / (1.9 + 0.155 * d)).powi(2) + off[k % off.len()],
            )
        })
        .collect()
}

fn with(mut trees: Vec<Tree>, more: Tree) -> (usize, Vec<Tree>) {
    trees.push(more);
    (trees.len() - 1, trees)
}

#[test]
fn enough_heights_of_the_species_make_its_own_curve() {
    let forest = Forest::new();
    let (at, trees) = with(measured(FD, 8), tree(FD, 30.0));
    let heights = forest.fill(trees, true);
    assert_eq!(heights.trees[0].source, HeightSource::Measured);
    let HeightSource::SpeciesCurve(curve) = heights.trees[at].source else {
        panic!("{:?}", heights.trees[at])
    };
    let height = heights.trees[at].height_m.unwrap();
    assert!((height - 22.0).abs() < 1.5, "{height}");
    assert_eq!(heights.curves[curve].level, Level::Species);
}

#[test]
fn too_few_heights_take_the_pooled_curve_of_their_kind_and_then_the_published_one() {
    let forest = Forest::new();
    let mut trees = measured(FD, 8);
    trees.extend(measured(HW, 2));
    trees.push(tree(HW, 30.0));
    trees.push(tree(DR, 30.0));
    let n = trees.len();
    let heights = forest.fill(trees.clone(), true);
    assert!(matches!(
        heights.trees[n - 2].source,
        HeightSource::PooledCurve(_)
    ));
    assert!(matches!(
        heights.trees[n - 1].source,
        HeightSource::RegionalCurve(_)
    ));
    let pooled = heights
        .curves
        .iter()
        .find(|c| matches!(c.level, Level::Pooled(_)))
        .unwrap();
    let HeightCurve::Fitted(fitted) = &pooled.curve else {
        panic!("fitted")
    };
    assert_eq!(fitted.fit.n, 10, "all softwoods lend their heights");
    assert!(matches!(
        pooled.species[0].passed[0].why,
        Why::TooFew { n: 2, wanted: 5 }
    ));
    // Red alder of 30 cm by the published curve, metres from feet, worked by hand from the
    // printed coefficients: 4.5 + exp(4.41820972 - 12.00274935 x 11.8110^-2.13835482) ft.
    let by_hand = (4.5
        + (4.418_209_72 - 12.002_749_35 * (30.0_f64 / 2.54).powf(-2.138_354_82)).exp())
        * 0.3048;
    assert!((heights.trees[n - 1].height_m.unwrap() - by_hand).abs() < 1e-9);

    let without = forest.fill(trees, false);
    assert_eq!(without.trees[n - 1].height_m, None);
    assert_eq!(without.trees[n - 1].source, HeightSource::None);
    assert_eq!(without.without_curve.len(), 1);
}

#[test]
fn never_a_constant() {
    let forest = Forest::new();
    let mut trees: Vec<Tree> = (0..6_u8)
        .map(|k| tall(tree(FD, 20.0 + f64::from(k)), 18.0))
        .collect();
    trees.push(tree(FD, 30.0));
    let heights = forest.fill(trees, false);
    assert_eq!(heights.trees[6].height_m, None);
    let passed = &heights.without_curve[0].passed;
    assert!(
        matches!(passed[0].why, Why::OneHeight { n: 6, .. }),
        "{passed:?}"
    );
}

#[test]
fn broken_and_dead_trees_lend_no_height() {
    let forest = Forest::new();
    let (at, trees) = with(measured(FD, 8), tree(FD, 30.0));
    let plain = forest.fill(trees.clone(), false).trees[at];
    let mut more = trees;
    let mut broken = tall(tree(FD, 31.0), 5.0);
    broken.broken_height_m = Some(5.0);
    more.push(broken);
    more.push(dead(tall(tree(FD, 33.0), 6.0), Some(1)));
    let heights = forest.fill(more, false);
    assert_eq!(heights.trees[at], plain);
}

#[test]
fn snags_are_filled_from_the_curve_of_live_trees_but_not_below_their_break() {
    let forest = Forest::new();
    let mut trees = measured(FD, 8);
    trees.push(dead(tree(FD, 30.0), Some(2)));
    let mut stump = dead(tree(FD, 30.0), Some(4));
    stump.broken_height_m = Some(40.0);
    trees.push(stump);
    let heights = forest.fill(trees, false);
    assert!(heights.trees[8].height_m.unwrap() < 30.0);
    assert_eq!(heights.trees[9].height_m, Some(40.0));
    assert!(heights.trees[9].raised_to_break);
}

#[test]
fn a_tree_measured_in_two_selections_counts_once() {
    let forest = Forest::new();
    let numbered = || {
        let mut trees = measured(FD, 8);
        for (k, tree) in trees.iter_mut().enumerate() {
            tree.number = k.to_string();
        }
        trees
    };
    let stand = stand_of(vec![numbered(), numbered()]);
    let curves = CurveSet::fit(
        &[&stand],
        &forest.species,
        &forest.table,
        &forest.heights,
        None,
    );
    let filled = curves.fill(&stand);
    for used in &filled.curves {
        let HeightCurve::Fitted(fitted) = &used.curve else {
            panic!("fitted")
        };
        assert_eq!(fitted.fit.n, 8);
    }
}

#[test]
fn the_order_of_the_trees_changes_nothing() {
    let forest = Forest::new();
    let (_, mut trees) = with(measured(FD, 9), tree(FD, 30.0));
    let forward = forest.fill(trees.clone(), false);
    trees.reverse();
    let backward = forest.fill(trees, false);
    assert_eq!(forward.trees[9], backward.trees[0]);
}

#[test]
fn a_named_form_is_used_or_its_replacement_told() {
    let mut forest = Forest::new();
    forest.heights.curve = CurveChoice::Named("michailow".to_owned());
    let (_, trees) = with(measured(FD, 8), tree(FD, 30.0));
    let heights = forest.fill(trees.clone(), false);
    assert_eq!(heights.curves[0].curve.form_name(), "michailow");
    forest.heights.curve = CurveChoice::Named("parabola".to_owned());
    let (_, trees) = with(trees, tree(FD, 75.0));
    let heights = forest.fill(trees, false);
    let HeightCurve::Fitted(fitted) = &heights.curves[0].curve else {
        panic!("fitted")
    };
    assert_eq!(fitted.replaced.map(|(form, _)| form), Some(Form::Parabola));
}

#[test]
fn trees_beyond_the_fitted_diameters_are_counted() {
    let forest = Forest::new();
    let (at, trees) = with(measured(FD, 8), tree(FD, 50.0));
    let heights = forest.fill(trees, false);
    assert!(heights.is_extrapolated(heights.trees[at].source, 50.0));
    assert!(!heights.is_extrapolated(heights.trees[at].source, 40.0));
    assert_eq!(heights.curves[0].species[0].extrapolated, 1);
    let words = heights
        .derivation(heights.trees[at].source, 50.0)
        .join("\n");
    assert!(
        words.contains("extrapolated") && words.contains("H = 1.3 +"),
        "{words}"
    );
}
