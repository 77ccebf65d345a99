//! The checked records of a cruise: stands, their strata and plots, what was done at each plot,
//! and the trees and counts found there. Metric throughout; sorted, so that the order of rows in
//! the files can change nothing.

use std::cmp::Ordering;

use smol_str::SmolStr;

use crate::design::SelectionIndex;
use crate::species::SpeciesId;

/// Index into [`Records::species`].
pub type CruiseSpeciesIndex = usize;

/// Everything that was recorded.
#[derive(Clone, Debug, Default)]
pub struct Records {
    /// The species of this cruise, sorted by label.
    pub species: Vec<CruiseSpecies>,
    /// Stands in natural order of their names.
    pub stands: Vec<Stand>,
    /// Have the records a column for defects, so that net volume is given?
    pub any_defect: bool,
}

/// A species as this cruise knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CruiseSpecies {
    /// How results name it.
    pub label: String,
    /// Its entry in the species table.
    pub id: SpeciesId,
}

/// One stand.
#[derive(Clone, Debug)]
pub struct Stand {
    /// Its name; the title of the design when the records have no stand column.
    pub name: String,
    /// Its strata; one nameless stratum when it is not stratified.
    pub strata: Vec<Stratum>,
    /// Its plots in natural order of their names.
    pub plots: Vec<Plot>,
}

impl Stand {
    /// Every tree with its plot and visit, in the one order that all lists of trees keep.
    pub fn trees(&self) -> impl Iterator<Item = (&Plot, &Visit, &Tree)> {
        self.plots.iter().flat_map(|plot| {
            plot.visits
                .iter()
                .flat_map(move |visit| visit.trees.iter().map(move |tree| (plot, visit, tree)))
        })
    }
}

/// A stratum of a stand.
#[derive(Clone, Debug, PartialEq)]
pub struct Stratum {
    /// Its name; empty when the stand is not stratified.
    pub name: String,
    /// Its area, when known.
    pub area_ha: Option<f64>,
    /// Sampling units (plots or clusters) in the list from which its own were drawn, if there is
    /// one; in the list of the whole stand where strata came after sampling.
    pub listed_units: Option<f64>,
    /// Points of a larger first sample that fell into it, where strata are weighted by these.
    pub phase_one_points: Option<f64>,
}

/// One plot that was visited.
#[derive(Clone, Debug)]
pub struct Plot {
    /// Its name.
    pub name: String,
    /// Index into [`Stand::strata`].
    pub stratum: usize,
    /// Cluster that it belongs to.
    pub cluster: Option<String>,
    /// Map position, east.
    pub easting: Option<f64>,
    /// Map position, north.
    pub northing: Option<f64>,
    /// What was done here, in the order of the design's selections.
    pub visits: Vec<Visit>,
}

/// One selection carried out at one plot.
#[derive(Clone, Debug)]
pub struct Visit {
    /// Which selection.
    pub selection: SelectionIndex,
    /// The rule in force here, the plot's own size or factor applied.
    pub rule: Rule,
    /// Slope as a ratio (0.35 for 35 %) that the program must correct for; 0 if none.
    pub slope_to_correct: f64,
    /// Share of the plot inside the stand.
    pub plot_fraction: f64,
    /// Trees with records of their own, in natural order of their numbers.
    pub trees: Vec<Tree>,
    /// Trees that were only counted.
    pub counts: Vec<Count>,
}

/// The rule in force at one plot.
#[derive(Clone, Debug, PartialEq)]
pub enum Rule {
    /// A plot of this area (circle or strip).
    FixedArea {
        /// Plot area.
        area_ha: f64,
        /// Radius, when it is a circle.
        radius_m: Option<f64>,
    },
    /// Concentric circles by dbh range.
    NestedRings(Vec<crate::design::Ring>),
    /// Every tree of the stratum.
    FullTally,
    /// Every tree of the stratum predicted, some measured.
    ThreeP(ThreeP),
    /// Angle gauge.
    AngleGauge {
        /// Basal area factor.
        baf_m2_per_ha: f64,
    },
}

/// A 3P sample in one stratum, over all its sheets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThreeP {
    /// The largest random number; trees predicted above it are all measured.
    pub largest_number: f64,
    /// Sum of the predictions of the trees that are not above it, measured or not.
    pub predicted: f64,
    /// Measured trees that are not above it.
    pub sample_trees: usize,
}

impl ThreeP {
    /// Is a tree of this prediction measured in any case, so that it stands for itself alone?
    pub fn is_certain(&self, prediction: f64) -> bool {
        prediction > self.largest_number
    }

    /// Trees of the stratum that a measured tree stands for: 1, or `P / (n prediction)`.
    ///
    /// Source: Grosenbaugh 1965, USDA Forest Service Research Paper PSW-21 (adjusted estimate;
    /// from memory).
    pub fn trees_for(&self, prediction: f64) -> f64 {
        if self.is_certain(prediction) {
            1.0
        } else {
            self.predicted / (self.sample_trees as f64 * prediction)
        }
    }
}

/// Alive, or dead in a state of decay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Status {
    /// Alive.
    Live,
    /// Standing dead; the decay class is an index into the design's list.
    Dead {
        /// Decay class, when recorded.
        decay_class: Option<usize>,
    },
}

impl Status {
    /// Alive?
    pub fn is_live(self) -> bool {
        self == Status::Live
    }

    /// Decay class of a dead tree, an index into the design's list; `None` where none is recorded.
    pub fn decay_class(self) -> Option<usize> {
        match self {
            Status::Live => None,
            Status::Dead { decay_class } => decay_class,
        }
    }
}

/// One tree with a record of its own.
#[derive(Clone, Debug)]
pub struct Tree {
    /// Tree number as recorded; may be empty.
    pub number: SmolStr,
    /// Line in the trees file.
    pub line: usize,
    /// Species.
    pub species: CruiseSpeciesIndex,
    /// Diameter at breast height, outside bark.
    pub dbh_cm: f64,
    /// Live or dead.
    pub status: Status,
    /// What was recorded of its height.
    pub height: HeightRecord,
    /// Height at which the stem is broken off.
    pub broken_height_m: Option<f64>,
    /// Trees like this one that the record stands for.
    pub count: f64,
    /// Times the tree counts by the walkthrough method, 1 or 2.
    pub walkthrough: f64,
    /// Share of the volume lost to defect, percent.
    pub defect_pct: Option<f64>,
    /// Length of the crown over the height of the tree as it stands, percent.
    pub crown_ratio_pct: Option<f64>,
    /// Basal area factor of its own, where the gauge was changed between trees.
    pub baf_m2_per_ha: Option<f64>,
    /// What was predicted for it before it was measured, in a 3P sample.
    pub prediction: Option<f64>,
    /// Below the least dbh of the selection (or outside every ring): kept, but stands for nothing.
    pub excluded: bool,
}

/// What was recorded of a height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeightRecord {
    /// Nothing.
    Missing,
    /// A height as measured or read off.
    Measured {
        /// Total height.
        height_m: f64,
    },
    /// Sights, and the distances that go with them.
    Instrument(Reading),
}

/// Two sights from one place, what makes a height of them, and what comes on top.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Sight to the top as a slope ratio (tangent), up positive.
    pub top_ratio: f64,
    /// Sight to the base as a slope ratio, up positive.
    pub base_ratio: f64,
    /// How far off the tree is.
    pub scale: ReadingScale,
    /// Estimated length above the point that was sighted, where the tip is out of sight; else 0.
    pub hidden_top_m: f64,
    /// Horizontal distance of the tip from the base of a leaning tree; 0 of an upright one.
    pub top_offset_m: f64,
}

/// What turns two sights into a height. Distances are those to the pith.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ReadingScale {
    /// One horizontal distance.
    Level {
        /// To the tree.
        distance_m: f64,
    },
    /// A distance taped along the slope.
    Slope {
        /// As taped.
        distance_m: f64,
        /// Slope ratio along which the tape ran; without one it ran along the sight to the base.
        tape_ratio: Option<f64>,
    },
    /// Horizontal distances to the base and to the point under the top.
    TwoLevel {
        /// To the base.
        base_m: f64,
        /// To the point under the top.
        top_m: f64,
    },
    /// Distances from the eye to the points themselves (the sine method).
    Slant {
        /// To the base.
        base_m: f64,
        /// To the top.
        top_m: f64,
    },
    /// A pole that stands upright at the base; no distance.
    Pole {
        /// Its length.
        length_m: f64,
        /// Sight to its top as a slope ratio, up positive.
        ratio: f64,
    },
}

/// Trees that were only counted at one sweep, or predicted and not measured on one sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Count {
    /// Species.
    pub species: CruiseSpeciesIndex,
    /// Live or dead.
    pub status: Status,
    /// How many.
    pub count: f64,
    /// Sum of what was predicted for them, in a 3P sample.
    pub prediction: Option<f64>,
    /// Line in the counts file.
    pub line: usize,
}

/// Natural order of names: runs of digits compare as numbers (plot 2 before plot 10), the rest
/// without regard to case; names that differ only in case or leading zeros compare as text.
pub fn natural_order(a: &str, b: &str) -> Ordering {
    if is_plain_number(a) && is_plain_number(b) {
        return a.len().cmp(&b.len()).then_with(|| a.cmp(b));
    }
    let (mut x, mut y) = (a, b);
    loop {
        let (left, right) = match (next_part(&mut x), next_part(&mut y)) {
            (None, None) => return a.cmp(b),
            (None, Some(_)) => return Ordering::Less,
            (Some(_), None) => return Ordering::Greater,
            (Some(left), Some(right)) => (left, right),
        };
        let order = match (left, right) {
            (Part::Number(m), Part::Number(n)) => m.len().cmp(&n.len()).then_with(|| m.cmp(n)),
            (Part::Number(_), Part::Letter(_)) => Ordering::Less,
            (Part::Letter(_), Part::Number(_)) => Ordering::Greater,
            (Part::Letter(c), Part::Letter(d)) => c.to_lowercase().cmp(d.to_lowercase()),
        };
        if order.is_ne() {
            return order;
        }
    }
}

/// Digits alone, the first of them not zero: most names.
fn is_plain_number(name: &str) -> bool {
    let is_digit = |byte: u8| byte.is_ascii_digit();
    matches!(name.as_bytes().first(), Some(b'1'..=b'9')) && name.bytes().all(is_digit)
}

enum Part<'t> {
    /// Digits without leading zeros.
    Number(&'t str),
    Letter(char),
}

fn next_part<'t>(text: &mut &'t str) -> Option<Part<'t>> {
    let first = text.chars().next()?;
    if first.is_ascii_digit() {
        let end = text
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(text.len());
        let (digits, rest) = text.split_at(end);
        *text = rest;
        Some(Part::Number(digits.trim_start_matches('0')))
    } else {
        *text = &text[first.len_utf8()..];
        Some(Part::Letter(first))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_sort_as_people_sort_them() {
        let mut names = ["b1", "10", "2", "A10", "a2", "", "02", "1.10", "1.9"];
        names.sort_by(|a, b| natural_order(a, b));
        assert_eq!(
            names,
            ["", "1.9", "1.10", "02", "2", "10", "a2", "A10", "b1"]
        );
    }
}
