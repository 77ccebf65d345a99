//! Logs per hectare, by product, species and class of small-end diameter.
//!
//! In: stands with the logs of each tree, one selection. Out: a sample of plot values from which
//! any group of logs is estimated as other plot values are, by the same samples.
//!
//! ```text
//! y_i = sum_j w_ij x_ij     w_ij trees/ha that tree j of plot i stands for, x_ij its logs' value
//! net = gross (1 - defect/100)
//! ```

use std::collections::{BTreeMap, BTreeSet};

use super::Estimate;
use super::layout::{layout, size_of_stratum};
use super::sample::Sample;
use super::stratified::{Part, Together, together};
use crate::design::{Design, Measured, SelectionIndex};
use crate::expansion::expand;
use crate::logs::bucking::{Bucked, Log, net};
use crate::plot_sums::dbh_class;
use crate::records::{CruiseSpeciesIndex, Rule, Stand, Tree};

/// The finest group of logs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct LogKey {
    /// Of live trees?
    pub live: bool,
    /// Index into the products of the plan.
    pub product: usize,
    /// Species of the cruise.
    pub species: CruiseSpeciesIndex,
    /// Class of the small-end diameter, counted from 0.
    pub class: u32,
}

/// What is estimated of logs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogMeasure {
    /// Logs, 1/ha.
    Count,
    /// Volume by the cubic rule, m3/ha.
    Volume {
        /// Less defect?
        net: bool,
    },
    /// Board feet, 1/ha, by one rule of the plan.
    BoardFeet {
        /// Index into the rules for board feet.
        rule: usize,
        /// Less defect?
        net: bool,
    },
}

impl LogMeasure {
    /// Position among the sums of a group.
    fn at(self) -> usize {
        match self {
            LogMeasure::Count => 0,
            LogMeasure::Volume { net } => 1 + usize::from(net),
            LogMeasure::BoardFeet { rule, net } => 3 + 2 * rule + usize::from(net),
        }
    }
}

/// A part of the stem, by integration of its profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StemPart {
    /// Below the stump height.
    Stump,
    /// In the nominal lengths of logs.
    Logs,
    /// In the trim.
    Trim,
    /// Above the last log.
    Top,
}

impl StemPart {
    /// All of them, from the ground up.
    pub const ALL: [StemPart; 4] = [
        StemPart::Stump,
        StemPart::Logs,
        StemPart::Trim,
        StemPart::Top,
    ];
}

/// The sums per hectare of one plot.
#[derive(Clone, Debug, Default, PartialEq)]
struct PlotLogs {
    /// A group's sums, in the order of [`LogMeasure::at`]; not a number where a board-foot table
    /// does not reach one of its logs.
    groups: BTreeMap<LogKey, Vec<f64>>,
    /// Volumes of the stem parts of dead trees and of live trees.
    parts: [[f64; 4]; 2],
}

/// The logs of one selection in one stand or several.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LogSample {
    stands: Vec<StandLogs>,
    /// How stands make the whole.
    of_stands: Together,
    /// Trees without logs for want of a height or a profile: live or not, species, records.
    pub unknown: BTreeMap<(bool, CruiseSpeciesIndex), usize>,
}

/// The logs of one stand by stratum.
#[derive(Clone, Debug, PartialEq)]
struct StandLogs {
    area_ha: Option<f64>,
    strata: Vec<StratumLogs>,
    /// How the strata make the stand.
    together: Together,
    /// All plots as one sample, where clusters reach over strata.
    across: Option<Sample>,
}

/// The logs of one stratum.
#[derive(Clone, Debug, PartialEq)]
struct StratumLogs {
    /// What it is weighted by.
    weight: Option<f64>,
    sample: Sample,
    /// Positions of its plots among those of the stand.
    at: Vec<usize>,
    plots: Vec<PlotLogs>,
}

/// Why there is no sample of logs; in words.
pub type NoLogs = String;

/// Sums the logs of one selection over stands, each with the logs of its trees in the order of
/// `Stand::trees`. `class_cm` is the width of a class of small-end diameters, `rules` how many rules
/// there are for board feet.
pub fn sample_logs(
    design: &Design,
    stands: &[(&Stand, &[Option<Bucked>])],
    selection: SelectionIndex,
    class_cm: f64,
    rules: usize,
) -> Result<LogSample, NoLogs> {
    let name = &design.selections[selection].name;
    let visits = || {
        let plots = stands.iter().flat_map(|(stand, _)| &stand.plots);
        let visits = plots.flat_map(|plot| &plot.visits);
        visits.filter(move |visit| visit.selection == selection)
    };
    if visits().any(|visit| matches!(visit.rule, Rule::ThreeP(_))) {
        return Err(format!(
            "{name}: logs of a 3P sample are not summed; the tree list has what each tree stands for"
        ));
    }
    if design.selections[selection].measured != Measured::All
        || visits().any(|visit| !visit.counts.is_empty())
    {
        return Err(format!(
            "{name}: trees were only counted, so there are no logs"
        ));
    }
    let mut sample = LogSample::default();
    if let Some(list) = design.sampling.listed.filter(|_| stands.len() > 1) {
        sample.of_stands = Together::Listed(list);
    }
    for (stand, logs) in stands {
        let strata = sample_stand(&mut sample, stand, logs, selection, class_cm, rules)
            .ok_or_else(|| format!("{name}: the area of a full tally is not known"))?;
        let laid_out = layout(design, stand, selection);
        let mut found = Vec::new();
        for (h, (of_stratum, sample)) in strata.into_iter().zip(laid_out.strata).enumerate() {
            let Some(sample) = sample else {
                return Err(format!("{name}: not carried out in every stratum"));
            };
            let (at, plots) = of_stratum.into_iter().unzip();
            found.push(StratumLogs {
                weight: size_of_stratum(design, stand, h),
                sample,
                at,
                plots,
            });
        }
        if found.len() > 1 && found.iter().any(|stratum| stratum.weight.is_none()) {
            return Err(format!("{name}: the area of a stratum is not known"));
        }
        sample.stands.push(StandLogs {
            area_ha: stand.strata.iter().map(|stratum| stratum.area_ha).sum(),
            strata: found,
            together: laid_out.together,
            across: laid_out.stand,
        });
    }
    if stands.len() > 1 && sample.stands.iter().any(|stand| stand.area_ha.is_none()) {
        return Err(format!("{name}: the area of a stratum is not known"));
    }
    Ok(sample)
}

/// The plots of one stand by stratum, each with its position; `None` where a full tally has no area.
fn sample_stand(
    sample: &mut LogSample,
    stand: &Stand,
    logs: &[Option<Bucked>],
    selection: SelectionIndex,
    class_cm: f64,
    rules: usize,
) -> Option<Vec<Vec<(usize, PlotLogs)>>> {
    let mut strata: Vec<Vec<(usize, PlotLogs)>> = vec![Vec::new(); stand.strata.len()];
    let mut visited = 0;
    let mut trees = logs.iter();
    for plot in &stand.plots {
        for visit in &plot.visits {
            let logs = trees.by_ref().take(visit.trees.len());
            if visit.selection != selection {
                logs.for_each(drop);
                continue;
            }
            let area_ha = stand.strata[plot.stratum].area_ha;
            let mut sums = PlotLogs::default();
            for (tree, bucked) in visit.trees.iter().zip(logs) {
                let trees_per_ha = expand(visit, tree, area_ha)?.trees_per_ha;
                if tree.excluded || trees_per_ha <= 0.0 {
                    continue;
                }
                if let Some(bucked) = bucked {
                    sums.add(tree, bucked, trees_per_ha, class_cm, rules);
                } else {
                    let key = (tree.status.is_live(), tree.species);
                    *sample.unknown.entry(key).or_default() += 1;
                }
            }
            strata[plot.stratum].push((visited, sums));
            visited += 1;
        }
    }
    Some(strata)
}

impl PlotLogs {
    fn add(&mut self, tree: &Tree, bucked: &Bucked, w: f64, class_cm: f64, rules: usize) {
        let live = tree.status.is_live();
        let defect_pct = tree.defect_pct.unwrap_or(0.0);
        for log in &bucked.logs {
            let key = LogKey {
                live,
                product: log.product,
                species: tree.species,
                class: dbh_class(log.d_small_cm, class_cm),
            };
            let sums = self
                .groups
                .entry(key)
                .or_insert_with(|| vec![0.0; 3 + 2 * rules]);
            for (sum, value) in sums.iter_mut().zip(values_of(log, defect_pct)) {
                *sum += w * value;
            }
        }
        let parts = [
            bucked.stump_m3,
            bucked.logs_m3,
            bucked.trim_m3,
            bucked.top_m3,
        ];
        for (sum, part) in self.parts[usize::from(live)].iter_mut().zip(parts) {
            *sum += w * part;
        }
    }
}

/// What one log adds, in the order of [`LogMeasure::at`].
fn values_of(log: &Log, defect_pct: f64) -> impl Iterator<Item = f64> {
    let both = move |gross: f64| [gross, net(gross, defect_pct)];
    let board_feet = log
        .board_feet
        .iter()
        .flat_map(move |gross| both(gross.unwrap_or(f64::NAN)));
    [1.0]
        .into_iter()
        .chain(both(log.volume_m3))
        .chain(board_feet)
}

impl LogSample {
    /// The groups that were found, sorted.
    pub fn keys(&self) -> BTreeSet<LogKey> {
        self.plots()
            .flat_map(|plot| plot.groups.keys().copied())
            .collect()
    }

    /// Estimate of one measure over the groups to keep; `None` where a board-foot table does not
    /// reach one of their logs.
    pub fn estimate(&self, measure: LogMeasure, keep: impl Fn(LogKey) -> bool) -> Option<Estimate> {
        self.over_plots(|plot| {
            let groups = plot.groups.iter().filter(|(key, _)| keep(**key));
            groups.map(|(_, sums)| sums[measure.at()]).sum()
        })
    }

    /// Estimate of the volume in a part of the stems of live or dead trees, m3/ha.
    pub fn part(&self, part: StemPart, live: bool) -> Option<Estimate> {
        self.over_plots(|plot| plot.parts[usize::from(live)][part as usize])
    }

    /// Is there a stem of this status?
    pub fn has(&self, live: bool) -> bool {
        self.plots()
            .any(|plot| plot.parts[usize::from(live)].iter().any(|m3| *m3 > 0.0))
    }

    fn plots(&self) -> impl Iterator<Item = &PlotLogs> {
        let strata = self.stands.iter().flat_map(|stand| &stand.strata);
        strata.flat_map(|stratum| &stratum.plots)
    }

    fn over_plots(&self, value: impl Fn(&PlotLogs) -> f64) -> Option<Estimate> {
        let parts: Option<Vec<Part>> = self
            .stands
            .iter()
            .map(|stand| {
                Some(Part {
                    // A single part needs no weight.
                    area_ha: stand.area_ha.unwrap_or(1.0),
                    estimate: stand.estimate(&value)?,
                })
            })
            .collect();
        let parts = parts.filter(|parts| !parts.is_empty())?;
        Some(together(self.of_stands, &parts))
    }
}

impl StandLogs {
    /// `None` where a value is not known (not a number).
    fn estimate(&self, value: impl Fn(&PlotLogs) -> f64) -> Option<Estimate> {
        let mut parts = Vec::new();
        let mut all = Vec::new();
        for stratum in &self.strata {
            let values: Vec<f64> = stratum.plots.iter().map(&value).collect();
            if !values.iter().all(|value| value.is_finite()) {
                return None;
            }
            parts.push(Part {
                area_ha: stratum.weight.unwrap_or(1.0),
                estimate: stratum.sample.estimate(&values),
            });
            all.extend(stratum.at.iter().copied().zip(values));
        }
        if let Some(sample) = &self.across {
            all.sort_by_key(|(at, _)| *at);
            let values: Vec<f64> = all.into_iter().map(|(_, value)| value).collect();
            return Some(sample.estimate(&values));
        }
        Some(together(self.together, &parts))
    }
}
