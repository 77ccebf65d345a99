//! The `instrument` of `heights`: how well heights were measured.

use super::walk::{Entry, Section, Walk};
use crate::design::{InstrumentError, LengthError, SightError};
use crate::read::limits::{self, Limits};
use crate::units::Dimension;

/// What is filled in when a key is not given: its stem, and the words.
const DEFAULTS: [(&str, &str); 4] = [
    ("angle_sd", "0.5 degrees in a sight"),
    ("distance_sd", "1 % of a distance"),
    ("hidden_top_sd", "25 % of a length out of sight"),
    ("height_sd", "not known for heights written down"),
];

/// Reads the `instrument` of a section of heights, filling in what is not said.
pub(super) fn read(walk: &mut Walk, heights: &mut Section) -> InstrumentError {
    let mut error = InstrumentError::default();
    let entry = heights.get(walk, "instrument");
    let Some(mut map) = entry.and_then(|entry| Section::open(walk, &entry, "`instrument`")) else {
        if !heights.has("instrument") {
            tell_defaults(walk, |_| false);
        }
        return error;
    };
    tell_defaults(walk, |stem| {
        let own = ["deg", "pct"].map(|unit| map.has(&format!("{stem}_{unit}")));
        own.contains(&true) || map.has_quantity(stem, Dimension::Length)
    });
    let degrees = number(walk, &mut map, "angle_sd_deg", &limits::SIGHT_SD_DEG);
    let percent = number(walk, &mut map, "angle_sd_pct", &limits::SIGHT_SD_PCT);
    match (&degrees, &percent) {
        (Some((_, first)), Some((_, entry))) => twice(walk, &first.key, entry),
        (Some((degrees, _)), None) => error.sight = SightError::Degrees(*degrees),
        (None, Some((points, _))) => error.sight = SightError::Percent(*points),
        (None, None) => {}
    }
    if let Some(distance) = length(walk, &mut map, "distance_sd") {
        error.distance = distance;
    }
    let hidden_top = number(
        walk,
        &mut map,
        "hidden_top_sd_pct",
        &limits::ESTIMATE_SD_PCT,
    );
    if let Some((percent, _)) = hidden_top {
        error.hidden_top_pct = percent;
    }
    error.height = length(walk, &mut map, "height_sd");
    map.finish(walk);
    error
}

/// One sentence on all that is filled in.
pub(super) fn tell_defaults(walk: &mut Walk, is_given: impl Fn(&str) -> bool) {
    let missing = DEFAULTS.iter().filter(|(stem, _)| !is_given(stem));
    let words: Vec<&str> = missing.map(|(_, words)| *words).collect();
    if !words.is_empty() {
        walk.default(format!(
            "instrument: standard errors are {}",
            words.join(", ")
        ));
    }
}

fn number<'n>(
    walk: &mut Walk,
    map: &mut Section<'n>,
    key: &str,
    limits: &Limits,
) -> Option<(f64, Entry<'n>)> {
    let entry = map.get(walk, key)?;
    Some((entry.number(walk, 1.0, limits)?, entry))
}

/// A standard error that is a length, or a share of what is measured.
fn length(walk: &mut Walk, map: &mut Section, stem: &str) -> Option<LengthError> {
    let metres = map.quantity(walk, stem, Dimension::Length, &limits::LENGTH_SD);
    let percent = number(walk, map, &format!("{stem}_pct"), &limits::LENGTH_SD_PCT);
    match (metres, percent) {
        (Some(metres), Some((_, entry))) => {
            twice(walk, &metres.entry.key, &entry);
            None
        }
        (Some(metres), None) => Some(LengthError::Metres(metres.value)),
        (None, Some((percent, _))) => Some(LengthError::Percent(percent)),
        (None, None) => None,
    }
}

fn twice(walk: &mut Walk, first: &str, entry: &Entry) {
    let message = format!(
        "the same error is given twice, as `{first}` and as `{}`",
        entry.key
    );
    entry.key_error(walk, "quantity-twice", message, "keep one of the two keys");
}
