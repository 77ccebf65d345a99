//! Mixed models: small cases by hand.

use spinney::math::mixed::linear::{self, Problem};
use spinney::math::mixed::{Groups, Method, Spread, Zeros, predict};

/// Balanced groups of `m` with one random intercept: by REML the variances are those of the
/// analysis of variance (a textbook result), and the effect is `m s_u^2 / (m s_u^2 + s_e^2)` times
/// the mean residual of the group.
#[test]
fn balanced_groups_by_hand() {
    let y = [
        10.0, 12.0, 11.0, 15.0, 16.0, 14.0, 8.0, 9.0, 10.0, 12.0, 11.0, 13.0,
    ];
    let inner: Vec<usize> = (0..12).map(|i| i / 3).collect();
    let ones = vec![1.0; 12];
    let fit = linear::fit(&Problem {
        x: &ones,
        z: &ones,
        y: &y,
        groups: Groups {
            inner: &inner,
            n_inner: 4,
            outer: None,
        },
        spread: Spread::Equal,
        method: Method::Reml,
        held: None,
    })
    .unwrap();
    // Group means 11, 15, 9, 12 about 11.75: between 3 * 18.75 / 3, within (2+2+2+2) / 8.
    let (between, within) = (18.75, 1.0);
    let variance = (between - within) / 3.0;
    assert!((fit.sigma - 1.0).abs() < 1e-10, "{fit:?}");
    assert!((fit.own_variance / variance - 1.0).abs() < 1e-10, "{fit:?}");
    assert!((fit.fixed[0] - 11.75).abs() < 1e-12);
    // Variance of the mean: that between groups over the 12 values.
    assert!((fit.covariance[0] - between / 12.0).abs() < 1e-9);
    let share = 3.0 * variance / (3.0 * variance + within);
    for (effect, mean) in fit.effects.iter().zip([11.0, 15.0, 9.0, 12.0]) {
        assert!((effect.value - share * (mean - 11.75)).abs() < 1e-10);
        assert!((effect.by_fixed[0] + share).abs() < 1e-10);
        assert!((effect.variance - variance * (1.0 - share)).abs() < 1e-10);
    }
}

#[test]
fn one_group_is_drawn_towards_zero() {
    let (variance, sigma) = (4.0, 3.0);
    for m in 0..6_u8 {
        let y: Vec<f64> = (0..m).map(|k| 20.0 + f64::from(k)).collect();
        let model = |_: usize, b: &[f64], g: &mut [f64]| {
            g[0] = 1.0;
            b[0]
        };
        let weights = vec![1.0; y.len()];
        let predicted = predict::effect(&y, &weights, &[18.0], variance, sigma, model).unwrap();
        let count = f64::from(m);
        let share = count * variance / (count * variance + sigma * sigma);
        let mean = if m == 0 {
            0.0
        } else {
            y.iter().sum::<f64>() / count - 18.0
        };
        assert!(
            (predicted.value - share * mean).abs() < 1e-13,
            "{predicted:?}"
        );
        assert!((predicted.variance - variance * (1.0 - share)).abs() < 1e-13);
        assert!((predicted.by_fixed[0] + share).abs() < 1e-13);
    }
}

#[test]
fn a_variance_of_zero_is_told() {
    // Group means all alike: less between groups than within.
    let y = [10.0, 14.0, 14.0, 10.0, 11.0, 13.0, 13.0, 11.0];
    let inner = [0, 0, 1, 1, 2, 2, 3, 3];
    let ones = [1.0; 8];
    for method in [Method::Ml, Method::Reml] {
        let problem = |outer| Problem {
            x: &ones,
            z: &ones,
            y: &y,
            groups: Groups {
                inner: &inner,
                n_inner: 4,
                outer,
            },
            spread: Spread::Equal,
            method,
            held: None,
        };
        let fit = linear::fit(&problem(None)).unwrap();
        assert_eq!((fit.zeros(), fit.own_variance.to_bits()), (Zeros::Own, 0));
        assert!(
            fit.effects
                .iter()
                .all(|u| u.value.abs() < 1e-300 && u.variance.abs() < 1e-300)
        );
        // The rest is the plain mean.
        assert!((fit.fixed[0] - 12.0).abs() < 1e-13 && fit.sigma.is_finite());
        let nested = linear::fit(&problem(Some((&[0, 0, 1, 1], 2)))).unwrap();
        assert_eq!(nested.zeros(), Zeros::Both);
    }
}
