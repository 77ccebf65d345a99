//! A basal area factor: the angle of its gauge and the distances within which trees are in.
//!
//! ```text
//! F   = 10000 sin^2(theta / 2)        F in m2/ha, theta angle of the gauge
//! R   = 1 / (2 sqrt F)                plot radius factor to the centre of the tree, m per cm dbh
//! Rf  = R - 0.005                     to its near face: half a cm of stem per cm dbh less
//! D   = R d                           limiting distance, horizontal, m
//! Ds  = D sqrt(1 + s^2)               the same along a slope s (0.35 for 35 %)
//! ```
//! Source: geometry of the gauge; checked on printed plot radius factors and limiting distances
//! (Powell 2014, Umatilla NF F14-SO-WP-SILV-44; Iles, Bell & Associates newsletter).

use crate::expansion::{angle_gauge, slope};

/// Where the tape ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeasuredTo {
    /// The centre of the stem at breast height.
    Centre,
    /// Its face towards the plot centre.
    Face,
}

/// Angle of the gauge in degrees; `None` for a factor that no gauge has (10,000 m2/ha or more).
pub fn angle_deg(baf_m2_per_ha: f64) -> Option<f64> {
    let sine = (baf_m2_per_ha / 10_000.0).sqrt();
    (sine < 1.0).then(|| 2.0 * sine.asin().to_degrees())
}

/// Plot radius factor, m per cm of dbh.
pub fn radius_factor_m_per_cm(baf_m2_per_ha: f64, to: MeasuredTo) -> f64 {
    limiting_distance_m(baf_m2_per_ha, 1.0, to)
}

/// Horizontal distance within which a tree is in, m.
pub fn limiting_distance_m(baf_m2_per_ha: f64, dbh_cm: f64, to: MeasuredTo) -> f64 {
    let to_centre_m = angle_gauge::limiting_distance_m(baf_m2_per_ha, dbh_cm);
    match to {
        MeasuredTo::Centre => to_centre_m,
        MeasuredTo::Face => to_centre_m - dbh_cm / 200.0,
    }
}

/// The same distance along a slope, m.
pub fn slope_distance_m(horizontal_m: f64, slope_pct: f64) -> f64 {
    horizontal_m * slope::factor(slope_pct / 100.0)
}

/// Trees per hectare that a tree of this dbh stands for.
pub fn trees_per_ha(baf_m2_per_ha: f64, dbh_cm: f64) -> f64 {
    angle_gauge::trees_per_ha(baf_m2_per_ha, dbh_cm)
}
