//! Heights from two angle readings over a distance (the tangent method).
//!
//! ```text
//! Dh = S / sqrt(1 + s^2)          horizontal distance from a taped one, s slope ratio of the tape
//! H  = Dh (t - b)                 t, b slope ratios (tangents) of the sights to top and base
//! ```
//! A percent reading is 100 times the ratio, a degree reading its arc tangent. A base below the eye
//! is negative and so adds. Source: plane trigonometry; the worked vectors of the tests.

use crate::records::Reading;

/// Sights steeper than this ratio (100 %, 45 degrees) are too steep to be precise.
pub const STEEP_RATIO: f64 = 1.0;

/// Half a degree, the usual precision of a hand-held reading, in radians.
const HALF_DEGREE: f64 = std::f64::consts::PI / 360.0;

impl Reading {
    /// Horizontal distance to the tree, m.
    pub fn horizontal_distance_m(&self) -> f64 {
        self.distance_m / self.tape_ratio.hypot(1.0)
    }

    /// Total height, m.
    pub fn height_m(&self) -> f64 {
        self.horizontal_distance_m() * (self.top_ratio - self.base_ratio)
    }

    /// Is one of the two sights steeper than 100 %?
    pub fn is_steep(&self) -> bool {
        self.top_ratio.abs() > STEEP_RATIO || self.base_ratio.abs() > STEEP_RATIO
    }

    /// Is the observer nearer to the tree than the tree is tall?
    pub fn is_short_baseline(&self) -> bool {
        self.horizontal_distance_m() < self.height_m()
    }

    /// Standard error of the height, m, when each sight has one of half a degree.
    ///
    /// `s_H = Dh s_A sqrt((1 + t^2)^2 + (1 + b^2)^2)` with `s_A` in radians, t and b the slope
    /// ratios of the sights: the angle part of the error of the tangent method, d(tan A)/dA = 1 + tan^2 A.
    /// The error of the distance comes on top. Source: propagation of independent errors; the
    /// worked vectors of the tests.
    pub fn half_degree_error_m(&self) -> f64 {
        let sight = |ratio: f64| self.horizontal_distance_m() * (1.0 + ratio * ratio) * HALF_DEGREE;
        sight(self.top_ratio).hypot(sight(self.base_ratio))
    }

    /// How the height comes about, line by line.
    pub fn derivation(&self) -> Vec<String> {
        let sight = |ratio: f64| {
            format!(
                "{:.2} % ({:.2} degrees)",
                ratio * 100.0,
                ratio.atan().to_degrees()
            )
        };
        let distance_m = self.horizontal_distance_m();
        let mut lines = vec![format!(
            "sight to the top {}, to the base {}",
            sight(self.top_ratio),
            sight(self.base_ratio)
        )];
        if self.tape_ratio == 0.0 {
            lines.push(format!("horizontal distance {distance_m:.4} m"));
        } else {
            lines.push(format!(
                "taped distance {:.4} m along {}: horizontal {:.4} / sqrt(1 + {:.4}^2) = {distance_m:.4} m",
                self.distance_m,
                sight(self.tape_ratio),
                self.distance_m,
                self.tape_ratio
            ));
        }
        lines.push(format!(
            "H = {distance_m:.4} x ({:.4} - ({:.4})) = {:.4} m",
            self.top_ratio,
            self.base_ratio,
            self.height_m()
        ));
        let error_m = self.half_degree_error_m();
        lines.push(format!(
            "half a degree of error in each sight makes {error_m:.2} m ({:.1} %)",
            100.0 * error_m / self.height_m()
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
}
