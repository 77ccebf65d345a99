//! Heights: measured, read from an instrument, or filled from a curve; and which of these.

use crate::records::CruiseSpeciesIndex;

pub mod curve;
pub mod fill;
pub mod fit;
pub mod instrument;
pub mod regional;
mod starts;

/// Where a tree's height comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeightSource {
    /// Recorded as a height.
    Measured,
    /// Worked out from two readings and a distance.
    Instrument,
    /// From the curve fitted to the species, an index into [`StandHeights::curves`].
    SpeciesCurve(usize),
    /// From the curve fitted to the pooled group.
    PooledCurve(usize),
    /// From a published regional curve.
    RegionalCurve(usize),
    /// No height can be given.
    None,
}

/// A tree's total height (of the unbroken stem) and its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TreeHeight {
    /// Total height; `None` only with [`HeightSource::None`].
    pub height_m: Option<f64>,
    /// Where it comes from.
    pub source: HeightSource,
}

/// The heights of a stand.
#[derive(Clone, Debug, Default)]
pub struct StandHeights {
    /// One per tree, in the order of `Stand::trees`.
    pub trees: Vec<TreeHeight>,
    /// The curves in use and, per species, why.
    pub curves: Vec<CurveUse>,
}

/// A curve in use and the species that it serves.
#[derive(Clone, Debug)]
pub struct CurveUse {
    /// Species whose missing heights it fills.
    pub species: Vec<CruiseSpeciesIndex>,
}
