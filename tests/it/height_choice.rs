//! Which curve comes first: a species' own, the one that its kind shares or a published one. What
//! decides is worked anew for each case: heights left out one at a time, and whether the mean of the
//! differences of the squared errors is above two standard errors of it.

use spinney::design::Calibrate;
use spinney::heights::diagnose::residuals;
use spinney::heights::effects::Grouping;
use spinney::heights::fit::Points;
use spinney::heights::{FittedUse, HeightCurve, HeightSource, MANY_HEIGHTS, StandHeights, Why};
use spinney::math::sum::{mean, variance};
use spinney::records::{CruiseSpecies, Tree};

use crate::height_borrowing::{BETWEEN, BREAST_M, DOUGLAS_FIR, HEMLOCK, WITHIN, printed_y_m};
use crate::height_effects::{
    CW, about, by_hand, close, conifers, effects, fitted, measured, on_plots, plots, used,
};
use crate::height_filling::{FD, Forest, HW};
use crate::sample::{tall, tree};
use crate::whole_error::Normal;

/// Standard errors by which a curve must lead to be clearly better.
const CLEAR: f64 = 2.0;

/// Errors for the heights of some groups of trees by Michailow's curve, each height left out of the
/// effect of its group, and its leverage in the fit without effects taken off, m.
fn left_out(fit: &FittedUse, groups: &[&[Tree]]) -> Vec<f64> {
    let trees = groups.iter().copied().flatten();
    let points = Points::new(trees.filter_map(measured).collect());
    let plain = residuals(&fit.fit, &points);
    let leverage = |tree: (f64, f64)| {
        let mut behind = points.dbh_cm().iter().zip(points.height_m());
        let at = behind.position(|(d, height_m)| (*d, *height_m) == tree);
        plain[at.unwrap()].leverage.unwrap()
    };
    let mut errors = Vec::new();
    for group in groups {
        for (out, (d, height_m)) in group.iter().map(measured).enumerate().filter_map(some) {
            let y_m = match &fit.effects {
                Ok(effects) => {
                    let others = group.iter().enumerate().filter(|(at, _)| *at != out);
                    let (effect, _) = by_hand(effects, others.map(|(_, tree)| tree));
                    let (a, b) = (effects.curve.fit.fixed[0], effects.curve.fit.fixed[1]);
                    (a + effect) * (-b / d).exp()
                }
                Err(_) => fit.fit.curve.height_m(d) - 1.3,
            };
            errors.push((height_m - 1.3 - y_m) / (1.0 - leverage((d, height_m))));
        }
    }
    errors
}

fn some<T>((at, value): (usize, Option<T>)) -> Option<(usize, T)> {
    value.map(|value| (at, value))
}

fn rms(errors: &[f64]) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt()
}

/// Mean difference of the squares of the errors, the second less the first, in its standard errors.
fn lead(errors: &[f64], others: &[f64]) -> f64 {
    let pairs = errors.iter().zip(others);
    let gains: Vec<f64> = pairs.map(|(e, other)| other * other - e * e).collect();
    mean(&gains) / (variance(&gains).unwrap() / gains.len() as f64).sqrt()
}

/// Trees about `y = a exp(-b / D)`, normally off.
fn scattered(
    species: usize,
    n: usize,
    (a, b): (f64, f64),
    noise: f64,
    random: &mut Normal,
) -> Vec<Tree> {
    let mut one = |_| {
        let d = 16.0 + 36.0 * random.0.unit();
        tall(
            tree(species, d),
            1.3 + a * (-b / d).exp() + noise * random.next(),
        )
    };
    (0..n).map(&mut one).collect()
}

/// Firs among hemlocks: their own curve, fitted alone, and the shared one, which serves a redcedar.
/// By how much the own curve leads, and what fills a fir.
struct Firs {
    lead: f64,
    own_m: f64,
    shared_m: f64,
    source: HeightSource,
    filled: StandHeights,
}

fn firs_among(forest: &Forest, firs: &[Tree], hemlocks: &[Tree]) -> Firs {
    let alone = forest.fill([firs, &[tree(FD, 30.0)]].concat(), false);
    let own = left_out(fitted(&alone, firs.len()), &[firs]);
    let trees = [firs, hemlocks, &[tree(FD, 30.0), tree(CW, 30.0)]].concat();
    let at = trees.len() - 2;
    let filled = forest.fill(trees, false);
    let shared = left_out(fitted(&filled, at + 1), &[firs, hemlocks]);
    let shared = &shared[..firs.len()];
    Firs {
        lead: lead(&own, shared),
        own_m: rms(&own),
        shared_m: rms(shared),
        source: filled.trees[at].source,
        filled,
    }
}

impl Firs {
    /// Is the fir filled by its own curve? The errors told must be those of here.
    fn keep_their_own(&self, firs: usize) -> bool {
        let at = self.filled.trees.len() - 2;
        let (own_m, shared_m) = match self.source {
            HeightSource::SpeciesCurve(_) => fitted(&self.filled, at).closer_than_shared.unwrap(),
            HeightSource::PooledCurve(curve) => {
                let mut served = self.filled.curves[curve].species.iter();
                let served = served.find(|served| served.species == FD).unwrap();
                let Why::SharedIsCloser {
                    n,
                    own_m: Some(own_m),
                    shared_m,
                } = served.passed[0].why
                else {
                    panic!("{:?}", served.passed)
                };
                assert_eq!(n, firs);
                (own_m, shared_m)
            }
            source => panic!("{source:?}"),
        };
        close(own_m, self.own_m);
        close(shared_m, self.shared_m);
        matches!(self.source, HeightSource::SpeciesCurve(_))
    }
}

/// Many invented cruises, firs of a shape more or less like that of the hemlocks: with few heights
/// the own curve is taken where it leads clearly, with many unless the other does. All three cases
/// (ahead, behind, and neither) must come up.
fn decided(firs: usize, own_unless_behind: bool) {
    let forest = conifers();
    let mut random = Normal::new(firs as u64);
    let (mut ahead, mut behind, mut neither) = (0, 0, 0);
    for b in [15.0, 18.0, 22.0, 30.0].iter().cycle().take(600) {
        let trees = scattered(FD, firs, (40.0, *b), 1.2, &mut random);
        let hemlocks = scattered(HW, 45, (34.0, 15.0), 1.2, &mut random);
        let found = firs_among(&forest, &trees, &hemlocks);
        match found.lead {
            lead if lead > CLEAR => ahead += 1,
            lead if lead < -CLEAR => behind += 1,
            _ => neither += 1,
        }
        let own = if own_unless_behind {
            found.lead >= -CLEAR
        } else {
            found.lead > CLEAR
        };
        assert_eq!(
            found.keep_their_own(firs),
            own,
            "b {b}, lead {}",
            found.lead
        );
    }
    println!("{firs} firs: {ahead} ahead, {behind} behind, {neither} neither");
    assert!(ahead > 0 && behind > 0 && neither > 0);
}

#[test]
fn few_heights_keep_their_own_curve_only_where_it_is_clearly_better() {
    for firs in [8, MANY_HEIGHTS - 1] {
        decided(firs, false);
    }
}

#[test]
fn many_heights_keep_their_own_curve_unless_the_shared_one_is_clearly_better() {
    decided(MANY_HEIGHTS, true);
}

/// Heights about the published curve of a species, `t` of the way to another shape.
fn near_published(
    (species, b): (usize, [f64; 3]),
    n: usize,
    t: f64,
    random: &mut Normal,
) -> Vec<Tree> {
    let mut one = |_| {
        let d = 16.0 + 36.0 * random.0.unit();
        let y_m = (1.0 - t) * printed_y_m(b, d) + t * 26.0 * (-6.0 / d).exp();
        tall(tree(species, d), BREAST_M + y_m + 1.2 * random.next())
    };
    (0..n).map(&mut one).collect()
}

/// Printed coefficients for redcedar of the same set.
const REDCEDAR: [f64; 3] = [7.232_880_669, -5.746_899_904, -0.271_564_741];
/// Index of a fir that the set does not cover.
const BA: usize = 4;

fn with_a_fir_that_is_not_in_the_set() -> Forest {
    let mut forest = conifers();
    forest.species.push(CruiseSpecies {
        label: "Ba".to_owned(),
        id: forest.table.lookup("Ba").unwrap(),
    });
    forest
}

/// Errors for the heights by the published curves, each scaled by the other heights of its species,
/// where there are none by those of the kind, m.
fn published_left_out(of_species: &[([f64; 3], &[Tree])]) -> Vec<f64> {
    let mut pairs: Vec<(usize, f64, f64)> = Vec::new();
    for (species, (b, trees)) in of_species.iter().enumerate() {
        for (d, height_m) in trees.iter().filter_map(measured) {
            pairs.push((species, height_m - BREAST_M, printed_y_m(*b, d)));
        }
    }
    let factor = |of: &[(usize, f64, f64)]| {
        let n = of.len() as f64;
        let ratio =
            of.iter().map(|(_, y, _)| y).sum::<f64>() / of.iter().map(|(_, _, by)| by).sum::<f64>();
        1.0 + n * BETWEEN / (n * BETWEEN + WITHIN) * (ratio - 1.0)
    };
    (0..pairs.len())
        .map(|out| {
            let (species, y_m, by_curve_m) = pairs[out];
            let mut kind = pairs.clone();
            kind.remove(out);
            let mut own = kind.clone();
            own.retain(|(of, ..)| *of == species);
            let others = if own.is_empty() { &kind } else { &own };
            y_m - factor(others) * by_curve_m
        })
        .collect()
}

fn filled_of(filled: &StandHeights, species: usize) -> usize {
    let mut trees = filled.trees.iter();
    let of_species = trees
        .position(|tree| tree.place.species == species && tree.source != HeightSource::Measured);
    of_species.unwrap()
}

fn served(filled: &StandHeights, species: usize) -> (HeightSource, Vec<Why>) {
    let source = filled.trees[filled_of(filled, species)].source;
    let mut of = filled.curves[source.curve().unwrap()].species.iter();
    let of = of.find(|served| served.species == species).unwrap();
    (
        source,
        of.passed.iter().map(|passed| passed.why.clone()).collect(),
    )
}

fn filled_heights(filled: &StandHeights) -> Vec<Option<f64>> {
    filled.trees.iter().map(|tree| tree.height_m).collect()
}

/// Few firs, one height of redcedar, and four of a species that the set lacks: these are behind the
/// shared curve, but have no part in the comparison.
#[test]
fn few_heights_take_the_published_curve_unless_the_shared_one_is_clearly_better() {
    let forest = with_a_fir_that_is_not_in_the_set();
    let mut random = Normal::new(41);
    let (mut published, mut shared, mut own) = (0, 0, 0);
    for t in [0.0, 0.2, 0.4, 0.6, 1.0].iter().cycle().take(100) {
        let firs = near_published((FD, DOUGLAS_FIR), 6, *t, &mut random);
        let hemlocks = near_published((HW, HEMLOCK), 12, *t, &mut random);
        let cedar = near_published((CW, REDCEDAR), 1, *t, &mut random);
        let others = near_published((BA, DOUGLAS_FIR), 4, *t, &mut random);
        let lacking = [FD, CW, BA].map(|species| tree(species, 30.0));
        let trees = [&firs[..], &hemlocks, &cedar, &others, &lacking].concat();
        let filled = forest.fill(trees.clone(), true);
        let without = forest.fill(trees, false);

        let (source, passed) = served(&filled, BA);
        assert!(matches!(source, HeightSource::PooledCurve(_)), "{source:?}");
        assert_eq!(passed, [Why::TooFew { n: 4, wanted: 5 }]);
        let of_kind = fitted(&filled, filled_of(&filled, BA));
        let by_shared = left_out(of_kind, &[&firs, &hemlocks, &cedar, &others]);
        let by_shared = &by_shared[..19];
        let by_published = published_left_out(&[
            (DOUGLAS_FIR, &firs),
            (HEMLOCK, &hemlocks),
            (REDCEDAR, &cedar),
        ]);
        let is_clear = lead(by_shared, &by_published) > CLEAR;

        let (source, mut passed) = served(&filled, CW);
        assert_eq!(passed[0], Why::TooFew { n: 1, wanted: 5 });
        if is_clear {
            shared += 1;
            assert!(matches!(source, HeightSource::PooledCurve(_)), "{source:?}");
            assert_eq!(passed.len(), 1);
            assert_eq!(filled_heights(&filled), filled_heights(&without));
            continue;
        }
        published += 1;
        assert!(
            matches!(source, HeightSource::RegionalCurve(_)),
            "{source:?}"
        );
        let Some(Why::PublishedIsCloser {
            n: 19,
            shared_m,
            published_m,
        }) = passed.pop()
        else {
            panic!("{passed:?}")
        };
        close(shared_m, rms(by_shared));
        close(published_m, rms(&by_published));
        assert_eq!(passed.len(), 1);
        // Firs have heights enough for a curve of their own; it must be clearly better than the shared.
        match served(&filled, FD) {
            (HeightSource::RegionalCurve(_), passed) => {
                assert!(
                    matches!(
                        passed[..],
                        [
                            Why::SharedIsCloser { n: 6, .. } | Why::NoForm { n: 6, .. },
                            Why::PublishedIsCloser { n: 19, .. }
                        ]
                    ),
                    "{passed:?}"
                );
                let HeightCurve::Published(curve) = used(&filled, filled_of(&filled, FD)) else {
                    panic!("not published")
                };
                assert_eq!(curve.scale.map(|scale| scale.n), Some(6));
            }
            (HeightSource::SpeciesCurve(_), _) => own += 1,
            (source, _) => panic!("{source:?}"),
        }
        // Without a set the shared curve, the same as with one.
        let (source, passed) = served(&without, CW);
        assert!(matches!(source, HeightSource::PooledCurve(_)), "{source:?}");
        assert_eq!(passed, [Why::TooFew { n: 1, wanted: 5 }]);
        let at = filled_of(&filled, BA);
        assert_eq!(without.trees[at].height_m, filled.trees[at].height_m);
        assert_eq!(fitted(&without, at).fit, of_kind.fit);
    }
    println!("{published} published, {shared} shared, {own} with a curve of their own");
    assert!(published > 10 && shared > 10 && own < published);
}

/// With many heights a species never takes the published curve, not even where its
/// neighbours take the published ones; with one height fewer it does.
#[test]
fn many_heights_never_take_the_published_curve() {
    let forest = conifers();
    for (n, is_many) in [(MANY_HEIGHTS, true), (MANY_HEIGHTS - 1, false)] {
        let mut random = Normal::new(43);
        let (mut own, mut shared, mut published) = (0, 0, 0);
        for _ in 0..600 {
            let firs = near_published((FD, DOUGLAS_FIR), n, 0.0, &mut random);
            let hemlocks = near_published((HW, HEMLOCK), 40, 0.0, &mut random);
            let lacking = [FD, CW].map(|species| tree(species, 30.0));
            let filled = forest.fill([&firs[..], &hemlocks, &lacking].concat(), true);
            if !matches!(served(&filled, CW).0, HeightSource::RegionalCurve(_)) {
                continue;
            }
            match served(&filled, FD) {
                (HeightSource::SpeciesCurve(_), _) => own += 1,
                (HeightSource::PooledCurve(_), passed) => {
                    assert!(matches!(passed[..], [Why::SharedIsCloser { .. }]));
                    shared += 1;
                }
                (HeightSource::RegionalCurve(_), _) => published += 1,
                (source, _) => panic!("{source:?}"),
            }
        }
        println!("{n} firs: {own} own, {shared} shared, {published} published");
        assert!(own > 0);
        assert_eq!(published == 0, is_many);
    }
}

/// Plots that differ, six or as many as given, with firs; hemlocks of the same shape on the first
/// and a redcedar without height on the last.
fn firs_on_plots(n: usize, spread: f64) -> Vec<Vec<Tree>> {
    let mut plots = plots(n, spread);
    plots[0].extend(about(HW, 12, (38.0, 15.0), 0.5));
    plots[n].push(tree(CW, 30.0));
    plots
}

#[test]
fn effects_of_plots_that_are_asked_for_by_name_keep_the_own_curve() {
    let mut forest = conifers();
    let stand = on_plots(firs_on_plots(6, 0.0));
    let mut fill = |calibrate| {
        forest.heights.calibrate = calibrate;
        forest.fill_stand(&stand, None)
    };
    // Not better by the criterion, and not by the heights left out.
    for calibrate in [Calibrate::None, Calibrate::Best] {
        let (source, passed) = served(&fill(calibrate), FD);
        assert!(matches!(source, HeightSource::PooledCurve(_)), "{source:?}");
        assert!(matches!(passed[..], [Why::SharedIsCloser { n: 24, .. }]));
    }
    let filled = fill(Calibrate::Plots);
    let at = filled_of(&filled, FD);
    assert!(matches!(
        filled.trees[at].source,
        HeightSource::SpeciesCurve(_)
    ));
    assert_eq!(effects(&filled, at).by(), Grouping::Plots);
    assert_eq!(fitted(&filled, at).closer_than_shared, None);
    // The redcedar takes the shared curve all the same.
    assert!(matches!(
        served(&filled, CW).0,
        HeightSource::PooledCurve(_)
    ));
}

/// With effects on two plots only there are none, and the curves are compared as without.
#[test]
fn without_the_effects_asked_for_by_name_the_curves_are_compared() {
    let mut forest = conifers();
    let stand = on_plots(firs_on_plots(2, 1.0));
    let mut fill = |calibrate| {
        forest.heights.calibrate = calibrate;
        forest.fill_stand(&stand, None)
    };
    let plain = fill(Calibrate::None);
    let (source, _) = served(&plain, FD);
    assert!(matches!(source, HeightSource::PooledCurve(_)), "{source:?}");
    assert_eq!(
        filled_heights(&fill(Calibrate::Plots)),
        filled_heights(&plain)
    );
}

#[test]
fn the_best_own_curve_is_compared_with_its_effects() {
    let mut forest = conifers();
    let plots = firs_on_plots(6, 5.0);
    let of_species = |trees: &[Tree], species| -> Vec<Tree> {
        let of = trees.iter().filter(|tree| tree.species == species);
        of.filter(|tree| measured(tree).is_some())
            .cloned()
            .collect()
    };
    let by_plot: Vec<Vec<Tree>> = plots.iter().map(|trees| of_species(trees, FD)).collect();
    let firs = by_plot.concat();
    let hemlocks = of_species(&plots[0], HW);
    let stand = on_plots(plots);
    forest.heights.calibrate = Calibrate::None;
    let (source, passed) = served(&forest.fill_stand(&stand, None), FD);
    assert!(matches!(source, HeightSource::PooledCurve(_)), "{source:?}");
    let [
        Why::SharedIsCloser {
            own_m: Some(without_m),
            ..
        },
    ] = passed[..]
    else {
        panic!("{passed:?}")
    };

    forest.heights.calibrate = Calibrate::Best;
    let filled = forest.fill_stand(&stand, None);
    let at = filled_of(&filled, FD);
    assert_eq!(effects(&filled, at).by(), Grouping::Plots);
    let by_plot: Vec<&[Tree]> = by_plot.iter().map(Vec::as_slice).collect();
    let by_own = left_out(fitted(&filled, at), &by_plot);
    let of_kind = fitted(&filled, filled_of(&filled, CW));
    let by_shared = left_out(of_kind, &[&firs, &hemlocks]);
    let by_shared = &by_shared[..firs.len()];
    assert!(lead(&by_own, by_shared) > CLEAR);
    let (own_m, shared_m) = fitted(&filled, at).closer_than_shared.unwrap();
    close(own_m, rms(&by_own));
    close(shared_m, rms(by_shared));
    assert!(own_m < 0.5 * without_m, "{own_m} {without_m}");
}
