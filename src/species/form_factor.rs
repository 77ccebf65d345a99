//! Volumes by a form factor: the stem as a share of a cylinder on its basal area.
//!
//! In: dbh in inches and height in feet. Out: cubic feet. `V = F B H` with `B = 0.005454154 D^2`
//! the basal area in square feet, as rounded in the publications, and `F` the form factor.

use crate::species::form::{Form, Spec};

/// Square feet of a circle of one inch diameter, as the publications round it.
const FT2_PER_IN2: f64 = 0.005_454_154;

/// Breast height in feet.
const BREAST_HEIGHT_FT: f64 = 4.5;

/// Height up to which the factor for short trees of Bruce & DeMars holds, in feet.
const SHORT_FT: f64 = 18.0;

/// How the form factor follows from dbh and height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FormFactor {
    /// One factor for tall trees, one for short.
    ///
    /// Formula: `H > 18`: `F = t0 + t1/H^2 + t2 D/H^2 + t3 D/H + t4 D`; else, with
    /// `u = (H - 0.9)/(H - 4.5)`, `F = s0 u^2 + s1 D u^3 + s2 D H u^3`. Symbols: `D` dbh in
    /// inches, `H` total height in feet. Domain: `H > 4.5`.
    /// Source: Bruce & DeMars 1974, PNW-RN-239.
    ByHeightRange {
        /// Coefficients `t0` to `t4`.
        tall: [f64; 5],
        /// Coefficients `s0` to `s2`.
        short: [f64; 3],
    },
    /// The factor of the stem above breast height, brought to the ground.
    ///
    /// Formula: `F = (a + b H + c D H/(H - 4.5)) (H/(H - 4.5))^2`, `D` in inches and `H` in feet.
    /// Domain: `H > 4.5`. Source: Chittester & MacLean 1984, PNW-RN-420.
    WithBreastHeight {
        /// Constant.
        a: f64,
        /// Coefficient of height.
        b: f64,
        /// Coefficient of dbh.
        c: f64,
    },
    /// A factor that is held between two bounds.
    ///
    /// Formula: `F = c0 + c1 H/D + c2/D + c3 H^2/D + c4/H`, not below `low` nor above `high`; `D`
    /// in inches and `H` in feet. Domain: `D > 0`, `H > 0`.
    /// Source: MacLean & Berger 1976, PNW-RN-266.
    HeldWithin {
        /// Coefficients `c0` to `c4`.
        c: [f64; 5],
        /// Least factor.
        low: f64,
        /// Greatest factor.
        high: f64,
    },
}

pub(super) const BY_HEIGHT_RANGE: Spec<Form> = Spec {
    name: "form-factor-by-height",
    coefficients: &["t0", "t1", "t2", "t3", "t4", "s0", "s1", "s2"],
    formula: "V = 0.005454154 F D^2 H; H > 18 ft: F = t0 + t1/H^2 + t2 D/H^2 + t3 D/H + t4 D; \
              else u = (H - 0.9)/(H - 4.5), F = s0 u^2 + s1 D u^3 + s2 D H u^3",
    build: |c| {
        Form::ByFormFactor(FormFactor::ByHeightRange {
            tall: [c[0], c[1], c[2], c[3], c[4]],
            short: [c[5], c[6], c[7]],
        })
    },
};

pub(super) const WITH_BREAST_HEIGHT: Spec<Form> = Spec {
    name: "form-factor-above-breast-height",
    coefficients: &["a", "b", "c"],
    formula: "V = 0.005454154 F D^2 H; F = (a + b H + c D H/(H - 4.5)) (H/(H - 4.5))^2",
    build: |c| {
        Form::ByFormFactor(FormFactor::WithBreastHeight {
            a: c[0],
            b: c[1],
            c: c[2],
        })
    },
};

pub(super) const HELD_WITHIN: Spec<Form> = Spec {
    name: "form-factor-held-within",
    coefficients: &["c0", "c1", "c2", "c3", "c4", "low", "high"],
    formula: "V = 0.005454154 F D^2 H; F = c0 + c1 H/D + c2/D + c3 H^2/D + c4/H, low <= F <= high",
    build: |c| {
        Form::ByFormFactor(FormFactor::HeldWithin {
            c: [c[0], c[1], c[2], c[3], c[4]],
            low: c[5],
            high: c[6],
        })
    },
};

impl FormFactor {
    /// Volume in cubic feet; not a number outside the domain: where the factor asks for a tree
    /// higher than breast height, and where it is not positive (stout short trees).
    pub(super) fn volume(&self, dbh_in: f64, height_ft: f64) -> f64 {
        let factor = self.factor(dbh_in, height_ft);
        if factor > 0.0 {
            factor * FT2_PER_IN2 * dbh_in * dbh_in * height_ft
        } else {
            f64::NAN
        }
    }

    fn factor(&self, d: f64, h: f64) -> f64 {
        match *self {
            FormFactor::ByHeightRange { tall: t, short: s } => {
                // 18 ft, kept as 5.4864 m, must still be 18 ft.
                if h > SHORT_FT * (1.0 + 1e-12) {
                    t[0] + t[1] / (h * h) + t[2] * d / (h * h) + t[3] * d / h + t[4] * d
                } else if h > BREAST_HEIGHT_FT {
                    let u = (h - 0.9) / (h - BREAST_HEIGHT_FT);
                    s[0] * u * u + (s[1] + s[2] * h) * d * u * u * u
                } else {
                    f64::NAN
                }
            }
            FormFactor::WithBreastHeight { a, b, c } => {
                if h <= BREAST_HEIGHT_FT {
                    return f64::NAN;
                }
                let lift = h / (h - BREAST_HEIGHT_FT);
                (a + b * h + c * d * lift) * lift * lift
            }
            FormFactor::HeldWithin { c, low, high } => {
                let factor = c[0] + c[1] * h / d + c[2] / d + c[3] * h * h / d + c[4] / h;
                if factor.is_finite() {
                    factor.max(low).min(high)
                } else {
                    f64::NAN
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DOUGLAS_FIR_1974: FormFactor = FormFactor::ByHeightRange {
        tall: [0.480_961, 42.46542, -10.99643, -0.107_809, -0.004_090_83],
        short: [0.406_098, -0.076_299_8, 0.002_626_15],
    };

    #[test]
    fn bruce_and_demars_meet_the_computed_trees_and_join_at_18_feet() {
        // A Python evaluation of the printed equation, six digits: 12 in, 85 ft; 40 in, 190 ft.
        for (dbh_in, height_ft, volume_ft3) in [(12.0, 85.0, "26.988"), (40.0, 190.0, "470.265")] {
            let volume = DOUGLAS_FIR_1974.volume(dbh_in, height_ft);
            assert_eq!(format!("{volume:.3}"), volume_ft3);
        }
        // Both factors at 3 in and 18 ft, by hand: tall 0.480961 + 0.131066 - 0.101819 - 0.017968 -
        // 0.012272 = 0.479968; short, u = 17.1/13.5 = 1.266667, 0.651562 - 0.465192 + 0.288203 =
        // 0.474573. They differ by 1.1 %.
        let short = DOUGLAS_FIR_1974.factor(3.0, 18.0);
        let tall = DOUGLAS_FIR_1974.factor(3.0, 18.0 + 1e-6);
        assert_eq!(format!("{short:.5} {tall:.5}"), "0.47457 0.47997");
        assert!(DOUGLAS_FIR_1974.volume(1.0, 4.5).is_nan());
        assert!(DOUGLAS_FIR_1974.volume(47.0, 25.0).is_nan());
    }

    #[test]
    fn a_factor_beyond_its_bounds_is_held() {
        // Douglas-fir of MacLean & Berger 1976 by hand. 16 in, 100 ft: 0.248569 + 0.1584525 -
        // 0.0350109 = 0.3720106. 10 in, 100 ft: 0.248569 + 0.253524 - 0.056018 = 0.446075, held to
        // 0.4. 40 in, 60 ft: 0.248569 + 0.038029 - 0.005042 = 0.281556, held to 0.3.
        let factor = FormFactor::HeldWithin {
            c: [0.248_569, 0.025_352_4, 0.0, -0.000_056_017_5, 0.0],
            low: 0.3,
            high: 0.4,
        };
        assert_eq!(format!("{:.7}", factor.factor(16.0, 100.0)), "0.3720106");
        assert!((factor.factor(10.0, 100.0) - 0.4).abs() < 1e-15);
        assert!((factor.factor(40.0, 60.0) - 0.3).abs() < 1e-15);
    }
}
