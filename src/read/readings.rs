//! The height columns of a tree: a height, two readings over a distance, the height of a break.

use super::csv::{AngleColumn, Column, Row, Table};
use super::limits;
use crate::diagnostic::{Diagnostic, Problems};
use crate::records::{HeightRecord, Reading};
use crate::units::Dimension;

/// Where the height columns are.
pub(super) struct HeightColumns {
    pub(super) height: Option<Column>,
    pub(super) broken_height: Option<Column>,
    pub(super) top: Option<AngleColumn>,
    base: Option<AngleColumn>,
    tape: Option<AngleColumn>,
    distance: Option<Column>,
    slope_distance: Option<Column>,
}

/// What one row says of its height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct HeightFields {
    pub(super) record: HeightRecord,
    pub(super) broken_height_m: Option<f64>,
    /// A height of 0 was written: taken as missing.
    pub(super) is_zero: bool,
    /// The readings, complete, be there a height as well or not.
    pub(super) reading: Option<Reading>,
    /// The sight to the top, be the readings complete or not.
    pub(super) top_ratio: Option<f64>,
}

impl HeightColumns {
    pub(super) fn of(table: &Table, problems: &mut Problems) -> Self {
        HeightColumns {
            height: table.quantity("height", Dimension::Length, problems),
            broken_height: table.quantity("broken_height", Dimension::Length, problems),
            top: table.angle("top", problems),
            base: table.angle("base", problems),
            tape: table.angle("tape", problems),
            distance: table.quantity("distance", Dimension::Length, problems),
            slope_distance: table.quantity("slope_distance", Dimension::Length, problems),
        }
    }

    /// Has the row anything in a height column?
    pub(super) fn are_filled(&self, row: &Row) -> bool {
        let angles = [self.top, self.base].map(|angle| angle.map(|angle| angle.column));
        [
            self.height,
            self.broken_height,
            self.distance,
            self.slope_distance,
        ]
        .into_iter()
        .chain(angles)
        .any(|column| row.text(column).is_some())
    }

    /// Reads the height columns of a row.
    pub(super) fn read(&self, table: &Table, row: &Row, problems: &mut Problems) -> HeightFields {
        let height = table.number_within(row, self.height, &limits::HEIGHT, problems);
        let broken_height_m =
            table.number_within(row, self.broken_height, &limits::BROKEN_HEIGHT, problems);
        let findings_before = problems.len();
        let mut ratio =
            |angle| table.ratio(row, angle, &limits::SIGHT_PCT, &limits::SIGHT_DEG, problems);
        let (top, base, tape) = (ratio(self.top), ratio(self.base), ratio(self.tape));
        let level = table.number_within(row, self.distance, &limits::BASELINE, problems);
        let sloping = table.number_within(row, self.slope_distance, &limits::BASELINE, problems);
        let is_zero = height.is_some_and(|height| height <= 0.0);
        let height = height.filter(|height| *height > 0.0);
        let readings_are_clean = problems.len() == findings_before;
        let reading = self.reading(table, row, [top, base, tape], [level, sloping], problems);
        if reading.is_none() && height.is_none() && readings_are_clean {
            self.report_incomplete(table, row, problems);
        }
        let record = match (height, reading) {
            (Some(height_m), _) => HeightRecord::Measured { height_m },
            (None, Some(reading)) => HeightRecord::Instrument(reading),
            (None, None) => HeightRecord::Missing,
        };
        HeightFields {
            record,
            broken_height_m,
            is_zero,
            reading,
            top_ratio: top,
        }
    }

    fn reading(
        &self,
        table: &Table,
        row: &Row,
        [top, base, tape]: [Option<f64>; 3],
        [level, sloping]: [Option<f64>; 2],
        problems: &mut Problems,
    ) -> Option<Reading> {
        if let (Some(_), Some(_), Some(column)) = (level, sloping, self.slope_distance) {
            let message = "both a horizontal and a slope distance are given";
            problems.push(
                Diagnostic::error("distance-twice", message)
                    .at(table.site(row, column))
                    .hint("keep the one that was taped"),
            );
        }
        let (top_ratio, base_ratio) = (top?, base?);
        let reading = match (level, sloping) {
            (Some(distance_m), _) => Reading {
                top_ratio,
                base_ratio,
                distance_m,
                tape_ratio: 0.0,
            },
            (None, Some(distance_m)) => Reading {
                top_ratio,
                base_ratio,
                distance_m,
                tape_ratio: tape.unwrap_or(base_ratio),
            },
            (None, None) => return None,
        };
        let height_m = reading.height_m();
        if height_m > 0.0 && limits::HEIGHT.allow(height_m) {
            return Some(reading);
        }
        let message = format!("the readings give a height of {height_m:.1} m");
        let hint = "the sight to the top must be above the sight to the base; below the horizon \
                    readings are negative";
        problems.push(
            Diagnostic::error("bad-reading", message)
                .at(self.reading_site(table, row))
                .hint(hint),
        );
        None
    }

    fn reading_site(&self, table: &Table, row: &Row) -> crate::diagnostic::Site {
        let columns = [
            self.top.map(|top| top.column),
            self.base.map(|base| base.column),
            self.distance,
            self.slope_distance,
        ];
        let filled = columns
            .into_iter()
            .flatten()
            .find(|column| row.text(Some(*column)).is_some());
        filled.map_or_else(|| table.row_site(row), |column| table.site(row, column))
    }

    /// Some but not all of top, base and distance: says what is missing.
    fn report_incomplete(&self, table: &Table, row: &Row, problems: &mut Problems) {
        let filled = |column: Option<Column>| row.text(column).is_some();
        let top = filled(self.top.map(|angle| angle.column));
        let base = filled(self.base.map(|angle| angle.column));
        let distance = filled(self.distance) || filled(self.slope_distance);
        let mut missing = Vec::new();
        if !top {
            missing.push("the sight to the top");
        }
        if !base {
            missing.push("the sight to the base");
        }
        if !distance {
            missing.push("the distance");
        }
        if missing.is_empty() || missing.len() == 3 {
            return;
        }
        let message = format!("no height follows from these readings: {} missing", {
            let verb = if missing.len() == 1 { "is" } else { "are" };
            format!("{} {verb}", missing.join(" and "))
        });
        problems.push(
            Diagnostic::error("incomplete-readings", message)
                .at(self.reading_site(table, row))
                .hint("give all three, or a height, or leave all blank"),
        );
    }
}
