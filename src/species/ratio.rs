//! How the volume of a stem lies along it: the share of it below each height.
//!
//! In: coefficients as printed, a relative height. Out: the share below, and how fast it grows.
//!
//! To add a form: a variant, its `Spec` in [`SPECS`], its formulas, its test.

use crate::species::form::Spec;

/// Share of the stem volume that lies below a height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ratio {
    /// Two-parameter cumulative share.
    ///
    /// Formula: `R(h) = (1 - (1 - h/H)^alpha)^beta`, with `h` height above ground and `H` total
    /// height in the same unit; 0 at the ground and 1 at the tip. Domain: `0 <= h <= H`.
    /// Source: Westfall et al. 2024, GTR WO-104, model 6.
    TwoParameter {
        /// Exponent inside.
        alpha: f64,
        /// Exponent outside.
        beta: f64,
    },
}

/// Every ratio form.
pub const SPECS: &[Spec<Ratio>] = &[Spec {
    name: "cumulative-ratio",
    coefficients: &["alpha", "beta"],
    formula: "R(h) = (1 - (1 - h/H)^alpha)^beta",
    build: |c| Ratio::TwoParameter {
        alpha: c[0],
        beta: c[1],
    },
}];

impl Ratio {
    /// Share of the volume below a relative height `h/H`, which is held within 0 and 1.
    pub fn share_below(&self, relative_height: f64) -> f64 {
        let Ratio::TwoParameter { alpha, beta } = *self;
        (1.0 - (1.0 - relative_height.clamp(0.0, 1.0)).powf(alpha)).powf(beta)
    }

    /// How fast the share grows with relative height: its derivative, 0 at the tip.
    ///
    /// Formula: `alpha beta x^(alpha - 1) (1 - x^alpha)^(beta - 1)`, `x = 1 - h/H`. Domain:
    /// `0 < h/H <= 1`; at the ground it may be infinite (`beta < 1`).
    pub fn density(&self, relative_height: f64) -> f64 {
        let Ratio::TwoParameter { alpha, beta } = *self;
        let x = 1.0 - relative_height.clamp(0.0, 1.0);
        alpha * beta * x.powf(alpha - 1.0) * (1.0 - x.powf(alpha)).powf(beta - 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_share_below_the_tip_is_the_whole() {
        let ratio = (SPECS[0].build)(&[2.2, 0.8]);
        assert_eq!(format!("{}", ratio.share_below(1.0)), "1");
        assert_eq!(format!("{}", ratio.share_below(1.7)), "1");
        assert_eq!(format!("{}", ratio.share_below(0.0)), "0");
        assert!(ratio.share_below(0.3) < ratio.share_below(0.4));
    }
}
