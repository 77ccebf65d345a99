//! Expansion: how many trees per hectare a tallied tree stands for, and how far from the centre
//! it may stand to be tallied.

use crate::records::Rule;

/// Largest horizontal distance from the plot centre to the tree's centre at which the tree is in;
/// `None` where the rule has no centre (strips, full tallies) or the dbh falls outside every ring.
///
/// ```text
/// circle: its radius            gauge: dbh_cm / (2 sqrt(F)) metres, F the factor in m2/ha
/// ```
/// Source: geometry of the gauge; factors printed in the plot-radius checks of the tests. A tree
/// exactly at the limit is in.
pub fn limiting_distance_m(rule: &Rule, dbh_cm: f64) -> Option<f64> {
    match rule {
        Rule::FixedArea { radius_m, .. } => *radius_m,
        Rule::NestedRings(rings) => rings
            .iter()
            .find(|ring| {
                ring.min_dbh_cm <= dbh_cm && ring.max_dbh_cm.is_none_or(|max| dbh_cm < max)
            })
            .map(|ring| ring.radius_m),
        Rule::FullTally => None,
        Rule::AngleGauge { baf_m2_per_ha } => Some(dbh_cm / (2.0 * baf_m2_per_ha.sqrt())),
    }
}
