//! Diameter inside bark at breast height, from dbh.
//!
//! In: dbh outside bark. Out: diameter inside bark there, in the same unit.

use crate::species::form::{Form, Spec};

/// How the diameter inside bark follows from dbh.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum InsideBark {
    /// Power of dbh.
    ///
    /// Formula: `dib = b1 D^b2`, `D` dbh outside bark. Domain: `D > 0`.
    /// Source: Larsen & Hann 1985, OSU Forest Research Laboratory Research Note 77.
    Power {
        /// Factor.
        b1: f64,
        /// Exponent.
        b2: f64,
    },
    /// A line in dbh.
    ///
    /// Formula: `dib = b1 + b2 D`, `D` dbh outside bark. Domain: where the line gives a diameter
    /// between zero and dbh.
    /// Source: Clark, Souter & Schlaegel 1991, SE-RP-282.
    Line {
        /// Constant.
        b1: f64,
        /// Slope.
        b2: f64,
    },
    /// Diameters of the stump, outside and inside bark.
    ///
    /// Formula: `dob(h) = D + dob_b1 D (4.5 - h)/(h + 1)` and `dib(h) = dib_b1 D + dib_b2 D
    /// (4.5 - h)/(h + 1)` with `h` height above ground in feet; at breast height `dib = dib_b1 D`.
    /// Domain: `0 <= h <= 4.5`.
    /// Source: Raile 1982, NC-RP-224 (form from memory).
    Stump {
        /// Swell of the stump outside bark.
        dob_b1: f64,
        /// Diameter inside bark over dbh at breast height.
        dib_b1: f64,
        /// Swell of the stump inside bark.
        dib_b2: f64,
    },
}

/// Breast height in feet.
const BREAST_HEIGHT_FT: f64 = 4.5;

pub(super) const POWER: Spec<Form> = Spec {
    name: "inside-bark-power",
    coefficients: &["b1", "b2"],
    formula: "dib = b1 D^b2",
    build: |c| Form::InsideBark(InsideBark::Power { b1: c[0], b2: c[1] }),
};

pub(super) const LINE: Spec<Form> = Spec {
    name: "inside-bark-line",
    coefficients: &["b1", "b2"],
    formula: "dib = b1 + b2 D",
    build: |c| Form::InsideBark(InsideBark::Line { b1: c[0], b2: c[1] }),
};

pub(super) const STUMP: Spec<Form> = Spec {
    name: "stump-1982",
    coefficients: &["dob_b1", "dib_b1", "dib_b2"],
    formula: "dib(h) = dib_b1 D + dib_b2 D (4.5 - h)/(h + 1), dib_b1 D at breast height; \
              dob(h) = D + dob_b1 D (4.5 - h)/(h + 1); h in feet, 0 to 4.5",
    build: |c| {
        Form::InsideBark(InsideBark::Stump {
            dob_b1: c[0],
            dib_b1: c[1],
            dib_b2: c[2],
        })
    },
};

impl InsideBark {
    /// Diameter inside bark at breast height, in the unit of dbh.
    pub fn diameter(&self, dbh: f64) -> f64 {
        match *self {
            InsideBark::Power { b1, b2 } => b1 * dbh.powf(b2),
            InsideBark::Line { b1, b2 } => b1 + b2 * dbh,
            InsideBark::Stump { dib_b1, .. } => dib_b1 * dbh,
        }
    }

    /// Diameters outside and inside bark at a height of the stump in feet, over dbh; `None` where
    /// the form tells of breast height only, or the height is not between ground and breast height.
    pub fn stump_over_dbh(&self, height_ft: f64) -> Option<(f64, f64)> {
        let InsideBark::Stump {
            dob_b1,
            dib_b1,
            dib_b2,
        } = *self
        else {
            return None;
        };
        if !(0.0..=BREAST_HEIGHT_FT).contains(&height_ft) {
            return None;
        }
        let swell = (BREAST_HEIGHT_FT - height_ft) / (height_ft + 1.0);
        Some((1.0 + dob_b1 * swell, dib_b1 + dib_b2 * swell))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn computed_diameters_are_met() {
        // A Python evaluation of the printed coefficients at 16 in: Douglas-fir of Larsen & Hann
        // 1985 14.0378 in, loblolly pine of Clark et al. 1991 14.1447 in.
        let fir = InsideBark::Power {
            b1: 0.903_563,
            b2: 0.989_388,
        };
        let pine = InsideBark::Line {
            b1: -0.4814,
            b2: 0.91413,
        };
        assert_eq!(format!("{:.4}", fir.diameter(16.0)), "14.0378");
        assert_eq!(format!("{:.4}", pine.diameter(16.0)), "14.1447");
        assert!(fir.stump_over_dbh(1.0).is_none());
    }

    #[test]
    fn the_stump_swells_to_the_ground_and_meets_dbh() {
        // Balsam fir of Raile 1982 by hand: at 1 ft (4.5 - 1)/2 = 1.75, so 1 + 0.12667 x 1.75 =
        // 1.2216725 outside and 0.914 + 0.11975 x 1.75 = 1.1235625 inside.
        let fir = InsideBark::Stump {
            dob_b1: 0.12667,
            dib_b1: 0.914,
            dib_b2: 0.11975,
        };
        let (outside, inside) = fir.stump_over_dbh(1.0).unwrap();
        assert!((outside - 1.221_672_5).abs() < 1e-12 && (inside - 1.123_562_5).abs() < 1e-12);
        assert_eq!(fir.stump_over_dbh(4.5), Some((1.0, 0.914)));
        assert_eq!(fir.stump_over_dbh(5.0), None);
        assert!((fir.diameter(10.0) - 9.14).abs() < 1e-12);
    }
}
