//! Values that are possible but probably slips: warnings.

use super::RecordFiles;
use super::counts::CountSheet;
use super::plots::PlotList;
use super::trees::TreeSheet;
use crate::design::Design;
use crate::diagnostic::Problems;
use crate::species::SpeciesTable;

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
pub(super) fn check(_cruise: &Cruise, _problems: &mut Problems) {}
