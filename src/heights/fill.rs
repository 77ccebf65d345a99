//! Missing heights, filled from the nearest curve that there is.
//!
//! In: the stands whose trees share their curves, and the rules of the design. Out: a height and
//! its source for every tree.
//!
//! Levels, in this order:
//! 1. species: a curve fitted to the heights of the species, when it has at least
//!    `heights: min_trees` of them and some form gives an acceptable curve;
//! 2. ratio, only where the design asks for it (`heights: ratio_to`): the curve of another species,
//!    whichever level that one has it from, times a factor;
//! 3. pooled: fitted as the first, to the heights of all softwoods, or of all hardwoods; a species that is
//!    neither in the species table lends and borrows nothing;
//! 4. regional: the published curve, when the design names a set and it covers the species, raised or
//!    lowered to the heights at hand;
//! 5. none. There is never a constant height.
//!
//! Where heights are few the next level may foretell them better: a species with fewer than
//! [`super::MANY_HEIGHTS`] takes the pooled curve unless its own is clearly better, and the published
//! one that the design names unless the pooled one is clearly better, by the errors for heights left
//! out one at a time, by more than two standard errors; one with more keeps its own unless the pooled
//! one is clearly better (`levels`).
//!
//! Which heights are used: of live trees, unbroken, above breast height. A tree outside the dbh
//! limits of its selection lends none and asks for none: it is no tree of the population that is
//! filled, and would bend the curve where nothing is served; such heights are counted. It takes a
//! height from the curve of its species, if there is one. A tree recorded in two selections of one plot
//! (same number, species, dbh and height) is used once. The `count` of a record is no weight: one
//! height was measured. Points are sorted by dbh and height, so the order of rows changes nothing.
//!
//! Dead and broken trees take the height of the unbroken stem from the same curves. Where a curve
//! gives less than the height at which a stem is broken off, that height is taken.

use std::cmp::Ordering;

use super::curve::Curve;
use super::fit::{FittedCurve, HeightPoint};
use super::levels;
use super::regional::RegionalSet;
use super::{
    CurveUse, FittedUse, HeightCurve, HeightSource, Level, OneHeight, Place, Served, StandHeights,
    TreeHeight, WithoutCurve,
};
use crate::design::Heights;
use crate::math::digits::six_digits;
use crate::records::{CruiseSpecies, CruiseSpeciesIndex, HeightRecord, Plot, Stand, Tree};
use crate::species::SpeciesTable;

/// The curves that serve some stands.
#[derive(Clone, Debug, Default)]
pub struct CurveSet {
    pub(super) uses: Vec<CurveUse>,
    /// By species of the cruise, an index into `uses`.
    pub(super) by_species: Vec<Option<usize>>,
    pub(super) without_curve: Vec<WithoutCurve>,
    pub(super) one_height: Vec<OneHeight>,
    pub(super) breast_height_m: f64,
}

/// A height that a curve may be fitted to.
#[derive(Clone, Copy, Debug)]
pub struct HeightTree {
    /// The height, with its dbh and place.
    pub point: HeightPoint,
    /// Was it read with a sight steeper than 100 %?
    pub is_steep: bool,
    /// Where its record is: an index into the visits of its plot, and one into the trees there.
    pub record: (usize, usize),
}

impl HeightTree {
    /// Its species.
    pub fn species(&self) -> CruiseSpeciesIndex {
        self.point.place.species
    }
}

/// What the trees of some stands offer and ask for.
pub(super) struct Trees {
    /// Usable heights, each tree once.
    pub(super) heights: Vec<HeightTree>,
    /// The trees without a height, each by its place and dbh in cm.
    pub(super) lacking: Vec<(Place, f64)>,
    /// Smallest and largest dbh of these, by species of the cruise.
    pub(super) missing: Vec<Option<(f64, f64)>>,
    /// Plots of each stand.
    pub(super) n_plots: Vec<usize>,
}

impl Trees {
    fn of(stands: &[&Stand], n_species: usize, design: &Heights) -> Trees {
        let mut lacking: Vec<(Place, f64)> = Vec::new();
        let mut missing: Vec<Option<(f64, f64)>> = vec![None; n_species];
        for (stand_at, stand) in stands.iter().enumerate() {
            for (plot_at, plot) in stand.plots.iter().enumerate() {
                let trees = plot.visits.iter().flat_map(|visit| &visit.trees);
                for tree in trees.filter(|tree| lacks_height(tree)) {
                    let place = Place {
                        stand: stand_at,
                        plot: plot_at,
                        species: tree.species,
                    };
                    lacking.push((place, tree.dbh_cm));
                    let dbh = (tree.dbh_cm, tree.dbh_cm);
                    missing[tree.species] = Some(widen(missing[tree.species], dbh));
                }
            }
        }
        Trees {
            heights: height_trees(stands, design),
            lacking,
            missing,
            n_plots: stands.iter().map(|stand| stand.plots.len()).collect(),
        }
    }
}

/// The heights of some stands that curves may be fitted to, each tree once.
pub fn height_trees(stands: &[&Stand], design: &Heights) -> Vec<HeightTree> {
    let mut heights: Vec<HeightTree> = Vec::new();
    for (at, stand) in stands.iter().enumerate() {
        for (plot_at, plot) in stand.plots.iter().enumerate() {
            heights.extend(usable_heights(plot, (at, plot_at), design));
        }
    }
    heights
}

fn by_size(a: &HeightTree, b: &HeightTree) -> Ordering {
    let (a, b) = (&a.point, &b.point);
    let by_dbh = a.dbh_cm.total_cmp(&b.dbh_cm);
    by_dbh.then_with(|| a.height_m.total_cmp(&b.height_m))
}

pub(super) fn widen(range: Option<(f64, f64)>, (low, high): (f64, f64)) -> (f64, f64) {
    range.map_or((low, high), |(least, most)| {
        (least.min(low), most.max(high))
    })
}

/// Is a height asked for?
fn lacks_height(tree: &Tree) -> bool {
    !tree.excluded && tree.height == HeightRecord::Missing
}

/// A height that could be fitted, if the tree were within the dbh limits: m, and whether it was
/// read too steeply.
fn usable_height(tree: &Tree, breast_height_m: f64) -> Option<(f64, bool)> {
    recorded(tree).filter(|(height_m, _)| {
        tree.status.is_live() && tree.broken_height_m.is_none() && *height_m > breast_height_m
    })
}

/// The recorded height, if there is one, and whether it was read too steeply.
fn recorded(tree: &Tree) -> Option<(f64, bool)> {
    let is_steep = matches!(tree.height, HeightRecord::Instrument(reading) if reading.is_steep());
    tree.height.height_m().map(|height_m| (height_m, is_steep))
}

/// The usable heights of a plot (given by its stand and its index there), each tree once.
fn usable_heights(
    plot: &Plot,
    (stand, plot_at): (usize, usize),
    design: &Heights,
) -> Vec<HeightTree> {
    let mut found: Vec<(&str, usize, HeightTree)> = Vec::new();
    for (visit_at, visit) in plot.visits.iter().enumerate() {
        let trees = visit.trees.iter().enumerate();
        for (tree_at, tree) in trees.filter(|(_, tree)| !tree.excluded) {
            if let Some((height_m, is_steep)) = usable_height(tree, design.breast_height_m) {
                let height = HeightTree {
                    point: HeightPoint {
                        dbh_cm: tree.dbh_cm,
                        height_m,
                        std_error_m: tree.height.std_error_m(&design.instrument),
                        place: Place {
                            stand,
                            plot: plot_at,
                            species: tree.species,
                        },
                    },
                    is_steep,
                    record: (visit_at, tree_at),
                };
                found.push((tree.number.as_str(), visit.selection, height));
            }
        }
    }
    found.sort_by(|a, b| {
        let same_tree = a.0.cmp(b.0).then(a.2.species().cmp(&b.2.species()));
        same_tree
            .then_with(|| by_size(&a.2, &b.2))
            .then(a.1.cmp(&b.1))
    });
    // A tree without a number cannot be recognised in another selection.
    found.dedup_by(|b, a| {
        !a.0.is_empty()
            && a.0 == b.0
            && a.1 != b.1
            && a.2.species() == b.2.species()
            && by_size(&a.2, &b.2).is_eq()
    });
    found.into_iter().map(|(.., height)| height).collect()
}

impl CurveSet {
    /// The curves for some stands: for every species with a missing height the nearest level that
    /// serves it. `species` are those of the cruise, to which the records point.
    pub fn fit(
        stands: &[&Stand],
        species: &[CruiseSpecies],
        table: &SpeciesTable,
        design: &Heights,
        regional: Option<&RegionalSet>,
    ) -> CurveSet {
        let trees = Trees::of(stands, species.len(), design);
        levels::search(&trees, species, table, design, regional)
    }

    /// The heights of one of the stands that the curves were fitted for, the one at that index.
    pub fn fill(&self, at: usize, stand: &Stand) -> StandHeights {
        let mut curves = self.uses.clone();
        let mut trees: Vec<TreeHeight> = Vec::new();
        for (plot_at, plot) in stand.plots.iter().enumerate() {
            for tree in plot.visits.iter().flat_map(|visit| &visit.trees) {
                let place = Place {
                    stand: at,
                    plot: plot_at,
                    species: tree.species,
                };
                trees.push(self.tree_height(tree, place));
            }
        }
        let within = |((_, _, tree), _): &((_, _, &Tree), _)| !tree.excluded;
        for ((_, _, tree), height) in stand.trees().zip(&trees).filter(within) {
            if let Some(index) = height.source.curve() {
                let CurveUse { species, curve, .. } = &mut curves[index];
                let is_its = |served: &&mut Served| served.species == tree.species;
                if let Some(served) = species.iter_mut().find(is_its) {
                    served.filled += 1;
                    served.extrapolated += usize::from(curve.is_extrapolated(tree.dbh_cm));
                }
            }
        }
        let misses = |species| {
            let mut trees = stand.trees();
            trees.any(|(_, _, tree)| tree.species == species && lacks_height(tree))
        };
        let without_curve = self.without_curve.iter();
        let left_out =
            |tree: &Tree| tree.excluded && usable_height(tree, self.breast_height_m).is_some();
        StandHeights {
            trees,
            curves,
            left_out: stand.trees().filter(|(_, _, tree)| left_out(tree)).count(),
            one_height: self.one_height_of(stand),
            without_curve: without_curve
                .filter(|without| misses(without.species))
                .cloned()
                .collect(),
        }
    }

    /// Heights of one value, where the stand has trees that are filled or left without one.
    fn one_height_of(&self, stand: &Stand) -> Vec<OneHeight> {
        let misses = |one: &&OneHeight| {
            let mut trees = stand.trees();
            trees.any(|(_, _, tree)| {
                one.species.is_none_or(|species| species == tree.species) && lacks_height(tree)
            })
        };
        self.one_height.iter().filter(misses).copied().collect()
    }

    fn tree_height(&self, tree: &Tree, place: Place) -> TreeHeight {
        let height = |height_m, source| TreeHeight {
            place,
            height_m: Some(height_m),
            source,
            raised_to_break: false,
        };
        match tree.height {
            HeightRecord::Measured { height_m } => height(height_m, HeightSource::Measured),
            HeightRecord::Instrument(reading) => {
                height(reading.height_m(), HeightSource::Instrument)
            }
            HeightRecord::Missing => self.filled_height(tree, place),
        }
    }

    fn filled_height(&self, tree: &Tree, place: Place) -> TreeHeight {
        let Some(index) = self.by_species[tree.species] else {
            return TreeHeight {
                place,
                height_m: None,
                source: HeightSource::None,
                raised_to_break: false,
            };
        };
        let used = &self.uses[index];
        let by_curve_m = used.curve.height_m(tree.dbh_cm, place);
        let break_m = tree
            .broken_height_m
            .filter(|broken_m| *broken_m > by_curve_m);
        TreeHeight {
            place,
            height_m: Some(break_m.unwrap_or(by_curve_m)),
            source: match used.level {
                Level::Species => HeightSource::SpeciesCurve(index),
                Level::Ratio => HeightSource::RatioCurve(index),
                Level::Pooled(_) => HeightSource::PooledCurve(index),
                Level::Regional => HeightSource::RegionalCurve(index),
            },
            raised_to_break: break_m.is_some(),
        }
    }
}

impl StandHeights {
    /// Was a height filled from a curve outside the trees behind it?
    pub fn is_extrapolated(&self, source: HeightSource, dbh_cm: f64) -> bool {
        source
            .curve()
            .is_some_and(|index| self.curves[index].curve.is_extrapolated(dbh_cm))
    }

    /// How a filled height comes about, line by line; nothing for other sources.
    pub fn derivation(&self, source: HeightSource, dbh_cm: f64, place: Place) -> Vec<String> {
        let Some(used) = source.curve().map(|index| &self.curves[index]) else {
            return Vec::new();
        };
        used.curve.derivation(used.level, dbh_cm, place)
    }
}

impl HeightCurve {
    fn derivation(&self, level: Level, dbh_cm: f64, place: Place) -> Vec<String> {
        match self {
            HeightCurve::Published(published) => published.derivation(dbh_cm),
            HeightCurve::Fitted(fitted) => fitted.derivation(level, dbh_cm, place),
            HeightCurve::Ratio(used) => used.derivation(dbh_cm, place, |curve, place| {
                curve.derivation(Level::Ratio, dbh_cm, place)
            }),
        }
    }
}

impl FittedUse {
    /// The parameters with their standard errors: `a = 1.2346 (0.0567), b = 0.1600 (0.0123)`.
    pub fn parameters_shown(&self) -> String {
        match &self.effects {
            Ok(effects) => effects.parameters_shown(),
            Err(_) => parameters_shown(&self.fit),
        }
    }

    fn derivation(&self, level: Level, dbh_cm: f64, place: Place) -> Vec<String> {
        let fit = &self.fit;
        let whose = match level {
            Level::Pooled(_) => format!("all {}", level.name()),
            Level::Species | Level::Regional => "its species".to_owned(),
            Level::Ratio => "the other species, or of its kind".to_owned(),
        };
        let (least_cm, most_cm) = fit.dbh_range_cm;
        let mut lines = vec![
            format!(
                "curve {} fitted to {} heights of {whose}, dbh {least_cm:.1} to {most_cm:.1} cm, \
                 root mean square error {:.2} m",
                fit.curve.form.name(),
                fit.n,
                self.rmse_m()
            ),
            format!(
                "{}: {}",
                fitted_expression(&fit.curve),
                self.parameters_shown()
            ),
        ];
        if let Ok(effects) = &self.effects {
            lines.extend(effects.derivation(place));
        }
        lines.push(format!(
            "D = {dbh_cm:.2} cm: H = {:.4} m",
            self.curve_at(place).height_m(dbh_cm)
        ));
        if dbh_cm < least_cm || dbh_cm > most_cm {
            lines.push("outside the dbh of the trees behind the curve: extrapolated".to_owned());
        }
        lines
    }
}

/// The parameters of a fit with their standard errors: `a = 1.2346 (0.0567), b = 0.1600 (0.0123)`.
pub fn parameters_shown(fit: &FittedCurve) -> String {
    let values = fit.curve.parameters().iter().zip(&fit.std_errors);
    let shown: Vec<String> = ["a", "b", "c"]
        .into_iter()
        .zip(values)
        .map(|(name, (value, error))| {
            format!("{name} = {} ({})", six_digits(*value), six_digits(*error))
        })
        .collect();
    shown.join(", ")
}

/// `H = 1.3 + D^2 / (a + b D)^2, D in cm, H in m`.
pub(super) fn fitted_expression(curve: &Curve) -> String {
    let height = curve.breast_height_m.to_string();
    let formula = curve.form.expression().replacen("bh", &height, 1);
    format!("{formula}, D in cm, H in m")
}
