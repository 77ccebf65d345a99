//! Which curve serves which species: the levels of [`super::fill`], one after the other.

use std::cmp::Reverse;
use std::sync::Arc;

use super::curve::Curve;
use super::effects::WithoutEffects;
use super::fill::{CurveSet, HeightTree, Trees, widen};
use super::fit::{Points, choose};
use super::mixed::Solvers;
use super::ratio::RatioUse;
use super::regional::{RegionalCurve, RegionalSet};
use super::scale::{PublishedUse, Scale};
use super::{
    CurveUse, FittedUse, HeightCurve, Level, OneHeight, Passed, Place, Served, Why, WithoutCurve,
};
use crate::design::Heights;
use crate::math::nonlinear::Solver;
use crate::records::{CruiseSpecies, CruiseSpeciesIndex};
use crate::species::{Kind, SpeciesId, SpeciesTable};
use better::left_out_of;

mod better;

/// Smallest and largest dbh.
type Range = (f64, f64);

/// The species whose curve another takes, and the factor that the design gives.
type RatioTo = (CruiseSpeciesIndex, Option<f64>);

/// A curve fitted to the heights of a level.
#[derive(Clone)]
pub(super) struct LevelFit {
    pub(super) used: FittedUse,
    /// The curves of all forms that were accepted, each with its corrected AIC.
    accepted: Vec<(Curve, f64)>,
    /// The heights behind it.
    points: Points,
}

/// A species and its own curve.
type Own = (CruiseSpeciesIndex, LevelFit);

/// The search for curves.
struct Search<'s> {
    heights: &'s [HeightTree],
    /// Trees without a height, each by its place and dbh in cm.
    lacking: &'s [(Place, f64)],
    /// Plots of each stand.
    n_plots: &'s [usize],
    /// The species of the cruise, then those that the design names besides: a species of these has
    /// no tree, but may have a published curve.
    ids: Vec<SpeciesId>,
    /// How many species the cruise has.
    recorded: usize,
    ratio_to: Vec<Option<RatioTo>>,
    table: &'s SpeciesTable,
    design: &'s Heights,
    regional: Option<&'s RegionalSet>,
    solver: Solver,
    solvers: Solvers,
    set: CurveSet,
    /// Dbh that a curve of the species must serve; `None` where none is asked for.
    range: Vec<Option<Range>>,
}

/// The curves for these trees.
pub(super) fn search(
    trees: &Trees,
    species: &[CruiseSpecies],
    table: &SpeciesTable,
    design: &Heights,
    regional: Option<&RegionalSet>,
) -> CurveSet {
    let mut ids: Vec<SpeciesId> = species.iter().map(|species| species.id).collect();
    let mut index = |name: &str| {
        let id = table.lookup(name)?;
        let at = ids.iter().position(|known| *known == id);
        Some(at.unwrap_or_else(|| {
            ids.push(id);
            ids.len() - 1
        }))
    };
    // A name that means nothing was refused when the design was checked.
    let named: Vec<(usize, RatioTo)> = design
        .ratio_to
        .iter()
        .filter_map(|ratio| {
            let (from, to) = (index(&ratio.species)?, index(&ratio.to)?);
            Some((from, (to, ratio.ratio)))
        })
        .collect();
    let mut ratio_to = vec![None; ids.len()];
    for (from, to) in named {
        ratio_to[from] = Some(to);
    }
    let mut range = trees.missing.clone();
    range.resize(ids.len(), None);
    let set = CurveSet {
        by_species: vec![None; ids.len()],
        breast_height_m: design.breast_height_m,
        one_height: one_heights(trees),
        ..CurveSet::default()
    };
    let search = Search {
        heights: &trees.heights,
        lacking: &trees.lacking,
        n_plots: &trees.n_plots,
        recorded: species.len(),
        ids,
        ratio_to,
        table,
        design,
        regional,
        solver: Solver::default(),
        solvers: Solvers::default(),
        set,
        range,
    };
    search.run()
}

/// Heights of which none differs: all that there are, else those of a species that asks for more.
fn one_heights(trees: &Trees) -> Vec<OneHeight> {
    let same = |species: Option<CruiseSpeciesIndex>| {
        let of = |tree: &&HeightTree| species.is_none_or(|species| tree.species() == species);
        let mut heights = trees.heights.iter().filter(of);
        let first = heights.next()?;
        let (mut n, height_m, mut several) = (1, first.point.height_m, false);
        for tree in heights {
            if tree.point.height_m.to_bits() != height_m.to_bits() {
                return None;
            }
            n += 1;
            several |= tree.species() != first.species();
        }
        let species = species.or((!several).then(|| first.species()));
        (n > 1).then_some(OneHeight {
            species,
            n,
            height_m,
        })
    };
    if let Some(all) = same(None) {
        return vec![all];
    }
    let asking = trees.missing.iter().enumerate();
    asking
        .filter(|(_, missing)| missing.is_some())
        .filter_map(|(species, _)| same(Some(species)))
        .collect()
}

impl Search<'_> {
    fn run(mut self) -> CurveSet {
        let (mut open, mut waiting, mut own) = (Vec::new(), Vec::new(), Vec::new());
        for (at, curve) in self.own_curves().into_iter().enumerate() {
            match (curve, self.ratio_to[at]) {
                (None, _) => {}
                (Some(Ok(fitted)), _) => own.push((at, fitted)),
                (Some(Err(why)), to) => {
                    let served = Served::new(at).passed(Level::Species, why);
                    match to {
                        Some(to) => waiting.push((served, to)),
                        None => open.push(served),
                    }
                }
            }
        }
        self.share_out(open, own);
        waiting.sort_by_key(|(served, _)| (self.steps_from(served.species), served.species));
        for (served, to) in waiting {
            self.take_ratio(served, to);
        }
        self.set
    }

    /// The curves of single species, or why there is none, where one is asked for. A species that
    /// hangs on another comes first: what it lacks the other's curve must serve too.
    fn own_curves(&mut self) -> Vec<Option<Result<LevelFit, Why>>> {
        let mut order: Vec<CruiseSpeciesIndex> = (0..self.ids.len()).collect();
        order.sort_by_key(|at| Reverse(self.steps_from(*at)));
        let mut own: Vec<Option<Result<LevelFit, Why>>> = vec![None; self.ids.len()];
        for at in order {
            let Some(range) = self.range[at] else {
                continue;
            };
            let heights = self.heights.iter().filter(|tree| tree.species() == at);
            let curve = fit_level(heights, Some(range), self.design, &mut self.solver);
            if let (Err(_), Some((to, _))) = (&curve, self.ratio_to[at]) {
                self.range[to] = Some(widen(self.range[to], range));
            }
            own[at] = Some(curve);
        }
        own
    }

    /// How many species stand between this one and one that takes nobody's curve.
    fn steps_from(&self, mut at: CruiseSpeciesIndex) -> usize {
        let mut steps = 0;
        while let Some((to, _)) = self.ratio_to[at]
            && steps < self.ids.len()
        {
            at = to;
            steps += 1;
        }
        steps
    }

    fn kind(&self, at: CruiseSpeciesIndex) -> Kind {
        self.table.get(self.ids[at]).kind
    }

    /// The curve of another species, times a factor; the shared levels if the other has none.
    fn take_ratio(&mut self, served: Served, (to, given): RatioTo) {
        let at = served.species;
        let other = self.ids[to];
        let Some(index) = self.set.by_species[to] else {
            let why = Why::OtherHasNone { other };
            return self.share_out(vec![served.passed(Level::Ratio, why)], Vec::new());
        };
        let of_other = self.set.uses[index].curve.clone();
        let own = self.heights.iter().filter(|tree| tree.species() == at);
        let own = own.map(|tree| {
            let point = &tree.point;
            (point.dbh_cm, point.height_m, point.place)
        });
        let curve = RatioUse::new((other, to), of_other, given, own);
        let curve = HeightCurve::Ratio(Box::new(curve));
        self.serve(Level::Ratio, curve, vec![served]);
    }

    /// Serves species with many heights by their own curve, unless the shared one of their kind
    /// foretells their heights clearly better; those with fewer by the shared one, unless their own
    /// is clearly better. In place of the shared curve those with few heights take a published one, if
    /// the design names a set, unless the shared one foretells the heights of the kind clearly better.
    fn share_out(&mut self, mut open: Vec<Served>, own: Vec<Own>) {
        let mut kept: Vec<Own> = Vec::new();
        let mut shared_out: Vec<(Level, FittedUse, Vec<Served>)> = Vec::new();
        let mut rivals = own;
        for (at, fitted) in &mut rivals {
            fitted.used.effects = self.calibrated(*at, fitted).map(Arc::new);
        }
        for group in [Kind::Softwood, Kind::Hardwood] {
            let (mut members, others): (Vec<Served>, Vec<Served>) = open
                .into_iter()
                .partition(|served| self.kind(served.species) == group);
            open = others;
            let (of_group, others): (Vec<Own>, Vec<Own>) = rivals
                .into_iter()
                .partition(|(at, _)| self.kind(*at) == group);
            rivals = others;
            let level = Level::Pooled(group);
            if members.is_empty() && (of_group.is_empty() || self.species_with(group) < 2) {
                kept.extend(of_group);
                continue;
            }
            match self.shared(group, &members) {
                Ok(shared) => {
                    let errors_m = left_out_of(&shared.used, &shared.points);
                    for (at, fitted) in of_group {
                        match self.closer(at, fitted, &shared, errors_m.as_deref()) {
                            Ok(fitted) => kept.push((at, fitted)),
                            Err(why) => members.push(Served::new(at).passed(Level::Species, why)),
                        }
                    }
                    if let Some(why) = self.closer_published(&shared.points, errors_m.as_deref()) {
                        let (to_publish, to_share) = members.into_iter().partition(|served| {
                            let at = served.species;
                            !self.has_many(at) && self.published(at).is_ok()
                        });
                        members = to_share;
                        let passed = Vec::into_iter(to_publish);
                        open.extend(passed.map(|served| served.passed(level, why.clone())));
                    }
                    members.sort_by_key(|served| served.species);
                    shared_out.push((level, shared.used, members));
                }
                Err(why) => {
                    kept.extend(of_group);
                    let passed = members.into_iter();
                    open.extend(passed.map(|served| served.passed(level, why.clone())));
                }
            }
        }
        kept.extend(rivals);
        kept.sort_by_key(|(at, _)| *at);
        for (at, fitted) in kept {
            self.serve(
                Level::Species,
                HeightCurve::Fitted(Box::new(fitted.used)),
                vec![Served::new(at)],
            );
        }
        for (level, fitted, members) in shared_out {
            if !members.is_empty() {
                self.serve(level, HeightCurve::Fitted(Box::new(fitted)), members);
            }
        }
        self.publish(open);
    }

    /// Serves species by the published curves.
    fn publish(&mut self, mut open: Vec<Served>) {
        open.sort_by_key(|served| served.species);
        for mut served in open {
            let at = served.species;
            if self.kind(at) == Kind::Unknown {
                let level = Level::Pooled(Kind::Unknown);
                served = served.passed(level, Why::KindUnknown);
            }
            match self.published(at) {
                Ok(curve) => self.serve(Level::Regional, curve, vec![served]),
                Err(why) if at < self.recorded => {
                    let Served {
                        species, passed, ..
                    } = served.passed(Level::Regional, why);
                    self.set
                        .without_curve
                        .push(WithoutCurve { species, passed });
                }
                Err(_) => {}
            }
        }
    }

    /// The published curve of a species, scaled to the heights at hand.
    fn published(&self, at: CruiseSpeciesIndex) -> Result<HeightCurve, Why> {
        let set = self.regional.ok_or(Why::NoSet)?;
        let Some(curve) = set.curve_for(self.ids[at], self.table) else {
            let set = set.head.name.clone();
            return Err(Why::NotInSet { set });
        };
        let scale = self.scale_of(at, curve, set);
        let published = PublishedUse::new(curve.clone(), scale);
        Ok(HeightCurve::Published(Box::new(published)))
    }

    /// From the heights of the species, else of those of its kind, each over its own curve.
    fn scale_of(
        &self,
        at: CruiseSpeciesIndex,
        curve: &RegionalCurve,
        set: &RegionalSet,
    ) -> Option<Scale> {
        let pair = |tree: &HeightTree, curve: &RegionalCurve| {
            let y = tree.point.height_m - curve.breast_height_m();
            (y > 0.0).then(|| (y, curve.above_breast_height_m(tree.point.dbh_cm)))
        };
        let own = self.heights.iter().filter(|tree| tree.species() == at);
        let own = own.filter_map(|tree| pair(tree, curve));
        Scale::of(own, Level::Species).or_else(|| {
            let kind = self.kind(at);
            if kind == Kind::Unknown {
                return None;
            }
            let curves: Vec<Option<&RegionalCurve>> = (0..self.ids.len())
                .map(|other| {
                    let of_kind = self.kind(other) == kind;
                    let id = of_kind.then_some(self.ids[other])?;
                    set.curve_for(id, self.table)
                })
                .collect();
            let heights = self.heights.iter();
            let pairs = heights.filter_map(|tree| pair(tree, curves[tree.species()]?));
            Scale::of(pairs, Level::Pooled(kind))
        })
    }

    fn serve(&mut self, level: Level, curve: HeightCurve, mut species: Vec<Served>) {
        for served in &species {
            self.set.by_species[served.species] = Some(self.set.uses.len());
        }
        species.retain(|served| served.species < self.recorded);
        self.set.uses.push(CurveUse {
            level,
            species,
            curve,
        });
    }
}

/// Fits a curve to heights; `missing` is the range of dbh that it must serve besides.
pub(super) fn fit_level<'h>(
    heights: impl Iterator<Item = &'h HeightTree>,
    missing: Option<Range>,
    design: &Heights,
    solver: &mut Solver,
) -> Result<LevelFit, Why> {
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
    let choice = choose(
        &points,
        &design.curve,
        design.weights,
        design.breast_height_m,
        widen(missing, (least_cm, most_cm)),
        solver,
    );
    let Some(fit) = choice.chosen else {
        let tried = choice.tried;
        return Err(Why::NoForm { n, tried });
    };
    let used = FittedUse {
        fit,
        effects: Err(WithoutEffects::NotAsked),
        closer_than_shared: None,
        tried: choice.tried,
        replaced: choice.replaced,
        steep: heights.iter().filter(|tree| tree.is_steep).count(),
    };
    Ok(LevelFit {
        used,
        accepted: choice.accepted,
        points,
    })
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
