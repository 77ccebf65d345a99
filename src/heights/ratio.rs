//! The curve of another species, where the design asks for it: `y = k y_other(D)`.
//!
//! The factor is the one that the design gives, or that of the measured heights of the species
//! over the other's curve, drawn towards 1 ([`super::scale`]), or 1 without any height.
//!
//! Error of a height: the other curve's own, times k, and that of k; the covariance of the two sets
//! of parameters is taken as 0, and so is that of the two curves. A factor that the design gives counts as exact. Of a bare 1 nothing
//! is known, nor of a published curve with a factor from the design; a published curve with a factor
//! from heights has the error of the factor alone.

use crate::heights::scale::{Scale, WITHIN_SD};
use crate::heights::{CurveError, HeightCurve, Level, MOST_CURVE_PARAMETERS, Place};
use crate::records::CruiseSpeciesIndex;
use crate::species::SpeciesId;

/// Where the factor comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Factor {
    /// From the design.
    Given(f64),
    /// From heights of the species.
    Heights(Scale),
    /// There is no height: it is 1.
    One,
}

/// The curve of another species, as it is used.
#[derive(Clone, Debug)]
pub struct RatioUse {
    /// The other species.
    pub other: SpeciesId,
    /// Its curve.
    pub curve: HeightCurve,
    /// The factor of the part above breast height.
    pub factor: Factor,
    /// The other species among those of the cruise; beyond them if it was not recorded.
    other_at: CruiseSpeciesIndex,
    pub(super) covariance: Vec<f64>,
}

impl Factor {
    /// The factor itself.
    pub fn value(self) -> f64 {
        match self {
            Factor::Given(factor) => factor,
            Factor::Heights(scale) => scale.factor,
            Factor::One => 1.0,
        }
    }

    /// The factor and where it comes from.
    pub fn words(self) -> String {
        match self {
            Factor::Given(factor) => format!("k = {factor}, from the design"),
            Factor::Heights(scale) => format!("{}, from {}", scale.shown(), scale.words()),
            Factor::One => "k = 1: the species has no height to find it from".to_owned(),
        }
    }
}

impl RatioUse {
    /// The curve of `other`; heights of the species are pairs of dbh and total height, each with
    /// its place.
    pub(super) fn new(
        (other, other_at): (SpeciesId, CruiseSpeciesIndex),
        curve: HeightCurve,
        given: Option<f64>,
        heights: impl Iterator<Item = (f64, f64, Place)>,
    ) -> Self {
        let mut used = RatioUse {
            other,
            curve,
            factor: given.map_or(Factor::One, Factor::Given),
            other_at,
            covariance: Vec::new(),
        };
        if given.is_none() {
            let breast_height_m = used.breast_height_m();
            let pairs = heights.map(|(dbh_cm, height_m, place)| {
                (height_m - breast_height_m, used.above_m(dbh_cm, place))
            });
            let above = pairs.filter(|(y, _)| *y > 0.0);
            if let Some(scale) = Scale::of(above, Level::Species) {
                used.factor = Factor::Heights(scale);
            }
        }
        used.covariance = used.block_covariance();
        used
    }

    /// The other's parameters, then the factor where it was estimated. Where the other's curve ends
    /// with such a factor already, the two are one: `d(k1 k2) = k1 d(k2 + (k2/k1) k1)`.
    fn block_covariance(&self) -> Vec<f64> {
        let other = self.curve.covariance();
        let p = other.len().isqrt();
        let Factor::Heights(scale) = self.factor else {
            return other.to_vec();
        };
        if let Some(of_other) = self.factor_of_other() {
            let mut block = other.to_vec();
            if let Some(last) = block.last_mut() {
                *last += (of_other / scale.factor * scale.std_error).powi(2);
            }
            return block;
        }
        let mut block = vec![0.0; (p + 1) * (p + 1)];
        for (i, row) in other.chunks(p.max(1)).enumerate() {
            block[i * (p + 1)..i * (p + 1) + p].copy_from_slice(row);
        }
        block[(p + 1) * (p + 1) - 1] = scale.std_error * scale.std_error;
        block
    }

    /// The other's factor, if it was found from heights too.
    fn factor_of_other(&self) -> Option<f64> {
        match &self.curve {
            HeightCurve::Ratio(used) => match used.factor {
                Factor::Heights(scale) => Some(scale.factor),
                Factor::Given(_) | Factor::One => None,
            },
            HeightCurve::Fitted(_) | HeightCurve::Published(_) => None,
        }
    }

    fn of_other(&self, place: Place) -> Place {
        Place {
            species: self.other_at,
            ..place
        }
    }

    /// Breast height of the other's curve, m.
    pub(super) fn breast_height_m(&self) -> f64 {
        self.curve.breast_height_m()
    }

    /// The other's height above breast height, m.
    fn above_m(&self, dbh_cm: f64, place: Place) -> f64 {
        self.curve.height_m(dbh_cm, self.of_other(place)) - self.breast_height_m()
    }

    /// Total height, m.
    pub(super) fn height_m(&self, dbh_cm: f64, place: Place) -> f64 {
        self.breast_height_m() + self.factor.value() * self.above_m(dbh_cm, place)
    }

    /// How a height may be off.
    pub(super) fn error_at(&self, dbh_cm: f64, place: Place) -> Option<CurveError> {
        let factor = self.factor.value();
        let above_m = self.above_m(dbh_cm, place);
        let of_other = self.curve.error_at(dbh_cm, self.of_other(place));
        let mut error = match (of_other, self.factor) {
            (_, Factor::One) | (None, Factor::Given(_)) => return None,
            (Some(error), _) => error,
            (None, Factor::Heights(_)) => CurveError {
                gradient: [0.0; MOST_CURVE_PARAMETERS],
                effects: [None; 2],
                residual_m: WITHIN_SD * above_m,
            },
        };
        for derivative in &mut error.gradient {
            *derivative *= factor;
        }
        for (_, share_m) in error.effects.iter_mut().flatten() {
            *share_m *= factor;
        }
        error.residual_m *= factor.abs();
        if matches!(self.factor, Factor::Heights(_)) && self.factor_of_other().is_none() {
            let at = self.curve.covariance().len().isqrt();
            if let Some(by_factor) = error.gradient.get_mut(at) {
                *by_factor = above_m;
            }
        }
        Some(error)
    }

    /// How a height comes about, line by line; `other` is what is said of the other's height.
    pub(super) fn derivation(
        &self,
        dbh_cm: f64,
        place: Place,
        other: impl FnOnce(&HeightCurve, Place) -> Vec<String>,
    ) -> Vec<String> {
        let mut lines = vec![
            "the height above breast height is k times that of another species, as the design asks"
                .to_owned(),
            format!("{}; of the other species:", self.factor.words()),
        ];
        lines.extend(other(&self.curve, self.of_other(place)));
        lines.push(format!(
            "H = {:.4} + {:.4} x {:.4} = {:.4} m",
            self.breast_height_m(),
            self.factor.value(),
            self.above_m(dbh_cm, place),
            self.height_m(dbh_cm, place)
        ));
        lines
    }
}
