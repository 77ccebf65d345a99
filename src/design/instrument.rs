//! How well heights were measured.

use crate::units::UnitSystem;

/// Standard errors of what a height is read from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InstrumentError {
    /// Of one sight.
    pub sight: SightError,
    /// Of a distance to the tree, or of the tip of a leaning tree from its base.
    pub distance: LengthError,
    /// Of the estimated length of a top out of sight, percent of it.
    pub hidden_top_pct: f64,
    /// Of a height written down as such; `None` where nothing is known.
    pub height: Option<LengthError>,
}

impl Default for InstrumentError {
    /// Half a degree, 1 % of a distance, a quarter of a hidden top.
    ///
    /// Source: common practice, no source; the quarter is a judgement.
    fn default() -> Self {
        InstrumentError {
            sight: SightError::Degrees(0.5),
            distance: LengthError::Percent(1.0),
            hidden_top_pct: 25.0,
            height: None,
        }
    }
}

/// Standard error of a sight, the same whatever the sight: as an angle, or on the percent scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SightError {
    /// Degrees.
    Degrees(f64),
    /// Points of the percent scale.
    Percent(f64),
}

impl SightError {
    /// Standard error of the slope ratio of a sight: `(1 + t^2) s` with s in radians, since
    /// `d tan A / dA = 1 + tan^2 A`; or `s / 100` on the percent scale.
    pub fn of_ratio(self, ratio: f64) -> f64 {
        match self {
            SightError::Degrees(degrees) => (1.0 + ratio * ratio) * degrees.to_radians(),
            SightError::Percent(points) => points / 100.0,
        }
    }
}

/// Standard error of a length: the same for all, or in proportion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LengthError {
    /// Metres.
    Metres(f64),
    /// Percent of the length.
    Percent(f64),
}

impl LengthError {
    /// Standard error of a length, m.
    pub fn of_m(self, length_m: f64) -> f64 {
        match self {
            LengthError::Metres(metres) => metres,
            LengthError::Percent(percent) => percent / 100.0 * length_m,
        }
    }
}

impl InstrumentError {
    /// `0.5 degrees in a sight, 1 % of a distance, 25 % of a length out of sight`.
    pub fn words(&self, units: UnitSystem) -> String {
        let sight = match self.sight {
            SightError::Degrees(degrees) => format!("{degrees} degrees"),
            SightError::Percent(points) => format!("{points} %"),
        };
        let distance = self.distance.words(units);
        let mut words = format!(
            "{sight} in a sight, {distance} of a distance, {} % of a length out of sight",
            self.hidden_top_pct
        );
        if let Some(height) = self.height {
            words += &format!(", {} of a height written down", height.words(units));
        }
        words
    }
}

impl LengthError {
    fn words(self, units: UnitSystem) -> String {
        match self {
            LengthError::Percent(percent) => format!("{percent} %"),
            LengthError::Metres(metres) => {
                let unit = units.length();
                let shown = (metres * unit.from_metric * 1e4).round() / 1e4;
                format!("{shown} {}", unit.label)
            }
        }
    }
}
