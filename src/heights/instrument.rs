//! Heights from two angle readings over a distance (the tangent method).
//!
//! ```text
//! Dh = S / sqrt(1 + s^2)          horizontal distance from a taped one, s slope ratio of the tape
//! H  = Dh (t - b)                 t, b slope ratios (tangents) of the sights to top and base
//! ```
//! A percent reading is 100 times the ratio, a degree reading its arc tangent. Source: plane
//! trigonometry; the worked vectors of the tests.

use crate::records::Reading;

/// Sights steeper than this ratio (100 %, 45 degrees) are too steep to be precise.
pub const STEEP_RATIO: f64 = 1.0;

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
}
