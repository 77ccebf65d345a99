//! The log-likelihood of the linear mixed model, profiled over the fixed parameters and the
//! residual variance, and its derivatives by the ratios of variances.
//!
//! ```text
//! V = G + z z' r,  V^-1 = G^-1 - G^-1 z z' G^-1 r / (1 + r z'G^-1 z)     layer by layer
//! [X y]' V^-1 [X y] = L L';  the last pivot squared is the residual sum of squares
//! -2 logL = nu (ln 2 pi + 1 + ln(RSS / nu)) + ln|V| + [REML] ln|X'V^-1 X|
//! nu = n by ML, n - p by REML
//! ```
//! Nothing larger than p + 1 squared is ever formed. The columns of X are made orthogonal first
//! (modified Gram-Schmidt, X = Q R) and y is replaced by what they leave of it, so that cross
//! products lose nothing.

mod outcome;

use super::dense::{cholesky, forward, known};
use super::{Failure, Groups, Method, Ratios, Spread};
use outcome::fill_effects;

/// Residuals that are nothing but rounding, relative to the size of the data.
const ROUNDING: f64 = 1e-13;
/// Part of a column that may be left when those before it are taken out, in units of rounding.
const LEFT_OF_COLUMN: f64 = 64.0;

/// A value of the log-likelihood with its derivatives.
#[derive(Clone, Copy, Debug)]
pub(super) struct Value {
    pub(super) log_likelihood: f64,
    /// By the ratio of the own layer, by that of the outer layer, by delta.
    pub(super) slope: [f64; 3],
}

/// The data of one fit and everything summed over them; buffers are used again.
#[derive(Clone, Debug, Default)]
pub(super) struct Likelihood {
    reml: bool,
    n: usize,
    p: usize,
    inner: Vec<usize>,
    rows_of: Vec<usize>,
    /// Inner groups with rows, and outer groups with any of these.
    inner_seen: Vec<usize>,
    outer_seen: Vec<usize>,
    outer: Vec<usize>,
    n_outer: usize,
    /// Square roots of known weights; empty if all are 1.
    roots: Vec<f64>,
    /// Logs of the covariate, less their mean; empty without.
    logs: Vec<f64>,
    mean_log: f64,
    /// Sum of the logs of the known weights.
    log_weights: f64,
    /// `[Q | y]`, n rows of p + 1, times the roots.
    rows: Vec<f64>,
    z: Vec<f64>,
    /// R, row by row, and Q'y.
    factor: Vec<f64>,
    projected: Vec<f64>,
    log_factor: f64,
    size: f64,
    /// Weights at the present delta.
    at_delta: f64,
    weights: Vec<f64>,
    /// `[Q y]'G^-1[Q y]` below the diagonal; z'G^-1 z and z'G^-1[Q y] of each inner group.
    gram: Vec<f64>,
    inner_zz: Vec<f64>,
    inner_z: Vec<f64>,
    /// The same of each outer group with the inner layer taken out.
    outer_zz: Vec<f64>,
    outer_z: Vec<f64>,
    lower: Vec<f64>,
    /// The ratios at which all this was last factorised, and whether that went well.
    factorised: Option<(Ratios, bool)>,
    solved: Vec<f64>,
    /// What each column's inner effects would be, p + 1 for each group.
    effects: Vec<f64>,
}

impl Likelihood {
    /// Takes over what does not change from one linearisation to the next. Checked before.
    pub(super) fn arrange(
        &mut self,
        p: usize,
        groups: &Groups<'_>,
        spread: Spread<'_>,
        method: Method,
    ) {
        self.n = groups.inner.len();
        self.p = p;
        self.reml = method == Method::Reml;
        self.inner.clear();
        self.inner.extend_from_slice(groups.inner);
        self.rows_of.clear();
        self.rows_of.resize(groups.n_inner, 0);
        for j in groups.inner {
            self.rows_of[*j] += 1;
        }
        self.outer.clear();
        self.n_outer = 0;
        if let Some((outer, n_outer)) = groups.outer {
            self.outer.extend_from_slice(outer);
            self.n_outer = n_outer;
        }
        self.inner_seen.clear();
        let groups_with_rows = (0..groups.n_inner).filter(|j| self.rows_of[*j] > 0);
        self.inner_seen.extend(groups_with_rows);
        self.outer_seen.clear();
        if self.n_outer > 0 {
            let of_seen = self.inner_seen.iter().map(|j| self.outer[*j]);
            self.outer_seen.extend(of_seen);
            self.outer_seen.sort_unstable();
            self.outer_seen.dedup();
        }
        self.factorised = None;
        self.roots.clear();
        self.logs.clear();
        self.log_weights = 0.0;
        self.mean_log = 0.0;
        match spread {
            Spread::Equal => {}
            Spread::Weights(weights) => {
                self.roots.extend(weights.iter().map(|w| w.sqrt()));
                self.log_weights = weights.iter().map(|w| w.ln()).sum();
            }
            Spread::Power(covariate) => {
                self.logs.extend(covariate.iter().map(|c| c.ln()));
                self.mean_log = self.logs.iter().sum::<f64>() / self.n as f64;
                for log in &mut self.logs {
                    *log -= self.mean_log;
                }
            }
        }
    }

    /// Is there an outer layer?
    pub(super) fn is_nested(&self) -> bool {
        self.n_outer > 0
    }

    /// Is delta estimated?
    pub(super) fn has_power(&self) -> bool {
        !self.logs.is_empty()
    }

    /// From ratios at covariates of 1 to those at the mean of their logs, which the search and
    /// everything here use: there delta and the ratios hardly depend on one another.
    pub(super) fn centred(&self, ratios: Ratios) -> Ratios {
        let factor = (-2.0 * ratios.delta * self.mean_log).exp();
        Ratios {
            own: ratios.own * factor,
            outer: ratios.outer * factor,
            delta: ratios.delta,
        }
    }

    /// Takes over data: X (`p` values a row), y and z.
    pub(super) fn load(&mut self, x: &[f64], y: &[f64], z: &[f64]) -> Result<(), Failure> {
        let (n, p) = (self.n, self.p);
        let m = p + 1;
        self.factorised = None;
        self.rows.clear();
        self.z.clear();
        for i in 0..n {
            let root = self.roots.get(i).copied().unwrap_or(1.0);
            self.rows
                .extend(x[i * p..(i + 1) * p].iter().map(|value| value * root));
            self.rows.push(y[i] * root);
            self.z.push(z[i] * root);
        }
        let finite = |values: &[f64]| values.iter().all(|value| value.is_finite());
        if !finite(&self.rows) || !finite(&self.z) {
            return Err(Failure::NotFinite);
        }
        self.size = self.rows.iter().skip(p).step_by(m).map(|y| y * y).sum();
        let largest_root = self.roots.iter().copied().fold(0.0, f64::max);
        let scale = if self.roots.is_empty() {
            1.0
        } else {
            largest_root
        };
        match p {
            2 => self.orthogonalise::<3>(x, scale),
            3 => self.orthogonalise::<4>(x, scale),
            _ => self.orthogonalise::<0>(x, scale),
        }?;
        self.accumulate(0.0);
        Ok(())
    }

    /// Makes the columns of the rows orthogonal. `M` is here and below p + 1 where it is known when
    /// compiled, else 0; `scale` is the largest root of a weight.
    fn orthogonalise<const M: usize>(&mut self, x: &[f64], scale: f64) -> Result<(), Failure> {
        let m = known::<M>(self.p + 1);
        let p = m - 1;
        self.factor.clear();
        self.factor.resize(p * p, 0.0);
        self.projected.clear();
        self.projected.resize(p, 0.0);
        self.log_factor = 0.0;
        for k in 0..p {
            let whole: f64 = x.chunks_exact(p).map(|row| row[k] * row[k]).sum();
            let norm = product::<M>(&self.rows, m, k, k).sqrt();
            // Not above: a norm that is not a number fails too.
            let independent = norm > LEFT_OF_COLUMN * f64::EPSILON * scale * whole.sqrt();
            if !independent {
                return Err(Failure::Collinear);
            }
            self.factor[k * p + k] = norm;
            self.log_factor += norm.ln();
            for row in self.rows.chunks_exact_mut(m) {
                row[k] /= norm;
            }
            for j in k + 1..m {
                let along = product::<M>(&self.rows, m, k, j);
                if j < p {
                    self.factor[k * p + j] = along;
                } else {
                    self.projected[k] = along;
                }
                for row in self.rows.chunks_exact_mut(m) {
                    row[j] -= along * row[k];
                }
            }
        }
        Ok(())
    }

    /// Sums at a power.
    fn accumulate(&mut self, delta: f64) {
        match self.p {
            2 => self.accumulate_known::<3>(delta),
            3 => self.accumulate_known::<4>(delta),
            _ => self.accumulate_known::<0>(delta),
        }
    }

    fn accumulate_known<const M: usize>(&mut self, delta: f64) {
        let m = known::<M>(self.p + 1);
        self.at_delta = delta;
        let reset = |values: &mut Vec<f64>, len: usize| {
            values.clear();
            values.resize(len, 0.0);
        };
        reset(&mut self.gram, m * m);
        reset(&mut self.inner_zz, self.rows_of.len());
        reset(&mut self.inner_z, self.rows_of.len() * m);
        self.weights.clear();
        self.weights
            .extend(self.logs.iter().map(|log| (-2.0 * delta * log).exp()));
        self.weights.resize(self.n, 1.0);
        let rows = self.rows.chunks_exact(m).zip(&self.z);
        for ((row, z), (w, j)) in rows.zip(self.weights.iter().zip(&self.inner)) {
            let wz = w * z;
            self.inner_zz[*j] += wz * z;
            let sums = &mut self.inner_z[j * m..(j + 1) * m];
            let entries = self.gram.chunks_exact_mut(m);
            for (a, ((sum, value), entries)) in sums.iter_mut().zip(row).zip(entries).enumerate() {
                *sum += wz * value;
                let weighted = w * value;
                for (entry, other) in entries[..=a].iter_mut().zip(row) {
                    *entry += weighted * other;
                }
            }
        }
    }

    /// Mean of z'G^-1 z over the groups that have rows, of the own and of the outer layer: the
    /// inverse is the unit of the ratio.
    pub(super) fn units(&self) -> [f64; 2] {
        let total: f64 = self.inner_zz.iter().sum();
        let (inner, outer) = (self.inner_seen.len(), self.outer_seen.len());
        [total / inner as f64, total / outer.max(1) as f64]
    }

    /// The log-likelihood at the (centred) ratios; `None` if it has none.
    pub(super) fn log_likelihood(&mut self, ratios: Ratios) -> Option<f64> {
        if !self.factorise(ratios) {
            return None;
        }
        let (p, m) = (self.p, self.p + 1);
        let log_grown = |ratio: f64, zz: f64| (1.0 + ratio * zz).ln();
        let mut log_det = 0.0;
        for j in &self.inner_seen {
            log_det += log_grown(ratios.own, self.inner_zz[*j]);
        }
        for k in &self.outer_seen {
            log_det += log_grown(ratios.outer, self.outer_zz[*k]);
        }
        let nu = self.divisor();
        let rss = self.lower[p * m + p].powi(2);
        let mut twice = nu * ((2.0 * std::f64::consts::PI).ln() + 1.0 + (rss / nu).ln()) + log_det
            - self.log_weights;
        if self.reml {
            let log_x: f64 = (0..p).map(|a| self.lower[a * m + a].ln()).sum();
            twice += 2.0 * (log_x + self.log_factor);
        }
        let log_likelihood = -0.5 * twice;
        log_likelihood.is_finite().then_some(log_likelihood)
    }

    /// Factorises at the (centred) ratios, unless that is what was done last; does it go?
    fn factorise(&mut self, ratios: Ratios) -> bool {
        let bits = |at: &Ratios| [at.own, at.outer, at.delta].map(f64::to_bits);
        if let Some((at, went_well)) = self.factorised
            && bits(&at) == bits(&ratios)
        {
            return went_well;
        }
        let went_well = match self.p {
            2 => self.factorise_known::<3>(ratios),
            3 => self.factorise_known::<4>(ratios),
            _ => self.factorise_known::<0>(ratios),
        };
        self.factorised = Some((ratios, went_well));
        went_well
    }

    fn factorise_known<const M: usize>(&mut self, ratios: Ratios) -> bool {
        let m = known::<M>(self.p + 1);
        let p = m - 1;
        if self.has_power() && ratios.delta.to_bits() != self.at_delta.to_bits() {
            self.accumulate(ratios.delta);
        }
        self.lower.clear();
        self.lower.extend_from_slice(&self.gram);
        self.outer_zz.clear();
        self.outer_zz.resize(self.n_outer, 0.0);
        self.outer_z.clear();
        self.outer_z.resize(self.n_outer * m, 0.0);
        for j in &self.inner_seen {
            let zz = self.inner_zz[*j];
            let grown = 1.0 + ratios.own * zz;
            let sums = &self.inner_z[j * m..(j + 1) * m];
            take_out::<M>(&mut self.lower, sums, ratios.own / grown);
            if let Some(k) = self.outer.get(*j) {
                self.outer_zz[*k] += zz / grown;
                let above = &mut self.outer_z[k * m..(k + 1) * m];
                for (above, sum) in above.iter_mut().zip(sums) {
                    *above += sum / grown;
                }
            }
        }
        for k in &self.outer_seen {
            let grown = 1.0 + ratios.outer * self.outer_zz[*k];
            let sums = &self.outer_z[k * m..(k + 1) * m];
            take_out::<M>(&mut self.lower, sums, ratios.outer / grown);
        }
        if !cholesky::<M>(&mut self.lower, m) {
            return false;
        }
        let rss = self.lower[p * m + p].powi(2);
        rss.is_finite() && rss > ROUNDING * ROUNDING * self.size
    }

    fn divisor(&self) -> f64 {
        let taken = if self.reml { self.p } else { 0 };
        (self.n - taken) as f64
    }

    /// The log-likelihood and its derivatives at the (centred) ratios.
    pub(super) fn value(&mut self, ratios: Ratios) -> Option<Value> {
        Some(Value {
            log_likelihood: self.log_likelihood(ratios)?,
            slope: self.slope(ratios)?,
        })
    }

    /// The derivatives of the log-likelihood at the (centred) ratios.
    pub(super) fn slope(&mut self, ratios: Ratios) -> Option<[f64; 3]> {
        if !self.factorise(ratios) {
            return None;
        }
        Some(match self.p {
            2 => self.slope_known::<3>(ratios),
            3 => self.slope_known::<4>(ratios),
            _ => self.slope_known::<0>(ratios),
        })
    }

    fn slope_known<const M: usize>(&mut self, ratios: Ratios) -> [f64; 3] {
        let m = known::<M>(self.p + 1);
        let p = m - 1;
        let nu = self.divisor();
        let reml = if self.reml { 1.0 } else { 0.0 };
        let lower = &self.lower;
        // v = L^-1 q: its last value squared is what q takes off RSS relative to it, the others
        // what it takes off ln|X'V^-1 X|.
        let taken = |solved: &mut [f64]| {
            forward::<M>(lower, solved);
            let of_x: f64 = solved[..p].iter().map(|v| v * v).sum();
            nu * solved[p] * solved[p] + reml * of_x
        };
        self.solved.clear();
        self.solved.resize(m, 0.0);
        let mut twice = [0.0; 3];
        for j in &self.inner_seen {
            let zz = self.inner_zz[*j];
            let grown = 1.0 + ratios.own * zz;
            let t = zz / grown;
            let sums = &self.inner_z[j * m..(j + 1) * m];
            let mut from_outer = 0.0;
            for (solved, sum) in self.solved.iter_mut().zip(sums) {
                *solved = sum / grown;
            }
            if let Some(k) = self.outer.get(*j) {
                from_outer = ratios.outer / (1.0 + ratios.outer * self.outer_zz[*k]) * t;
                let above = &self.outer_z[k * m..(k + 1) * m];
                for (solved, above) in self.solved.iter_mut().zip(above) {
                    *solved -= from_outer * above;
                }
            }
            twice[0] += t - from_outer * t - taken(&mut self.solved);
        }
        for k in &self.outer_seen {
            let zz = self.outer_zz[*k];
            let grown = 1.0 + ratios.outer * zz;
            let sums = &self.outer_z[k * m..(k + 1) * m];
            for (solved, sum) in self.solved.iter_mut().zip(sums) {
                *solved = sum / grown;
            }
            twice[1] += zz / grown - taken(&mut self.solved);
        }
        if !self.logs.is_empty() {
            fill_effects(
                &mut self.effects,
                m,
                ratios,
                (&self.inner_zz, &self.inner_z),
                &self.outer,
                (&self.outer_zz, &self.outer_z),
            );
            for (i, log) in self.logs.iter().enumerate() {
                let (j, z, w) = (self.inner[i], self.z[i], self.weights[i]);
                let grown = 1.0 + ratios.own * self.inner_zz[j];
                let above = self.outer.get(j).map_or(0.0, |k| {
                    ratios.outer / (1.0 + ratios.outer * self.outer_zz[*k])
                });
                let spread = ratios.own / grown + above / (grown * grown);
                let row = &self.rows[i * m..(i + 1) * m];
                let effects = &self.effects[j * m..(j + 1) * m];
                for ((solved, value), effect) in self.solved.iter_mut().zip(row).zip(effects) {
                    *solved = value - z * effect;
                }
                twice[2] += 2.0 * log * (1.0 - w * z * z * spread - w * taken(&mut self.solved));
            }
        }
        twice.map(|value| -0.5 * value)
    }

    /// Weight of a row at the present power, the known weight included.
    pub(super) fn weight(&self, i: usize, delta: f64) -> f64 {
        let root = self.roots.get(i).copied().unwrap_or(1.0);
        let power = self
            .logs
            .get(i)
            .map_or(1.0, |log| (-2.0 * delta * log).exp());
        root * root * power
    }
}

/// Product of two columns of the rows.
#[inline]
fn product<const M: usize>(rows: &[f64], m: usize, a: usize, b: usize) -> f64 {
    let rows = rows.chunks_exact(known::<M>(m));
    rows.map(|row| row[a] * row[b]).sum()
}

/// Subtracts `factor v v'` below the diagonal.
#[inline]
fn take_out<const M: usize>(lower: &mut [f64], v: &[f64], factor: f64) {
    let m = known::<M>(v.len());
    let (lower, v) = (&mut lower[..m * m], &v[..m]);
    for (a, of_a) in v.iter().enumerate() {
        let scaled = factor * of_a;
        for (entry, of_b) in lower[a * m..=a * m + a].iter_mut().zip(v) {
            *entry -= scaled * of_b;
        }
    }
}
