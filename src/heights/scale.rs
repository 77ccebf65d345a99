//! A curve from elsewhere, raised or lowered as a whole to the heights at hand.
//!
//! ```text
//! y = k y_0(D),  y = H - bh           y_0 the published curve, or that of another species
//! k_hat = sum y / sum y_0             over the m measured heights: weights 1/y_0
//! k     = 1 + m t2 / (m t2 + s2) (k_hat - 1)
//! se(k) = sqrt(t2 s2 / (m t2 + s2))
//! residual of a tree = sqrt(s2) y
//! ```
//! The factor is that of a random effect with mean 1: few heights move it little, many take it to
//! their own ratio. `t2` is the variance between plots and `s2` that of a height in its plot, both
//! of ln y, in a fit of ln(H - 1.37) on 1/(D + 1) by restricted maximum likelihood to the 336 heights
//! of Upper Flat Creek (data: Robinson & Hamann 2011, Forest Analytics with R; fitted with nlme
//! 3.1-162). That plots of one forest vary as stands about a published curve do, and that `ln k` and
//! `k - 1` are the same, is a judgement: published curves may be farther off, so that the error
//! is rather too small. Without any height `k` is 1 and nothing is known of its error.
//! Source of the ratio and of its shrinkage: Temesgen, Monleon & Hann 2008 (abstract); Lappi 1991
//! (from memory).

use crate::heights::regional::RegionalCurve;
use crate::heights::{CurveError, Level, MOST_CURVE_PARAMETERS};

/// Variance of ln y between plots.
pub const BETWEEN: f64 = 0.008_397;
/// Standard deviation of ln y within a plot.
pub const WITHIN_SD: f64 = 0.231_41;

/// A factor found from measured heights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// The factor, shrunk to 1.
    pub factor: f64,
    /// Its standard error.
    pub std_error: f64,
    /// The bare ratio of the heights to the curve.
    pub ratio: f64,
    /// Heights that it rests on.
    pub n: usize,
    /// Whose: [`Level::Species`], or [`Level::Pooled`] for those of its kind, each over the curve
    /// of its own species.
    pub whose: Level,
}

/// Sums over pairs of y measured and y of the curve.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RatioSums {
    n: usize,
    measured_m: f64,
    by_curve_m: f64,
}

impl RatioSums {
    /// Adds a pair, m.
    pub fn add(&mut self, measured_m: f64, by_curve_m: f64) {
        self.n += 1;
        self.measured_m += measured_m;
        self.by_curve_m += by_curve_m;
    }

    /// The sums without one of their pairs, m.
    #[must_use]
    pub fn without(self, measured_m: f64, by_curve_m: f64) -> Self {
        RatioSums {
            n: self.n.saturating_sub(1),
            measured_m: self.measured_m - measured_m,
            by_curve_m: self.by_curve_m - by_curve_m,
        }
    }
}

impl Scale {
    /// From pairs of y measured and y of the curve; `None` without any.
    pub fn of(pairs: impl IntoIterator<Item = (f64, f64)>, whose: Level) -> Option<Scale> {
        let mut pairs: Vec<(f64, f64)> = pairs.into_iter().filter(|(_, y)| *y > 0.0).collect();
        // In a fixed order, so that the order of the records changes no digit.
        pairs.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.total_cmp(&b.0)));
        let mut sums = RatioSums::default();
        for (y_m, by_curve_m) in pairs {
            sums.add(y_m, by_curve_m);
        }
        Scale::of_sums(sums, whose)
    }

    /// From the sums over such pairs; `None` without any.
    pub fn of_sums(sums: RatioSums, whose: Level) -> Option<Scale> {
        let n = sums.n;
        let ratio = sums.measured_m / sums.by_curve_m;
        let (between, within) = (n as f64 * BETWEEN, WITHIN_SD * WITHIN_SD);
        (n > 0 && ratio.is_finite()).then(|| Scale {
            factor: 1.0 + between / (between + within) * (ratio - 1.0),
            std_error: (BETWEEN * within / (between + within)).sqrt(),
            ratio,
            n,
            whose,
        })
    }
}

/// A published curve as it is used.
#[derive(Clone, Debug, PartialEq)]
pub struct PublishedUse {
    /// The curve.
    pub curve: RegionalCurve,
    /// The factor of the part above breast height; without heights it is 1.
    pub scale: Option<Scale>,
    /// Variance of the factor; empty without heights.
    pub(super) covariance: Vec<f64>,
}

impl PublishedUse {
    /// A published curve, scaled where there are heights.
    pub fn new(curve: RegionalCurve, scale: Option<Scale>) -> Self {
        let variance = scale.map(|scale| scale.std_error * scale.std_error);
        PublishedUse {
            curve,
            scale,
            covariance: variance.into_iter().collect(),
        }
    }

    /// Total height, m.
    pub(super) fn height_m(&self, dbh_cm: f64) -> f64 {
        match self.scale {
            None => self.curve.height_m(dbh_cm),
            Some(scale) => {
                let above_m = self.curve.above_breast_height_m(dbh_cm);
                self.curve.breast_height_m() + scale.factor * above_m
            }
        }
    }

    /// How a height may be off; `None` where the curve is as published.
    pub(super) fn error_at(&self, dbh_cm: f64) -> Option<CurveError> {
        let scale = self.scale?;
        let above_m = self.curve.above_breast_height_m(dbh_cm);
        let mut gradient = [0.0; MOST_CURVE_PARAMETERS];
        gradient[0] = above_m;
        Some(CurveError {
            gradient,
            effects: [None; 2],
            residual_m: WITHIN_SD * scale.factor * above_m,
        })
    }

    /// How a height comes about, line by line.
    pub(super) fn derivation(&self, dbh_cm: f64) -> Vec<String> {
        let mut lines = self.curve.derivation(dbh_cm);
        if let Some(scale) = self.scale {
            lines.push(format!(
                "the part above breast height is taken times {} ({})",
                scale.shown(),
                scale.words()
            ));
            lines.push(format!(
                "H = {:.4} + {:.4} x {:.4} = {:.4} m",
                self.curve.breast_height_m(),
                scale.factor,
                self.curve.above_breast_height_m(dbh_cm),
                self.height_m(dbh_cm)
            ));
        }
        lines
    }
}

impl Scale {
    /// `k = 1.0432 (0.0710)`, the standard error in brackets.
    pub fn shown(&self) -> String {
        format!("k = {:.4} ({:.4})", self.factor, self.std_error)
    }

    /// Whose heights it rests on, and their bare ratio.
    pub fn words(&self) -> String {
        let heights = if self.n == 1 { "height" } else { "heights" };
        let whose = match self.whose {
            Level::Pooled(_) => {
                format!("of {}, each over its own curve", self.whose.name())
            }
            _ => "of the species".to_owned(),
        };
        format!(
            "{} {heights} {whose}: ratio {:.4}, drawn towards 1 as befits their number",
            self.n, self.ratio
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: y = 20, 22 over 16, 24: ratio 42/40 = 1.05; m t2 = 0.016794, s2 = 0.0535505881;
    /// weight 0.016794/0.0703445881 = 0.238739; k = 1.01193695; variance 0.008397 x 0.0535505881 /
    /// 0.0703445881 = 0.00639231.
    #[test]
    fn two_heights_by_hand() {
        let pairs = [(20.0, 16.0), (22.0, 24.0)];
        let scale = Scale::of(pairs, Level::Species).unwrap();
        assert!((scale.ratio - 1.05).abs() < 1e-12);
        assert!((scale.factor - 1.011_936_95).abs() < 1e-7, "{scale:?}");
        assert!(
            (scale.std_error.powi(2) - 0.006_392_31).abs() < 1e-8,
            "{scale:?}"
        );
        let backwards = Scale::of(pairs.into_iter().rev(), Level::Species);
        assert_eq!(backwards, Some(scale));
    }

    #[test]
    fn the_more_heights_the_closer_to_their_ratio() {
        let scale = |n: usize| Scale::of(vec![(24.0, 20.0); n], Level::Species);
        assert_eq!(scale(0), None);
        // One: 0.008397 / (0.008397 + 0.0535505881) = 0.135551.
        assert!((scale(1).unwrap().factor - (1.0 + 0.2 * 0.135_551)).abs() < 1e-6);
        let many = scale(100_000).unwrap();
        assert!((many.factor - 1.2).abs() < 1e-4 && many.std_error < 1e-3);
    }
}
