//! What a number can possibly be, declared once for the design and the records. Outside of these
//! a value is an error; what is merely unlikely is the business of `suspicious`.
//!
//! What is divided by has a least size, not only zero as its limit: by a dbh of 1e-200 cm a tree
//! would stand for more trees than numbers can say.
//!
//! Source: common practice, no source; wide on purpose.

use std::fmt;

/// A range and the unit in which it is stated.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    low: f64,
    low_is_in: bool,
    high: f64,
    high_is_in: bool,
    unit: &'static str,
}

impl Limits {
    const fn above(low: f64, high: f64, unit: &'static str) -> Self {
        Limits {
            low,
            low_is_in: false,
            high,
            high_is_in: true,
            unit,
        }
    }

    const fn from(low: f64, high: f64, unit: &'static str) -> Self {
        Limits {
            low,
            low_is_in: true,
            high,
            high_is_in: true,
            unit,
        }
    }

    const fn between(low: f64, high: f64, unit: &'static str) -> Self {
        Limits {
            low,
            low_is_in: false,
            high,
            high_is_in: false,
            unit,
        }
    }

    /// Is the value possible?
    pub(crate) fn allow(&self, value: f64) -> bool {
        let low = if self.low_is_in {
            value >= self.low
        } else {
            value > self.low
        };
        let high = if self.high_is_in {
            value <= self.high
        } else {
            value < self.high
        };
        low && high
    }

    /// The lowest value, and whether it is possible itself.
    pub(crate) fn low(&self) -> (f64, bool) {
        (self.low, self.low_is_in)
    }

    /// The highest value, and whether it is possible itself.
    pub(crate) fn high(&self) -> (f64, bool) {
        (self.high, self.high_is_in)
    }

    /// The unit in which the range is stated.
    pub(crate) fn unit(&self) -> &'static str {
        self.unit
    }
}

impl fmt::Display for Limits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (low, high, unit) = (self.low, self.high, self.unit);
        let space = if unit.is_empty() { "" } else { " " };
        match (self.low_is_in, self.high_is_in) {
            (true, true) => write!(f, "from {low} to {high}{space}{unit}"),
            (false, true) => write!(f, "above {low} and at most {high}{space}{unit}"),
            _ => write!(f, "between {low} and {high}{space}{unit}, both excluded"),
        }
    }
}

/// Diameter at breast height.
pub(crate) const DBH: Limits = Limits::from(0.01, 1500.0, "cm");
/// A least or greatest dbh of a selection, a ring or merchantable wood.
pub(crate) const DBH_LIMIT: Limits = Limits::from(0.0, 1500.0, "cm");
/// Total height; zero is a way to write "not measured".
pub(crate) const HEIGHT: Limits = Limits::from(0.0, 130.0, "m");
/// Height of a break.
pub(crate) const BROKEN_HEIGHT: Limits = Limits::above(0.0, 130.0, "m");
/// Distance from the observer to a tree.
pub(crate) const BASELINE: Limits = Limits::above(0.0, 300.0, "m");
/// Length of a pole at a tree.
pub(crate) const POLE: Limits = Limits::above(0.0, 30.0, "m");
/// Estimated length of a top out of sight.
pub(crate) const HIDDEN_TOP: Limits = Limits::from(0.0, 60.0, "m");
/// Horizontal distance of the tip of a leaning tree from its base.
pub(crate) const TOP_OFFSET: Limits = Limits::from(0.0, 60.0, "m");
/// Standard error of a sight in degrees.
pub(crate) const SIGHT_SD_DEG: Limits = Limits::from(0.0, 10.0, "degrees");
/// Standard error of a sight in percent.
pub(crate) const SIGHT_SD_PCT: Limits = Limits::from(0.0, 20.0, "%");
/// Standard error of a distance or a height.
pub(crate) const LENGTH_SD: Limits = Limits::from(0.0, 30.0, "m");
/// The same in proportion.
pub(crate) const LENGTH_SD_PCT: Limits = Limits::from(0.0, 50.0, "%");
/// Standard error of an estimated length.
pub(crate) const ESTIMATE_SD_PCT: Limits = Limits::from(0.0, 100.0, "%");
/// Distance from the plot centre to a tree.
pub(crate) const CENTRE_DISTANCE: Limits = Limits::from(0.0, 300.0, "m");
/// Sight in degrees.
pub(crate) const SIGHT_DEG: Limits = Limits::between(-90.0, 90.0, "degrees");
/// Sight in percent.
pub(crate) const SIGHT_PCT: Limits = Limits::from(-2000.0, 2000.0, "%");
/// Slope of the ground in degrees.
pub(crate) const SLOPE_DEG: Limits = Limits::between(-80.0, 80.0, "degrees");
/// Slope of the ground in percent.
pub(crate) const SLOPE_PCT: Limits = Limits::from(-500.0, 500.0, "%");
/// Share of a plot.
pub(crate) const FRACTION: Limits = Limits::from(0.001, 1.0, "");
/// Defect.
pub(crate) const DEFECT_PCT: Limits = Limits::from(0.0, 100.0, "%");
/// Length of the crown over the height of the tree as it stands.
pub(crate) const CROWN_RATIO_PCT: Limits = Limits::above(0.0, 100.0, "%");
/// Trees that a tree record stands for.
pub(crate) const TREE_COUNT: Limits = Limits::from(1.0, 100_000.0, "trees");
/// Trees counted at a sweep.
pub(crate) const SWEEP_COUNT: Limits = Limits::from(0.0, 100_000.0, "trees");
/// What is predicted for a tree (or several) of a 3P sample, in any unit; its largest number.
pub(crate) const PREDICTION: Limits = Limits::from(0.000_001, 1.0e9, "");
/// Radius of a plot.
pub(crate) const RADIUS: Limits = Limits::from(0.1, 200.0, "m");
/// Area of a plot.
pub(crate) const PLOT_AREA: Limits = Limits::from(0.000_001, 100.0, "ha");
/// Length or width of a strip.
pub(crate) const STRIP: Limits = Limits::from(0.1, 50_000.0, "m");
/// Basal area factor.
pub(crate) const FACTOR: Limits = Limits::from(0.001, 100.0, "m2/ha");
/// Area of a stand or stratum.
pub(crate) const STAND_AREA: Limits = Limits::from(0.0001, 10_000_000.0, "ha");
/// Sampling units in a list.
pub(crate) const LISTED_UNITS: Limits = Limits::from(1.0, 1.0e9, "units");
/// Stands in a list.
pub(crate) const LISTED_STANDS: Limits = Limits::from(2.0, 10_000_000.0, "stands");
/// Points of a first sample.
pub(crate) const PHASE_ONE_POINTS: Limits = Limits::from(1.0, 1.0e9, "points");
/// Map coordinate in whatever grid the crew uses.
pub(crate) const COORDINATE: Limits = Limits::from(-1.0e8, 1.0e8, "");
/// Confidence level.
pub(crate) const CONFIDENCE: Limits = Limits::between(0.5, 1.0, "");
/// Resamples of a bootstrap.
pub(crate) const RESAMPLES: Limits = Limits::from(200.0, 100_000.0, "");
/// Times that missing heights are drawn.
pub(crate) const HEIGHT_DRAWS: Limits = Limits::from(2.0, 1_000.0, "");
/// Seed of random numbers; whole numbers are exact so far.
pub(crate) const SEED: Limits = Limits::from(0.0, 9_007_199_254_740_991.0, "");
/// Carbon in a unit of oven-dry wood: published fractions lie between 0.41 and 0.58.
pub(crate) const CARBON_FRACTION: Limits = Limits::from(0.3, 0.7, "");
/// Allowable error.
pub(crate) const ALLOWABLE_ERROR_PCT: Limits = Limits::above(0.0, 100.0, "%");
/// Breast height: 1.3 m, 1.37 m (4.5 ft) and 1.4 m are in use.
pub(crate) const BREAST_HEIGHT: Limits = Limits::from(1.0, 1.6, "m");
/// Stump height.
pub(crate) const STUMP: Limits = Limits::from(0.0, 5.0, "m");
/// Top diameter.
pub(crate) const TOP_DIAMETER: Limits = Limits::from(0.0, 200.0, "cm");
/// Width of a dbh class.
pub(crate) const DBH_CLASS: Limits = Limits::from(0.1, 100.0, "cm");
/// Whole numbers of trees in the design.
pub(crate) const MIN_TREES: Limits = Limits::from(2.0, 10_000.0, "trees");
/// Heights of one species in those of another, above breast height.
pub(crate) const HEIGHT_RATIO: Limits = Limits::from(0.1, 10.0, "times");
/// Height trees per plot.
pub(crate) const PER_PLOT: Limits = Limits::from(1.0, 1_000.0, "trees");
/// Every how many trees a height is taken.
pub(crate) const EVERY: Limits = Limits::from(1.0, 1_000.0, "trees");
/// Nominal length of a log.
pub(crate) const LOG_LENGTH: Limits = Limits::from(0.3, 30.0, "m");
/// Trim on a log.
pub(crate) const TRIM: Limits = Limits::from(0.0, 2.0, "m");
/// Least small-end diameter of a log.
pub(crate) const SMALL_END: Limits = Limits::above(0.0, 200.0, "cm");
/// Width of a class of small-end diameters.
pub(crate) const SMALL_END_CLASS: Limits = Limits::from(0.5, 100.0, "cm");
/// Multiple to which board feet are rounded.
pub(crate) const BOARD_FEET_ROUNDING: Limits = Limits::from(0.1, 100.0, "board feet");
