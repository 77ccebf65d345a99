//! The `heights` and `volume` of a design.

use super::walk::{Entry, Section, Walk, unit_keys};
use super::{Known, instrument};
use crate::design::{
    Calibrate, CurveChoice, Fallback, Fill, FitBy, FitWeights, Heights, InstrumentError,
    Merchantable, Volume,
};
use crate::diagnostic::seen;
use crate::read::limits;
use crate::read::yaml::Node;
use crate::units::Dimension;

const USUAL_BREAST_HEIGHT_M: f64 = 1.3;
const USUAL_MIN_TREES: usize = 5;

pub(crate) const WEIGHTS: [(&str, FitWeights); 3] = [
    ("equal", FitWeights::Equal),
    ("inverse-dbh", FitWeights::InverseDbh),
    ("precision", FitWeights::Precision),
];

pub(crate) const FIT_BY: [(&str, FitBy); 2] = [("stand", FitBy::Stand), ("cruise", FitBy::Cruise)];

pub(crate) const CALIBRATE: [(&str, Calibrate); 5] = [
    ("best", Calibrate::Best),
    ("none", Calibrate::None),
    ("plots", Calibrate::Plots),
    ("stands", Calibrate::Stands),
    ("stands-and-plots", Calibrate::StandsAndPlots),
];

/// Was the stand planted?
pub(crate) const STAND_ORIGINS: [(&str, bool); 2] = [("natural", false), ("planted", true)];

pub(crate) const FALLBACKS: [(&str, Fallback); 3] = [
    ("none", Fallback::None),
    ("genus", Fallback::Genus),
    ("group", Fallback::Group),
];

/// What holds where nothing is said.
fn usual() -> Heights {
    Heights {
        breast_height_m: USUAL_BREAST_HEIGHT_M,
        subsample: None,
        curve: CurveChoice::Best,
        min_trees: USUAL_MIN_TREES,
        weights: FitWeights::Equal,
        fit_by: FitBy::Stand,
        regional: None,
        ratio_to: Vec::new(),
        calibrate: Calibrate::Best,
        instrument: InstrumentError::default(),
        fill: Fill::Mean,
    }
}

/// Reads `heights`, filling in what is not said. The entry of `subsample` is read when the
/// selections are known.
pub(super) fn read_heights<'n>(
    walk: &mut Walk,
    root: &mut Section<'n>,
    known: &Known,
    aliases: &[(String, String)],
) -> (Heights, Option<Entry<'n>>) {
    let mut heights = usual();
    let entry = root.get(walk, "heights");
    let map = entry.and_then(|entry| Section::open(walk, &entry, "`heights`"));
    let Some(mut map) = map else {
        if !root.has("heights") {
            for sentence in DEFAULTS {
                walk.default(sentence.1);
            }
            instrument::tell_defaults(walk, |_| false);
        }
        return (heights, None);
    };
    for (key, sentence) in DEFAULTS {
        let given = match key {
            "breast_height" => map.has_quantity(key, Dimension::Length),
            key => map.has(key),
        };
        if !given {
            walk.default(sentence);
        }
    }
    if let Some(height) = map.quantity(
        walk,
        "breast_height",
        Dimension::Length,
        &limits::BREAST_HEIGHT,
    ) {
        heights.breast_height_m = height.value;
    }
    let subsample = map.get(walk, "subsample");
    if let Some(entry) = map.get(walk, "curve") {
        heights.curve = read_curve(walk, &entry, known);
    }
    if let Some(trees) = map
        .get(walk, "min_trees")
        .and_then(|entry| entry.whole(walk, &limits::MIN_TREES))
    {
        heights.min_trees = trees;
    }
    read_word(walk, &mut map, "weights", &WEIGHTS, &mut heights.weights);
    read_word(walk, &mut map, "fit_by", &FIT_BY, &mut heights.fit_by);
    read_word(
        walk,
        &mut map,
        "calibrate",
        &CALIBRATE,
        &mut heights.calibrate,
    );
    let sets: Vec<&str> = known.height_sets.iter().map(String::as_str).collect();
    heights.regional = map.get(walk, "regional").and_then(|entry| {
        entry.known_name(
            walk,
            "unknown-height-set",
            "set of regional height curves",
            &sets,
        )
    });
    heights.ratio_to = super::ratio_to::read(walk, &mut map, aliases);
    heights.instrument = instrument::read(walk, &mut map);
    if let Some(fill) = map
        .get(walk, "fill")
        .and_then(|entry| read_fill(walk, &entry))
    {
        heights.fill = fill;
    }
    map.finish(walk);
    (heights, subsample)
}

/// What is filled in when a key of `heights` is not given.
const DEFAULTS: [(&str, &str); 6] = [
    ("breast_height", "breast_height: dbh was taken at 1.3 m"),
    (
        "curve",
        "curve: for each species naslund, or another form where it fits clearly better",
    ),
    (
        "min_trees",
        "min_trees: species with fewer than 5 measured heights use the shared curve of their kind",
    ),
    (
        "weights",
        "weights: all height trees weigh the same in the fit",
    ),
    (
        "fit_by",
        "fit_by: height curves are fitted for each stand apart",
    ),
    (
        "calibrate",
        "calibrate: the curve of a species differs from plot to plot, or stand to stand, where it \
         fits better so",
    ),
];

/// `mean`, or a map with the number of draws and their seed.
fn read_fill(walk: &mut Walk, entry: &Entry) -> Option<Fill> {
    const USUAL_SEED: u64 = 1;
    const HINT: &str = "write `fill: mean`, or `fill: { draws: 20, seed: 1 }`";
    if !matches!(entry.node, Node::Map(_)) {
        let word = entry.node.scalar_text();
        if word.as_deref().map(str::trim) == Some("mean") {
            return Some(Fill::Mean);
        }
        let seen = word.map_or_else(|| entry.node.kind().to_owned(), |word| seen(&word));
        let message = format!("`fill` does not know {seen}");
        entry.error(walk, "unknown-word", message, HINT);
        return None;
    }
    let mut map = Section::open(walk, entry, "`fill`")?;
    let number = map
        .required(walk, "draws", "say how many times each height is drawn")
        .and_then(|entry| entry.whole(walk, &limits::HEIGHT_DRAWS));
    let seed = map.get(walk, "seed");
    if !map.has("seed") {
        walk.default(format!("fill: seed {USUAL_SEED} for drawn heights"));
    }
    let seed = seed.and_then(|entry| entry.whole(walk, &limits::SEED));
    map.finish(walk);
    Some(Fill::Draws {
        number: number?,
        seed: seed.map_or(USUAL_SEED, |seed| seed as u64),
    })
}

/// One of a few words, where the key is given.
fn read_word<T: Copy>(
    walk: &mut Walk,
    map: &mut Section,
    key: &str,
    words: &[(&str, T)],
    held: &mut T,
) {
    let entry = map.get(walk, key);
    if let Some(value) = entry.and_then(|entry| entry.one_of(walk, words)) {
        *held = value;
    }
}

fn read_curve(walk: &mut Walk, entry: &Entry, known: &Known) -> CurveChoice {
    let mut names = vec!["best"];
    names.extend(known.curve_forms);
    match entry.known_name(walk, "unknown-curve", "height curve", &names) {
        Some(name) if name != "best" => CurveChoice::Named(name),
        _ => CurveChoice::Best,
    }
}

/// Reads `volume`; `None` if it is not asked for or wrong.
pub(super) fn read_volume(walk: &mut Walk, root: &mut Section, known: &Known) -> Option<Volume> {
    if !root.has("volume") {
        walk.default("volume: no set is named, so there are trees and basal area only");
    }
    let entry = root.get(walk, "volume")?;
    let mut map = Section::open(walk, &entry, "`volume`")?;
    let sets: Vec<&str> = known.volume_sets.iter().map(String::as_str).collect();
    let set = map
        .required(walk, "set", "name a set of volume equations")
        .and_then(|entry| {
            entry.known_name(walk, "unknown-volume-set", "set of volume equations", &sets)
        });
    let region = map.get(walk, "region").and_then(|entry| entry.text(walk));
    let substitute = read_substitute(walk, &mut map);
    let fallback = read_fallback(walk, &mut map, "fallback");
    let merchantable = map
        .get(walk, "merchantable")
        .and_then(|entry| read_merchantable(walk, &entry));
    let planted = map
        .get(walk, "stand_origin")
        .and_then(|entry| read_stand_origin(walk, &entry))
        .unwrap_or(false);
    let bark_sets: Vec<&str> = known.bark_sets.iter().map(String::as_str).collect();
    let bark = map
        .get(walk, "bark")
        .and_then(|entry| entry.known_name(walk, "unknown-bark-set", "bark set", &bark_sets));
    map.finish(walk);
    Some(Volume {
        set: set?,
        region,
        substitute,
        fallback,
        planted,
        merchantable,
        bark,
    })
}

/// Was the stand planted?
pub(super) fn read_stand_origin(walk: &mut Walk, entry: &Entry) -> Option<bool> {
    entry.one_of(walk, &STAND_ORIGINS)
}

/// Species without an equation, lower-cased as written, and what stands in.
pub(super) fn read_substitute(walk: &mut Walk, map: &mut Section) -> Vec<(String, String)> {
    map.get(walk, "substitute")
        .and_then(|entry| entry.pairs(walk))
        .unwrap_or_default()
        .iter()
        .filter_map(|pair| Some((pair.key.to_lowercase(), pair.text(walk)?)))
        .collect()
}

/// What to do for a species without an equation; `named` is how the default is listed.
pub(super) fn read_fallback(walk: &mut Walk, map: &mut Section, named: &str) -> Fallback {
    if let Some(entry) = map.get(walk, "fallback") {
        entry.one_of(walk, &FALLBACKS).unwrap_or_default()
    } else {
        walk.default(format!(
            "{named}: a species without an equation or a substitute is an error"
        ));
        Fallback::None
    }
}

pub(super) fn read_merchantable(walk: &mut Walk, entry: &Entry) -> Option<Merchantable> {
    let mut map = Section::open(walk, entry, "`merchantable`")?;
    let stump = map.quantity(walk, "stump", Dimension::Length, &limits::STUMP);
    let inside = map.quantity(walk, "top_dib", Dimension::Diameter, &limits::TOP_DIAMETER);
    let outside = map.quantity(walk, "top_dob", Dimension::Diameter, &limits::TOP_DIAMETER);
    let min_dbh = map.quantity(walk, "min_dbh", Dimension::Diameter, &limits::DBH_LIMIT);
    let has_inside = map.has_quantity("top_dib", Dimension::Diameter);
    let has_outside = map.has_quantity("top_dob", Dimension::Diameter);
    if !map.has_quantity("stump", Dimension::Length) && !map.has("stump") {
        let hint = format!("write {}", unit_keys("stump", Dimension::Length));
        map.missing(walk, "stump height", &hint);
    }
    if !has_inside && !has_outside && !map.has("top_dib") && !map.has("top_dob") {
        let hint = "write `top_dib_cm` (inside bark) or `top_dob_cm` (outside bark), or the same \
                    with `_in`";
        map.missing(walk, "top diameter", hint);
    }
    if let (Some(_), Some(outside)) = (&inside, &outside) {
        outside.entry.key_error(
            walk,
            "quantity-twice",
            String::from("the top diameter is given inside and outside bark"),
            "keep one of the two",
        );
    }
    map.finish(walk);
    let top = inside.as_ref().or(outside.as_ref())?;
    Some(Merchantable {
        stump_m: stump?.value,
        top_diameter_cm: top.value,
        top_inside_bark: inside.is_some(),
        min_dbh_cm: min_dbh.map(|min| min.value),
    })
}
