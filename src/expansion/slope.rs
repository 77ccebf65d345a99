//! Slope: what a plot laid out along the slope covers on the map.
//!
//! ```text
//! k = 1 / cos(atan s) = sqrt(1 + s^2)      s slope ratio (0.35 for 35 %), k >= 1
//! ```
//! A circle whose radius was taped along the slope lies in the plane of the slope; on the map it
//! is an ellipse of area `a cos(atan s)`, so each of its trees stands for `k` times as many. The
//! same holds for a ring, and for a strip whose length and width were taped along the slope. An
//! uncorrected sweep takes a tree when its slope distance is within the limit: the zone from which
//! the tree is in is again a circle in the plane of the slope, `cos(atan s)` of it on the map, so a
//! counted tree stands for `F k`.
//!
//! Source: geometry; the constructed field book D01 (35 % slope: 0.9439 of the area, factor
//! 1.0595).

/// Factor by which a slope ratio that was not corrected in the field raises every expansion.
pub fn factor(slope_ratio: f64) -> f64 {
    slope_ratio.hypot(1.0)
}

#[cfg(test)]
mod tests {
    use super::factor;

    #[test]
    fn thirty_five_percent_as_in_the_field_book() {
        // Constructed field book, finding D01.
        assert_eq!(format!("{:.4}", 1.0 / factor(0.35)), "0.9439");
        assert_eq!(format!("{:.4}", factor(0.35)), "1.0595");
        assert_eq!(factor(0.0).to_bits(), 1.0_f64.to_bits());
    }
}
