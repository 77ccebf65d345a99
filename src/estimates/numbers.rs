//! Stand-in for `math` until it lands.

use statrs::distribution::{ContinuousCDF as _, StudentsT};

pub(super) fn mean(values: &[f64]) -> f64 {
    let Some(first) = values.first() else {
        return 0.0;
    };
    first + values.iter().map(|v| v - first).sum::<f64>() / values.len() as f64
}

pub(super) fn variance(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)
}

pub(super) fn t_quantile(p: f64, df: f64) -> Option<f64> {
    if !(df.is_finite() && df > 0.0) {
        return None;
    }
    StudentsT::new(0.0, 1.0, df.min(1e6))
        .ok()
        .map(|t| t.inverse_cdf(p))
}
