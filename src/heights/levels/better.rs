//! The curve that a kind shares, whether it or a species' own foretells heights better, and effects
//! of places on the latter.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{Range, Search, fit_level};
use crate::design::{Calibrate, CurveChoice, FitBy};
use crate::heights::curve::{Curve, Form};
use crate::heights::diagnose::{Residual, leave_one_out_rms_m, residuals};
use crate::heights::effects::{Effects, Grouping, Groups, Request, WithoutEffects};
use crate::heights::fill::{HeightTree, widen};
use crate::heights::fit::{FAVOURITE, LEAD, Points, fit_form, serves};
use crate::heights::{FittedUse, Place, Served, Why};
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

    /// The curve that the species of a kind share, with an effect of each where they differ, and the
    /// heights behind it. It must serve the members; without any, the heights behind it.
    pub(super) fn shared(
        &mut self,
        group: Kind,
        members: &[Served],
    ) -> Result<(FittedUse, Points), Why> {
        let heights: Vec<HeightTree> = self.heights_of(group).copied().collect();
        let points = Points::of(heights.iter().map(|tree| tree.point).collect());
        let ranges = members
            .iter()
            .filter_map(|served| self.range[served.species]);
        let range = ranges.fold(points.dbh_range_cm(), |range, dbh| Some(widen(range, dbh)));
        let design = self.design;
        let range = range.unwrap_or_default();
        let mut fitted = fit_level(heights.iter(), range, design, &mut self.solver)?;
        let chosen = &fitted.fit;
        let mut forms = vec![(chosen.curve.form, chosen.aicc)];
        let is_named = matches!(design.curve, CurveChoice::Named(_)) && fitted.replaced.is_none();
        if !is_named {
            let accepted = fitted.tried.iter();
            forms = accepted
                .filter_map(|tried| Some((tried.form, tried.outcome.ok()?)))
                .collect();
            let behind =
                |(form, aicc): &(Form, f64)| aicc - if *form == FAVOURITE { LEAD } else { 0.0 };
            forms.sort_by(|a, b| behind(a).total_cmp(&behind(b)));
            forms.truncate(FORMS_TRIED);
        }
        let request = Request {
            points: &points,
            groups: Groups::of_species(self.ids.len()),
            forms: &forms,
            weights: design.weights,
            breast_height_m: design.breast_height_m,
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
            && let Ok(fit) = fit_form(
                effects.curve.curve.form,
                &points,
                design.weights,
                design.breast_height_m,
                &mut self.solver,
            )
        {
            fitted.fit = fit;
        }
        fitted.effects = effects.map(Arc::new);
        Ok((fitted, points))
    }

    /// The species' own curve where it foretells its heights at least as well as the shared one.
    pub(super) fn closer(
        &self,
        at: CruiseSpeciesIndex,
        mut own: FittedUse,
        shared: &FittedUse,
        pool: &Points,
    ) -> Result<FittedUse, Why> {
        let of_species = |point: &usize| pool.place()[*point].species == at;
        let which: Vec<usize> = (0..pool.len()).filter(of_species).collect();
        let points = pool.subset(&which);
        let n = points.len();
        let place = Place {
            species: at,
            ..Place::default()
        };
        let range = self.range[at].unwrap_or_default();
        let will_do = serves(&shared.curve_at(place), range, pool.tallest_m()).is_ok();
        let shared_m = match &shared.effects {
            Ok(effects) => effects.left_out_rms_m(&points, at),
            Err(_) if n == pool.len() => None,
            Err(_) => left_out_of(&residuals(&shared.fit, pool), &which),
        };
        let own_m = leave_one_out_rms_m(&own.fit, &points);
        let Some(shared_m) = shared_m.filter(|_| will_do) else {
            return Ok(own);
        };
        match own_m {
            Some(own_m) if own_m <= shared_m => {
                own.closer_than_shared = Some((own_m, shared_m));
                Ok(own)
            }
            _ => Err(Why::SharedIsCloser { n, own_m, shared_m }),
        }
    }

    /// The effects of places on the curve of a species, as the design asks.
    pub(super) fn calibrated(
        &mut self,
        at: CruiseSpeciesIndex,
        fitted: &FittedUse,
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
        let heights = self.heights.iter().filter(|tree| tree.species() == at);
        let points = Points::of(heights.map(|tree| tree.point).collect());
        let mut best: Result<Effects, WithoutEffects> = Err(WithoutEffects::NotAsked);
        for by in wanted.iter().copied() {
            let found = if stands_apart && by != Grouping::Plots {
                Err(WithoutEffects::OneStand(by))
            } else {
                self.effects_of(by, at, fitted, &points)
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
        fitted: &FittedUse,
        points: &Points,
    ) -> Result<Effects, WithoutEffects> {
        let design = self.design;
        let forms = [(fitted.fit.curve.form, fitted.fit.aicc)];
        let request = Request {
            points,
            groups: Groups::of_places(by, self.n_plots),
            forms: &forms,
            weights: design.weights,
            breast_height_m: design.breast_height_m,
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

/// Root mean square of the errors of some heights, each left out; `None` where the curve hangs on
/// one of them.
fn left_out_of(residuals: &[Residual], which: &[usize]) -> Option<f64> {
    let errors: Option<Vec<f64>> = which.iter().map(|at| residuals[*at].left_out_m).collect();
    let errors = errors?;
    let squares: f64 = errors.iter().map(|error_m| error_m * error_m).sum();
    Some((squares / errors.len() as f64).sqrt()).filter(|rms_m| rms_m.is_finite())
}
