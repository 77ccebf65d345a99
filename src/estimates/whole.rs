//! All stands together: strata over stands, and everything.

use super::group::{Group, combine};
use super::plots::PlotValue;
use super::stand::StandEstimates;
use super::stratified::Together;
use super::{EstimateRow, note};
use crate::design::Design;
use crate::diagnostic::Diagnostic;
use crate::records::Records;

/// The estimates of a cruise.
#[derive(Clone, Debug, Default)]
pub struct CruiseEstimates {
    /// The tidy table in the order that the module states.
    pub rows: Vec<EstimateRow>,
    /// What was assumed or left out.
    pub notes: Vec<Diagnostic>,
    /// The plots' own figures, by stand, selection and plot.
    pub plots: Vec<PlotValue>,
}

/// Puts stands together, in the order of `records.stands`; with more than one, or with stands
/// drawn from a list, adds the whole.
pub fn combine_stands(
    design: &Design,
    records: &Records,
    stands: Vec<StandEstimates>,
) -> CruiseEstimates {
    let mut cruise = CruiseEstimates::default();
    for stand in &stands {
        cruise.rows.extend(stand.rows());
    }
    if stands.len() > 1 || design.sampling.listed.is_some() {
        whole(design, records, &stands, &mut cruise);
    }
    for stand in stands {
        cruise.notes.extend(stand.notes);
        cruise.plots.extend(stand.plots);
    }
    cruise
}

/// Rows of each stratum over the stands, then of everything.
fn whole(
    design: &Design,
    records: &Records,
    stands: &[StandEstimates],
    cruise: &mut CruiseEstimates,
) {
    let without_area: Vec<String> = records
        .stands
        .iter()
        .filter(|stand| stand.strata.iter().any(|stratum| stratum.area_ha.is_none()))
        .map(|stand| format!("`{}`", stand.name))
        .collect();
    if !without_area.is_empty() {
        cruise.notes.push(note(
            "stands-without-area",
            format!(
                "the area of stand {} is not known, so nothing is given for all stands together",
                without_area.join(", ")
            ),
        ));
    }
    let how = design
        .sampling
        .listed
        .map_or(Together::Strata, Together::Listed);
    for name in stratum_names(records) {
        for selection in 0..design.selections.len() {
            let groups = stands
                .iter()
                .flat_map(|s| s.selections[selection].strata.iter());
            let groups: Vec<&Group> = groups
                .flatten()
                .filter(|g| g.stratum.as_deref() == Some(name))
                .collect();
            // Every stand that has the stratum must have sampled it.
            let strata = records.stands.iter().flat_map(|stand| &stand.strata);
            let complete = strata.filter(|stratum| stratum.name == name).count() == groups.len();
            if complete && groups.iter().all(|group| group.area_ha.is_some()) {
                let group = combine((None, Some(name.to_owned())), &groups, None, how);
                cruise.rows.extend(group.iter().flat_map(Group::rows));
            }
        }
    }
    for selection in 0..design.selections.len() {
        let groups: Vec<&Group> = stands
            .iter()
            .filter_map(|s| s.selections[selection].stand.as_ref())
            .collect();
        if groups.len() == stands.len() {
            let group = combine((None, None), &groups, None, how);
            cruise.rows.extend(group.iter().flat_map(Group::rows));
        } else if !groups.is_empty() {
            cruise.notes.push(note(
                "stands-without-selection",
                format!(
                    "selection `{}` has an estimate in {} of {} stands, so it is not given for all stands together",
                    design.selections[selection].name,
                    groups.len(),
                    stands.len()
                ),
            ));
        }
    }
}

/// Names of the strata, each once, sorted.
fn stratum_names(records: &Records) -> Vec<&str> {
    let strata = records.stands.iter().flat_map(|stand| &stand.strata);
    let mut names: Vec<&str> = strata
        .map(|stratum| stratum.name.as_str())
        .filter(|name| !name.is_empty())
        .collect();
    names.sort_unstable();
    names.dedup();
    names
}
