//! Heights that fits fail on (the pathologies of curve forms, derived): every form then has a
//! reason, some other form or level serves, and nothing is filled in silence.

use proptest::prelude::*;
use spinney::design::{CurveChoice, FitWeights};
use spinney::heights::curve::Form;
use spinney::heights::diagnose::{leave_one_plot_out, residuals};
use spinney::heights::fit::{
    Choice, LEAST_FOR_THREE, MOST_ABOVE_TALLEST, NOT_IN_BEST, Points, Refusal, acceptable, choose,
    fit_form,
};
use spinney::math::nonlinear::{Problem, Solver, Status};

use crate::random::Random;

fn best(pairs: &[(f64, f64)], wanted: &CurveChoice, weights: FitWeights) -> Choice {
    let points = Points::new(pairs.to_vec());
    let range = points.dbh_range_cm().unwrap_or((10.0, 20.0));
    choose(&points, wanted, weights, 1.3, range, &mut Solver::new())
}

fn of_best(pairs: &[(f64, f64)]) -> Choice {
    best(pairs, &CurveChoice::Best, FitWeights::Equal)
}

fn refused(choice: &Choice, form: Form) -> Option<Refusal> {
    let mut tried = choice.tried.iter();
    let tried = tried.find(|tried| tried.form == form).unwrap();
    tried.outcome.err()
}

/// Nearly a power curve: an asymptote runs away, and a form of two parameters serves.
#[test]
fn no_finite_optimum_is_refused_and_two_parameters_serve() {
    let off = [
        0.4, -0.5, 0.2, -0.1, 0.3, -0.4, 0.1, 0.0, -0.2, 0.3, -0.1, 0.1,
    ];
    let pairs: Vec<(f64, f64)> = (0_u8..36)
        .map(|k| {
            let d = 8.0 + 2.0 * f64::from(k);
            (d, 1.3 + 0.9 * d.powf(0.9) + off[usize::from(k % 12)])
        })
        .collect();
    let choice = of_best(&pairs);
    for form in [Form::ChapmanRichards, Form::Weibull, Form::Korf] {
        let why = refused(&choice, form);
        assert!(
            matches!(why, Some(Refusal::NoMinimum | Refusal::TooHigh)),
            "{form:?}: {why:?}"
        );
    }
    assert_eq!(choice.chosen.unwrap().curve.form.n_parameters(), 2);
}

/// A slipped decimal throws the linear start of Naslund's curve beyond a pole; the fit itself comes
/// back.
#[test]
fn a_start_beyond_a_pole_is_left() {
    let mut pairs: Vec<(f64, f64)> = (0_u8..20)
        .map(|k| {
            let d = 12.0 + 2.0 * f64::from(k);
            (d, 1.3 + (d / (1.8 + 0.16 * d)).powi(2))
        })
        .collect();
    pairs.push((57.5, 3.4));
    let d: Vec<f64> = pairs.iter().map(|(d, _)| *d).collect();
    let y: Vec<f64> = pairs.iter().map(|(_, h)| h - 1.3).collect();
    assert!(
        Form::Naslund
            .starts(&d, &y)
            .iter()
            .any(|start| start[0] < 0.0)
    );
    let points = Points::new(pairs);
    let weights = FitWeights::Equal;
    let fitted = fit_form(Form::Naslund, &points, weights, 1.3, &mut Solver::new()).unwrap();
    assert!(fitted.curve.parameters[0] > 0.0, "{fitted:?}");
    assert_eq!(
        acceptable(&fitted, (12.0, 57.5), points.tallest_m()),
        Ok(())
    );
}

#[test]
fn two_diameters_have_no_form_of_three_parameters() {
    let pairs: Vec<(f64, f64)> = (0_u8..30)
        .map(|k| {
            let d = if k % 2 == 0 { 20.0 } else { 40.0 };
            (d, 1.3 + d / 2.0 + f64::from(k) / 10.0)
        })
        .collect();
    let choice = of_best(&pairs);
    for form in Form::ALL
        .into_iter()
        .filter(|form| !NOT_IN_BEST.contains(form))
    {
        if form.n_parameters() == 3 {
            assert_eq!(refused(&choice, form), Some(Refusal::NoMinimum), "{form:?}");
        }
    }
    assert!(choice.chosen.is_some());
}

/// The form that a design names is listed once, with its reason, though all others follow.
#[test]
fn a_named_form_that_fails_is_listed_once() {
    let pairs: Vec<(f64, f64)> = (0_u8..10)
        .map(|k| {
            let d = if k % 2 == 0 { 20.0 } else { 40.0 };
            (d, 1.3 + d / 2.0 + f64::from(k) / 10.0)
        })
        .collect();
    let wanted = CurveChoice::Named("weibull".to_owned());
    let choice = best(&pairs, &wanted, FitWeights::Equal);
    assert_eq!(choice.replaced, Some((Form::Weibull, Refusal::NoMinimum)));
    assert_eq!(choice.tried.len(), Form::ALL.len() - NOT_IN_BEST.len());
}

/// Heights of which some are wild: a decimal slipped, a dbh in other units, a leader that is dead.
fn wild(seed: u64) -> Vec<(f64, f64)> {
    let mut random = Random(seed);
    let n = 6 + usize::try_from(seed % 31).unwrap();
    let least_cm = 5.0 + 20.0 * random.unit();
    let scatter = 0.5 * random.unit();
    (0..n)
        .map(|_| {
            let d = least_cm + 60.0 * random.unit() * random.unit();
            let off = 1.0 + scatter * (2.0 * random.unit() - 1.0);
            let h = 1.3 + off * (d / (1.9 + 0.155 * d)).powi(2);
            match random.unit() {
                slip if slip < 0.02 => (d, (h / 10.0).max(1.4)),
                slip if slip < 0.04 => (d / 2.54, h),
                slip if slip < 0.06 => (d, 1.3 + 0.6 * (h - 1.3)),
                _ => (d, h),
            }
        })
        .collect()
}

/// Ordinary curves; D in cm, y in m.
const ORDINARY: [(Form, [f64; 3]); 16] = [
    (Form::Naslund, [2.0, 0.16, 0.0]),
    (Form::Naslund3, [2.2, 0.3, 0.0]),
    (Form::Curtis, [40.0, 15.0, 0.0]),
    (Form::Michailow, [40.0, 17.0, 0.0]),
    (Form::Wykoff, [3.6, -17.0, 0.0]),
    (Form::Meyer, [40.0, 0.03, 0.0]),
    (Form::Power, [2.5, 0.65, 0.0]),
    (Form::MichaelisMenten, [60.0, 50.0, 0.0]),
    (Form::ChapmanRichards, [45.0, 0.025, 1.1]),
    (Form::Weibull, [45.0, 0.02, 1.05]),
    (Form::Korf, [70.0, 6.0, 0.55]),
    (Form::Gompertz, [38.0, 2.6, 0.05]),
    (Form::Logistic, [36.0, 6.0, 0.08]),
    (Form::Prodan, [3.0, 0.9, 0.02]),
    (Form::Ratkowsky, [48.0, 28.0, 6.0]),
    (Form::Hossfeld4, [50.0, 0.01, 1.3]),
];

/// Where a form is refused for want of a minimum, or accepted at one, ten other starts find no
/// acceptable curve that is better. With three parameters and so few heights that `best` does not
/// try them, one search in a hundred may miss what another start finds.
#[test]
fn other_starts_find_no_better_curve() {
    let (mut fits, mut missed, mut bettered, mut few) = (0, Vec::new(), Vec::new(), 0);
    for seed in 0..60 {
        let points = Points::new(wild(seed));
        let range = points.dbh_range_cm().unwrap();
        let y: Vec<f64> = points.height_m().iter().map(|h| h - 1.3).collect();
        let mut random = Random(1_000 + seed);
        for (form, ordinary) in ORDINARY {
            let p = form.n_parameters();
            let weights = FitWeights::Equal;
            let ours = fit_form(form, &points, weights, 1.3, &mut Solver::new());
            fits += 1;
            let problem = Problem {
                y: &y,
                weights: None,
                model: |i: usize, b: &[f64], g: &mut [f64]| {
                    form.value_and_gradient(points.dbh_cm()[i], b, g)
                },
            };
            let mut least = f64::INFINITY;
            for _ in 0..10 {
                let start = ordinary.map(|value| value * (2.0 * random.unit() - 1.0).exp());
                let fit = Solver::new().fit(&problem, &start[..p]);
                if fit.status != Status::Converged || fit.covariance.len() != p * p {
                    continue;
                }
                let mut other = ours.clone().ok().unwrap_or_else(|| {
                    let any = fit_form(Form::LogLine, &points, weights, 1.3, &mut Solver::new());
                    any.unwrap()
                });
                other.curve.form = form;
                other.curve.parameters[..p].copy_from_slice(&fit.parameters);
                if acceptable(&other, range, points.tallest_m()).is_ok() {
                    least = least.min(fit.residual_ss);
                }
            }
            match ours {
                Err(_) if least.is_finite() && p > 2 && points.len() < LEAST_FOR_THREE => few += 1,
                Err(_) if least.is_finite() => missed.push((seed, form)),
                Ok(ours) if least < ours.residual_ss * (1.0 - 1e-6) => bettered.push((seed, form)),
                _ => {}
            }
        }
    }
    println!(
        "{fits} fits: {} missed, {} bettered",
        missed.len(),
        bettered.len()
    );
    println!("missed: {missed:?}\nbettered: {bettered:?}");
    println!("with few heights and three parameters {few} missed");
    assert!(missed.is_empty() && bettered.is_empty());
    assert!(100 * few <= fits);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever the heights, there is a curve or a reason for every form, and what is told of the
    /// curve is finite or not there.
    #[test]
    fn a_curve_or_reasons(
        pairs in prop::collection::vec(
            (prop_oneof![0.1_f64..500.0, Just(20.0)], prop_oneof![1.31_f64..150.0, Just(20.0)]),
            0..14,
        ),
        which in 0_usize..21,
        inverse in any::<bool>(),
    ) {
        let wanted = Form::ALL.get(which).map_or(CurveChoice::Best, |form| {
            CurveChoice::Named(form.name().to_owned())
        });
        let weights = if inverse { FitWeights::InverseDbh } else { FitWeights::Equal };
        let choice = best(&pairs, &wanted, weights);
        prop_assert!(!choice.tried.is_empty());
        let Some(fitted) = &choice.chosen else {
            prop_assert!(choice.tried.iter().all(|tried| tried.outcome.is_err()));
            return Ok(());
        };
        let points = Points::new(pairs);
        let (_, most_cm) = points.dbh_range_cm().unwrap();
        let highest_m = fitted.curve.height_m(most_cm);
        prop_assert!(highest_m <= MOST_ABOVE_TALLEST * points.tallest_m());
        for residual in residuals(fitted, &points) {
            prop_assert!(residual.residual_m.is_finite());
            let told = [residual.leverage, residual.studentised, residual.externally];
            prop_assert!(told.into_iter().flatten().all(f64::is_finite), "{residual:?}");
        }
        // All of one plot: nothing to leave out.
        prop_assert_eq!(leave_one_plot_out(fitted, &points, &mut Solver::new()), None);
    }
}
