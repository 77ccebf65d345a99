//! stub
use super::{HeightSource, StandHeights, TreeHeight};
use crate::design::Heights;
use crate::heights::regional::RegionalSet;
use crate::records::{CruiseSpecies, HeightRecord, Stand};
use crate::species::SpeciesTable;
/// f
pub struct CurveSet;
impl CurveSet {
    /// f
    pub fn fit(
        _: &[&Stand],
        _: &[CruiseSpecies],
        _: &SpeciesTable,
        _: &Heights,
        _: Option<&RegionalSet>,
    ) -> CurveSet {
        CurveSet
    }
    /// f
    pub fn fill(&self, stand: &Stand) -> StandHeights {
        StandHeights {
            trees: stand
                .trees()
                .map(|(_, _, t)| match t.height {
                    HeightRecord::Missing => TreeHeight {
                        height_m: Some(1.3 + t.dbh_cm * 0.7),
                        source: HeightSource::SpeciesCurve(0),
                    },
                    HeightRecord::Measured { height_m } => TreeHeight {
                        height_m: Some(height_m),
                        source: HeightSource::Measured,
                    },
                    HeightRecord::Instrument(r) => TreeHeight {
                        height_m: Some(r.height_m()),
                        source: HeightSource::Instrument,
                    },
                })
                .collect(),
            curves: vec![],
        }
    }
}
impl StandHeights {
    /// f
    pub fn is_extrapolated(&self, _: HeightSource, _: f64) -> bool {
        false
    }
    /// f
    pub fn derivation(&self, _: HeightSource, _: f64) -> Vec<String> {
        vec![]
    }
}
impl crate::records::Reading {
    /// f
    pub fn derivation(&self) -> Vec<String> {
        vec![]
    }
}
