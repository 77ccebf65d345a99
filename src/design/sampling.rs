//! How plots were laid out, and how the estimates take that into account.

use super::SelectionIndex;

/// The layout of the sample and the estimators that go with it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sampling {
    /// How plots were placed.
    pub layout: Layout,
    /// How the variance is found.
    pub variance: Variance,
    /// How plots of different size are averaged.
    pub average: Average,
    /// What the weights of the strata are.
    pub strata: StrataWeights,
    /// Sampling units (plots or clusters) in the list from which they were drawn, of each stratum
    /// that gives no number of its own; `None`: no finite population.
    pub listed_units: Option<f64>,
    /// Stands in the list from which the stands were drawn; `None`: the stands are all there are.
    pub listed: Option<ListedStands>,
    /// Two selections at the same centres whose estimates are combined.
    pub combine: Option<[SelectionIndex; 2]>,
}

/// The list that sampled stands come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ListedStands {
    /// How many stands it has.
    pub stands: f64,
    /// Their area together, when known.
    pub area_ha: Option<f64>,
}

/// How plots were placed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Layout {
    /// Not said.
    #[default]
    Unstated,
    /// At random.
    Random,
    /// On a grid or along lines.
    Systematic,
}

/// How the variance of a mean is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Variance {
    /// As for a random sample.
    #[default]
    Simple,
    /// From the differences of plots that follow each other along lines.
    SuccessiveDifferences,
    /// From the differences of plots that lie beside each other, in all directions.
    Neighbours,
}

/// How plots of different size are averaged.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Average {
    /// Every plot alike: the mean of what each stands for on a hectare.
    #[default]
    MeanOfPlots,
    /// By the area of the plot inside the stand: sum over plots by sum of areas.
    RatioOfMeans,
}

/// What the weights of the strata are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum StrataWeights {
    /// Areas, known before the plots were laid out stratum by stratum.
    #[default]
    Areas,
    /// Areas; plots were laid out over the stand and sorted into strata after sampling.
    AfterSampling,
    /// Shares of the points of a larger first sample.
    Estimated,
}

/// Whose volume per basal area counted trees take.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RatioBy {
    /// Their own species', or that of all species where there is none.
    #[default]
    Species,
    /// That of all species together.
    Pooled,
}

/// How the error of a borrowed volume is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RatioError {
    /// From the plots: what basal area and ratio share at one centre is kept.
    #[default]
    Plots,
    /// By the product rule from the error of the basal area over plots and that of the ratio over
    /// single trees.
    Product,
}
