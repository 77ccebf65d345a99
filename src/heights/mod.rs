//! Heights: measured, read from an instrument, or filled from a curve; and which of these.

use std::sync::Arc;

use crate::heights::curve::{Curve, Form, MOST_PARAMETERS};
use crate::heights::effects::{Effects, WithoutEffects};
use crate::heights::fit::{FittedCurve, Refusal, Tried};
use crate::heights::ratio::RatioUse;
use crate::heights::scale::PublishedUse;
use crate::records::CruiseSpeciesIndex;
use crate::species::{Kind, SpeciesId};

pub mod audit;
pub mod curve;
pub mod diagnose;
pub mod effects;
pub mod evidence;
pub mod fill;
pub mod fit;
pub mod instrument;
mod levels;
pub mod mixed;
pub mod points;
pub mod precision;
pub mod ratio;
pub mod regional;
pub mod scale;
pub mod span;
mod starts;

/// Where a tree's height comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeightSource {
    /// Recorded as a height.
    Measured,
    /// Worked out from two readings and a distance.
    Instrument,
    /// From the curve fitted to the species, an index into [`StandHeights::curves`].
    SpeciesCurve(usize),
    /// From the curve of another species.
    RatioCurve(usize),
    /// From the curve fitted to the pooled group.
    PooledCurve(usize),
    /// From a published regional curve.
    RegionalCurve(usize),
    /// No height can be given.
    None,
}

impl HeightSource {
    /// The curve that it was filled from, an index into [`StandHeights::curves`].
    pub fn curve(self) -> Option<usize> {
        match self {
            HeightSource::SpeciesCurve(index)
            | HeightSource::RatioCurve(index)
            | HeightSource::PooledCurve(index)
            | HeightSource::RegionalCurve(index) => Some(index),
            HeightSource::Measured | HeightSource::Instrument | HeightSource::None => None,
        }
    }
}

/// Where a tree stands among those that share their curves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Its stand, an index into the stands that the curves were fitted for.
    pub stand: usize,
    /// Its plot, an index into the plots of the stand.
    pub plot: usize,
    /// Its species.
    pub species: CruiseSpeciesIndex,
}

/// A tree's total height (of the unbroken stem) and its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TreeHeight {
    /// Where the tree stands.
    pub place: Place,
    /// Total height; `None` only with [`HeightSource::None`].
    pub height_m: Option<f64>,
    /// Where it comes from.
    pub source: HeightSource,
    /// The curve gave less than the height at which the stem is broken off, so that height was
    /// taken.
    pub raised_to_break: bool,
}

/// The heights of a stand.
#[derive(Clone, Debug, Default)]
pub struct StandHeights {
    /// One per tree, in the order of `Stand::trees`.
    pub trees: Vec<TreeHeight>,
    /// The curves at hand, of which some may fill no tree of this stand when they serve the whole
    /// cruise.
    pub curves: Vec<CurveUse>,
    /// Heights that could be fitted but for the dbh, which lies outside the limits of the selection.
    pub left_out: usize,
    /// Species with missing heights that no curve serves.
    pub without_curve: Vec<WithoutCurve>,
    /// Heights of which none differs from the others, where there are trees without one.
    pub one_height: Vec<OneHeight>,
}

/// Usable heights that are all the same, two at least.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OneHeight {
    /// Their species; `None` where they are all that there are and of several.
    pub species: Option<CruiseSpeciesIndex>,
    /// How many.
    pub n: usize,
    /// The value.
    pub height_m: f64,
}

/// A curve in use and the species that it serves.
#[derive(Clone, Debug)]
pub struct CurveUse {
    /// Whose heights the curve rests on.
    pub level: Level,
    /// Species whose missing heights it fills, each with the levels passed over for it.
    pub species: Vec<Served>,
    /// The curve.
    pub curve: HeightCurve,
}

/// Whose heights a curve rests on, from the nearest to the farthest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Those of the species.
    Species,
    /// Those of another species, times a factor.
    Ratio,
    /// Those of all softwoods, or of all hardwoods.
    Pooled(Kind),
    /// Those behind a published curve.
    Regional,
}

/// A species served by a curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Served {
    /// The species.
    pub species: CruiseSpeciesIndex,
    /// Why its nearer levels do not serve it.
    pub passed: Vec<Passed>,
    /// Its trees, within the dbh limits, whose heights were filled.
    pub filled: usize,
    /// Those of them with a dbh outside the trees behind the curve.
    pub extrapolated: usize,
}

/// A species with missing heights that no curve serves.
#[derive(Clone, Debug, PartialEq)]
pub struct WithoutCurve {
    /// The species.
    pub species: CruiseSpeciesIndex,
    /// Why no level serves it.
    pub passed: Vec<Passed>,
}

/// A level that does not serve a species.
#[derive(Clone, Debug, PartialEq)]
pub struct Passed {
    /// Which level.
    pub level: Level,
    /// Why it does not.
    pub why: Why,
}

/// Why a level does not serve.
#[derive(Clone, Debug, PartialEq)]
pub enum Why {
    /// Too few heights.
    TooFew {
        /// Heights that could be used.
        n: usize,
        /// Heights that the design asks for.
        wanted: usize,
    },
    /// All heights are the same value: nothing to fit.
    OneHeight {
        /// How many.
        n: usize,
        /// The value.
        height_m: f64,
    },
    /// All heights are of trees of one dbh: nothing to fit.
    OneDbh {
        /// How many.
        n: usize,
        /// The dbh.
        dbh_cm: f64,
    },
    /// No form gives an acceptable curve.
    NoForm {
        /// Heights that could be used.
        n: usize,
        /// The forms, each with the reason why not.
        tried: Vec<Tried>,
    },
    /// Its own curve does not foretell the heights of the species clearly better than the shared one,
    /// or, with many heights, clearly worse.
    SharedIsCloser {
        /// Heights of the species.
        n: usize,
        /// Root mean square error of its own curve for heights left out one at a time, m; `None`
        /// where that curve hangs on a single height.
        own_m: Option<f64>,
        /// The same of the shared curve.
        shared_m: f64,
    },
    /// The shared curve does not foretell the heights of the kind clearly better than the published
    /// ones, scaled.
    PublishedIsCloser {
        /// Heights of the kind.
        n: usize,
        /// Root mean square error of the shared curve for heights left out one at a time, m.
        shared_m: f64,
        /// The same of the published curves.
        published_m: f64,
    },
    /// The species whose curve it should take has none.
    OtherHasNone {
        /// That species.
        other: SpeciesId,
    },
    /// The species is neither softwood nor hardwood in the species table.
    KindUnknown,
    /// The design names no set of published curves.
    NoSet,
    /// The set that the design names has no curve for the species or its genus.
    NotInSet {
        /// Name of the set.
        set: String,
    },
}

/// A curve that fills heights.
#[derive(Clone, Debug)]
pub enum HeightCurve {
    /// Fitted to heights of the cruise.
    Fitted(Box<FittedUse>),
    /// Published, scaled to the heights at hand where there are any.
    Published(Box<PublishedUse>),
    /// That of another species, times a factor.
    Ratio(Box<RatioUse>),
}

/// A fitted curve and what there is to say about the fit.
#[derive(Clone, Debug)]
pub struct FittedUse {
    /// The curve without effects.
    pub fit: FittedCurve,
    /// The curve with effects, which takes its place, or why there is none.
    pub effects: Result<Arc<Effects>, WithoutEffects>,
    /// Root mean square errors for heights of the species left out one at a time, of this curve and
    /// of the shared one, m; `None` where there was nothing to choose.
    pub closer_than_shared: Option<(f64, f64)>,
    /// Forms that were tried.
    pub tried: Vec<Tried>,
    /// The form that the design names and why it was not taken.
    pub replaced: Option<(Form, Refusal)>,
    /// Heights of the fit that were read with a sight steeper than 100 %.
    pub steep: usize,
}

/// Heights of a species from which its own curve comes first. A judgement: with fewer the shared curve
/// foretold heights that were left out better (`benches/height_evidence`), and local fits are said to
/// compete from 15 to 20 well spread heights on (Gomez-Garcia et al. 2015, abstract).
pub const MANY_HEIGHTS: usize = 30;

/// Parameters of a height curve with an error of their own: those of its form and a factor.
pub const MOST_CURVE_PARAMETERS: usize = MOST_PARAMETERS + 1;

/// How a height filled from a curve may be off.
///
/// ```text
/// h_hat - h = gradient' (b_hat - b) + sum over effects: share x error of the effect + residual
/// ```
/// The first part is shared by all trees of the curve, the second by those of one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveError {
    /// Derivatives of the height by the parameters of the curve, in the order of
    /// [`HeightCurve::covariance`]; those beyond their number are 0.
    pub gradient: [f64; MOST_CURVE_PARAMETERS],
    /// Effects that the height hangs on, as indices for [`HeightCurve::effect_variance`], each with
    /// the height in m per unit of the effect.
    pub effects: [Option<(usize, f64)>; 2],
    /// Standard deviation of the height of one tree about the curve, m.
    pub residual_m: f64,
}

impl HeightCurve {
    /// Total height of a tree of `dbh_cm` at a place, m.
    pub fn height_m(&self, dbh_cm: f64, place: Place) -> f64 {
        match self {
            HeightCurve::Fitted(fitted) => fitted.curve_at(place).height_m(dbh_cm),
            HeightCurve::Published(published) => published.height_m(dbh_cm),
            HeightCurve::Ratio(used) => used.height_m(dbh_cm, place),
        }
    }

    /// Breast height of the curve, m.
    fn breast_height_m(&self) -> f64 {
        match self {
            HeightCurve::Fitted(fitted) => fitted.fit.curve.breast_height_m,
            HeightCurve::Published(published) => published.curve.breast_height_m(),
            HeightCurve::Ratio(used) => used.breast_height_m(),
        }
    }

    /// How the height of a tree of `dbh_cm` at a place may be off; `None` where nothing is known of
    /// it.
    pub fn error_at(&self, dbh_cm: f64, place: Place) -> Option<CurveError> {
        match self {
            HeightCurve::Published(published) => published.error_at(dbh_cm),
            HeightCurve::Ratio(used) => used.error_at(dbh_cm, place),
            HeightCurve::Fitted(fitted) => {
                if let Ok(effects) = &fitted.effects {
                    return Some(effects.error_at(dbh_cm, place));
                }
                let Curve {
                    form, parameters, ..
                } = fitted.fit.curve;
                let p = form.n_parameters();
                let mut gradient = [0.0; MOST_CURVE_PARAMETERS];
                form.value_and_gradient(dbh_cm, &parameters[..p], &mut gradient[..p]);
                Some(CurveError {
                    gradient,
                    effects: [None; 2],
                    residual_m: fitted.fit.residual_m(dbh_cm),
                })
            }
        }
    }

    /// Covariance of the parameters, row by row; empty where it is not known.
    pub fn covariance(&self) -> &[f64] {
        match self {
            HeightCurve::Published(published) => &published.covariance,
            HeightCurve::Ratio(used) => &used.covariance,
            HeightCurve::Fitted(fitted) => match &fitted.effects {
                Ok(effects) => &effects.curve.fit.covariance,
                Err(_) => &fitted.fit.covariance,
            },
        }
    }

    /// Variance of the error of an effect, given the parameters; of a place without heights that of
    /// the effects themselves.
    pub fn effect_variance(&self, effect: usize) -> f64 {
        match self {
            HeightCurve::Published(_) => 0.0,
            HeightCurve::Ratio(used) => used.curve.effect_variance(effect),
            HeightCurve::Fitted(fitted) => match &fitted.effects {
                Ok(effects) => effects.variance(effect),
                Err(_) => 0.0,
            },
        }
    }

    /// Is a dbh outside the trees that the curve was fitted to?
    pub fn is_extrapolated(&self, dbh_cm: f64) -> bool {
        match self {
            HeightCurve::Fitted(fitted) => {
                let (least_cm, most_cm) = fitted.fit.dbh_range_cm;
                dbh_cm < least_cm || dbh_cm > most_cm
            }
            HeightCurve::Published(published) => published.curve.is_outside_range(dbh_cm),
            HeightCurve::Ratio(used) => used.curve.is_extrapolated(dbh_cm),
        }
    }

    /// The formula with breast height and units.
    pub fn expression(&self) -> String {
        match self {
            HeightCurve::Fitted(fitted) => fill::fitted_expression(&fitted.fit.curve),
            HeightCurve::Published(published) => published.curve.expression(),
            HeightCurve::Ratio(used) => used.curve.expression(),
        }
    }

    /// Name of its form.
    pub fn form_name(&self) -> &'static str {
        match self {
            HeightCurve::Fitted(fitted) => fitted.fit.curve.form.name(),
            HeightCurve::Published(published) => published.curve.head.form.name(),
            HeightCurve::Ratio(used) => used.curve.form_name(),
        }
    }
}

impl FittedUse {
    /// The curve at a place.
    pub fn curve_at(&self, place: Place) -> Curve {
        match &self.effects {
            Ok(effects) => effects.curve_at(place),
            Err(_) => self.fit.curve,
        }
    }

    /// Residual standard error of the heights about the curve, m.
    pub fn rmse_m(&self) -> f64 {
        match &self.effects {
            Ok(effects) => effects.rmse_m,
            Err(_) => self.fit.rmse_m,
        }
    }
}

impl Level {
    /// `species`, `ratio`, `softwoods`, `hardwoods` or `regional`.
    pub fn name(self) -> &'static str {
        match self {
            Level::Species => "species",
            Level::Ratio => "ratio",
            Level::Pooled(Kind::Softwood) => "softwoods",
            Level::Pooled(Kind::Hardwood) => "hardwoods",
            Level::Pooled(Kind::Unknown) => "pooled",
            Level::Regional => "regional",
        }
    }
}
