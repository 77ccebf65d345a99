//! The `selections` of a design: the rules by which trees were chosen.

use std::f64::consts::PI;

use super::walk::{Entry, Quantity, Section, Walk, unit_keys};
use crate::design::{Measured, Method, RatioBy, RatioError, Ring, Selection, SlopeCorrection};
use crate::diagnostic::seen;
use crate::read::limits;
use crate::read::nearest::did_you_mean;
use crate::read::yaml::Node;
use crate::units::{Dimension, M2_PER_HA, M2_PER_HA_PER_FT2_PER_AC};

/// A metric factor above this, or an imperial one below [`LOW_IMPERIAL_FACTOR`], is rare.
/// Source: common practice, no source.
const HIGH_METRIC_FACTOR: f64 = 12.0;
/// ft2/ac.
const LOW_IMPERIAL_FACTOR: f64 = 3.0;

#[derive(Clone, Copy)]
pub(crate) enum Word {
    FixedArea,
    Strip,
    FullTally,
    ThreeP,
    AngleGauge,
}

pub(crate) const METHODS: [(&str, Word); 5] = [
    ("fixed-area", Word::FixedArea),
    ("strip", Word::Strip),
    ("full-tally", Word::FullTally),
    ("three-p", Word::ThreeP),
    ("angle-gauge", Word::AngleGauge),
];

pub(crate) const RATIO_BY: [(&str, RatioBy); 2] =
    [("species", RatioBy::Species), ("pooled", RatioBy::Pooled)];
pub(crate) const SLOPE_CORRECTIONS: [(&str, SlopeCorrection); 2] = [
    ("field", SlopeCorrection::Field),
    ("program", SlopeCorrection::Program),
];

pub(crate) const MEASURED: [(&str, Measured); 3] = [
    ("none", Measured::None),
    ("all", Measured::All),
    ("some", Measured::Some),
];

pub(crate) const RATIO_ERRORS: [(&str, RatioError); 2] = [
    ("plots", RatioError::Plots),
    ("product", RatioError::Product),
];

/// Reads `selections`; those with errors are left out.
pub(super) fn read_selections(walk: &mut Walk, entry: &Entry, borrows: bool) -> Vec<Selection> {
    let pairs = entry.pairs(walk).unwrap_or_default();
    if pairs.is_empty() && matches!(entry.node, Node::Map(_)) {
        let message = String::from("`selections` is empty");
        entry.error(walk, "no-value", message, "give at least one selection");
    }
    let names: Vec<&str> = pairs.iter().map(|pair| pair.key.as_str()).collect();
    let mut ratios = Vec::new();
    let mut selections = Vec::with_capacity(pairs.len());
    for pair in &pairs {
        check_name(walk, pair);
        let read = read_selection(walk, pair);
        if let Some((selection, ratio_from)) = read {
            selections.push(selection);
            ratios.push(ratio_from);
        }
    }
    if selections.len() == pairs.len() {
        link_ratios(walk, &mut selections, &ratios, &names, &pairs, borrows);
    }
    selections
}

fn check_name(walk: &mut Walk, entry: &Entry) {
    let name = &entry.key;
    if name.eq_ignore_ascii_case("all") {
        let message = format!("a selection cannot be called {}", seen(name));
        entry.key_error(
            walk,
            "bad-name",
            message,
            "`all` is the word for totals in results",
        );
    } else if name.contains(['.', ',', ';', '\t', '\n', '"']) {
        let message = format!("the name of a selection has a mark in it ({})", seen(name));
        let hint = "use letters, digits, `-` and `_`: the name is used in the record files";
        entry.key_error(walk, "bad-name", message, hint);
    } else {
        entry.note_formula(walk, name);
    }
}

fn read_selection<'n>(
    walk: &mut Walk,
    entry: &Entry<'n>,
) -> Option<(Selection, Option<Entry<'n>>)> {
    let name = entry.key.clone();
    let mut map = Section::open(walk, entry, format!("the selection {}", seen(&name)))?;
    let names: Vec<&str> = METHODS.iter().map(|(word, _)| *word).collect();
    let word = map
        .required(walk, "method", &format!("one of {}", names.join(", ")))
        .and_then(|entry| entry.one_of(walk, &METHODS))?;
    let min_dbh = map.quantity(walk, "min_dbh", Dimension::Diameter, &limits::DBH_LIMIT);
    let slope_correction = read_slope_correction(walk, &mut map, word, &name);
    let mut measured = Measured::All;
    let mut ratio_from = None;
    let (mut volume_ratio_by, mut volume_ratio_error) = Default::default();
    if !matches!(word, Word::AngleGauge) {
        refuse_sweep_keys(walk, &mut map);
    }
    let method = match word {
        Word::FixedArea => read_fixed_area(walk, &mut map),
        Word::Strip => read_strip(walk, &mut map),
        Word::FullTally => Some(Method::FullTally),
        Word::ThreeP => {
            refuse_min_dbh(walk, min_dbh.as_ref());
            read_three_p(walk, &mut map)
        }
        Word::AngleGauge => {
            measured = read_measured(walk, &mut map, &name);
            ratio_from = map.get(walk, "volume_ratio_from");
            volume_ratio_by = of_counted(walk, &mut map, measured, "volume_ratio_by", &RATIO_BY);
            volume_ratio_error = of_counted(
                walk,
                &mut map,
                measured,
                "volume_ratio_error",
                &RATIO_ERRORS,
            );
            read_angle_gauge(walk, &mut map)
        }
    };
    map.finish(walk);
    let selection = Selection {
        name,
        method: method?,
        min_dbh_cm: min_dbh.map(|min| min.value),
        measured,
        // Linked when all selections are known.
        volume_ratio_from: None,
        volume_ratio_by,
        volume_ratio_error,
        slope_correction,
    };
    Some((selection, ratio_from))
}

/// The largest random number of a 3P sample.
fn read_three_p(walk: &mut Walk, map: &mut Section) -> Option<Method> {
    let hint = "the random numbers went up to it, in the unit of the predictions: \
                `largest_number: 800`";
    let entry = map.required(walk, "largest_number", hint)?;
    let largest_number = entry.number(walk, 1.0, &limits::PREDICTION)?;
    Some(Method::ThreeP { largest_number })
}

/// Trees of a 3P sample that were not measured have no dbh.
fn refuse_min_dbh(walk: &mut Walk, min_dbh: Option<&Quantity>) {
    if let Some(min) = min_dbh {
        let message = String::from("a 3P sample cannot have a least dbh");
        let hint = "remove it: most of its trees have no dbh, only a prediction; leave smaller \
                    trees out in the field";
        min.entry.key_error(walk, "three-p-min-dbh", message, hint);
    }
}

/// Keys that only a sweep can have.
fn refuse_sweep_keys(walk: &mut Walk, map: &mut Section) {
    for key in [
        "measured",
        "volume_ratio_from",
        "volume_ratio_by",
        "volume_ratio_error",
    ] {
        if let Some(entry) = map.get(walk, key) {
            let message = format!("`{key}` is for angle gauges only");
            let hint = "remove it: every tree of this selection has its own record";
            entry.key_error(walk, "not-a-sweep", message, hint);
        }
    }
}

/// A word that only makes sense where trees were only counted.
fn of_counted<T: Copy + Default>(
    walk: &mut Walk,
    map: &mut Section,
    measured: Measured,
    key: &str,
    words: &[(&str, T)],
) -> T {
    let Some(entry) = map.get(walk, key) else {
        return T::default();
    };
    if measured == Measured::All {
        let message = format!("every tree was measured, so `{key}` has no use");
        let hint = format!("remove `{key}`, or say `measured: none` or `measured: some`");
        entry.key_error(walk, "ratio-not-needed", message, &hint);
    }
    entry.one_of(walk, words).unwrap_or_default()
}

fn read_slope_correction(
    walk: &mut Walk,
    map: &mut Section,
    word: Word,
    name: &str,
) -> SlopeCorrection {
    if let Some(entry) = map.get(walk, "slope_correction") {
        return entry
            .one_of(walk, &SLOPE_CORRECTIONS)
            .unwrap_or(SlopeCorrection::Field);
    }
    if !matches!(word, Word::FullTally | Word::ThreeP) {
        walk.default(format!(
            "slope_correction: the distances of `{name}` are horizontal or were corrected in the \
             field, unless a plot says otherwise"
        ));
    }
    SlopeCorrection::Field
}

fn read_measured(walk: &mut Walk, map: &mut Section, name: &str) -> Measured {
    if let Some(entry) = map.get(walk, "measured") {
        return entry.one_of(walk, &MEASURED).unwrap_or(Measured::All);
    }
    walk.default(format!(
        "measured: every tree of `{name}` has its own record"
    ));
    Measured::All
}

fn read_angle_gauge(walk: &mut Walk, map: &mut Section) -> Option<Method> {
    let dimension = Dimension::BasalAreaFactor;
    let factor = map.quantity(walk, "baf", dimension, &limits::FACTOR);
    if factor.is_none() && !map.has_quantity("baf", dimension) && !map.has("baf") {
        let hint = format!("write {}", unit_keys("baf", dimension));
        map.missing(walk, "basal area factor", &hint);
    }
    let factor = factor?;
    warn_of_mixed_factor(walk, &factor);
    Some(Method::AngleGauge {
        baf_m2_per_ha: factor.value,
    })
}

fn warn_of_mixed_factor(walk: &mut Walk, factor: &Quantity) {
    let value = factor.value;
    let imperial = value / M2_PER_HA_PER_FT2_PER_AC;
    if factor.unit.suffix == "m2_per_ha" && value > HIGH_METRIC_FACTOR {
        factor.entry.warning(
            walk,
            "factor-units",
            format!("a basal area factor of {value} m2/ha is rare"),
            &format!("if it is {value} ft2/ac, write `baf_ft2_per_ac: {value}`"),
        );
    } else if factor.unit.suffix == "ft2_per_ac" && imperial < LOW_IMPERIAL_FACTOR {
        let shown = format!("{imperial:.4}");
        let shown = shown.trim_end_matches('0').trim_end_matches('.');
        factor.entry.warning(
            walk,
            "factor-units",
            format!("a basal area factor of {shown} ft2/ac is rare"),
            &format!("if it is {shown} m2/ha, write `baf_m2_per_ha: {shown}`"),
        );
    }
}

/// Radius or area of a circle, whichever is given; both as (area, radius).
fn read_circle(walk: &mut Walk, map: &mut Section) -> Option<(f64, f64)> {
    let radius = map.quantity(walk, "radius", Dimension::Length, &limits::RADIUS);
    let area = map.quantity(walk, "area", Dimension::Area, &limits::PLOT_AREA);
    let has_radius = map.has_quantity("radius", Dimension::Length);
    let has_area = map.has_quantity("area", Dimension::Area);
    if has_radius && has_area {
        if let Some(area) = area {
            area.entry.key_error(
                walk,
                "size-twice",
                String::from("both a radius and an area are given"),
                "keep the one that was laid out in the field: the other follows from it",
            );
        }
        return None;
    }
    if let Some(radius) = radius {
        return Some((PI * radius.value * radius.value / M2_PER_HA, radius.value));
    }
    if let Some(area) = area {
        return Some((area.value, (area.value * M2_PER_HA / PI).sqrt()));
    }
    if !has_radius && !has_area && !map.has("radius") && !map.has("area") {
        let (radius, area) = (
            unit_keys("radius", Dimension::Length),
            unit_keys("area", Dimension::Area),
        );
        map.missing(walk, "size", &format!("write {radius}, or {area}"));
    }
    None
}

fn read_fixed_area(walk: &mut Walk, map: &mut Section) -> Option<Method> {
    let Some(rings) = map.get(walk, "rings") else {
        let (area_ha, radius_m) = read_circle(walk, map)?;
        return Some(Method::FixedArea { area_ha, radius_m });
    };
    for (stem, dimension) in [("radius", Dimension::Length), ("area", Dimension::Area)] {
        if map.has_quantity(stem, dimension) {
            rings.key_error(
                walk,
                "size-twice",
                format!("both rings and `{stem}` of the plot are given"),
                "give the size of each ring only",
            );
        }
    }
    read_rings(walk, &rings)
}

fn read_rings(walk: &mut Walk, entry: &Entry) -> Option<Method> {
    let items = entry.list(walk)?;
    let mut rings = Vec::with_capacity(items.len());
    for (item, number) in items.iter().zip(1..) {
        if let Some(ring) = read_ring(walk, item, number) {
            rings.push((ring, item));
        }
    }
    if items.is_empty() {
        let message = String::from("`rings` is empty");
        entry.error(
            walk,
            "no-value",
            message,
            "give each ring its size and dbh range",
        );
    }
    if rings.len() < items.len() || rings.is_empty() {
        return None;
    }
    rings.sort_by(|(a, _), (b, _)| a.min_dbh_cm.total_cmp(&b.min_dbh_cm));
    for pair in rings.windows(2) {
        let ((inner, _), (outer, place)) = (&pair[0], &pair[1]);
        let ends = inner.max_dbh_cm.unwrap_or(f64::INFINITY);
        let begins = outer.min_dbh_cm;
        if ends > begins {
            let message = format!("rings overlap: trees from {begins} cm dbh are in two of them");
            let hint = "the ring with the smaller dbh counts; end it with `max_dbh_cm` where the \
                        next begins";
            place.warning(walk, "rings-overlap", message, hint);
        } else if ends < begins {
            let message = format!("no ring takes trees from {ends} to {begins} cm dbh");
            let hint = "such trees stand for nothing; let the ranges meet if that is not meant";
            place.warning(walk, "rings-gap", message, hint);
        }
    }
    let rings = rings.into_iter().map(|(ring, _)| ring).collect();
    Some(Method::NestedRings(rings))
}

fn read_ring(walk: &mut Walk, item: &Entry, number: usize) -> Option<Ring> {
    let mut map = Section::open(walk, item, format!("ring {number}"))?;
    let circle = read_circle(walk, &mut map);
    let min = map.quantity(walk, "min_dbh", Dimension::Diameter, &limits::DBH_LIMIT);
    let max = map.quantity(walk, "max_dbh", Dimension::Diameter, &limits::DBH_LIMIT);
    map.finish(walk);
    let min_dbh_cm = min.map_or(0.0, |min| min.value);
    if let Some(max) = &max
        && max.value <= min_dbh_cm
    {
        let message = format!("the dbh range of ring {number} is empty");
        max.entry.error(
            walk,
            "empty-range",
            message,
            "the greatest dbh must exceed the least",
        );
    }
    let (area_ha, radius_m) = circle?;
    Some(Ring {
        area_ha,
        radius_m,
        min_dbh_cm,
        max_dbh_cm: max.map(|max| max.value),
    })
}

fn read_strip(walk: &mut Walk, map: &mut Section) -> Option<Method> {
    let mut side = |stem: &str| {
        let side = map.quantity(walk, stem, Dimension::Length, &limits::STRIP);
        if side.is_none() && !map.has_quantity(stem, Dimension::Length) && !map.has(stem) {
            let hint = format!("write {}", unit_keys(stem, Dimension::Length));
            map.missing(walk, stem, &hint);
        }
        side.map(|side| side.value)
    };
    let (length_m, width_m) = (side("length"), side("width"));
    Some(Method::Strip {
        length_m: length_m?,
        width_m: width_m?,
    })
}

/// Finds the selections that lend their volume ratios.
fn link_ratios(
    walk: &mut Walk,
    selections: &mut [Selection],
    ratios: &[Option<Entry>],
    names: &[&str],
    pairs: &[Entry],
    borrows: bool,
) {
    for index in 0..selections.len() {
        let measured = selections[index].measured;
        let Some(entry) = &ratios[index] else {
            if measured == Measured::None && borrows {
                let message = format!(
                    "the trees of selection {} were only counted and borrow no volume ratio: it \
                     will have trees and basal area only",
                    seen(&selections[index].name)
                );
                let hint = "name a selection with measured trees: `volume_ratio_from: fixed`";
                pairs[index].warning(walk, "no-volume-ratio", message, hint);
            }
            continue;
        };
        let Some(lender) = entry.text(walk) else {
            continue;
        };
        let Some(found) = names.iter().position(|name| *name == lender) else {
            let others: Vec<&str> = (names.iter().copied())
                .filter(|name| *name != names[index])
                .collect();
            let message = format!("there is no selection {}", seen(&lender));
            entry.error(
                walk,
                "unknown-selection",
                message,
                &did_you_mean(&lender, &others),
            );
            continue;
        };
        if selections[found].measured == Measured::None {
            let message = format!("the trees of selection {} were only counted", seen(&lender));
            let hint = "volume ratios can only come from a selection with measured trees";
            entry.error(walk, "no-measured-trees", message, hint);
        } else if matches!(selections[found].method, Method::ThreeP { .. }) {
            let message = format!("{} is a 3P sample: it lends no volume ratio", seen(&lender));
            let hint = "name a selection of plots or sweeps with measured trees";
            entry.error(walk, "no-measured-trees", message, hint);
        } else if measured == Measured::All {
            let message = format!(
                "every tree of selection {} was measured, so it needs no volume ratio",
                seen(names[index])
            );
            let hint = "remove `volume_ratio_from`, or say `measured: none` or `measured: some`";
            entry.error(walk, "ratio-not-needed", message, hint);
        } else {
            selections[index].volume_ratio_from = Some(found);
        }
    }
}
