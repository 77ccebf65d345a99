//! Mixed models with one random column, in one or two nested layers of groups.
//!
//! ```text
//! linear      y = X b + z (u_outer + u_own) + e
//! nonlinear   y = f(b + (u_outer + u_own) in the first place) + e
//! Var(u_own) = s2 r_own,  Var(u_outer) = s2 r_outer,  Var(e_i) = s2 g_i^2
//! g_i = 1, or 1 / sqrt(w_i), or c_i^delta with delta estimated
//! ```
//! Rows belong to inner groups (plots) and these, if wanted, to outer groups (stands). Groups
//! without rows may be named: their effects are the prediction for an unseen group.
//!
//! [`linear`] and [`nonlinear`] fit by maximum likelihood or restricted maximum likelihood;
//! [`predict`] works out the effect of a new group from its own observations.
//!
//! Error of a prediction `x0 b + z0 u` of a fit, to first order, with `b_hat` independent of the
//! errors of the effects given b:
//! ```text
//! (x0 + z0 du/db)' (b_hat - b) + z0 (share (u_outer_hat - u_outer)|b + (own layer)|b)
//! ```
//! Sources: Laird & Ware 1982 (Biometrics 38:963-974); Lindstrom & Bates 1990 (Biometrics
//! 46:673-687); Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, chapters 2, 5 and 7
//! (all from memory). Proof: reference fits made with nlme 3.1-162 on R 4.2.2.

mod dense;
mod likelihood;
pub mod linear;
pub mod nonlinear;
pub mod predict;
mod search;

/// What is maximised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// The likelihood.
    Ml,
    /// The likelihood of what is left when the fixed part is taken out.
    Reml,
}

/// How the residuals spread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Spread<'a> {
    /// Alike.
    Equal,
    /// Variance `s2 / w_i`, `w_i` above 0.
    Weights(&'a [f64]),
    /// Variance `s2 c_i^(2 delta)`, `c_i` above 0, delta estimated.
    Power(&'a [f64]),
}

/// Who belongs together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Groups<'a> {
    /// Inner group of each row, below `n_inner`.
    pub inner: &'a [usize],
    /// How many inner groups there are, those without rows included.
    pub n_inner: usize,
    /// Outer group of each inner group, and how many outer groups there are; `None` for one layer.
    pub outer: Option<(&'a [usize], usize)>,
}

/// Variances relative to the residual variance `s2`, and the power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratios {
    /// Of the inner groups' own effects.
    pub own: f64,
    /// Of the outer effects; 0 with one layer.
    pub outer: f64,
    /// The power delta; 0 unless [`Spread::Power`]. The ratios are those at covariates equal to 1.
    pub delta: f64,
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// No more rows than fixed parameters and variances.
    TooFew,
    /// No two groups, or none with two rows (or, for outer groups, with two inner groups that have
    /// rows): the variances cannot be told apart.
    NotSeparable,
    /// The fixed columns depend on one another to working precision.
    Collinear,
    /// A value, weight, covariate or group is not finite or not allowed, or the model is not
    /// finite at the start.
    NotFinite,
    /// The likelihood grows without limit: residuals of zero, or a group effect that leaves none.
    Unbounded,
    /// The search did not come to rest.
    NotConverged,
}

/// Variances for which the likelihood is largest at 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Zeros {
    /// None.
    None,
    /// That of the inner groups' own effects.
    Own,
    /// That of the outer effects.
    Outer,
    /// Both.
    Both,
}

/// The random effect of an inner group, outer effect included.
#[derive(Clone, Debug, PartialEq)]
pub struct Effect {
    /// Rows of the group.
    pub n: usize,
    /// Predicted effect, `u_outer + u_own`.
    pub value: f64,
    /// The part of an error of the outer effect that is left in this one; 0 with one layer.
    pub share: f64,
    /// Variance of the error of the own layer, given the fixed parameters and the outer effect;
    /// with one layer that of the whole error. Independent from group to group.
    pub variance: f64,
    /// Derivatives of `value` by the fixed parameters, first order.
    pub by_fixed: Vec<f64>,
}

/// The random effect of an outer group.
#[derive(Clone, Debug, PartialEq)]
pub struct OuterEffect {
    /// Rows of the group.
    pub n: usize,
    /// Predicted effect.
    pub value: f64,
    /// Variance of its error, given the fixed parameters.
    pub variance: f64,
    /// Derivatives of `value` by the fixed parameters, first order.
    pub by_fixed: Vec<f64>,
}

/// A fitted mixed model.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The fixed parameters.
    pub fixed: Vec<f64>,
    /// Their covariance, row by row: `(X'V^-1 X)^-1` times the residual variance with divisor
    /// n - p, for both methods.
    pub covariance: Vec<f64>,
    /// Residual standard deviation `s` (where `g` is 1): divisor n by ML, n - p by REML.
    pub sigma: f64,
    /// The power of the covariate; `None` unless [`Spread::Power`].
    pub delta: Option<f64>,
    /// Variance of the inner groups' own effects; exactly 0 where the likelihood falls from there.
    pub own_variance: f64,
    /// Variance of the outer effects, likewise; `None` with one layer.
    pub outer_variance: Option<f64>,
    /// Maximum of the log-likelihood, restricted by REML (without the term of `X'X`); of the
    /// linearised model if the model is nonlinear.
    pub log_likelihood: f64,
    /// Parameters that were estimated: fixed ones, variances, delta.
    pub n_parameters: usize,
    /// Rows.
    pub n: usize,
    /// Effects of the inner groups.
    pub effects: Vec<Effect>,
    /// Effects of the outer groups; empty with one layer.
    pub outer_effects: Vec<OuterEffect>,
    /// Steps of the alternation; 1 for a linear model.
    pub iterations: usize,
}

impl Fit {
    /// Akaike's criterion, `-2 log-likelihood + 2 k`. By REML only fits with the same fixed part
    /// can be compared.
    pub fn aic(&self) -> f64 {
        -2.0 * self.log_likelihood + 2.0 * self.n_parameters as f64
    }

    /// The same with `2 k (k + 1) / (n - k - 1)` added for few rows; `None` if `n <= k + 1`.
    pub fn aicc(&self) -> Option<f64> {
        let (n, k) = (self.n as f64, self.n_parameters as f64);
        let left = n - k - 1.0;
        (left > 0.0).then(|| self.aic() + 2.0 * k * (k + 1.0) / left)
    }

    /// Standard errors of the fixed parameters.
    pub fn std_errors(&self) -> Vec<f64> {
        let p = self.fixed.len();
        (0..p).map(|j| self.covariance[j * p + j].sqrt()).collect()
    }

    /// Variance of the whole error of an inner group's effect, given the fixed parameters; `outer`
    /// is its outer group.
    pub fn posterior_variance(&self, inner: usize, outer: Option<usize>) -> f64 {
        let effect = &self.effects[inner];
        let above = outer.map_or(0.0, |k| self.outer_effects[k].variance);
        effect.variance + effect.share * effect.share * above
    }

    /// Which variances were estimated as 0.
    pub fn zeros(&self) -> Zeros {
        let is_zero = |variance: f64| variance <= 0.0;
        match (
            is_zero(self.own_variance),
            self.outer_variance.is_some_and(is_zero),
        ) {
            (false, false) => Zeros::None,
            (true, false) => Zeros::Own,
            (false, true) => Zeros::Outer,
            (true, true) => Zeros::Both,
        }
    }

    /// The variances relative to `sigma^2`, and delta.
    pub fn ratios(&self) -> Ratios {
        let variance = self.sigma * self.sigma;
        Ratios {
            own: self.own_variance / variance,
            outer: self.outer_variance.unwrap_or(0.0) / variance,
            delta: self.delta.unwrap_or(0.0),
        }
    }
}

/// Checks what every fit needs: groups, weights, enough of both. Held ratios need no second group.
fn check(
    n: usize,
    p: usize,
    groups: &Groups<'_>,
    spread: Spread<'_>,
    held: Option<Ratios>,
) -> Result<(), Failure> {
    let positive = |values: &[f64]| {
        values.len() == n && values.iter().all(|value| value.is_finite() && *value > 0.0)
    };
    let variances = 2 + usize::from(groups.outer.is_some());
    let (named, powers) = match spread {
        Spread::Equal => (true, 0),
        Spread::Weights(weights) => (positive(weights), 0),
        Spread::Power(covariate) => (positive(covariate), 1),
    };
    let outer_named = groups.outer.is_none_or(|(outer, n_outer)| {
        outer.len() == groups.n_inner && outer.iter().all(|k| *k < n_outer)
    });
    let inner_named = groups.inner.len() == n && groups.inner.iter().all(|j| *j < groups.n_inner);
    if !named || !outer_named || !inner_named {
        return Err(Failure::NotFinite);
    }
    if let Some(held) = held {
        let allowed = [held.own, held.outer]
            .iter()
            .all(|ratio| ratio.is_finite() && *ratio >= 0.0);
        return match (allowed && held.delta.is_finite(), n > p) {
            (false, _) => Err(Failure::NotFinite),
            (true, false) => Err(Failure::TooFew),
            (true, true) => Ok(()),
        };
    }
    if n <= p + variances + powers {
        return Err(Failure::TooFew);
    }
    let mut rows = vec![0_usize; groups.n_inner];
    for j in groups.inner {
        rows[*j] += 1;
    }
    let separable = |counts: &[usize]| {
        counts.iter().filter(|count| **count > 0).count() > 1
            && counts.iter().any(|count| *count > 1)
    };
    let layers = separable(&rows)
        && groups.outer.is_none_or(|(outer, n_outer)| {
            let mut members = vec![0_usize; n_outer];
            for (k, _) in outer.iter().zip(&rows).filter(|(_, rows)| **rows > 0) {
                members[*k] += 1;
            }
            separable(&members)
        });
    if layers {
        Ok(())
    } else {
        Err(Failure::NotSeparable)
    }
}
