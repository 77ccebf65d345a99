//! A stem profile in three segments: butt, lower stem to 17.3 ft, upper stem.
//!
//! In: coefficients as printed, dbh outside bark in inches and total height in feet. Out: squared
//! diameters and volumes, the volumes in closed form.
//!
//! Symbols: `D` and `F` the diameters at 4.5 and 17.3 ft on the bark basis of the profile, in
//! inches; `H` total height and `h` height above ground in feet.
//! - `D = dib_a + dib_b Dob` inside bark, `D = Dob` outside, with `Dob` dbh outside bark;
//! - `F = Dob (f_a + f_b (17.3/H)^2)`;
//! - `h < 4.5`: `d^2 = D^2 (1 + (c + e/D^3) ((1 - h/H)^r - (1 - 4.5/H)^r) / (1 - (1 - 4.5/H)^r))`;
//! - `4.5 <= h <= 17.3`: `d^2 = D^2 - (D^2 - F^2) ((1 - 4.5/H)^p - (1 - h/H)^p) / ((1 - 4.5/H)^p -
//!   (1 - 17.3/H)^p)`;
//! - `h > 17.3`, `y = (h - 17.3)/(H - 17.3)`: `d^2 = F^2 (b (y - 1)^2 + [y < a] ((1 - b)/a^2)
//!   (a - y)^2)`.
//!
//! Domain: `H > 17.3` and `D`, `F` positive, which leaves out trees little higher than 17.3 ft.
//! Source: Clark, Souter & Schlaegel 1991, SE-RP-282 (as carried in later documents).

/// Square feet of a circle of one inch diameter, as the publication rounds it.
const FT2_PER_IN2: f64 = 0.005_454_154;
/// Breast height in feet.
const BREAST_FT: f64 = 4.5;
/// Height of the second diameter in feet.
const UPPER_FT: f64 = 17.3;

/// Coefficients of the profile, as printed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segmented {
    /// Exponent of the butt.
    pub r: f64,
    /// Swell of the butt.
    pub c: f64,
    /// The same, for small trees.
    pub e: f64,
    /// Exponent of the lower stem.
    pub p: f64,
    /// Shape of the upper stem.
    pub b: f64,
    /// Relative height in the upper stem at which its two parabolas join.
    pub a: f64,
    /// Constant and slope of `D` in dbh outside bark.
    pub at_breast: [f64; 2],
    /// Constant of `F/Dob`, and its change with `(17.3/H)^2`.
    pub at_upper: [f64; 2],
}

/// The profile of one tree: squared diameters in square inches, heights in feet.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stem {
    of: Segmented,
    height: f64,
    /// Squares of `D` and `F`.
    d2: f64,
    f2: f64,
    /// `(1 - 4.5/H)^r` and the swell over `1 - (1 - 4.5/H)^r`.
    g: f64,
    w: f64,
    /// `(1 - 4.5/H)^p` and `(D^2 - F^2)` over its fall to `(1 - 17.3/H)^p`.
    x: f64,
    z: f64,
}

impl Segmented {
    /// Profile of a tree; `None` outside the domain.
    pub(super) fn stem(self, dbh_in: f64, height_ft: f64) -> Option<Stem> {
        if height_ft <= UPPER_FT {
            return None;
        }
        let relative = UPPER_FT / height_ft;
        let d = self.at_breast[0] + self.at_breast[1] * dbh_in;
        let f = dbh_in * (self.at_upper[0] + self.at_upper[1] * relative * relative);
        if !(d > 0.0 && f > 0.0) {
            return None;
        }
        let above_breast = 1.0 - BREAST_FT / height_ft;
        let g = above_breast.powf(self.r);
        let x = above_breast.powf(self.p);
        let y = (1.0 - relative).powf(self.p);
        Some(Stem {
            of: self,
            height: height_ft,
            d2: d * d,
            f2: f * f,
            g,
            w: (self.c + self.e / (d * d * d)) / (1.0 - g),
            x,
            z: (d * d - f * f) / (x - y),
        })
    }
}

impl Stem {
    /// Square of the diameter at a height, zero from the tip on.
    pub(super) fn square_of_diameter(&self, h: f64) -> f64 {
        let left = 1.0 - h / self.height;
        if left <= 0.0 {
            0.0
        } else if h < BREAST_FT {
            self.d2 * (1.0 + self.w * (left.powf(self.of.r) - self.g))
        } else if h <= UPPER_FT {
            self.d2 - self.z * (self.x - left.powf(self.of.p))
        } else {
            let Segmented { a, b, .. } = self.of;
            let y = (h - UPPER_FT) / (self.height - UPPER_FT);
            let below_joint = (a - y).max(0.0);
            let tip = (1.0 - y) * (1.0 - y);
            self.f2 * (b * tip + (1.0 - b) / (a * a) * below_joint * below_joint)
        }
    }

    /// Volume between two heights within ground and tip, in cubic feet.
    pub(super) fn volume_ft3(&self, from: f64, to: f64) -> f64 {
        FT2_PER_IN2 * self.integral(from, to)
    }

    /// Integral of the squared diameter between two heights, in square inches times feet.
    fn integral(&self, from: f64, to: f64) -> f64 {
        let part = |low: f64, high: f64, antiderivative: &dyn Fn(f64) -> f64| {
            let (from, to) = (from.clamp(low, high), to.clamp(low, high));
            if to > from {
                antiderivative(to) - antiderivative(from)
            } else {
                0.0
            }
        };
        let Segmented { r, p, a, b, .. } = self.of;
        // The integral of (1 - h/H)^n from the ground.
        let power = |h: f64, n: f64| {
            let left = 1.0 - h / self.height;
            self.height * (1.0 - left.powf(n + 1.0)) / (n + 1.0)
        };
        let butt = |h: f64| self.d2 * ((1.0 - self.w * self.g) * h + self.w * power(h, r));
        let lower = |h: f64| (self.d2 - self.z * self.x) * h + self.z * power(h, p);
        let reach = self.height - UPPER_FT;
        let upper = |h: f64| {
            let y = (h - UPPER_FT) / reach;
            let below_joint = (a - y).max(0.0);
            let tip = b * (1.0 - (1.0 - y).powi(3));
            let joint = (1.0 - b) / (a * a) * (a * a * a - below_joint.powi(3));
            self.f2 * reach * (tip + joint) / 3.0
        };
        part(0.0, BREAST_FT, &butt)
            + part(BREAST_FT, UPPER_FT, &lower)
            + part(UPPER_FT, self.height, &upper)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::quadrature;
    use proptest::prelude::*;

    /// Loblolly pine inside and outside bark, slash pine inside, all hardwoods inside; southwide.
    const STEMS: [Segmented; 4] = [
        Segmented {
            r: 31.6625,
            c: 0.57402,
            e: 110.96,
            p: 8.573,
            b: 2.36238,
            a: 0.68464,
            at_breast: [-0.4814, 0.91413],
            at_upper: [0.85561, -1.31295],
        },
        Segmented {
            r: 25.29597,
            c: 0.5837,
            e: 221.45,
            p: 8.88273,
            b: 2.39522,
            a: 0.70372,
            at_breast: [0.0, 1.0],
            at_upper: [0.92022, -1.04015],
        },
        Segmented {
            r: 32.39761,
            c: 0.77487,
            e: -2.25836,
            p: 4.801,
            b: 2.52226,
            a: 0.73935,
            at_breast: [-0.55073, 0.91887],
            at_upper: [0.85411, -1.34827],
        },
        Segmented {
            r: 5.79579,
            c: 0.7516,
            e: -29.11988,
            p: 13.58742,
            b: 1.25073,
            a: 0.32213,
            at_breast: [-0.33014, 0.94215],
            at_upper: [0.82131, -0.94452],
        },
    ];

    proptest! {
        #[test]
        fn the_closed_form_is_the_integral(
            which in 0_usize..4, dbh in 3.0_f64..40.0, height in 24.0_f64..140.0,
            low in 0.0_f64..1.0, high in 0.0_f64..1.0,
        ) {
            let stem = STEMS[which].stem(dbh, height).unwrap();
            let (from, to) = (low.min(high) * height, low.max(high) * height);
            let joint = UPPER_FT + STEMS[which].a * (height - UPPER_FT);
            // The quadrature runs over smooth stretches only.
            let mut stops = vec![from];
            stops.extend([BREAST_FT, UPPER_FT, joint].iter().filter(|h| **h > from && **h < to));
            stops.push(to);
            let square = |h: f64| stem.square_of_diameter(h);
            let pieces: f64 = stops
                .windows(2)
                .map(|ends| quadrature::integrate(square, ends[0], ends[1], 1e-12).value)
                .sum();
            let closed = stem.integral(from, to);
            prop_assert!((closed - pieces).abs() <= 1e-8 * stem.integral(0.0, height), "{closed} {pieces}");
        }
    }

    #[test]
    fn segments_meet_and_each_height_belongs_to_one() {
        for of in STEMS {
            let stem = of.stem(12.0, 70.0).unwrap();
            for (place, square) in [(BREAST_FT, stem.d2), (UPPER_FT, stem.f2), (70.0, 0.0)] {
                assert!((stem.square_of_diameter(place) - square).abs() < 1e-12);
                for aside in [-1e-9, 1e-9] {
                    let near = stem.square_of_diameter(place + aside);
                    assert!((near - square).abs() < 1e-6, "{place}: {near} {square}");
                }
            }
        }
    }

    #[test]
    fn trees_too_low_for_the_form_have_no_profile() {
        for of in STEMS {
            assert!(of.stem(12.0, 17.3).is_none());
            assert!(of.stem(12.0, 4.0).is_none());
            // The diameter at 17.3 ft comes out negative.
            assert!(of.stem(12.0, 18.0).is_none());
            assert!(of.stem(12.0, f64::NAN).is_none());
        }
        assert!(STEMS[0].stem(0.5, 30.0).is_none());
    }
}
