//! Which curve fills which height: every level and every rule, on small invented stands.

use spinney::design::{CurveChoice, Heights, Measured};
use spinney::heights::curve::Form;
use spinney::heights::fill::CurveSet;
use spinney::heights::regional::RegionalSet;
use spinney::heights::{HeightCurve, HeightSource, Level, Place, StandHeights, Why};
use spinney::read::height_curves::regional_set;
use spinney::read::tables::Tables;
use spinney::records::{CruiseSpecies, HeightRecord, Reading, ReadingScale, Stand, Tree};
use spinney::species::{Kind, SpeciesTable};

use crate::sample::{dead, design, fixed, gauge, plot, records, tall, tree, visit};

/// Fd, Hw, Dr and something that is neither softwood nor hardwood.
pub(crate) struct Forest {
    pub(crate) table: SpeciesTable,
    pub(crate) species: Vec<CruiseSpecies>,
    pub(crate) regional: RegionalSet,
    pub(crate) heights: Heights,
}

pub(crate) const FD: usize = 0;
pub(crate) const HW: usize = 1;
pub(crate) const DR: usize = 2;

impl Forest {
    pub(crate) fn new() -> Self {
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

    pub(crate) fn fill(&self, trees: Vec<Tree>, with_regional: bool) -> StandHeights {
        let regional = with_regional.then_some(&self.regional);
        self.fill_stand(&stand(trees), regional)
    }

    pub(crate) fn fill_stand(&self, stand: &Stand, regional: Option<&RegionalSet>) -> StandHeights {
        let curves = CurveSet::fit(
            &[stand],
            &self.species,
            &self.table,
            &self.heights,
            regional,
        );
        curves.fill(0, stand)
    }
}

/// One plot with these visits, each for a selection of its own.
pub(crate) fn stand_of(visits: Vec<Vec<Tree>>) -> Stand {
    let design = design(vec![fixed(0.02), gauge(4.0, Measured::All, None)]);
    let visits = visits
        .into_iter()
        .enumerate()
        .map(|(selection, trees)| visit(&design, selection, trees, Vec::new()))
        .collect();
    records(3, vec![("Wood", vec![("", None)], vec![plot(0, visits)])])
        .stands
        .remove(0)
}

pub(crate) fn stand(trees: Vec<Tree>) -> Stand {
    stand_of(vec![trees])
}

/// Trees with heights about Naslund's curve, thick ones last.
pub(crate) fn measured(species: usize, n: usize) -> Vec<Tree> {
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
fn the_least_number_of_heights_is_enough_and_one_fewer_is_not() {
    let forest = Forest::new();
    let least = forest.heights.min_trees;
    let (at, trees) = with(measured(FD, least), tree(FD, 25.0));
    let source = forest.fill(trees, false).trees[at].source;
    assert!(
        matches!(source, HeightSource::SpeciesCurve(_)),
        "{source:?}"
    );
    let (at, trees) = with(measured(FD, least - 1), tree(FD, 25.0));
    let source = forest.fill(trees, false).trees[at].source;
    assert_eq!(source, HeightSource::None);
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

/// Heights behind the one fitted curve.
fn heights_behind(filled: &StandHeights) -> usize {
    let [used] = &filled.curves[..] else {
        panic!("{:?}", filled.curves)
    };
    let HeightCurve::Fitted(fitted) = &used.curve else {
        panic!("fitted")
    };
    fitted.fit.n
}

#[test]
fn a_tree_measured_in_two_selections_counts_once() {
    let forest = Forest::new();
    let numbered = |first: usize| {
        let mut trees = measured(FD, 8);
        for (k, tree) in trees.iter_mut().enumerate() {
            tree.number = (first + k).to_string().into();
        }
        trees
    };
    let n = |visits: [Vec<Tree>; 2]| {
        let [mut fixed, sweep] = visits;
        fixed.push(tree(FD, 30.0));
        let stand = stand_of(vec![fixed, sweep]);
        heights_behind(&forest.fill_stand(&stand, None))
    };
    assert_eq!(n([numbered(1), numbered(1)]), 8, "the same trees");
    assert_eq!(n([numbered(1), numbered(5)]), 16, "other numbers");
    assert_eq!(n([measured(FD, 8), measured(FD, 8)]), 16, "no numbers");
    let mut again = numbered(1);
    again[0].dbh_cm += 0.5;
    assert_eq!(n([numbered(1), again]), 9, "another dbh, another tree");
    // The same number twice in one selection is two records of the crew, not one tree.
    let mut twice = numbered(1);
    twice.extend(numbered(1));
    assert_eq!(n([twice, Vec::new()]), 16);
}

#[test]
fn a_tree_outside_the_dbh_limits_lends_no_height_and_a_count_is_no_weight() {
    let forest = Forest::new();
    let (at, plain) = with(measured(FD, 8), tree(FD, 30.0));
    let without_first = plain[1..].to_vec();
    let expected = forest.fill(without_first, false).trees[at - 1];
    let mut trees = plain.clone();
    trees[0].excluded = true;
    trees[3].count = 12.0;
    let filled = forest.fill(trees, false);
    assert_eq!(filled.trees[at], expected);
    assert_eq!((heights_behind(&filled), filled.left_out), (7, 1));
    assert_eq!(forest.fill(plain, false).left_out, 0);
}

#[test]
fn a_tree_outside_the_dbh_limits_asks_for_no_height() {
    let forest = Forest::new();
    let outside = |species| Tree {
        excluded: true,
        ..tree(species, 3.0)
    };
    // It takes what its species has, but is not counted as filled or extrapolated.
    let (at, mut trees) = with(measured(FD, 8), tree(FD, 30.0));
    trees.push(outside(FD));
    let filled = forest.fill(trees, false);
    assert!(filled.trees[at + 1].height_m.is_some());
    let served = &filled.curves[0].species[0];
    assert_eq!((served.filled, served.extrapolated), (1, 0));
    // Alone of its species it gets none, and nobody is told to measure heights for it.
    let filled = forest.fill(vec![outside(DR)], false);
    assert_eq!(filled.trees[0].source, HeightSource::None);
    assert!(filled.without_curve.is_empty());
}

#[test]
fn heights_at_breast_height_are_no_heights_of_a_curve() {
    let forest = Forest::new();
    let (at, mut trees) = with(measured(FD, 8), tree(FD, 30.0));
    trees.push(tall(tree(FD, 1.0), 1.3));
    let filled = forest.fill(trees, false);
    assert_eq!(heights_behind(&filled), 8);
    assert!(filled.trees[at].height_m.is_some());
}

#[test]
fn trees_of_one_dbh_have_no_curve() {
    let forest = Forest::new();
    let mut trees: Vec<Tree> = (0..6_u8)
        .map(|k| tall(tree(FD, 20.0), 15.0 + f64::from(k)))
        .collect();
    trees.push(tree(FD, 30.0));
    let filled = forest.fill(trees, false);
    assert_eq!(filled.trees[6].height_m, None);
    let [species, pooled, regional] = &filled.without_curve[0].passed[..] else {
        panic!("{:?}", filled.without_curve)
    };
    let one_dbh = Why::OneDbh { n: 6, dbh_cm: 20.0 };
    assert_eq!((&species.why, &pooled.why), (&one_dbh, &one_dbh));
    assert_eq!(pooled.level, Level::Pooled(Kind::Softwood));
    assert_eq!(regional.why, Why::NoSet);
}

#[test]
fn heights_that_fall_with_dbh_have_no_acceptable_curve() {
    let forest = Forest::new();
    let mut trees: Vec<Tree> = (0..8_u8)
        .map(|k| {
            tall(
                tree(FD, 20.0 + 4.0 * f64::from(k)),
                25.0 - 2.0 * f64::from(k),
            )
        })
        .collect();
    trees.push(tree(FD, 30.0));
    let filled = forest.fill(trees.clone(), true);
    let HeightSource::RegionalCurve(at) = filled.trees[8].source else {
        panic!("{:?}", filled.trees[8])
    };
    let passed = &filled.curves[at].species[0].passed;
    let Why::NoForm { n, tried } = &passed[0].why else {
        panic!("{passed:?}");
    };
    assert_eq!(*n, 8);
    assert!(!tried.is_empty() && tried.iter().all(|tried| tried.outcome.is_err()));
    assert_eq!(forest.fill(trees, false).trees[8].height_m, None);
}

#[test]
fn a_species_of_no_known_kind_lends_and_borrows_nothing() {
    let mut forest = Forest::new();
    let (unknown, _) = forest
        .table
        .iter()
        .find(|(_, species)| species.kind == Kind::Unknown)
        .unwrap();
    forest.species[DR].id = unknown;
    let mut trees = measured(FD, 4);
    trees.extend(measured(DR, 4));
    trees.push(tree(DR, 30.0));
    trees.push(tree(FD, 30.0));
    let filled = forest.fill(trees, true);
    assert_eq!(filled.trees[8].source, HeightSource::None);
    let passed = &filled.without_curve[0].passed;
    assert_eq!(passed[1].why, Why::KindUnknown);
    let set = "us-coastal-northwest-1999".to_owned();
    assert_eq!(passed[2].why, Why::NotInSet { set });
    // Four heights of Douglas-fir stay four: the other species lends none.
    let HeightSource::RegionalCurve(at) = filled.trees[9].source else {
        panic!("{:?}", filled.trees[9])
    };
    let few = Why::TooFew { n: 4, wanted: 5 };
    assert_eq!(filled.curves[at].species[0].passed[1].why, few);
}

#[test]
fn steep_readings_behind_a_curve_are_counted() {
    let forest = Forest::new();
    let (_, mut trees) = with(measured(FD, 8), tree(FD, 30.0));
    for (at, distance_m) in [(2, 14.0), (3, 60.0)] {
        let HeightRecord::Measured { height_m } = trees[at].height else {
            panic!("measured")
        };
        trees[at].height = HeightRecord::Instrument(Reading::upright(
            height_m / distance_m,
            0.0,
            ReadingScale::Level { distance_m },
        ));
    }
    let filled = forest.fill(trees, false);
    let HeightCurve::Fitted(fitted) = &filled.curves[0].curve else {
        panic!("fitted")
    };
    assert_eq!((fitted.fit.n, fitted.steep), (8, 1));
    assert_eq!(filled.trees[3].source, HeightSource::Instrument);
}

#[test]
fn stands_fitted_together_share_a_curve_and_count_their_own_trees() {
    let forest = Forest::new();
    let (_, few) = with(measured(FD, 3), tree(FD, 30.0));
    let many = [measured(FD, 6), vec![tree(FD, 60.0), tree(FD, 25.0)]].concat();
    let stands = [stand(few), stand(many)];
    let both: Vec<&Stand> = stands.iter().collect();
    let (species, table) = (&forest.species, &forest.table);
    let curves = CurveSet::fit(&both, species, table, &forest.heights, None);
    let filled = [curves.fill(0, &stands[0]), curves.fill(1, &stands[1])];
    let counts = filled.each_ref().map(|heights| {
        let served = &heights.curves[0].species[0];
        (heights_behind(heights), served.filled, served.extrapolated)
    });
    assert_eq!(counts, [(9, 1, 0), (9, 2, 1)]);
    // Apart, the first stand has too few.
    let apart = CurveSet::fit(&both[..1], species, table, &forest.heights, None);
    assert_eq!(apart.fill(0, &stands[0]).trees[3].height_m, None);
}

#[test]
fn the_order_of_the_trees_changes_nothing() {
    let forest = Forest::new();
    let (_, mut trees) = with(measured(FD, 9), tree(FD, 30.0));
    let forward = forest.fill(trees.clone(), false);
    assert!(forward.trees[9].height_m.is_some());
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
        .derivation(heights.trees[at].source, 50.0, Place::default())
        .join("\n");
    assert!(
        words.contains("extrapolated") && words.contains("H = 1.3 +"),
        "{words}"
    );
}
