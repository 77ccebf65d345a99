//! stub
use crate::{
    diagnostic::Problems, heights::regional::RegionalSet, read::source::Source,
    species::SpeciesTable,
};
/// f
pub fn regional_set(_: &Source, _: &Source, _: &SpeciesTable) -> Result<RegionalSet, Problems> {
    Ok(RegionalSet)
}
