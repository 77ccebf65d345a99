//! The profile of one stem, whichever way its publication gives it.
//!
//! In: a taper equation, or a volume with the share of it below each height. Out: diameters,
//! heights of diameters, volumes between heights.

use crate::math::quadrature::Integral;
use crate::species::ratio_profile::RatioProfile;
use crate::species::taper::Profile;

/// The profile of one stem.
#[derive(Clone, Debug)]
#[expect(
    clippy::large_enum_variant,
    reason = "one lives at a time, on the stack; a box would cost more than it saves"
)]
pub enum StemProfile {
    /// From a taper equation, on the bark basis of its set.
    Taper(Profile),
    /// From volumes and their ratios; volumes are inside bark, diameters on either basis.
    Ratio(RatioProfile),
}

impl StemProfile {
    /// Is the tree one for which the form may be trusted?
    pub fn in_domain(&self) -> bool {
        match self {
            StemProfile::Taper(profile) => profile.in_domain(),
            StemProfile::Ratio(_) => true,
        }
    }

    /// Diameter in cm at a height in m above ground, on the bark basis of the volumes; zero above
    /// the tip.
    pub fn diameter_cm(&self, height_above_ground_m: f64) -> f64 {
        self.diameter_on_basis_cm(height_above_ground_m, true)
    }

    /// The same inside or outside bark. A taper equation has one basis only, that of its set,
    /// which is given whatever is asked for.
    pub fn diameter_on_basis_cm(&self, height_above_ground_m: f64, inside_bark: bool) -> f64 {
        match self {
            StemProfile::Taper(profile) => profile.diameter_cm(height_above_ground_m),
            StemProfile::Ratio(profile) => profile.diameter_cm(height_above_ground_m, inside_bark),
        }
    }

    /// Height in m above ground of the highest place that is still `diameter_cm` thick, on the
    /// bark basis of the volumes; `None` if no place above the stump is.
    pub fn height_of_diameter(&self, diameter_cm: f64) -> Option<f64> {
        self.height_of_basis_diameter(diameter_cm, true)
    }

    /// The same for a diameter inside or outside bark; as with
    /// [`StemProfile::diameter_on_basis_cm`], a taper equation knows its own basis only.
    pub fn height_of_basis_diameter(&self, diameter_cm: f64, inside_bark: bool) -> Option<f64> {
        match self {
            StemProfile::Taper(profile) => profile.height_of_diameter(diameter_cm),
            StemProfile::Ratio(profile) => profile.height_of_diameter(diameter_cm, inside_bark),
        }
    }

    /// Volume in m3 between two heights in m above ground, with the estimate of its numerical
    /// error.
    pub fn volume(&self, from_m: f64, to_m: f64) -> Integral {
        match self {
            StemProfile::Taper(profile) => profile.volume(from_m, to_m),
            StemProfile::Ratio(profile) => Integral {
                value: profile.volume_m3(from_m, to_m),
                error: 0.0,
                evaluations: 2,
            },
        }
    }
}
