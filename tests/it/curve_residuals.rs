//! Residuals, leverages and errors of what is left out, against R, and what must hold for any
//! heights.

use std::collections::BTreeMap;
use std::process::Command;

use proptest::prelude::*;
use spinney::design::FitWeights;
use spinney::heights::Place;
use spinney::heights::curve::Form;
use spinney::heights::diagnose::{bias, leave_one_out_rms_m, leave_one_plot_out, residuals};
use spinney::heights::fit::{FittedCurve, HeightPoint, Points, fit_form};
use spinney::math::nonlinear::Solver;

use crate::answers::case_file;

const CASE: &str = "r-residuals";
const BREAST_HEIGHT_M: f64 = 1.3;

type Row = BTreeMap<String, String>;

fn rows(text: &[u8]) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(text);
    reader.deserialize().map(Result::unwrap).collect()
}

fn point(plot: usize, dbh_cm: f64, height_m: f64) -> HeightPoint {
    HeightPoint {
        dbh_cm,
        height_m,
        std_error_m: None,
        place: Place {
            plot,
            ..Place::default()
        },
    }
}

/// The heights of the case, which are in the order of their diameters.
fn heights() -> Points {
    let text = std::fs::read(case_file(CASE, "heights.csv")).unwrap();
    let of = |row: &Row| {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        point(
            row["plot"].parse().unwrap(),
            number("dbh_cm"),
            number("height_m"),
        )
    };
    Points::of(rows(&text).iter().map(of).collect())
}

/// What R gives now, or nothing where it is not installed.
fn ask_r() -> Option<Vec<u8>> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/r/residuals.R");
    let run = Command::new("Rscript")
        .args(["--vanilla", script])
        .arg(case_file(CASE, "heights.csv"))
        .output();
    let Ok(run) = run else {
        println!("skipped: Rscript is not here");
        return None;
    };
    let told = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "{told}");
    if std::env::var_os("SPINNEY_STORE_R").is_some() {
        std::fs::write(case_file(CASE, "residuals.csv"), &run.stdout).unwrap();
    }
    Some(run.stdout)
}

fn compare_with(answers: &[u8]) {
    let points = heights();
    let mut solver = Solver::new();
    let mut fits: BTreeMap<(String, String), FittedCurve> = BTreeMap::new();
    let mut compared = 0;
    for row in rows(answers) {
        let named = (row["form"].clone(), row["weights"].clone());
        let fit = fits.entry(named.clone()).or_insert_with(|| {
            let weights = match row["weights"].as_str() {
                "equal" => FitWeights::Equal,
                _ => FitWeights::InverseDbh,
            };
            let form = Form::named(&row["form"]).unwrap();
            fit_form(form, &points, weights, BREAST_HEIGHT_M, &mut solver).unwrap()
        });
        let mut same = |column: &str, ours: f64| {
            let theirs: f64 = row[column].parse().unwrap();
            compared += 1;
            assert!(
                (ours - theirs).abs() <= 1e-6 * theirs.abs().max(0.01),
                "{named:?} row {}: {column} {ours} against {theirs}",
                row["row"]
            );
        };
        if row["row"] == "plots" {
            let left_out = leave_one_plot_out(fit, &points, &mut solver).unwrap();
            same("left_out_m", left_out.rms_m);
            let counts = (left_out.plots, left_out.heights, left_out.failed);
            assert_eq!(counts, (6, points.len(), 0));
            continue;
        }
        let at: usize = row["row"].parse().unwrap();
        let ours = residuals(fit, &points)[at - 1];
        same("fitted_m", ours.fitted_m);
        same("residual_m", ours.residual_m);
        same("leverage", ours.leverage.unwrap());
        same("studentised", ours.studentised.unwrap());
        same("externally", ours.externally.unwrap());
        same("left_out_m", ours.left_out_m.unwrap());
    }
    assert_eq!(compared, 4 * 2 * (24 * 6 + 1));
}

#[test]
fn residuals_are_those_of_r() {
    compare_with(&std::fs::read(case_file(CASE, "residuals.csv")).unwrap());
}

#[test]
fn r_still_answers_the_same() {
    if let Some(answers) = ask_r() {
        compare_with(&answers);
    }
}

#[test]
fn the_far_off_height_stands_out_alone() {
    let points = heights();
    let mut solver = Solver::new();
    let weights = FitWeights::Equal;
    let fit = fit_form(Form::Naslund, &points, weights, 1.3, &mut solver).unwrap();
    let out: Vec<f64> = residuals(&fit, &points)
        .iter()
        .zip(points.dbh_cm())
        .filter(|(residual, _)| residual.externally.unwrap().abs() > 3.0)
        .map(|(_, dbh_cm)| *dbh_cm)
        .collect();
    assert_eq!(out, [52.4]);
}

/// For a curve that is linear in its parameters the error of a height left out is that of the fit
/// without it.
#[test]
fn one_step_is_exact_for_a_linear_form() {
    let points = heights();
    let mut solver = Solver::new();
    for weights in [FitWeights::Equal, FitWeights::InverseDbh] {
        let mut fit =
            |points: &Points| fit_form(Form::Parabola, points, weights, 1.3, &mut solver).unwrap();
        let whole = fit(&points);
        let mut squares = 0.0;
        for at in 0..points.len() {
            let others: Vec<usize> = (0..points.len()).filter(|other| *other != at).collect();
            let curve = fit(&points.subset(&others)).curve;
            squares += (points.height_m()[at] - curve.height_m(points.dbh_cm()[at])).powi(2);
        }
        let refitted_m = (squares / points.len() as f64).sqrt();
        let one_step_m = leave_one_out_rms_m(&whole, &points).unwrap();
        assert!((one_step_m / refitted_m - 1.0).abs() < 1e-9, "{weights:?}");
    }
}

/// One plot has nothing to be foretold from; a plot without which no curve is left is counted.
#[test]
fn plots_that_cannot_be_left_out_are_told() {
    let mut solver = Solver::new();
    let trees = |plots: [usize; 7]| {
        let sizes = [
            (12.0, 9.8),
            (17.0, 13.1),
            (22.0, 15.2),
            (28.0, 19.4),
            (35.0, 21.0),
            (41.0, 24.6),
            (50.0, 25.9),
        ];
        let trees = plots.into_iter().zip(sizes);
        Points::of(trees.map(|(plot, (d, h))| point(plot, d, h)).collect())
    };
    let mut left_out = |points: &Points| {
        let weights = FitWeights::Equal;
        let fit = fit_form(Form::Naslund, points, weights, 1.3, &mut solver).unwrap();
        leave_one_plot_out(&fit, points, &mut solver)
    };
    assert_eq!(left_out(&trees([0; 7])), None);
    // Without plot 0 a single tree is left.
    let lopsided = left_out(&trees([0, 0, 0, 0, 0, 0, 1])).unwrap();
    assert_eq!(
        (lopsided.plots, lopsided.heights, lopsided.failed),
        (2, 1, 1)
    );
}

/// With weights by precision a height of a large error bends the curve little: its leverage is that
/// of the weights 1 / (variance about the curve + its own), and the leverages still add up.
#[test]
fn imprecise_heights_have_little_leverage() {
    let error = |at: usize| if at.is_multiple_of(2) { 0.2 } else { 3.0 };
    let points = heights();
    let all = (0..points.len()).map(|at| HeightPoint {
        std_error_m: Some(error(at)),
        ..point(0, points.dbh_cm()[at], points.height_m()[at])
    });
    // Without the far-off tree, whose residual would hide any error.
    let points = Points::of(all.take(23).collect());
    let weights = FitWeights::Precision;
    let fit = fit_form(Form::Naslund, &points, weights, 1.3, &mut Solver::new()).unwrap();
    let leverages: Vec<f64> = residuals(&fit, &points)
        .iter()
        .map(|residual| residual.leverage.unwrap())
        .collect();
    assert!((leverages.iter().sum::<f64>() - 2.0).abs() < 1e-6);
    let of = |rest: usize| leverages.iter().skip(rest).step_by(2).sum::<f64>();
    assert!(of(0) > 4.0 * of(1), "{leverages:?}");
}

#[test]
fn bias_is_the_mean_residual_with_its_error() {
    let by_class = bias([(3, 1.0), (1, -2.0), (3, 2.0), (3, 6.0)].into_iter());
    let shown: Vec<_> = by_class
        .iter()
        .map(|class| (class.class, class.n))
        .collect();
    assert_eq!(shown, [(1, 1), (3, 3)]);
    assert_eq!(by_class[0].std_error_m, None);
    assert!((by_class[0].mean_m + 2.0).abs() < 1e-15);
    assert!((by_class[1].mean_m - 3.0).abs() < 1e-15);
    // Sum of squares about 3: 4 + 1 + 9 = 14; variance 7; error sqrt(7 / 3).
    let error = by_class[1].std_error_m.unwrap();
    assert!((error - (7.0_f64 / 3.0).sqrt()).abs() < 1e-15);
}

proptest! {
    /// Leverages lie between 0 and 1 and add up to the number of parameters; the studentised
    /// residuals are finite and of the sign of the residual.
    #[test]
    fn leverages_add_up(
        trees in prop::collection::vec((5.0_f64..60.0, 0.6_f64..1.6), 6..40),
        which in 0_usize..20,
        inverse in any::<bool>(),
    ) {
        let points = Points::new(
            trees.iter().map(|(d, off)| (*d, 1.3 + off * (d / (2.0 + 0.16 * d)).powi(2))).collect()
        );
        let form = Form::ALL[which];
        let weights = if inverse { FitWeights::InverseDbh } else { FitWeights::Equal };
        if let Ok(fit) = fit_form(form, &points, weights, 1.3, &mut Solver::new()) {
            let all = residuals(&fit, &points);
            let sum: f64 = all.iter().map(|residual| residual.leverage.unwrap()).sum();
            let p = form.n_parameters() as f64;
            prop_assert!((sum - p).abs() < 1e-3, "{form:?}: {sum}");
            for residual in all {
                let leverage = residual.leverage.unwrap();
                prop_assert!((-1e-9..1.0 + 1e-3).contains(&leverage), "{form:?}: {leverage}");
                for t in [residual.studentised, residual.externally].into_iter().flatten() {
                    prop_assert!(t.is_finite() && t * residual.residual_m >= 0.0);
                }
            }
        }
    }
}
