//! Plots of a fixed area: circles, strips, nested rings.
//!
//! ```text
//! w = 1 / a            trees per ha of one tree, a plot area in ha
//! w = 1 / a_ring(d)    nested rings: the area of the ring rule whose range [min, max) holds the dbh
//! ```
//! Source: the definition of a fixed plot. A dbh on the limit of two rings belongs to the outer
//! rule, whose range begins there.

use crate::design::Ring;

/// The ring that a dbh belongs to; `None` when it falls outside every ring.
pub fn ring_of(rings: &[Ring], dbh_cm: f64) -> Option<&Ring> {
    rings
        .iter()
        .find(|ring| ring.min_dbh_cm <= dbh_cm && ring.max_dbh_cm.is_none_or(|max| dbh_cm < max))
}

/// Trees per ha that one tree on a plot of this area stands for.
pub fn trees_per_ha(area_ha: f64) -> f64 {
    1.0 / area_ha
}
