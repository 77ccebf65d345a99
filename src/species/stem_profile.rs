//! The profile of one stem, whichever way its publication gives it.
//!
//! In: a taper equation, with the bark of the stem where the design names a bark set; or a volume
//! with the share of it below each height. Out: diameters, heights of diameters, volumes between
//! heights, inside or outside bark.

use crate::math::quadrature::Integral;
use crate::species::bark::StemBark;
use crate::species::ratio_profile::RatioProfile;
use crate::species::taper::Profile;

/// The profile of one stem.
#[derive(Clone, Debug)]
#[expect(
    clippy::large_enum_variant,
    reason = "one lives at a time, on the stack; a box would cost more than it saves"
)]
pub enum StemProfile {
    /// From a taper equation.
    Taper {
        /// The taper equation, on the bark basis of its set.
        taper: Profile,
        /// How its diameters go to the other basis. Without it the equation has one basis only,
        /// which is given whatever is asked for.
        bark: Option<StemBark>,
    },
    /// From volumes and their ratios; volumes are inside bark, diameters on either basis.
    Ratio(RatioProfile),
}

/// Diameters inside or outside bark over those of the taper equation; `None` where the stem has no
/// sound bark ratio.
fn per_taper(bark: Option<&StemBark>, inside_bark: bool) -> Option<f64> {
    bark.map_or(Some(1.0), |bark| bark.per_taper(inside_bark))
}

impl StemProfile {
    /// Is the tree one for which the form may be trusted?
    pub fn in_domain(&self) -> bool {
        match self {
            StemProfile::Taper { taper, .. } => taper.in_domain(),
            StemProfile::Ratio(_) => true,
        }
    }

    /// Are there diameters inside or outside bark? Not where these rest on a bark ratio that the
    /// bark set does not give for the tree: it holds nothing on that basis.
    pub fn has_basis(&self, inside_bark: bool) -> bool {
        match self {
            StemProfile::Taper { bark, .. } => per_taper(bark.as_ref(), inside_bark).is_some(),
            StemProfile::Ratio(_) => true,
        }
    }

    /// Diameter in cm at a height in m above ground, on the bark basis of the volumes; zero above
    /// the tip.
    pub fn diameter_cm(&self, height_above_ground_m: f64) -> f64 {
        match self {
            StemProfile::Taper { taper, .. } => taper.diameter_cm(height_above_ground_m),
            StemProfile::Ratio(profile) => profile.diameter_cm(height_above_ground_m, true),
        }
    }

    /// The same inside or outside bark; zero where the stem has no such basis.
    pub fn diameter_on_basis_cm(&self, height_above_ground_m: f64, inside_bark: bool) -> f64 {
        match self {
            StemProfile::Taper { taper, bark } => per_taper(bark.as_ref(), inside_bark)
                .map_or(0.0, |per_taper| {
                    taper.diameter_cm(height_above_ground_m) * per_taper
                }),
            StemProfile::Ratio(profile) => profile.diameter_cm(height_above_ground_m, inside_bark),
        }
    }

    /// Height in m above ground of the highest place that is still `diameter_cm` thick inside or
    /// outside bark; `None` if no place above the stump is, or the stem has no such basis.
    pub fn height_of_basis_diameter(&self, diameter_cm: f64, inside_bark: bool) -> Option<f64> {
        match self {
            StemProfile::Taper { taper, bark } => {
                taper.height_of_diameter(diameter_cm / per_taper(bark.as_ref(), inside_bark)?)
            }
            StemProfile::Ratio(profile) => profile.height_of_diameter(diameter_cm, inside_bark),
        }
    }

    /// Volume in m3 between two heights in m above ground, on the bark basis of the volumes, with
    /// the estimate of its numerical error.
    pub fn volume(&self, from_m: f64, to_m: f64) -> Integral {
        match self {
            StemProfile::Taper { taper, .. } => taper.volume(from_m, to_m),
            StemProfile::Ratio(profile) => Integral {
                value: profile.volume_m3(from_m, to_m),
                error: 0.0,
                evaluations: 2,
            },
        }
    }

    /// The same of the wood inside bark; zero where the stem has no such basis.
    pub fn wood_volume(&self, from_m: f64, to_m: f64) -> Integral {
        let volume = self.volume(from_m, to_m);
        let per_volume = match self {
            StemProfile::Taper { bark, .. } => {
                per_taper(bark.as_ref(), true).map_or(0.0, |per_taper| per_taper * per_taper)
            }
            StemProfile::Ratio(_) => 1.0,
        };
        Integral {
            value: volume.value * per_volume,
            error: volume.error * per_volume,
            ..volume
        }
    }
}
