//! Missing heights, filled from the nearest curve that there is.
//!
//! In: the stands whose trees share their curves, and the rules of the design. Out: a height and
//! its source for every tree.
//!
//! Levels, in this order:
//! 1. species: a curve fitted to the heights of the species, when it has at least
//!    `heights: min_trees` of them and some form gives an acceptable curve;
//! 2. pooled: the same with the heights of all softwoods, or of all hardwoods; a species that is
//!    neither in the species table lends and borrows nothing;
//! 3. regional: the published curve, when the design names a set and it covers the species;
//! 4. none. There is never a constant height.
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
use super::fit::{FittedCurve, HeightPoint, Points, choose};
use super::regional::RegionalSet;
use super::{
    CurveUse, FittedUse, HeightCurve, HeightSource, Level, Passed, Place, Served, StandHeights,
    TreeHeight, Why, WithoutCurve,
};
use crate::design::Heights;
use crate::math::digits::six_digits;
use crate::math::nonlinear::Solver;
use crate::records::{CruiseSpecies, CruiseSpeciesIndex, HeightRecord, Plot, Stand, Tree};
use crate::species::{Kind, SpeciesTable};

/// The curves that serve some stands.
#[derive(Clone, Debug, Default)]
pub struct CurveSet {
    uses: Vec<CurveUse>,
    /// By species of the cruise, an index into `uses`.
    by_species: Vec<Option<usize>>,
    without_curve: Vec<WithoutCurve>,
    breast_height_m: f64,
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
struct Trees {
    /// Usable heights, each tree once.
    heights: Vec<HeightTree>,
    /// Smallest and largest dbh of the trees without a height, by species of the cruise.
    missing: Vec<Option<(f64, f64)>>,
}

impl Trees {
    fn of(stands: &[&Stand], n_species: usize, design: &Heights) -> Trees {
        let heights = height_trees(stands, design);
        let mut missing: Vec<Option<(f64, f64)>> = vec![None; n_species];
        let trees = stands.iter().flat_map(|stand| stand.trees());
        for (_, _, tree) in trees.filter(|(_, _, tree)| lacks_height(tree)) {
            let dbh = (tree.dbh_cm, tree.dbh_cm);
            missing[tree.species] = Some(widen(missing[tree.species], dbh));
        }
        Trees { heights, missing }
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
        let kind = |at: CruiseSpeciesIndex| table.get(species[at].id).kind;
        let mut set = CurveSet {
            by_species: vec![None; species.len()],
            breast_height_m: design.breast_height_m,
            ..CurveSet::default()
        };
        let mut solver = Solver::default();
        let mut open: Vec<Served> = Vec::new();
        for (at, missing) in trees.missing.iter().enumerate() {
            let Some(missing) = missing else { continue };
            let own = trees.heights.iter().filter(|tree| tree.species() == at);
            match fit_level(own, *missing, design, &mut solver) {
                Ok(curve) => set.serve(Level::Species, curve, vec![Served::new(at)]),
                Err(why) => open.push(Served::new(at).passed(Level::Species, why)),
            }
        }
        for group in [Kind::Softwood, Kind::Hardwood] {
            let (members, others): (Vec<Served>, Vec<Served>) = open
                .into_iter()
                .partition(|served| kind(served.species) == group);
            open = others;
            let level = Level::Pooled(group);
            let missing = members
                .iter()
                .filter_map(|served| trees.missing[served.species])
                .fold(None, |range, dbh| Some(widen(range, dbh)));
            let Some(missing) = missing else { continue };
            let pool = trees
                .heights
                .iter()
                .filter(|tree| kind(tree.species()) == group);
            match fit_level(pool, missing, design, &mut solver) {
                Ok(curve) => set.serve(level, curve, members),
                Err(why) => {
                    let passed = members.into_iter();
                    open.extend(passed.map(|served| served.passed(level, why.clone())));
                }
            }
        }
        open.sort_by_key(|served| served.species);
        for mut served in open {
            if kind(served.species) == Kind::Unknown {
                let level = Level::Pooled(Kind::Unknown);
                served = served.passed(level, Why::KindUnknown);
            }
            let id = species[served.species].id;
            let curve = regional.map(|set| set.curve_for(id, table).ok_or(set));
            let why = match curve {
                Some(Ok(curve)) => {
                    let curve = HeightCurve::Published(Box::new(curve.clone()));
                    set.serve(Level::Regional, curve, vec![served]);
                    continue;
                }
                Some(Err(set)) => Why::NotInSet {
                    set: set.head.name.clone(),
                },
                None => Why::NoSet,
            };
            let Served {
                species, passed, ..
            } = served.passed(Level::Regional, why);
            set.without_curve.push(WithoutCurve { species, passed });
        }
        set
    }

    fn serve(&mut self, level: Level, curve: HeightCurve, species: Vec<Served>) {
        for served in &species {
            self.by_species[served.species] = Some(self.uses.len());
        }
        self.uses.push(CurveUse {
            level,
            species,
            curve,
        });
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
            without_curve: without_curve
                .filter(|without| misses(without.species))
                .cloned()
                .collect(),
        }
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
                Level::Pooled(_) => HeightSource::PooledCurve(index),
                Level::Regional => HeightSource::RegionalCurve(index),
            },
            raised_to_break: break_m.is_some(),
        }
    }
}

impl Served {
    fn new(species: CruiseSpeciesIndex) -> Self {
        Served {
            species,
            passed: Vec::new(),
            filled: 0,
            extrapolated: 0,
        }
    }

    fn passed(mut self, level: Level, why: Why) -> Self {
        self.passed.push(Passed { level, why });
        self
    }
}

/// Fits a curve to heights; `missing` is the range of dbh that it must serve besides.
pub(super) fn fit_level<'h>(
    heights: impl Iterator<Item = &'h HeightTree>,
    missing: (f64, f64),
    design: &Heights,
    solver: &mut Solver,
) -> Result<HeightCurve, Why> {
    let heights: Vec<&HeightTree> = heights.collect();
    let points = Points::of(heights.iter().map(|tree| tree.point).collect());
    let n = points.len();
    let Some((least_cm, most_cm)) = points.dbh_range_cm().filter(|_| n >= design.min_trees) else {
        let wanted = design.min_trees;
        return Err(Why::TooFew { n, wanted });
    };
    if points.is_level() {
        let height_m = points.tallest_m();
        return Err(Why::OneHeight { n, height_m });
    }
    if least_cm.total_cmp(&most_cm).is_eq() {
        let dbh_cm = least_cm;
        return Err(Why::OneDbh { n, dbh_cm });
    }
    let range_cm = widen(Some(missing), (least_cm, most_cm));
    let choice = choose(
        &points,
        &design.curve,
        design.weights,
        design.breast_height_m,
        range_cm,
        solver,
    );
    let Some(fit) = choice.chosen else {
        let tried = choice.tried;
        return Err(Why::NoForm { n, tried });
    };
    Ok(HeightCurve::Fitted(Box::new(FittedUse {
        fit,
        tried: choice.tried,
        replaced: choice.replaced,
        steep: heights.iter().filter(|tree| tree.is_steep).count(),
    })))
}

impl StandHeights {
    /// Was a height filled from a curve outside the trees behind it?
    pub fn is_extrapolated(&self, source: HeightSource, dbh_cm: f64) -> bool {
        source
            .curve()
            .is_some_and(|index| self.curves[index].curve.is_extrapolated(dbh_cm))
    }

    /// How a filled height comes about, line by line; nothing for other sources.
    pub fn derivation(&self, source: HeightSource, dbh_cm: f64) -> Vec<String> {
        let Some(used) = source.curve().map(|index| &self.curves[index]) else {
            return Vec::new();
        };
        match &used.curve {
            HeightCurve::Published(curve) => curve.derivation(dbh_cm),
            HeightCurve::Fitted(fitted) => fitted.derivation(used.level, dbh_cm),
        }
    }
}

impl FittedUse {
    /// The parameters with their standard errors: `a = 1.2346 (0.0567), b = 0.1600 (0.0123)`.
    pub fn parameters_shown(&self) -> String {
        parameters_shown(&self.fit)
    }

    fn derivation(&self, level: Level, dbh_cm: f64) -> Vec<String> {
        let fit = &self.fit;
        let whose = match level {
            Level::Pooled(_) => format!("all {}", level.name()),
            Level::Species | Level::Regional => "its species".to_owned(),
        };
        let (least_cm, most_cm) = fit.dbh_range_cm;
        let mut lines = vec![
            format!(
                "curve {} fitted to {} heights of {whose}, dbh {least_cm:.1} to {most_cm:.1} cm, \
                 root mean square error {:.2} m",
                fit.curve.form.name(),
                fit.n,
                fit.rmse_m
            ),
            format!(
                "{}: {}",
                fitted_expression(&fit.curve),
                self.parameters_shown()
            ),
            format!(
                "D = {dbh_cm:.2} cm: H = {:.4} m",
                fit.curve.height_m(dbh_cm)
            ),
        ];
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
