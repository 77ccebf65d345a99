//! Do the trees behind a height curve span the sizes that it must serve?
//!
//! In: stands and their filled heights. Out: for each curve (of a species or of a pooled group) the
//! dbh range of the trees behind it, that of the trees filled from it, and how many of these lie
//! below or above. Trees outside the dbh limits of their selection are left aside.

use super::{HeightCurve, Level, StandHeights};
use crate::records::{CruiseSpeciesIndex, Stand};

/// Up to this share of the filled trees outside, a curve still spans nearly all of them.
/// Source: common practice, no source.
const NEARLY: f64 = 0.05;

/// A curve held against the trees that it serves.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// Whose heights the curve rests on.
    pub level: Level,
    /// Species filled from it.
    pub species: Vec<CruiseSpeciesIndex>,
    /// Smallest and largest dbh of the trees behind it.
    pub behind_cm: (f64, f64),
    /// Trees filled from it.
    pub filled: usize,
    /// Their smallest and largest dbh.
    pub filled_cm: (f64, f64),
    /// Those of them thinner than every tree behind the curve.
    pub below: usize,
    /// Those of them thicker than every tree behind the curve.
    pub above: usize,
}

/// How well the trees behind a curve span those filled from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// None lies outside.
    Spans,
    /// At most 5 % lie outside.
    Nearly,
    /// Some are thinner than the trees behind the curve.
    TooThick,
    /// Some are thicker.
    TooThin,
    /// Some are thinner and some thicker.
    TooNarrow,
}

impl Span {
    /// How well.
    pub fn verdict(&self) -> Verdict {
        let outside = (self.below + self.above) as f64;
        match (self.below, self.above) {
            (0, 0) => Verdict::Spans,
            _ if outside <= NEARLY * self.filled as f64 => Verdict::Nearly,
            (_, 0) => Verdict::TooThick,
            (0, _) => Verdict::TooThin,
            _ => Verdict::TooNarrow,
        }
    }
}

impl Verdict {
    /// Are all sizes spanned? In words.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Spans => "yes",
            Verdict::Nearly => "nearly",
            Verdict::TooThick => "not below",
            Verdict::TooThin => "not above",
            Verdict::TooNarrow => "neither",
        }
    }

    /// Should more heights be measured?
    pub fn is_wanting(self) -> bool {
        !matches!(self, Verdict::Spans | Verdict::Nearly)
    }
}

/// The fitted curves that fill trees of these stands, which share them.
pub fn spans(stands: &[(&Stand, &StandHeights)]) -> Vec<Span> {
    let Some((_, first)) = stands.first() else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for (index, used) in first.curves.iter().enumerate() {
        let HeightCurve::Fitted(fitted) = &used.curve else {
            continue;
        };
        let (least_cm, most_cm) = fitted.fit.dbh_range_cm;
        let mut species: Vec<CruiseSpeciesIndex> = Vec::new();
        let mut dbh_cm: Vec<f64> = Vec::new();
        for (stand, heights) in stands {
            for ((_, _, tree), height) in stand.trees().zip(&heights.trees) {
                if height.source.curve() == Some(index) && !tree.excluded {
                    species.push(tree.species);
                    dbh_cm.push(tree.dbh_cm);
                }
            }
        }
        species.sort_unstable();
        species.dedup();
        dbh_cm.sort_by(f64::total_cmp);
        if let (Some(thinnest), Some(thickest)) = (dbh_cm.first(), dbh_cm.last()) {
            found.push(Span {
                level: used.level,
                species,
                behind_cm: (least_cm, most_cm),
                filled: dbh_cm.len(),
                filled_cm: (*thinnest, *thickest),
                below: dbh_cm.iter().filter(|dbh| **dbh < least_cm).count(),
                above: dbh_cm.iter().filter(|dbh| **dbh > most_cm).count(),
            });
        }
    }
    found
}
