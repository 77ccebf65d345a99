//! Oven-dry mass and carbon of one tree.

/// Oven-dry aboveground biomass and carbon of one tree.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TreeBiomass {
    /// Aboveground total as the set defines it (its definition stands in the set).
    pub total_kg: f64,
    /// Stem wood; `None` where the set does not give the component.
    pub wood_kg: Option<f64>,
    /// Stem bark.
    pub bark_kg: Option<f64>,
    /// Branches.
    pub branch_kg: Option<f64>,
    /// Foliage; whether it is part of the total is a matter of the set's definition.
    pub foliage_kg: Option<f64>,
    /// Carbon in `total_kg`.
    pub carbon_kg: f64,
}
