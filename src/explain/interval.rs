//! From a mean and its standard error to the row of the tidy table.

use super::held_unit;
use crate::compile::Compilation;
use crate::design::RatioLimits;
use crate::estimates::{Estimate, EstimateRow, NoInterval};
use crate::math::digits::six_digits;
use crate::math::t;
use crate::tables::Block;
use crate::units::UnitSystem;

/// The interval, step by step, in the units of the computation.
pub(super) fn steps(compilation: &Compilation<'_>, row: &EstimateRow) -> Vec<Block> {
    let estimate = &row.estimate;
    if let Some(reason) = estimate.no_interval {
        return vec![Block::Lines(vec![why_none(reason).to_owned()])];
    }
    let confidence = compilation.design.confidence;
    if let Some((lower, upper)) = estimate.limits {
        return resampled(compilation, estimate, (lower, upper));
    }
    let p = 0.5 + confidence / 2.0;
    let (Some(std_error), Some(df), Some(half), Some((lower, upper))) = (
        estimate.std_error,
        estimate.df,
        estimate.half_width(confidence),
        estimate.interval(confidence),
    ) else {
        return Vec::new();
    };
    let quantile = t::quantile(p, df).map_or(String::new(), six_digits);
    let mut lines = vec![
        format!(
            "t({}, {} degrees of freedom) = {quantile}",
            six_digits(p),
            six_digits(df)
        ),
        format!(
            "half-width: t se = {quantile} x {} = {}",
            six_digits(std_error),
            six_digits(half)
        ),
        format!(
            "interval: {} -+ {} = {} to {}",
            six_digits(estimate.mean),
            six_digits(half),
            six_digits(lower),
            six_digits(upper)
        ),
    ];
    if let Some(error_pct) = estimate.error_pct(confidence) {
        lines.push(format!(
            "error: 100 x {} / {} = {} %",
            six_digits(half),
            six_digits(estimate.mean),
            six_digits(error_pct)
        ));
    }
    vec![Block::Lines(lines)]
}

/// Limits that were found by resampling.
fn resampled(
    compilation: &Compilation<'_>,
    estimate: &Estimate,
    (lower, upper): (f64, f64),
) -> Vec<Block> {
    let design = compilation.design;
    let how = match design.intervals.ratios {
        RatioLimits::Percentile => "quantiles of the resampled values (percentile)",
        _ => "quantiles of the resampled values, corrected for bias and skewness (BCa)",
    };
    let mut lines = vec![
        format!(
            "limits: the units are drawn again within strata, {} times (seed {}); {how}",
            design.intervals.resamples, design.intervals.seed
        ),
        format!(
            "interval at {} %: {} to {}",
            six_digits(100.0 * design.confidence),
            six_digits(lower),
            six_digits(upper)
        ),
    ];
    if let Some(error_pct) = estimate.error_pct(design.confidence) {
        lines.push(format!(
            "error: 100 x half of its width / {} = {} %",
            six_digits(estimate.mean),
            six_digits(error_pct)
        ));
    }
    vec![Block::Lines(lines)]
}

fn why_none(reason: NoInterval) -> &'static str {
    match reason {
        NoInterval::OnePlot => "one plot: there is no standard error and no interval",
        NoInterval::OneCluster => {
            "one cluster of plots: there is no standard error and no interval"
        }
        NoInterval::OneStand => "one stand of a list: there is no standard error and no interval",
        NoInterval::StratumWithOnePlot => {
            "a stratum with one plot: there is no standard error and no interval"
        }
        NoInterval::FullTally => "everything was tallied: there is no sampling error",
        NoInterval::OneTree => {
            "a ratio of one measured tree: there is no standard error and no interval"
        }
        NoInterval::Ratio => "a ratio of means: no sound interval is known",
    }
}

/// The figures of the tidy table, in its units and at its full precision.
pub(super) fn in_the_table(compilation: &Compilation<'_>, row: &EstimateRow) -> Vec<Block> {
    let design = compilation.design;
    let estimate = &row.estimate;
    let unit = row.attribute.unit(design.units);
    let (per_area, area_unit) = match design.units {
        UnitSystem::Metric => ("per_ha", "ha"),
        UnitSystem::Imperial => ("per_ac", "ac"),
    };
    let interval = estimate.interval(design.confidence);
    let mut lines = Vec::new();
    let held = held_unit(row.attribute);
    if unit.label != held {
        lines.push(format!(
            "converted: 1 {held} is {} {}",
            unit.from_metric, unit.label
        ));
    }
    let mut line = |name: &str, value: Option<f64>, unit: &str| {
        if let Some(value) = value {
            lines.push(format!("{name}: {value} {unit}").trim_end().to_owned());
        }
    };
    let shown = |value: f64| value * unit.from_metric;
    line(per_area, Some(shown(estimate.mean)), unit.label);
    line("std_error", estimate.std_error.map(shown), unit.label);
    line("ci_lower", interval.map(|i| shown(i.0)), unit.label);
    line("ci_upper", interval.map(|i| shown(i.1)), unit.label);
    line("error_pct", estimate.error_pct(design.confidence), "%");
    line("df", estimate.df, "");
    line("n_plots", Some(estimate.n_plots as f64), "");
    if let Some(area_ha) = row.area_ha.filter(|_| row.attribute.is_additive()) {
        let area = area_ha * design.units.area().from_metric;
        let total_unit = row.attribute.total_unit(design.units);
        let on = format!("{total_unit} on {area} {area_unit}");
        line("total", Some(shown(estimate.mean) * area), &on);
        let error = estimate.std_error.map(|error| shown(error) * area);
        line("total_std_error", error, total_unit);
    }
    vec![Block::Lines(lines)]
}
