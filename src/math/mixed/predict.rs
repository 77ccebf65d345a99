//! The effect of a new group from its own observations, the fixed parameters and variances known.
//!
//! ```text
//! u = G z'(z G z' + R)^-1 (y - f + z u)     repeated with f and z = df/du at the u before
//! Var(u_hat - u) = G / (1 + G z'R^-1 z),    R = diag(s2 / w)
//! ```
//! The limit is the mode of u given the observations (Lindstrom & Bates 1990, from memory); where
//! the model is linear in u the first step is the best linear unbiased prediction.

/// Steps after which the repetition gives up.
const MOST_ITERATIONS: usize = 100;
/// Halvings of a step.
const MOST_HALVINGS: usize = 40;
/// Change, in units of the standard deviation of the effect, that ends the repetition.
const AT_REST: f64 = 1e-13;

/// A predicted effect.
#[derive(Clone, Debug, PartialEq)]
pub struct Predicted {
    /// Observations behind it.
    pub n: usize,
    /// The effect; 0 without observations.
    pub value: f64,
    /// Variance of its error, given the fixed parameters.
    pub variance: f64,
    /// Derivatives of `value` by the fixed parameters, first order.
    pub by_fixed: Vec<f64>,
    /// Steps taken.
    pub iterations: usize,
}

/// Predicts the effect of a group with observations `y` of relative weights `weights` (variance
/// `sigma^2 / w`). `model(i, parameters, gradient)` returns the value for observation `i` and fills
/// its derivatives; the effect, of `variance`, is added to the first of `fixed`. `None` if a value
/// is not finite, a weight, `sigma` or a variance is not allowed, or the repetition does not come
/// to rest.
pub fn effect<M>(
    y: &[f64],
    weights: &[f64],
    fixed: &[f64],
    variance: f64,
    sigma: f64,
    model: M,
) -> Option<Predicted>
where
    M: Fn(usize, &[f64], &mut [f64]) -> f64,
{
    let p = fixed.len();
    let allowed = variance >= 0.0 && sigma > 0.0 && variance.is_finite() && sigma.is_finite();
    let weighted = weights.len() == y.len() && weights.iter().all(|w| *w > 0.0 && w.is_finite());
    if !allowed || !weighted || p == 0 {
        return None;
    }
    let ratio = variance / (sigma * sigma);
    let mut parameters = fixed.to_vec();
    let mut gradient = vec![0.0; p];
    let mut u = 0.0;
    let mut iterations = 0;
    loop {
        // Sums of w z z, w z (y - f), w z x.
        let (mut zz, mut zr, mut squares) = (0.0, 0.0, 0.0);
        let mut zx = vec![0.0; p];
        parameters[0] = fixed[0] + u;
        for (i, (y, w)) in y.iter().zip(weights).enumerate() {
            let residual = y - model(i, &parameters, &mut gradient);
            let z = gradient[0];
            zz += w * z * z;
            zr += w * z * residual;
            squares += w * residual * residual;
            for (sum, x) in zx.iter_mut().zip(&gradient) {
                *sum += w * z * x;
            }
        }
        let grown = 1.0 + ratio * zz;
        let next = ratio * (zr + zz * u) / grown;
        let finite = next.is_finite() && zx.iter().all(|value| value.is_finite());
        if !finite {
            return None;
        }
        let change = next - u;
        // As in `change * change <= AT_REST^2 * variance`; true without a variance.
        if change.abs() <= AT_REST * variance.sqrt() {
            return Some(Predicted {
                n: y.len(),
                value: next,
                variance: variance / grown,
                by_fixed: zx.iter().map(|sum| -ratio * sum / grown).collect(),
                iterations,
            });
        }
        if iterations == MOST_ITERATIONS {
            return None;
        }
        iterations += 1;
        let penalised = |u: f64, squares: f64| squares + u * u / ratio;
        let before = penalised(u, squares);
        let mut part = 1.0;
        let mut found = None;
        for _ in 0..MOST_HALVINGS {
            let trial = u + part * change;
            parameters[0] = fixed[0] + trial;
            let residuals = y.iter().zip(weights).enumerate().map(|(i, (y, w))| {
                let residual = y - model(i, &parameters, &mut gradient);
                w * residual * residual
            });
            if penalised(trial, residuals.sum()) <= before * (1.0 + 1e-12) {
                found = Some(trial);
                break;
            }
            part *= 0.5;
        }
        u = found?;
    }
}
