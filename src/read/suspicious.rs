//! Values that are possible but probably slips. Nothing is changed: every finding is a warning,
//! or a note where all is well and only should not happen in silence.

mod at_plot;
mod heights;
mod repeats;
mod sizes;

use super::RecordFiles;
use super::counts::CountSheet;
use super::plots::PlotList;
use super::trees::TreeSheet;
use crate::design::Design;
use crate::diagnostic::Problems;
use crate::species::SpeciesTable;

/// Plausible limits. Source: common practice, no source, unless said; the height/dbh ratios of
/// 387 good heights of a real cruise (Upper Flat Creek) lie between 33 and 178.
mod plausible {
    /// Height over dbh, m per m, of trees from [`RATIO_FROM_DBH_CM`] up.
    pub(super) const LEAST_RATIO: f64 = 20.0;
    /// See [`LEAST_RATIO`].
    pub(super) const GREATEST_RATIO: f64 = 200.0;
    /// Thinner trees have any ratio: breast height is a large part of their height.
    pub(super) const RATIO_FROM_DBH_CM: f64 = 7.0;
    /// In the middle of the live trees of a cruise; those of Upper Flat Creek have 71. An inch for
    /// a centimetre, or a metre for a foot, leaves a third or makes it threefold.
    pub(super) const MIDDLE_RATIOS: (f64, f64) = (35.0, 150.0);
    /// Lower trees say little of a ratio, m.
    pub(super) const TALL_M: f64 = 5.0;
    /// A usual ratio and its spread (of logarithms), where a cruise is too small to tell its own.
    pub(super) const USUAL_RATIO: f64 = 80.0;
    /// See [`USUAL_RATIO`].
    pub(super) const USUAL_RATIO_SPREAD: f64 = 0.3;
    /// Mean basal area of a stand; 10 to 60 is usual, 150 exceptional (Brack & Wood 1998).
    pub(super) const GREATEST_BASAL_AREA_M2_PER_HA: f64 = 150.0;
    /// Within this share of its limiting distance a tree is borderline.
    pub(super) const BORDERLINE_SHARE: f64 = 0.02;
    /// A height and its readings may differ by this share.
    pub(super) const HEIGHT_DIFFERENCE: f64 = 0.02;
    /// A plot's own factor or radius may differ from the design's by this ratio.
    pub(super) const OVERRIDE_RATIO: f64 = 2.5;
}

/// All that is looked at.
pub(super) struct Cruise<'a> {
    pub(super) design: &'a Design,
    pub(super) species: &'a SpeciesTable,
    pub(super) files: &'a RecordFiles,
    pub(super) plots: &'a PlotList,
    pub(super) trees: Option<&'a TreeSheet<'a>>,
    pub(super) counts: Option<&'a CountSheet<'a>>,
}

/// Looks for slips.
pub(super) fn check(cruise: &Cruise, problems: &mut Problems) {
    if let Some(trees) = cruise.trees {
        sizes::check(cruise, trees, problems);
        heights::check(cruise.design, trees, problems);
        repeats::check(cruise, trees, problems);
    }
    if let Some(counts) = cruise.counts {
        repeats::check_counts(cruise, counts, problems);
    }
    // What a file that could not be read held is not missing from the plots.
    let inputs = &cruise.design.inputs;
    let is_lost = |named: bool, read: bool| named && !read;
    if !is_lost(inputs.trees.is_some(), cruise.trees.is_some())
        && !is_lost(inputs.counts.is_some(), cruise.counts.is_some())
    {
        at_plot::check(cruise, problems);
    }
}
