//! Species that share the shape of a curve, a species' own curve against the shared one, and effects
//! of plots and stands: every rule by value.
//!
//! Michailow's curve `y = (a + u) g`, `g = exp(-b / D)`, is linear in its effect, so that effects can
//! be worked by hand: `u = sum w g (y - a g) / (sum w g^2 + 1 / t2)`.

use std::collections::BTreeMap;
use std::sync::Arc;

use spinney::design::{Calibrate, CurveChoice, FitBy, FitWeights};
use spinney::heights::diagnose::{leave_one_out_rms_m, residuals};
use spinney::heights::effects::{Effects, Grouping, WithoutEffects};
use spinney::heights::fill::CurveSet;
use spinney::heights::fit::{Points, Refusal};
use spinney::heights::{FittedUse, HeightCurve, HeightSource, Level, Place, StandHeights, Why};
use spinney::records::{CruiseSpecies, Stand, Tree};

use crate::height_filling::{DR, FD, Forest, HW, stand};
use crate::sample::{design, fixed, plot, records, tall, tree, visit};

/// Index of redcedar in [`conifers`].
pub(crate) const CW: usize = 3;

pub(crate) fn close(ours: f64, theirs: f64) {
    assert!(
        (ours - theirs).abs() <= 1e-7 * theirs.abs().max(1e-3),
        "{ours} against {theirs}"
    );
}

/// A forest with redcedar besides, its curves of Michailow's form.
pub(crate) fn conifers() -> Forest {
    let mut forest = Forest::new();
    forest.species.push(CruiseSpecies {
        label: "Cw".to_owned(),
        id: forest.table.lookup("Cw").unwrap(),
    });
    forest.heights.curve = CurveChoice::Named("michailow".to_owned());
    forest
}

pub(crate) const OFF: [f64; 9] = [0.9, -1.2, 0.6, 1.5, -1.8, 0.3, -0.6, 1.2, -0.9];

/// Trees about `y = a exp(-b / D)`, `noise` times a metre or two off.
pub(crate) fn about(species: usize, n: usize, (a, b): (f64, f64), noise: f64) -> Vec<Tree> {
    (0..n)
        .map(|k| {
            let d = 12.0 + 4.0 * k as f64;
            tall(
                tree(species, d),
                1.3 + a * (-b / d).exp() + noise * OFF[(k + species) % 9],
            )
        })
        .collect()
}

pub(crate) fn fitted(filled: &StandHeights, tree: usize) -> &FittedUse {
    let HeightCurve::Fitted(fitted) = used(filled, tree) else {
        panic!("{:?}", filled.trees[tree])
    };
    fitted
}

pub(crate) fn used(filled: &StandHeights, tree: usize) -> &HeightCurve {
    &filled.curves[filled.trees[tree].source.curve().unwrap()].curve
}

pub(crate) fn effects(filled: &StandHeights, tree: usize) -> &Arc<Effects> {
    let fitted = fitted(filled, tree);
    fitted
        .effects
        .as_ref()
        .unwrap_or_else(|why| panic!("{why:?}"))
}

pub(crate) fn measured(tree: &Tree) -> Option<(f64, f64)> {
    match tree.height {
        spinney::records::HeightRecord::Measured { height_m } => Some((tree.dbh_cm, height_m)),
        _ => None,
    }
}

/// The effect of a group by hand, and the variance of its error.
pub(crate) fn by_hand<'t>(effects: &Effects, trees: impl Iterator<Item = &'t Tree>) -> (f64, f64) {
    let fit = &effects.curve.fit;
    let (a, b) = (fit.fixed[0], fit.fixed[1]);
    let (mut along, mut information) = (0.0, 1.0 / fit.own_variance);
    for (d, height_m) in trees.filter_map(measured) {
        let g = (-b / d).exp();
        let weight = effects.curve.residual.sd_m(d).powi(-2);
        along += weight * g * (height_m - 1.3 - a * g);
        information += weight * g * g;
    }
    (along / information, 1.0 / information)
}

#[test]
fn species_share_a_shape_and_have_an_effect_each() {
    let forest = conifers();
    let mut trees = about(FD, 12, (40.0, 15.0), 0.5);
    trees.extend(about(HW, 4, (30.0, 15.0), 0.5));
    trees.extend([tree(HW, 30.0), tree(CW, 30.0)]);
    let filled = forest.fill(trees.clone(), false);
    let shared = effects(&filled, 16);
    assert_eq!(
        (shared.by(), shared.groups_with_heights()),
        (Grouping::Species, 2)
    );
    assert!(matches!(
        filled.trees[16].source,
        HeightSource::PooledCurve(_)
    ));
    let (a, b) = (shared.curve.fit.fixed[0], shared.curve.fit.fixed[1]);
    let g = (-b / 30.0_f64).exp();
    let (effect, variance) = by_hand(shared, trees[12..16].iter());
    assert!(effect < -2.0, "{effect}");
    close(filled.trees[16].height_m.unwrap(), 1.3 + (a + effect) * g);
    // Without heights of its own: the fixed part, off by a whole effect.
    close(filled.trees[17].height_m.unwrap(), 1.3 + a * g);
    let curve = used(&filled, 16);
    for (at, variance) in [(16, variance), (17, shared.curve.fit.own_variance)] {
        let error = curve.error_at(30.0, filled.trees[at].place).unwrap();
        let [Some((effect, share_m)), None] = error.effects else {
            panic!("{error:?}")
        };
        close(share_m, g);
        close(curve.effect_variance(effect), variance);
        close(error.residual_m, shared.curve.fit.sigma);
    }
    assert_eq!(curve.covariance().len(), 4);
    // By the derivation too.
    let source = filled.trees[16].source;
    let words = filled
        .derivation(source, 30.0, filled.trees[16].place)
        .join("\n");
    assert!(
        words.contains("a of this species") && words.contains("from 4 of its heights"),
        "{words}"
    );
    // Whatever the order of the trees.
    trees.reverse();
    let backwards = forest.fill(trees, false);
    assert_eq!(backwards.trees[1].height_m, filled.trees[16].height_m);
    assert_eq!(backwards.trees[0].height_m, filled.trees[17].height_m);
}

#[test]
fn species_alike_share_one_curve_and_that_is_told() {
    let forest = conifers();
    // The same nine residuals for both: nothing tells the species apart.
    let mut trees: Vec<Tree> = Vec::new();
    for species in [FD, HW] {
        trees.extend(
            about(0, 4, (40.0, 15.0), 0.5)
                .into_iter()
                .map(|one| Tree { species, ..one }),
        );
    }
    trees.push(tree(CW, 30.0));
    let filled = forest.fill(trees, false);
    let why = WithoutEffects::NoVariance(Grouping::Species);
    assert_eq!(fitted(&filled, 8).effects.as_ref().err(), Some(&why));
    // Heights of one species only.
    let mut trees = about(FD, 12, (40.0, 15.0), 0.5);
    trees.push(tree(CW, 30.0));
    let filled = forest.fill(trees, false);
    let why = WithoutEffects::TooFew {
        by: Grouping::Species,
        groups: 1,
        several: 1,
    };
    assert_eq!(fitted(&filled, 12).effects.as_ref().err(), Some(&why));
    // A hardwood has no part in it.
    assert_eq!(filled.curves[0].level.name(), "softwoods");
}

#[test]
fn a_species_whose_curve_goes_too_high_takes_the_plain_shared_one() {
    let forest = conifers();
    let mut trees = about(FD, 9, (45.0, 15.0), 0.2);
    trees.extend(about(HW, 4, (72.0, 15.0), 0.2));
    let (wide, n) = (tree(HW, 90.0), trees.len());
    trees.push(tree(HW, 30.0));
    let narrow = forest.fill(trees.clone(), false);
    assert!(effects(&narrow, n).by() == Grouping::Species);
    trees.push(wide);
    let filled = forest.fill(trees, false);
    let why = WithoutEffects::NotAcceptable(Grouping::Species, Refusal::TooHigh);
    assert_eq!(fitted(&filled, n).effects.as_ref().err(), Some(&why));
}

#[test]
fn the_best_forms_are_tried_with_effects() {
    let mut forest = conifers();
    forest.heights.curve = CurveChoice::Best;
    let mut trees = about(FD, 12, (40.0, 15.0), 0.3);
    trees.extend(about(HW, 4, (30.0, 15.0), 0.3));
    trees.push(tree(HW, 30.0));
    let filled = forest.fill(trees, false);
    let shared = fitted(&filled, 16);
    let mut accepted: Vec<f64> = shared
        .tried
        .iter()
        .filter_map(|one| one.outcome.ok())
        .collect();
    accepted.sort_by(f64::total_cmp);
    let without = effects(&filled, 16).aicc.1;
    assert!(accepted[..3].contains(&without), "{without} {accepted:?}");
    assert_eq!(shared.fit.curve.form, effects(&filled, 16).curve.curve.form);
}

/// Root mean square error of the heights of a species by the shared curve: the effect predicted
/// without each in turn, and its leverage in the fit without effects taken off.
fn left_out_by_hand(shared: &FittedUse, pool: &[Tree], trees: &[Tree]) -> f64 {
    let effects = shared.effects.as_ref().unwrap();
    let (a, b) = (effects.curve.fit.fixed[0], effects.curve.fit.fixed[1]);
    let points = Points::new(pool.iter().filter_map(measured).collect());
    let plain = residuals(&shared.fit, &points);
    let leverage = |tree: (f64, f64)| {
        let mut behind = points.dbh_cm().iter().zip(points.height_m());
        let at = behind.position(|(d, height_m)| (*d, *height_m) == tree);
        plain[at.unwrap()].leverage.unwrap()
    };
    let squares: f64 = (0..trees.len())
        .map(|out| {
            let others = trees.iter().enumerate().filter(|(at, _)| *at != out);
            let (effect, _) = by_hand(effects, others.map(|(_, tree)| tree));
            let (d, height_m) = measured(&trees[out]).unwrap();
            let error_m = height_m - 1.3 - (a + effect) * (-b / d).exp();
            (error_m / (1.0 - leverage((d, height_m)))).powi(2)
        })
        .sum();
    (squares / trees.len() as f64).sqrt()
}

#[test]
fn the_curve_that_foretells_the_heights_better_is_taken() {
    let forest = conifers();
    // Another shape: its own curve.
    let mut trees = about(HW, 14, (34.0, 10.0), 0.2);
    let firs = about(FD, 12, (46.0, 26.0), 0.2);
    trees.extend(firs.clone());
    trees.extend([tree(FD, 40.0), tree(CW, 30.0)]);
    let filled = forest.fill(trees.clone(), false);
    assert!(matches!(
        filled.trees[26].source,
        HeightSource::SpeciesCurve(_)
    ));
    let own = fitted(&filled, 26);
    let (own_m, shared_m) = own.closer_than_shared.unwrap();
    let points = Points::new(firs.iter().filter_map(measured).collect());
    close(own_m, leave_one_out_rms_m(&own.fit, &points).unwrap());
    close(
        shared_m,
        left_out_by_hand(fitted(&filled, 27), &trees, &firs),
    );
    assert!(own_m < shared_m);

    // The same shape, few heights and all of thin trees: the shared curve.
    let mut trees = about(HW, 14, (34.0, 15.0), 0.2);
    let firs = about(FD, 5, (40.0, 15.0), 1.0);
    trees.extend(firs.clone());
    trees.push(tree(FD, 40.0));
    let filled = forest.fill(trees.clone(), false);
    assert!(
        matches!(filled.trees[19].source, HeightSource::PooledCurve(_)),
        "{:?}",
        fitted(&filled, 19).closer_than_shared
    );
    let served = &filled.curves[0].species[0];
    let Why::SharedIsCloser {
        n: 5,
        own_m: Some(own_m),
        shared_m,
    } = served.passed[0].why
    else {
        panic!("{:?}", served.passed)
    };
    close(
        shared_m,
        left_out_by_hand(fitted(&filled, 19), &trees, &firs),
    );
    assert!(shared_m < own_m);
    assert_eq!(served.passed[0].level, Level::Species);
}

#[test]
fn a_species_alone_of_its_kind_keeps_its_own_curve() {
    let forest = conifers();
    let mut trees = about(DR, 9, (30.0, 12.0), 0.5);
    trees.push(tree(DR, 30.0));
    let filled = forest.fill(trees, false);
    assert_eq!(fitted(&filled, 9).closer_than_shared, None);
    assert!(matches!(
        filled.trees[9].source,
        HeightSource::SpeciesCurve(_)
    ));
}

/// One stand with these trees on its plots.
pub(crate) fn on_plots(plots: Vec<Vec<Tree>>) -> Stand {
    let design = design(vec![fixed(0.02)]);
    let plots = plots
        .into_iter()
        .map(|trees| plot(0, vec![visit(&design, 0, trees, Vec::new())]))
        .collect();
    records(4, vec![("Wood", vec![("", None)], plots)])
        .stands
        .remove(0)
}

/// Douglas-fir on plots whose scale differs by `spread`, the last plot without heights, and a tree
/// without one on each.
pub(crate) fn plots(n: usize, spread: f64) -> Vec<Vec<Tree>> {
    (0..n)
        .map(|k| {
            let a = 40.0 + spread * [1.0, -1.3, 0.4, -0.7, 1.2, -0.5][k % 6];
            let mut trees: Vec<Tree> = (0..4)
                .map(|j| {
                    let d = 14.0 + 9.0 * j as f64 + 2.0 * (k % 3) as f64;
                    let off = 0.4 * OFF[(5 * k + 2 * j) % 9];
                    tall(tree(FD, d), 1.3 + a * (-15.0 / d).exp() + off)
                })
                .collect();
            trees.push(tree(FD, 30.0));
            trees
        })
        .chain([vec![tree(FD, 30.0)]])
        .collect()
}

fn numbers(filled: &StandHeights) -> Vec<f64> {
    filled
        .trees
        .iter()
        .map(|tree| tree.height_m.unwrap())
        .collect()
}

#[test]
fn plots_that_differ_have_an_effect_each() {
    for weights in [FitWeights::Equal, FitWeights::InverseDbh] {
        let mut forest = conifers();
        forest.heights.weights = weights;
        let plots = plots(6, 5.0);
        let filled = forest.fill_stand(&on_plots(plots.clone()), None);
        let fir = effects(&filled, 4);
        assert_eq!((fir.by(), fir.groups_with_heights()), (Grouping::Plots, 6));
        assert!(fir.aicc.0 < fir.aicc.1, "{:?}", fir.aicc);
        close(fir.aicc.1, fitted(&filled, 4).fit.aicc);
        let (a, b) = (fir.curve.fit.fixed[0], fir.curve.fit.fixed[1]);
        let g = (-b / 30.0_f64).exp();
        let curve = used(&filled, 4);
        for (k, trees) in plots[..6].iter().enumerate() {
            let (effect, variance) = by_hand(fir, trees.iter());
            let filled = filled.trees[5 * k + 4];
            close(filled.height_m.unwrap(), 1.3 + (a + effect) * g);
            let error = curve.error_at(30.0, filled.place).unwrap();
            assert_eq!(error.effects[0].map(|(at, _)| at), Some(k));
            close(curve.effect_variance(k), variance);
            let residual_m = match weights {
                FitWeights::InverseDbh => fir.curve.fit.sigma * 30.0_f64.sqrt(),
                _ => fir.curve.fit.sigma,
            };
            close(error.residual_m, residual_m);
        }
        let last = filled.trees[30];
        close(last.height_m.unwrap(), 1.3 + a * g);
        let error = curve.error_at(30.0, last.place).unwrap();
        assert_eq!(error.effects[0].map(|(at, _)| at), Some(6));
        close(curve.effect_variance(6), fir.curve.fit.own_variance);
        // The order of the trees of a plot changes nothing.
        let mut turned = plots;
        for trees in &mut turned {
            trees.reverse();
        }
        let turned = forest.fill_stand(&on_plots(turned), None);
        assert_eq!(turned.trees[0].height_m, filled.trees[4].height_m);
    }
}

/// Where plots do not differ, the likelihood is that of the plain curve and a parameter more is
/// paid for: n = 24, k = 3 and 4.
#[test]
fn plots_that_do_not_differ_have_no_effects() {
    for weights in [FitWeights::Equal, FitWeights::InverseDbh] {
        let mut forest = conifers();
        forest.heights.weights = weights;
        let stand = on_plots(plots(6, 0.0));
        let filled = forest.fill_stand(&stand, None);
        let Err(WithoutEffects::NotBetter {
            by: Grouping::Plots,
            with,
            without,
        }) = fitted(&filled, 4).effects
        else {
            panic!("{:?}", fitted(&filled, 4).effects)
        };
        let paid = 2.0 + 2.0 * 4.0 * 5.0 / 19.0 - 2.0 * 3.0 * 4.0 / 20.0;
        assert!((with - without - paid).abs() < 1e-6, "{with} {without}");
        forest.heights.calibrate = Calibrate::None;
        let plain = forest.fill_stand(&stand, None);
        assert_eq!(numbers(&plain), numbers(&filled));
        assert_eq!(
            fitted(&plain, 4).effects.as_ref().err(),
            Some(&WithoutEffects::NotAsked)
        );
        // Asked for by name, the criterion is not asked: with equal weights these plots differ a
        // little by REML, with weights 1/dbh they do not.
        forest.heights.calibrate = Calibrate::Plots;
        let named = forest.fill_stand(&stand, None);
        match (weights, &fitted(&named, 4).effects) {
            (FitWeights::InverseDbh, Err(why)) => {
                assert_eq!(*why, WithoutEffects::NoVariance(Grouping::Plots));
            }
            (_, Ok(fir)) => assert!(fir.aicc.0 > fir.aicc.1, "{:?}", fir.aicc),
            (_, Err(why)) => panic!("{why:?}"),
        }
    }
}

#[test]
fn what_is_asked_for_but_cannot_be_is_told() {
    let mut forest = conifers();
    let why = |forest: &Forest, plots| {
        let filled = forest.fill_stand(&on_plots(plots), None);
        fitted(&filled, 4).effects.as_ref().err().copied()
    };
    let too_few = |groups, several| {
        Some(WithoutEffects::TooFew {
            by: Grouping::Plots,
            groups,
            several,
        })
    };
    assert_eq!(why(&forest, plots(2, 5.0)), too_few(2, 2));
    let mut thin = plots(4, 5.0);
    for trees in &mut thin[1..4] {
        trees.truncate(1);
    }
    assert_eq!(why(&forest, thin), too_few(4, 1));
    forest.heights.calibrate = Calibrate::Plots;
    assert_eq!(why(&forest, plots(2, 5.0)), too_few(2, 2));
    for (calibrate, by) in [
        (Calibrate::Stands, Grouping::Stands),
        (Calibrate::StandsAndPlots, Grouping::StandsAndPlots),
    ] {
        forest.heights.calibrate = calibrate;
        assert_eq!(
            why(&forest, plots(6, 5.0)),
            Some(WithoutEffects::OneStand(by))
        );
    }
}

/// Four stands of three plots and one without heights, stand by stand.
fn cruise(forest: &mut Forest, calibrate: Calibrate) -> (Vec<StandHeights>, Vec<Stand>) {
    forest.heights.fit_by = FitBy::Cruise;
    forest.heights.calibrate = calibrate;
    let stands: Vec<Stand> = [6.0, -5.0, 2.0, -3.0]
        .iter()
        .enumerate()
        .map(|(k, shift)| {
            let mut plots = plots(3, 1.5);
            for (j, tree) in plots.iter_mut().flatten().enumerate() {
                if let Some((d, height_m)) = measured(tree) {
                    let off = 0.2 * OFF[(j + 4 * k) % 9];
                    *tree = tall(tree.clone(), height_m + shift * (-15.0 / d).exp() + off);
                }
            }
            on_plots(plots)
        })
        .chain([stand(vec![tree(FD, 30.0)])])
        .collect();
    let all: Vec<&Stand> = stands.iter().collect();
    let curves = CurveSet::fit(&all, &forest.species, &forest.table, &forest.heights, None);
    let filled = stands
        .iter()
        .enumerate()
        .map(|(at, stand)| curves.fill(at, stand))
        .collect();
    (filled, stands)
}

#[test]
fn stands_fitted_together_have_effects_and_plots_within_them() {
    let mut forest = conifers();
    let (filled, _) = cruise(&mut forest, Calibrate::StandsAndPlots);
    let fir = effects(&filled[0], 4);
    assert_eq!(
        (fir.groups_with_heights(), fir.stands_with_heights()),
        (12, 4)
    );
    let curve = used(&filled[0], 4);
    let (a, b) = (fir.curve.fit.fixed[0], fir.curve.fit.fixed[1]);
    let g = (-b / 30.0_f64).exp();
    let mut seen = BTreeMap::new();
    for (stand, heights) in filled.iter().enumerate() {
        for (at, tree) in heights.trees.iter().enumerate() {
            if tree.source.curve().is_none() {
                continue;
            }
            let error = curve.error_at(30.0, tree.place).unwrap();
            let [Some((own, by_own)), Some((outer, by_outer))] = error.effects else {
                panic!("{error:?}")
            };
            // Four stands of four plots and one of one: 17, then the stands.
            assert_eq!(
                (own, outer),
                (4 * stand + tree.place.plot, 17 + stand),
                "tree {at}"
            );
            let effect = &fir.curve.fit.effects[own];
            close(tree.height_m.unwrap(), 1.3 + (a + effect.value) * g);
            close(by_own, g);
            close(by_outer, g * effect.share);
            close(
                curve.effect_variance(outer),
                fir.curve.fit.outer_effects[stand].variance,
            );
            seen.insert(own, tree.height_m.unwrap());
        }
    }
    assert_eq!(seen.len(), 17);
    // A plot without heights takes the effect of its stand, a stand without any none.
    let of_stand = fir.curve.fit.outer_effects[0].value;
    close(seen[&3], 1.3 + (a + of_stand) * g);
    close(seen[&16], 1.3 + a * g);
    close(curve.effect_variance(16), fir.curve.fit.own_variance);
    close(
        curve.effect_variance(21),
        fir.curve.fit.outer_variance.unwrap(),
    );

    // The best of the three has the least criterion.
    let criterion = |forest: &mut Forest, calibrate| {
        let (filled, _) = cruise(forest, calibrate);
        let effects = effects(&filled[0], 4).clone();
        (effects.aicc.0, effects.by())
    };
    let named = [
        Calibrate::Plots,
        Calibrate::Stands,
        Calibrate::StandsAndPlots,
    ]
    .map(|calibrate| criterion(&mut forest, calibrate));
    let least = named.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0));
    assert_eq!(Some(criterion(&mut forest, Calibrate::Best)), least);
}

#[test]
fn the_place_is_that_of_the_tree_and_not_of_another_species() {
    // A ratio to a species with effects takes those of the place.
    let mut forest = conifers();
    forest.heights.ratio_to = vec![spinney::design::RatioTo {
        species: "Dr".to_owned(),
        to: "Fd".to_owned(),
        ratio: Some(0.8),
    }];
    let mut plots = plots(6, 5.0);
    plots[2].push(tree(DR, 30.0));
    let filled = forest.fill_stand(&on_plots(plots), None);
    let (alder, fir) = (&filled.trees[15], &filled.trees[14]);
    assert_eq!((alder.place.plot, fir.place.plot), (2, 2));
    close(
        alder.height_m.unwrap() - 1.3,
        0.8 * (fir.height_m.unwrap() - 1.3),
    );
    let error = used(&filled, 15).error_at(30.0, alder.place).unwrap();
    let of_fir = used(&filled, 14).error_at(30.0, fir.place).unwrap();
    let (Some((ours, share)), Some((theirs, whole))) = (error.effects[0], of_fir.effects[0]) else {
        panic!("{error:?}")
    };
    assert_eq!(ours, theirs);
    close(share, 0.8 * whole);
    close(
        used(&filled, 15).effect_variance(ours),
        used(&filled, 14).effect_variance(theirs),
    );
    let elsewhere = Place {
        plot: 4,
        ..alder.place
    };
    assert!(used(&filled, 15).height_m(30.0, elsewhere) > alder.height_m.unwrap());
}

#[test]
fn weights_by_precision_leave_no_effects_and_that_is_told() {
    let mut forest = conifers();
    forest.heights.weights = FitWeights::Precision;
    let filled = forest.fill_stand(&on_plots(plots(6, 5.0)), None);
    let why = WithoutEffects::ByPrecision(Grouping::Plots);
    assert_eq!(fitted(&filled, 4).effects.as_ref().err(), Some(&why));
    let mut trees = about(FD, 12, (40.0, 15.0), 0.5);
    trees.extend(about(HW, 4, (30.0, 15.0), 0.5));
    trees.push(tree(HW, 30.0));
    let filled = forest.fill(trees, false);
    let why = WithoutEffects::ByPrecision(Grouping::Species);
    assert_eq!(fitted(&filled, 16).effects.as_ref().err(), Some(&why));
}
