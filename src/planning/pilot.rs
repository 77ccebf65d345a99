//! A pilot cruise: the spread of plot values in each stratum of a stand.
//!
//! Only variances that were sampled count: a stratum with one plot, a full tally or a borrowed
//! volume has none, and that is an error.

use crate::compile::Compilation;
use crate::design::SelectionIndex;
use crate::diagnostic::{Diagnostic, seen};
use crate::estimates::{Domain, NoInterval, Quantity, StandDerivation, derive_stand};
use crate::math::sum::{mean, variance};
use crate::plot_sums::Column;

/// What the pilot found in a stratum, metric.
#[derive(Clone, Debug, PartialEq)]
pub struct PilotStratum {
    /// Its name; empty where the stand has no strata.
    pub name: String,
    /// Its area, when known.
    pub area_ha: Option<f64>,
    /// Plots.
    pub n_plots: usize,
    /// Mean of the plot values per hectare.
    pub mean: f64,
    /// Standard deviation of the plot values.
    pub std_dev: f64,
}

/// The strata of a stand by one selection, live trees.
pub fn strata(
    compilation: &Compilation<'_>,
    stand: usize,
    selection: SelectionIndex,
    column: Column,
) -> Result<Vec<PilotStratum>, Diagnostic> {
    let this = &compilation.records.stands[stand];
    let rule = &compilation.design.selections[selection].name;
    let mut found = Vec::new();
    for (h, stratum) in this.strata.iter().enumerate() {
        let place = if stratum.name.is_empty() {
            format!("selection {}", seen(rule))
        } else {
            format!("stratum {}, selection {}", seen(&stratum.name), seen(rule))
        };
        let none = |why: &str, hint: &str| {
            Diagnostic::error("no-pilot-spread", format!("{place}: {why}")).hint(hint)
        };
        let derived = derive_stand(
            compilation.design,
            compilation.records,
            (stand, Some(h)),
            &compilation.stands[stand].values,
            selection,
            (Domain::LIVE, Quantity::Sum(column)),
        );
        let part = match derived {
            Some(StandDerivation::Plots { mut strata, .. }) => strata.pop(),
            Some(StandDerivation::Borrowed { .. }) => {
                return Err(none(
                    "counted trees borrow this attribute, so no plot has a value of its own",
                    "ask for `--attribute basal_area`, or plan with --count-cv-pct and --vbar-cv-pct",
                ));
            }
            None => None,
        };
        let Some(part) = part else {
            return Err(none(
                "there are no plot values of this attribute",
                "look at what `spinney compile` says of it",
            ));
        };
        if part.estimate.no_interval == Some(NoInterval::FullTally) {
            return Err(none(
                "a full tally has no spread between plots",
                "ask for a selection that was sampled",
            ));
        }
        let values: Vec<f64> = part.plots.iter().map(|(_, value)| *value).collect();
        let Some(s2) = variance(&values) else {
            return Err(none(
                "a single plot has no spread",
                "a pilot needs two plots or more in each stratum",
            ));
        };
        found.push(PilotStratum {
            name: stratum.name.clone(),
            area_ha: stratum.area_ha,
            n_plots: values.len(),
            mean: mean(&values),
            std_dev: s2.sqrt(),
        });
    }
    Ok(found)
}
