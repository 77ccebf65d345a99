//! Missing heights drawn about curves with effects of places: what trees of one place share, and
//! what those of different places do.

use spinney::compile::{Compilation, compile};
use spinney::design::{Calibrate, Design, Fill, FitBy};
use spinney::estimates::Attribute;
use spinney::heights::effects::Grouping;
use spinney::heights::{CurveError, HeightCurve, HeightSource};
use spinney::math::sum::{mean, variance};
use spinney::records::{Plot, Records};
use spinney::whole_error::whole_error;

use crate::sample::{fixed, plot, records, tall, tree, visit};
use crate::whole_error::{Normal, SET, knowledge, mean_height_m, named, of, with_volume};

const NUMBER: usize = 1000;

/// Plots of eight trees, of which three have heights, none on the last ones; the heights of a stand and of
/// each plot differ by some tenths of those above breast height.
fn plots(design: &Design, random: &mut Normal, (number, bare): (usize, usize)) -> Vec<Plot> {
    let of_stand = 0.15 * random.next();
    (0..number)
        .map(|at| {
            let taller = 1.0 + of_stand + 0.12 * random.next();
            let trees = (0..8).map(|k| {
                let d = 18.0 + 34.0 * random.0.unit();
                let y_m = taller * (mean_height_m(d) - 1.3);
                let height_m = 1.3 + y_m + 0.8 * random.next();
                if k < 3 && at + bare < number {
                    tall(tree(0, d), height_m)
                } else {
                    tree(0, d)
                }
            });
            plot(0, vec![visit(design, 0, trees.collect(), Vec::new())])
        })
        .collect()
}

fn design(calibrate: Calibrate, fit_by: FitBy, fill: Fill) -> Design {
    let mut design = with_volume(vec![fixed(0.05)]);
    design.heights.calibrate = calibrate;
    design.heights.fit_by = fit_by;
    design.heights.fill = fill;
    design
}

fn draws(seed: u64) -> Fill {
    Fill::Draws {
        number: NUMBER,
        seed,
    }
}

/// Stands of plots, with names; how many plots, and how many of them without heights.
fn stands(names: &[&'static str], number: (usize, usize)) -> Records {
    let plain = design(Calibrate::Plots, FitBy::Stand, Fill::Mean);
    let mut random = Normal::new(5);
    let stand = |name: &&'static str| {
        let mut plots = plots(&plain, &mut random, number);
        for (plot, at) in plots.iter_mut().zip(1..) {
            plot.name = format!("{at}");
        }
        (*name, vec![("", Some(2.0))], plots)
    };
    named(records(2, names.iter().map(stand).collect()))
}

fn curve<'c>(compilation: &'c Compilation<'_>, stand: usize) -> &'c HeightCurve {
    let heights = &compilation.stands[stand].heights;
    let mut sources = heights.trees.iter().map(|tree| tree.source);
    let is_own = |source: &HeightSource| matches!(source, HeightSource::SpeciesCurve(_));
    &heights.curves[sources.find(is_own).unwrap().curve().unwrap()].curve
}

/// As without effects: the spread of the draws is that of parameters, effects and residuals by the
/// first derivatives, their mean the mean over the scatter.
#[test]
fn many_draws_come_to_what_the_formulas_say() {
    let records = stands(&["S"], (9, 1));
    let knowledge = knowledge();
    let of_fill = |calibrate, fill| {
        let design = design(calibrate, FitBy::Stand, fill);
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let HeightCurve::Fitted(fitted) = curve(&compilation, 0) else {
            panic!("not fitted")
        };
        let by = fitted.effects.as_ref().ok().map(|effects| effects.by());
        let all = whole_error(&compilation);
        (
            by,
            of(&all, Some("S"), 0, Attribute::VolumeTotal).clone(),
            plots_alone(&compilation),
        )
    };
    let (by, by_means, alone) = of_fill(Calibrate::Plots, Fill::Mean);
    let (_, by_draws, _) = of_fill(Calibrate::Plots, draws(3));
    assert_eq!(by, Some(Grouping::Plots));
    let imputation = by_draws.imputation.unwrap();
    let stated = by_means.curve_parameters.variance + by_means.curve_residuals.variance;
    let n = NUMBER as f64;
    println!(
        "between {}, stated {stated}, of which plots {alone}",
        imputation.between
    );
    let band = 4.0 * (2.0 / n).sqrt();
    assert!((imputation.between / stated - 1.0).abs() < band);
    // Effects are so large a part that it would be seen if they were not drawn.
    assert!(alone > 1.5 * band * stated);
    assert_eq!((imputation.number, imputation.unknown), (NUMBER, 0));
    assert_eq!(imputation.known, 8 * 9 - 3 * 8);
    let expected = by_means.estimate.mean + by_means.curvature_bias;
    let off = by_draws.estimate.mean - expected;
    assert!(off.abs() < 4.0 * (imputation.between / n).sqrt(), "{off}");
}

/// Variance of the mean volume per hectare by the errors of the effects of plots, by differences of
/// 1 mm in the heights of the trees.
fn plots_alone(compilation: &Compilation<'_>) -> f64 {
    let stand = &compilation.stands[0];
    let curve = curve(compilation, 0);
    let mut by_plot = vec![0.0; compilation.records.stands[0].plots.len()];
    let trees = compilation.records.stands[0].trees();
    for ((_, _, tree), height) in trees.zip(&stand.heights.trees) {
        if height.source.curve().is_none() {
            continue;
        }
        let error = curve.error_at(tree.dbh_cm, height.place).unwrap();
        let height_m = height.height_m.unwrap();
        let held = |height_m| {
            compilation
                .values_at(tree, height_m)
                .volume_total_m3
                .unwrap()
        };
        let slope = (held(height_m + 1e-3) - held(height_m - 1e-3)) / 2e-3;
        let [Some((effect, share_m)), None] = error.effects else {
            panic!("{error:?}")
        };
        assert_eq!(effect, height.place.plot);
        by_plot[effect] += slope * share_m;
    }
    // A plot is 0.05 ha.
    let per_ha = 20.0 / by_plot.len() as f64;
    let of_plot =
        |(effect, sum): (usize, &f64)| (per_ha * sum).powi(2) * curve.effect_variance(effect);
    by_plot.iter().enumerate().map(of_plot).sum()
}

/// A drawn tree: its place, how its height may be off, and the heights drawn.
struct Drawn {
    place: (usize, usize),
    error: CurveError,
    heights_m: Vec<f64>,
}

/// The trees that were drawn. Volume is a power of height here.
fn drawn(compilation: &Compilation<'_>) -> Vec<Drawn> {
    let equation = compilation.equations[0].chosen.main;
    let b2: f64 = crate::volumes::set(SET).equations[equation].printed[2]
        .parse()
        .unwrap();
    let mut found = Vec::new();
    for (at, stand) in compilation.stands.iter().enumerate() {
        let trees = compilation.records.stands[at].trees();
        for (((_, _, tree), height), drawn) in trees.zip(&stand.heights.trees).zip(&stand.drawn) {
            let Some(drawn) = drawn else { continue };
            let height_m = height.height_m.unwrap();
            let at_mean = compilation
                .values_at(tree, height_m)
                .volume_total_m3
                .unwrap();
            let of_draw = |values: &[f64; 5]| height_m * (values[0] / at_mean).powf(1.0 / b2);
            found.push(Drawn {
                place: (at, height.place.plot),
                error: curve(compilation, at)
                    .error_at(tree.dbh_cm, height.place)
                    .unwrap(),
                heights_m: drawn.by_draw.iter().map(of_draw).collect(),
            });
        }
    }
    found
}

/// Covariance of the errors of two heights of one curve: by its parameters and by the effects on
/// which both hang.
fn stated(curve: &HeightCurve, a: &CurveError, b: &CurveError) -> (f64, f64) {
    let covariance = curve.covariance();
    let p = covariance.len().isqrt();
    let mut by_parameters = 0.0;
    for i in 0..p {
        for j in 0..p {
            by_parameters += a.gradient[i] * covariance[i * p + j] * b.gradient[j];
        }
    }
    let mut by_effects = 0.0;
    for (effect, share_m) in a.effects.iter().flatten() {
        for (other, other_m) in b.effects.iter().flatten() {
            if effect == other {
                by_effects += share_m * other_m * curve.effect_variance(*effect);
            }
        }
    }
    (by_parameters, by_effects)
}

fn covariance(a: &[f64], b: &[f64]) -> f64 {
    let (mean_a, mean_b) = (mean(a), mean(b));
    let products = a.iter().zip(b).map(|(x, y)| (x - mean_a) * (y - mean_b));
    products.sum::<f64>() / (a.len() as f64 - 1.0)
}

/// Every pair of trees: their correlation over the draws is that of the variances, within 4.5 of
/// its standard errors `(1 - r^2) / sqrt(n)`. Gives that correlation for pairs of a plot, of two plots
/// of a stand, and of two stands, each beside that by parameters alone.
fn look_at_pairs(compilation: &Compilation<'_>) -> [Vec<(f64, f64)>; 3] {
    let curve = curve(compilation, 0);
    let trees = drawn(compilation);
    let total = |tree: &Drawn| {
        let (by_parameters, by_effects) = stated(curve, &tree.error, &tree.error);
        by_parameters + by_effects + tree.error.residual_m.powi(2)
    };
    let n = NUMBER as f64;
    let mut pairs: [Vec<(f64, f64)>; 3] = Default::default();
    for (at, a) in trees.iter().enumerate() {
        let of_a = variance(&a.heights_m).unwrap();
        assert!((of_a / total(a) - 1.0).abs() < 4.5 * (2.0 / n).sqrt());
        for b in &trees[at + 1..] {
            let of_b = variance(&b.heights_m).unwrap();
            let found = covariance(&a.heights_m, &b.heights_m) / (of_a * of_b).sqrt();
            let (by_parameters, by_effects) = stated(curve, &a.error, &b.error);
            let scale = (total(a) * total(b)).sqrt();
            let r = (by_parameters + by_effects) / scale;
            let band = 4.5 * (1.0 - r * r) / n.sqrt();
            assert!(
                (found - r).abs() < band,
                "{:?} {:?}: {found}, stated {r}",
                a.place,
                b.place
            );
            let far = match (a.place, b.place) {
                (a, b) if a == b => 0,
                ((a, _), (b, _)) if a == b => 1,
                _ => 2,
            };
            pairs[far].push((r, by_parameters / scale));
        }
    }
    pairs
}

#[test]
fn trees_of_a_plot_share_the_draw_of_its_effect() {
    let records = stands(&["S"], (9, 1));
    let knowledge = knowledge();
    let design = design(Calibrate::Plots, FitBy::Stand, draws(8));
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let [of_plot, of_stand, _] = look_at_pairs(&compilation);
    // 8 x 5 trees with heights beside them, and 8 on the plot without any.
    assert_eq!(of_plot.len(), 8 * 10 + 28);
    // On the plot without heights the effect is nearly all, and no other plot shares it.
    let most = of_plot.iter().map(|(r, _)| *r).fold(0.0, f64::max);
    assert!(most > 0.8, "{most}");
    assert!(of_stand.iter().all(|(r, alone)| (r - alone).abs() < 1e-12));
}

#[test]
fn trees_of_a_stand_share_the_draw_of_the_effect_around_their_plots() {
    let records = stands(&["A", "B", "C", "D", "E"], (4, 2));
    let knowledge = knowledge();
    let design = design(Calibrate::StandsAndPlots, FitBy::Cruise, draws(8));
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let [of_plot, of_stand, of_stands] = look_at_pairs(&compilation);
    let most = |pairs: &[(f64, f64)]| {
        let gains = pairs.iter().map(|(r, alone)| r - alone);
        gains.fold(0.0, f64::max)
    };
    // The most on plots without heights, whose effects are known least.
    let (near, far) = (most(&of_plot), most(&of_stand));
    println!("{near} {far}");
    assert!(near > far + 0.2 && far > 0.2, "{near} {far}");
    assert!(of_stands.iter().all(|(r, alone)| (r - alone).abs() < 1e-12));
}
