//! Mixed models: the likelihood and the effects against matrices of the size of the data, and what
//! must hold for any data.

use proptest::prelude::*;
use spinney::math::mixed::linear::{self, Problem};
use spinney::math::mixed::{Failure, Fit, Groups, Method, Ratios, Spread, Zeros};

use crate::random::Random;

/// About normal, mean 0, standard deviation 1: the sum of twelve numbers between 0 and 1.
pub(crate) fn normal(random: &mut Random) -> f64 {
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

/// Little data have likelihoods with more than one top; the search must find the highest.
#[test]
fn no_ratios_on_a_grid_are_better() {
    let ratios = |k: u32| {
        if k == 0 {
            0.0
        } else {
            10_f64.powf(f64::from(k) / 2.0 - 4.0)
        }
    };
    for seed in 0..150 {
        let sd = [0.5 * (seed % 3) as f64, 0.4 * (seed % 4) as f64, 0.5];
        let data = Data::new(1000 + seed, 3, 3, 3, sd);
        let nested = seed % 2 == 0;
        let spread = if seed % 5 < 2 {
            Spread::Power(&data.c)
        } else {
            Spread::Equal
        };
        let method = if seed % 7 < 4 {
            Method::Reml
        } else {
            Method::Ml
        };
        let fit = data.fit(nested, spread, method, None).unwrap();
        for (own, outer) in (0..13).flat_map(|own| (0..13).map(move |outer| (own, outer))) {
            for delta in [-0.5_f64, 0.0, 0.5, 1.0] {
                if !nested && outer > 0 || spread == Spread::Equal && delta.abs() > 0.0 {
                    continue;
                }
                let held = Ratios {
                    own: ratios(own),
                    outer: ratios(outer),
                    delta,
                };
                let there = data.fit(nested, spread, method, Some(held)).unwrap();
                let above = there.log_likelihood - fit.log_likelihood;
                assert!(
                    above < 1e-9,
                    "seed {seed}: {held:?} by {above} {:?}",
                    fit.ratios()
                );
            }
        }
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
}
