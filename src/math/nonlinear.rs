//! Nonlinear least squares by damped Gauss-Newton steps (Levenberg-Marquardt).
//!
//! ```text
//! minimise S(b) = sum w (y - f(b))^2
//! step d:  [ R             ]     [ q ]      sqrt(W) J = Q R,  q = Q' sqrt(W) (y - f)
//!          [ sqrt(l) D     ] d = [ 0 ]      D column norms of J, l damping
//! offset:  (|q| / sqrt(p)) / (sqrt(S - |q|^2) / sqrt(n - p))   0 at the minimum
//! covariance = s2 (R'R)^-1, s2 = S / (n - p)
//! ```
//! The offset is the convergence measure of Bates & Watts 1981 (Technometrics 23:179-183; from
//! memory): how far the residuals are from being at right angles to the tangent plane, measured in
//! statistical error. It does not depend on the scale of anything. The damping follows Nielsen
//! 1999 (IMM-REP-1999-05; from memory). Proof: the NIST nonlinear reference sets.

use crate::math::linear::{back_substitute, inverse_cross_product, triangularise};

/// Offset below which a fit has converged.
const CONVERGED_OFFSET: f64 = 1e-9;
/// Offset that is accepted when rounding allows no better one.
const ROUNDED_OFFSET: f64 = 1e-5;
/// Residuals that are nothing but rounding, relative to the size of the data.
const ROUNDING: f64 = 1e-13;
/// Steps after which the search gives up, unless told otherwise.
const MOST_ITERATIONS: usize = 500;
/// First damping, and those with which a search is begun again that ran into a flat place.
const FIRST_DAMPINGS: [f64; 3] = [1e-3, 1.0, 1e3];
/// Damping at which no step helps.
const MOST_DAMPING: f64 = 1e20;

/// What is fitted: `model(i, parameters, gradient)` returns the value for observation `i` and
/// fills its derivatives by the parameters.
pub struct Problem<'a, M> {
    /// Observations.
    pub y: &'a [f64],
    /// Weights; all 1 if none.
    pub weights: Option<&'a [f64]>,
    /// The model.
    pub model: M,
}

/// How a fit ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// At a minimum.
    Converged,
    /// No step helps any more, yet the offset says that this is no minimum; or the minimum lies
    /// at infinity.
    Stalled,
    /// The model is not finite at the start, or there are fewer observations than parameters.
    NotFinite,
}

/// The outcome of a fit.
#[derive(Clone, Debug)]
pub struct Fit {
    /// The parameters.
    pub parameters: Vec<f64>,
    /// How it ended.
    pub status: Status,
    /// Weighted residual sum of squares.
    pub residual_ss: f64,
    /// Steps taken.
    pub iterations: usize,
    /// Relative offset at the end.
    pub relative_offset: f64,
    /// Residual standard deviation, `sqrt(S / (n - p))`; 0 without degrees of freedom.
    pub sigma: f64,
    /// Covariance of the parameters, row by row; empty if the parameters cannot be told apart or
    /// there are no degrees of freedom.
    pub covariance: Vec<f64>,
}

/// The search, with buffers that are used again from fit to fit.
#[derive(Clone, Debug)]
pub struct Solver {
    /// Steps after which a search gives up.
    pub most_iterations: usize,
    /// `[sqrt(W) J | sqrt(W) (y - f)]`, n rows of p + 1; triangularised it is `[R | q]`.
    matrix: Vec<f64>,
    /// The same at a trial point.
    trial_matrix: Vec<f64>,
    /// `[R | q; sqrt(l) D | 0]`, 2 p rows of p + 1.
    damped: Vec<f64>,
    step: Vec<f64>,
    trial: Vec<f64>,
    scale: Vec<f64>,
    /// Square roots of the weights, if there are any.
    roots: Vec<f64>,
}

impl Default for Solver {
    fn default() -> Self {
        Self::new()
    }
}

/// What is known at the current parameters.
struct Point {
    residual_ss: f64,
    offset: f64,
    /// Are the columns of the Jacobian independent?
    regular: bool,
}

impl Solver {
    /// Empty buffers.
    pub fn new() -> Self {
        Solver {
            most_iterations: MOST_ITERATIONS,
            matrix: Vec::new(),
            trial_matrix: Vec::new(),
            damped: Vec::new(),
            step: Vec::new(),
            trial: Vec::new(),
            scale: Vec::new(),
            roots: Vec::new(),
        }
    }

    /// Searches from a start: with long first steps, then, where these run into a place that is flat
    /// and no minimum, with shorter ones.
    pub fn fit<M>(&mut self, problem: &Problem<'_, M>, start: &[f64]) -> Fit
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        // Loops of a known length are unrolled: curves have two or three parameters.
        match start.len() {
            2 => self.fit_known::<M, 2>(problem, start),
            3 => self.fit_known::<M, 3>(problem, start),
            _ => self.fit_known::<M, 0>(problem, start),
        }
    }

    /// `P` is here and below the number of parameters where it is known beforehand, else 0.
    fn fit_known<M, const P: usize>(&mut self, problem: &Problem<'_, M>, start: &[f64]) -> Fit
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        self.roots.clear();
        let weights = problem.weights.unwrap_or_default();
        self.roots
            .extend(weights.iter().map(|weight| weight.sqrt()));
        let [long, shorter @ ..] = FIRST_DAMPINGS;
        let first = self.search::<M, P>(problem, start, long);
        let ran_aground =
            first.status == Status::Stalled && first.iterations < self.most_iterations;
        if !ran_aground {
            return first;
        }
        for damping in shorter {
            let again = self.search::<M, P>(problem, start, damping);
            if again.status == Status::Converged {
                return again;
            }
        }
        first
    }

    fn search<M, const P: usize>(
        &mut self,
        problem: &Problem<'_, M>,
        start: &[f64],
        first_damping: f64,
    ) -> Fit
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        let n = problem.y.len();
        let p = known::<P>(start.len());
        let mut parameters = start.to_vec();
        self.step.resize(p, 0.0);
        self.trial.resize(p, 0.0);
        self.scale.clear();
        self.scale.resize(p, 0.0);
        let start = self
            .evaluate::<M, P>(problem, &parameters)
            .filter(|_| n >= p);
        let Some(mut point) = start.map(|sum| self.linearise::<P>(sum, n, p)) else {
            return Fit {
                parameters,
                status: Status::NotFinite,
                residual_ss: f64::NAN,
                iterations: 0,
                relative_offset: f64::NAN,
                sigma: f64::NAN,
                covariance: Vec::new(),
            };
        };
        std::mem::swap(&mut self.matrix, &mut self.trial_matrix);
        let size: f64 = weighted(problem, |_, y| y * y);
        let (mut damping, mut growth) = (first_damping, 2.0);
        let mut iterations = 0;
        while iterations < self.most_iterations && damping < MOST_DAMPING {
            if point.regular && point.offset < CONVERGED_OFFSET
                || point.residual_ss <= ROUNDING * ROUNDING * size
            {
                break;
            }
            iterations += 1;
            if !self.damped_step::<P>(p, damping) {
                damping *= growth;
                growth *= 2.0;
                continue;
            }
            for ((trial, parameter), step) in self.trial.iter_mut().zip(&parameters).zip(&self.step)
            {
                *trial = parameter + step;
            }
            if self.trial == parameters {
                break;
            }
            let predicted = self.predicted_reduction::<P>(p);
            let trial = std::mem::take(&mut self.trial);
            let trial_ss = self.evaluate::<M, P>(problem, &trial);
            let reduction = trial_ss.map_or(f64::NAN, |trial_ss| point.residual_ss - trial_ss);
            // Near the minimum S no longer changes within rounding; the offset still does.
            let level = reduction.abs() <= 1e-12 * point.residual_ss;
            let accepted = trial_ss
                .filter(|_| reduction > 0.0 || level)
                .map(|trial_ss| self.linearise::<P>(trial_ss, n, p))
                .filter(|next| !level || next.offset < 0.9 * point.offset);
            if let Some(next) = accepted {
                parameters.copy_from_slice(&trial);
                std::mem::swap(&mut self.matrix, &mut self.trial_matrix);
                point = next;
                let gain = reduction / predicted;
                let factor = 1.0 - (2.0 * gain - 1.0).powi(3);
                damping *= if gain.is_finite() {
                    factor.clamp(0.1, 2.0)
                } else {
                    0.5
                };
                growth = 2.0;
            } else {
                damping *= growth;
                growth *= 2.0;
            }
            self.trial = trial;
        }
        self.finish(parameters, &point, iterations, n, size)
    }

    /// Residuals and Jacobian at the parameters into the trial matrix; their sum of squares, or
    /// `None` if they are not finite.
    fn evaluate<M, const P: usize>(
        &mut self,
        problem: &Problem<'_, M>,
        parameters: &[f64],
    ) -> Option<f64>
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        let p = known::<P>(parameters.len());
        self.trial_matrix.resize(problem.y.len() * (p + 1), 0.0);
        let mut sum = 0.0;
        let mut finite = true;
        let rows = self.trial_matrix.chunks_exact_mut(p + 1);
        for (i, (row, y)) in rows.zip(problem.y).enumerate() {
            let (gradient, residual) = row.split_at_mut(p);
            residual[0] = y - (problem.model)(i, parameters, gradient);
            let squared = residual[0] * residual[0];
            if let Some(weights) = problem.weights {
                for value in &mut *row {
                    *value *= self.roots[i];
                }
                sum += weights[i] * squared;
            } else {
                sum += squared;
            }
            finite &= row.iter().all(|value| value.is_finite());
        }
        (finite && sum.is_finite()).then_some(sum)
    }

    /// Triangularises the trial matrix of n rows, whose residuals have this sum of squares.
    fn linearise<const P: usize>(&mut self, sum: f64, n: usize, p: usize) -> Point {
        let p = known::<P>(p);
        let rows = self.trial_matrix.chunks_exact(p + 1);
        for (j, scale) in self.scale.iter_mut().enumerate().take(p) {
            let squares = rows.clone().map(|row| row[j].powi(2));
            *scale = scale.max(squares.sum::<f64>().sqrt());
        }
        let regular = triangularise(&mut self.trial_matrix, n, p);
        let heads = self.trial_matrix.chunks_exact(p + 1).take(p);
        let along: f64 = heads.map(|row| row[p].powi(2)).sum();
        let across = (sum - along).max(0.0);
        let df = (n - p.min(n)) as f64;
        let offset = if df > 0.0 && across > 0.0 {
            (along / p as f64).sqrt() / (across / df).sqrt()
        } else {
            along.sqrt()
        };
        Point {
            residual_ss: sum,
            offset,
            regular,
        }
    }

    /// Solves for the step at a damping; false if even the damped system has no solution.
    fn damped_step<const P: usize>(&mut self, p: usize, damping: f64) -> bool {
        let p = known::<P>(p);
        let width = p + 1;
        let root = damping.sqrt();
        self.damped.clear();
        self.damped.extend_from_slice(&self.matrix[..p * width]);
        self.damped.resize(2 * p * width, 0.0);
        let rows = self.damped[p * width..].chunks_exact_mut(width);
        for (j, (row, scale)) in rows.zip(&self.scale).enumerate() {
            row[j] = root * if *scale > 0.0 { *scale } else { 1.0 };
        }
        if !triangularise(&mut self.damped, 2 * p, p) {
            return false;
        }
        back_substitute(&self.damped, p, &mut self.step);
        self.step.iter().all(|step| step.is_finite())
    }

    /// What the linear model says that the step takes off S.
    fn predicted_reduction<const P: usize>(&self, p: usize) -> f64 {
        let p = known::<P>(p);
        let mut reduction = 0.0;
        for row in self.matrix.chunks_exact(p + 1).take(p) {
            let moved: f64 = row[..p].iter().zip(&self.step).map(|(a, d)| a * d).sum();
            let left = row[p] - moved;
            reduction += row[p] * row[p] - left * left;
        }
        reduction
    }

    fn finish(
        &self,
        parameters: Vec<f64>,
        point: &Point,
        iterations: usize,
        n: usize,
        size: f64,
    ) -> Fit {
        let p = parameters.len();
        let exact = point.residual_ss <= ROUNDING * ROUNDING * size;
        let converged = point.regular && (point.offset < ROUNDED_OFFSET || exact);
        let df = n - p;
        let variance = if df > 0 {
            point.residual_ss / df as f64
        } else {
            0.0
        };
        let covariance = if point.regular && df > 0 {
            let inverse = inverse_cross_product(&self.matrix, p);
            inverse.into_iter().map(|value| value * variance).collect()
        } else {
            Vec::new()
        };
        Fit {
            parameters,
            status: if converged {
                Status::Converged
            } else {
                Status::Stalled
            },
            residual_ss: point.residual_ss,
            iterations,
            relative_offset: point.offset,
            sigma: variance.sqrt(),
            covariance,
        }
    }
}

/// The number of parameters, known beforehand or not.
const fn known<const P: usize>(p: usize) -> usize {
    if P > 0 { P } else { p }
}

fn weighted<M>(problem: &Problem<'_, M>, term: impl Fn(usize, f64) -> f64) -> f64 {
    let weight = |i: usize| problem.weights.map_or(1.0, |w| w[i]);
    problem
        .y
        .iter()
        .enumerate()
        .map(|(i, y)| weight(i) * term(i, *y))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(x: &[f64], y: &[f64], start: &[f64]) -> Fit {
        let model = |i: usize, b: &[f64], g: &mut [f64]| {
            let e = (-b[1] * x[i]).exp();
            g[0] = 1.0 - e;
            g[1] = b[0] * x[i] * e;
            b[0] * (1.0 - e)
        };
        Solver::new().fit(
            &Problem {
                y,
                weights: None,
                model,
            },
            start,
        )
    }

    #[test]
    fn exact_data_are_recovered() {
        let x = [5.0, 10.0, 20.0, 35.0, 60.0];
        let y: Vec<f64> = x
            .iter()
            .map(|x: &f64| 40.0 * (1.0 - (-0.03 * x).exp()))
            .collect();
        let fit = fit(&x, &y, &[20.0, 0.1]);
        assert_eq!(fit.status, Status::Converged, "{fit:?}");
        assert!((fit.parameters[0] - 40.0).abs() < 1e-9, "{fit:?}");
        assert!((fit.parameters[1] - 0.03).abs() < 1e-12, "{fit:?}");
    }

    #[test]
    fn a_minimum_at_infinity_is_not_called_one() {
        // A straight line through the origin: b0 grows, b1 shrinks, for ever.
        let x = [5.0, 10.0, 20.0, 35.0, 60.0];
        let y = [2.6, 4.9, 10.1, 17.6, 30.9];
        assert_ne!(fit(&x, &y, &[20.0, 0.1]).status, Status::Converged);
    }

    #[test]
    fn what_is_not_finite_or_too_few_is_refused() {
        assert_eq!(fit(&[1.0], &[1.0], &[1.0, 1.0]).status, Status::NotFinite);
        assert_eq!(
            fit(&[1.0, 2.0], &[1.0, f64::NAN], &[1.0, 1.0]).status,
            Status::NotFinite
        );
        assert_eq!(
            fit(&[1.0, 2.0], &[1.0, 2.0], &[f64::NAN, 1.0]).status,
            Status::NotFinite
        );
    }
}
