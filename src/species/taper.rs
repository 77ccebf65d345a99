//! Stem profiles: diameter along the stem, and the volumes between two heights.
//!
//! In: coefficients as printed, dbh and total height. Out: diameters, the height of a diameter,
//! and volumes by integration of the cross-section. Conventions of every profile here:
//! - below the stump height of the publication the stem counts as a cylinder, since the forms do
//!   not hold near the ground;
//! - the height of a diameter is the highest place at which the stem is still that thick, searched
//!   from the tip down in steps of 1/32 of the height, then closed in on. For a profile that
//!   falls throughout this is the only such place.
//!
//! To add a form: a variant, its `Spec` in [`SPECS`], its diameter in `square_of_diameter`, its
//! test.

use crate::math::quadrature::{self, Integral};
use crate::math::root;
use crate::species::equation::Units;
use crate::species::form::Spec;
use crate::species::segmented_taper::{Segmented, Stem};
use crate::species::zakrzewski::{self, Zakrzewski};
use crate::units::{M3_PER_FT3, basal_area_m2};

/// Height above ground at which dbh is measured in these publications.
pub(crate) const BREAST_HEIGHT_M: f64 = 1.3;

/// Relative error asked of the integrals, by an estimate that is far on the safe side: one panel
/// of 21 points as a rule, whose true error is below 1e-9 for every published row (tested).
const RELATIVE_TOLERANCE: f64 = 1e-5;

/// A taper equation with its coefficients. `D` is dbh, `H` total height, `h` height above ground,
/// `z = h/H`, `d` the diameter at `h`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Taper {
    /// Variable exponent, by zone.
    ///
    /// Formula: `d = bias a0 D^a1 a2^D X^E`, with `X = (1 - sqrt(z)) / (1 - sqrt(0.01))` and
    /// `E = b0 + b1 z^(1/4) + b2 z^(1/3) + b3 z^(1/2) + b4 asin(1 - sqrt(z)) + b5 / (D/H + z) +
    /// b6 H`; `D` and `d` in cm, `h` and `H` in m, `asin` in radians, `D/H` as is.
    /// Domain: `0.01 H <= h <= H` or so; below, `X` exceeds 1 and the exponent runs wild.
    /// Source: Kozak 1994, report to the B.C. Ministry of Forests (as carried in later documents).
    Kozak1994 {
        /// Factor.
        a0: f64,
        /// Exponent of dbh.
        a1: f64,
        /// Base of the power `a2^D`.
        a2: f64,
        /// Coefficients `b0` to `b6` of the exponent.
        b: [f64; 7],
        /// Multiplier that corrects for fitting logarithms.
        bias: f64,
    },
    /// Variable exponent, the first of its kind.
    ///
    /// Formula: `d = a0 D^a1 a2^D X^E`, with `X = (1 - sqrt(z)) / (1 - sqrt(p))` and
    /// `E = b1 z^2 + b2 ln(z + 0.001) + b3 sqrt(z) + b4 exp(z) + b5 D/H`; `p` is the relative
    /// height of the inflection point; `D` and `d` in cm, `h` and `H` in m, `D/H` as is.
    /// Domain: above the stump; at the ground the logarithm runs wild.
    /// Source: Kozak 1988, Can. J. For. Res. 18:1363-1368 (as carried in a later document).
    Kozak1988 {
        /// Relative height of the inflection point.
        p: f64,
        /// Factor.
        a0: f64,
        /// Exponent of dbh.
        a1: f64,
        /// Base of the power `a2^D`.
        a2: f64,
        /// Coefficients `b1` to `b5` of the exponent.
        b: [f64; 5],
    },
    /// Cross-section as a rational function of the distance to the tip; see [`zakrzewski`].
    Zakrzewski2013(Zakrzewski),
    /// Power of relative height with random effects on its exponent.
    ///
    /// Formula: `d^2 = D^2 (H - h)/(H - 1.3) (h/1.3)^(2 - b2) [1 + 0.5 s2 ln(h/1.3)^2]`, with
    /// `s2 = sd_i_b2^2 + sd_ij_b2^2 + sd_ijk_b2^2`, the variances of the random effects; the
    /// bracket is the second-order correction for them. `D` and `d` in cm, `h` and `H` in m.
    /// Domain: `0 < h <= H`, `H > 1.3`; the power diverges at the ground.
    /// Source: Ung, Guo & Fortin 2013, For. Chron. 89:211-224, table 4 (as carried in a later
    /// document).
    Ung2013 {
        /// Exponent coefficient.
        b2: f64,
        /// Sum of the variances of the random effects.
        s2: f64,
    },
    /// Three segments with a diameter at 17.3 ft; volumes in closed form.
    ///
    /// Formula, symbols and domain: [`crate::species::segmented_taper`]. In inches and feet.
    /// Source: Clark, Souter & Schlaegel 1991, SE-RP-282 (as carried in later documents).
    Segmented(Segmented),
}

/// Every taper form.
pub const SPECS: &[Spec<Taper>] = &[
    Spec {
        name: "kozak-1994",
        coefficients: &[
            "a0", "a1", "a2", "b0", "b1", "b2", "b3", "b4", "b5", "b6", "bias",
        ],
        formula: "d = bias a0 D^a1 a2^D X^E; z = h/H; X = (1 - sqrt(z)) / 0.9; \
                  E = b0 + b1 z^(1/4) + b2 z^(1/3) + b3 z^(1/2) + b4 asin(1 - sqrt(z)) \
                  + b5 / (D/H + z) + b6 H",
        build: |c| Taper::Kozak1994 {
            a0: c[0],
            a1: c[1],
            a2: c[2],
            b: [c[3], c[4], c[5], c[6], c[7], c[8], c[9]],
            bias: c[10],
        },
    },
    Spec {
        name: "kozak-1988",
        coefficients: &["p", "a0", "a1", "a2", "b1", "b2", "b3", "b4", "b5"],
        formula: "d = a0 D^a1 a2^D X^E; z = h/H; X = (1 - sqrt(z)) / (1 - sqrt(p)); \
                  E = b1 z^2 + b2 ln(z + 0.001) + b3 sqrt(z) + b4 exp(z) + b5 D/H",
        build: |c| Taper::Kozak1988 {
            p: c[0],
            a0: c[1],
            a1: c[2],
            a2: c[3],
            b: [c[4], c[5], c[6], c[7], c[8]],
        },
    },
    zakrzewski::LOG,
    zakrzewski::LINEAR,
    zakrzewski::EXP,
    zakrzewski::POWER,
    zakrzewski::HARDWOOD,
    Spec {
        name: "ung-2013",
        coefficients: &["b2", "sd_i_b2", "sd_ij_b2", "sd_ijk_b2"],
        formula: "d^2 = D^2 (H - h)/(H - 1.3) (h/1.3)^(2 - b2) [1 + 0.5 s2 ln(h/1.3)^2]; \
                  s2 = sd_i_b2^2 + sd_ij_b2^2 + sd_ijk_b2^2",
        build: |c| Taper::Ung2013 {
            b2: c[0],
            s2: c[1] * c[1] + c[2] * c[2] + c[3] * c[3],
        },
    },
    Spec {
        name: "segmented-1991-inside",
        coefficients: &["r", "c", "e", "p", "b", "a", "dib_a", "dib_b", "f_a", "f_b"],
        formula: SEGMENTED_INSIDE,
        build: |c| {
            Taper::Segmented(Segmented {
                r: c[0],
                c: c[1],
                e: c[2],
                p: c[3],
                b: c[4],
                a: c[5],
                at_breast: [c[6], c[7]],
                at_upper: [c[8], c[9]],
            })
        },
    },
    Spec {
        name: "segmented-1991-outside",
        coefficients: &["r", "c", "e", "p", "b", "a", "f_a", "f_b"],
        formula: SEGMENTED_OUTSIDE,
        build: |c| {
            Taper::Segmented(Segmented {
                r: c[0],
                c: c[1],
                e: c[2],
                p: c[3],
                b: c[4],
                a: c[5],
                at_breast: [0.0, 1.0],
                at_upper: [c[6], c[7]],
            })
        },
    },
];

/// The three segments, in terms of the diameters at 4.5 and 17.3 ft.
macro_rules! segments {
    ($at_breast:literal) => {
        concat!(
            $at_breast,
            "F = Dob (f_a + f_b (17.3/H)^2); h < 4.5: d^2 = D^2 (1 + (c + e/D^3) ((1 - h/H)^r - ",
            "(1 - 4.5/H)^r) / (1 - (1 - 4.5/H)^r)); 4.5 <= h <= 17.3: d^2 = D^2 - (D^2 - F^2) ",
            "((1 - 4.5/H)^p - (1 - h/H)^p) / ((1 - 4.5/H)^p - (1 - 17.3/H)^p); h > 17.3: d^2 = F^2 ",
            "(b (y - 1)^2 + [y < a] (1 - b)/a^2 (a - y)^2), y = (h - 17.3)/(H - 17.3)"
        )
    };
}
const SEGMENTED_INSIDE: &str = segments!("D = dib_a + dib_b Dob; ");
const SEGMENTED_OUTSIDE: &str = segments!("D = Dob; ");

/// The profile of one tree.
#[derive(Clone, Copy, Debug)]
pub struct Profile {
    taper: Taper,
    /// Dbh and height in the units of the form.
    dbh: f64,
    height: f64,
    /// Logarithm of the factors that are the same all along the stem.
    log_scale: f64,
    /// Place of the pole, where the form has one.
    pole: f64,
    /// The segments of a profile that has them.
    segments: Option<Stem>,
    dbh_per_cm: f64,
    height_per_m: f64,
    height_m: f64,
    stump_m: f64,
}

impl Profile {
    /// Profile of a tree; `stump_m` is the height below which the stem counts as a cylinder.
    /// `None` where the forms do not hold: a dbh that is not positive, a total height that does
    /// not exceed breast height.
    pub fn new(
        taper: Taper,
        units: &Units,
        stump_m: f64,
        dbh_cm: f64,
        height_m: f64,
    ) -> Option<Self> {
        if !(dbh_cm > 0.0 && height_m > BREAST_HEIGHT_M.max(stump_m)) {
            return None;
        }
        let dbh = dbh_cm * units.dbh_per_cm;
        let height = height_m * units.height_per_m;
        let mut pole = f64::NAN;
        let log_scale = match taper {
            Taper::Kozak1994 {
                a0, a1, a2, bias, ..
            } => (bias * a0).ln() + a1 * dbh.ln() + dbh * a2.ln(),
            Taper::Kozak1988 { a0, a1, a2, .. } => a0.ln() + a1 * dbh.ln() + dbh * a2.ln(),
            Taper::Zakrzewski2013(form) => {
                pole = form.pole(dbh, height);
                form.square_scale(dbh, height, pole)?.ln()
            }
            Taper::Ung2013 { .. } => (dbh * dbh / (height - BREAST_HEIGHT_M)).ln(),
            Taper::Segmented(_) => 0.0,
        };
        let segments = match taper {
            Taper::Segmented(segmented) => Some(segmented.stem(dbh, height)?),
            _ => None,
        };
        Some(Profile {
            taper,
            dbh,
            height,
            log_scale,
            pole,
            segments,
            dbh_per_cm: units.dbh_per_cm,
            height_per_m: units.height_per_m,
            height_m,
            stump_m,
        })
    }

    /// Is the tree one for which the form may be trusted? What lies outside still has a profile.
    pub fn in_domain(&self) -> bool {
        match &self.taper {
            Taper::Zakrzewski2013(form) => form.trusts(self.pole),
            Taper::Kozak1988 { .. }
            | Taper::Kozak1994 { .. }
            | Taper::Ung2013 { .. }
            | Taper::Segmented(_) => true,
        }
    }

    /// Square of the diameter at a height, in the units of the form.
    fn square_of_diameter(&self, h: f64) -> f64 {
        if h >= self.height {
            return 0.0;
        }
        match self.taper {
            Taper::Segmented(_) => self.segments.map_or(0.0, |stem| stem.square_of_diameter(h)),
            Taper::Kozak1994 { b, .. } => {
                let z = h / self.height;
                let root = z.sqrt();
                let exponent = b[0]
                    + b[1] * root.sqrt()
                    + b[2] * z.cbrt()
                    + b[3] * root
                    + b[4] * (1.0 - root).asin()
                    + b[5] / (self.dbh / self.height + z)
                    + b[6] * self.height;
                let x = (1.0 - root) / (1.0 - 0.01_f64.sqrt());
                (2.0 * (self.log_scale + exponent * x.ln())).exp()
            }
            Taper::Kozak1988 { p, b, .. } => {
                let z = h / self.height;
                let root = z.sqrt();
                let exponent = b[0] * z * z
                    + b[1] * (z + 0.001).ln()
                    + b[2] * root
                    + b[3] * z.exp()
                    + b[4] * self.dbh / self.height;
                let x = (1.0 - root) / (1.0 - p.sqrt());
                (2.0 * (self.log_scale + exponent * x.ln())).exp()
            }
            Taper::Zakrzewski2013(form) => {
                self.log_scale.exp() * form.shape(1.0 - h / self.height, self.pole)
            }
            Taper::Ung2013 { b2, s2 } => {
                let log_relative = (h / BREAST_HEIGHT_M).ln();
                (self.height - h)
                    * (self.log_scale + (2.0 - b2) * log_relative).exp()
                    * (1.0 + 0.5 * s2 * log_relative * log_relative)
            }
        }
    }

    /// Diameter in cm at a height in m above ground; below the stump height the diameter there,
    /// above the tip zero.
    pub fn diameter_cm(&self, height_above_ground_m: f64) -> f64 {
        let h = height_above_ground_m.max(self.stump_m) * self.height_per_m;
        self.square_of_diameter(h).sqrt() / self.dbh_per_cm
    }

    /// Volume in m3 between two heights in m above ground, held within ground and tip; with the
    /// estimate of its error.
    pub fn volume(&self, from_m: f64, to_m: f64) -> Integral {
        let from_m = from_m.clamp(0.0, self.height_m);
        let to_m = to_m.clamp(from_m, self.height_m);
        let stump_section_m = (to_m.min(self.stump_m) - from_m).max(0.0);
        let stump_m3 = stump_section_m * basal_area_m2(self.diameter_cm(self.stump_m));
        let from_m = from_m.max(self.stump_m);
        if to_m <= from_m {
            return Integral {
                value: stump_m3,
                error: 0.0,
                evaluations: 1,
            };
        }
        if let Some(stem) = &self.segments {
            let (from, to) = (from_m * self.height_per_m, to_m * self.height_per_m);
            return Integral {
                value: stump_m3 + stem.volume_ft3(from, to) * M3_PER_FT3,
                error: 0.0,
                evaluations: 1,
            };
        }
        // Near the ground the forms run on roots of h, near the tip on powers of the distance to
        // it. With h = H w^3 and w = w_to - (w_to - w_from) s^2 the integrand is smooth in s.
        let (start, end) = (
            (from_m / self.height_m).cbrt(),
            (to_m / self.height_m).cbrt(),
        );
        let span = end - start;
        let integrand = |s: f64| {
            let w = end - span * s * s;
            self.square_of_diameter(self.height * w * w * w) * w * w * s
        };
        let upper = quadrature::integrate(integrand, 0.0, 1.0, RELATIVE_TOLERANCE);
        let factor = basal_area_m2(1.0 / self.dbh_per_cm) * self.height_m * 6.0 * span;
        Integral {
            value: stump_m3 + factor * upper.value,
            error: factor * upper.error,
            evaluations: upper.evaluations + 1,
        }
    }

    /// Height in m above ground of the highest place that is still `diameter_cm` thick; `None` if
    /// no place above the stump is.
    pub fn height_of_diameter(&self, diameter_cm: f64) -> Option<f64> {
        const STEPS: u32 = 32;
        if diameter_cm <= 0.0 {
            return Some(self.height_m);
        }
        let reach_m = self.height_m - self.stump_m;
        let excess = |height_m: f64| self.diameter_cm(height_m) - diameter_cm;
        let mut above_m = self.height_m;
        for step in (0..STEPS).rev() {
            let below_m = self.stump_m + reach_m * f64::from(step) / f64::from(STEPS);
            if excess(below_m) >= 0.0 {
                return root::between(excess, below_m, above_m, 1e-10);
            }
            above_m = below_m;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::species::equation::METRIC;
    use proptest::prelude::*;

    fn kozak() -> Taper {
        // Douglas-fir, zone CWH, Kozak 1994.
        (SPECS[0].build)(&[
            1.207477, 0.945081, 0.999882, 87.2869, -211.746, 194.852, -69.6317, -47.3302,
            -0.259553, 0.0006013, 1.0061,
        ])
    }

    fn ung() -> Taper {
        // Douglas-fir, Ung et al. 2013, table 4.
        (SPECS[7].build)(&[2.1436, 0.0, 0.0398, 0.0564])
    }

    /// Every form, with coefficients of a published row (sets ca-*-taper-*), and the height below
    /// which it counts as a cylinder.
    fn every_form() -> Vec<(Taper, f64)> {
        let build = |name: &str, coefficients: &[f64]| {
            let spec = SPECS.iter().find(|spec| spec.name == name).unwrap();
            assert_eq!(spec.coefficients.len(), coefficients.len());
            (spec.build)(coefficients)
        };
        let douglas_fir = [
            0.25, 1.02453, 0.88809, 1.00035, 0.95086, -0.1809, 0.61407, -0.35106, 0.05686,
        ];
        vec![
            (kozak(), 0.3),
            (ung(), 0.3),
            (build("kozak-1988", &douglas_fir), 0.3),
            (
                build("zakrzewski-2013-log", &[-1.8347, 0.9598, 0.96, 1.04, -1.06]),
                0.0,
            ),
            (
                build(
                    "zakrzewski-2013-linear",
                    &[-1.6401, 0.6572, 0.03, 0.92, 0.0],
                ),
                0.0,
            ),
            (
                build(
                    "zakrzewski-2013-power",
                    &[-1.4544, 0.6622, 1.74, 1.08, -0.85],
                ),
                0.0,
            ),
            (
                build("zakrzewski-2013-hardwood", &[-1.7782, 1.0, 0.6746]),
                0.0,
            ),
        ]
    }

    proptest! {
        #[test]
        fn parts_add_to_the_whole(
            form in 0_usize..7, dbh_cm in 5.0_f64..150.0, height_m in 5.0_f64..70.0,
            cut in 0.0_f64..1.0, stump in 0.0_f64..0.5,
        ) {
            let (taper, cylinder_m) = every_form().swap_remove(form);
            let profile = Profile::new(taper, &METRIC, cylinder_m, dbh_cm, height_m).unwrap();
            let cut_m = cut * height_m;
            let whole = profile.volume(stump, height_m);
            let below = profile.volume(stump, cut_m);
            let above = profile.volume(cut_m.max(stump), height_m);
            let stated = whole.error + below.error + above.error;
            prop_assert!((below.value + above.value - whole.value).abs() <= stated + 1e-9 * whole.value);
        }

        #[test]
        fn the_stem_has_the_diameter_at_the_height_found(
            form in 0_usize..7, dbh_cm in 5.0_f64..150.0, height_m in 5.0_f64..70.0,
            top in 0.05_f64..0.7,
        ) {
            let (taper, cylinder_m) = every_form().swap_remove(form);
            let profile = Profile::new(taper, &METRIC, cylinder_m, dbh_cm, height_m).unwrap();
            let found = profile.height_of_diameter(top * dbh_cm);
            prop_assert!(found.is_some());
            prop_assert!((profile.diameter_cm(found.unwrap()) - top * dbh_cm).abs() < 1e-6);
        }
    }

    #[test]
    fn the_profile_of_1988_is_the_tree_worked_by_hand() {
        // Douglas-fir of the paper, 40 cm x 30 m, computed independently: 33.094 cm at breast
        // height, 10 cm thick at 25.5806 m; 1.23467 m3, of which 1.18545 m3 up to there.
        let (taper, _) = every_form().swap_remove(2);
        let profile = Profile::new(taper, &METRIC, 0.3, 40.0, 30.0).unwrap();
        let top_m = profile.height_of_diameter(10.0).unwrap();
        assert_eq!(
            format!("{:.3} {top_m:.4}", profile.diameter_cm(1.3)),
            "33.094 25.5806"
        );
        let (whole, below) = (profile.volume(0.0, 30.0), profile.volume(0.3, top_m));
        assert_eq!(
            format!("{:.5} {:.5}", whole.value, below.value),
            "1.23467 1.18545"
        );
    }

    #[test]
    fn diameter_at_breast_height_is_dbh_where_the_form_says_so() {
        let profile = Profile::new(ung(), &METRIC, 0.3, 40.0, 30.0).unwrap();
        assert!((profile.diameter_cm(1.3) - 40.0).abs() < 1e-12);
        assert_eq!(format!("{}", profile.diameter_cm(30.0)), "0");
        assert_eq!(format!("{}", profile.diameter_cm(31.0)), "0");
    }

    #[test]
    fn the_integral_is_the_closed_form_where_there_is_one() {
        // Without random effects the 2013 form is a sum of powers of h: the integral of
        // (H - h) h^p is H h^(p+1)/(p+1) - h^(p+2)/(p+2), with p = 2 - b2.
        let b2 = 2.1436;
        let taper = (SPECS[7].build)(&[b2, 0.0, 0.0, 0.0]);
        for (dbh_cm, height_m) in [(40.0, 30.0), (8.0, 6.0), (140.0, 65.0)] {
            let profile = Profile::new(taper, &METRIC, 0.3, dbh_cm, height_m).unwrap();
            let p = 2.0 - b2;
            let antiderivative =
                |h: f64| height_m * h.powf(p + 1.0) / (p + 1.0) - h.powf(p + 2.0) / (p + 2.0);
            let scale = basal_area_m2(dbh_cm) / (height_m - 1.3) / 1.3_f64.powf(p);
            for (from_m, to_m) in [(0.3, height_m), (0.3, 0.7 * height_m), (2.0, 5.0)] {
                let exact = scale * (antiderivative(to_m) - antiderivative(from_m));
                let got = profile.volume(from_m, to_m);
                assert!(
                    (got.value / exact - 1.0).abs() < 1e-10,
                    "{got:?} for {exact}"
                );
            }
        }
    }

    #[test]
    fn the_same_tree_in_other_units_is_the_same_tree() {
        // A profile whose form asks for millimetres and decimetres of the same stem.
        let other = Units {
            dbh_per_cm: 10.0,
            ..METRIC
        };
        let metric = Profile::new(ung(), &METRIC, 0.3, 40.0, 30.0).unwrap();
        let profile = Profile::new(ung(), &other, 0.3, 40.0, 30.0).unwrap();
        assert!((profile.diameter_cm(10.0) - metric.diameter_cm(10.0)).abs() < 1e-12);
        let (a, b) = (profile.volume(0.0, 30.0), metric.volume(0.0, 30.0));
        assert!((a.value / b.value - 1.0).abs() < 1e-12);
    }

    #[test]
    fn trees_without_a_profile_are_refused() {
        for (dbh_cm, height_m) in [(0.0, 20.0), (-1.0, 20.0), (20.0, 1.3), (20.0, 0.0)] {
            assert!(Profile::new(kozak(), &METRIC, 0.3, dbh_cm, height_m).is_none());
        }
        assert!(Profile::new(kozak(), &METRIC, 0.3, f64::NAN, 20.0).is_none());
    }
}
