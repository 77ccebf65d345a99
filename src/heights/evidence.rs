//! The curves of some stands, each with the heights behind it and how well it meets them: what a
//! report on curves is made of.
//!
//! In: the stands, the curves that serve them, the rules of the design. Out: those curves, and
//! besides them a curve of every species that has heights enough but misses none.
//!
//! Heights behind a fitted curve are those that it was fitted to. A curve that was not fitted here
//! is held against the heights of the species that it serves. Leverages and errors of what is left
//! out are those of the curve without effects.

use std::collections::BTreeMap;

use crate::design::Heights;
use crate::heights::diagnose::{
    LeftOutPlots, Residual, leave_one_out_rms_m, leave_one_plot_out, residuals,
};
use crate::heights::fill::{HeightTree, height_trees, widen};
use crate::heights::fit::{FittedCurve, Points, Refusal, fit_form};
use crate::heights::levels::fit_level;
use crate::heights::{CurveUse, FittedUse, HeightCurve, Level, Passed, Served, WithoutCurve};
use crate::math::nonlinear::Solver;
use crate::records::{CruiseSpecies, CruiseSpeciesIndex, Stand};
use crate::species::SpeciesTable;

/// What is known of the curves of some stands.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// Heights that curves may be fitted to, each tree once.
    pub heights: Vec<HeightTree>,
    /// The curves in use in their order, then those of species that miss no height.
    pub curves: Vec<CurveEvidence>,
    /// Species with heights but without a curve of their own, and why, in the order of species.
    pub without: Vec<(CruiseSpeciesIndex, Passed)>,
}

/// A curve and the heights behind it.
#[derive(Clone, Debug)]
pub struct CurveEvidence {
    /// The curve and the species that it serves; one that is not in use fills no height of the
    /// species that it was fitted to.
    pub used: CurveUse,
    /// Heights behind it, thin trees first.
    pub heights: Vec<HeightAgainst>,
    /// Root mean square of the errors for heights left out one at a time, one step each, m.
    pub left_out_m: Option<f64>,
    /// Forms that were tried.
    pub forms: Vec<FormTried>,
}

/// A height against a curve.
#[derive(Clone, Copy, Debug)]
pub struct HeightAgainst {
    /// The height.
    pub tree: HeightTree,
    /// Height by the curve at its place, m.
    pub fitted_m: f64,
    /// Height less that of the curve, m.
    pub residual_m: f64,
    /// What its place adds to the curve, m; `None` for a curve that is the same everywhere.
    pub effect_m: Option<f64>,
    /// Against the curve without effects; `None` for a curve that was not fitted here.
    pub fixed: Option<Residual>,
    /// How far off it is for the curve at its place: externally studentised, or for a curve with
    /// effects or from elsewhere over the standard deviation of single trees about it, the leverage
    /// left aside; `None` where that is not known.
    pub studentised: Option<f64>,
}

/// A form that was tried.
#[derive(Clone, Debug)]
pub struct FormTried {
    /// Its name.
    pub name: &'static str,
    /// The fit, where one was found.
    pub fit: Option<FittedCurve>,
    /// Why it was not taken.
    pub refused: Option<Refusal>,
    /// Is it the form of the curve?
    pub chosen: bool,
    /// How it foretells plots that it has not seen; not asked of a refused form.
    pub left_out: Option<LeftOutPlots>,
}

/// Gathers what is known of the curves that serve some stands.
pub fn evidence(
    stands: &[&Stand],
    curves: Vec<CurveUse>,
    without: &[WithoutCurve],
    species: &[CruiseSpecies],
    table: &SpeciesTable,
    design: &Heights,
) -> Evidence {
    let heights = height_trees(stands, design);
    let mut solver = Solver::new();
    let mut found = Evidence::default();
    let served = curves.iter().flat_map(|used| &used.species);
    let served = served.map(|served| (served.species, &served.passed));
    let unserved = without
        .iter()
        .map(|without| (without.species, &without.passed));
    let missing: BTreeMap<CruiseSpeciesIndex, &Vec<Passed>> = served.chain(unserved).collect();
    let mut fitted_besides = Vec::new();
    for at in 0..species.len() {
        let own = || heights.iter().filter(move |tree| tree.species() == at);
        let dbh = own().map(|tree| tree.point.dbh_cm);
        let Some(range_cm) = dbh.fold(None, |range, cm| Some(widen(range, (cm, cm)))) else {
            continue;
        };
        if let Some(passed) = missing.get(&at) {
            let mut passed = passed.iter();
            let own = passed.find(|passed| passed.level == Level::Species);
            found.without.extend(own.map(|own| (at, own.clone())));
            continue;
        }
        match fit_level(own(), Some(range_cm), design, &mut solver) {
            Ok(fitted) => fitted_besides.push(CurveUse {
                level: Level::Species,
                species: vec![Served {
                    species: at,
                    passed: Vec::new(),
                    filled: 0,
                    extrapolated: 0,
                }],
                curve: HeightCurve::Fitted(Box::new(fitted.used)),
            }),
            Err(why) => {
                let level = Level::Species;
                found.without.push((at, Passed { level, why }));
            }
        }
    }
    let kind = |at: CruiseSpeciesIndex| table.get(species[at].id).kind;
    // A curve of a species that was not recorded only lends itself to another.
    let curves = curves.into_iter().filter(|used| !used.species.is_empty());
    for used in curves.chain(fitted_besides) {
        let serves = |at| used.species.iter().any(|served| served.species == at);
        let is_behind = |tree: &&HeightTree| match used.level {
            Level::Pooled(group) => kind(tree.species()) == group,
            _ => serves(tree.species()),
        };
        let mut behind: Vec<HeightTree> = heights.iter().filter(is_behind).copied().collect();
        sort(&mut behind);
        let points = Points::of(behind.iter().map(|tree| tree.point).collect());
        let (left_out_m, forms) = if let HeightCurve::Fitted(fitted) = &used.curve {
            let left_out_m = leave_one_out_rms_m(&fitted.fit, &points);
            (left_out_m, forms(fitted, &points, design, &mut solver))
        } else {
            (None, Vec::new())
        };
        found.curves.push(CurveEvidence {
            heights: against(&used.curve, &behind, &points),
            used,
            left_out_m,
            forms,
        });
    }
    found.heights = heights;
    found
}

/// In the order of [`Points`]; trees that are alike there by their record.
fn sort(heights: &mut [HeightTree]) {
    heights.sort_by(|a, b| {
        let (x, y) = (&a.point, &b.point);
        let by_size = x.dbh_cm.total_cmp(&y.dbh_cm);
        let by_size = by_size.then(x.height_m.total_cmp(&y.height_m));
        by_size
            .then(x.place.cmp(&y.place))
            .then(a.record.cmp(&b.record))
    });
}

/// Holds a curve against the heights behind it.
fn against(curve: &HeightCurve, behind: &[HeightTree], points: &Points) -> Vec<HeightAgainst> {
    let fixed: Vec<Option<Residual>> = if let HeightCurve::Fitted(fitted) = curve {
        let fixed = residuals(&fitted.fit, points);
        fixed.into_iter().map(Some).collect()
    } else {
        vec![None; behind.len()]
    };
    let is_plain = matches!(curve, HeightCurve::Fitted(fitted) if fitted.effects.is_err());
    let one = |(tree, fixed): (&HeightTree, Option<Residual>)| {
        let point = &tree.point;
        let fitted_m = curve.height_m(point.dbh_cm, point.place);
        let of_place = fixed.map(|fixed| fitted_m - fixed.fitted_m);
        HeightAgainst {
            tree: *tree,
            fitted_m,
            residual_m: point.height_m - fitted_m,
            effect_m: of_place.filter(|effect_m| *effect_m != 0.0),
            studentised: if is_plain {
                fixed.and_then(|fixed| fixed.externally)
            } else {
                let error = curve.error_at(point.dbh_cm, point.place);
                let residual_m = point.height_m - fitted_m;
                error.map(|error| residual_m / error.residual_m)
            },
            fixed,
        }
    };
    behind.iter().zip(fixed).map(one).collect()
}

/// Every form that was tried, fitted again: those accepted by `AICc`, then those refused.
fn forms(
    fitted: &FittedUse,
    points: &Points,
    design: &Heights,
    solver: &mut Solver,
) -> Vec<FormTried> {
    let (weights, breast_height_m) = (design.weights, design.breast_height_m);
    let mut forms: Vec<FormTried> = Vec::new();
    for tried in &fitted.tried {
        let refused = tried.outcome.err();
        let fit = match refused {
            Some(Refusal::TooFew) => None,
            _ => fit_form(tried.form, points, weights, breast_height_m, solver).ok(),
        };
        let accepted = fit.as_ref().filter(|_| refused.is_none());
        let left_out = accepted.and_then(|fit| leave_one_plot_out(fit, points, solver));
        forms.push(FormTried {
            name: tried.form.name(),
            refused,
            chosen: tried.form == fitted.fit.curve.form,
            left_out,
            fit,
        });
    }
    forms.sort_by(|a, b| {
        let aicc = |form: &FormTried| form.fit.as_ref().map_or(f64::INFINITY, |fit| fit.aicc);
        let by_outcome = a.refused.is_some().cmp(&b.refused.is_some());
        by_outcome
            .then(b.chosen.cmp(&a.chosen))
            .then(aicc(a).total_cmp(&aicc(b)))
    });
    forms
}
