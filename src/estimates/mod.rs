//! Design-based estimates: from plot sums to means per hectare with their sampling errors.

use crate::design::SelectionIndex;
use crate::records::CruiseSpeciesIndex;

/// What is estimated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Attribute {
    /// Stems, 1/ha.
    Trees,
    /// Basal area, m2/ha.
    BasalArea,
    /// Volume of the whole stem on the basis of the volume set, m3/ha.
    VolumeTotal,
    /// Volume between stump and top limit, m3/ha.
    VolumeMerch,
    /// Merchantable (or else total) volume less defect, m3/ha.
    VolumeNet,
    /// Volume of bark, m3/ha.
    VolumeBark,
    /// Quadratic mean diameter, cm.
    QuadraticMeanDbh,
    /// Arithmetic mean height, m.
    MeanHeight,
    /// Lorey (basal-area weighted) mean height, m.
    LoreyHeight,
    /// Mean height of the 100 thickest trees per hectare, m.
    TopHeight,
    /// Reineke stand density index, 1/ha at 25.4 cm.
    StandDensityIndex,
    /// Stand density index summed over trees, 1/ha at 25.4 cm.
    StandDensityIndexSummed,
    /// Curtis relative density, m2/ha per root cm.
    RelativeDensity,
}

/// Live trees, dead trees, or dead trees of one decay class.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StatusDomain {
    /// All live trees.
    Live,
    /// All dead trees.
    Dead,
    /// Dead trees of one decay class (index into the design's list; `None`: not recorded).
    DecayClass(Option<usize>),
}

/// A group of trees that an estimate is about; `None` is the margin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Domain {
    /// Live, dead, or a decay class.
    pub status: StatusDomain,
    /// One species, or all.
    pub species: Option<CruiseSpeciesIndex>,
    /// One dbh class, counted from 0 at [0, width), or all sizes.
    pub dbh_class: Option<u32>,
}

/// Why an estimate has no interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoInterval {
    /// Only one plot.
    OnePlot,
    /// A stratum (or a stand of the whole) has only one plot.
    StratumWithOnePlot,
    /// Everything was counted: there is no sampling error.
    FullTally,
    /// A ratio for which no sound interval is given.
    Ratio,
}

/// A mean per hectare (or, for ratios, a plain value) and its sampling error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The value, metric.
    pub mean: f64,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// Degrees of freedom of the interval.
    pub df: Option<f64>,
    /// Plots it rests on, empty ones included.
    pub n_plots: usize,
    /// Why there is no interval, if there is none.
    pub no_interval: Option<NoInterval>,
}

/// One row of the tidy table, still metric.
#[derive(Clone, Debug, PartialEq)]
pub struct EstimateRow {
    /// Stand name; `None` is all stands.
    pub stand: Option<String>,
    /// Stratum name; `None` is all strata.
    pub stratum: Option<String>,
    /// Selection.
    pub selection: SelectionIndex,
    /// Trees it is about.
    pub domain: Domain,
    /// What is estimated.
    pub attribute: Attribute,
    /// The estimate.
    pub estimate: Estimate,
    /// Area it expands to, when known.
    pub area_ha: Option<f64>,
}
