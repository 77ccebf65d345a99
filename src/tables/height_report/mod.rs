//! The report on height curves: which heights there are, which of them stand out, and for every
//! curve the forms that were tried, how well they meet the heights and how they foretell others.

use std::collections::BTreeSet;

use crate::compile::Compilation;
use crate::design::FitBy;
use crate::heights::Level;
use crate::heights::evidence::{CurveEvidence, Evidence, HeightAgainst, evidence};
use crate::heights::fill::HeightTree;
use crate::records::{CruiseSpeciesIndex, HeightRecord, Plot, Stand, Tree};
use crate::tables::{Report, curves};

mod blocks;
mod one_curve;
mod out;
mod rows;

pub use rows::{bias_rows, curve_rows, data, out_rows, without_rows};

/// What is shown.
#[derive(Clone, Copy, Debug, Default)]
pub struct Asked {
    /// One stand, an index into the records.
    pub stand: Option<usize>,
    /// The curves of one species, an index into those of the cruise.
    pub species: Option<CruiseSpeciesIndex>,
}

/// The curves of a compilation with the heights behind them.
pub struct Gathered<'a> {
    compilation: &'a Compilation<'a>,
    asked: Asked,
    groups: Vec<Group>,
}

/// Stands that share their curves.
struct Group {
    /// Indices into the stands of the records; places count along these.
    stands: Vec<usize>,
    evidence: Evidence,
}

impl<'a> Gathered<'a> {
    /// Gathers what there is on the curves asked for.
    pub fn new(compilation: &'a Compilation<'a>, asked: Asked) -> Self {
        let all: Vec<usize> = (0..compilation.records.stands.len()).collect();
        let groups: Vec<Vec<usize>> = match (compilation.design.heights.fit_by, asked.stand) {
            (FitBy::Cruise, _) => vec![all],
            (FitBy::Stand, Some(at)) => vec![vec![at]],
            (FitBy::Stand, None) => all.into_iter().map(|at| vec![at]).collect(),
        };
        let groups = groups
            .into_iter()
            .map(|stands| Group::new(compilation, stands, asked));
        Gathered {
            compilation,
            asked,
            groups: groups.collect(),
        }
    }

    /// The report; pictures are drawn to a width.
    pub fn report(&self, width: usize) -> Report {
        let mut report = Report::new(&self.compilation.design.title);
        blocks::sections(self, width, &mut report);
        report
    }

    /// Heights of a curve that are shown: those of the stand asked for.
    fn shown<'c>(
        &'c self,
        group: &'c Group,
        curve: &'c CurveEvidence,
    ) -> impl Iterator<Item = &'c HeightAgainst> {
        let heights = curve.heights.iter();
        heights.filter(move |height| self.is_asked(group, &height.tree))
    }

    fn is_asked(&self, group: &Group, tree: &HeightTree) -> bool {
        let stand = group.stands[tree.point.place.stand];
        self.asked.stand.is_none_or(|asked| asked == stand)
    }

    /// The record behind a height: its stand, plot and tree.
    fn record(&self, group: &Group, tree: &HeightTree) -> (&Stand, &Plot, &Tree) {
        let stand = &self.compilation.records.stands[group.stands[tree.point.place.stand]];
        let plot = &stand.plots[tree.point.place.plot];
        let (visit, at) = tree.record;
        (stand, plot, &plot.visits[visit].trees[at])
    }

    fn label(&self, species: CruiseSpeciesIndex) -> &'a str {
        curves::label(self.compilation, species)
    }

    /// Whose curve it is: a species, or `all softwoods`.
    fn whose(&self, curve: &CurveEvidence) -> String {
        match curve.used.level {
            Level::Pooled(_) => format!("all {}", curve.used.level.name()),
            _ => curves::labels(self.compilation, &curve.used.species),
        }
    }
}

impl Group {
    fn new(compilation: &Compilation<'_>, stands: Vec<usize>, asked: Asked) -> Self {
        let records = compilation.records;
        let of_group: Vec<&Stand> = stands.iter().map(|at| &records.stands[*at]).collect();
        let heights = stands.iter().map(|at| &compilation.stands[*at].heights);
        let without = heights.flat_map(|heights| heights.without_curve.clone());
        let mut evidence = evidence(
            &of_group,
            curves::at_hand(compilation, &stands),
            &without.collect::<Vec<_>>(),
            &records.species,
            &compilation.knowledge.species,
            &compilation.design.heights,
        );
        if let Some(asked) = asked.species {
            evidence.heights.retain(|tree| tree.species() == asked);
            evidence.without.retain(|(species, _)| *species == asked);
            evidence.curves.retain(|curve| {
                let mut served = curve.used.species.iter();
                served.any(|served| served.species == asked)
            });
        }
        Group { stands, evidence }
    }
}

/// Was the height worked out from readings?
fn is_from_instrument(tree: &Tree) -> bool {
    matches!(tree.height, HeightRecord::Instrument(_))
}

/// Species behind a curve.
fn species_behind(heights: &[&HeightAgainst]) -> BTreeSet<CruiseSpeciesIndex> {
    heights.iter().map(|height| height.tree.species()).collect()
}
