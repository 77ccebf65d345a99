//! The Ontario profile: cross-section as a rational function of the distance to the tip.
//!
//! Formula: `d^2 = dib^2 f(z) / f(z0)`, `f(z) = (z^2 + beta z^3 + gamma z^4) / (z - s)`, with
//! `z = 1 - h/H`, `z0 = 1 - 1.3/H` and `dib` the diameter inside bark at breast height; `D`, `d`
//! and `dib` in cm, `h` and `H` in m. Its kinds differ in the pole `s` and in the bark. Domain:
//! `0 <= h <= H`, `H > 1.3`, `s > 1`; near the ground the diameter grows without bound as `s`
//! falls to 1.
//! Source: Zakrzewski & Penner 2013, Ontario Forest Research Report 176; the resets of `s` and of
//! the bark factor are those of the later document that carries it.

use crate::species::form::Spec;
use crate::species::taper::{BREAST_HEIGHT_M, Taper};

/// The form with its coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zakrzewski {
    /// Coefficient of the cube.
    beta: f64,
    /// Coefficient of the fourth power.
    gamma: f64,
    /// Where the pole lies.
    pole: Pole,
    /// Diameter inside bark over dbh.
    bark: BarkFactor,
}

/// Where the pole `s` lies, by dbh in cm and height in m.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Pole {
    /// `2 + rho ln(H/D)`.
    Log(f64),
    /// `1 + rho H/D`.
    Linear(f64),
    /// `1 + rho exp(H/D)`.
    Exp(f64),
    /// `1 + (H/D)^rho`.
    Power(f64),
    /// 2 for every tree.
    Two,
}

/// Diameter inside bark at breast height over dbh.
#[derive(Clone, Copy, Debug, PartialEq)]
enum BarkFactor {
    /// `delta + eta 1.3/H`.
    Conifer { delta: f64, eta: f64 },
    /// `1 - exp(1 - (H/1.3)^chi)`.
    Hardwood { chi: f64 },
}

impl Zakrzewski {
    /// The pole `s` of a tree; above 3 it is set to 2, below 1 to 1.2.
    pub(crate) fn pole(&self, dbh: f64, height: f64) -> f64 {
        let slenderness = height / dbh;
        let s = match self.pole {
            Pole::Log(rho) => 2.0 + rho * slenderness.ln(),
            Pole::Linear(rho) => 1.0 + rho * slenderness,
            Pole::Exp(rho) => 1.0 + rho * slenderness.exp(),
            Pole::Power(rho) => 1.0 + slenderness.powf(rho),
            Pole::Two => 2.0,
        };
        if s > 3.0 {
            2.0
        } else if s < 1.0 {
            1.2
        } else {
            s
        }
    }

    /// May the form be trusted with this pole? Where the pole moves with the logarithm of
    /// slenderness it passes close below the ground for stout trees; from 1 to 1.05 the volume
    /// jumps to the double and to four fifths of that at 1.2 (found by comparing volumes along
    /// `s`; no published limit). Elsewhere the pole hardly moves.
    pub(crate) fn trusts(&self, pole: f64) -> bool {
        !matches!(self.pole, Pole::Log(_)) || pole >= 1.05
    }

    /// Diameter inside bark at breast height over dbh; above 1 it is set to 0.984.
    fn bark_factor(&self, height: f64) -> f64 {
        let factor = match self.bark {
            BarkFactor::Conifer { delta, eta } => delta + eta * BREAST_HEIGHT_M / height,
            BarkFactor::Hardwood { chi } => {
                1.0 - (1.0 - (height / BREAST_HEIGHT_M).powf(chi)).exp()
            }
        };
        if factor > 1.0 { 0.984 } else { factor }
    }

    /// `dib^2 / f(z0)` in cm2; `None` where the bark leaves no wood.
    pub(crate) fn square_scale(&self, dbh: f64, height: f64, pole: f64) -> Option<f64> {
        let dib = dbh * self.bark_factor(height);
        (dib > 0.0).then(|| dib * dib / self.shape(1.0 - BREAST_HEIGHT_M / height, pole))
    }

    /// `-f(z)`, which is positive below the tip; the sign cancels in the formula.
    pub(crate) fn shape(&self, z: f64, pole: f64) -> f64 {
        z * z * (1.0 + z * (self.beta + z * self.gamma)) / (pole - z)
    }
}

fn conifer(pole: Pole, c: &[f64]) -> Taper {
    Taper::Zakrzewski2013(Zakrzewski {
        beta: c[0],
        gamma: c[1],
        pole,
        bark: BarkFactor::Conifer {
            delta: c[3],
            eta: c[4],
        },
    })
}

fn hardwood(c: &[f64]) -> Taper {
    Taper::Zakrzewski2013(Zakrzewski {
        beta: c[0],
        gamma: c[1],
        pole: Pole::Two,
        bark: BarkFactor::Hardwood { chi: c[2] },
    })
}

/// The formula, with what differs between the kinds.
macro_rules! formula {
    ($pole:literal, $bark:literal) => {
        concat!(
            "d^2 = dib^2 f(z) / f(1 - 1.3/H); z = 1 - h/H; ",
            "f(z) = (z^2 + beta z^3 + gamma z^4) / (z - s); s = ",
            $pole,
            "; dib = D (",
            $bark,
            "), the factor 0.984 where above 1"
        )
    };
}

const CONIFER: &[&str] = &["beta", "gamma", "rho", "delta", "eta"];

/// Conifers whose pole goes with the logarithm of slenderness.
pub(crate) const LOG: Spec<Taper> = Spec {
    name: "zakrzewski-2013-log",
    coefficients: CONIFER,
    formula: formula!(
        "2 + rho ln(H/D) (2 where above 3, 1.2 where below 1)",
        "delta + eta 1.3/H"
    ),
    build: |c| conifer(Pole::Log(c[2]), c),
};

/// Conifers whose pole goes with slenderness.
pub(crate) const LINEAR: Spec<Taper> = Spec {
    name: "zakrzewski-2013-linear",
    coefficients: CONIFER,
    formula: formula!("1 + rho H/D (2 where above 3)", "delta + eta 1.3/H"),
    build: |c| conifer(Pole::Linear(c[2]), c),
};

/// Conifers whose pole goes with the exponential of slenderness.
pub(crate) const EXP: Spec<Taper> = Spec {
    name: "zakrzewski-2013-exp",
    coefficients: CONIFER,
    formula: formula!("1 + rho exp(H/D) (2 where above 3)", "delta + eta 1.3/H"),
    build: |c| conifer(Pole::Exp(c[2]), c),
};

/// Conifers whose pole goes with a power of slenderness.
pub(crate) const POWER: Spec<Taper> = Spec {
    name: "zakrzewski-2013-power",
    coefficients: CONIFER,
    formula: formula!("1 + (H/D)^rho (2 where above 3)", "delta + eta 1.3/H"),
    build: |c| conifer(Pole::Power(c[2]), c),
};

/// Hardwoods.
pub(crate) const HARDWOOD: Spec<Taper> = Spec {
    name: "zakrzewski-2013-hardwood",
    coefficients: &["beta", "gamma", "chi"],
    formula: formula!("2", "1 - exp(1 - (H/1.3)^chi)"),
    build: hardwood,
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::species::equation::METRIC;
    use crate::species::taper::Profile;
    use crate::units::basal_area_m2;

    fn profile(spec: &Spec<Taper>, coefficients: &[f64], dbh_cm: f64, height_m: f64) -> Profile {
        Profile::new((spec.build)(coefficients), &METRIC, 0.0, dbh_cm, height_m).unwrap()
    }

    const JACK_PINE: &[f64] = &[-1.8347, 0.9598, 0.96, 1.04, -1.06];
    const SUGAR_MAPLE: &[f64] = &[-1.7782, 1.0, 0.6746];

    #[test]
    fn diameter_inside_bark_at_breast_height_is_the_bark_factor_times_dbh() {
        // By hand: jack pine 25 cm x 20 m, 25 (1.04 - 1.06 x 1.3/20) = 24.2775 cm; sugar maple
        // 35 cm x 22 m, 35 (1 - exp(1 - 16.923077^0.6746)) = 34.8876 cm.
        let pine = profile(&LOG, JACK_PINE, 25.0, 20.0);
        assert!((pine.diameter_cm(1.3) - 24.2775).abs() < 1e-10);
        let maple = profile(&HARDWOOD, SUGAR_MAPLE, 35.0, 22.0);
        assert!((maple.diameter_cm(1.3) - 34.8876).abs() < 5e-5);
        // Black spruce of 40 m: 1.05 - 0.8 x 1.3/40 = 1.024 is above 1.
        let spruce = profile(&LOG, &[-1.8332, 0.9874, 1.31, 1.05, -0.8], 50.0, 40.0);
        assert!((spruce.diameter_cm(1.3) - 50.0 * 0.984).abs() < 1e-10);
    }

    #[test]
    fn the_integral_is_the_closed_form() {
        // (z^2 + b z^3 + c z^4)/(z - s) divided out: z (p + 1) at s ... with remainder
        // r = s^2 + b s^3 + c s^4, the integral from 0 to 1 in z is c/4 + (b + c s)/3 +
        // (1 + b s + c s^2)/2 + s (1 + b s + c s^2) + r ln((s - 1)/s).
        let cases = [
            (&LOG, JACK_PINE, 25.0, 20.0, 2.0 + 0.96 * 0.8_f64.ln()),
            (&HARDWOOD, SUGAR_MAPLE, 35.0, 22.0, 2.0),
            (
                &LINEAR,
                &[-1.6401, 0.6572, 0.03, 0.92, 0.0][..],
                60.0,
                25.0,
                1.0125,
            ),
            // Balsam fir so near to the pole that the butt swells.
            (
                &LOG,
                &[-1.5068, 0.6819, 1.51, 0.96, 0.0][..],
                30.0,
                15.5,
                2.0 + 1.51 * (15.5_f64 / 30.0).ln(),
            ),
        ];
        for (spec, coefficients, dbh_cm, height_m, s) in cases {
            let profile = profile(spec, coefficients, dbh_cm, height_m);
            let (b, c) = (coefficients[0], coefficients[1]);
            let slope = 1.0 + b * s + c * s * s;
            let whole = c / 4.0
                + (b + c * s) / 3.0
                + slope / 2.0
                + s * slope
                + s * s * slope * ((s - 1.0) / s).ln();
            let z0 = 1.0 - 1.3 / height_m;
            let at_breast = z0 * z0 * (1.0 + b * z0 + c * z0 * z0) / (z0 - s);
            let area_m2 = basal_area_m2(profile.diameter_cm(1.3));
            let exact = area_m2 * height_m * whole / at_breast;
            let got = profile.volume(0.0, height_m);
            assert!(
                (got.value / exact - 1.0).abs() < 1e-9,
                "{got:?} for {exact}"
            );
            assert!((got.value - exact).abs() <= got.error.max(1e-9 * exact));
        }
    }

    #[test]
    fn a_stem_with_the_pole_at_its_butt_is_outside_the_domain() {
        let fir = [-1.5068, 0.6819, 1.51, 0.96, 0.0];
        assert!(profile(&LOG, &fir, 30.0, 20.0).in_domain());
        // The pole is reset for stouter trees, so that only those between are erratic.
        assert!(!profile(&LOG, &fir, 30.0, 15.5).in_domain());
        assert!(profile(&LOG, &fir, 30.0, 15.0).in_domain());
        let cedar = [-1.6401, 0.6572, 0.03, 0.92, 0.0];
        assert!(profile(&LINEAR, &cedar, 60.0, 25.0).in_domain());
    }

    #[test]
    fn the_pole_is_reset_as_documented() {
        let Taper::Zakrzewski2013(form) = (LOG.build)(JACK_PINE) else {
            panic!("another form");
        };
        // 2 + 0.96 ln(60/20) = 3.05 and 2 + 0.96 ln(5/20) = 0.67.
        assert_eq!(
            format!("{} {}", form.pole(20.0, 60.0), form.pole(20.0, 5.0)),
            "2 1.2"
        );
        assert!((form.pole(20.0, 20.0) - 2.0).abs() < 1e-15);
    }

    #[test]
    fn bark_that_leaves_no_wood_leaves_no_profile() {
        // Red pine barely above breast height: 1.01 - 1.09 x 1.3/1.35 < 0.
        let taper = (LOG.build)(&[-1.9458, 1.0426, 0.66, 1.01, -1.09]);
        assert!(Profile::new(taper, &METRIC, 0.0, 2.0, 1.35).is_none());
    }
}
