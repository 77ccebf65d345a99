//! Derivations: how the figures of one tree come about, and how one estimate does.

use crate::estimates::Attribute;
use crate::units::UnitSystem;

mod borrowed;
pub mod estimate;
mod interval;
mod plot_values;
pub mod tree;

/// The unit in which an attribute is computed; results show masses in tonnes.
fn held_unit(attribute: Attribute) -> &'static str {
    match attribute.unit(UnitSystem::Metric).label {
        "t/ha" => "kg/ha",
        label => label,
    }
}
