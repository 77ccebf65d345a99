//! Heights from curves of elsewhere: published ones scaled to the heights at hand, those of another
//! species, and heights that are all the same.

use spinney::design::RatioTo;
use spinney::heights::ratio::Factor;
use spinney::heights::scale::Scale;
use spinney::heights::{HeightCurve, HeightSource, Level, OneHeight, Place, StandHeights, Why};
use spinney::read::design::check_species;
use spinney::read::source::Source;
use spinney::records::{CruiseSpecies, Tree};

use crate::height_filling::{DR, FD, Forest, HW, measured};
use crate::reading::lines;
use crate::sample::{tall, tree};

/// Variances on the log scale, restricted maximum likelihood with nlme 3.1-162 on the heights of
/// Upper Flat Creek: between plots and within.
pub(crate) const BETWEEN: f64 = 0.008_397;
pub(crate) const WITHIN: f64 = 0.231_41 * 0.231_41;

/// `y` in m of the printed curves of 1999 (feet over inches): `exp(b0 + b1 D^b2)`.
pub(crate) fn printed_y_m(b: [f64; 3], dbh_cm: f64) -> f64 {
    (b[0] + b[1] * (dbh_cm / 2.54).powf(b[2])).exp() * 0.3048
}
pub(crate) const ALDER: [f64; 3] = [4.418_209_72, -12.002_749_35, -2.138_354_82];
pub(crate) const HEMLOCK: [f64; 3] = [6.555_344_622, -5.137_174_162, -0.364_550_8];
pub(crate) const DOUGLAS_FIR: [f64; 3] = [7.262_195_456, -5.899_759_104, -0.287_207_389];
pub(crate) const BREAST_M: f64 = 4.5 * 0.3048;

fn used(filled: &StandHeights, tree: usize) -> &HeightCurve {
    &filled.curves[filled.trees[tree].source.curve().unwrap()].curve
}

fn scale(filled: &StandHeights, tree: usize) -> Option<Scale> {
    let HeightCurve::Published(published) = used(filled, tree) else {
        panic!("{:?}", filled.trees[tree])
    };
    published.scale
}

fn close(ours: f64, theirs: f64) {
    assert!(
        (ours - theirs).abs() <= 1e-9 * theirs.abs(),
        "{ours} against {theirs}"
    );
}

#[test]
fn heights_of_the_species_scale_its_published_curve() {
    let forest = Forest::new();
    let heights = [(22.0, 19.0), (31.0, 20.5), (40.0, 28.0)];
    let mut trees: Vec<Tree> = heights.map(|(d, h)| tall(tree(DR, d), h)).to_vec();
    trees.push(tree(DR, 35.0));
    let filled = forest.fill(trees.clone(), true);
    let y: f64 = heights.iter().map(|(_, h)| h - BREAST_M).sum();
    let y_hat: f64 = heights.iter().map(|(d, _)| printed_y_m(ALDER, *d)).sum();
    let weight = 3.0 * BETWEEN / (3.0 * BETWEEN + WITHIN);
    let k = 1.0 + weight * (y / y_hat - 1.0);
    let found = scale(&filled, 3).unwrap();
    assert_eq!((found.n, found.whose), (3, Level::Species));
    close(found.ratio, y / y_hat);
    close(found.factor, k);
    close(
        filled.trees[3].height_m.unwrap(),
        BREAST_M + k * printed_y_m(ALDER, 35.0),
    );

    let variance = BETWEEN * WITHIN / (3.0 * BETWEEN + WITHIN);
    let [known] = used(&filled, 3).covariance() else {
        panic!("one factor")
    };
    close(*known, variance);
    let error = used(&filled, 3).error_at(35.0, Place::default()).unwrap();
    close(error.gradient[0], printed_y_m(ALDER, 35.0));
    assert_eq!(error.gradient[1..], [0.0; 3]);
    close(error.residual_m, 0.231_41 * k * printed_y_m(ALDER, 35.0));
    let words = filled.derivation(filled.trees[3].source, 35.0, Place::default());
    assert!(
        words.join("\n").contains("3 heights of the species"),
        "{words:?}"
    );

    trees.rotate_left(2);
    let turned = forest.fill(trees, true);
    assert_eq!(turned.trees[1].height_m, filled.trees[3].height_m);
}

#[test]
fn without_own_heights_those_of_its_kind_scale_it_each_over_its_own_curve() {
    let forest = Forest::new();
    // Two heights of hemlock scale Douglas-fir; no hardwood has a height, so alder is as published.
    let heights = [(25.0, 18.0), (44.0, 30.0)];
    let mut trees: Vec<Tree> = heights.map(|(d, h)| tall(tree(HW, d), h)).to_vec();
    trees.extend([tree(FD, 30.0), tree(DR, 30.0)]);
    let filled = forest.fill(trees, true);
    let y: f64 = heights.iter().map(|(_, h)| h - BREAST_M).sum();
    let y_hat: f64 = heights.iter().map(|(d, _)| printed_y_m(HEMLOCK, *d)).sum();
    let k = 1.0 + 2.0 * BETWEEN / (2.0 * BETWEEN + WITHIN) * (y / y_hat - 1.0);
    let found = scale(&filled, 2).unwrap();
    assert!(matches!(found.whose, Level::Pooled(_)), "{found:?}");
    close(
        filled.trees[2].height_m.unwrap(),
        BREAST_M + k * printed_y_m(DOUGLAS_FIR, 30.0),
    );
    assert_eq!(scale(&filled, 3), None);
    close(
        filled.trees[3].height_m.unwrap(),
        BREAST_M + printed_y_m(ALDER, 30.0),
    );
    assert_eq!(used(&filled, 3).error_at(30.0, Place::default()), None);
    assert!(used(&filled, 3).covariance().is_empty());
}

/// The forest with `ratio_to`, and the heights of these trees.
fn with_ratios(ratios: &[(&str, &str, Option<f64>)], trees: Vec<Tree>) -> StandHeights {
    let mut forest = Forest::new();
    forest.heights.ratio_to = ratios
        .iter()
        .map(|(species, to, ratio)| RatioTo {
            species: (*species).to_owned(),
            to: (*to).to_owned(),
            ratio: *ratio,
        })
        .collect();
    forest.fill(trees, true)
}

fn factor(filled: &StandHeights, tree: usize) -> Factor {
    let HeightCurve::Ratio(ratio) = used(filled, tree) else {
        panic!("{:?}", filled.trees[tree])
    };
    ratio.factor
}

#[test]
fn a_ratio_of_the_design_comes_before_the_shared_curve() {
    let mut trees = measured(FD, 8);
    trees.extend([tree(HW, 30.0), tree(FD, 30.0), tree(DR, 60.0)]);
    let ratios = [("western hemlock", "Fd", Some(0.9)), ("Dr", "Fd", None)];
    let filled = with_ratios(&ratios, trees.clone());
    let heights: Vec<f64> = filled.trees[8..]
        .iter()
        .map(|tree| tree.height_m.unwrap())
        .collect();
    assert!(matches!(
        filled.trees[8].source,
        HeightSource::RatioCurve(_)
    ));
    close(heights[0] - 1.3, 0.9 * (heights[1] - 1.3));
    assert_eq!(factor(&filled, 8), Factor::Given(0.9));
    // No height of alder: 1, and nothing is known of the error.
    assert_eq!(factor(&filled, 10), Factor::One);
    assert_eq!(used(&filled, 10).error_at(60.0, Place::default()), None);
    // The curve of Douglas-fir had to serve a tree of 60 cm too.
    let of_fir = used(&filled, 9);
    close(heights[2], of_fir.height_m(60.0, Place::default()));
    assert!(used(&filled, 10).is_extrapolated(60.0) && !used(&filled, 8).is_extrapolated(40.0));
    // The error of a factor from the design is that of the other's curve times it.
    let (ours, theirs) = (
        used(&filled, 8).error_at(30.0, Place::default()).unwrap(),
        of_fir.error_at(30.0, Place::default()).unwrap(),
    );
    assert_eq!(used(&filled, 8).covariance(), of_fir.covariance());
    close(ours.gradient[0], 0.9 * theirs.gradient[0]);
    close(ours.residual_m, 0.9 * theirs.residual_m);
    // With enough heights of its own the key is not used.
    trees.extend(measured(HW, 6));
    let filled = with_ratios(&ratios, trees);
    assert!(!matches!(
        filled.trees[8].source,
        HeightSource::RatioCurve(_)
    ));
}

#[test]
fn heights_of_the_species_give_the_ratio() {
    let mut trees = measured(FD, 8);
    trees.extend([
        tall(tree(HW, 20.0), 12.0),
        tall(tree(HW, 36.0), 21.0),
        tree(HW, 30.0),
    ]);
    let filled = with_ratios(&[("Hw", "Fd", None)], trees);
    let HeightCurve::Ratio(ratio) = used(&filled, 10) else {
        panic!("{:?}", filled.trees[10])
    };
    let of_fir = |d| ratio.curve.height_m(d, Place::default()) - 1.3;
    let bare = (12.0 + 21.0 - 2.6) / (of_fir(20.0) + of_fir(36.0));
    let k = 1.0 + 2.0 * BETWEEN / (2.0 * BETWEEN + WITHIN) * (bare - 1.0);
    close(filled.trees[10].height_m.unwrap(), 1.3 + k * of_fir(30.0));
    // Block-diagonal: the curve's parameters, then the factor.
    let theirs = ratio.curve.covariance();
    let p = theirs.len().isqrt();
    let covariance = used(&filled, 10).covariance();
    assert_eq!(covariance.len(), (p + 1) * (p + 1));
    for (i, row) in covariance.chunks(p + 1).take(p).enumerate() {
        assert_eq!(row[..p], theirs[i * p..(i + 1) * p]);
        close(1.0 + row[p], 1.0);
    }
    close(
        covariance[(p + 1) * (p + 1) - 1],
        BETWEEN * WITHIN / (2.0 * BETWEEN + WITHIN),
    );
    let error = used(&filled, 10).error_at(30.0, Place::default()).unwrap();
    let of_other = ratio.curve.error_at(30.0, Place::default()).unwrap();
    close(error.gradient[0], k * of_other.gradient[0]);
    close(error.gradient[p], of_fir(30.0));
    close(error.residual_m, k * of_other.residual_m);
}

/// Alder over hemlock over Douglas-fir, each factor from one height: `y = k1 k2 y_fir`, whose variance
/// is `y_fir^2 (k1^2 var k2 + k2^2 var k1)` beside that of the curve.
#[test]
fn ratios_may_hang_on_ratios() {
    let mut trees = measured(FD, 8);
    trees.extend([tall(tree(HW, 30.0), 18.0), tall(tree(DR, 30.0), 15.0)]);
    trees.extend([tree(DR, 40.0), tree(HW, 40.0)]);
    let filled = with_ratios(&[("Dr", "Hw", None), ("Hw", "Fd", None)], trees);
    let (alder, hemlock) = (factor(&filled, 10).value(), factor(&filled, 11).value());
    let HeightCurve::Ratio(of_hemlock) = used(&filled, 11) else {
        panic!("{:?}", filled.trees[11])
    };
    let of_fir = of_hemlock.curve.height_m(40.0, Place::default()) - 1.3;
    close(
        filled.trees[10].height_m.unwrap(),
        1.3 + alder * hemlock * of_fir,
    );
    let curve = used(&filled, 10);
    let p = curve.covariance().len().isqrt();
    let last = curve.covariance()[p * p - 1];
    let gradient = curve.error_at(40.0, Place::default()).unwrap().gradient;
    let variance = BETWEEN * WITHIN / (BETWEEN + WITHIN);
    let expected = (alder * alder + hemlock * hemlock) * variance * of_fir * of_fir;
    close(gradient[p - 1].powi(2) * last, expected);
}

#[test]
fn a_species_without_trees_lends_its_published_curve() {
    // No spruce was recorded; the set has a curve for it. 5.404491308, -6.570862442, -0.819705048.
    let filled = with_ratios(
        &[("Dr", "Picea sitchensis", Some(0.8))],
        vec![tree(DR, 30.0)],
    );
    let spruce = printed_y_m([5.404_491_308, -6.570_862_442, -0.819_705_048], 30.0);
    close(filled.trees[0].height_m.unwrap(), BREAST_M + 0.8 * spruce);
    assert_eq!(used(&filled, 0).error_at(30.0, Place::default()), None);
    assert_eq!(
        filled
            .curves
            .iter()
            .map(|used| used.species.len())
            .sum::<usize>(),
        1
    );
    // Where the other has no curve at all, the shared levels follow.
    let filled = with_ratios(&[("Dr", "Betula papyrifera", None)], vec![tree(DR, 30.0)]);
    let HeightSource::RegionalCurve(at) = filled.trees[0].source else {
        panic!("{:?}", filled.trees[0])
    };
    let passed = &filled.curves[at].species[0].passed;
    assert!(
        matches!(passed[1].why, Why::OtherHasNone { .. }),
        "{passed:?}"
    );
}

#[test]
fn one_value_for_every_height_is_told() {
    let forest = Forest::new();
    let flat = |species, n: u8| (0..n).map(move |k| tall(tree(species, 20.0 + f64::from(k)), 18.0));
    let mut trees: Vec<Tree> = flat(FD, 6).collect();
    trees.push(tree(FD, 30.0));
    let filled = forest.fill(trees.clone(), true);
    let of = |species, n| OneHeight {
        species,
        n,
        height_m: 18.0,
    };
    assert_eq!(filled.one_height, [of(Some(FD), 6)]);
    // They still scale the published curve.
    assert_eq!(scale(&filled, 6).map(|scale| scale.n), Some(6));
    trees.extend(flat(HW, 2));
    assert_eq!(forest.fill(trees.clone(), true).one_height, [of(None, 8)]);
    trees.push(tall(tree(DR, 20.0), 15.0));
    assert_eq!(
        forest.fill(trees.clone(), true).one_height,
        [of(Some(FD), 6)]
    );
    trees.push(tall(tree(FD, 20.0), 15.0));
    assert_eq!(forest.fill(trees, true).one_height, []);
    // Where nothing is missing, nothing is filled.
    assert_eq!(forest.fill(flat(FD, 6).collect(), true).one_height, []);
    assert_eq!(
        forest
            .fill(vec![tall(tree(FD, 20.0), 18.0), tree(FD, 30.0)], true)
            .one_height,
        []
    );
}

#[test]
fn what_is_wrong_with_ratios_is_said_at_its_place() {
    let forest = Forest::new();
    let told = |ratios: &str| {
        let text = format!("species_aliases: {{alder: Dr}}\nheights: {{ratio_to: {{{ratios}}}}}\n");
        lines(&check_species(
            &Source::new("design.yaml", text),
            &forest.table,
        ))
    };
    assert_eq!(
        told("alder: Fd, Hw: {species: alder, ratio: 0.9}"),
        Vec::<String>::new()
    );
    insta::assert_snapshot!(
        [
            told("Hww: Fd, Cw: {species: Fdd}"),
            told("Hw: TSHE"),
            told("Hw: Fd, western hemlock: Cw"),
            told("Hw: Fd, Fd: alder, Dr: Hw"),
        ]
        .concat()
        .join("\n")
    );
}

#[test]
fn aliases_are_the_species_that_they_stand_for() {
    let text = "species_aliases: {alder: Dr}\ninputs: {plots: p.csv, trees: t.csv}\nselections: {f: {method: full-tally}}\n\
        heights: {ratio_to: {Alder: Fd, Hw: {species: alder, ratio: 0.9}}}\n";
    let (design, problems) = crate::reading::design_of(text);
    let ratio_to = design
        .unwrap_or_else(|| panic!("{:?}", lines(&problems)))
        .heights
        .ratio_to;
    let of = |species: &str, to: &str, ratio| RatioTo {
        species: species.to_owned(),
        to: to.to_owned(),
        ratio,
    };
    assert_eq!(ratio_to, [of("Dr", "Fd", None), of("Hw", "Dr", Some(0.9))]);
}

/// A species of the cruise that is not in the table's order still finds its heights.
#[test]
fn the_order_of_the_species_changes_nothing() {
    let mut forest = Forest::new();
    forest.heights.ratio_to = vec![RatioTo {
        species: "Hw".to_owned(),
        to: "Fd".to_owned(),
        ratio: None,
    }];
    let trees = |fir, hemlock| {
        let mut trees = measured(fir, 8);
        trees.extend([tall(tree(hemlock, 20.0), 12.0), tree(hemlock, 30.0)]);
        trees
    };
    let forward = forest.fill(trees(FD, HW), true).trees[9].height_m;
    let species: Vec<CruiseSpecies> = forest.species.iter().rev().cloned().collect();
    forest.species = species;
    let backward = forest.fill(trees(2, 1), true).trees[9].height_m;
    close(backward.unwrap(), forward.unwrap());
}
