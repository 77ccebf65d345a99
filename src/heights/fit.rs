//! Fits curves to measured heights and chooses among them.
//!
//! ```text
//! minimise S = sum w (y - f(D))^2        y = H - bh;  w = 1, or 1/D, or by precision
//! log-likelihood = -n/2 (ln 2 pi + 1 - ln n + ln S) + 1/2 sum ln w
//! AIC  = -2 logL + 2 k,  k = p + 1       p parameters and the residual variance
//! AICc = AIC + 2 k (k + 1) / (n - k - 1)
//! ```
//! Source: Burnham & Anderson 2002, Model Selection and Multimodel Inference (from memory); the
//! reference fits of the tests for everything up to AIC.
//!
//! All forms are fitted to heights, none to logarithms or other transforms of them, so that a curve
//! gives the mean height of a dbh and nothing is transformed back. A fit of `ln y` gives the median,
//! 1 to 3 % below the mean for most species of a cruise, and needs a factor (Baskerville 1972,
//! Duan 1983, Snowdon 1991); `tests/it/height_bias.rs` holds both against measured heights.
//!
//! `best` takes Naslund's curve unless another form is ahead by more than 2 in the corrected criterion,
//! which gave better heights for trees that were left out than the least criterion alone
//! (`benches/height_evidence`); forms of three parameters are tried from 30 heights on.
//!
//! A curve is accepted if the search converged, the curve rises and is positive from the thinnest
//! to the thickest tree of the group (those to be filled included), and its value at the thickest
//! is at most 1.3 times the tallest measured height. That last limit is a judgement: it refuses
//! the absurd asymptotes that three-parameter curves run to on nearly straight data.

use crate::design::{CurveChoice, FitWeights};
use crate::heights::curve::{Curve, Form, MOST_PARAMETERS};
use crate::heights::points::Sample;
pub use crate::heights::points::{HeightPoint, Points};
use crate::heights::precision::{Reweighted, Scatter, reweighted};
use crate::math::nonlinear::{Fit, Problem, Solver, Status};

/// Forms that `best` leaves out: exp-power (Korf's curve in other letters), parabola and Sibbesen
/// (turn down), log-line (negative for small trees).
pub const NOT_IN_BEST: [Form; 4] = [
    Form::ExpPower,
    Form::Parabola,
    Form::Sibbesen,
    Form::LogLine,
];

/// Forms whose sum of squares often has two minima (Sibbesen's curve with b > 0, which rises up to
/// `D = exp(1 / c)`, and with b < 0, which rises from there on), so that every start is searched
/// from. With the others the first search that converges ends, but for very rare cases, at the
/// lowest minimum that any start leads to, and more would only take time.
const WITH_TWO_MINIMA: [Form; 1] = [Form::Sibbesen];

/// The form that `best` takes unless another one is ahead by more than [`LEAD`].
pub const FAVOURITE: Form = Form::Naslund;
/// Differences of the corrected criterion up to this one tell little. Source: Burnham & Anderson 2002 (from memory).
pub const LEAD: f64 = 2.0;
/// Heights that `best` asks for before it tries a form of three parameters. With fewer such a form
/// predicts trees that were left out worse than one of two parameters, in every set of heights that
/// `benches/height_evidence` draws from.
pub const LEAST_FOR_THREE: usize = 30;

/// Times the tallest measured height that a curve may reach at the thickest tree.
pub const MOST_ABOVE_TALLEST: f64 = 1.3;
/// Diameters at which a curve is looked at.
const CHECKED_DIAMETERS: usize = 64;

/// A fitted curve.
#[derive(Clone, Debug, PartialEq)]
pub struct FittedCurve {
    /// The curve.
    pub curve: Curve,
    /// Standard errors of its parameters.
    pub std_errors: [f64; MOST_PARAMETERS],
    /// Covariance of its parameters, row by row.
    pub covariance: Vec<f64>,
    /// Heights that it rests on.
    pub n: usize,
    /// Their dbh range.
    pub dbh_range_cm: (f64, f64),
    /// Root mean square of the residuals, `sqrt(sum r^2 / (n - p))`, m.
    pub rmse_m: f64,
    /// Weighted residual sum of squares.
    pub residual_ss: f64,
    /// Weights that it was fitted with.
    pub weights: FitWeights,
    /// The scatter about the curve, where weights come from the precision of the heights.
    pub scatter: Option<Scatter>,
    /// Akaike's criterion.
    pub aic: f64,
    /// The same, corrected for few heights.
    pub aicc: f64,
}

impl FittedCurve {
    /// Standard deviation of heights about the curve at a dbh, m: the residual one, `s` with equal
    /// weights and `s sqrt(D)` with 1/D; with weights by precision that without the errors of
    /// measurement.
    pub fn residual_m(&self, dbh_cm: f64) -> f64 {
        if let Some(scatter) = self.scatter {
            return scatter.std_dev_m;
        }
        let variance = self.residual_ss / (self.n - self.curve.form.n_parameters()) as f64;
        match self.weights {
            FitWeights::Equal | FitWeights::Precision => variance.sqrt(),
            FitWeights::InverseDbh => (variance * dbh_cm).sqrt(),
        }
    }
}

/// Why a form was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// Fewer heights than the criterion needs.
    TooFew,
    /// The search found no minimum.
    NoMinimum,
    /// The curve falls, or is below breast height, within the diameters at hand.
    NotRising,
    /// The curve goes far above the tallest measured tree.
    TooHigh,
}

impl Refusal {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Refusal::TooFew => "too few heights",
            Refusal::NoMinimum => "no finite optimum",
            Refusal::NotRising => "falls or is not positive within the diameters",
            Refusal::TooHigh => "goes far above the tallest measured tree",
        }
    }
}

/// One form that was tried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tried {
    /// The form.
    pub form: Form,
    /// Its corrected AIC, or why it was not taken.
    pub outcome: Result<f64, Refusal>,
}

/// What was chosen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Choice {
    /// The curve; `None` if no form was accepted.
    pub chosen: Option<FittedCurve>,
    /// Every form that was tried.
    pub tried: Vec<Tried>,
    /// The curves of those that were accepted, each with its corrected AIC, in the same order.
    pub accepted: Vec<(Curve, f64)>,
    /// The form that the design names and why it could not be taken.
    pub replaced: Option<(Form, Refusal)>,
}

/// Fits one form. Searches from its starts in the order of their errors; the first search that
/// converges counts, or the one with the smallest sum of squares for a form with two minima.
pub fn fit_form(
    form: Form,
    points: &Points,
    weights: FitWeights,
    breast_height_m: f64,
    solver: &mut Solver,
) -> Result<FittedCurve, Refusal> {
    let heights = Heights::new(points, weights, breast_height_m);
    let found = heights.search(form, solver)?;
    Ok(heights.curve(found))
}

/// Heights to which several forms are fitted.
struct Heights<'p> {
    points: &'p Points,
    sample: Sample<'p>,
    weights: FitWeights,
    /// Weights that are known beforehand; all 1 if none.
    weight: Option<Vec<f64>>,
    breast_height_m: f64,
}

/// What the search for a form found.
struct Found {
    curve: Curve,
    fit: Fit,
    scatter: Option<Scatter>,
    aic: f64,
    aicc: f64,
}

impl<'p> Heights<'p> {
    fn new(points: &'p Points, weights: FitWeights, breast_height_m: f64) -> Self {
        let d = points.dbh_cm();
        let heights = points.height_m().iter();
        let y = heights.map(|height| height - breast_height_m).collect();
        Heights {
            points,
            sample: Sample::new(d, y),
            weights,
            weight: match weights {
                // Weights by precision begin with equal ones.
                FitWeights::Equal | FitWeights::Precision => None,
                FitWeights::InverseDbh => Some(d.iter().map(|d| 1.0 / d).collect()),
            },
            breast_height_m,
        }
    }

    fn search(&self, form: Form, solver: &mut Solver) -> Result<Found, Refusal> {
        let (n, p) = (self.points.len(), form.n_parameters());
        // AICc needs n - k - 1 > 0 with k = p + 1.
        if n <= p + 2 {
            return Err(Refusal::TooFew);
        }
        let (d, y) = (self.sample.d, &self.sample.y);
        let logs = self.sample.logs(form);
        let mut search = |weights: Option<&[f64]>, start: &[f64]| {
            let problem = Problem {
                y,
                weights,
                model: |i: usize, parameters: &[f64], gradient: &mut [f64]| {
                    let log = logs.get(i).copied().unwrap_or(0.0);
                    form.value_and_gradient_by((d[i], log), parameters, gradient)
                },
            };
            let fit = solver.fit(&problem, start);
            let found = fit.status == Status::Converged && fit.covariance.len() == p * p;
            found.then_some(fit)
        };
        let mut starts = form.starts_for(&self.sample);
        starts.retain(|start| start.iter().all(|value| value.is_finite()));
        if starts.len() > 1 {
            let error = |start: [f64; MOST_PARAMETERS]| {
                let trees = d.iter().zip(y);
                let residual = |(d, y): (&f64, &f64)| (y - form.value(*d, &start[..p])).powi(2);
                let sum: f64 = trees.map(residual).sum();
                (if sum.is_nan() { f64::INFINITY } else { sum }, start)
            };
            let mut by_error: Vec<_> = starts.into_iter().map(error).collect();
            by_error.sort_by(|a, b| a.0.total_cmp(&b.0));
            starts = by_error.into_iter().map(|(_, start)| start).collect();
        }
        let mut fits = starts
            .iter()
            .filter_map(|start| search(self.weight.as_deref(), &start[..p]));
        let fit = if WITH_TWO_MINIMA.contains(&form) {
            fits.min_by(|a, b| a.residual_ss.total_cmp(&b.residual_ss))
        } else {
            fits.next()
        };
        let mut fit = fit.ok_or(Refusal::NoMinimum)?;
        let mut scatter = None;
        let mut weight = None;
        if self.weights == FitWeights::Precision {
            let squares = |parameters: &[f64]| -> Vec<f64> {
                let residual = |(d, y): (&f64, &f64)| (y - form.value(*d, parameters)).powi(2);
                d.iter().zip(y).map(residual).collect()
            };
            let refit = |weights: &[f64], start: &[f64]| search(Some(weights), start);
            let Reweighted {
                fit: last,
                weights,
                scatter: found,
            } = reweighted(fit, self.points.std_error_m(), refit, squares)
                .ok_or(Refusal::NoMinimum)?;
            (fit, weight, scatter) = (last, Some(weights), Some(found));
        }
        let mut curve = Curve {
            form,
            parameters: [0.0; MOST_PARAMETERS],
            breast_height_m: self.breast_height_m,
        };
        curve.parameters[..p].copy_from_slice(&fit.parameters);
        let weight = weight.as_ref().or(self.weight.as_ref());
        let log_weights: f64 = weight.into_iter().flatten().map(|w| w.ln()).sum();
        let (count, k) = (n as f64, (p + 1) as f64);
        let log_likelihood = -0.5
            * count
            * ((2.0 * std::f64::consts::PI).ln() + 1.0 - count.ln() + fit.residual_ss.ln())
            + 0.5 * log_weights;
        let aic = -2.0 * log_likelihood + 2.0 * k;
        Ok(Found {
            curve,
            fit,
            scatter,
            aic,
            aicc: aic + 2.0 * k * (k + 1.0) / (count - k - 1.0),
        })
    }

    /// All that there is to say of what was found.
    fn curve(&self, found: Found) -> FittedCurve {
        let Found {
            curve,
            fit,
            scatter,
            aic,
            aicc,
        } = found;
        let (n, p) = (self.points.len(), curve.form.n_parameters());
        let mut std_errors = [0.0; MOST_PARAMETERS];
        for (j, error) in std_errors.iter_mut().take(p).enumerate() {
            *error = fit.covariance[j * p + j].sqrt();
        }
        let trees = self.sample.d.iter().zip(self.points.height_m());
        let squares: f64 = trees
            .map(|(d, height)| (height - curve.height_m(*d)).powi(2))
            .sum();
        FittedCurve {
            curve,
            std_errors,
            covariance: fit.covariance,
            n,
            dbh_range_cm: self.points.dbh_range_cm().unwrap_or_default(),
            rmse_m: (squares / (n - p) as f64).sqrt(),
            residual_ss: fit.residual_ss,
            weights: self.weights,
            scatter,
            aic,
            aicc,
        }
    }
}

/// May the curve fill heights between these diameters?
pub fn acceptable(
    fitted: &FittedCurve,
    dbh_range_cm: (f64, f64),
    tallest_m: f64,
) -> Result<(), Refusal> {
    serves(&fitted.curve, dbh_range_cm, tallest_m)
}

/// Does a curve rise between these diameters, above breast height and not far above the tallest?
pub fn serves(curve: &Curve, (from, to): (f64, f64), tallest_m: f64) -> Result<(), Refusal> {
    let mut thinner = 0.0;
    for step in 0..=CHECKED_DIAMETERS {
        let d = from + (to - from) * step as f64 / CHECKED_DIAMETERS as f64;
        let y = curve.form.value(d, curve.parameters());
        let slope = curve.form.slope_at(d, y, curve.parameters());
        // On both sides of a pole the slope may be positive: the values tell.
        let rises = y > 0.0 && slope > 0.0 && y >= thinner;
        if !rises {
            return Err(Refusal::NotRising);
        }
        thinner = y;
    }
    if curve.height_m(to) > MOST_ABOVE_TALLEST * tallest_m {
        return Err(Refusal::TooHigh);
    }
    Ok(())
}

/// Fits and chooses. `dbh_range_cm` spans all trees of the group, those to be filled included.
pub fn choose(
    points: &Points,
    wanted: &CurveChoice,
    weights: FitWeights,
    breast_height_m: f64,
    dbh_range_cm: (f64, f64),
    solver: &mut Solver,
) -> Choice {
    let heights = Heights::new(points, weights, breast_height_m);
    let tallest_m = points.tallest_m();
    let mut attempt = |form: Form| {
        let found = heights.search(form, solver)?;
        serves(&found.curve, dbh_range_cm, tallest_m).map(|()| found)
    };
    let mut choice = Choice {
        tried: Vec::with_capacity(Form::ALL.len()),
        accepted: Vec::with_capacity(Form::ALL.len()),
        ..Choice::default()
    };
    if let CurveChoice::Named(name) = wanted
        && let Some(form) = Form::named(name)
    {
        let found = attempt(form);
        choice.note(form, &found);
        match found {
            Ok(found) => {
                choice.chosen = Some(heights.curve(found));
                return choice;
            }
            Err(refusal) => choice.replaced = Some((form, refusal)),
        }
    }
    let named = choice.replaced.map(|(form, _)| form);
    let behind = |found: &Found| {
        let ahead = if found.curve.form == FAVOURITE {
            LEAD
        } else {
            0.0
        };
        found.aicc - ahead
    };
    let others = |form: &Form| !NOT_IN_BEST.contains(form) && named != Some(*form);
    let mut best: Option<Found> = None;
    for form in Form::ALL.into_iter().filter(others) {
        let found = if form.n_parameters() > 2 && points.len() < LEAST_FOR_THREE {
            Err(Refusal::TooFew)
        } else {
            attempt(form)
        };
        choice.note(form, &found);
        if let Ok(found) = found
            && best
                .as_ref()
                .is_none_or(|best| behind(&found) < behind(best))
        {
            best = Some(found);
        }
    }
    choice.chosen = best.map(|best| heights.curve(best));
    choice
}

impl Choice {
    fn note(&mut self, form: Form, found: &Result<Found, Refusal>) {
        self.tried.push(Tried {
            form,
            outcome: found.as_ref().map(|found| found.aicc).map_err(|why| *why),
        });
        let accepted = found.as_ref().ok();
        self.accepted
            .extend(accepted.map(|found| (found.curve, found.aicc)));
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::{CM_PER_IN, M_PER_FT};

    fn best(pairs: &[(f64, f64)]) -> Choice {
        let points = Points::new(pairs.to_vec());
        let range = points.dbh_range_cm().unwrap();
        choose(
            &points,
            &CurveChoice::Best,
            FitWeights::Equal,
            1.3,
            range,
            &mut Solver::new(),
        )
    }

    /// Heights about Naslund's curve, off by a little.
    fn heights() -> Vec<(f64, f64)> {
        let off = [0.3, -0.4, 0.2, 0.5, -0.6, 0.1, -0.2, 0.4, -0.3];
        (0..9_u8)
            .map(|k| {
                let d = 12.0 + 5.0 * f64::from(k);
                (
                    d,
                    1.3 + (d / (1.9 + 0.155 * d)).powi(2) + off[usize::from(k)],
                )
            })
            .collect()
    }

    #[test]
    fn the_best_is_naslunds_unless_another_is_clearly_better() {
        let choice = best(&heights());
        let chosen = choice.chosen.unwrap();
        assert_eq!(choice.tried.len(), Form::ALL.len() - NOT_IN_BEST.len());
        for tried in &choice.tried {
            if let Ok(aicc) = tried.outcome {
                assert!(chosen.aicc - LEAD <= aicc, "{tried:?}");
            }
            if tried.form.n_parameters() == 3 {
                assert_eq!(tried.outcome, Err(Refusal::TooFew), "{tried:?}");
            }
        }
        assert!(chosen.rmse_m < 1.0, "{chosen:?}");
        assert_eq!(chosen.curve.form, Form::Naslund);
        let straight: Vec<(f64, f64)> = (0..10_u8)
            .map(|k| {
                let d = 10.0 + 4.0 * f64::from(k);
                let off = if k % 2 == 0 { 0.1 } else { -0.1 };
                (d, 1.3 + 0.6 * d + off)
            })
            .collect();
        assert_eq!(best(&straight).chosen.unwrap().curve.form, Form::Power);
    }

    #[test]
    fn the_order_of_the_heights_changes_nothing() {
        let mut backwards = heights();
        backwards.reverse();
        assert_eq!(best(&heights()), best(&backwards));
    }

    #[test]
    fn falling_and_few_heights_have_no_curve() {
        let falling: Vec<(f64, f64)> = heights().iter().map(|(d, h)| (*d, 40.0 - h)).collect();
        assert_eq!(best(&falling).chosen, None);
        let few = best(&heights()[..4]);
        assert!(few.chosen.is_none());
        assert!(
            few.tried
                .iter()
                .all(|tried| tried.outcome == Err(Refusal::TooFew))
        );
    }

    #[test]
    fn a_named_form_that_fails_is_replaced_and_told() {
        let points = Points::new(heights());
        let range = points.dbh_range_cm().unwrap();
        let named = |name: &str, range| {
            let wanted = CurveChoice::Named(name.to_owned());
            choose(
                &points,
                &wanted,
                FitWeights::InverseDbh,
                1.3,
                range,
                &mut Solver::new(),
            )
        };
        let kept = named("curtis", range);
        assert_eq!(kept.chosen.unwrap().curve.form, Form::Curtis);
        assert_eq!(kept.replaced, None);
        // A parabola through these heights turns down before 150 cm.
        let replaced = named("parabola", (range.0, 150.0));
        assert_eq!(
            replaced.replaced,
            Some((Form::Parabola, Refusal::NotRising))
        );
    }

    #[test]
    fn exact_heights_give_back_their_curve() {
        let pairs: Vec<(f64, f64)> = (0..12_u8)
            .map(|k| {
                let d = 8.0 + 4.0 * f64::from(k);
                (d, 1.3 + 45.0 * (1.0 - (-0.025 * d).exp()).powf(1.1))
            })
            .collect();
        let points = Points::new(pairs);
        let fitted = fit_form(
            Form::ChapmanRichards,
            &points,
            FitWeights::Equal,
            1.3,
            &mut Solver::new(),
        )
        .unwrap();
        for (ours, exact) in fitted.curve.parameters.iter().zip([45.0, 0.025, 1.1]) {
            assert!((ours / exact - 1.0).abs() < 1e-6, "{fitted:?}");
        }
    }

    /// Forms whose parameters take up a change of units: with D in other units and y in others the
    /// same curve has other parameters, so the fit must be the same curve. Curtis and Wykoff add 1
    /// to D and are not among them.
    const EQUIVARIANT: [Form; 9] = [
        Form::Naslund,
        Form::Naslund3,
        Form::Michailow,
        Form::Meyer,
        Form::Power,
        Form::MichaelisMenten,
        Form::Parabola,
        Form::Prodan,
        Form::Logistic,
    ];

    proptest! {
        #[test]
        fn inches_and_feet_give_the_same_curve(
            which in 0..EQUIVARIANT.len(),
            off in proptest::collection::vec(-1.0_f64..1.0, 12),
            weighted in any::<bool>(),
        ) {
            let form = EQUIVARIANT[which];
            let weights = if weighted { FitWeights::InverseDbh } else { FitWeights::Equal };
            let metric: Vec<(f64, f64)> = (0..12_u8)
                .zip(&off)
                .map(|(k, off)| {
                    let d = 9.0 + 4.0 * f64::from(k);
                    (d, 1.3716 + (d / (1.9 + 0.155 * d)).powi(2) + off)
                })
                .collect();
            let imperial = metric.iter().map(|(d, h)| (d / CM_PER_IN, h / M_PER_FT)).collect();
            let mut solver = Solver::new();
            let (metric, imperial) = (Points::new(metric), Points::new(imperial));
            let ours = fit_form(form, &metric, weights, 1.3716, &mut solver);
            let theirs = fit_form(form, &imperial, weights, 4.5, &mut solver);
            prop_assert_eq!(ours.as_ref().err(), theirs.as_ref().err());
            if let (Ok(ours), Ok(theirs)) = (ours, theirs) {
                for d in [9.0, 20.0, 35.0, 53.0] {
                    let there = theirs.curve.height_m(d / CM_PER_IN) * M_PER_FT;
                    prop_assert!((ours.curve.height_m(d) - there).abs() < 1e-6, "{form:?} {d}");
                }
                let rmse = theirs.rmse_m * M_PER_FT;
                prop_assert!((ours.rmse_m - rmse).abs() < 1e-7, "{form:?}");
            }
        }
    }
}
