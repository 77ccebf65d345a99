//! The figures by which a 3P sample is judged, stratum by stratum.
//!
//! ```text
//! expected sample trees   P / K                     n as found is a random number
//! adjusted total          P mean(r)                 the estimate
//! unadjusted total        K sum(r)                  unbiased too, but moves with n
//! K for an error E        P / n,  n = (t CV_r / E)^2
//! ```
//! Each total has the trees above K added. Source: Grosenbaugh 1965, USDA Forest Service Research
//! Paper PSW-21 (from memory); number of trees as for plots.

use super::interval::plots_needed;
use crate::design::SelectionIndex;
use crate::math::sum::{mean, variance};
use crate::plot_sums::Column;
use crate::records::{Rule, Stand, ThreeP};
use crate::stems::TreeValues;
use crate::units::basal_area_m2;

/// The figures of one stratum; live trees have values, dead ones count as zero.
#[derive(Clone, Debug, PartialEq)]
pub struct ThreePFigures {
    /// Index into `Stand::strata`.
    pub stratum: usize,
    /// The sample.
    pub sample: ThreeP,
    /// All trees of the stratum.
    pub trees: f64,
    /// Trees that were measured in any case.
    pub certain_trees: usize,
    /// What these hold, in the unit of the column.
    pub certain: f64,
    /// Value over prediction of each sample tree.
    pub ratios: Vec<f64>,
}

/// The figures of a 3P sample in each stratum where it was carried out; `values` holds the trees of
/// the stand in their order. `None` where the value of a tree is not known.
pub fn three_p_figures(
    stand: &Stand,
    selection: SelectionIndex,
    values: &[TreeValues],
    column: Column,
) -> Option<Vec<ThreePFigures>> {
    let mut figures: Vec<ThreePFigures> = Vec::new();
    let mut first = 0;
    for plot in &stand.plots {
        for visit in &plot.visits {
            let values = &values[first..first + visit.trees.len()];
            first += visit.trees.len();
            let Rule::ThreeP(sample) = visit.rule else {
                continue;
            };
            if visit.selection != selection {
                continue;
            }
            let known = figures.iter().position(|of| of.stratum == plot.stratum);
            let at = known.unwrap_or_else(|| {
                figures.push(ThreePFigures {
                    stratum: plot.stratum,
                    sample,
                    trees: 0.0,
                    certain_trees: 0,
                    certain: 0.0,
                    ratios: Vec::new(),
                });
                figures.len() - 1
            });
            let of = &mut figures[at];
            let unmeasured: f64 = visit.counts.iter().map(|count| count.count).sum();
            of.trees += unmeasured + visit.trees.len() as f64;
            for (tree, values) in visit.trees.iter().zip(values) {
                let value = match column {
                    _ if !tree.status.is_live() => 0.0,
                    Column::BasalArea => basal_area_m2(tree.dbh_cm),
                    _ => column.of_tree(values)?,
                };
                let prediction = tree.prediction?;
                if sample.is_certain(prediction) {
                    of.certain_trees += 1;
                    of.certain += value;
                } else {
                    of.ratios.push(value / prediction);
                }
            }
        }
    }
    figures.sort_by_key(|of| of.stratum);
    Some(figures)
}

impl ThreePFigures {
    /// Sample trees to be expected.
    pub fn expected_trees(&self) -> f64 {
        self.sample.predicted / self.sample.largest_number
    }

    /// Mean ratio; `None` without sample trees.
    pub fn mean_ratio(&self) -> Option<f64> {
        (!self.ratios.is_empty()).then(|| mean(&self.ratios))
    }

    /// Coefficient of variation of the ratios, percent.
    pub fn ratio_cv_pct(&self) -> Option<f64> {
        let mean = self.mean_ratio().filter(|mean| *mean > 0.0)?;
        Some(100.0 * variance(&self.ratios)?.sqrt() / mean)
    }

    /// Adjusted total, in the unit of the column.
    pub fn adjusted(&self) -> Option<f64> {
        let sampled = match self.mean_ratio() {
            Some(ratio) => self.sample.predicted * ratio,
            None if self.sample.predicted > 0.0 => return None,
            None => 0.0,
        };
        Some(sampled + self.certain)
    }

    /// Unadjusted total, in the unit of the column.
    pub fn unadjusted(&self) -> f64 {
        self.sample.largest_number * self.ratios.iter().sum::<f64>() + self.certain
    }

    /// Sample trees for an allowable error, and the largest number that is expected to give them.
    pub fn wanted(&self, allowable_error_pct: f64, confidence: f64) -> Option<(usize, f64)> {
        let cv_pct = self.ratio_cv_pct()?;
        let trees = plots_needed(cv_pct, allowable_error_pct, confidence, None)?;
        Some((trees, self.sample.predicted / trees as f64))
    }
}
