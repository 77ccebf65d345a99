//! The nonlinear mixed model whose random effect is added to the first parameter, by alternation
//! (Lindstrom & Bates 1990): penalised nonlinear least squares for the parameters and effects at
//! given variances, then the variances of the linear mixed model that is tangent there.
//!
//! ```text
//! penalised   minimise  sum w (y - f(b, u))^2 + sum u_own^2 / r_own + sum u_outer^2 / r_outer
//! tangent     y - f + X b + z u = X b' + z u' + e,   X = df/db, z = df/du = first column of X
//! ```
//! A Gauss-Newton step of the first is the solution of the second at the same variances, so both
//! are one linear problem, and near the end the variances are searched at every step. Steps that
//! swing to and fro are shortened by Aitken's rule for vectors (Irons & Tuck 1969, Int. J. Num.
//! Meth. Eng. 1:275-277; from memory). At rest the log-likelihood is that of the tangent model.

use super::likelihood::Likelihood;
use super::{Failure, Fit, Groups, Method, Ratios, Spread, check, search};

/// Steps after which the alternation gives up.
const MOST_ITERATIONS: usize = 200;
/// Least part of a step that is taken where steps swing.
const LEAST_PART: f64 = 0.1;
/// Length of a step, relative to the residuals, below which the variances are searched.
const NEAR: f64 = 0.03;
/// The same below which the alternation is at rest, also for the logs of the ratios.
const AT_REST: f64 = 1e-9;
/// Halvings of a step.
const MOST_HALVINGS: usize = 30;

/// What is fitted: `model(i, parameters, gradient)` returns the value for row `i` and fills its
/// derivatives by the parameters, of which the first has the random effect of the row's group
/// added to it.
pub struct Problem<'a, M> {
    /// Observations.
    pub y: &'a [f64],
    /// The model.
    pub model: M,
    /// Groups.
    pub groups: Groups<'a>,
    /// How the residuals spread.
    pub spread: Spread<'a>,
    /// What is maximised.
    pub method: Method,
    /// Ratios that are held instead of estimated (at a covariate of 1).
    pub held: Option<Ratios>,
}

/// The search, with buffers that are used again from fit to fit.
#[derive(Clone, Debug, Default)]
pub struct Solver {
    likelihood: Likelihood,
    /// Values and derivatives of the model at the present state, and at a trial one.
    tangent: Tangent,
    trial_tangent: Tangent,
    z: Vec<f64>,
    working: Vec<f64>,
    weights: Vec<f64>,
    /// By how much each value moves in this step and in the one before, times the root of its
    /// weight.
    moves: Vec<f64>,
    moves_before: Vec<f64>,
    now: State,
    next: State,
    trial: State,
}

/// Fixed parameters and effects.
#[derive(Clone, Debug, Default)]
struct State {
    fixed: Vec<f64>,
    own: Vec<f64>,
    outer: Vec<f64>,
}

impl State {
    fn reset(&mut self, fixed: &[f64], groups: &Groups<'_>) {
        self.fixed.clear();
        self.fixed.extend_from_slice(fixed);
        self.own.clear();
        self.own.resize(groups.n_inner, 0.0);
        self.outer.clear();
        self.outer.resize(groups.outer.map_or(0, |(_, n)| n), 0.0);
    }

    fn between(&mut self, from: &State, to: &State, part: f64) {
        let blend = |at: &mut [f64], from: &[f64], to: &[f64]| {
            for (at, (from, to)) in at.iter_mut().zip(from.iter().zip(to)) {
                *at = from + part * (to - from);
            }
        };
        blend(&mut self.fixed, &from.fixed, &to.fixed);
        blend(&mut self.own, &from.own, &to.own);
        blend(&mut self.outer, &from.outer, &to.outer);
    }

    fn effect(&self, groups: &Groups<'_>, i: usize) -> f64 {
        let j = groups.inner[i];
        self.own[j] + groups.outer.map_or(0.0, |(outer, _)| self.outer[outer[j]])
    }
}

/// Values of the model and their derivatives, row by row.
#[derive(Clone, Debug, Default)]
struct Tangent {
    values: Vec<f64>,
    x: Vec<f64>,
    parameters: Vec<f64>,
}

impl Tangent {
    fn lay<M>(&mut self, problem: &Problem<'_, M>, state: &State)
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        let (n, p) = (problem.y.len(), state.fixed.len());
        self.values.clear();
        self.x.clear();
        self.x.resize(n * p, 0.0);
        self.parameters.clone_from(&state.fixed);
        for (i, gradient) in self.x.chunks_exact_mut(p).enumerate() {
            self.parameters[0] = state.fixed[0] + state.effect(&problem.groups, i);
            let value = (problem.model)(i, &self.parameters, gradient);
            self.values.push(value);
        }
    }
}

impl Solver {
    /// Empty buffers.
    pub fn new() -> Self {
        Self::default()
    }

    /// Fits from a start of the fixed parameters; all effects start at 0.
    pub fn fit<M>(&mut self, problem: &Problem<'_, M>, start: &[f64]) -> Result<Fit, Failure>
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        let (n, p) = (problem.y.len(), start.len());
        check(n, p, &problem.groups, problem.spread, problem.held)?;
        if p == 0 {
            return Err(Failure::NotFinite);
        }
        self.likelihood
            .arrange(p, &problem.groups, problem.spread, problem.method);
        for state in [&mut self.now, &mut self.next, &mut self.trial] {
            state.reset(start, &problem.groups);
        }
        self.tangent.lay(problem, &self.now);
        let held = problem.held.map(|held| self.likelihood.centred(held));
        let mut ratios: Option<Ratios> = held;
        let (mut length, mut part) = (0.0, 1.0);
        let mut searched_before = false;
        let mut relaxed = Relaxed::default();
        for iteration in 1..=MOST_ITERATIONS {
            self.linearise(problem)?;
            let (mut change, mut searched) = (f64::INFINITY, false);
            let at = match ratios {
                Some(at) if held.is_some() => {
                    (change, searched) = (0.0, true);
                    at
                }
                Some(at) if length > NEAR => at,
                before => {
                    let found = search::maximum(&mut self.likelihood, before)?;
                    searched = true;
                    change = before.map_or(f64::INFINITY, |before| distance(&before, &found));
                    match before {
                        Some(before) if !searched_before => {
                            relaxed.towards(&before, &found, self.likelihood.units())
                        }
                        _ => found,
                    }
                }
            };
            ratios = Some(at);
            if self.drop_effects(at) {
                // The tangent was laid where effects were, that can be no more.
                self.tangent.lay(problem, &self.now);
                (length, searched_before) = (f64::INFINITY, false);
                continue;
            }
            length = self.step(problem, at)?;
            if length < AT_REST && change < AT_REST && iteration > 1 {
                return self.likelihood.finish(at, held.is_some(), iteration);
            }
            // Steps can be compared where one follows the other in the same way.
            part = if searched && searched_before {
                self.part_of_step(part)
            } else {
                1.0
            };
            searched_before = searched;
            if !self.advance(problem, at, part) {
                return Err(Failure::NotConverged);
            }
        }
        Err(Failure::NotConverged)
    }

    /// The tangent model at the present state.
    fn linearise<M>(&mut self, problem: &Problem<'_, M>) -> Result<(), Failure> {
        self.z.clear();
        self.working.clear();
        let Tangent { values, x, .. } = &self.tangent;
        let rows = x.chunks_exact(self.now.fixed.len());
        let rows = rows.zip(problem.y.iter().zip(values));
        for (i, (gradient, (y, value))) in rows.enumerate() {
            let effect = self.now.effect(&problem.groups, i);
            let along = gradient.iter().zip(&self.now.fixed);
            let linear: f64 = along.map(|(g, b)| g * b).sum();
            self.z.push(gradient[0]);
            self.working.push(y - value + linear + gradient[0] * effect);
        }
        self.likelihood.load(x, &self.working, &self.z)
    }

    /// Solves the tangent model into `next`; how far its values lie from the present ones,
    /// relative to the residuals.
    fn step<M>(&mut self, problem: &Problem<'_, M>, at: Ratios) -> Result<f64, Failure> {
        let next = &mut self.next;
        self.likelihood
            .solve(at, &mut next.fixed, &mut next.own, &mut next.outer)
            .ok_or(Failure::Unbounded)?;
        self.weights.clear();
        let likelihood = &self.likelihood;
        self.weights
            .extend((0..problem.y.len()).map(|i| likelihood.weight(i, at.delta)));
        std::mem::swap(&mut self.moves, &mut self.moves_before);
        self.moves.clear();
        let p = self.next.fixed.len();
        let (mut moved, mut left) = (0.0, 0.0);
        for (i, w) in self.weights.iter().enumerate() {
            let x = &self.tangent.x[i * p..(i + 1) * p];
            let fixed = self.next.fixed.iter().zip(&self.now.fixed);
            let along: f64 = x.iter().zip(fixed).map(|(x, (b, a))| x * (b - a)).sum();
            let (to, from) = (
                self.next.effect(&problem.groups, i),
                self.now.effect(&problem.groups, i),
            );
            let by = along + self.z[i] * (to - from);
            let linear: f64 = x.iter().zip(&self.next.fixed).map(|(x, b)| x * b).sum();
            let residual = self.working[i] - linear - self.z[i] * to;
            moved += w * by * by;
            self.moves.push(w.sqrt() * by);
            left += w * residual * residual;
        }
        let length = (moved / left).sqrt();
        if length.is_nan() {
            return Err(Failure::Unbounded);
        }
        Ok(length)
    }

    /// Sets the effects of layers without variance to 0; were there any?
    fn drop_effects(&mut self, at: Ratios) -> bool {
        let mut any = false;
        for (ratio, effects) in [(at.own, &mut self.now.own), (at.outer, &mut self.now.outer)] {
            if ratio <= 0.0 {
                any |= effects.iter().any(|u| u.abs() > 0.0);
                effects.fill(0.0);
            }
        }
        any
    }

    /// What part of this step to take: less than all of it if the last one went too far.
    fn part_of_step(&self, before: f64) -> f64 {
        let (mut along, mut across) = (0.0, 0.0);
        for (now, before) in self.moves.iter().zip(&self.moves_before) {
            along += before * (now - before);
            across += (now - before) * (now - before);
        }
        let part = -before * along / across;
        if part.is_finite() {
            part.clamp(LEAST_PART, 1.0)
        } else {
            1.0
        }
    }

    /// Moves towards `next` as far as the penalised sum of squares falls.
    fn advance<M>(&mut self, problem: &Problem<'_, M>, at: Ratios, mut part: f64) -> bool
    where
        M: Fn(usize, &[f64], &mut [f64]) -> f64,
    {
        let before = self.penalised(problem, &self.tangent, &self.now, at);
        for _ in 0..MOST_HALVINGS {
            self.trial.between(&self.now, &self.next, part);
            self.trial_tangent.lay(problem, &self.trial);
            let after = self.penalised(problem, &self.trial_tangent, &self.trial, at);
            if after <= before * (1.0 + 1e-12) {
                std::mem::swap(&mut self.now, &mut self.trial);
                std::mem::swap(&mut self.tangent, &mut self.trial_tangent);
                return true;
            }
            part *= 0.5;
        }
        false
    }

    /// The penalised sum of squares; not a number where the model is not finite.
    fn penalised<M>(
        &self,
        problem: &Problem<'_, M>,
        tangent: &Tangent,
        state: &State,
        at: Ratios,
    ) -> f64 {
        let mut sum = 0.0;
        let rows = problem.y.iter().zip(&tangent.values);
        for ((y, value), w) in rows.zip(&self.weights) {
            let residual = y - value;
            sum += w * residual * residual;
        }
        let penalty = |effects: &[f64], ratio: f64| -> f64 {
            if ratio > 0.0 {
                effects.iter().map(|u| u * u).sum::<f64>() / ratio
            } else {
                0.0
            }
        };
        sum + penalty(&state.own, at.own) + penalty(&state.outer, at.outer)
    }
}

/// How far two sets of ratios lie apart: logs of the ratios, delta as it is.
fn distance(a: &Ratios, b: &Ratios) -> f64 {
    let of = |a: f64, b: f64| {
        if a <= 0.0 && b <= 0.0 {
            0.0
        } else if a <= 0.0 || b <= 0.0 {
            f64::INFINITY
        } else {
            (a / b).ln().abs()
        }
    };
    let layers = of(a.own, b.own).max(of(a.outer, b.outer));
    layers.max((a.delta - b.delta).abs())
}

/// Variances searched after a row of steps at given ones may swing too: Aitken's rule on
/// `ln(1 + unit ratio)`, which a ratio of 0 has as well, and delta.
#[derive(Default)]
struct Relaxed {
    last: Option<([f64; 3], f64)>,
}

impl Relaxed {
    fn towards(&mut self, before: &Ratios, found: &Ratios, units: [f64; 2]) -> Ratios {
        let place = |at: &Ratios| {
            let own = (at.own * units[0]).ln_1p();
            [own, (at.outer * units[1]).ln_1p(), at.delta]
        };
        let (from, to) = (place(before), place(found));
        let change: [f64; 3] = std::array::from_fn(|k| to[k] - from[k]);
        let part = self.last.map_or(1.0, |(last, part)| {
            let (mut along, mut across) = (0.0, 0.0);
            for (now, last) in change.iter().zip(&last) {
                along += last * (now - last);
                across += (now - last) * (now - last);
            }
            let part = -part * along / across;
            if part.is_finite() {
                part.clamp(LEAST_PART, 1.0)
            } else {
                1.0
            }
        });
        self.last = Some((change, part));
        if part >= 1.0 {
            return *found;
        }
        let at: [f64; 3] = std::array::from_fn(|k| from[k] + part * change[k]);
        Ratios {
            own: at[0].exp_m1() / units[0],
            outer: at[1].exp_m1() / units[1],
            delta: at[2],
        }
    }
}
