//! Heights from sights, and how well they are known.
//!
//! With t, b, s, p the slope ratios (tangents) of the sights to top and base, of the tape and of the
//! sight to the top of a pole:
//!
//! ```text
//! one horizontal distance D     H = D (t - b)
//! a distance S along a slope    H = S / sqrt(1 + s^2) (t - b)
//! two horizontal distances      H = Dt t - Db b
//! two slant distances (sine)    H = St t / sqrt(1 + t^2) - Sb b / sqrt(1 + b^2)
//! a pole of length L            H = L (t - b) / (p - b)
//! ```
//! A percent reading is 100 times the ratio, a topographic one 66 times, one on the scales 1/20 and
//! 1/15 twenty and fifteen times, a degree reading its arc tangent. A base below the eye is negative
//! and so adds. Distances are those to the pith: half the dbh is to be added to one taped to the
//! bark (common practice).
//!
//! What is hidden above the point sighted is added, and a stem whose tip lies x m off its base is
//! `sqrt((H + hidden)^2 + x^2)` long; this length is the height from which curves and volumes
//! come. Error, by propagation of independent errors:
//!
//! ```text
//! Var H = sum (dH/dr)^2 s_r^2 + sum (dH/dd)^2 s_d^2 + s_hidden^2    r sights, d distances
//! ```
//! The length of a pole counts as exact. Source: plane trigonometry; the pole Curtis & Bruce 1968
//! (title known, formula derived); the worked vectors of the tests.

use crate::design::InstrumentError;
use crate::records::{HeightRecord, Reading, ReadingScale};
use crate::units::UnitSystem;

/// Sights steeper than this ratio (100 %, 45 degrees) are too steep to be precise.
pub const STEEP_RATIO: f64 = 1.0;

/// Standard errors of a height by where they come from, m.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ErrorParts {
    /// From the sights.
    pub sights_m: f64,
    /// From the distances.
    pub distances_m: f64,
    /// From the estimate of what is hidden.
    pub hidden_top_m: f64,
}

impl ErrorParts {
    /// Of the height, m.
    pub fn total_m(&self) -> f64 {
        self.sights_m
            .hypot(self.distances_m)
            .hypot(self.hidden_top_m)
    }
}

/// How the height above the base hangs on what was read: each sight, or distance, with the
/// derivative of the height by it. Unused ones have the derivative 0.
struct Partials {
    sights: [(f64, f64); 3],
    distances: [(f64, f64); 2],
}

/// Cosine of the angle of a slope ratio.
fn cosine(ratio: f64) -> f64 {
    1.0 / ratio.hypot(1.0)
}

impl Reading {
    /// Reading of an upright tree whose tip is in sight.
    pub fn upright(top_ratio: f64, base_ratio: f64, scale: ReadingScale) -> Reading {
        Reading {
            top_ratio,
            base_ratio,
            scale,
            hidden_top_m: 0.0,
            top_offset_m: 0.0,
        }
    }

    /// Horizontal distance that the sight to the top bridges, m; `None` where no distance was
    /// taken.
    pub fn horizontal_distance_m(&self) -> Option<f64> {
        Some(match self.scale {
            ReadingScale::Level { distance_m } => distance_m,
            ReadingScale::Slope {
                distance_m,
                tape_ratio,
            } => distance_m * cosine(tape_ratio.unwrap_or(self.base_ratio)),
            ReadingScale::TwoLevel { top_m, .. } => top_m,
            ReadingScale::Slant { top_m, .. } => top_m * cosine(self.top_ratio),
            ReadingScale::Pole { .. } => return None,
        })
    }

    /// Height of the point sighted above the base, m.
    pub fn sighted_m(&self) -> f64 {
        let (t, b) = (self.top_ratio, self.base_ratio);
        match self.scale {
            ReadingScale::Level { distance_m } => distance_m * (t - b),
            ReadingScale::Slope {
                distance_m,
                tape_ratio,
            } => distance_m * cosine(tape_ratio.unwrap_or(b)) * (t - b),
            ReadingScale::TwoLevel { base_m, top_m } => top_m * t - base_m * b,
            ReadingScale::Slant { base_m, top_m } => top_m * t * cosine(t) - base_m * b * cosine(b),
            ReadingScale::Pole { length_m, ratio } => length_m * (t - b) / (ratio - b),
        }
    }

    /// Height of the tip above the base, m.
    pub fn tip_m(&self) -> f64 {
        self.sighted_m() + self.hidden_top_m
    }

    /// Length of the stem, m; of an upright tree its height.
    pub fn height_m(&self) -> f64 {
        self.tip_m().hypot(self.top_offset_m)
    }

    /// Is a sight steeper than 100 %, where that costs precision? With the sine method it does not.
    pub fn is_steep(&self) -> bool {
        let sights = [self.top_ratio, self.base_ratio];
        let is_sine = matches!(self.scale, ReadingScale::Slant { .. });
        !is_sine && sights.iter().any(|ratio| ratio.abs() > STEEP_RATIO)
    }

    /// Is the observer nearer to the tree than the tree is tall, where that costs precision?
    pub fn is_short_baseline(&self) -> bool {
        let is_sine = matches!(self.scale, ReadingScale::Slant { .. });
        let distance_m = self.horizontal_distance_m();
        !is_sine && distance_m.is_some_and(|distance_m| distance_m < self.sighted_m())
    }

    fn partials(&self) -> Partials {
        let (t, b) = (self.top_ratio, self.base_ratio);
        let none = (0.0, 0.0);
        match self.scale {
            ReadingScale::Level { distance_m: d } => Partials {
                sights: [(t, d), (b, -d), none],
                distances: [(d, t - b), none],
            },
            ReadingScale::Slope {
                distance_m,
                tape_ratio,
            } => {
                let s = tape_ratio.unwrap_or(b);
                let level_m = distance_m * cosine(s);
                // d cos/ds = -s cos^3.
                let by_tape = -level_m * (t - b) * s * cosine(s).powi(2);
                let sights = match tape_ratio {
                    Some(s) => [(t, level_m), (b, -level_m), (s, by_tape)],
                    None => [(t, level_m), (b, -level_m + by_tape), none],
                };
                Partials {
                    sights,
                    distances: [(distance_m, cosine(s) * (t - b)), none],
                }
            }
            ReadingScale::TwoLevel { base_m, top_m } => Partials {
                sights: [(t, top_m), (b, -base_m), none],
                distances: [(top_m, t), (base_m, -b)],
            },
            ReadingScale::Slant { base_m, top_m } => Partials {
                // d sin/dt = cos^3.
                sights: [
                    (t, top_m * cosine(t).powi(3)),
                    (b, -base_m * cosine(b).powi(3)),
                    none,
                ],
                distances: [(top_m, t * cosine(t)), (base_m, -b * cosine(b))],
            },
            ReadingScale::Pole { length_m, ratio } => {
                let (height_m, pole) = (self.sighted_m(), ratio - b);
                Partials {
                    sights: [
                        (t, length_m / pole),
                        (b, (height_m - length_m) / pole),
                        (ratio, -height_m / pole),
                    ],
                    distances: [none; 2],
                }
            }
        }
    }

    /// Standard errors of the height by their sources.
    pub fn error_parts(&self, error: &InstrumentError) -> ErrorParts {
        let length_m = self.height_m();
        // A change of the height above the base changes the length of a leaning stem by less.
        let upright = self.tip_m() / length_m;
        let partials = self.partials();
        let sights = partials.sights.iter();
        let sights = sights.map(|(ratio, slope)| slope * error.sight.of_ratio(*ratio));
        let distances = partials.distances.iter();
        let distances = distances
            .filter(|(distance_m, _)| *distance_m > 0.0)
            .map(|(distance_m, slope)| upright * slope * error.distance.of_m(*distance_m));
        let offset = (self.top_offset_m > 0.0)
            .then(|| self.top_offset_m / length_m * error.distance.of_m(self.top_offset_m));
        ErrorParts {
            sights_m: upright * sights.fold(0.0, f64::hypot),
            distances_m: distances.chain(offset).fold(0.0, f64::hypot),
            hidden_top_m: upright * error.hidden_top_pct / 100.0 * self.hidden_top_m,
        }
    }

    /// Standard error of the height, m.
    pub fn std_error_m(&self, error: &InstrumentError) -> f64 {
        self.error_parts(error).total_m()
    }

    /// `standard error 0.52 m (2.1 %)`.
    pub fn error_words(&self, error: &InstrumentError, units: UnitSystem) -> String {
        let error_m = self.std_error_m(error);
        let percent = 100.0 * error_m / self.height_m();
        let shown = units.length().words(error_m, 2);
        format!("standard error {shown} ({percent:.1} %)")
    }

    /// How the height and its error come about, line by line.
    pub fn derivation(&self, error: &InstrumentError) -> Vec<String> {
        let (t, b) = (self.top_ratio, self.base_ratio);
        let mut lines = vec![format!(
            "sight to the top {}, to the base {}",
            sight_words(t),
            sight_words(b)
        )];
        self.derive_sighted(&mut lines);
        let (sighted_m, tip_m) = (self.sighted_m(), self.tip_m());
        if self.hidden_top_m > 0.0 {
            lines.push(format!(
                "with {:.4} m out of sight, as estimated: {sighted_m:.4} + {:.4} = {tip_m:.4} m",
                self.hidden_top_m, self.hidden_top_m
            ));
        }
        if self.top_offset_m > 0.0 {
            lines.push(format!(
                "tip {:.4} m off the base: length of the stem sqrt({tip_m:.4}^2 + {:.4}^2) = {:.4} m",
                self.top_offset_m,
                self.top_offset_m,
                self.height_m()
            ));
        }
        let parts = self.error_parts(error);
        let mut words = vec![format!("{:.2} m from the sights", parts.sights_m)];
        if parts.distances_m > 0.0 {
            words.push(format!("{:.2} m from distances", parts.distances_m));
        }
        if parts.hidden_top_m > 0.0 {
            words.push(format!("{:.2} m from the hidden top", parts.hidden_top_m));
        }
        lines.push(format!(
            "{}: {}",
            self.error_words(error, UnitSystem::Metric),
            words.join(", ")
        ));
        if self.is_steep() {
            lines.push(
                "a sight is steeper than 100 %: from farther off, the same slip does less"
                    .to_owned(),
            );
        }
        if self.is_short_baseline() {
            lines.push(
                "the distance is shorter than the tree: best is to stand as far off as it is tall"
                    .to_owned(),
            );
        }
        lines
    }

    /// The distances and the height of the point sighted.
    fn derive_sighted(&self, lines: &mut Vec<String>) {
        let (t, b) = (self.top_ratio, self.base_ratio);
        let height_m = self.sighted_m();
        match self.scale {
            ReadingScale::Level { distance_m } => {
                lines.push(format!("horizontal distance {distance_m:.4} m"));
                lines.push(format!(
                    "H = {distance_m:.4} x ({t:.4} - ({b:.4})) = {height_m:.4} m"
                ));
            }
            ReadingScale::Slope {
                distance_m,
                tape_ratio,
            } => {
                let s = tape_ratio.unwrap_or(b);
                let level_m = distance_m * cosine(s);
                lines.push(format!(
                    "taped distance {distance_m:.4} m along {}: horizontal {distance_m:.4} / \
                     sqrt(1 + {s:.4}^2) = {level_m:.4} m",
                    sight_words(s)
                ));
                lines.push(format!(
                    "H = {level_m:.4} x ({t:.4} - ({b:.4})) = {height_m:.4} m"
                ));
            }
            ReadingScale::TwoLevel { base_m, top_m } => {
                lines.push(format!(
                    "horizontal distances {top_m:.4} m to the point under the top, {base_m:.4} m to \
                     the base"
                ));
                lines.push(format!(
                    "H = {top_m:.4} x {t:.4} - {base_m:.4} x ({b:.4}) = {height_m:.4} m"
                ));
            }
            ReadingScale::Slant { base_m, top_m } => {
                let (sin_t, sin_b) = (t * cosine(t), b * cosine(b));
                lines.push(format!(
                    "slant distances {top_m:.4} m to the top, {base_m:.4} m to the base"
                ));
                lines.push(format!(
                    "H = {top_m:.4} x {sin_t:.4} - {base_m:.4} x ({sin_b:.4}) = {height_m:.4} m, by the \
                     sines of the sights"
                ));
            }
            ReadingScale::Pole { length_m, ratio } => {
                lines.push(format!(
                    "pole of {length_m:.4} m at the tree, sight to its top {}",
                    sight_words(ratio)
                ));
                lines.push(format!(
                    "H = {length_m:.4} x ({t:.4} - ({b:.4})) / ({ratio:.4} - ({b:.4})) = \
                     {height_m:.4} m"
                ));
            }
        }
    }
}

/// `97.00 % (44.13 degrees)`.
fn sight_words(ratio: f64) -> String {
    let degrees = ratio.atan().to_degrees();
    format!("{:.2} % ({degrees:.2} degrees)", ratio * 100.0)
}

impl ReadingScale {
    /// What it takes, in few words.
    pub fn name(&self) -> &'static str {
        match self {
            ReadingScale::Level { .. } => "horizontal distance",
            ReadingScale::Slope { .. } => "slope distance",
            ReadingScale::TwoLevel { .. } => "two horizontal distances",
            ReadingScale::Slant { .. } => "slant distances (sine)",
            ReadingScale::Pole { .. } => "pole at the tree",
        }
    }
}

impl HeightRecord {
    /// Total height as recorded or read, m.
    pub fn height_m(&self) -> Option<f64> {
        match self {
            HeightRecord::Missing => None,
            HeightRecord::Measured { height_m } => Some(*height_m),
            HeightRecord::Instrument(reading) => Some(reading.height_m()),
        }
    }

    /// Standard error of the measurement, m, where it is known.
    pub fn std_error_m(&self, error: &InstrumentError) -> Option<f64> {
        match self {
            HeightRecord::Missing => None,
            HeightRecord::Measured { height_m } => Some(error.height?.of_m(*height_m)),
            HeightRecord::Instrument(reading) => Some(reading.std_error_m(error)),
        }
    }
}
