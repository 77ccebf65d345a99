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
    /// The tarif system: the share up to a top of 4 in by dbh alone, and of that the share up to
    /// 6 in.
    ///
    /// Formula: `share = (B - 0.087266) / T`, `T = 1.033 (1 + 1.382937 exp(-4.015292 D / 10))
    /// (B + 0.087266) - 0.174533`, `B = 0.005454154 D^2`; for a top of 6 in times
    /// `k (1 - q^(D - n))`, at most 1. `D` dbh in inches, `B` basal area in square feet. Domain:
    /// tops of 4 and 6 in above a stump of 1 ft; no volume for `D` below the top.
    /// Source: Brackett 1977, DNR Report 24; Chambers & Foltz 1979, DNR Note 27 (as carried in
    /// later documents).
    Tarif {
        /// Limit of the share up to 6 in for large trees.
        k: f64,
        /// Base of the reduction.
        q: f64,
        /// Dbh at which nothing is left.
        n: f64,
    },
    /// From the total volume itself.
    ///
    /// Formula: `share = ((V + a) / (b + c exp(d D)) - e) / V`, `V` total volume and `D` dbh.
    /// Domain: `V > 0`. Source: Chittester & MacLean 1984, PNW-RN-420.
    FromTotal {
        /// Added to the total.
        a: f64,
        /// Divisor for large trees.
        b: f64,
        /// What the divisor has more for small trees.
        c: f64,
        /// Rate at which that vanishes.
        d: f64,
        /// Taken off at the end.
        e: f64,
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
    Spec {
        name: "tarif",
        coefficients: &["k", "q", "n"],
        formula: "share = (B - 0.087266)/T, B = 0.005454154 D^2, T = 1.033 (1 + 1.382937 \
                  exp(-4.015292 D/10)) (B + 0.087266) - 0.174533; for a top of 6 in times \
                  k (1 - q^(D - n)), at most 1",
        build: |c| Share::Tarif {
            k: c[0],
            q: c[1],
            n: c[2],
        },
    },
    Spec {
        name: "share-from-total",
        coefficients: &["a", "b", "c", "d", "e"],
        formula: "share = ((V + a) / (b + c exp(d D)) - e) / V",
        build: |c| Share::FromTotal {
            a: c[0],
            b: c[1],
            c: c[2],
            d: c[3],
            e: c[4],
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
            Share::Tarif { k, q, n } => {
                let basal_area = 0.005_454_154 * of.dbh * of.dbh;
                let swell = 1.0 + 1.382_937 * (-4.015_292 * of.dbh / 10.0).exp();
                let scale = 1.033 * swell * (basal_area + 0.087_266) - 0.174_533;
                let to_4_in = ((basal_area - 0.087_266) / scale).max(0.0);
                if of.top_diameter > 5.0 {
                    to_4_in * (k * (1.0 - q.powf(of.dbh - n))).min(1.0)
                } else {
                    to_4_in
                }
            }
            Share::FromTotal { a, b, c, d, e } => {
                ((of.total + a) / (b + c * (d * of.dbh).exp()) - e) / of.total
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

    #[test]
    fn the_tarif_shares_of_computed_trees() {
        // A Python evaluation of the chain; six digits. Douglas-fir 12 in, 85 ft, and 40 in, 190
        // ft, by Brackett 1977: total, to 4 in, to 6 in.
        let share = (SPECS[2].build)(&[0.993, 0.62, 6.0]);
        let to = |dbh: f64, top_diameter: f64, total: f64| {
            let of = ShareInput {
                dbh,
                height: 85.0,
                total,
                top_diameter,
                stump: 1.0,
            };
            share.value(&of) * total
        };
        for (dbh, total, to_4_in, to_6_in) in [
            (12.0, 27.1764, 25.7431, 24.1109),
            (40.0, 480.856, 465.195, 461.938),
        ] {
            assert!((to(dbh, 4.0, total) / to_4_in - 1.0).abs() < 5e-6);
            assert!((to(dbh, 6.0, total) / to_6_in - 1.0).abs() < 5e-6);
        }
        // By construction a tree of one square foot of basal area has its tarif to 4 in: the dbh
        // is 13.54 in, the total 0.912733^-1 x T x tarif.
        let dbh = (1.0_f64 / 0.005_454_154).sqrt();
        let scale = 1.033 * (1.0 + 1.382_937 * (-0.401_529_2 * dbh).exp()) * 1.087_266 - 0.174_533;
        assert!((to(dbh, 4.0, 35.0 * scale / 0.912_733) - 35.0).abs() < 1e-4);
        // Nothing below the top, also where both factors are negative.
        assert!(to(3.9, 4.0, 1.0) <= 0.0 && to(5.9, 6.0, 1.0) <= 0.0 && to(3.0, 6.0, 1.0) <= 0.0);
    }

    #[test]
    fn a_share_from_the_total_itself() {
        // Western juniper, Chittester & MacLean 1984, by hand: 10 in, 8 ft3: (8 + 3.48) /
        // (1.18052 + 0.32736 x 0.367879) - 2.948 = 11.48/1.300949 - 2.948 = 5.87633.
        let share = (SPECS[3].build)(&[3.48, 1.18052, 0.32736, -0.1, 2.948]);
        let value = share.value(&ShareInput {
            dbh: 10.0,
            height: 30.0,
            total: 8.0,
            top_diameter: 4.0,
            stump: 1.0,
        });
        assert!((value * 8.0 - 5.87633).abs() < 1e-5, "{}", value * 8.0);
    }
}
