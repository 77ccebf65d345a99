//! Which trees get a height, as a sheet can show it: marks on lines, boxes, words.

use super::{Boxes, Wanted};
use crate::design::{
    ClassOver, CountOver, Design, Measured, SelectionIndex, Subsample, SubsampleRule,
};
use crate::tables::heights_audit::rule_words;

/// Species without a name for which there are boxes of height trees.
const SPARE_SPECIES: usize = 2;
/// Dbh classes for which there are boxes.
const CLASSES: usize = 6;
/// Boxes of a species or class at most.
const MOST_BOXES: usize = 10;

/// The rule for height trees as it bears on one selection.
#[derive(Clone, Copy)]
pub(super) struct Heights<'d> {
    design: &'d Design,
    rule: &'d Subsample,
    /// The selection with which the rule begins at a plot, where that is another one.
    begun: Option<&'d str>,
    /// Are lines counted from the top of the sheet?
    marks: bool,
}

impl<'d> Heights<'d> {
    /// The rule, if it is about the measured trees of the selection.
    pub(super) fn of(design: &'d Design, at: SelectionIndex) -> Option<Heights<'d>> {
        let rule = design.heights.subsample.as_ref()?;
        if !is_about(design, rule, at) {
            return None;
        }
        let first = (0..design.selections.len()).find(|other| is_about(design, rule, *other))?;
        let goes_on = matches!(
            rule.rule,
            SubsampleRule::EveryNth {
                count_over: CountOver::Cruise,
                ..
            }
        );
        Some(Heights {
            design,
            rule,
            begun: (first != at).then(|| design.selections[first].name.as_str()),
            marks: first == at && (!goes_on || design.selections[at].method.visits_all()),
        })
    }

    /// Is a height due on this line?
    pub(super) fn is_due(&self, line: usize) -> bool {
        match self.rule.rule {
            SubsampleRule::EveryNth { every, .. } => self.marks && line.is_multiple_of(every),
            _ => false,
        }
    }

    /// What the crew was told.
    pub(super) fn orders(&self) -> Vec<String> {
        let mut orders = vec![format!("Heights: {}.", rule_words(self.design, self.rule))];
        orders.extend(self.how_to_choose());
        orders
    }

    fn how_to_choose(&self) -> Option<String> {
        if matches!(self.rule.rule, SubsampleRule::AllIn { .. }) {
            return None;
        }
        if let Some(begun) = self.begun {
            return Some(format!(
                "Trees of all these selections count together: go on where the sheet of {begun} ends, \
                 and tick the boxes there."
            ));
        }
        let words = match self.rule.rule {
            SubsampleRule::FirstPerSpecies { .. } => {
                "Tick a box for each height; when the boxes of a species are full, it needs no more."
            }
            SubsampleRule::EveryNth { .. } if self.marks => {
                "\u{25b2} marks the lines that need a height. Only live, unbroken trees count: the \
                 mark moves down a line for each dead or broken tree above it."
            }
            SubsampleRule::EveryNth { .. } => {
                "The count goes on from plot to plot. Last count of live, unbroken trees before this \
                 plot: ______ after it: ______"
            }
            SubsampleRule::PerDbhClass {
                over: ClassOver::Stand,
                ..
            } => {
                "Keep one list of the classes for the whole stand: take the ticks over from plot to plot."
            }
            _ => "Write each class beside its boxes; tick a box for each height.",
        };
        Some(words.to_owned())
    }

    /// Boxes to tick.
    pub(super) fn boxes(&self, wanted: &Wanted) -> Vec<Boxes> {
        if self.begun.is_some() {
            return Vec::new();
        }
        match self.rule.rule {
            SubsampleRule::FirstPerSpecies { per_plot } => {
                let spare = SPARE_SPECIES.max(4_usize.saturating_sub(wanted.species.len()));
                let blank = std::iter::repeat_n(String::new(), spare);
                let labels = wanted.species.iter().cloned().chain(blank);
                labels.map(|label| boxes(label, per_plot)).collect()
            }
            SubsampleRule::PerDbhClass { per_class, .. } => (0..CLASSES)
                .map(|_| boxes(String::new(), per_class))
                .collect(),
            SubsampleRule::EveryNth { .. } | SubsampleRule::AllIn { .. } => Vec::new(),
        }
    }
}

fn boxes(label: String, number: usize) -> Boxes {
    Boxes {
        label,
        number: number.min(MOST_BOXES),
    }
}

/// Is the rule about the measured trees of a selection?
fn is_about(design: &Design, subsample: &Subsample, selection: SelectionIndex) -> bool {
    let is_named = match subsample.rule {
        SubsampleRule::AllIn { selection: only } => selection == only,
        _ => subsample.selections.is_empty() || subsample.selections.contains(&selection),
    };
    is_named && design.selections[selection].measured != Measured::None
}
