//! What a publication says of the error of its equations, as figures for a single tree.
//!
//! ```text
//! s = p/100 V               one percentage for a quantity, or for every one of the set
//! s = sqrt(k V^m)           k and m by row of the table, V in the unit of the result
//! ```
//! Both are errors of one tree about the equation. None of the sets at hand publishes the
//! covariance of its coefficients, so the error that all trees share is not known from them.

use crate::species::equation::{Measure, Quantity};
use crate::species::set::VolumeSet;

/// What the publication says of the error of its equations.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PublishedError {
    /// What it says, in words; `not published` if nothing.
    pub statement: String,
    /// Standard error of a single tree in percent of its result; by quantity, or (`None`) for
    /// every quantity of the set.
    pub standard_error_pct: Vec<(Option<Quantity>, f64)>,
    /// Columns of the table that carry the figures of single rows.
    pub columns: Vec<String>,
    /// Which of these columns are factor and exponent of the variance of a single tree.
    pub variance: Option<[usize; 2]>,
}

impl PublishedError {
    /// Standard error of a single tree in percent of a quantity.
    pub fn percent(&self, quantity: Quantity) -> Option<f64> {
        let figures = || self.standard_error_pct.iter();
        let own = figures().find(|(of, _)| *of == Some(quantity));
        own.or_else(|| figures().find(|(of, _)| of.is_none()))
            .map(|(_, percent)| *percent)
    }
}

impl VolumeSet {
    /// Standard error of a single tree by an equation of the set, in the unit of `result` (m3 or
    /// kg); `None` where the publication gives none.
    pub fn std_error(&self, equation: usize, result: f64) -> Option<f64> {
        let equation = &self.equations[equation];
        let error = &self.head.error;
        let row = error.variance.and_then(|[factor, exponent]| {
            Some((
                (*equation.error.get(factor)?)?,
                (*equation.error.get(exponent)?)?,
            ))
        });
        if let Some((factor, exponent)) = row {
            let unit = match equation.quantity.measure() {
                Measure::Mass => self.head.units.kg_per_result,
                _ => self.head.units.m3_per_result,
            };
            let variance = factor * (result / unit).powf(exponent);
            return Some(variance.max(0.0).sqrt() * unit);
        }
        Some(error.percent(equation.quantity)? / 100.0 * result)
    }
}
