//! Angle gauges: prism, relascope.
//!
//! ```text
//! w = F / g              trees per ha of one tree: F basal area factor in m2/ha, g basal area in m2
//! w g = F                so each tree adds F to the basal area, whatever its size
//! D = d / (2 sqrt F)     limiting distance in m, d dbh in cm
//! ```
//! Source: geometry of the gauge (a tree is in when it stands within D; `1/w` is the area of that
//! circle); the tree factors and plot radius factors of the tests.

use crate::units::basal_area_m2;

/// Trees per ha that one tallied tree stands for.
pub fn trees_per_ha(baf_m2_per_ha: f64, dbh_cm: f64) -> f64 {
    baf_m2_per_ha / basal_area_m2(dbh_cm)
}

/// Horizontal distance within which a tree is in, m.
pub fn limiting_distance_m(baf_m2_per_ha: f64, dbh_cm: f64) -> f64 {
    dbh_cm / (2.0 * baf_m2_per_ha.sqrt())
}
