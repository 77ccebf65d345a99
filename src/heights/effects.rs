//! Curves whose first parameter differs from species to species, or from place to place.
//!
//! In: heights with their places, the forms to try. Out: the curve with its effects, or why it has
//! none. The model and its fit are those of [`super::mixed`].
//!
//! ```text
//! form      least AICc = -2 logL + 2 k + 2 k (k + 1)/(n - k - 1) by maximum likelihood, k counting
//!           the variances too; Naslund's unless another is ahead by more than 2, as without effects
//! curve     that form by restricted maximum likelihood (REML)
//! left out  e / (1 - h),  h = w z^2 / (sum w z^2 + 1/t2)     one step, the fixed part held
//! ```
//! `e` is the residual about the curve of the group, `z` the derivative by the effect, `w` the
//! inverse of the residual variance and `t2` the variance of the effects: so the effect is predicted
//! without the height, exactly where the curve is linear in its first parameter.
//!
//! Effects of species need heights of two species, effects of places three places with heights, two
//! of them with more than one (common practice, no source).

use std::sync::Arc;

use std::collections::BTreeMap;

use crate::design::FitWeights;
use crate::heights::curve::Curve;
use crate::heights::fit::{FAVOURITE, LEAD, Points, Refusal};
use crate::heights::mixed::{
    MixedCurve, MixedRefusal, PlotHeight, PlotHeights, Solvers, Spread, fit_mixed_from,
};
use crate::heights::{CurveError, MOST_CURVE_PARAMETERS, Place};
use crate::math::digits::six_digits;
use crate::math::mixed::{Method, Zeros};

/// What the effects are of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grouping {
    /// Species of one kind.
    Species,
    /// Plots.
    Plots,
    /// Stands.
    Stands,
    /// Stands, and plots within them.
    StandsAndPlots,
}

impl Grouping {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Grouping::Species => "species",
            Grouping::Plots => "plots",
            Grouping::Stands => "stands",
            Grouping::StandsAndPlots => "stands and plots",
        }
    }
}

/// Why a curve has no effects.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WithoutEffects {
    /// None are asked for.
    NotAsked,
    /// Weights by precision, with which no effects are fitted.
    ByPrecision(Grouping),
    /// Stands are asked for, but each is fitted apart.
    OneStand(Grouping),
    /// Too few groups with heights, or with more than one.
    TooFew {
        /// Of what.
        by: Grouping,
        /// Groups with heights.
        groups: usize,
        /// Of them, those with more than one.
        several: usize,
    },
    /// No form could be fitted with effects.
    NoFit(Grouping, MixedRefusal),
    /// The groups differ no more than single trees do: the variance of the effects is 0.
    NoVariance(Grouping),
    /// The curve of some group cannot fill its heights.
    NotAcceptable(Grouping, Refusal),
    /// The criterion is no smaller with effects.
    NotBetter {
        /// Of what.
        by: Grouping,
        /// Corrected AIC with effects.
        with: f64,
        /// And without.
        without: f64,
    },
}

/// Who belongs together.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Groups {
    pub(super) by: Grouping,
    /// Groups, those without heights included.
    pub(super) n: usize,
    /// Plots of the stands before each stand.
    plots_before: Arc<Vec<usize>>,
    stand_of: Option<Vec<usize>>,
}

impl Groups {
    pub(super) fn of_species(n: usize) -> Self {
        Groups {
            by: Grouping::Species,
            n,
            plots_before: Arc::default(),
            stand_of: None,
        }
    }

    /// Groups of places; `n_plots` are the plots of each stand.
    pub(super) fn of_places(by: Grouping, n_plots: &[usize]) -> Self {
        let mut all = 0;
        let mut stand_of = Vec::new();
        let mut plots_before = Vec::with_capacity(n_plots.len());
        for (stand, n) in n_plots.iter().enumerate() {
            plots_before.push(all);
            all += n;
            stand_of.resize(all, stand);
        }
        let by_stand = by == Grouping::Stands;
        Groups {
            by,
            n: if by_stand { n_plots.len() } else { all },
            plots_before: Arc::new(plots_before),
            stand_of: (by == Grouping::StandsAndPlots).then_some(stand_of),
        }
    }

    fn index(&self, place: Place) -> usize {
        match self.by {
            Grouping::Species => place.species,
            Grouping::Stands => place.stand,
            Grouping::Plots | Grouping::StandsAndPlots => {
                self.plots_before.get(place.stand).copied().unwrap_or(0) + place.plot
            }
        }
    }

    /// Are there groups enough?
    fn suffice(&self, points: &Points) -> Result<(), WithoutEffects> {
        let by = self.by;
        let count = |index: &dyn Fn(Place) -> usize, n: usize| {
            let mut heights = vec![0_usize; n];
            for place in points.place() {
                if let Some(height) = heights.get_mut(index(*place)) {
                    *height += 1;
                }
            }
            let groups = heights.iter().filter(|n| **n > 0).count();
            (groups, heights.iter().filter(|n| **n > 1).count())
        };
        let enough = |(groups, several): (usize, usize)| {
            let suffice = match by {
                Grouping::Species => groups > 1,
                _ => groups > 2 && several > 1,
            };
            let too_few = WithoutEffects::TooFew {
                by,
                groups,
                several,
            };
            if suffice { Ok(()) } else { Err(too_few) }
        };
        enough(count(&|place| self.index(place), self.n))?;
        if by == Grouping::StandsAndPlots {
            enough(count(&|place| place.stand, self.plots_before.len()))?;
        }
        Ok(())
    }
}

/// A curve with its effects.
#[derive(Clone, Debug, PartialEq)]
pub struct Effects {
    /// The curve: its fixed part and the effects.
    pub curve: MixedCurve,
    /// Corrected AIC by maximum likelihood with effects, and of the same form without.
    pub aicc: (f64, f64),
    /// Root mean square of the residual standard deviations at the heights, m.
    pub rmse_m: f64,
    groups: Groups,
}

/// What is to be fitted.
pub(super) struct Request<'r> {
    pub(super) points: &'r Points,
    pub(super) groups: Groups,
    /// Forms to choose from: the curve of each without effects, and its corrected AIC.
    pub(super) forms: &'r [(Curve, f64)],
    pub(super) weights: FitWeights,
    /// Is the curve only taken where the criterion is smaller than without effects?
    pub(super) only_if_better: bool,
}

impl Request<'_> {
    /// Chooses the form, fits it and looks whether it will do.
    pub(super) fn fit(
        self,
        solvers: &mut Solvers,
        acceptable: impl FnOnce(&Effects) -> Result<(), Refusal>,
    ) -> Result<Effects, WithoutEffects> {
        let by = self.groups.by;
        self.groups.suffice(self.points)?;
        let place = self.points.place().iter();
        let trees = self.points.dbh_cm().iter().zip(self.points.height_m());
        let heights: Vec<PlotHeight> = trees
            .zip(place)
            .map(|((dbh_cm, height_m), place)| PlotHeight {
                dbh_cm: *dbh_cm,
                height_m: *height_m,
                plot: self.groups.index(*place),
            })
            .collect();
        let heights = PlotHeights::new(heights, self.groups.n, self.groups.stand_of.clone());
        let spread = match self.weights {
            FitWeights::Equal => Spread::Equal,
            FitWeights::InverseDbh => Spread::InverseDbh,
            FitWeights::Precision => return Err(WithoutEffects::ByPrecision(by)),
        };
        let mut fit = |start, method| fit_mixed_from(start, &heights, spread, method, solvers);
        let behind = |curve: Curve, aicc| aicc - if curve.form == FAVOURITE { LEAD } else { 0.0 };
        let mut best: Option<(Curve, f64, f64)> = None;
        let mut refused = None;
        for (start, without) in self.forms {
            match fit(*start, Method::Ml) {
                Ok(curve) => {
                    // Without a criterion there are too few heights to tell.
                    let Some(with) = curve.fit.aicc() else {
                        continue;
                    };
                    let closer = |(best, least, _)| behind(*start, with) < behind(best, least);
                    if best.is_none_or(closer) {
                        best = Some((*start, with, *without));
                    }
                }
                Err(refusal) => refused = refused.or(Some(refusal)),
            }
        }
        let none = MixedRefusal::NoStart(Refusal::TooFew);
        let (start, with, without) =
            best.ok_or(WithoutEffects::NoFit(by, refused.unwrap_or(none)))?;
        if self.only_if_better && with >= without {
            return Err(WithoutEffects::NotBetter { by, with, without });
        }
        let curve = fit(start, Method::Reml).map_err(|why| WithoutEffects::NoFit(by, why))?;
        let no_variance = match curve.fit.zeros() {
            Zeros::Both => true,
            Zeros::Own => curve.fit.outer_variance.is_none(),
            Zeros::None | Zeros::Outer => false,
        };
        if no_variance {
            return Err(WithoutEffects::NoVariance(by));
        }
        let d = self.points.dbh_cm();
        let squares: f64 = d.iter().map(|d| curve.residual.sd_m(*d).powi(2)).sum();
        let effects = Effects {
            curve,
            aicc: (with, without),
            rmse_m: (squares / d.len() as f64).sqrt(),
            groups: self.groups,
        };
        acceptable(&effects).map_err(|why| WithoutEffects::NotAcceptable(by, why))?;
        Ok(effects)
    }
}

impl Effects {
    /// What they are of.
    pub fn by(&self) -> Grouping {
        self.groups.by
    }

    /// The curve at a place.
    pub fn curve_at(&self, place: Place) -> Curve {
        let group = self.groups.index(place);
        if group < self.curve.fit.effects.len() {
            self.curve.curve_of(group)
        } else {
            self.curve.curve
        }
    }

    /// The effect at a place, and the heights of its group.
    pub fn at(&self, place: Place) -> (f64, usize) {
        let effect = self.curve.fit.effects.get(self.groups.index(place));
        effect.map_or((0.0, 0), |effect| (effect.value, effect.n))
    }

    /// How the height of a tree of `dbh_cm` at a place may be off.
    pub(super) fn error_at(&self, dbh_cm: f64, place: Place) -> CurveError {
        let group = self.groups.index(place);
        let mut gradient = [0.0; MOST_CURVE_PARAMETERS];
        let mut effects = [None; 2];
        if let Some(effect) = self.curve.fit.effects.get(group) {
            let terms = self.curve.error_terms(dbh_cm, group);
            gradient[..terms.by_fixed.len()].copy_from_slice(&terms.by_fixed);
            effects[0] = Some((group, terms.by_effect));
            effects[1] = self.curve.stand_of.as_ref().map(|stand_of| {
                let stand = self.groups.n + stand_of[group];
                (stand, effect.share * terms.by_effect)
            });
        }
        CurveError {
            gradient,
            effects,
            residual_m: self.curve.residual.sd_m(dbh_cm),
        }
    }

    /// Variance of the error of an effect, given the parameters: those of the groups, then those of
    /// the stands around them.
    pub(super) fn variance(&self, effect: usize) -> f64 {
        let fit = &self.curve.fit;
        let own = fit.effects.get(effect).map(|effect| effect.variance);
        let outer = || fit.outer_effects.get(effect.checked_sub(self.groups.n)?);
        own.or_else(|| outer().map(|outer| outer.variance))
            .unwrap_or(0.0)
    }

    /// Errors for heights behind the curve, each left out of the effect of its group, the fixed part
    /// held, in the order of the points, m. Of nested groups the inner effect is found anew.
    ///
    /// `e / (1 - g)`: g share of the height in the effect, `w z^2 / (1/v + sum w z^2)`, with z the
    /// derivative by the effect, w one over the residual variance, v the variance of the effects.
    pub fn left_out_m(&self, points: &Points) -> Vec<f64> {
        let variance = self.curve.fit.own_variance;
        let mut in_all: BTreeMap<usize, f64> = BTreeMap::new();
        let mut terms: Vec<(usize, f64, f64)> = Vec::with_capacity(points.len());
        let trees = points.dbh_cm().iter().zip(points.height_m());
        for ((dbh_cm, height_m), place) in trees.zip(points.place()) {
            let group = self.groups.index(*place);
            let curve = self.curve.curve_of(group);
            let p = curve.form.n_parameters();
            let mut gradient = [0.0; MOST_CURVE_PARAMETERS];
            let parameters = curve.parameters();
            let y_m = (curve.form).value_and_gradient(*dbh_cm, parameters, &mut gradient[..p]);
            let weight = self.curve.residual.sd_m(*dbh_cm).powi(-2);
            let information = weight * gradient[0] * gradient[0];
            *in_all.entry(group).or_insert(1.0 / variance) += information;
            terms.push((group, height_m - curve.breast_height_m - y_m, information));
        }
        let left_out = |(group, error_m, information): (usize, f64, f64)| {
            error_m / (1.0 - information / in_all[&group])
        };
        terms.into_iter().map(left_out).collect()
    }

    /// Groups with heights.
    pub fn groups_with_heights(&self) -> usize {
        let effects = self.curve.fit.effects.iter();
        effects.filter(|effect| effect.n > 0).count()
    }

    /// Stands with heights, where stands and plots have effects.
    pub fn stands_with_heights(&self) -> usize {
        let effects = self.curve.fit.outer_effects.iter();
        effects.filter(|effect| effect.n > 0).count()
    }

    /// Standard deviations of the effects in the unit of the first parameter: of the groups, and of
    /// the stands around them.
    pub fn std_deviations(&self) -> (f64, Option<f64>) {
        let fit = &self.curve.fit;
        (fit.own_variance.sqrt(), fit.outer_variance.map(f64::sqrt))
    }

    /// The fixed parameters with their standard errors.
    pub(super) fn parameters_shown(&self) -> String {
        let values = self.curve.fit.fixed.iter().zip(self.curve.fit.std_errors());
        let shown: Vec<String> = ["a", "b", "c"]
            .into_iter()
            .zip(values)
            .map(|(name, (value, error))| {
                format!("{name} = {} ({})", six_digits(*value), six_digits(error))
            })
            .collect();
        shown.join(", ")
    }

    /// The effect at a place and how it comes about.
    pub(super) fn derivation(&self, place: Place) -> Vec<String> {
        let group = self.groups.index(place);
        let Some(effect) = self.curve.fit.effects.get(group) else {
            return Vec::new();
        };
        let (own, outer) = self.std_deviations();
        let (what, spread) = match (self.groups.by, outer) {
            (Grouping::Species, _) => ("species", six_digits(own)),
            (Grouping::Stands, _) => ("stand", six_digits(own)),
            (_, None) => ("plot", six_digits(own)),
            (_, Some(outer)) => (
                "plot and stand",
                format!(
                    "{} within stands, {} between them",
                    six_digits(own),
                    six_digits(outer)
                ),
            ),
        };
        let a = self.curve.curve.parameters[0];
        vec![format!(
            "a of this {what}: {} + {} = {}, from {} of its heights (standard deviation of the \
             effects {spread})",
            six_digits(a),
            six_digits(effect.value),
            six_digits(a + effect.value),
            effect.n
        )]
    }
}
