//! All stands together: strata over stands, and everything.
//!
//! Stands are added one after the other, in the order of the records, and leave sums whose size does
//! not grow with their number. Stands drawn from a list are kept, since what lies between them
//! counts.

use std::collections::BTreeMap;

use super::group::{Group, combine};
use super::plots::PlotValue;
use super::stand::{StandEstimates, StandGroups};
use super::stratified::Together;
use super::whole_group::GroupSum;
use super::{EstimateRow, note};
use crate::design::{Design, ListedStands, SelectionIndex};
use crate::diagnostic::Diagnostic;

/// The estimates of a whole cruise.
#[derive(Clone, Debug, Default)]
pub struct CruiseEstimates {
    /// Rows in their fixed order.
    pub rows: Vec<EstimateRow>,
    /// What was assumed or left out.
    pub notes: Vec<Diagnostic>,
    /// The plots' own figures.
    pub plots: Vec<PlotValue>,
}

impl CruiseEstimates {
    /// The estimates of stands, in the order of the records, and what each adds to the whole.
    pub fn of_stands(stands: Vec<StandEstimates>) -> (CruiseEstimates, Vec<StandGroups>) {
        let mut cruise = CruiseEstimates::default();
        let mut groups = Vec::with_capacity(stands.len());
        for stand in stands {
            cruise.rows.extend(stand.groups.rows());
            cruise.notes.extend(stand.notes);
            cruise.plots.extend(stand.plots);
            groups.push(stand.groups);
        }
        (cruise, groups)
    }
}

/// Puts the estimates of stands together, which are in the order of the records.
pub fn combine_stands(design: &Design, stands: Vec<StandEstimates>) -> CruiseEstimates {
    let (mut cruise, groups) = CruiseEstimates::of_stands(stands);
    if groups.len() > 1 || design.sampling.listed.is_some() {
        let names = design.selections.iter().map(|of| of.name.clone());
        let mut whole = Whole::new(names.collect(), design.sampling.listed);
        for groups in &groups {
            whole.add(groups);
        }
        let (rows, mut notes) = whole.finish();
        cruise.rows.extend(rows);
        notes.append(&mut cruise.notes);
        cruise.notes = notes;
    }
    cruise
}

/// What is kept of the stands that were added.
#[derive(Clone, Debug)]
pub struct Whole {
    how: Together,
    /// Names of the selections of the design.
    selections: Vec<String>,
    stands: usize,
    without_area: Vec<String>,
    /// In how many stands each named stratum is.
    strata: BTreeMap<String, usize>,
    /// By stratum over the stands (all where there is none) and selection.
    parts: BTreeMap<(Option<String>, SelectionIndex), Parts>,
}

/// The groups of one stratum, or of everything, for one selection.
#[derive(Clone, Debug)]
enum Parts {
    Summed(Box<GroupSum>),
    Listed(Vec<Group>),
}

impl Whole {
    /// Nothing yet, of selections of these names; with the list from which stands were drawn, if
    /// they were.
    pub fn new(selections: Vec<String>, listed: Option<ListedStands>) -> Whole {
        Whole {
            how: listed.map_or(Together::Strata, Together::Listed),
            selections,
            stands: 0,
            without_area: Vec::new(),
            strata: BTreeMap::new(),
            parts: BTreeMap::new(),
        }
    }

    /// Adds a stand.
    pub fn add(&mut self, stand: &StandGroups) {
        self.stands += 1;
        if stand.without_area {
            self.without_area.push(stand.name.clone());
        }
        for name in stand.strata.iter().filter(|name| !name.is_empty()) {
            *self.strata.entry(name.clone()).or_default() += 1;
        }
        for (selection, groups) in stand.selections.iter().enumerate() {
            for group in groups.strata.iter().flatten() {
                if let Some(name) = group.stratum.as_ref().filter(|name| !name.is_empty()) {
                    self.add_group((Some(name.clone()), selection), group);
                }
            }
            if let Some(group) = &groups.stand {
                self.add_group((None, selection), group);
            }
        }
    }

    fn add_group(&mut self, key: (Option<String>, SelectionIndex), group: &Group) {
        let how = self.how;
        let parts = self.parts.entry(key).or_insert_with(|| match how {
            Together::Listed(_) => Parts::Listed(Vec::new()),
            _ => Parts::Summed(Box::default()),
        });
        match parts {
            Parts::Summed(sum) => sum.add(group),
            Parts::Listed(groups) => groups.push(group.clone()),
        }
    }

    /// How many stands were added.
    pub fn stands(&self) -> usize {
        self.stands
    }

    /// The rows of all stands together, each stratum over the stands and then everything; and what
    /// could not be given.
    pub fn finish(&self) -> (Vec<EstimateRow>, Vec<Diagnostic>) {
        let mut rows = Vec::new();
        let mut notes = Vec::new();
        if !self.without_area.is_empty() {
            let names = self.without_area.iter().map(|name| format!("`{name}`"));
            notes.push(note(
                "stands-without-area",
                format!(
                    "the area of stand {} is not known, so nothing is given for all stands together",
                    names.collect::<Vec<_>>().join(", ")
                ),
            ));
        }
        for (name, stands) in &self.strata {
            for selection in 0..self.selections.len() {
                let key = (Some(name.clone()), selection);
                let Some(parts) = self.parts.get(&key) else {
                    continue;
                };
                // Every stand that has the stratum must have sampled it.
                if parts.count() == *stands && parts.areas_known() {
                    let whole = parts.combined(key.0, self.how);
                    rows.extend(whole.iter().flat_map(Group::rows));
                }
            }
        }
        for (selection, name) in self.selections.iter().enumerate() {
            let Some(parts) = self.parts.get(&(None, selection)) else {
                continue;
            };
            if parts.count() == self.stands {
                let whole = parts.combined(None, self.how);
                rows.extend(whole.iter().flat_map(Group::rows));
            } else {
                notes.push(note(
                    "stands-without-selection",
                    format!(
                        "selection `{name}` has an estimate in {} of {} stands, so it is not given for all stands together",
                        parts.count(),
                        self.stands
                    ),
                ));
            }
        }
        (rows, notes)
    }
}

impl Parts {
    fn count(&self) -> usize {
        match self {
            Parts::Summed(sum) => sum.groups(),
            Parts::Listed(groups) => groups.len(),
        }
    }

    fn areas_known(&self) -> bool {
        match self {
            Parts::Summed(sum) => sum.area_ha().is_some(),
            Parts::Listed(groups) => groups.iter().all(|group| group.area_ha.is_some()),
        }
    }

    /// `None` where an area is not known.
    fn combined(&self, stratum: Option<String>, how: Together) -> Option<Group> {
        match self {
            Parts::Summed(sum) => sum.combined(stratum),
            Parts::Listed(groups) => {
                let groups: Vec<&Group> = groups.iter().collect();
                combine((None, stratum), &groups, None, how)
            }
        }
    }
}
