//! The names and units in which estimates are shown: as far as tables need a design and its records.

use crate::design::Design;
use crate::records::{CruiseSpecies, Records};
use crate::units::UnitSystem;

/// Names and units.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Units of the results.
    pub units: UnitSystem,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Width of a dbh class.
    pub dbh_class_cm: f64,
    /// Names of the selections.
    pub selections: Vec<String>,
    /// Names of the decay classes.
    pub decay_classes: Vec<String>,
    /// Labels of the species.
    pub species: Vec<String>,
}

impl Frame {
    /// Those of a cruise.
    pub fn of(design: &Design, records: &Records) -> Frame {
        let labels = |species: &[CruiseSpecies]| species.iter().map(|s| s.label.clone()).collect();
        Frame {
            units: design.units,
            confidence: design.confidence,
            dbh_class_cm: design.dbh_class_cm,
            selections: design.selections.iter().map(|s| s.name.clone()).collect(),
            decay_classes: design.decay_classes.clone(),
            species: labels(&records.species),
        }
    }
}
