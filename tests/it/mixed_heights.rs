//! Height curves with effects of plots and stands: what must hold for any heights.

use proptest::prelude::*;
use spinney::heights::curve::Form;
use spinney::heights::mixed::{
    MixedRefusal, PlotHeight, PlotHeights, Solvers, Spread as HeightSpread, fit_mixed,
};
use spinney::math::mixed::linear::{self, Problem};
use spinney::math::mixed::{Groups, Method, Spread, nonlinear};

use crate::mixed_properties::normal;
use crate::random::Random;

/// Heights of plots within stands about a curve, to the decimetre.
fn plot_heights(
    seed: u64,
    stands: usize,
    plots: usize,
    trees: usize,
) -> (Vec<PlotHeight>, Vec<usize>) {
    let mut random = Random(seed);
    let (mut heights, mut stand_of) = (Vec::new(), Vec::new());
    for stand in 0..stands {
        let of_stand = 3.0 * normal(&mut random);
        for _ in 0..plots {
            let a = 38.0 + of_stand + 2.0 * normal(&mut random);
            stand_of.push(stand);
            for _ in 0..trees {
                let d = 10.0 + 45.0 * random.unit();
                let h = 1.3 + a * (-15.0 / d).exp() + 1.2 * normal(&mut random);
                heights.push(PlotHeight {
                    dbh_cm: (10.0 * d).round() / 10.0,
                    height_m: ((10.0 * h).round() / 10.0).max(1.4),
                    plot: stand_of.len() - 1,
                });
            }
        }
    }
    (heights, stand_of)
}

/// Every form, with stands and without: a curve, or a reason; never a number that is none.
#[test]
fn every_form_ends_in_a_curve_or_a_reason() {
    let mut solvers = Solvers::default();
    let (mut fitted, mut refused) = (0, 0);
    for seed in 0..10 {
        let (heights, stand_of) = plot_heights(seed, 4, 4, 5);
        for form in Form::ALL {
            for spread in [
                HeightSpread::Equal,
                HeightSpread::InverseDbh,
                HeightSpread::PowerOfDbh,
            ] {
                for nested in [false, true] {
                    let stands = nested.then(|| stand_of.clone());
                    let heights = PlotHeights::new(heights.clone(), 16, stands);
                    match fit_mixed(form, &heights, spread, Method::Reml, 1.3, &mut solvers) {
                        Ok(curve) => {
                            let fit = &curve.fit;
                            let finite = fit.fixed.iter().chain(&fit.covariance);
                            assert!(
                                finite.into_iter().all(|value| value.is_finite()),
                                "{form:?}"
                            );
                            assert!(fit.log_likelihood.is_finite() && fit.sigma > 0.0);
                            for (j, effect) in fit.effects.iter().enumerate() {
                                assert!(effect.value.is_finite() && effect.variance >= 0.0);
                                assert!(curve.curve_of(j).height_m(30.0).is_finite());
                            }
                            fitted += 1;
                        }
                        Err(why) => {
                            println!("seed {seed} {form:?} {spread:?} {nested}: {}", why.words());
                            assert!(matches!(
                                why,
                                MixedRefusal::NoStart(_) | MixedRefusal::NoFit(_)
                            ));
                            refused += 1;
                        }
                    }
                }
            }
        }
    }
    println!("{fitted} curves, {refused} refused");
    assert!(fitted > 10 * refused);
}

/// At rest the tangent model has the same fit.
#[test]
fn the_tangent_model_at_rest_has_the_same_fit() {
    let (heights, stand_of) = plot_heights(5, 4, 4, 5);
    let inner: Vec<usize> = heights.iter().map(|height| height.plot).collect();
    let y: Vec<f64> = heights.iter().map(|height| height.height_m - 1.3).collect();
    let form = Form::Naslund;
    let groups = Groups {
        inner: &inner,
        n_inner: 16,
        outer: Some((&stand_of, 4)),
    };
    for method in [Method::Ml, Method::Reml] {
        let problem = nonlinear::Problem {
            y: &y,
            model: |i: usize, b: &[f64], g: &mut [f64]| {
                form.value_and_gradient(heights[i].dbh_cm, b, g)
            },
            groups,
            spread: Spread::Equal,
            method,
            held: None,
        };
        let fit = nonlinear::Solver::new()
            .fit(&problem, &[2.0, 0.15])
            .unwrap();
        let (mut x, mut z, mut working) = (Vec::new(), Vec::new(), Vec::new());
        for (i, y) in y.iter().enumerate() {
            let u = fit.effects[inner[i]].value;
            let mut g = [0.0; 2];
            let b = [fit.fixed[0] + u, fit.fixed[1]];
            let value = form.value_and_gradient(heights[i].dbh_cm, &b, &mut g);
            working.push(y - value + g[0] * (fit.fixed[0] + u) + g[1] * fit.fixed[1]);
            x.extend(g);
            z.push(g[0]);
        }
        let tangent = linear::fit(&Problem {
            x: &x,
            z: &z,
            y: &working,
            groups,
            spread: Spread::Equal,
            method,
            held: None,
        })
        .unwrap();
        assert!((tangent.log_likelihood - fit.log_likelihood).abs() < 1e-8);
        assert!((tangent.own_variance / fit.own_variance - 1.0).abs() < 1e-6);
        let (a, b) = (tangent.outer_variance.unwrap(), fit.outer_variance.unwrap());
        assert!((a / b - 1.0).abs() < 1e-6, "{a} {b}");
        assert!((tangent.fixed[0] / fit.fixed[0] - 1.0).abs() < 1e-8);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn the_order_of_heights_changes_no_bit(
        seed: u64, order in Just((0..48_usize).collect::<Vec<_>>()).prop_shuffle(),
    ) {
        let (heights, stand_of) = plot_heights(seed, 4, 4, 3);
        let shuffled = order.iter().map(|k| heights[*k]).collect();
        let fit = |heights: Vec<PlotHeight>| {
            let heights = PlotHeights::new(heights, 16, Some(stand_of.clone()));
            let spread = HeightSpread::InverseDbh;
            let solvers = &mut Solvers::default();
            fit_mixed(Form::Michailow, &heights, spread, Method::Reml, 1.3, solvers)
        };
        prop_assert_eq!(fit(heights), fit(shuffled));
    }
}
