//! Height curves against reference fits made with R 4.2.2 (minpack.lm 1.2-3; every fit challenged
//! there by restarts of a second optimiser): parameters, standard errors, residual sums of
//! squares, AIC. Data: black cherry (Ryan, Joiner & Ryan 1976), Finnish pines (Penttinen, Stoyan &
//! Henttonen 1992), loblolly heights on age (Kung 1986), sweetgum and Upper Flat Creek (Robinson &
//! Hamann 2011). Read from the shared data sets; skipped without them. Below them what must hold for
//! any heights.

use std::collections::BTreeMap;
use std::path::Path;

use proptest::prelude::*;
use spinney::design::{CurveChoice, FitWeights};
use spinney::heights::curve::Form;
use spinney::heights::fit::{
    Choice, FittedCurve, MOST_ABOVE_TALLEST, Points, Refusal, choose, fit_form,
};
use spinney::math::nonlinear::{Problem, Solver, Status};

use crate::cruise::shared;
use crate::random::Random;

type Row = BTreeMap<String, String>;

fn rows(path: &Path) -> Vec<Row> {
    csv::Reader::from_path(path)
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn pairs(folder: &Path, dataset: &str) -> Vec<(f64, f64)> {
    let read = |file: &str, d: &str, h: &str| -> Vec<(f64, f64, Row)> {
        rows(&folder.join(file))
            .into_iter()
            .map(|row| (row[d].parse().unwrap(), row[h].parse().unwrap(), row))
            .collect()
    };
    let plain = |rows: Vec<(f64, f64, Row)>| rows.into_iter().map(|(d, h, _)| (d, h)).collect();
    match dataset {
        "black_cherry" => plain(read("data-black-cherry.csv", "diameter_in", "height_ft")),
        "finpines_d_ge_1" => {
            let mut all = read("data-finpines.csv", "diameter_cm", "height_m");
            all.retain(|(d, ..)| *d >= 1.0);
            plain(all)
        }
        "loblolly_height_age" => plain(read("data-loblolly.csv", "age_yr", "height_ft")),
        "sweetgum" => plain(read("data-sweetgum.csv", "dbh_in", "height_ft")),
        ufc => {
            let mut all = read("data-upper-flat-creek.csv", "dbh.cm", "height.m");
            let species = ufc.strip_prefix("ufc_").unwrap();
            if ["DF", "GF", "WC", "WL"].contains(&species) {
                all.retain(|(.., row)| row["species"] == species);
            }
            plain(all)
        }
    }
}

/// Called without a finite optimum by the reference, but the residual sum of squares has a plain
/// minimum at a = 683.475, b = 251.350: along b, with the best a for each, it falls from 698.43 at
/// b = 200 to 695.23 and rises to 696.57 at b = 300.
const FINITE_AFTER_ALL: &str = "loblolly_height_age none michaelis_menten";

/// Is `a D / (b + D)` at a minimum of the residual sum of squares? For a given b the best a is
/// known, so the sum is walked along b.
fn is_hyperbola_minimum(points: &Points, a: f64, b: f64) -> bool {
    let trees = || points.dbh_cm().iter().zip(points.height_m());
    let of = |b: f64| {
        let sums = trees().map(|(d, y)| (d / (b + d), y));
        let (gy, gg) = sums.fold((0.0, 0.0), |(gy, gg), (g, y)| (gy + g * y, gg + g * g));
        let best_a = gy / gg;
        let squares = trees().map(|(d, y)| (y - best_a * d / (b + d)).powi(2));
        (best_a, squares.sum::<f64>())
    };
    let (best_a, least) = of(b);
    let around = [0.5, 0.8, 0.95, 0.999, 1.001, 1.05, 1.25, 2.0, 100.0];
    (a / best_a - 1.0).abs() < 1e-6 && around.iter().all(|times| of(b * times).1 > least)
}

#[test]
fn reference_fits_are_reproduced() {
    let Some(folder) = shared("sources/height-diameter/reference-fits") else {
        return;
    };
    let parameters = rows(&folder.join("reference-fits-parameters.csv"));
    let mut solver = Solver::new();
    let (mut compared, mut endless) = (0, 0);
    let mut worst: BTreeMap<&str, (f64, String)> = BTreeMap::new();
    for row in rows(&folder.join("reference-fits.csv")) {
        let name = format!("{} {} {}", row["dataset"], row["weights"], row["form"]);
        let form = match row["form"].as_str() {
            "petterson" => Form::Naslund3,
            other => Form::named(other).unwrap(),
        };
        let points = Points::new(pairs(&folder, &row["dataset"]));
        let weights = match row["weights"].as_str() {
            "none" => FitWeights::Equal,
            _ => FitWeights::InverseDbh,
        };
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        let fit = fit_form(form, &points, weights, number("breast_height"), &mut solver);
        if row["status"] == "no_finite_optimum" {
            if name == FINITE_AFTER_ALL {
                let [a, b, _] = fit.unwrap().curve.parameters;
                assert!(is_hyperbola_minimum(&points, a, b), "{name}: {a} {b}");
                continue;
            }
            assert_eq!(fit, Err(Refusal::NoMinimum), "{name}");
            endless += 1;
            continue;
        }
        let fit = fit.unwrap_or_else(|refusal| panic!("{name}: {refusal:?}"));
        let mut note = |what: &'static str, ours: f64, theirs: f64| {
            let off = (ours / theirs - 1.0).abs();
            let entry = worst.entry(what).or_insert((0.0, String::new()));
            if off > entry.0 {
                *entry = (off, name.clone());
            }
        };
        // Where the reference itself calls the fit ill-determined only its sum of squares holds.
        if row["status"] == "converged" {
            let own = parameters.iter().filter(|p| {
                p["dataset"] == row["dataset"]
                    && p["weights"] == row["weights"]
                    && p["form"] == row["form"]
            });
            for (j, parameter) in own.enumerate() {
                // 1 / (a + b / D)^3 is D^3 / (b + a D)^3.
                let j = if row["form"] == "petterson" { 1 - j } else { j };
                note(
                    "parameters",
                    fit.curve.parameters[j],
                    parameter["estimate"].parse().unwrap(),
                );
                note(
                    "std errors",
                    fit.std_errors[j],
                    parameter["std_error"].parse().unwrap(),
                );
            }
        }
        note("weighted RSS", fit.residual_ss, number("weighted_rss"));
        note("AIC", fit.aic, number("AIC"));
        compared += 1;
    }
    println!("{compared} reference fits, {endless} without a finite optimum refused");
    for (what, (off, name)) in &worst {
        println!("{what}: largest relative difference {off:.1e} ({name})");
    }
    assert_eq!((compared, endless), (262, 9));
    // Printed with ten significant digits.
    assert!(worst["weighted RSS"].0 < 1e-8 && worst["AIC"].0 < 1e-8);
    assert!(worst["parameters"].0 < 1e-7 && worst["std errors"].0 < 1e-6);
}

/// Curves of ordinary trees; D in cm, y in m.
const CURVES: [(Form, &[f64]); 20] = [
    (Form::Naslund, &[2.0, 0.16]),
    (Form::Naslund3, &[2.2, 0.3]),
    (Form::Curtis, &[40.0, 15.0]),
    (Form::Michailow, &[40.0, 17.0]),
    (Form::Wykoff, &[3.6, -17.0]),
    (Form::Meyer, &[40.0, 0.03]),
    (Form::Power, &[2.5, 0.65]),
    (Form::MichaelisMenten, &[60.0, 50.0]),
    (Form::LogLine, &[-20.0, 12.0]),
    (Form::Parabola, &[2.0, 0.8, -0.005]),
    (Form::ChapmanRichards, &[45.0, 0.025, 1.1]),
    (Form::Weibull, &[45.0, 0.02, 1.05]),
    (Form::Korf, &[70.0, 6.0, 0.55]),
    (Form::ExpPower, &[4.25, -6.0, -0.55]),
    (Form::Gompertz, &[38.0, 2.6, 0.05]),
    (Form::Logistic, &[36.0, 6.0, 0.08]),
    (Form::Prodan, &[3.0, 0.9, 0.02]),
    (Form::Ratkowsky, &[48.0, 28.0, 6.0]),
    (Form::Hossfeld4, &[50.0, 0.01, 1.3]),
    (Form::Sibbesen, &[0.5, 1.9, 0.12]),
];

/// Heights scattered about Naslund's curve, to the decimetre; dbh from `least_cm` up.
fn scattered(seed: u64, n: usize, least_cm: f64, scatter: f64) -> Vec<(f64, f64)> {
    let mut random = Random(seed);
    let decimetre = |value: f64| (value * 10.0).round() / 10.0;
    (0..n)
        .map(|_| {
            let d = decimetre(least_cm + 50.0 * random.unit() * random.unit());
            let off = 1.0 + scatter * (2.0 * random.unit() - 1.0);
            (d, decimetre(1.3 + off * (d / (1.9 + 0.155 * d)).powi(2)))
        })
        .collect()
}

fn best(points: &Points, dbh_range_cm: (f64, f64)) -> Choice {
    choose(
        points,
        &CurveChoice::Best,
        FitWeights::Equal,
        1.3,
        dbh_range_cm,
        &mut Solver::new(),
    )
}

fn fit(form: Form, pairs: Vec<(f64, f64)>, breast_height_m: f64) -> Result<FittedCurve, Refusal> {
    let points = Points::new(pairs);
    fit_form(
        form,
        &points,
        FitWeights::InverseDbh,
        breast_height_m,
        &mut Solver::new(),
    )
}

#[test]
fn exact_heights_give_back_every_curve() {
    for (form, parameters) in CURVES {
        let height = |d: f64| (d, 1.3 + form.value(d, parameters));
        let pairs = (0..15).map(|k| height(6.0 + 4.0 * f64::from(k))).collect();
        let fitted = fit(form, pairs, 1.3).unwrap_or_else(|why| panic!("{form:?}: {why:?}"));
        for (ours, exact) in fitted.curve.parameters().iter().zip(parameters) {
            assert!((ours / exact - 1.0).abs() < 1e-6, "{form:?} {fitted:?}");
        }
    }
}

/// Ratkowsky's curve with c below 0 fits thick trees and has its pole at D = -c, among the thin
/// ones that are to be filled.
#[test]
fn a_pole_among_the_trees_to_be_filled_is_refused() {
    let pairs = (0..36_u32)
        .map(|k| {
            let d = 15.0 + f64::from(k);
            let off = if k % 2 == 0 { 0.1 } else { -0.1 };
            (d, 1.3 + 28.0 * (-5.0 / (d - 9.0)).exp() + off)
        })
        .collect();
    let points = Points::new(pairs);
    let tried = |from: f64| {
        let choice = best(&points, (from, 48.0));
        let mut tried = choice.tried.into_iter();
        tried.find(|tried| tried.form == Form::Ratkowsky).unwrap()
    };
    assert!(tried(15.0).outcome.is_ok());
    assert_eq!(tried(4.0).outcome, Err(Refusal::NotRising));
}

/// Of the two minima of Sibbesen's curve the lower one counts. The other one, which the start with
/// the smaller error leads to, was found by searching from every start.
#[test]
fn of_two_minima_the_lower_one_counts() {
    for seed in 0..50 {
        let pairs = scattered(seed, 20, 8.0, 0.1);
        let points = Points::new(pairs.clone());
        let y: Vec<f64> = points.height_m().iter().map(|h| h - 1.3).collect();
        let Ok(fitted) = fit(Form::Sibbesen, pairs, 1.3) else {
            continue;
        };
        let weighted = |parameters: &[f64]| -> f64 {
            let off = |(d, y): (&f64, &f64)| (y - Form::Sibbesen.value(*d, parameters)).powi(2) / d;
            points.dbh_cm().iter().zip(&y).map(off).sum()
        };
        let weights: Vec<f64> = points.dbh_cm().iter().map(|d| 1.0 / d).collect();
        let problem = Problem {
            y: &y,
            weights: Some(&weights),
            model: |i: usize, b: &[f64], g: &mut [f64]| {
                Form::Sibbesen.value_and_gradient(points.dbh_cm()[i], b, g)
            },
        };
        for start in Form::Sibbesen.starts(points.dbh_cm(), &y) {
            let other = Solver::new().fit(&problem, &start);
            if other.status == Status::Converged {
                let (ours, theirs) = (fitted.residual_ss, weighted(&other.parameters));
                assert!(
                    ours <= theirs * (1.0 + 1e-9),
                    "seed {seed}: {ours} {theirs}"
                );
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever the heights: what fills a thicker tree is no lower, and nothing is far above the
    /// tallest measured tree, from the thinnest tree to be filled to the thickest.
    #[test]
    fn a_chosen_curve_rises_over_all_trees(
        seed: u64, n in 8_usize..33, least_cm in 5.0_f64..25.0, scatter in 0.02_f64..0.5,
        thinnest in 1.0_f64..5.0,
    ) {
        let points = Points::new(scattered(seed, n, least_cm, scatter));
        let range = (thinnest, 1.1 * points.dbh_range_cm().unwrap().1);
        if let Some(fitted) = best(&points, range).chosen {
            let heights = (0..=1000)
                .map(|k| range.0 + (range.1 - range.0) * f64::from(k) / 1000.0)
                .map(|d| fitted.curve.height_m(d))
                .collect::<Vec<_>>();
            for pair in heights.windows(2) {
                // Equal but for rounding where the curve has reached its asymptote.
                prop_assert!(pair[1] >= pair[0] * (1.0 - 1e-12), "{:?} {range:?}", fitted.curve);
            }
            prop_assert!(heights[0] >= 1.3);
            prop_assert!(heights[1000] <= MOST_ABOVE_TALLEST * points.tallest_m());
        }
    }

    #[test]
    fn the_order_of_the_heights_changes_no_bit(
        seed: u64, n in 8_usize..25,
        order in Just((0..24_usize).collect::<Vec<_>>()).prop_shuffle(),
    ) {
        let pairs = scattered(seed, n, 8.0, 0.15);
        let shuffled = order.into_iter().filter(|k| *k < n).map(|k| pairs[k]).collect();
        let (one, other) = (Points::new(pairs), Points::new(shuffled));
        let bits = |points: &Points| {
            let range = points.dbh_range_cm().unwrap();
            best(points, range).chosen.map(|fitted| {
                let numbers = [fitted.aicc, fitted.residual_ss, fitted.rmse_m];
                let all = fitted.curve.parameters.into_iter().chain(fitted.std_errors);
                let all = all.chain(numbers).chain(fitted.covariance);
                (fitted.curve.form, all.map(f64::to_bits).collect::<Vec<_>>())
            })
        };
        prop_assert_eq!(bits(&one), bits(&other));
    }
}
