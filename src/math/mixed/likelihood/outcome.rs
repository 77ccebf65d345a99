//! What follows from the ratios: fixed parameters, effects, their errors.

use super::super::dense::{backward, backward_transposed};
use super::super::{Effect, Failure, Fit, OuterEffect, Ratios};
use super::Likelihood;

impl Likelihood {
    /// The fixed parameters and the effects (`u_own`, `u_outer`) at the (centred) ratios.
    pub(in super::super) fn solve(
        &mut self,
        ratios: Ratios,
        fixed: &mut [f64],
        own: &mut [f64],
        outer: &mut [f64],
    ) -> Option<()> {
        self.log_likelihood(ratios)?;
        let (p, m) = (self.p, self.p + 1);
        // L_x' b = the last row of L.
        self.solved.clear();
        self.solved.extend_from_slice(&self.lower[p * m..p * m + p]);
        backward_transposed(&self.lower, m, &mut self.solved);
        let residual = |sums: &[f64]| {
            let explained: f64 = sums.iter().zip(&self.solved).map(|(a, b)| a * b).sum();
            sums[p] - explained
        };
        for (k, value) in outer.iter_mut().enumerate() {
            let grown = 1.0 + ratios.outer * self.outer_zz[k];
            *value = ratios.outer / grown * residual(&self.outer_z[k * m..(k + 1) * m]);
        }
        for (j, value) in own.iter_mut().enumerate() {
            let zz = self.inner_zz[j];
            let above = self.outer.get(j).map_or(0.0, |k| outer[*k]);
            let left = residual(&self.inner_z[j * m..(j + 1) * m]) - zz * above;
            *value = ratios.own / (1.0 + ratios.own * zz) * left;
        }
        for (fixed, (b, projected)) in fixed
            .iter_mut()
            .zip(self.solved.iter().zip(&self.projected))
        {
            *fixed = b + projected;
        }
        backward(&self.factor, p, fixed);
        Some(())
    }

    /// Everything at the (centred) ratios. `held` are the ratios that were not estimated.
    pub(in super::super) fn finish(
        &mut self,
        ratios: Ratios,
        held: bool,
        iterations: usize,
    ) -> Result<Fit, Failure> {
        let (n, p, m) = (self.n, self.p, self.p + 1);
        let mut fixed = vec![0.0; p];
        let mut own = vec![0.0; self.rows_of.len()];
        let mut outer = vec![0.0; self.n_outer];
        self.solve(ratios, &mut fixed, &mut own, &mut outer)
            .ok_or(Failure::Unbounded)?;
        let log_likelihood = self.log_likelihood(ratios).ok_or(Failure::Unbounded)?;
        let rss = self.lower[p * m + p].powi(2);
        let variance = rss / self.divisor();
        let mut covariance = vec![0.0; p * p];
        for k in 0..p {
            // A column of R^-1 L^-T.
            let mut column = vec![0.0; p];
            column[k] = 1.0;
            backward_transposed(&self.lower, m, &mut column);
            backward(&self.factor, p, &mut column);
            for a in 0..p {
                for b in 0..p {
                    covariance[a * p + b] += rss / (n - p) as f64 * column[a] * column[b];
                }
            }
        }
        fill_effects(
            &mut self.effects,
            m,
            ratios,
            (&self.inner_zz, &self.inner_z),
            &self.outer,
            (&self.outer_zz, &self.outer_z),
        );
        // The effects that the columns of X would have are those of Q times R.
        let by_fixed = |of_q: &[f64], factor: f64| -> Vec<f64> {
            let column = |b: usize| (0..=b).map(move |a| (a, b));
            let of_x = |b: usize| column(b).map(|(a, b)| of_q[a] * self.factor[a * p + b]);
            (0..p).map(|b| -factor * of_x(b).sum::<f64>()).collect()
        };
        let mut outer_rows = vec![0; self.n_outer];
        for (k, rows) in self.outer.iter().zip(&self.rows_of) {
            outer_rows[*k] += rows;
        }
        let effects = own.iter().enumerate().map(|(j, own)| {
            let grown = 1.0 + ratios.own * self.inner_zz[j];
            let above = self.outer.get(j);
            Effect {
                n: self.rows_of[j],
                value: own + above.map_or(0.0, |k| outer[*k]),
                share: above.map_or(0.0, |_| 1.0 / grown),
                variance: variance * ratios.own / grown,
                by_fixed: by_fixed(&self.effects[j * m..(j + 1) * m], 1.0),
            }
        });
        let outer_effects = outer.iter().enumerate().map(|(k, value)| {
            let factor = ratios.outer / (1.0 + ratios.outer * self.outer_zz[k]);
            OuterEffect {
                n: outer_rows[k],
                value: *value,
                variance: variance * factor,
                by_fixed: by_fixed(&self.outer_z[k * m..(k + 1) * m], factor),
            }
        });
        let estimated = 1 + usize::from(self.is_nested()) + usize::from(self.has_power());
        Ok(Fit {
            covariance,
            // Centred: s at the mean log; the reported one is where the covariate is 1.
            sigma: (variance.ln() / 2.0 - ratios.delta * self.mean_log).exp(),
            delta: self.has_power().then_some(ratios.delta),
            own_variance: variance * ratios.own,
            outer_variance: self.is_nested().then_some(variance * ratios.outer),
            log_likelihood,
            n_parameters: p + 1 + if held { 0 } else { estimated },
            n,
            effects: effects.collect(),
            outer_effects: outer_effects.collect(),
            iterations,
            fixed,
        })
    }
}

/// `u_outer + u_own` of each inner group for each column of `[Q y]` taken as a response.
pub(super) fn fill_effects(
    effects: &mut Vec<f64>,
    m: usize,
    ratios: Ratios,
    (inner_zz, inner_z): (&[f64], &[f64]),
    outer: &[usize],
    (outer_zz, outer_z): (&[f64], &[f64]),
) {
    effects.clear();
    for (j, zz) in inner_zz.iter().enumerate() {
        let grown = 1.0 + ratios.own * zz;
        let sums = &inner_z[j * m..(j + 1) * m];
        effects.extend(sums.iter().map(|sum| ratios.own * sum / grown));
        if let Some(k) = outer.get(j) {
            let factor = ratios.outer / (1.0 + ratios.outer * outer_zz[*k]) / grown;
            let above = &outer_z[k * m..(k + 1) * m];
            for (effect, above) in effects[j * m..].iter_mut().zip(above) {
                *effect += factor * above;
            }
        }
    }
}
