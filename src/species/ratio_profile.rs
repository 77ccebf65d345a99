//! The stem that follows from a volume and the share of it below each height: its diameters are
//! the slope of that volume.
//!
//! In: whole volumes of one tree inside and outside bark, with the ratio of each. Out: diameter at
//! a height, height of a diameter, volume between two heights, inside or outside bark.

use crate::math::root;
use crate::species::ratio::Ratio;
use crate::units::{CM_PER_IN, M_PER_FT};

/// Square feet in the circle of one inch diameter, as the publication rounds pi/576 (GTR WO-104).
const FT2_PER_IN2_OF_DIAMETER: f64 = 0.005_454_154;

/// A volume and how it lies along the stem.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lying {
    /// Volume of the whole stem.
    pub whole_m3: f64,
    /// Share of it below each height.
    pub ratio: Ratio,
}

/// The stem of one tree by volume and ratio.
///
/// Volume between heights `a` and `b`: `(R(b) - R(a)) V` with the ratio inside bark. Diameter:
/// `d(h) = sqrt(V R'(h/H) / (k H))` with `k = 0.005454154 ft2/in2` (pi/576 as published). Outside
/// bark this is the published diameter model, with `V` the volume outside bark that the
/// publication keeps for this purpose. Inside bark it is the same mathematics on the volume and
/// ratio inside bark, which were fitted apart: the publication gives no diameter inside bark, and
/// the thickness of bark must not be read from the difference of the two.
///
/// Symbols: `V` whole volume, `H` total height, `R(z)` share of the volume below relative height
/// `z`, `R'` its derivative. Domain: from the stump to the tip; below the stump the diameter is
/// that at the stump, while the volume follows the ratio down to the ground.
/// Source: Westfall et al. 2024, GTR WO-104.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RatioProfile {
    /// Total height of the unbroken stem.
    pub height_m: f64,
    /// Height below which the diameter is held.
    pub stump_m: f64,
    /// Wood.
    pub inside: Lying,
    /// Wood and bark.
    pub outside: Lying,
}

impl RatioProfile {
    fn lying(&self, inside_bark: bool) -> &Lying {
        if inside_bark {
            &self.inside
        } else {
            &self.outside
        }
    }

    /// Diameter in cm at a height in m above ground; 0 at the tip and above.
    pub fn diameter_cm(&self, height_above_ground_m: f64, inside_bark: bool) -> f64 {
        let Lying { whole_m3, ratio } = self.lying(inside_bark);
        let relative = height_above_ground_m.max(self.stump_m) / self.height_m;
        let area_m2 = whole_m3 * ratio.density(relative) / self.height_m;
        (area_m2 / (M_PER_FT * M_PER_FT) / FT2_PER_IN2_OF_DIAMETER).sqrt() * CM_PER_IN
    }

    /// Volume of wood inside bark in m3 between two heights in m above ground, exact.
    pub fn volume_m3(&self, from_m: f64, to_m: f64) -> f64 {
        let share = |height_m: f64| self.inside.ratio.share_below(height_m / self.height_m);
        self.inside.whole_m3 * (share(to_m) - share(from_m)).max(0.0)
    }

    /// Height in m above ground of the highest place that is still `diameter_cm` thick; `None` if
    /// no place above the stump is.
    pub fn height_of_diameter(&self, diameter_cm: f64, inside_bark: bool) -> Option<f64> {
        const STEPS: u32 = 32;
        if diameter_cm <= 0.0 {
            return Some(self.height_m);
        }
        let reach_m = self.height_m - self.stump_m;
        if reach_m <= 0.0 {
            return None;
        }
        let excess = |height_m: f64| self.diameter_cm(height_m, inside_bark) - diameter_cm;
        let mut above_m = self.height_m;
        for step in (0..STEPS).rev() {
            let below_m = self.stump_m + reach_m * f64::from(step) / f64::from(STEPS);
            if excess(below_m) >= 0.0 {
                return root::between(excess, below_m, above_m, 1e-12);
            }
            above_m = below_m;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::quadrature;
    use crate::units::M3_PER_FT3;
    use proptest::prelude::*;

    fn lying(whole_m3: f64, alpha: f64, beta: f64) -> Lying {
        Lying {
            whole_m3,
            ratio: Ratio::TwoParameter { alpha, beta },
        }
    }

    fn profile(whole_m3: f64, height_m: f64) -> RatioProfile {
        RatioProfile {
            height_m,
            stump_m: 0.3048,
            inside: lying(whole_m3, 2.3, 0.9),
            outside: lying(1.15 * whole_m3, 2.2, 0.8),
        }
    }

    #[test]
    fn a_cone_is_a_cone() {
        // Below h a cone holds 1 - (1 - h/H)^3 of its volume (geometry): 12 in at the ground and
        // 60 ft tall, half as thick half-way up, a third of it 40 ft up.
        let whole_ft3 = FT2_PER_IN2_OF_DIAMETER * 144.0 * 60.0 / 3.0;
        let cone = lying(whole_ft3 * M3_PER_FT3, 3.0, 1.0);
        let stem = RatioProfile {
            height_m: 60.0 * M_PER_FT,
            stump_m: 0.0,
            inside: cone,
            outside: cone,
        };
        for (height_ft, diameter_in) in [(0.0, 12.0), (30.0, 6.0), (40.0, 4.0), (60.0, 0.0)] {
            let ours = stem.diameter_cm(height_ft * M_PER_FT, false) / CM_PER_IN;
            assert!((ours - diameter_in).abs() < 1e-9, "{ours}");
        }
        let found_m = stem.height_of_diameter(4.0 * CM_PER_IN, true).unwrap();
        assert!((found_m / M_PER_FT - 40.0).abs() < 1e-9);
        assert!((stem.volume_m3(0.0, 30.0 * M_PER_FT) / cone.whole_m3 - 0.875).abs() < 1e-12);
        assert_eq!(stem.height_of_diameter(13.0 * CM_PER_IN, true), None);
    }

    proptest! {
        /// Diameters inside bark integrate to the volume between two heights (to the rounding of
        /// pi/576, 1.7e-8).
        #[test]
        fn diameters_are_the_slope_of_the_volume(
            whole_m3 in 0.05_f64..5.0, height_m in 5.0_f64..60.0, from in 0.05_f64..0.5, step in 0.05_f64..0.4,
        ) {
            let stem = profile(whole_m3, height_m);
            let area = |h: f64| crate::units::basal_area_m2(stem.diameter_cm(h, true));
            let (from_m, to_m) = (from * height_m, (from + step) * height_m);
            prop_assume!(from_m > stem.stump_m);
            let integral = quadrature::integrate(area, from_m, to_m, 1e-10).value;
            prop_assert!((integral / stem.volume_m3(from_m, to_m) - 1.0).abs() < 5e-8);
        }

        #[test]
        fn the_stem_is_that_thick_at_the_height_found(
            whole_m3 in 0.05_f64..5.0, height_m in 5.0_f64..60.0, top in 0.02_f64..0.95, inside in any::<bool>(),
        ) {
            let stem = profile(whole_m3, height_m);
            let top_cm = top * stem.diameter_cm(0.0, inside);
            let found_m = stem.height_of_diameter(top_cm, inside).unwrap();
            prop_assert!((stem.diameter_cm(found_m, inside) - top_cm).abs() < 1e-7 * top_cm.max(1.0));
        }
    }
}
