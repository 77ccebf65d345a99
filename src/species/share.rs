//! Merchantable shares: which part of the total volume lies between a stump and a top diameter.
//!
//! In: coefficients as printed; the tree, its total volume and the limits in the units of the
//! publication. Out: the share, which the caller holds within 0 and 1.
//!
//! To add a form: a variant, its `Spec` in [`SPECS`], its formula in `value`, its test.

use crate::species::form::Spec;

/// The tree and the limits that a share is asked for, in the units of the publication.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShareInput {
    /// Dbh.
    pub dbh: f64,
    /// Total height.
    pub height: f64,
    /// Total volume.
    pub total: f64,
    /// Top diameter, in the unit of dbh.
    pub top_diameter: f64,
    /// Stump height, in the unit of height.
    pub stump: f64,
}

/// An equation of a merchantable share with its coefficients.
#[derive(Clone, Debug, PartialEq)]
pub enum Share {
    /// Quadratic in the squared ratio of top diameter to dbh.
    ///
    /// Formula: `share = r1 + r2 X + r3 X^2`, `X = (T / (D (1 - 0.04365 b2)))^2 (1 + S/H)`, with
    /// `T` top diameter inside bark, `S` stump height, `D` dbh and `H` total height; `b2 = 0`
    /// where the publication has no bark factor. Domain: `X` up to about 0.8; a parabola beyond.
    /// Source: Honer, Ker & Alemdag 1983, Can. For. Serv. Inf. Rep. M-X-140 (as carried in a
    /// later document).
    QuadraticInTop {
        /// Constant.
        r1: f64,
        /// Slope.
        r2: f64,
        /// Curvature.
        r3: f64,
        /// Bark factor.
        b2: f64,
    },
}

/// Every share form.
pub const SPECS: &[Spec<Share>] = &[Spec {
    name: "quadratic-in-top",
    coefficients: &["r1", "r2", "r3", "b2"],
    formula: "share = r1 + r2 X + r3 X^2; X = (T / (D (1 - 0.04365 b2)))^2 (1 + S/H)",
    build: |c| Share::QuadraticInTop {
        r1: c[0],
        r2: c[1],
        r3: c[2],
        b2: c[3],
    },
}];

impl Share {
    /// The share; may lie outside 0 and 1, or not be finite, outside the domain.
    pub fn value(&self, of: &ShareInput) -> f64 {
        match *self {
            Share::QuadraticInTop { r1, r2, r3, b2 } => {
                let relative_top = of.top_diameter / (of.dbh * (1.0 - 0.043_65 * b2));
                let x = relative_top * relative_top * (1.0 + of.stump / of.height);
                r1 + x * (r2 + x * r3)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quadratic_share_of_a_worked_tree() {
        // Black spruce, 20 cm x 17 m, stump 0.3048 m, top 10 cm: 0.19935 of 0.22876 m3, computed
        // independently from the coefficients of Honer, Ker & Alemdag 1983.
        let share = (SPECS[0].build)(&[0.9526, -0.1027, -0.8199, 0.164]);
        let value = share.value(&ShareInput {
            dbh: 20.0,
            height: 17.0,
            total: 0.228_76,
            top_diameter: 10.0,
            stump: 0.3048,
        });
        assert!((value - 0.19935 / 0.22876).abs() < 3e-5, "{value}");
    }
}
