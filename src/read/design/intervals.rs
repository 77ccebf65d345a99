//! What a design says of intervals: `confidence`, `allowable_error_pct`, `intervals`.

use super::walk::{Section, Walk};
use crate::design::{Intervals, RatioLimits};
use crate::read::limits;
use crate::read::yaml::Node;

pub(crate) const RATIOS: [(&str, RatioLimits); 4] = [
    ("bca", RatioLimits::Bca),
    ("percentile", RatioLimits::Percentile),
    ("t", RatioLimits::T),
    ("none", RatioLimits::None),
];

pub(super) fn read_confidence(walk: &mut Walk, map: &mut Section) -> f64 {
    const USUAL: f64 = 0.95;
    let Some(entry) = map.get(walk, "confidence") else {
        walk.default("confidence: intervals are at 95 %");
        return USUAL;
    };
    if let Node::Number(value) = *entry.node
        && value > 50.0
        && value < 100.0
    {
        entry.error(
            walk,
            "out-of-range",
            format!("`confidence` is not possible (`{value}`)"),
            &format!("it is a share, not percent: write {}", value / 100.0),
        );
        return USUAL;
    }
    entry
        .number(walk, 1.0, &limits::CONFIDENCE)
        .unwrap_or(USUAL)
}

pub(super) fn read_allowable_error(walk: &mut Walk, map: &mut Section) -> Option<f64> {
    let entry = map.get(walk, "allowable_error_pct")?;
    let value = entry.number(walk, 1.0, &limits::ALLOWABLE_ERROR_PCT)?;
    if value < 1.0 {
        entry.warning(
            walk,
            "small-percent",
            format!("`allowable_error_pct` is below one percent (`{value}`)"),
            &format!("if a share was meant, write {}", value * 100.0),
        );
    }
    Some(value)
}

/// Reads `intervals`; what is not said is listed as a default.
pub(super) fn read_intervals(walk: &mut Walk, root: &mut Section) -> Intervals {
    let (mut method, mut resamples, mut seed) = (None, None, None);
    if let Some(entry) = root.get(walk, "intervals")
        && let Some(mut map) = Section::open(walk, &entry, "`intervals`")
    {
        method = map.get(walk, "ratios");
        resamples = map.get(walk, "resamples");
        seed = map.get(walk, "seed");
        map.finish(walk);
    }
    let usual = Intervals::default();
    let ratios = method.as_ref().map(|entry| entry.one_of(walk, &RATIOS));
    let number = resamples
        .as_ref()
        .map(|entry| entry.whole(walk, &limits::RESAMPLES));
    let start = seed.as_ref().map(|entry| entry.whole(walk, &limits::SEED));
    let intervals = Intervals {
        ratios: ratios.flatten().unwrap_or(usual.ratios),
        resamples: number.flatten().unwrap_or(usual.resamples),
        seed: start.flatten().map_or(usual.seed, |seed| seed as u64),
    };
    let resampled = matches!(intervals.ratios, RatioLimits::Bca | RatioLimits::Percentile);
    let filled: Vec<String> = [
        (
            method.is_none(),
            String::from("limits of ratios by the BCa bootstrap"),
        ),
        (
            resampled && resamples.is_none(),
            format!("{} resamples", usual.resamples),
        ),
        (resampled && seed.is_none(), format!("seed {}", usual.seed)),
    ]
    .into_iter()
    .filter_map(|(is_filled, text)| is_filled.then_some(text))
    .collect();
    if !filled.is_empty() {
        walk.default(format!("intervals: {}", filled.join(", ")));
    }
    if !resampled {
        for entry in [resamples, seed].into_iter().flatten() {
            let message = format!("`{}` is not used: nothing is resampled", entry.key);
            let hint = "remove it, or write `ratios: bca` or `ratios: percentile`";
            entry.warning(walk, "key-unused", message, hint);
        }
    }
    intervals
}
