//! The linear mixed model.

use super::likelihood::Likelihood;
use super::{Failure, Fit, Groups, Method, Ratios, Spread, check, search};

/// What is fitted.
#[derive(Clone, Copy, Debug)]
pub struct Problem<'a> {
    /// Fixed columns, row by row.
    pub x: &'a [f64],
    /// The random column.
    pub z: &'a [f64],
    /// Observations.
    pub y: &'a [f64],
    /// Groups.
    pub groups: Groups<'a>,
    /// How the residuals spread.
    pub spread: Spread<'a>,
    /// What is maximised.
    pub method: Method,
    /// Ratios that are held instead of estimated (at a covariate of 1).
    pub held: Option<Ratios>,
}

/// Fits a linear mixed model. Lengths that do not agree are [`Failure::NotFinite`].
pub fn fit(problem: &Problem<'_>) -> Result<Fit, Failure> {
    let n = problem.y.len();
    let p = problem.x.len() / n.max(1);
    if problem.z.len() != n || problem.x.len() != n * p || p == 0 {
        return Err(Failure::NotFinite);
    }
    check(n, p, &problem.groups, problem.spread, problem.held)?;
    let mut likelihood = Likelihood::default();
    likelihood.arrange(p, &problem.groups, problem.spread, problem.method);
    likelihood.load(problem.x, problem.y, problem.z)?;
    let ratios = match problem.held {
        Some(held) => likelihood.centred(held),
        None => search::maximum(&mut likelihood, None)?,
    };
    likelihood.finish(ratios, problem.held.is_some(), 1)
}
