//! The cruises of a run seen as one: shared lists of selections, species and decay classes, so that
//! stands of several designs can be put together.

use std::collections::BTreeMap;

use super::part::CruiseHead;
use crate::design::ListedStands;
use crate::diagnostic::{Diagnostic, Problems};
use crate::estimates::Renumbering;
use crate::tables::frame::Frame;
use crate::units::UnitSystem;

/// The shared lists, and where each cruise's own entries stand in them.
pub(super) struct Together {
    pub(super) frame: Frame,
    pub(super) listed: Option<ListedStands>,
    pub(super) tree_head: Option<String>,
    renumberings: BTreeMap<u64, Renumbering>,
    /// Why nothing is given for all stands together, if so; and other remarks.
    pub(super) notes: Vec<Diagnostic>,
    /// Can stands be put together?
    pub(super) one_whole: bool,
}

impl Together {
    /// Of the heads of the parts that are put together, in their order.
    pub(super) fn of(heads: &[&CruiseHead]) -> Result<Together, Problems> {
        let Some(first) = heads.first() else {
            return Ok(Together::nothing());
        };
        let mut problems = Problems::new();
        for other in heads {
            different(first, other, &mut problems);
        }
        if problems.has_errors() {
            return Err(problems);
        }
        let species = shared_species(heads);
        let labels = separate_labels(&species);
        let mut frame = Frame {
            units: units(first),
            confidence: first.confidence,
            dbh_class_cm: first.dbh_class_cm,
            selections: Vec::new(),
            decay_classes: Vec::new(),
            species: labels,
        };
        let mut notes = Vec::new();
        let mut renumberings = BTreeMap::new();
        let names: Vec<&str> = species.iter().map(|(_, name)| name.as_str()).collect();
        for head in heads {
            let of_species = head
                .species
                .iter()
                .filter_map(|(_, name)| names.iter().position(|other| other == name));
            let renumbering = Renumbering {
                selections: places(&mut frame.selections, &head.selections),
                species: of_species.collect(),
                decay_classes: places(&mut frame.decay_classes, &head.decay_classes),
                same_classes: head.dbh_class_cm.to_bits() == first.dbh_class_cm.to_bits(),
            };
            if !renumbering.same_classes {
                note(
                    &mut notes,
                    "dbh-classes-differ",
                    "designs have dbh classes of different widths, so of all stands together no dbh class is complete",
                );
            }
            renumberings.insert(head.id(), renumbering);
        }
        let relabelled = |(label, name): &(String, String)| {
            let mut others = heads.iter().flat_map(|head| &head.species);
            others.any(|(other, of)| of == name && other != label)
        };
        if species.iter().any(relabelled) {
            note(
                &mut notes,
                "species-labels-differ",
                "designs name a species differently; in all stands together it has the name of the first",
            );
        }
        let one_whole =
            first.listed.is_none() || heads.iter().all(|head| head.design == first.design);
        let one_whole = one_whole && heads.iter().all(|head| head.listed == first.listed);
        if !one_whole {
            note(
                &mut notes,
                "lists-of-stands",
                "stands were drawn from lists of their own, so nothing is given for all stands together",
            );
        }
        Ok(Together {
            frame,
            listed: first
                .listed
                .map(|(stands, area_ha)| ListedStands { stands, area_ha }),
            tree_head: first.tree_head.clone(),
            renumberings,
            notes,
            one_whole,
        })
    }

    fn nothing() -> Together {
        Together {
            frame: Frame {
                units: UnitSystem::Metric,
                confidence: 0.95,
                dbh_class_cm: 5.0,
                selections: Vec::new(),
                decay_classes: Vec::new(),
                species: Vec::new(),
            },
            listed: None,
            tree_head: None,
            renumberings: BTreeMap::new(),
            notes: Vec::new(),
            one_whole: false,
        }
    }

    /// Where the entries of a cruise stand in the shared lists.
    pub(super) fn renumbering(&self, head: u64) -> Option<&Renumbering> {
        self.renumberings.get(&head)
    }
}

fn note(notes: &mut Vec<Diagnostic>, code: &'static str, message: &str) {
    if notes.iter().all(|said| said.code != code) {
        notes.push(Diagnostic::note(code, message));
    }
}

fn units(head: &CruiseHead) -> UnitSystem {
    if head.imperial {
        UnitSystem::Imperial
    } else {
        UnitSystem::Metric
    }
}

/// One table has one unit system and one confidence.
fn different(first: &CruiseHead, other: &CruiseHead, problems: &mut Problems) {
    let mut wrong = |code: &'static str, what: &str, hint: &str| {
        let message = format!(
            "`{}` and `{}` have different {what}, which cannot stand in one table",
            first.design, other.design
        );
        problems.push(Diagnostic::error(code, message).hint(hint));
    };
    if first.imperial != other.imperial {
        wrong(
            "units-differ",
            "units",
            "say which: --units metric or --units imperial",
        );
    }
    if first.confidence.to_bits() != other.confidence.to_bits() {
        wrong(
            "confidence-differs",
            "levels of confidence",
            "say which: --confidence 0.95, for example",
        );
    }
    let heads = [&first.tree_head, &other.tree_head];
    if let [Some(one), Some(two)] = heads
        && one != two
    {
        wrong(
            "tree-lists-differ",
            "columns in their tree lists",
            "run them apart, or without --tree-list",
        );
    }
}

/// Index of each name in a shared list, to which new ones are added.
fn places(shared: &mut Vec<String>, own: &[String]) -> Vec<usize> {
    let place = |name: &String| {
        let known = shared.iter().position(|other| other == name);
        known.unwrap_or_else(|| {
            shared.push(name.clone());
            shared.len() - 1
        })
    };
    own.iter().map(place).collect()
}

/// Every species once, under its first label, in the order of labels.
fn shared_species(heads: &[&CruiseHead]) -> Vec<(String, String)> {
    let mut species: Vec<(String, String)> = Vec::new();
    for (label, name) in heads.iter().flat_map(|head| &head.species) {
        if species.iter().all(|(_, known)| known != name) {
            species.push((label.clone(), name.clone()));
        }
    }
    species.sort();
    species
}

/// Labels of which no two are the same.
fn separate_labels(species: &[(String, String)]) -> Vec<String> {
    let uses = |label: &str| species.iter().filter(|(other, _)| other == label).count();
    let label = |(label, name): &(String, String)| {
        if uses(label) > 1 {
            format!("{label} ({name})")
        } else {
            label.clone()
        }
    };
    species.iter().map(label).collect()
}
