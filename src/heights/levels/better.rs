//! The curve that a kind shares, whether it or a species' own foretells heights better, and effects
//! of places on the latter.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{LevelFit, Range, Search, fit_level};
use crate::design::{Calibrate, CurveChoice, FitBy};
use crate::heights::curve::Curve;
use crate::heights::diagnose::residuals;
use crate::heights::effects::{Effects, Grouping, Groups, Request, WithoutEffects};
use crate::heights::fill::{HeightTree, widen};
use crate::heights::fit::{FAVOURITE, LEAD, Points, fit_form, serves};
use crate::heights::scale::{RatioSums, Scale};
use crate::heights::{FittedUse, Level, MANY_HEIGHTS, Place, Served, Why};
use crate::math::sum::{mean, variance};
use crate::records::CruiseSpeciesIndex;
use crate::species::Kind;

/// Forms that are tried with effects of species: those with the least corrected AIC without.
const FORMS_TRIED: usize = 3;

impl Search<'_> {
    fn heights_of(&self, group: Kind) -> impl Iterator<Item = &HeightTree> {
        let of_group = move |tree: &&HeightTree| self.kind(tree.species()) == group;
        self.heights.iter().filter(of_group)
    }

    /// Species of a kind with heights.
    pub(super) fn species_with(&self, group: Kind) -> usize {
        let species: BTreeSet<usize> = self.heights_of(group).map(HeightTree::species).collect();
        species.len()
    }

    /// The curve that the species of a kind share, with an effect of each where they differ. It must
    /// serve the members; without any, the heights behind it.
    pub(super) fn shared(&mut self, group: Kind, members: &[Served]) -> Result<LevelFit, Why> {
        let heights: Vec<HeightTree> = self.heights_of(group).copied().collect();
        let ranges = members
            .iter()
            .filter_map(|served| self.range[served.species]);
        let range = ranges.fold(None, |range, dbh| Some(widen(range, dbh)));
        let design = self.design;
        let mut shared = fit_level(heights.iter(), range, design, &mut self.solver)?;
        let (fitted, points) = (&mut shared.used, &shared.points);
        let mut forms = vec![(fitted.fit.curve, fitted.fit.aicc)];
        let is_named = matches!(design.curve, CurveChoice::Named(_)) && fitted.replaced.is_none();
        if !is_named {
            forms.clone_from(&shared.accepted);
            let behind = |(curve, aicc): &(Curve, f64)| {
                aicc - if curve.form == FAVOURITE { LEAD } else { 0.0 }
            };
            forms.sort_by(|a, b| behind(a).total_cmp(&behind(b)));
            forms.truncate(FORMS_TRIED);
        }
        let request = Request {
            points,
            groups: Groups::of_species(self.ids.len()),
            forms: &forms,
            weights: design.weights,
            only_if_better: false,
        };
        let tallest_m = points.tallest_m();
        let range = &self.range;
        let effects = request.fit(&mut self.solvers, |effects| {
            members
                .iter()
                .try_for_each(|served| match range[served.species] {
                    Some(range) => serves(&curve_of(effects, served.species), range, tallest_m),
                    None => Ok(()),
                })
        });
        if let Ok(effects) = &effects
            && effects.curve.curve.form != fitted.fit.curve.form
            && let Ok(fit) = fit_form(
                effects.curve.curve.form,
                points,
                design.weights,
                design.breast_height_m,
                &mut self.solver,
            )
        {
            fitted.fit = fit;
        }
        fitted.effects = effects.map(Arc::new);
        Ok(shared)
    }

    /// The species' own curve where it foretells its heights clearly better than the shared one, with
    /// many heights also where the shared one is not clearly better. `errors_m` are those of the
    /// shared curve, by [`left_out_of`].
    pub(super) fn closer(
        &self,
        at: CruiseSpeciesIndex,
        mut own: LevelFit,
        shared: &LevelFit,
        errors_m: Option<&[f64]>,
    ) -> Result<LevelFit, Why> {
        // Effects of places that are asked for by name are only on curves of single species.
        if !matches!(self.design.calibrate, Calibrate::Best | Calibrate::None)
            && own.used.effects.is_ok()
        {
            return Ok(own);
        }
        let (n, pool) = (own.points.len(), &shared.points);
        let place = Place {
            species: at,
            ..Place::default()
        };
        let range = self.range[at].unwrap_or_default();
        let will_do = || serves(&shared.used.curve_at(place), range, pool.tallest_m()).is_ok();
        let Some(errors_m) = errors_m.filter(|_| n < pool.len() && will_do()) else {
            return Ok(own);
        };
        let places = pool.place().iter().zip(errors_m);
        let of_species = places.filter(|(place, _)| place.species == at);
        let by_shared: Vec<f64> = of_species.map(|(_, error_m)| *error_m).collect();
        let by_own = left_out_of(&own.used, &own.points);
        let shared_m = root_mean_square(&by_shared);
        let is_better = |own: &Vec<f64>| {
            if n < MANY_HEIGHTS {
                clearly_closer(own, &by_shared)
            } else {
                !clearly_closer(&by_shared, own)
            }
        };
        if by_own.as_ref().is_some_and(is_better) {
            own.used.closer_than_shared = by_own.map(|own| (root_mean_square(&own), shared_m));
            return Ok(own);
        }
        let own_m = by_own.map(|own| root_mean_square(&own));
        Err(Why::SharedIsCloser { n, own_m, shared_m })
    }

    /// Has a species many heights?
    pub(super) fn has_many(&self, at: CruiseSpeciesIndex) -> bool {
        let own = self.heights.iter().filter(|tree| tree.species() == at);
        own.count() >= MANY_HEIGHTS
    }

    /// Why the published curves, scaled, come before the shared one: unless this foretells the heights
    /// of the kind, left out one at a time, clearly better. Only heights of species with a published
    /// curve are compared.
    /// `errors_m` are those of the shared curve, by [`left_out_of`].
    pub(super) fn closer_published(&self, pool: &Points, errors_m: Option<&[f64]>) -> Option<Why> {
        let (set, errors_m) = (self.regional?, errors_m?);
        // Of each height: its species, y, and y by the published curve.
        let mut pairs: Vec<(usize, f64, f64)> = Vec::new();
        let mut by_shared_m: Vec<f64> = Vec::new();
        for (point, place) in pool.place().iter().enumerate() {
            let curve = set.curve_for(self.ids[place.species], self.table);
            let Some(curve) = curve else { continue };
            let y_m = pool.height_m()[point] - curve.breast_height_m();
            let by_curve_m = curve.above_breast_height_m(pool.dbh_cm()[point]);
            pairs.push((place.species, y_m, by_curve_m));
            by_shared_m.push(errors_m[point]);
        }
        // Sums over all heights, from which the one left out is taken: cruises may have thousands.
        let counts = |(_, y_m, by_curve_m): &(usize, f64, f64)| *y_m > 0.0 && *by_curve_m > 0.0;
        let mut of_species: BTreeMap<usize, RatioSums> = BTreeMap::new();
        let mut of_kind = RatioSums::default();
        for pair in pairs.iter().filter(|pair| counts(pair)) {
            of_species.entry(pair.0).or_default().add(pair.1, pair.2);
            of_kind.add(pair.1, pair.2);
        }
        let left_out = |pair: &(usize, f64, f64)| {
            let (species, y_m, by_curve_m) = *pair;
            let without = |sums: RatioSums| {
                if counts(pair) {
                    sums.without(y_m, by_curve_m)
                } else {
                    sums
                }
            };
            let own = of_species.get(&species).copied().unwrap_or_default();
            let scale = Scale::of_sums(without(own), Level::Species)
                .or_else(|| Scale::of_sums(without(of_kind), Level::Species));
            y_m - scale.map_or(1.0, |scale| scale.factor) * by_curve_m
        };
        let by_published: Vec<f64> = pairs.iter().map(left_out).collect();
        let n = pairs.len();
        (n > 0 && !clearly_closer(&by_shared_m, &by_published)).then(|| Why::PublishedIsCloser {
            n,
            shared_m: root_mean_square(&by_shared_m),
            published_m: root_mean_square(&by_published),
        })
    }

    /// The effects of places on the curve of a species, as the design asks.
    pub(super) fn calibrated(
        &mut self,
        at: CruiseSpeciesIndex,
        fitted: &LevelFit,
    ) -> Result<Effects, WithoutEffects> {
        let stands_apart = self.design.fit_by == FitBy::Stand;
        let wanted: &[Grouping] = match self.design.calibrate {
            Calibrate::None => return Err(WithoutEffects::NotAsked),
            Calibrate::Best if stands_apart => &[Grouping::Plots],
            Calibrate::Best => &[Grouping::Plots, Grouping::Stands, Grouping::StandsAndPlots],
            Calibrate::Plots => &[Grouping::Plots],
            Calibrate::Stands => &[Grouping::Stands],
            Calibrate::StandsAndPlots => &[Grouping::StandsAndPlots],
        };
        let mut best: Result<Effects, WithoutEffects> = Err(WithoutEffects::NotAsked);
        for by in wanted.iter().copied() {
            let found = if stands_apart && by != Grouping::Plots {
                Err(WithoutEffects::OneStand(by))
            } else {
                self.effects_of(by, at, fitted)
            };
            let closer = match (&best, &found) {
                (Ok(best), Ok(found)) => found.aicc.0 < best.aicc.0,
                (Err(_), Ok(_))
                | (Err(WithoutEffects::NotAsked | WithoutEffects::TooFew { .. }), _) => true,
                _ => false,
            };
            if closer {
                best = found;
            }
        }
        best
    }

    fn effects_of(
        &mut self,
        by: Grouping,
        at: CruiseSpeciesIndex,
        fitted: &LevelFit,
    ) -> Result<Effects, WithoutEffects> {
        let (design, points) = (self.design, &fitted.points);
        let forms = [(fitted.used.fit.curve, fitted.used.fit.aicc)];
        let request = Request {
            points,
            groups: Groups::of_places(by, self.n_plots),
            forms: &forms,
            weights: design.weights,
            only_if_better: design.calibrate == Calibrate::Best,
        };
        let tallest_m = points.tallest_m();
        let range = widen(self.range[at], points.dbh_range_cm().unwrap_or_default());
        // Trees that the curve serves, at their places: of the species and of those that take its
        // curve.
        let mut at_places: BTreeMap<(usize, usize), Range> = BTreeMap::new();
        for (place, dbh_cm) in self.lacking {
            if self.hangs_on(place.species, at) {
                let range = at_places.entry((place.stand, place.plot));
                let dbh = (*dbh_cm, *dbh_cm);
                range
                    .and_modify(|range| *range = widen(Some(*range), dbh))
                    .or_insert(dbh);
            }
        }
        request.fit(&mut self.solvers, |effects| {
            serves(&effects.curve.curve, range, tallest_m)?;
            at_places.iter().try_for_each(|((stand, plot), range)| {
                let place = Place {
                    stand: *stand,
                    plot: *plot,
                    species: at,
                };
                serves(&effects.curve_at(place), *range, tallest_m)
            })
        })
    }

    /// Is a species the other, or does it take its curve, be it through others?
    fn hangs_on(&self, mut at: CruiseSpeciesIndex, other: CruiseSpeciesIndex) -> bool {
        for _ in 0..self.ids.len() {
            match self.ratio_to[at] {
                _ if at == other => return true,
                Some((to, _)) => at = to,
                None => return false,
            }
        }
        at == other
    }
}

fn curve_of(effects: &Effects, species: CruiseSpeciesIndex) -> Curve {
    effects.curve_at(Place {
        species,
        ..Place::default()
    })
}

/// Errors of a curve, with its effects, for the heights behind it, each left out, m; `None` where it
/// hangs on one of them.
///
/// `e / ((1 - h) (1 - g))`: h leverage of the height in the fit without effects, g its share in the
/// effect of its group.
pub(super) fn left_out_of(fitted: &FittedUse, points: &Points) -> Option<Vec<f64>> {
    let plain = residuals(&fitted.fit, points);
    let Ok(effects) = &fitted.effects else {
        return plain.iter().map(|residual| residual.left_out_m).collect();
    };
    let errors = plain.iter().zip(effects.left_out_m(points));
    let errors = errors.map(|(residual, error_m)| {
        let rest = 1.0 - residual.leverage.unwrap_or(0.0);
        (rest > 0.0).then(|| error_m / rest)
    });
    errors.collect()
}

fn root_mean_square(errors: &[f64]) -> f64 {
    let squares: f64 = errors.iter().map(|error| error * error).sum();
    (squares / errors.len() as f64).sqrt()
}

/// Are the errors of one curve smaller than those of another by more than chance: is the mean of the
/// differences of their squares above twice its standard error?
///
/// Source: common practice, no source; one standard error let too many curves through in
/// `benches/height_evidence`.
fn clearly_closer(errors: &[f64], others: &[f64]) -> bool {
    let pairs = errors.iter().zip(others);
    let gains: Vec<f64> = pairs
        .map(|(one, other)| other * other - one * one)
        .collect();
    let error_of_mean = variance(&gains).map(|variance| (variance / gains.len() as f64).sqrt());
    error_of_mean.is_some_and(|error| mean(&gains) > 2.0 * error)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: squares 1, 4, 0 and 4, 9, 1, differences 3, 5, 1: mean 3, variance 4, standard error
    /// of the mean 2/sqrt(3) = 1.155. Squares 1, 9 and 9, 4: 8, -5: mean 1.5, standard error 6.5.
    #[test]
    fn clearly_is_more_than_two_standard_errors() {
        assert!(clearly_closer(&[-1.0, 2.0, 0.0], &[2.0, -3.0, 1.0]));
        assert!(!clearly_closer(&[2.0, -3.0, 1.0], &[-1.0, 2.0, 0.0]));
        assert!(!clearly_closer(&[1.0, 3.0], &[3.0, 2.0]));
        // Differences 4, 1.25: mean 2.625, standard error 1.375; 4, 2.25: 3.125, 0.875.
        assert!(!clearly_closer(&[0.0, 1.0], &[2.0, 1.5]));
        assert!(clearly_closer(&[0.0, 2.0], &[2.0, 2.5]));
    }

    #[test]
    fn one_pair_or_equal_errors_never_are_clear() {
        assert!(!clearly_closer(&[0.0], &[5.0]));
        assert!(!clearly_closer(&[], &[]));
        assert!(!clearly_closer(&[1.0, -2.0, 0.5], &[-1.0, 2.0, 0.5]));
    }
}
