//! Direct volume equations of regional tables of the United States: logarithms and lines.
//!
//! In: coefficients as printed, dbh and total height. Out: the volume, all in the units of the
//! publication.

use crate::species::form::{Form, Spec};

/// A regional equation with its coefficients. `D` is dbh, `H` total height, `lg` the common and
/// `ln` the natural logarithm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Regional {
    /// Power of dbh and height with the constant as a common logarithm.
    ///
    /// Formula: `V = 10^a D^b H^c`. Domain: `D > 0`, `H > 0`.
    /// Source: Browne 1962, as reprinted in Brackett 1977, DNR Report 24.
    Log10Power {
        /// Common logarithm of the factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
        /// Exponent of height.
        c: f64,
    },
    /// The same, damped at large dbh.
    ///
    /// Formula: `V = 10^(a + d D) D^b H^c`. Domain: `D > 0`, `H > 0`.
    /// Source: Chambers & Foltz 1979, DNR Note 27.
    DampedLog10Power {
        /// Common logarithm of the factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
        /// Exponent of height.
        c: f64,
        /// Coefficient of dbh in the logarithm.
        d: f64,
    },
    /// Quadratic in the common logarithms of dbh and height.
    ///
    /// Formula: `lg V = a + b lg D lg H + c lg(D)^2 + d lg D + e lg H + f lg(H)^2`.
    /// Domain: `D > 0`, `H > 0`. Source: Brackett 1977, DNR Report 24.
    Log10Quadratic {
        /// Constant.
        a: f64,
        /// Coefficient of the product.
        b: f64,
        /// Coefficient of the square of lg D.
        c: f64,
        /// Coefficient of lg D.
        d: f64,
        /// Coefficient of lg H.
        e: f64,
        /// Coefficient of the square of lg H.
        f: f64,
    },
    /// Power of dbh; height enters by its logarithm, the square of that, and its inverse square.
    ///
    /// Formula: `ln V = b0 + b1 ln D + b2 ln(H)^2 + b3 / H^2 + b4 ln H`.
    /// Domain: `D > 0`, `H > 0`. Source: Summerfield 1980, Washington DNR.
    ExpPowerCurved {
        /// Constant.
        b0: f64,
        /// Exponent of dbh.
        b1: f64,
        /// Coefficient of the square of ln H.
        b2: f64,
        /// Coefficient of the inverse square of height.
        b3: f64,
        /// Coefficient of ln H.
        b4: f64,
    },
    /// Power of dbh and height, times a power of a score of the tree.
    ///
    /// Formula: `V = a D^b H^c score^d`. Domain: `D > 0`, `H > 0`, `score > 0`.
    /// Source: Pillsbury & Kirkley 1984, PNW-RN-414: the score is 10 where the first segment of
    /// the stem is merchantable, else 1.
    ScoredPower {
        /// Factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
        /// Exponent of height.
        c: f64,
        /// Exponent of the score.
        d: f64,
        /// The score.
        score: f64,
    },
    /// A line in `D^2 H`.
    ///
    /// Formula: `V = b0 + b1 D^2 H`. Domain: `D > 0`, `H > 0`; the constant makes the volume of
    /// very small trees too large. Source: Hann & Bare 1978, INT-RP-209.
    LinearD2h {
        /// Constant.
        b0: f64,
        /// Slope.
        b1: f64,
    },
    /// Two lines in `D^2 H` that meet about at a limit of `D^2 H`.
    ///
    /// Formula: `V = b0_small + b1_small D^2 H` up to `D^2 H = limit` (the limit itself included),
    /// else `V = b0_large + b1_large D^2 H`. Domain: `D > 0`, `H > 0`.
    /// Source: Myers 1964, RM-RP-8.
    LinearByD2h {
        /// Largest `D^2 H` of the small trees.
        limit: f64,
        /// Constant, small trees.
        b0_small: f64,
        /// Slope, small trees.
        b1_small: f64,
        /// Constant, large trees.
        b0_large: f64,
        /// Slope, large trees.
        b1_large: f64,
    },
}

pub(super) const LOG10_POWER: Spec<Form> = Spec {
    name: "log10-power",
    coefficients: &["a", "b", "c"],
    formula: "V = 10^a D^b H^c",
    build: |c| {
        Form::Regional(Regional::Log10Power {
            a: c[0],
            b: c[1],
            c: c[2],
        })
    },
};

pub(super) const DAMPED_LOG10_POWER: Spec<Form> = Spec {
    name: "damped-log10-power",
    coefficients: &["a", "b", "c", "d"],
    formula: "V = 10^(a + d D) D^b H^c",
    build: |c| {
        Form::Regional(Regional::DampedLog10Power {
            a: c[0],
            b: c[1],
            c: c[2],
            d: c[3],
        })
    },
};

pub(super) const LOG10_QUADRATIC: Spec<Form> = Spec {
    name: "log10-quadratic",
    coefficients: &["a", "b", "c", "d", "e", "f"],
    formula: "lg V = a + b lg D lg H + c lg(D)^2 + d lg D + e lg H + f lg(H)^2",
    build: |c| {
        Form::Regional(Regional::Log10Quadratic {
            a: c[0],
            b: c[1],
            c: c[2],
            d: c[3],
            e: c[4],
            f: c[5],
        })
    },
};

pub(super) const EXP_POWER_CURVED: Spec<Form> = Spec {
    name: "exp-power-curved",
    coefficients: &["b0", "b1", "b2", "b3", "b4"],
    formula: "ln V = b0 + b1 ln D + b2 ln(H)^2 + b3 / H^2 + b4 ln H",
    build: |c| {
        Form::Regional(Regional::ExpPowerCurved {
            b0: c[0],
            b1: c[1],
            b2: c[2],
            b3: c[3],
            b4: c[4],
        })
    },
};

pub(super) const SCORED_POWER: Spec<Form> = Spec {
    name: "scored-power",
    coefficients: &["a", "b", "c", "d", "score"],
    formula: "V = a D^b H^c score^d",
    build: |c| {
        Form::Regional(Regional::ScoredPower {
            a: c[0],
            b: c[1],
            c: c[2],
            d: c[3],
            score: c[4],
        })
    },
};

pub(super) const LINEAR_D2H: Spec<Form> = Spec {
    name: "linear-d2h",
    coefficients: &["b0", "b1"],
    formula: "V = b0 + b1 D^2 H",
    build: |c| Form::Regional(Regional::LinearD2h { b0: c[0], b1: c[1] }),
};

pub(super) const LINEAR_BY_D2H: Spec<Form> = Spec {
    name: "linear-by-d2h",
    coefficients: &["limit", "b0_small", "b1_small", "b0_large", "b1_large"],
    formula: "V = b0_small + b1_small D^2 H for D^2 H <= limit, else V = b0_large + b1_large D^2 H",
    build: |c| {
        Form::Regional(Regional::LinearByD2h {
            limit: c[0],
            b0_small: c[1],
            b1_small: c[2],
            b0_large: c[3],
            b1_large: c[4],
        })
    },
};

impl Regional {
    /// Volume for a dbh and a total height. May be negative or not finite outside the domain.
    pub(super) fn volume(&self, dbh: f64, height: f64) -> f64 {
        match *self {
            Regional::Log10Power { a, b, c } => 10.0_f64.powf(a) * dbh.powf(b) * height.powf(c),
            Regional::DampedLog10Power { a, b, c, d } => {
                10.0_f64.powf(a + d * dbh) * dbh.powf(b) * height.powf(c)
            }
            Regional::Log10Quadratic { a, b, c, d, e, f } => {
                let (lg_d, lg_h) = (dbh.log10(), height.log10());
                let of_dbh = c * lg_d * lg_d + d * lg_d;
                10.0_f64.powf(a + b * lg_d * lg_h + of_dbh + e * lg_h + f * lg_h * lg_h)
            }
            Regional::ExpPowerCurved { b0, b1, b2, b3, b4 } => {
                let ln_h = height.ln();
                let of_height = b2 * ln_h * ln_h + b3 / (height * height) + b4 * ln_h;
                (b0 + b1 * dbh.ln() + of_height).exp()
            }
            Regional::ScoredPower { a, b, c, d, score } => {
                a * dbh.powf(b) * height.powf(c) * score.powf(d)
            }
            Regional::LinearD2h { b0, b1 } => b0 + b1 * dbh * dbh * height,
            Regional::LinearByD2h {
                limit,
                b0_small,
                b1_small,
                b0_large,
                b1_large,
            } => {
                let d2h = dbh * dbh * height;
                if d2h <= limit * (1.0 + 1e-12) {
                    b0_small + b1_small * d2h
                } else {
                    b0_large + b1_large * d2h
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::species::form::SPECS;

    fn build(name: &str, coefficients: &[f64]) -> Form {
        let spec = SPECS.iter().find(|spec| spec.name == name).unwrap();
        assert_eq!(spec.coefficients.len(), coefficients.len());
        (spec.build)(coefficients)
    }

    #[test]
    fn forms_of_the_pacific_northwest_meet_the_computed_trees() {
        // A Python evaluation of the printed equations; six digits. Douglas-fir 24 in, 140 ft by
        // Brackett 1977; ponderosa pine 16 in, 80 ft by Summerfield 1980; western hemlock 40 in,
        // 190 ft by Chambers & Foltz 1979; cottonwood 14 in, 80 ft by Browne 1962.
        let cases: [(&str, &[f64], f64, f64, &str); 4] = [
            (
                "log10-quadratic",
                &[-3.21809, 0.04948, -0.15664, 2.02132, 1.63408, -0.16185],
                24.0,
                140.0,
                "151.849",
            ),
            (
                "exp-power-curved",
                &[-8.521_558, 1.977_243, -0.105_288, 136.0489, 1.99546],
                16.0,
                80.0,
                "40.617",
            ),
            (
                "damped-log10-power",
                &[-2.72170, 2.00857, 1.08620, -0.00568],
                40.0,
                190.0,
                "554.794",
            ),
            (
                "log10-power",
                &[-2.945_047, 1.803_973, 1.238_853],
                14.0,
                80.0,
                "30.212",
            ),
        ];
        for (name, coefficients, dbh_in, height_ft, volume_ft3) in cases {
            let form = build(name, coefficients);
            assert_eq!(format!("{:.3}", form.value(dbh_in, height_ft)), volume_ft3);
        }
    }

    #[test]
    fn two_lines_in_d2h_meet_about_at_the_limit() {
        // Ponderosa pine of the Black Hills, Myers 1964: worked by hand at the limit of 6,000,
        // 0.030288 + 0.002213 x 6000 = 13.308288 and -1.557103 + 0.002474 x 6000 = 13.286897.
        let form = build(
            "linear-by-d2h",
            &[6000.0, 0.030_288, 0.002_213, -1.557_103, 0.002_474],
        );
        assert!((form.value(10.0, 60.0) - 13.308_288).abs() < 1e-12);
        assert!((form.value(10.0, 60.001) - 13.287_144_4).abs() < 1e-9);
    }

    #[test]
    fn the_score_multiplies_by_ten_to_its_exponent() {
        // Bigleaf maple of Pillsbury & Kirkley 1984: 10^0.40017 = 2.5129, by hand.
        let with = |score: f64| {
            build(
                "scored-power",
                &[0.000_423_633_2, 2.10316, 1.08584, 0.40017, score],
            )
            .value(20.0, 80.0)
        };
        assert_eq!(format!("{:.4}", with(10.0) / with(1.0)), "2.5129");
    }
}
