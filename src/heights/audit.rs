//! Were the height trees chosen as the crew was told?
//!
//! In: the rule of the design and the stands. Out, for each stand: how many heights the rule asks
//! for, which of them are missing, and how many were measured besides.
//!
//! A rule is about live, unbroken trees within the dbh limits of their selection; others are
//! neither asked for nor counted. Trees are taken in the natural order of their numbers, those
//! without a number in the order of their lines. A tree recorded in two selections of one plot
//! (same number, species and dbh) is one tree.
//!
//! Of a dbh class any trees will do: as many as the rule asks for, or all that there are. Where
//! heights are missing, the first trees without one are named.

use std::collections::BTreeMap;

use crate::design::{ClassOver, CountOver, SelectionIndex, Subsample, SubsampleRule};
use crate::records::{
    CruiseSpecies, CruiseSpeciesIndex, HeightRecord, Plot, Stand, Tree, natural_order,
};

/// What the audit found in one stand.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StandAudit {
    /// Heights that the rule asks for.
    pub asked: usize,
    /// Trees that should have a height and have none.
    pub missing: Vec<MissingHeight>,
    /// Heights measured though the rule does not ask for them.
    pub extra: usize,
    /// Plots on which the rule asks for a height.
    pub plots_asked: usize,
    /// Those of them on which none is missing.
    pub plots_followed: usize,
}

/// A tree that should have a height.
#[derive(Clone, Debug, PartialEq)]
pub struct MissingHeight {
    /// Name of its plot.
    pub plot: String,
    /// Tree number as recorded; may be empty.
    pub number: String,
    /// Species.
    pub species: CruiseSpeciesIndex,
    /// Diameter at breast height.
    pub dbh_cm: f64,
    /// Line in the trees file.
    pub line: usize,
    /// Is this the tree that is wanted?
    pub wanted: Wanted,
}

/// Which tree is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// This one.
    This,
    /// This one or another of its dbh class.
    AnyOfClass,
}

impl StandAudit {
    /// Heights measured as the rule asks.
    pub fn measured(&self) -> usize {
        self.asked - self.missing.len()
    }
}

impl MissingHeight {
    /// `tree 4, Fd`, or `Fd` for a tree without a number.
    pub fn name(&self, species: &[CruiseSpecies]) -> String {
        let label = &species[self.species].label;
        if self.number.is_empty() {
            label.clone()
        } else {
            format!("tree {}, {label}", self.number)
        }
    }
}

impl Wanted {
    /// What the rule says of the tree.
    pub fn words(self) -> &'static str {
        match self {
            Wanted::This => "the rule asks for it",
            Wanted::AnyOfClass => "or another tree of its dbh class",
        }
    }
}

/// A tree that a rule may ask for.
#[derive(Clone, Copy)]
struct Candidate<'r> {
    /// Index into [`Stand::plots`].
    plot: usize,
    tree: &'r Tree,
    has_height: bool,
}

/// The findings for each stand, in their order.
pub fn audit(subsample: &Subsample, stands: &[Stand]) -> Vec<StandAudit> {
    // Trees so far, for a count that runs over the whole cruise.
    let mut so_far = 0;
    stands
        .iter()
        .map(|stand| audit_stand(subsample, stand, &mut so_far))
        .collect()
}

fn audit_stand(subsample: &Subsample, stand: &Stand, so_far: &mut usize) -> StandAudit {
    let plots: Vec<Vec<Candidate<'_>>> = stand
        .plots
        .iter()
        .enumerate()
        .map(|(at, plot)| candidates(plot, at, subsample))
        .collect();
    let mut found = Findings::default();
    match subsample.rule {
        SubsampleRule::FirstPerSpecies { per_plot } => {
            for plot in &plots {
                let mut seen: BTreeMap<CruiseSpeciesIndex, usize> = BTreeMap::new();
                for tree in plot {
                    let nth = seen.entry(tree.tree.species).or_default();
                    *nth += 1;
                    found.tree(tree, *nth <= per_plot);
                }
            }
        }
        SubsampleRule::EveryNth { every, count_over } => {
            for plot in &plots {
                if count_over == CountOver::Plot {
                    *so_far = 0;
                }
                for tree in plot {
                    *so_far += 1;
                    found.tree(tree, so_far.is_multiple_of(every));
                }
            }
        }
        SubsampleRule::PerDbhClass {
            class_cm,
            per_class,
            over,
        } => match over {
            ClassOver::Plot => {
                for plot in &plots {
                    found.classes(plot, class_cm, per_class);
                }
            }
            ClassOver::Stand => found.classes(&plots.concat(), class_cm, per_class),
        },
        SubsampleRule::AllIn { .. } => {
            for tree in plots.iter().flatten() {
                found.tree(tree, true);
            }
        }
    }
    found.of(stand)
}

/// Is the rule about a selection?
fn is_about(subsample: &Subsample, selection: SelectionIndex) -> bool {
    match subsample.rule {
        SubsampleRule::AllIn { selection: only } => selection == only,
        _ => subsample.selections.is_empty() || subsample.selections.contains(&selection),
    }
}

/// The trees of a plot that the rule may ask for, each once, in the order in which it takes them.
fn candidates<'r>(plot: &'r Plot, at: usize, subsample: &Subsample) -> Vec<Candidate<'r>> {
    let mut found: Vec<(SelectionIndex, Candidate<'r>)> = Vec::new();
    let visits = plot.visits.iter();
    for visit in visits.filter(|visit| is_about(subsample, visit.selection)) {
        for tree in &visit.trees {
            if tree.status.is_live() && tree.broken_height_m.is_none() && !tree.excluded {
                let has_height = tree.height != HeightRecord::Missing;
                let candidate = Candidate {
                    plot: at,
                    tree,
                    has_height,
                };
                found.push((visit.selection, candidate));
            }
        }
    }
    found.sort_by(|(first, a), (second, b)| {
        let (x, y) = (a.tree, b.tree);
        natural_order(&x.number, &y.number)
            .then(x.species.cmp(&y.species))
            .then_with(|| x.dbh_cm.total_cmp(&y.dbh_cm))
            .then(first.cmp(second))
            .then(x.line.cmp(&y.line))
    });
    // A tree without a number cannot be recognised in another selection.
    found.dedup_by(|(later, b), (first, a)| {
        let same = !a.tree.number.is_empty()
            && a.tree.number == b.tree.number
            && first != later
            && a.tree.species == b.tree.species
            && a.tree.dbh_cm.total_cmp(&b.tree.dbh_cm).is_eq();
        a.has_height |= same && b.has_height;
        same
    });
    let mut trees: Vec<Candidate<'r>> = found.into_iter().map(|(_, tree)| tree).collect();
    trees.sort_by(|a, b| {
        let by_number = natural_order(&a.tree.number, &b.tree.number);
        by_number.then(a.tree.line.cmp(&b.tree.line))
    });
    trees
}

#[derive(Default)]
struct Findings<'r> {
    /// By plot, the heights asked for.
    asked: BTreeMap<usize, usize>,
    missing: Vec<(Candidate<'r>, Wanted)>,
    extra: usize,
}

impl<'r> Findings<'r> {
    fn tree(&mut self, tree: &Candidate<'r>, is_asked: bool) {
        match (is_asked, tree.has_height) {
            (true, true) => self.ask(tree),
            (true, false) => self.miss(tree, Wanted::This),
            (false, true) => self.extra += 1,
            (false, false) => {}
        }
    }

    fn ask(&mut self, tree: &Candidate<'r>) {
        *self.asked.entry(tree.plot).or_default() += 1;
    }

    fn miss(&mut self, tree: &Candidate<'r>, wanted: Wanted) {
        self.ask(tree);
        self.missing.push((*tree, wanted));
    }

    /// Some trees of each dbh class.
    fn classes(&mut self, trees: &[Candidate<'r>], class_cm: f64, per_class: usize) {
        let mut classes: BTreeMap<u64, Vec<&Candidate<'r>>> = BTreeMap::new();
        for tree in trees {
            // Diameters are positive, and the bits of positive numbers sort as they do.
            let class = (tree.tree.dbh_cm / class_cm + CLASS_SLACK).floor();
            classes.entry(class.to_bits()).or_default().push(tree);
        }
        for class in classes.into_values() {
            let (with, without): (Vec<_>, Vec<_>) =
                class.into_iter().partition(|tree| tree.has_height);
            self.extra += with.len().saturating_sub(per_class);
            for tree in with.iter().take(per_class) {
                self.ask(tree);
            }
            for tree in without.iter().take(per_class.saturating_sub(with.len())) {
                self.miss(tree, Wanted::AnyOfClass);
            }
        }
    }

    fn of(mut self, stand: &Stand) -> StandAudit {
        self.missing.sort_by(|(a, _), (b, _)| {
            let by_number = natural_order(&a.tree.number, &b.tree.number);
            a.plot
                .cmp(&b.plot)
                .then(by_number)
                .then(a.tree.line.cmp(&b.tree.line))
        });
        let misses = |plot: &usize| self.missing.iter().any(|(tree, _)| tree.plot == *plot);
        StandAudit {
            asked: self.asked.values().sum(),
            extra: self.extra,
            plots_asked: self.asked.len(),
            plots_followed: self.asked.keys().filter(|plot| !misses(plot)).count(),
            missing: self
                .missing
                .iter()
                .map(|(candidate, wanted)| MissingHeight {
                    plot: stand.plots[candidate.plot].name.clone(),
                    number: candidate.tree.number.to_string(),
                    species: candidate.tree.species,
                    dbh_cm: candidate.tree.dbh_cm,
                    line: candidate.tree.line,
                    wanted: *wanted,
                })
                .collect(),
        }
    }
}

/// A dbh converted from inches may fall short of the class limit that it was measured at.
const CLASS_SLACK: f64 = 1e-9;
