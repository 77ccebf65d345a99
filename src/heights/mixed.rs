//! Height curves whose first parameter differs from plot to plot, or from stand to stand and from
//! plot to plot within them.
//!
//! ```text
//! H = bh + f(D; a + u, b, c) + e     u = u_plot, or u_stand + u_plot
//! sd(e) = sigma D^delta              delta 0, 1/2 (weights 1/D), or estimated
//! ```
//! Where `a` is a scale this is exact in u; where it is not (Naslund, Wykoff, Prodan) the curve is
//! taken linear in u at its present value (Lindstrom & Bates 1990; see `math::mixed`).

use crate::design::FitWeights;
use crate::heights::curve::{Curve, Form, MOST_PARAMETERS};
use crate::heights::fit::{Points, Refusal, fit_form};
use crate::math::mixed::nonlinear::{self, Problem};
use crate::math::mixed::predict::{self, Predicted};
use crate::math::mixed::{self, Failure, Fit, Groups, Method};
use crate::math::nonlinear::Solver;

/// How heights spread about the curve of their plot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Alike.
    Equal,
    /// Variance in proportion to dbh, weights 1/D.
    InverseDbh,
    /// Standard deviation in proportion to a power of dbh that is estimated.
    PowerOfDbh,
}

/// A measured height and the plot it belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlotHeight {
    /// Diameter at breast height, cm, above 0.
    pub dbh_cm: f64,
    /// Total height, m, above breast height.
    pub height_m: f64,
    /// Index of its plot.
    pub plot: usize,
}

/// Measured heights by plot.
#[derive(Clone, Debug, PartialEq)]
pub struct PlotHeights {
    dbh_cm: Vec<f64>,
    height_m: Vec<f64>,
    plot: Vec<usize>,
    n_plots: usize,
    stands: Option<(Vec<usize>, usize)>,
}

impl PlotHeights {
    /// Sorts by plot, dbh and height, so that their order changes nothing. `n_plots` counts the
    /// plots without heights too. `stand_of` gives the stand of each plot (`n_plots` values) for
    /// effects of stands and of plots within them; `None` for plots alone.
    pub fn new(mut heights: Vec<PlotHeight>, n_plots: usize, stand_of: Option<Vec<usize>>) -> Self {
        heights.sort_by(|a, b| {
            let by_dbh = a.dbh_cm.total_cmp(&b.dbh_cm);
            let by_height = a.height_m.total_cmp(&b.height_m);
            a.plot.cmp(&b.plot).then(by_dbh).then(by_height)
        });
        let stands = stand_of.map(|stand_of| {
            let n_stands = stand_of.iter().max().map_or(0, |most| most + 1);
            (stand_of, n_stands)
        });
        PlotHeights {
            dbh_cm: heights.iter().map(|height| height.dbh_cm).collect(),
            height_m: heights.iter().map(|height| height.height_m).collect(),
            plot: heights.iter().map(|height| height.plot).collect(),
            n_plots,
            stands,
        }
    }

    fn dbh_range_cm(&self) -> (f64, f64) {
        let none = (f64::INFINITY, f64::NEG_INFINITY);
        let dbh_cm = self.dbh_cm.iter();
        dbh_cm.fold(none, |(least, most), d| (least.min(*d), most.max(*d)))
    }

    /// How many heights.
    pub fn len(&self) -> usize {
        self.dbh_cm.len()
    }

    /// None?
    pub fn is_empty(&self) -> bool {
        self.dbh_cm.is_empty()
    }
}

/// Why there is no curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MixedRefusal {
    /// The form has no fit to all heights together, from which the search starts.
    NoStart(Refusal),
    /// The mixed model has no fit.
    NoFit(Failure),
}

impl MixedRefusal {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            MixedRefusal::NoStart(refusal) => refusal.words(),
            MixedRefusal::NoFit(Failure::TooFew) => "too few heights",
            MixedRefusal::NoFit(Failure::NotSeparable) => {
                "too few plots with two heights to tell plots and trees apart"
            }
            MixedRefusal::NoFit(Failure::Collinear) => "the parameters cannot be told apart",
            MixedRefusal::NoFit(Failure::NotFinite) => "the curve is not finite",
            MixedRefusal::NoFit(Failure::Unbounded) => "the heights leave no residuals",
            MixedRefusal::NoFit(Failure::NotConverged) => "no finite optimum",
        }
    }
}

/// Residuals of single trees about the curve of their plot: `sd = sigma D^delta`, m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Standard deviation at 1 cm (everywhere, if delta is 0), m.
    pub sigma: f64,
    /// The power of dbh in cm.
    pub delta: f64,
}

impl Residual {
    /// Standard deviation at a dbh, m.
    pub fn sd_m(&self, dbh_cm: f64) -> f64 {
        self.sigma * dbh_cm.powf(self.delta)
    }
}

/// A fitted curve with effects of plots.
#[derive(Clone, Debug, PartialEq)]
pub struct MixedCurve {
    /// The curve of a plot whose effect is 0: the fixed part.
    pub curve: Curve,
    /// How heights spread about the curve of their plot.
    pub residual: Residual,
    /// Everything that was estimated: inner groups are plots, outer groups stands. Effects are in
    /// the unit of `a`; [`Fit::zeros`] says which variances are 0.
    pub fit: Fit,
    /// Stand of each plot; `None` without effects of stands.
    pub stand_of: Option<Vec<usize>>,
    /// Dbh range of the heights behind it, cm.
    pub dbh_range_cm: (f64, f64),
}

/// What the error of a height consists of, to first order:
/// `by_fixed . (b_hat - b) + by_effect (share (stand error) + (plot error))`, with the errors of
/// [`mixed::Effect`] and [`mixed::OuterEffect`] given b.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorTerms {
    /// Derivatives by the fixed parameters, the effect's own dependence on them included; those
    /// beyond the number of parameters are 0.
    pub by_fixed: [f64; MOST_PARAMETERS],
    /// Derivative by the effect, m.
    pub by_effect: f64,
}

impl MixedCurve {
    /// The curve of a plot, its effect added to `a`.
    pub fn curve_of(&self, plot: usize) -> Curve {
        shifted(&self.curve, self.fit.effects[plot].value)
    }

    /// Errors of the height of a tree of `dbh_cm` in a plot.
    pub fn error_terms(&self, dbh_cm: f64, plot: usize) -> ErrorTerms {
        let effect = &self.fit.effects[plot];
        error_terms(&self.curve, effect.value, &effect.by_fixed, dbh_cm)
    }

    /// The effect of a plot that is not among those fitted, in a stand that is not, from its own
    /// heights (dbh in cm, total height in m), none included; `None` as [`predict_effect`].
    pub fn predict_effect(&self, heights: &[(f64, f64)]) -> Option<Predicted> {
        let variance = self.fit.own_variance + self.fit.outer_variance.unwrap_or(0.0);
        predict_effect(&self.curve, variance, self.residual, heights)
    }
}

/// Errors of the height of a tree of `dbh_cm` where the effect is `effect` and depends on the
/// fixed parameters as `effect_by_fixed` says.
pub fn error_terms(curve: &Curve, effect: f64, effect_by_fixed: &[f64], dbh_cm: f64) -> ErrorTerms {
    let mut by_fixed = [0.0; MOST_PARAMETERS];
    let here = shifted(curve, effect);
    curve
        .form
        .value_and_gradient(dbh_cm, here.parameters(), &mut by_fixed);
    let by_effect = by_fixed[0];
    for (total, of_effect) in by_fixed.iter_mut().zip(effect_by_fixed) {
        *total += by_effect * of_effect;
    }
    ErrorTerms {
        by_fixed,
        by_effect,
    }
}

/// The effect of a plot on `a` from its own heights (dbh in cm, total height in m), the curve, the
/// variance of the effect and the residuals known: 0 without heights, and the more of what the
/// heights say the more there are. Where the curve is not linear in `a` the prediction is repeated
/// until it settles. `None` if a number is not finite or the prediction does not settle.
pub fn predict_effect(
    curve: &Curve,
    effect_variance: f64,
    residual: Residual,
    heights: &[(f64, f64)],
) -> Option<Predicted> {
    let mut sorted = heights.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let y: Vec<f64> = sorted
        .iter()
        .map(|(_, height)| height - curve.breast_height_m)
        .collect();
    let weights: Vec<f64> = sorted
        .iter()
        .map(|(dbh, _)| dbh.powf(-2.0 * residual.delta))
        .collect();
    predict::effect(
        &y,
        &weights,
        curve.parameters(),
        effect_variance,
        residual.sigma,
        |i, parameters, gradient| {
            curve
                .form
                .value_and_gradient(sorted[i].0, parameters, gradient)
        },
    )
}

fn shifted(curve: &Curve, effect: f64) -> Curve {
    let mut here = *curve;
    here.parameters[0] += effect;
    here
}

/// The searches, with buffers that are used again from fit to fit.
#[derive(Clone, Debug, Default)]
pub struct Solvers {
    start: Solver,
    mixed: nonlinear::Solver,
}

/// Fits a form with effects of plots (and stands). The search starts from the fit of the form to
/// all heights together.
pub fn fit_mixed(
    form: Form,
    heights: &PlotHeights,
    spread: Spread,
    method: Method,
    breast_height_m: f64,
    solvers: &mut Solvers,
) -> Result<MixedCurve, MixedRefusal> {
    let d = &heights.dbh_cm;
    let trees = d.iter().copied().zip(heights.height_m.iter().copied());
    let points = Points::new(trees.collect());
    let start_weights = match spread {
        Spread::Equal => FitWeights::Equal,
        Spread::InverseDbh | Spread::PowerOfDbh => FitWeights::InverseDbh,
    };
    let start = fit_form(
        form,
        &points,
        start_weights,
        breast_height_m,
        &mut solvers.start,
    )
    .map_err(MixedRefusal::NoStart)?;
    fit_mixed_from(start.curve, heights, spread, method, solvers)
}

/// The same where the fit to all heights together, with the weights that go with the spread, is
/// known: `start`.
pub(super) fn fit_mixed_from(
    start: Curve,
    heights: &PlotHeights,
    spread: Spread,
    method: Method,
    solvers: &mut Solvers,
) -> Result<MixedCurve, MixedRefusal> {
    let (form, d) = (start.form, &heights.dbh_cm);
    let breast_height_m = start.breast_height_m;
    let logs: Vec<f64> = d.iter().map(|d| form.log(*d)).collect();
    let y: Vec<f64> = heights
        .height_m
        .iter()
        .map(|height| height - breast_height_m)
        .collect();
    let weights: Vec<f64> = match spread {
        Spread::InverseDbh => d.iter().map(|d| 1.0 / d).collect(),
        Spread::Equal | Spread::PowerOfDbh => Vec::new(),
    };
    let problem = Problem {
        y: &y,
        model: |i: usize, parameters: &[f64], gradient: &mut [f64]| {
            form.value_and_gradient_by((d[i], logs[i]), parameters, gradient)
        },
        groups: Groups {
            inner: &heights.plot,
            n_inner: heights.n_plots,
            outer: heights
                .stands
                .as_ref()
                .map(|(stand_of, n)| (stand_of.as_slice(), *n)),
        },
        spread: match spread {
            Spread::Equal => mixed::Spread::Equal,
            Spread::InverseDbh => mixed::Spread::Weights(&weights),
            Spread::PowerOfDbh => mixed::Spread::Power(d),
        },
        method,
        held: None,
    };
    let fit = solvers
        .mixed
        .fit(&problem, start.parameters())
        .map_err(MixedRefusal::NoFit)?;
    let mut curve = start;
    for (parameter, value) in curve.parameters.iter_mut().zip(&fit.fixed) {
        *parameter = *value;
    }
    let delta = match spread {
        Spread::Equal => 0.0,
        Spread::InverseDbh => 0.5,
        Spread::PowerOfDbh => fit.delta.unwrap_or(0.0),
    };
    Ok(MixedCurve {
        curve,
        residual: Residual {
            sigma: fit.sigma,
            delta,
        },
        fit,
        stand_of: heights
            .stands
            .as_ref()
            .map(|(stand_of, _)| stand_of.clone()),
        dbh_range_cm: heights.dbh_range_cm(),
    })
}
