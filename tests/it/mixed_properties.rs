//! Mixed models: small cases by hand, the likelihood and the effects against matrices of the size
//! of the data, and what must hold for any data.

use proptest::prelude::*;
use spinney::heights::curve::Form;
use spinney::heights::mixed::{
    MixedRefusal, PlotHeight, PlotHeights, Solvers, Spread as HeightSpread, fit_mixed,
};
use spinney::math::mixed::linear::{self, Problem};
use spinney::math::mixed::{
    Failure, Fit, Groups, Method, Ratios, Spread, Zeros, nonlinear, predict,
};

use crate::random::Random;

/// About normal, mean 0, standard deviation 1: the sum of twelve numbers between 0 and 1.
fn normal(random: &mut Random) -> f64 {
    (0..12).map(|_| random.unit()).sum::<f64>() - 6.0
}

/// Invented data: stands, plots within them, rows within these.
#[derive(Clone, Debug)]
struct Data {
    x: Vec<f64>,
    z: Vec<f64>,
    y: Vec<f64>,
    c: Vec<f64>,
    inner: Vec<usize>,
    outer: Vec<usize>,
    n_outer: usize,
}

impl Data {
    fn new(seed: u64, stands: usize, plots: usize, rows: usize, sd: [f64; 3]) -> Data {
        let mut random = Random(seed);
        let mut data = Data {
            x: Vec::new(),
            z: Vec::new(),
            y: Vec::new(),
            c: Vec::new(),
            inner: Vec::new(),
            outer: Vec::new(),
            n_outer: stands,
        };
        for stand in 0..stands {
            let of_stand = sd[0] * normal(&mut random);
            for _ in 0..plots {
                let of_plot = of_stand + sd[1] * normal(&mut random);
                data.outer.push(stand);
                for _ in 0..rows {
                    let c = 10.0 + 40.0 * random.unit();
                    let z = 0.5 + c / 50.0;
                    data.x.extend([1.0, c / 10.0]);
                    data.z.push(z);
                    data.c.push(c);
                    data.inner.push(data.outer.len() - 1);
                    let off = sd[2] * c.powf(0.3) * normal(&mut random);
                    data.y.push(20.0 + 0.3 * c + z * of_plot + off);
                }
            }
        }
        data
    }

    fn groups(&self, nested: bool) -> Groups<'_> {
        Groups {
            inner: &self.inner,
            n_inner: self.outer.len(),
            outer: nested.then_some((&self.outer, self.n_outer)),
        }
    }

    fn fit(
        &self,
        nested: bool,
        spread: Spread<'_>,
        method: Method,
        held: Option<Ratios>,
    ) -> Result<Fit, Failure> {
        linear::fit(&Problem {
            x: &self.x,
            z: &self.z,
            y: &self.y,
            groups: self.groups(nested),
            spread,
            method,
            held,
        })
    }

    /// Rows in another order, groups under other numbers.
    fn renamed(&self, order: &[usize]) -> (Data, Vec<usize>) {
        let (n, plots) = (self.y.len(), self.outer.len());
        let rows: Vec<usize> = order.iter().copied().filter(|i| *i < n).collect();
        let names: Vec<usize> = order.iter().copied().filter(|j| *j < plots).collect();
        let pick = |values: &[f64]| rows.iter().map(|i| values[*i]).collect();
        let mut outer = vec![0; plots];
        for (j, name) in names.iter().enumerate() {
            outer[*name] = self.n_outer - 1 - self.outer[j];
        }
        let other = Data {
            x: rows
                .iter()
                .flat_map(|i| [self.x[2 * i], self.x[2 * i + 1]])
                .collect(),
            z: pick(&self.z),
            y: pick(&self.y),
            c: pick(&self.c),
            inner: rows.iter().map(|i| names[self.inner[*i]]).collect(),
            outer,
            n_outer: self.n_outer,
        };
        (other, names)
    }
}

/// Solves `A X = B` (`k` columns) by elimination with pivots; X and ln|A|.
fn eliminate(mut a: Vec<f64>, mut b: Vec<f64>, n: usize, k: usize) -> (Vec<f64>, f64) {
    let mut log_det = 0.0;
    for column in 0..n {
        let pivot = (column..n)
            .max_by(|i, j| a[i * n + column].abs().total_cmp(&a[j * n + column].abs()))
            .unwrap();
        for j in 0..n {
            a.swap(column * n + j, pivot * n + j);
        }
        for j in 0..k {
            b.swap(column * k + j, pivot * k + j);
        }
        log_det += a[column * n + column].abs().ln();
        for i in (0..n).filter(|i| *i != column) {
            let factor = a[i * n + column] / a[column * n + column];
            for j in column..n {
                a[i * n + j] -= factor * a[column * n + j];
            }
            for j in 0..k {
                b[i * k + j] -= factor * b[column * k + j];
            }
        }
    }
    for i in 0..n {
        for j in 0..k {
            b[i * k + j] /= a[i * n + i];
        }
    }
    (b, log_det)
}

/// What the definitions give with matrices of the size of the data.
struct Dense {
    log_likelihood: f64,
    fixed: Vec<f64>,
    covariance: Vec<f64>,
    sigma: f64,
    /// Of each inner group: effect, variance of its error given b, derivatives by b.
    effects: Vec<(f64, f64, [f64; 2])>,
}

fn dense(data: &Data, ratios: Ratios, method: Method) -> Dense {
    let (n, p) = (data.y.len(), 2);
    let between = |j: usize, l: usize| {
        let same_stand = data.outer[j] == data.outer[l];
        let own = if j == l { ratios.own } else { 0.0 };
        own + if same_stand { ratios.outer } else { 0.0 }
    };
    let mut v = vec![0.0; n * n];
    for i in 0..n {
        for k in 0..n {
            v[i * n + k] = data.z[i] * data.z[k] * between(data.inner[i], data.inner[k]);
        }
        v[i * n + i] += data.c[i].powf(2.0 * ratios.delta);
    }
    // [X y K] with K the covariance of the rows with each group's effect.
    let groups = data.outer.len();
    let width = p + 1 + groups;
    let mut right = vec![0.0; n * width];
    for i in 0..n {
        right[i * width] = data.x[2 * i];
        right[i * width + 1] = data.x[2 * i + 1];
        right[i * width + 2] = data.y[i];
        for j in 0..groups {
            right[i * width + p + 1 + j] = data.z[i] * between(data.inner[i], j);
        }
    }
    let (solved, log_det) = eliminate(v, right.clone(), n, width);
    let product = |a: usize, b: usize| -> f64 {
        (0..n)
            .map(|i| right[i * width + a] * solved[i * width + b])
            .sum()
    };
    let cross = vec![product(0, 0), product(0, 1), product(1, 0), product(1, 1)];
    let (fixed, log_x) = eliminate(cross.clone(), vec![product(0, 2), product(1, 2)], p, 1);
    let (inverse, _) = eliminate(cross, vec![1.0, 0.0, 0.0, 1.0], p, p);
    let rss = product(2, 2) - fixed[0] * product(0, 2) - fixed[1] * product(1, 2);
    let reml = method == Method::Reml;
    let nu = (n - if reml { p } else { 0 }) as f64;
    let twice = nu * ((2.0 * std::f64::consts::PI).ln() + 1.0 + (rss / nu).ln())
        + log_det
        + if reml { log_x } else { 0.0 };
    let variance = rss / nu;
    let effects = (0..groups).map(|j| {
        let at = p + 1 + j;
        let by = [-product(at, 0), -product(at, 1)];
        let value = product(at, 2) + by[0] * fixed[0] + by[1] * fixed[1];
        (value, variance * (between(j, j) - product(at, at)), by)
    });
    Dense {
        log_likelihood: -0.5 * twice,
        effects: effects.collect(),
        covariance: inverse.iter().map(|c| c * rss / (n - p) as f64).collect(),
        fixed,
        sigma: variance.sqrt(),
    }
}

fn close(ours: f64, theirs: f64, scale: f64, limit: f64) -> bool {
    (ours - theirs).abs() <= limit * scale
}

#[test]
fn matrices_of_the_size_of_the_data_give_the_same() {
    let mut data = Data::new(7, 4, 3, 4, [2.0, 1.0, 0.5]);
    // A plot without heights in a stand that has some, and one in a stand without any.
    data.outer.extend([1, 4]);
    data.n_outer = 5;
    for method in [Method::Ml, Method::Reml] {
        for (own, outer, delta) in [(0.7, 2.0, 0.0), (0.4, 0.0, 0.6), (0.0, 1.3, -0.4)] {
            let ratios = Ratios { own, outer, delta };
            let spread = Spread::Power(&data.c);
            let ours = data.fit(true, spread, method, Some(ratios)).unwrap();
            let theirs = dense(&data, ratios, method);
            assert!(close(ours.log_likelihood, theirs.log_likelihood, 1.0, 1e-9));
            assert!(close(ours.sigma, theirs.sigma, theirs.sigma, 1e-10));
            for (a, b) in ours.fixed.iter().zip(&theirs.fixed) {
                assert!(close(*a, *b, 1.0, 1e-9), "{ours:?}");
            }
            for (a, b) in ours.covariance.iter().zip(&theirs.covariance) {
                assert!(close(*a, *b, theirs.covariance[0], 1e-10), "{ours:?}");
            }
            for (j, (value, variance, by)) in theirs.effects.iter().enumerate() {
                let effect = &ours.effects[j];
                assert!(close(effect.value, *value, 1.0, 1e-9), "{j} {ours:?}");
                let whole = ours.posterior_variance(j, Some(data.outer[j]));
                assert!(
                    close(whole, *variance, 1.0, 1e-10),
                    "{j} {whole} {variance}"
                );
                for (a, b) in effect.by_fixed.iter().zip(by) {
                    assert!(close(*a, *b, 1.0, 1e-9), "{j} {effect:?} {by:?}");
                }
            }
        }
    }
}

#[test]
fn the_search_ends_at_the_maximum() {
    for seed in 0..20 {
        let data = Data::new(seed, 5, 4, 4, [2.0, 1.0, 0.5]);
        for method in [Method::Ml, Method::Reml] {
            let fit = data
                .fit(true, Spread::Power(&data.c), method, None)
                .unwrap();
            let best = fit.ratios();
            let here = dense(&data, best, method).log_likelihood;
            assert!(close(here, fit.log_likelihood, 1.0, 1e-8), "{fit:?}");
            for step in [1e-3_f64, -1e-3, 0.3, -0.3] {
                let mut around = [best; 3];
                around[0].own *= step.exp();
                around[1].outer *= step.exp();
                around[2].delta += step;
                for ratios in around {
                    let there = dense(&data, ratios, method).log_likelihood;
                    assert!(there <= here + 1e-9, "seed {seed}: {ratios:?} {best:?}");
                }
            }
            // At a variance of 0 the likelihood falls.
            if fit.zeros() != Zeros::None {
                let mut inside = best;
                inside.own = inside.own.max(1e-4);
                inside.outer = inside.outer.max(1e-4);
                assert!(dense(&data, inside, method).log_likelihood < here);
            }
        }
    }
}

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

#[test]
fn what_cannot_be_fitted_is_told() {
    let data = Data::new(3, 1, 6, 3, [1.0, 1.0, 0.5]);
    let fit = |data: &Data, nested| data.fit(nested, Spread::Equal, Method::Reml, None);
    // One stand only.
    assert_eq!(fit(&data, true), Err(Failure::NotSeparable));
    // Groups of one row.
    let mut single = data.clone();
    single.inner = (0..18).collect();
    single.outer = vec![0; 18];
    assert_eq!(fit(&single, false), Err(Failure::NotSeparable));
    let mut infinite = data.clone();
    infinite.y[4] = f64::NAN;
    assert_eq!(fit(&infinite, false), Err(Failure::NotFinite));
    let mut alike = data.clone();
    alike.x = vec![1.0; 36];
    assert_eq!(fit(&alike, false), Err(Failure::Collinear));
    let mut exact = data.clone();
    exact.y = data.c.clone();
    assert_eq!(fit(&exact, false), Err(Failure::Unbounded));
    let mut exact_in_groups = data.clone();
    for (y, (j, z)) in exact_in_groups
        .y
        .iter_mut()
        .zip(data.inner.iter().zip(&data.z))
    {
        *y = 5.0 + [0.3, -0.7, 1.1, 0.2, -0.9, 0.4][*j] * z;
    }
    assert_eq!(fit(&exact_in_groups, false), Err(Failure::Unbounded));
    let few = Data::new(3, 1, 2, 2, [1.0, 1.0, 0.5]);
    assert_eq!(fit(&few, false), Err(Failure::TooFew));
}

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
    fn names_and_order_change_nothing(
        seed: u64, nested: bool, power: bool, reml: bool,
        order in Just((0..80_usize).collect::<Vec<_>>()).prop_shuffle(),
    ) {
        let data = Data::new(seed, 4, 4, 5, [1.5, 1.0, 0.5]);
        let (other, names) = data.renamed(&order);
        let method = if reml { Method::Reml } else { Method::Ml };
        let fit = |data: &Data| {
            let spread = if power { Spread::Power(&data.c) } else { Spread::Equal };
            data.fit(nested, spread, method, None).unwrap()
        };
        let (one, two) = (fit(&data), fit(&other));
        prop_assert!(close(one.log_likelihood, two.log_likelihood, 1.0, 1e-8));
        let scale = one.sigma * one.sigma;
        prop_assert!(close(one.own_variance, two.own_variance, scale, 1e-6));
        for (a, b) in one.fixed.iter().zip(&two.fixed) {
            prop_assert!(close(*a, *b, 1.0, 1e-6), "{one:?} {two:?}");
        }
        for (j, name) in names.iter().enumerate() {
            let (a, b) = (&one.effects[j], &two.effects[*name]);
            prop_assert!(close(a.value, b.value, 1.0, 1e-6), "{j} {name}");
        }
    }

    #[test]
    fn a_change_of_unit_scales_everything(
        seed: u64, nested: bool, power: bool, factor in 0.01_f64..100.0,
    ) {
        let data = Data::new(seed, 4, 4, 5, [1.5, 1.0, 0.5]);
        let mut scaled = data.clone();
        for y in &mut scaled.y {
            *y *= factor;
        }
        let fit = |data: &Data| {
            let spread = if power { Spread::Power(&data.c) } else { Spread::Equal };
            data.fit(nested, spread, Method::Ml, None).unwrap()
        };
        let (one, two) = (fit(&data), fit(&scaled));
        let same = |a: f64, b: f64, scale: f64| close(a * scale, b, scale.max(b.abs()), 1e-6);
        prop_assert!(same(one.sigma, two.sigma, factor));
        prop_assert!(same(one.own_variance, two.own_variance, factor * factor));
        prop_assert!(same(one.covariance[0], two.covariance[0], factor * factor));
        prop_assert!(close(one.delta.unwrap_or(0.0), two.delta.unwrap_or(0.0), 1.0, 1e-6));
        for (a, b) in one.fixed.iter().zip(&two.fixed) {
            prop_assert!(same(*a, *b, factor));
        }
        let shift = one.n as f64 * factor.ln();
        prop_assert!(close(one.log_likelihood - shift, two.log_likelihood, 1.0, 1e-7));
    }

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
