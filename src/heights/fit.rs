//! Stand-in until the fitted curves are merged.

use super::curve::{Curve, Form};
use crate::design::{CurveChoice, FitWeights};

/// A tree.
pub type HeightPoint = (f64, f64);

/// A curve with its fit.
#[derive(Clone, Debug)]
pub struct FittedCurve {
    /// Curve.
    pub curve: Curve,
    /// Errors.
    pub std_errors: Vec<f64>,
    /// Heights.
    pub n: usize,
    /// Least dbh.
    pub min_dbh_cm: f64,
    /// Largest dbh.
    pub max_dbh_cm: f64,
    /// RMSE.
    pub rmse_m: f64,
    /// Criterion.
    pub aicc: f64,
}

/// A form tried.
#[derive(Clone, Debug)]
pub struct Tried {
    /// Form.
    pub form: Form,
    /// Why not.
    pub refused: Option<String>,
}

/// The outcome.
#[derive(Clone, Debug)]
pub struct Choice {
    /// Chosen.
    pub chosen: Option<FittedCurve>,
    /// Tried.
    pub tried: Vec<Tried>,
    /// Fell back.
    pub fell_back: Option<String>,
}

/// Fits.
pub fn choose(
    points: &[HeightPoint],
    _: &CurveChoice,
    _: FitWeights,
    breast_height_m: f64,
    _: (f64, f64),
) -> Choice {
    let n = points.len() as f64;
    let z = |(d, h): &HeightPoint| d / (h - breast_height_m).sqrt();
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mz = points.iter().map(z).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxz: f64 = points.iter().map(|p| (p.0 - mx) * (z(p) - mz)).sum();
    let b = sxz / sxx;
    let curve = Curve {
        form: Form::Naslund,
        parameters: vec![mz - b * mx, b],
        breast_height_m,
    };
    let ok = b > 0.0 && curve.parameters[0] > 0.0;
    let ss: f64 = points
        .iter()
        .map(|p| (p.1 - curve.height_m(p.0)).powi(2))
        .sum();
    Choice {
        tried: vec![Tried {
            form: Form::Naslund,
            refused: (!ok).then(|| "it does not rise".to_owned()),
        }],
        chosen: ok.then(|| FittedCurve {
            curve,
            std_errors: vec![0.0, 0.0],
            n: points.len(),
            min_dbh_cm: points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min),
            max_dbh_cm: points.iter().map(|p| p.0).fold(0.0, f64::max),
            rmse_m: (ss / (n - 2.0)).sqrt(),
            aicc: 0.0,
        }),
        fell_back: None,
    }
}
