//! The volume of one stem by the equations chosen for its species.
//!
//! In: a set, the chosen equations, dbh, total height and the height of a break. Out: total, bark
//! and merchantable volume. Rules, the same for every set:
//! - a negative volume counts as zero; merchantable volume never exceeds the total;
//! - a top diameter on the other bark basis than a taper equation is turned to its basis by the
//!   tree's bark ratio; volumes stay on the basis of the set;
//! - a tree below the least dbh has no merchantable volume, nor has one whose stump is not thicker
//!   than the top diameter;
//! - the stem is cut at a break: a profile is integrated up to it, other volumes are multiplied by
//!   the share below it (of the set's ratio equation, or of the profile that it borrows). Without
//!   either the volume is that of the whole stem, and says so.

use crate::design::Merchantable;
use crate::species::choose::{Chosen, MerchantableBy};
use crate::species::equation::{Equation, Measure, Model, Quantity};
use crate::species::ratio_profile::{Lying, RatioProfile};
use crate::species::set::{ValidRange, VolumeSet};
use crate::species::share::ShareInput;
use crate::species::stem_profile::StemProfile;
use crate::species::taper::Profile;

/// Stump height of profiles whose set names none.
const DEFAULT_STUMP_M: f64 = 0.3;

/// Sizes of one stem.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StemInput {
    /// Diameter at breast height outside bark.
    pub dbh_cm: f64,
    /// Total height, of the unbroken stem.
    pub height_m: f64,
    /// Height at which the stem is broken off.
    pub broken_height_m: Option<f64>,
}

/// Volumes of one stem.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StemVolume {
    /// The whole stem (up to the break), on the bark basis of the set; `None` where the set gives
    /// merchantable volume only.
    pub total_m3: Option<f64>,
    /// Bark, where the set has equations for it.
    pub bark_m3: Option<f64>,
    /// Between stump and top limit, where limits were given.
    pub merchantable_m3: Option<f64>,
    /// Dbh or height lies outside the valid range, or outside the domain of the form (then the
    /// volumes are zero).
    pub out_of_range: bool,
    /// The bark set gives no ratio between 0 and 1 for the tree (then what rests on the ratio is
    /// zero), or dbh lies outside its valid range.
    pub bark_out_of_range: bool,
    /// The stem is broken, but the set cannot tell where its volume lies: it is that of the whole
    /// stem.
    pub break_ignored: bool,
}

impl StemInput {
    /// The height of the break, if there is one below the tip.
    pub fn break_m(&self) -> Option<f64> {
        self.broken_height_m
            .filter(|broken_m| *broken_m < self.height_m)
    }
}

/// A tree that is no tree, or outside the domain of its form: no volume, and that is told.
fn outside(chosen: &Chosen, gives_total: bool) -> StemVolume {
    StemVolume {
        total_m3: gives_total.then_some(0.0),
        bark_m3: chosen.bark.map(|_| 0.0),
        merchantable_m3: chosen.merchantable.map(|_| 0.0),
        out_of_range: true,
        ..StemVolume::default()
    }
}

impl VolumeSet {
    /// Volumes of a stem by the chosen equations.
    pub fn stem(&self, chosen: &Chosen, tree: &StemInput) -> StemVolume {
        let possible = |size: f64| size > 0.0 && size.is_finite();
        if !(possible(tree.dbh_cm) && possible(tree.height_m)) {
            return outside(chosen, self.gives_total(chosen));
        }
        let main = &self.equations[chosen.main];
        let mut volume = match main.model {
            Model::Profile(_) => self.integrated(chosen, tree),
            _ => self.direct(chosen, tree),
        };
        volume.out_of_range |= !self.range_of(main).contains(tree.dbh_cm, tree.height_m);
        volume.bark_out_of_range = self.bark_out_of_range(chosen, tree);
        let most_m3 = volume.total_m3.unwrap_or(f64::INFINITY);
        volume.merchantable_m3 = volume.merchantable_m3.map(|m3| m3.clamp(0.0, most_m3));
        volume
    }

    fn gives_total(&self, chosen: &Chosen) -> bool {
        let quantity = self.equations[chosen.main].quantity;
        matches!(quantity, Quantity::Total | Quantity::Profile)
    }

    /// The valid range of an equation: its own, else that of the set.
    pub fn range_of<'s>(&'s self, equation: &'s Equation) -> &'s ValidRange {
        equation.range.as_ref().unwrap_or(&self.head.range)
    }

    /// Profile of a stem by an equation of this set; `None` if the equation is not a profile or
    /// the tree is outside its domain.
    pub(crate) fn profile_of(&self, equation: usize, tree: &StemInput) -> Option<Profile> {
        let Model::Profile(taper) = self.equations[equation].model else {
            return None;
        };
        let stump_m = self.head.stump_m.unwrap_or(DEFAULT_STUMP_M);
        Profile::new(taper, &self.head.units, stump_m, tree.dbh_cm, tree.height_m)
    }

    /// The stem by a volume and the share of it below each height, each an equation of this set:
    /// inside bark, then outside. `None` where one is of another kind, or the tree is outside the
    /// domain.
    pub(crate) fn ratio_profile(
        &self,
        [wood, ratio]: [usize; 2],
        [outside, ratio_outside]: [usize; 2],
        tree: &StemInput,
    ) -> Option<RatioProfile> {
        let lying = |volume: usize, ratio: usize| {
            let Model::Ratio(ratio) = self.equations[ratio].model else {
                return None;
            };
            let whole_m3 = self.evaluate(volume, tree)?;
            (whole_m3 > 0.0).then_some(Lying { whole_m3, ratio })
        };
        Some(RatioProfile {
            height_m: tree.height_m,
            stump_m: self.head.stump_m.unwrap_or(DEFAULT_STUMP_M),
            inside: lying(wood, ratio)?,
            outside: lying(outside, ratio_outside)?,
        })
    }

    fn own_ratio_profile(&self, chosen: &Chosen, tree: &StemInput) -> Option<RatioProfile> {
        let inside = [chosen.main, chosen.ratio?];
        let outside = [chosen.outside?, chosen.ratio_outside?];
        self.ratio_profile(inside, outside, tree)
    }

    /// The profile that goes with the chosen equations: the set's own taper, or its volumes and
    /// ratios, or the taper that it borrows.
    pub fn profile(&self, chosen: &Chosen, tree: &StemInput) -> Option<StemProfile> {
        let bark = self.stem_bark(chosen, tree.dbh_cm);
        if let Some(taper) = self.profile_of(chosen.main, tree) {
            return Some(StemProfile::Taper { taper, bark });
        }
        if let Some(profile) = self.own_ratio_profile(chosen, tree) {
            return Some(StemProfile::Ratio(profile));
        }
        let taper = self.profiles.as_ref()?.profile_of(chosen.borrowed?, tree)?;
        Some(StemProfile::Taper { taper, bark })
    }

    /// Is the tree outside the range of the bark set, as far as its equations rest on that?
    fn bark_out_of_range(&self, chosen: &Chosen, tree: &StemInput) -> bool {
        let Some((bark, row)) = self.bark_set.as_ref().zip(chosen.bark_ratio) else {
            return false;
        };
        let range = bark.set().range_of(&bark.set().equations[row]);
        bark.ratio(row, tree.dbh_cm).is_none() || !range.contains(tree.dbh_cm, tree.height_m)
    }

    fn integrated(&self, chosen: &Chosen, tree: &StemInput) -> StemVolume {
        let Some(taper) = self.profile_of(chosen.main, tree) else {
            return outside(chosen, true);
        };
        let bark = self.stem_bark(chosen, tree.dbh_cm);
        let profile = StemProfile::Taper { taper, bark };
        let top_m = tree.break_m().unwrap_or(tree.height_m);
        let total_m3 = profile.volume(0.0, top_m).value;
        if !total_m3.is_finite() {
            return outside(chosen, true);
        }
        StemVolume {
            total_m3: Some(total_m3),
            merchantable_m3: chosen
                .merchantable
                .map(|(limits, _)| merchantable_of(&profile, &limits, tree, top_m)),
            out_of_range: !profile.in_domain(),
            ..StemVolume::default()
        }
    }

    /// Result of a direct equation in m3, kg or cm; `None` if it is not finite.
    pub(crate) fn evaluate(&self, equation: usize, tree: &StemInput) -> Option<f64> {
        let equation = &self.equations[equation];
        let Model::Direct(form) = &equation.model else {
            return None;
        };
        let units = &self.head.units;
        let held = match equation.quantity.measure() {
            Measure::Volume => units.m3_per_result,
            Measure::Mass => units.kg_per_result,
            Measure::Diameter => 1.0 / units.dbh_per_cm,
            Measure::Share => 1.0,
        };
        let value = form.value(
            tree.dbh_cm * units.dbh_per_cm,
            tree.height_m * units.height_per_m,
        ) * held;
        value.is_finite().then_some(value.max(0.0))
    }

    /// Share of the total volume `total_m3` between limits, by an equation for that.
    pub(crate) fn limits_share(
        &self,
        equation: usize,
        tree: &StemInput,
        total_m3: f64,
        limits: &Merchantable,
    ) -> f64 {
        let Model::Share(share) = &self.equations[equation].model else {
            return 0.0;
        };
        let units = &self.head.units;
        let value = share.value(&ShareInput {
            dbh: tree.dbh_cm * units.dbh_per_cm,
            height: tree.height_m * units.height_per_m,
            total: total_m3 / units.m3_per_result,
            top_diameter: limits.top_diameter_cm * units.dbh_per_cm,
            stump: limits.stump_m * units.height_per_m,
        });
        if value.is_finite() {
            value.clamp(0.0, 1.0)
        } else {
            0.0
        }
    }

    /// Share of the stem volume below a height, by the set's ratio or the profile it borrows.
    pub(crate) fn share_below(
        &self,
        chosen: &Chosen,
        tree: &StemInput,
        height_m: f64,
    ) -> Option<f64> {
        if let Some(Model::Ratio(ratio)) = chosen.ratio.map(|index| &self.equations[index].model) {
            let share = ratio.share_below(height_m / tree.height_m);
            return share.is_finite().then_some(share);
        }
        let profile = self.profile(chosen, tree)?;
        let whole = profile.volume(0.0, tree.height_m).value;
        (whole > 0.0 && whole.is_finite()).then(|| profile.volume(0.0, height_m).value / whole)
    }

    fn direct(&self, chosen: &Chosen, tree: &StemInput) -> StemVolume {
        let main_m3 = self.evaluate(chosen.main, tree);
        let whole_bark_m3 = chosen.bark.map(|index| self.evaluate(index, tree));
        let out_of_range = main_m3.is_none() || whole_bark_m3 == Some(None);
        let main_m3 = main_m3.unwrap_or(0.0);
        let whole_m3 = self.gives_total(chosen).then_some(main_m3);
        let break_m = tree.break_m();
        let share = break_m.map(|break_m| self.share_below(chosen, tree, break_m));
        let kept = share.flatten().unwrap_or(1.0);
        let merchantable_m3 = chosen.merchantable.map(|(limits, by)| {
            if limits.min_dbh_cm.is_some_and(|least| tree.dbh_cm < least) {
                return 0.0;
            }
            match by {
                MerchantableBy::Equation(index) => {
                    let unbroken_m3 = self.evaluate(index, tree).unwrap_or(0.0);
                    unbroken_m3.min(whole_m3.unwrap_or(f64::INFINITY))
                        * self.merchantable_kept(chosen, &limits, tree)
                }
                MerchantableBy::Share(index) => {
                    main_m3
                        * self.limits_share(index, tree, main_m3, &limits)
                        * self.merchantable_kept(chosen, &limits, tree)
                }
                MerchantableBy::Profile
                | MerchantableBy::VolumeRatio
                | MerchantableBy::BorrowedShare => {
                    main_m3 * self.merchantable_share(chosen, &limits, tree)
                }
            }
        });
        StemVolume {
            total_m3: whole_m3.map(|m3| m3 * kept),
            bark_m3: whole_bark_m3.map(|m3| m3.unwrap_or(0.0) * kept),
            merchantable_m3,
            out_of_range: out_of_range || self.borrowed_out_of_range(chosen, tree),
            break_ignored: break_m.is_some() && share.flatten().is_none(),
            ..StemVolume::default()
        }
    }

    /// Does the result rest on a borrowed profile for a tree outside that set's range?
    fn borrowed_out_of_range(&self, chosen: &Chosen, tree: &StemInput) -> bool {
        let borrows = matches!(
            chosen.merchantable,
            Some((_, MerchantableBy::BorrowedShare))
        ) || (tree.break_m().is_some() && chosen.ratio.is_none());
        match (&self.profiles, chosen.borrowed) {
            (Some(profiles), Some(index)) if borrows => {
                !profiles.head.range.contains(tree.dbh_cm, tree.height_m)
                    || profiles.profile_of(index, tree).is_none()
            }
            _ => false,
        }
    }

    /// Merchantable volume up to the break over total volume of the whole stem, by the profile.
    fn merchantable_share(&self, chosen: &Chosen, limits: &Merchantable, tree: &StemInput) -> f64 {
        let Some(profile) = self.profile(chosen, tree) else {
            return 0.0;
        };
        let whole = profile.volume(0.0, tree.height_m).value;
        let top_m = tree.break_m().unwrap_or(tree.height_m);
        if whole > 0.0 && whole.is_finite() {
            merchantable_of(&profile, limits, tree, top_m) / whole
        } else {
            0.0
        }
    }

    /// Share of the merchantable volume that lies below the break; 1 without a break or profile.
    pub(crate) fn merchantable_kept(
        &self,
        chosen: &Chosen,
        limits: &Merchantable,
        tree: &StemInput,
    ) -> f64 {
        let (Some(break_m), Some(profile)) = (tree.break_m(), self.profile(chosen, tree)) else {
            return 1.0;
        };
        let whole = merchantable_of(&profile, limits, tree, tree.height_m);
        if whole > 0.0 {
            merchantable_of(&profile, limits, tree, break_m) / whole
        } else {
            1.0
        }
    }
}

/// Volume of a profile from the stump to the height of the top diameter or the top of the stem,
/// whichever is lower.
fn merchantable_of(
    profile: &StemProfile,
    limits: &Merchantable,
    tree: &StemInput,
    top_m: f64,
) -> f64 {
    if limits.min_dbh_cm.is_some_and(|least| tree.dbh_cm < least) {
        return 0.0;
    }
    match profile.height_of_basis_diameter(limits.top_diameter_cm, limits.top_inside_bark) {
        Some(limit_m) => profile.volume(limits.stump_m, limit_m.min(top_m)).value,
        None => 0.0,
    }
}
