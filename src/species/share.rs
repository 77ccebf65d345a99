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
    /// where the publication has no bark factor. Domain: `X` up to about 0.8; a parabola beyond
    /// that need not fall, so from `X = 1` on, where the top diameter is not thinner than the
    /// stem, the share is 0.
    /// Source: Honer, Ker & Alemdag 1983, Can. For. Serv. Inf. Rep. M-X-140; without the factor
    /// Warren & Meades 1986, Inf. Rep. N-X-242 (both as carried in a later document).
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
pub const SPECS: &[Spec<Share>] = &[
    Spec {
        name: "quadratic-in-top",
        coefficients: &["r1", "r2", "r3", "b2"],
        formula: "share = r1 + r2 X + r3 X^2; X = (T / (D (1 - 0.04365 b2)))^2 (1 + S/H); \
              0 from X = 1 on",
        build: |c| Share::QuadraticInTop {
            r1: c[0],
            r2: c[1],
            r3: c[2],
            b2: c[3],
        },
    },
    Spec {
        name: "quadratic-in-plain-top",
        coefficients: &["r1", "r2", "r3"],
        formula: "share = r1 + r2 X + r3 X^2; X = (T/D)^2 (1 + S/H); 0 from X = 1 on",
        build: |c| Share::QuadraticInTop {
            r1: c[0],
            r2: c[1],
            r3: c[2],
            b2: 0.0,
        },
    },
];

impl Share {
    /// The share; may lie outside 0 and 1, or not be finite, outside the domain.
    pub fn value(&self, of: &ShareInput) -> f64 {
        match *self {
            Share::QuadraticInTop { r1, r2, r3, b2 } => {
                let relative_top = of.top_diameter / (of.dbh * (1.0 - 0.043_65 * b2));
                let x = relative_top * relative_top * (1.0 + of.stump / of.height);
                if x < 1.0 { r1 + x * (r2 + x * r3) } else { 0.0 }
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

    #[test]
    fn the_plain_share_is_the_printed_merchantable_volume() {
        // Newfoundland, district 12, 20 cm x 15 m, stump 0.1524 m, top 7.62 cm: 0.196 m3 of balsam
        // fir, 0.191 m3 of black spruce (N-X-242, p. 22 and 33); totals 0.20551 and 0.20117 m3.
        let cases = [
            ([0.971_973, -0.079_675, -0.384_698], 0.205_51, "0.196"),
            ([0.976_105, -0.143_72, -0.209_912], 0.201_17, "0.191"),
        ];
        for (coefficients, total, printed) in cases {
            let share = (SPECS[1].build)(&coefficients);
            let value = share.value(&ShareInput {
                dbh: 20.0,
                height: 15.0,
                total,
                top_diameter: 7.62,
                stump: 0.1524,
            });
            assert_eq!(format!("{:.3}", total * value), printed);
        }
    }

    #[test]
    fn a_top_not_thinner_than_the_stem_leaves_nothing() {
        // Balsam fir, district 2, N-X-242: the parabola itself would still give more than half.
        let share = (SPECS[1].build)(&[0.974_644, -0.132_053, -0.297_085]);
        let at = |top_diameter: f64| {
            share.value(&ShareInput {
                dbh: 10.0,
                height: 8.0,
                total: 0.03,
                top_diameter,
                stump: 0.15,
            })
        };
        assert!(at(9.8) > 0.5);
        assert_eq!(format!("{} {}", at(10.0), at(12.0)), "0 0");
    }
}
