//! The height columns of a tree: a height, sights with what makes a height of them, the height of a
//! break.

use super::csv::{AngleColumn, Column, Row, Table};
use super::limits::{self, Limits};
use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::records::{HeightRecord, Reading, ReadingScale};
use crate::units::Dimension;

/// Where the height columns are.
pub(super) struct HeightColumns {
    pub(super) height: Option<Column>,
    pub(super) broken_height: Option<Column>,
    /// By [`Part`].
    sights: [Option<AngleColumn>; SIGHTS.len()],
    /// By [`Part`], after the sights.
    lengths: [Option<Column>; LENGTHS.len()],
    /// The parts of a reading that the file has, in their order.
    parts: Vec<(Part, Column)>,
}

/// What one row says of its height.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct HeightFields {
    /// A height as written.
    pub(super) written_m: Option<f64>,
    pub(super) broken_height_m: Option<f64>,
    /// A height of 0 was written: taken as missing.
    pub(super) is_zero: bool,
    /// The readings, complete, be there a height as well or not; seldom there, and large.
    pub(super) reading: Option<Box<Reading>>,
    /// The sight to the top, be the readings complete or not.
    pub(super) top_ratio: Option<f64>,
}

impl HeightFields {
    /// What the tree's height is taken from: the height as written comes before readings.
    pub(super) fn record(&self) -> HeightRecord {
        match (self.written_m, &self.reading) {
            (Some(height_m), _) => HeightRecord::Measured { height_m },
            (None, Some(reading)) => HeightRecord::Instrument(**reading),
            (None, None) => HeightRecord::Missing,
        }
    }

    /// Recorded or read height, m.
    pub(super) fn height_m(&self) -> Option<f64> {
        let read = || self.reading.as_ref().map(|reading| reading.height_m());
        self.written_m.or_else(read)
    }

    /// Is there neither a height nor a reading?
    pub(super) fn is_missing(&self) -> bool {
        self.written_m.is_none() && self.reading.is_none()
    }
}

/// A part of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    Top,
    Base,
    Tape,
    PoleTop,
    Distance,
    SlopeDistance,
    TopDistance,
    TopSlant,
    BaseSlant,
    Pole,
    HiddenTop,
    TopOffset,
}

use Part::{
    Base, BaseSlant, Distance, HiddenTop, Pole, PoleTop, SlopeDistance, Tape, Top, TopDistance,
    TopOffset, TopSlant,
};

/// Stems of the heads of sights, in the order of [`Part`].
const SIGHTS: [(Part, &str); 4] = [
    (Top, "top"),
    (Base, "base"),
    (Tape, "tape"),
    (PoleTop, "pole_top"),
];

/// Stems of the heads of lengths, in the order of [`Part`], and what these can be.
const LENGTHS: [(Part, &str, Limits); 8] = [
    (Distance, "distance", limits::BASELINE),
    (SlopeDistance, "slope_distance", limits::BASELINE),
    (TopDistance, "top_distance", limits::BASELINE),
    (TopSlant, "top_slant", limits::BASELINE),
    (BaseSlant, "base_slant", limits::BASELINE),
    (Pole, "pole", limits::POLE),
    (HiddenTop, "hidden_top", limits::HIDDEN_TOP),
    (TopOffset, "top_offset", limits::TOP_OFFSET),
];

/// Parts that come on top of any reading.
const EXTRAS: [Part; 2] = [HiddenTop, TopOffset];

impl Part {
    fn words(self) -> &'static str {
        match self {
            Top => "the sight to the top",
            Base => "the sight to the base",
            Tape => "the slope of the tape",
            PoleTop => "the sight to the top of the pole",
            Distance => "the distance",
            SlopeDistance => "the slope distance",
            TopDistance => "the distance to the point under the top",
            TopSlant => "the slant distance to the top",
            BaseSlant => "the slant distance to the base",
            Pole => "the length of the pole",
            HiddenTop => "the length out of sight",
            TopOffset => "the distance of the tip from the base",
        }
    }
}

/// A way to read a height.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Level,
    Slope,
    TwoLevel,
    Slant,
    Pole,
}

impl Way {
    /// The way that the parts at hand belong to.
    fn of(filled: impl Fn(Part) -> bool) -> Way {
        if filled(Pole) || filled(PoleTop) {
            Way::Pole
        } else if filled(TopSlant) || filled(BaseSlant) {
            Way::Slant
        } else if filled(TopDistance) {
            Way::TwoLevel
        } else if filled(SlopeDistance) || filled(Tape) {
            Way::Slope
        } else {
            Way::Level
        }
    }

    /// What it cannot do without.
    fn needs(self) -> &'static [Part] {
        match self {
            Way::Level => &[Top, Base, Distance],
            Way::Slope => &[Top, Base, SlopeDistance],
            Way::TwoLevel => &[Top, Base, Distance, TopDistance],
            Way::Slant => &[Top, Base, TopSlant, BaseSlant],
            Way::Pole => &[Top, Base, Pole, PoleTop],
        }
    }

    fn takes(self, part: Part) -> bool {
        self.needs().contains(&part) || EXTRAS.contains(&part) || (self, part) == (Way::Slope, Tape)
    }
}

/// The numbers of a row by [`Part`]; `None` where blank or wrong.
struct Values {
    sights: [Option<f64>; SIGHTS.len()],
    lengths: [Option<f64>; LENGTHS.len()],
}

impl Values {
    fn of(&self, part: Part) -> Option<f64> {
        let at = part as usize;
        let after = || self.lengths.get(at - SIGHTS.len()).copied().flatten();
        self.sights.get(at).copied().unwrap_or_else(after)
    }
}

impl HeightColumns {
    pub(super) fn of(table: &Table, problems: &mut Problems) -> Self {
        let mut columns = HeightColumns {
            height: table.quantity("height", Dimension::Length, problems),
            broken_height: table.quantity("broken_height", Dimension::Length, problems),
            sights: SIGHTS.map(|(_, stem)| table.angle(stem, problems)),
            lengths: LENGTHS.map(|(_, stem, _)| table.quantity(stem, Dimension::Length, problems)),
            parts: Vec::new(),
        };
        let parts = SIGHTS.iter().map(|(part, _)| *part);
        let parts = parts.chain(LENGTHS.iter().map(|(part, ..)| *part));
        columns.parts = parts
            .filter_map(|part| Some((part, columns.column(part)?)))
            .collect();
        columns
    }

    /// Column of the sight to the top.
    pub(super) fn top(&self) -> Option<Column> {
        self.column(Top)
    }

    fn column(&self, part: Part) -> Option<Column> {
        let at = part as usize;
        match self.sights.get(at) {
            Some(sight) => sight.map(|sight| sight.column),
            None => self.lengths.get(at - SIGHTS.len()).copied().flatten(),
        }
    }

    /// Has the row anything in a height column?
    pub(super) fn are_filled(&self, row: &Row) -> bool {
        let filled = |column| row.text(column).is_some();
        filled(self.height) || filled(self.broken_height) || self.filled(row).next().is_some()
    }

    /// The parts of a reading that the row has.
    fn filled<'r>(&'r self, row: &'r Row) -> impl Iterator<Item = Part> + 'r {
        let parts = self.parts.iter();
        let filled = parts.filter(|(_, column)| row.text(Some(*column)).is_some());
        filled.map(|(part, _)| *part)
    }

    /// Reads the height columns of a row.
    pub(super) fn read(&self, table: &Table, row: &Row, problems: &mut Problems) -> HeightFields {
        let height = table.number_within(row, self.height, &limits::HEIGHT, problems);
        let broken_height_m =
            table.number_within(row, self.broken_height, &limits::BROKEN_HEIGHT, problems);
        let mut fields = HeightFields {
            written_m: height.filter(|height| *height > 0.0),
            broken_height_m,
            is_zero: height.is_some_and(|height| height <= 0.0),
            ..HeightFields::default()
        };
        if self.parts.is_empty() {
            return fields;
        }
        let (percent, degrees) = (&limits::SIGHT_PCT, &limits::SIGHT_DEG);
        let values = Values {
            sights: self
                .sights
                .map(|angle| table.ratio(row, angle, percent, degrees, problems)),
            lengths: std::array::from_fn(|at| {
                let limits = &LENGTHS[at].2;
                table.number_within(row, self.lengths[at], limits, problems)
            }),
        };
        let has_height = fields.written_m.is_some();
        let reading = self.reading(table, row, &values, has_height, problems);
        fields.reading = reading.map(Box::new);
        fields.top_ratio = values.of(Top);
        fields
    }

    fn reading(
        &self,
        table: &Table,
        row: &Row,
        values: &Values,
        has_height: bool,
        problems: &mut Problems,
    ) -> Option<Reading> {
        let filled: Vec<Part> = self.filled(row).collect();
        let way = Way::of(|part| filled.contains(&part));
        if let Some(odd) = filled.iter().find(|part| !way.takes(**part)) {
            self.report_contradiction(table, row, *odd, way, problems);
            return None;
        }
        let needs = way.needs().iter().copied();
        let missing: Vec<Part> = needs.filter(|part| !filled.contains(part)).collect();
        if !missing.is_empty() {
            self.report_incomplete(table, row, &missing, (way, has_height), problems);
            return None;
        }
        let of = |part| values.of(part);
        let scale = match way {
            Way::Level => ReadingScale::Level {
                distance_m: of(Distance)?,
            },
            Way::Slope => ReadingScale::Slope {
                distance_m: of(SlopeDistance)?,
                // A slope of the tape that is wrong is no missing one.
                tape_ratio: if filled.contains(&Tape) {
                    Some(of(Tape)?)
                } else {
                    None
                },
            },
            Way::TwoLevel => ReadingScale::TwoLevel {
                base_m: of(Distance)?,
                top_m: of(TopDistance)?,
            },
            Way::Slant => ReadingScale::Slant {
                base_m: of(BaseSlant)?,
                top_m: of(TopSlant)?,
            },
            Way::Pole => ReadingScale::Pole {
                length_m: of(Pole)?,
                ratio: of(PoleTop)?,
            },
        };
        let reading = Reading {
            hidden_top_m: of(HiddenTop).unwrap_or(0.0),
            top_offset_m: of(TopOffset).unwrap_or(0.0),
            ..Reading::upright(of(Top)?, of(Base)?, scale)
        };
        let bad = |message: String, hint: &str| {
            let site = self.reading_site(table, row);
            Diagnostic::error("bad-reading", message)
                .at(site)
                .hint(hint)
        };
        if let ReadingScale::Pole { ratio, .. } = scale
            && ratio <= reading.base_ratio
        {
            let message = format!(
                "the top of the pole ({:.0} %) is not above the base ({:.0} %)",
                100.0 * ratio,
                100.0 * reading.base_ratio
            );
            let hint = "the pole stands upright at the base of the tree; below the horizon readings \
                        are negative";
            problems.push(bad(message, hint));
            return None;
        }
        let (sighted_m, height_m) = (reading.sighted_m(), reading.height_m());
        if sighted_m > 0.0 && limits::HEIGHT.allow(height_m) {
            return Some(reading);
        }
        let shown_m = if sighted_m > 0.0 { height_m } else { sighted_m };
        let message = format!("the readings give a height of {shown_m:.1} m");
        let hint = "the sight to the top must be above the sight to the base; below the horizon \
                    readings are negative";
        problems.push(bad(message, hint));
        None
    }

    fn reading_site(&self, table: &Table, row: &Row) -> Site {
        let column = self.filled(row).find_map(|part| self.column(part));
        column.map_or_else(|| table.row_site(row), |column| table.site(row, column))
    }

    /// Name of the column of a part that is there.
    fn head<'t>(&self, table: &'t Table, part: Part) -> &'t str {
        let head = self.column(part).map(|column| &table.heads()[column.index]);
        head.map_or("", String::as_str)
    }

    /// A part that does not belong to the way that the others speak of.
    fn report_contradiction(
        &self,
        table: &Table,
        row: &Row,
        odd: Part,
        way: Way,
        problems: &mut Problems,
    ) {
        if (odd, way) == (Distance, Way::Slope)
            && let Some(column) = self.column(SlopeDistance)
            && row.text(Some(column)).is_some()
        {
            let message = "both a horizontal and a slope distance are given";
            problems.push(
                Diagnostic::error("distance-twice", message)
                    .at(table.site(row, column))
                    .hint("keep the one that was taped"),
            );
            return;
        }
        let own = self
            .filled(row)
            .find(|part| way.takes(*part) && !EXTRAS.contains(part) && !Way::Level.takes(*part))
            .unwrap_or(Top);
        let message = format!(
            "`{}` does not go with `{}`",
            self.head(table, odd),
            self.head(table, own)
        );
        let hint = match way {
            Way::Level | Way::Slope => "the slope of a tape goes with a slope distance alone",
            Way::TwoLevel => {
                "both distances are horizontal, to the base and to the point under the top"
            }
            Way::Slant => "slant distances to top and base need no other distance",
            Way::Pole => "a pole at the tree needs no distance",
        };
        let site = self
            .column(odd)
            .map_or_else(|| table.row_site(row), |column| table.site(row, column));
        problems.push(
            Diagnostic::error("readings-contradict", message)
                .at(site)
                .hint(hint),
        );
    }

    /// Some but not all parts: says what is missing. Next to a height that is written down single
    /// sights are let pass, but not what would change a height that comes from readings.
    fn report_incomplete(
        &self,
        table: &Table,
        row: &Row,
        missing: &[Part],
        (way, has_height): (Way, bool),
        problems: &mut Problems,
    ) {
        if has_height {
            let Some(extra) = self.filled(row).find(|part| EXTRAS.contains(part)) else {
                return;
            };
            let message = format!(
                "`{}` comes on top of readings, but there is a height and no complete reading",
                self.head(table, extra)
            );
            let site = self
                .column(extra)
                .map_or_else(|| table.row_site(row), |column| table.site(row, column));
            problems.push(
                Diagnostic::error("incomplete-readings", message)
                    .at(site)
                    .hint("write the length of the whole stem as the height, or the readings"),
            );
            return;
        }
        if self.filled(row).next().is_none() {
            return;
        }
        let words: Vec<&str> = missing.iter().map(|part| part.words()).collect();
        let verb = if words.len() == 1 { "is" } else { "are" };
        let message = format!(
            "no height follows from these readings: {} {verb} missing",
            words.join(" and ")
        );
        let all = if way.needs().len() == 3 {
            "three"
        } else {
            "four"
        };
        problems.push(
            Diagnostic::error("incomplete-readings", message)
                .at(self.reading_site(table, row))
                .hint(format!("give all {all}, or a height, or leave all blank")),
        );
    }
}
