//! The stem of one tree by the national-scale system of the United States: its volume, the heights
//! of the top diameters, and the parts between them.
//!
//! In: the set with the equations chosen for the species, dbh, height, break, cull. Out:
//! [`NationalStem`] in feet and cubic feet.
//!
//! Source: Westfall et al. 2024, GTR WO-104, and its chapter of tree-level examples.

use crate::species::Kind;
use crate::species::national::NationalEquations;
use crate::species::set::VolumeSet;
use crate::stems::volume::StemInput;
use crate::units::{CM_PER_IN, M_PER_FT, M3_PER_FT3};

/// Height of the stump.
const STUMP_FT: f64 = 1.0;
/// Top diameter outside bark of the merchantable stem.
const MERCHANTABLE_TOP_IN: f64 = 4.0;
/// Least dbh of a tree with a merchantable stem.
const MERCHANTABLE_DBH_IN: f64 = 5.0;

/// Wood and bark of a part of the stem, both in ft3 or both in lb.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WoodAndBark {
    /// Wood.
    pub wood: f64,
    /// Bark.
    pub bark: f64,
}

impl WoodAndBark {
    /// Wood and bark together.
    pub fn both(self) -> f64 {
        self.wood + self.bark
    }

    pub(super) fn times(self, wood: f64, bark: f64) -> Self {
        WoodAndBark {
            wood: self.wood * wood,
            bark: self.bark * bark,
        }
    }
}

/// Volumes of the stem and its parts, ft3. Parts are `None` for trees too thin to have them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StemParts {
    /// All of it.
    pub total: WoodAndBark,
    /// Below 1 ft.
    pub stump: Option<WoodAndBark>,
    /// From the stump to 4 in outside bark (trees of 5 in and more).
    pub merchantable: Option<WoodAndBark>,
    /// From the stump to 7 in (softwoods of 9 in and more) or 9 in (hardwoods of 11 in and more)
    /// outside bark; part of the merchantable stem.
    pub sawlog: Option<WoodAndBark>,
    /// Above the merchantable stem.
    pub top: Option<WoodAndBark>,
}

/// Volumes, heights and shares of one stem. `gross` is the unbroken stem; `standing` ends at the
/// break; `sound` is the standing stem less the cull of its wood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NationalStem {
    /// Height of the merchantable top of the unbroken stem.
    pub merchantable_height_ft: Option<f64>,
    /// Height of the sawlog top of the unbroken stem.
    pub sawlog_height_ft: Option<f64>,
    /// Share of the volume in the stump.
    pub stump_ratio: f64,
    /// Share below the merchantable height.
    pub merchantable_ratio: Option<f64>,
    /// Share below the sawlog height.
    pub sawlog_ratio: Option<f64>,
    /// Share below the break; 1 without one.
    pub break_ratio: f64,
    /// Volumes of the unbroken stem.
    pub gross: StemParts,
    /// Volumes up to the break.
    pub standing: StemParts,
    /// Volumes up to the break, wood less cull.
    pub sound: StemParts,
    /// Volume above the break.
    pub missing: WoodAndBark,
}

/// Is a tree as thick as that? 5 in, kept as 12.7 cm, must still be 5 in.
fn reaches(dbh_in: f64, least_in: f64) -> bool {
    dbh_in >= least_in * (1.0 - 1e-12)
}

/// Volumes of a stem; `None` outside the domain of the equations.
pub(super) fn national_stem(
    set: &VolumeSet,
    equations: &NationalEquations,
    input: &StemInput,
    cull_pct: f64,
) -> Option<NationalStem> {
    let profile = set.ratio_profile(
        [equations.wood, equations.ratio],
        [equations.outside, equations.ratio_outside],
        input,
    )?;
    let total = WoodAndBark {
        wood: profile.inside.whole_m3 / M3_PER_FT3,
        bark: set.evaluate(equations.bark, input)? / M3_PER_FT3,
    };
    let (sawlog_top_in, sawlog_dbh_in) = match equations.kind {
        Kind::Softwood => (7.0, 9.0),
        Kind::Hardwood | Kind::Unknown => (9.0, 11.0),
    };
    let dbh_in = input.dbh_cm / CM_PER_IN;
    let ratio = |height_m: f64| {
        profile
            .inside
            .ratio
            .share_below(height_m / profile.height_m)
    };
    let height_of = |top_in: f64, least_in: f64| {
        // A stem nowhere that thick ends at its stump.
        let stump_m = STUMP_FT * M_PER_FT;
        reaches(dbh_in, least_in).then(|| {
            profile
                .height_of_diameter(top_in * CM_PER_IN, false)
                .unwrap_or(stump_m)
        })
    };
    let merchantable_m = height_of(MERCHANTABLE_TOP_IN, MERCHANTABLE_DBH_IN);
    let sawlog_m = height_of(sawlog_top_in, sawlog_dbh_in);
    let break_m = input.break_m().unwrap_or(input.height_m);
    let stump_ratio = ratio(STUMP_FT * M_PER_FT);
    let break_ratio = ratio(break_m);
    // The ratio of the wood serves the bark too.
    let section = |share: f64| total.times(share, share);
    let parts = |end_m: f64| {
        let end_ratio = ratio(end_m);
        let stump_ratio = stump_ratio.min(end_ratio);
        let up_to = |top_m: Option<f64>| top_m.map(|top_m| ratio(top_m.min(end_m)));
        let from_stump = |share: f64| section((share - stump_ratio).max(0.0));
        let merchantable_ratio = up_to(merchantable_m);
        StemParts {
            total: section(end_ratio),
            stump: merchantable_ratio.map(|_| section(stump_ratio)),
            merchantable: merchantable_ratio.map(from_stump),
            sawlog: up_to(sawlog_m).map(from_stump),
            top: merchantable_ratio.map(|share| section(end_ratio - share.max(stump_ratio))),
        }
    };
    let standing = parts(break_m);
    let sound_wood = 1.0 - cull_pct / 100.0;
    let sound = |part: WoodAndBark| part.times(sound_wood, 1.0);
    let to_ft = |height_m: f64| height_m / M_PER_FT;
    Some(NationalStem {
        merchantable_height_ft: merchantable_m.map(to_ft),
        sawlog_height_ft: sawlog_m.map(to_ft),
        stump_ratio,
        merchantable_ratio: merchantable_m.map(ratio),
        sawlog_ratio: sawlog_m.map(ratio),
        break_ratio,
        gross: parts(input.height_m),
        standing,
        sound: StemParts {
            total: sound(standing.total),
            stump: standing.stump.map(sound),
            merchantable: standing.merchantable.map(sound),
            sawlog: standing.sawlog.map(sound),
            top: standing.top.map(sound),
        },
        missing: section(1.0 - break_ratio),
    })
}
