//! The parts of the whole error against simulated cruises, drawn from a stated seed, and against
//! their formulas written out.

use spinney::compile::{Compilation, compile};
use spinney::design::{Calibrate, FitWeights};
use spinney::estimates::Attribute;
use spinney::heights::HeightCurve;
use spinney::math::sum::variance;
use spinney::records::{HeightRecord, Plot, Tree};
use spinney::whole_error::{SourcesOfError, whole_error};

use crate::sample::{fixed, plot, records, tall, tree, visit};
use crate::volumes::set;
use crate::whole_error::{Normal, SET, knowledge, mean_height_m, named, of, with_volume};

/// Heights are drawn again and again about a known curve; trees, plots and measured trees stay.
/// Against the volume that the trees truly have, the estimate is off by parameters and residuals of
/// the curve alone: the mean square of that must be what is stated, within four standard errors of
/// a variance from so many draws (sqrt(2/n) each).
fn simulate(weights: FitWeights) {
    const DRAWS: usize = 6000;
    let mut design = with_volume(vec![fixed(0.05)]);
    design.heights.weights = weights;
    design.heights.calibrate = Calibrate::None;
    let knowledge = knowledge();
    let mut random = Normal::new(20_261_126);
    let diameters: Vec<Vec<f64>> = (0..8)
        .map(|_| (0..7).map(|_| 12.0 + 40.0 * random.0.unit()).collect())
        .collect();
    let (mut squares, mut stated, mut off, mut bias) = (0.0, 0.0, 0.0, 0.0);
    for _ in 0..DRAWS {
        let mut truth = Vec::new();
        let plots: Vec<Plot> = diameters
            .iter()
            .map(|plot_trees| {
                let trees = plot_trees.iter().enumerate().map(|(k, d)| {
                    let sd = match weights {
                        FitWeights::Equal | FitWeights::Precision => 1.5,
                        FitWeights::InverseDbh => 0.3 * d.sqrt(),
                    };
                    let height_m = mean_height_m(*d) + sd * random.next();
                    truth.push(tall(tree(0, *d), height_m));
                    if k < 2 {
                        tall(tree(0, *d), height_m)
                    } else {
                        tree(0, *d)
                    }
                });
                plot(0, vec![visit(&design, 0, trees.collect(), Vec::new())])
            })
            .collect();
        let records = named(records(2, vec![("S", vec![("", None)], plots)]));
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let all = whole_error(&compilation);
        let row = of(&all, Some("S"), 0, Attribute::VolumeTotal);
        let per_tree = 20.0 / diameters.len() as f64;
        let volume_m3 = |tree: &Tree| {
            let HeightRecord::Measured { height_m } = tree.height else {
                panic!("no height");
            };
            compilation
                .values_at(tree, height_m)
                .volume_total_m3
                .unwrap()
        };
        let true_volume: f64 = truth.iter().map(|tree| per_tree * volume_m3(tree)).sum();
        let error = row.estimate.mean - true_volume;
        squares += error * error;
        off += error;
        bias += row.curvature_bias;
        stated += row.curve_parameters.variance + row.curve_residuals.variance;
        check_by_hand(&compilation, row, per_tree);
        assert_eq!(row.height_measurement.unknown, 16);
        assert_eq!(row.curve_residuals.known, 40);
    }
    let draws = DRAWS as f64;
    let band = 4.0 * (2.0 / draws).sqrt();
    println!(
        "{weights:?}: mean square {:.4}, stated {:.4}; off {:.4}, curvature {:.4}",
        squares / draws,
        stated / draws,
        off / draws,
        -bias / draws
    );
    assert!((squares / stated - 1.0).abs() < band, "{squares} {stated}");
    let band = 4.0 * (squares / draws / draws).sqrt();
    assert!((off / draws + bias / draws).abs() < band, "{off} {bias}");
}

/// Volume is `exp(b0) D^b1 H^b2` here, so its derivatives by height are `b2 V / H` and
/// `b2 (b2 - 1) V / H^2` and so on: residual part, parameter part and effect of curvature written out.
fn check_by_hand(compilation: &Compilation<'_>, row: &SourcesOfError, per_tree: f64) {
    let equation = compilation.equations[0].chosen.main;
    let b2: f64 = set(SET).equations[equation].printed[2].parse().unwrap();
    let compiled = &compilation.stands[0];
    let HeightCurve::Fitted(fitted) = &compiled.heights.curves[0].curve else {
        panic!("no curve");
    };
    let fit = &fitted.fit;
    let s2 = fit.residual_ss / (fit.n as f64 - 2.0);
    let [a, b] = [fit.curve.parameters[0], fit.curve.parameters[1]];
    let (mut residual, mut curvature, mut g) = (0.0, 0.0, [0.0; 2]);
    for ((_, _, tree), values) in compilation.records.stands[0].trees().zip(&compiled.values) {
        if tree.height != HeightRecord::Missing {
            continue;
        }
        let (d, h) = (tree.dbh_cm, values.height_m.unwrap());
        let of_dbh = match compilation.design.heights.weights {
            FitWeights::Equal | FitWeights::Precision => s2,
            FitWeights::InverseDbh => s2 * d,
        };
        let v = values.volume_total_m3.unwrap();
        let slope = per_tree * b2 * v / h;
        residual += slope * slope * of_dbh;
        // Second and fourth derivative with the moments s^2 and 3 s^4 of the residuals.
        let second = b2 * (b2 - 1.0) * v / (h * h);
        let fourth = second * (b2 - 2.0) * (b2 - 3.0) / (h * h);
        curvature += per_tree * (second * of_dbh / 2.0 + fourth * of_dbh * of_dbh / 8.0);
        // Naslund: y = D^2 / u^2, u = a + b D, dy/da = -2 D^2 / u^3, dy/db = -2 D^3 / u^3.
        let u = a + b * d;
        g[0] -= slope * 2.0 * d * d / u.powi(3);
        g[1] -= slope * 2.0 * d.powi(3) / u.powi(3);
    }
    let c = &fit.covariance;
    let parameters = g[0] * g[0] * c[0] + 2.0 * g[0] * g[1] * c[1] + g[1] * g[1] * c[3];
    let close = |ours: f64, by_hand: f64, within: f64| {
        assert!((ours / by_hand - 1.0).abs() < within, "{ours} {by_hand}");
    };
    // Ours take the mean derivative over the scatter, by hand it is that at the mean height.
    close(row.curve_residuals.variance, residual, 3e-3);
    close(row.curve_parameters.variance, parameters, 3e-3);
    // The sixth moment is left out by hand.
    close(row.curvature_bias, curvature, 2e-3);
}

/// Plots are drawn anew as well, over and over. The estimates scatter by sampling and parameters,
/// and a little more, as measured trees stand in the sample and behind the curve; the total, which
/// holds the residuals of sampled trees and the equations too, is not exceeded.
#[test]
fn drawn_samples_scatter_as_is_stated() {
    const DRAWS: usize = 4000;
    let design = with_volume(vec![fixed(0.05)]);
    let knowledge = knowledge();
    let mut random = Normal::new(5);
    let (mut means, mut stated, mut totals) = (Vec::new(), 0.0, 0.0);
    for _ in 0..DRAWS {
        let plots: Vec<Plot> = (0..6)
            .map(|_| {
                let trees = (0..8).map(|k| {
                    let d = 14.0 + 4.0 * f64::from(k) + 16.0 * (random.0.unit() - 0.5);
                    let height_m = mean_height_m(d) + 1.5 * random.next();
                    if k % 4 == 0 {
                        tall(tree(0, d), height_m)
                    } else {
                        tree(0, d)
                    }
                });
                plot(0, vec![visit(&design, 0, trees.collect(), Vec::new())])
            })
            .collect();
        let records = named(records(2, vec![("S", vec![("", None)], plots)]));
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let all = whole_error(&compilation);
        let row = of(&all, Some("S"), 0, Attribute::VolumeTotal);
        means.push(row.estimate.mean);
        stated += row.estimate.std_error.unwrap().powi(2) + row.curve_parameters.variance;
        totals += row.with_total().std_error.unwrap().powi(2);
    }
    let draws = DRAWS as f64;
    let scatter = variance(&means).unwrap();
    println!(
        "scatter {scatter:.4}, sampling and parameters {:.4}, total {:.4}",
        stated / draws,
        totals / draws
    );
    let band = 4.0 * (2.0 / draws).sqrt();
    assert!(scatter * draws > stated * (1.0 - band));
    assert!(scatter * draws < totals * (1.0 + band));
}

#[test]
fn drawn_heights_scatter_as_is_stated() {
    simulate(FitWeights::Equal);
}

#[test]
fn drawn_heights_scatter_as_is_stated_with_weights_by_dbh() {
    simulate(FitWeights::InverseDbh);
}
