//! Design-based estimates: from plot sums to means per hectare with their sampling errors.
//!
//! In: design, records and the value of each tree. Out: rows (stand, stratum, selection, domain,
//! attribute, [`Estimate`]), notes on what was assumed or left out, and the plots' own figures.
//!
//! ```text
//! plot sums --> strata [layout, sample] --> stand [stratified] --> strata over stands, everything
//!           \-> counted sweeps: volume from a donor selection [counted]; its error over plots
//!               [counted] or by the product rule [double_sampling, product]
//! ```
//! Each stand is estimated by a pure function of its own ([`estimate_stand`]), so that stands may
//! run side by side; [`combine_stands`] puts them together in the order of the records.
//!
//! Rows come in a fixed order: stand by stand (each stratum, then the stand), then the whole (each
//! stratum over the stands, then everything); within these by selection, status, species, dbh class
//! (margins first), attribute.

use crate::design::{Design, SelectionIndex};
use crate::diagnostic::Diagnostic;
use crate::records::Records;
use crate::stems::TreeValues;

pub use crate::plot_sums::{Attribute, Domain, StatusDomain};

mod area_sum;
pub mod bootstrap;
mod counted;
mod derive;
mod double_sampling;
mod grid;
mod group;
mod interval;
mod layout;
mod logs;
pub mod metrics;
pub mod paired;
mod plots;
pub mod product;
mod ratios;
pub mod sample;
pub mod simple;
pub mod skew;
mod stand;
mod stored;
pub mod stratified;
pub mod systematic;
mod three_p;
mod top_height;
mod warnings;
mod whole;
mod whole_group;

pub use counted::{Borrowed, BorrowedSpecies, BorrowedStratum};
pub use derive::{Quantity, StandDerivation, StratumDerivation, derive_stand};
pub use double_sampling::{DoubleSampling, DoubleSamplingRow, double_sampling};
pub use interval::plots_needed;
pub use layout::plot_weights;
pub use logs::{LogKey, LogMeasure, LogSample, NoLogs, StemPart, sample_logs};
pub use plots::{PlotFigures, PlotValue};
pub use stand::{StandEstimates, StandGroups, Summed, estimate_stand};
pub use stored::Renumbering;
pub use three_p::{ThreePFigures, three_p_figures};
pub use whole::{CruiseEstimates, Whole, combine_stands};

/// Why an estimate has no interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoInterval {
    /// Only one plot.
    OnePlot,
    /// Several plots, all of one cluster.
    OneCluster,
    /// Only one stand of a list.
    OneStand,
    /// A stratum (or a stand of the whole) has only one plot.
    StratumWithOnePlot,
    /// Everything was counted: there is no sampling error.
    FullTally,
    /// A volume by the product rule whose ratio rests on one tree.
    OneTree,
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
    /// Sampling units of these: plots, clusters, or stands of a list.
    pub n_units: usize,
    /// Share of the list that the units were drawn from; 0 without a list.
    pub list_share: f64,
    /// Limits that do not come from the standard error, at the confidence of the design.
    pub limits: Option<(f64, f64)>,
    /// Why there is no interval, if there is none.
    pub no_interval: Option<NoInterval>,
}

impl Estimate {
    /// A value by itself, of no plots and without an error.
    pub fn of(mean: f64) -> Estimate {
        Estimate {
            mean,
            std_error: None,
            df: None,
            n_plots: 0,
            n_units: 0,
            list_share: 0.0,
            limits: None,
            no_interval: None,
        }
    }
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

/// Estimates a whole cruise. `values[s]` holds the trees of stand `s` in the order of
/// `Stand::trees`; `summed` is what is estimated.
pub fn estimate_cruise(
    design: &Design,
    records: &Records,
    values: &[Vec<TreeValues>],
    summed: &Summed,
) -> CruiseEstimates {
    let stands: Vec<StandEstimates> = (0..records.stands.len())
        .map(|stand| estimate_stand(design, records, stand, &values[stand], summed))
        .collect();
    combine_stands(design, stands)
}

/// Notes carry no place: they speak of stands and selections, not of lines.
fn note(code: &'static str, message: String) -> Diagnostic {
    Diagnostic::note(code, message)
}
