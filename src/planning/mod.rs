//! Planning a cruise: how many plots and where, which plot size or factor, limiting distances.
//!
//! Everything here is a pure function of plain figures: what is expected of the stand, what is
//! wanted of the cruise. Standard deviations are those of plot values per hectare (or acre), for
//! fixed plots and angle gauges alike.
//!
//! - [`allocation`]: plots needed and their allocation to strata
//! - [`counting`]: sweeps that are counted, with some trees measured
//! - [`pilot`]: the spread of plot values in a compiled cruise
//! - [`gauge`]: constants of a basal area factor, limiting distances
//! - [`size`]: the plot area and factor that tally a wanted number of trees

pub mod allocation;
pub mod counting;
pub mod gauge;
pub mod pilot;
pub mod size;

/// More plots than this are refused: nobody lays them out.
pub const MOST_PLOTS: usize = 1_000_000;

/// What the number of plots is to be found from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Goal {
    /// Half-width of the interval, in the unit of the means.
    HalfWidth(f64),
    /// Plots in all.
    Plots(usize),
    /// Cost in all, in the unit of the costs.
    Budget(f64),
}

/// Why there is no plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unmet {
    /// The error wanted takes more than [`MOST_PLOTS`].
    TooManyPlots,
    /// There are not that many units to sample.
    NotEnoughUnits {
        /// How many there are.
        units: usize,
    },
    /// Fewer plots than two for each stratum.
    FewerThanTwoEach {
        /// The fewest.
        plots: usize,
    },
    /// The budget does not pay for the fewest plots.
    BudgetTooSmall {
        /// What these cost.
        cost: f64,
    },
    /// A budget, and costs that are not all known.
    NoCosts,
}
