//! What the heights behind a curve say of it: residuals, leverages, studentised residuals, and how
//! well the curve foretells a height, or the heights of a plot, that it has not seen.
//!
//! ```text
//! e = H - H_hat                     residual, m
//! h = w g' C g / s^2                leverage: g gradient at the parameters, C their covariance
//! r = e sqrt(w) / (s sqrt(1 - h))                internally studentised
//! t = r sqrt((n - p - 1) / (n - p - r^2))        externally studentised
//! e / (1 - h)                       error for a height left out of the fit, m
//! ```
//! s^2 is the weighted residual sum of squares over n - p. Source: Cook & Weisberg 1982, Residuals
//! and Influence in Regression (from memory). They are exact for a model that is linear in its
//! parameters. A curve is replaced by its tangent plane at the parameters, so e / (1 - h) is the
//! first step towards the fit without that height.

use std::collections::{BTreeMap, BTreeSet};

use crate::design::FitWeights;
use crate::heights::curve::{Curve, MOST_PARAMETERS};
use crate::heights::fit::{FittedCurve, Points, fit_form};
use crate::math::nonlinear::{Problem, Solver, Status};
use crate::math::sum::{mean, variance};

/// Plots up to which each is left out in turn; with more it would only take time.
pub const MOST_PLOTS_LEFT_OUT: usize = 200;

/// A height against its curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Height by the curve, m.
    pub fitted_m: f64,
    /// Height less that of the curve, m.
    pub residual_m: f64,
    /// Leverage, 0 to 1; `None` where the curve meets every height, which leaves no error to
    /// measure by.
    pub leverage: Option<f64>,
    /// Internally studentised residual; `None` without a leverage below 1.
    pub studentised: Option<f64>,
    /// Externally studentised residual: against the error of the fit without it. `None` also where
    /// the others leave no error.
    pub externally: Option<f64>,
    /// Error for the height left out of the fit, one step, m; `None` with a leverage of 1.
    pub left_out_m: Option<f64>,
}

/// The heights behind a curve, in their order, each against it.
pub fn residuals(fit: &FittedCurve, points: &Points) -> Vec<Residual> {
    let df = degrees_of_freedom(fit);
    let variance = fit.residual_ss / df;
    let trees = points.dbh_cm().iter().zip(points.height_m());
    let of = |((dbh_cm, height_m), weight): ((&f64, &f64), f64)| {
        let fitted_m = fit.curve.height_m(*dbh_cm);
        let residual_m = height_m - fitted_m;
        let spread = weight * parameter_variance(fit, *dbh_cm);
        let leverage = (variance > 0.0).then(|| spread / variance);
        let inside = leverage.filter(|h| *h < 1.0);
        let studentised =
            inside.map(|h| residual_m * weight.sqrt() / (variance * (1.0 - h)).sqrt());
        let externally = studentised.and_then(|r| {
            let of_others = (df - r * r) / (df - 1.0);
            (of_others > 0.0).then(|| r / of_others.sqrt())
        });
        Residual {
            fitted_m,
            residual_m,
            leverage,
            studentised,
            externally,
            left_out_m: match leverage {
                None => Some(residual_m),
                Some(_) => inside.map(|h| residual_m / (1.0 - h)),
            },
        }
    };
    trees.zip(weights(fit, points)).map(of).collect()
}

/// Root mean square of the errors for heights left out one at a time, one step each, m. `None`
/// where the curve hangs on a single height.
pub fn leave_one_out_rms_m(fit: &FittedCurve, points: &Points) -> Option<f64> {
    let errors: Option<Vec<f64>> = residuals(fit, points)
        .iter()
        .map(|residual| residual.left_out_m)
        .collect();
    errors.and_then(|errors| root_mean_square(&errors))
}

/// How well a form foretells the heights of plots that it was not fitted to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeftOutPlots {
    /// Root mean square of the errors, m.
    pub rms_m: f64,
    /// Heights that were foretold.
    pub heights: usize,
    /// Plots left out, each once.
    pub plots: usize,
    /// Of them, those without which the form has no curve: their heights are not in the mean.
    pub failed: usize,
}

/// Fits the same form without each plot in turn, from the parameters with all plots as the start;
/// where heights are weighted by their precision, the variance about the curve stays that of all.
/// `None` for a single plot, for more than [`MOST_PLOTS_LEFT_OUT`], and where no fit works.
pub fn leave_one_plot_out(
    fit: &FittedCurve,
    points: &Points,
    solver: &mut Solver,
) -> Option<LeftOutPlots> {
    let plot = |at: usize| (points.place()[at].stand, points.place()[at].plot);
    let plots: BTreeSet<(usize, usize)> = (0..points.len()).map(plot).collect();
    if plots.len() < 2 || plots.len() > MOST_PLOTS_LEFT_OUT {
        return None;
    }
    let (mut errors, mut failed) = (Vec::new(), 0);
    for left_out in &plots {
        let (out, kept): (Vec<usize>, Vec<usize>) =
            (0..points.len()).partition(|at| plot(*at) == *left_out);
        let Some(curve) = refit(fit, points, &kept, solver) else {
            failed += 1;
            continue;
        };
        errors.extend(
            out.iter()
                .map(|at| points.height_m()[*at] - curve.height_m(points.dbh_cm()[*at])),
        );
    }
    Some(LeftOutPlots {
        rms_m: root_mean_square(&errors)?,
        heights: errors.len(),
        plots: plots.len(),
        failed,
    })
}

/// The curve through some of the points: from the parameters, else from the form's own starts.
fn refit(fit: &FittedCurve, points: &Points, kept: &[usize], solver: &mut Solver) -> Option<Curve> {
    let Curve {
        form,
        breast_height_m,
        ..
    } = fit.curve;
    let kept = points.subset(kept);
    let heights = kept.height_m().iter();
    let y: Vec<f64> = heights.map(|height_m| height_m - breast_height_m).collect();
    let weights = weights(fit, &kept);
    let problem = Problem {
        y: &y,
        weights: Some(&weights),
        model: |i: usize, parameters: &[f64], gradient: &mut [f64]| {
            form.value_and_gradient(kept.dbh_cm()[i], parameters, gradient)
        },
    };
    let found = solver.fit(&problem, fit.curve.parameters());
    if found.status == Status::Converged {
        let mut curve = fit.curve;
        curve.parameters[..form.n_parameters()].copy_from_slice(&found.parameters);
        return Some(curve);
    }
    let again = fit_form(form, &kept, fit.weights, breast_height_m, solver);
    again.ok().map(|fit| fit.curve)
}

/// The heights of a class of trees against the curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bias<K> {
    /// The class.
    pub class: K,
    /// Heights in it.
    pub n: usize,
    /// Mean residual, m: above 0 where the curve is too low.
    pub mean_m: f64,
    /// Its standard error, from the residuals of the class; `None` for a single height.
    pub std_error_m: Option<f64>,
}

/// Mean residual by class, the classes in their order.
pub fn bias<K: Ord + Copy>(residuals: impl Iterator<Item = (K, f64)>) -> Vec<Bias<K>> {
    let mut classes: BTreeMap<K, Vec<f64>> = BTreeMap::new();
    for (class, residual_m) in residuals {
        classes.entry(class).or_default().push(residual_m);
    }
    let one = |(class, residual_m): (K, Vec<f64>)| Bias {
        class,
        n: residual_m.len(),
        mean_m: mean(&residual_m),
        std_error_m: variance(&residual_m).map(|v| (v / residual_m.len() as f64).sqrt()),
    };
    classes.into_iter().map(one).collect()
}

fn degrees_of_freedom(fit: &FittedCurve) -> f64 {
    (fit.n - fit.curve.form.n_parameters()) as f64
}

/// Relative weights of the heights in the fit.
fn weights(fit: &FittedCurve, points: &Points) -> Vec<f64> {
    let of = |(dbh_cm, error_m): (&f64, &Option<f64>)| match (fit.weights, fit.scatter) {
        (FitWeights::InverseDbh, _) => 1.0 / dbh_cm,
        (FitWeights::Precision, Some(scatter)) => {
            1.0 / (scatter.std_dev_m.powi(2) + error_m.unwrap_or(0.0).powi(2))
        }
        (FitWeights::Equal | FitWeights::Precision, _) => 1.0,
    };
    points
        .dbh_cm()
        .iter()
        .zip(points.std_error_m())
        .map(of)
        .collect()
}

/// Variance of the curve at a dbh due to its parameters, m2: `g' C g`.
fn parameter_variance(fit: &FittedCurve, dbh_cm: f64) -> f64 {
    let Curve {
        form, parameters, ..
    } = fit.curve;
    let p = form.n_parameters();
    let mut gradient = [0.0; MOST_PARAMETERS];
    form.value_and_gradient(dbh_cm, &parameters[..p], &mut gradient[..p]);
    let rows = fit.covariance.chunks(p).zip(gradient);
    rows.map(|(row, g)| g * row.iter().zip(gradient).map(|(c, g)| c * g).sum::<f64>())
        .sum()
}

fn root_mean_square(errors: &[f64]) -> Option<f64> {
    let squares: f64 = errors.iter().map(|error| error * error).sum();
    (!errors.is_empty()).then(|| (squares / errors.len() as f64).sqrt())
}
