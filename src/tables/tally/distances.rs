//! How far a tree may be from the plot centre.

use super::{Distances, Shown};
use crate::design::{Design, Method, Selection, SlopeCorrection};
use crate::planning::gauge::{MeasuredTo, limiting_distance_m, slope_distance_m};
use crate::tables::plain;
use crate::units::UnitSystem;

/// How far a tree may be, for trees near the line.
pub(super) fn distances(design: &Design, selection: &Selection) -> Option<Distances> {
    const SLOPES_PCT: [f64; 9] = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0];
    let shown = Shown(design.units);
    let unit = design.units.length();
    let metres = |value: f64| format!("{:.2}", value * unit.from_metric);
    let circles: Vec<(String, f64)> = match &selection.method {
        Method::AngleGauge { baf_m2_per_ha } => {
            return Some(gauge_distances(design.units, *baf_m2_per_ha));
        }
        Method::FixedArea { radius_m, .. } => vec![(String::from("in within"), *radius_m)],
        Method::NestedRings(rings) => rings
            .iter()
            .map(|ring| {
                let from = format!("from {} dbh", shown.diameter(ring.min_dbh_cm));
                (from, ring.radius_m)
            })
            .collect(),
        Method::Strip { .. } | Method::FullTally | Method::ThreeP { .. } => return None,
    };
    if selection.slope_correction == SlopeCorrection::Program {
        return None;
    }
    let row = |(name, radius_m): (String, f64)| {
        let along = SLOPES_PCT.map(|slope| metres(slope_distance_m(radius_m, slope)));
        (name, along.to_vec())
    };
    Some(Distances {
        caption: format!(
            "Trees near the edge: a tree is in if its centre at breast height is within this \
             distance of the plot centre, {} along the slope.",
            unit.label
        ),
        by: String::from("slope %"),
        heads: SLOPES_PCT.iter().map(|slope| plain(*slope)).collect(),
        rows: circles.into_iter().map(row).collect(),
    })
}

fn gauge_distances(units: UnitSystem, baf_m2_per_ha: f64) -> Distances {
    let (length, diameter) = (units.length(), units.diameter());
    let dbhs: [f64; 10] = match units {
        UnitSystem::Metric => [10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0],
        UnitSystem::Imperial => [4.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 24.0, 32.0, 40.0],
    };
    let distance = |dbh: &f64| {
        let dbh_cm = dbh / diameter.from_metric;
        let metres = limiting_distance_m(baf_m2_per_ha, dbh_cm, MeasuredTo::Centre);
        format!("{:.2}", metres * length.from_metric)
    };
    Distances {
        caption: format!(
            "Borderline trees: a tree is in if its centre at breast height is within this \
             horizontal distance of the point, {}; in proportion for dbh between.",
            length.label
        ),
        by: format!("dbh {}", diameter.label),
        heads: dbhs.iter().map(|dbh| plain(*dbh)).collect(),
        rows: vec![(
            String::from("in within"),
            dbhs.iter().map(distance).collect(),
        )],
    }
}
