//! Typed fields: numbers with their units and limits, sights and slopes.

use super::{AngleColumn, Column, Row, Table};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::read::limits::Limits;

/// How often each decimal mark was met in a column, and in which row first (its byte).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Marks {
    points: usize,
    commas: usize,
    first_point: usize,
    first_comma: usize,
}

impl Table<'_> {
    /// A number in the unit of its column, converted; blank is `None`, anything else that is not
    /// a finite number is a problem (and `None`).
    pub fn number(
        &self,
        row: &Row,
        column: Option<Column>,
        problems: &mut Problems,
    ) -> Option<f64> {
        self.number_or(
            row,
            column,
            "leave it blank if it was not measured",
            problems,
        )
    }

    /// The same for a figure of a table of published knowledge.
    pub fn figure(
        &self,
        row: &Row,
        column: Option<Column>,
        problems: &mut Problems,
    ) -> Option<f64> {
        self.number_or(row, column, "write the figure as it is printed", problems)
    }

    fn number_or(
        &self,
        row: &Row,
        column: Option<Column>,
        hint_for_text: &'static str,
        problems: &mut Problems,
    ) -> Option<f64> {
        let column = column?;
        let text = row.text(Some(column))?;
        match parse_number(text, self.delimiter) {
            Ok(value) => {
                if self.delimiter != b',' {
                    self.count_mark(text, row, column);
                }
                Some(value * column.to_held)
            }
            Err((code, hint)) => {
                let hint = hint.unwrap_or(hint_for_text);
                let head = &self.heads[column.index];
                let message = format!("`{head}` must be a number ({})", seen(text));
                problems.push(
                    Diagnostic::error(code, message)
                        .at(self.site(row, column))
                        .hint(hint),
                );
                None
            }
        }
    }

    fn count_mark(&self, text: &str, row: &Row, column: Column) {
        let cell = &self.marks[column.index];
        let mut marks = cell.get();
        if text.contains(',') {
            if marks.commas == 0 {
                marks.first_comma = row.byte;
            }
            marks.commas += 1;
        } else if text.contains('.') {
            if marks.points == 0 {
                marks.first_point = row.byte;
            }
            marks.points += 1;
        }
        cell.set(marks);
    }

    /// A number that must be possible: within the limits, after conversion.
    pub(crate) fn number_within(
        &self,
        row: &Row,
        column: Option<Column>,
        limits: &Limits,
        problems: &mut Problems,
    ) -> Option<f64> {
        let held = self.number(row, column, problems)?;
        if limits.allow(held) {
            return Some(held);
        }
        self.refuse(row, column?, held, limits, problems);
        None
    }

    /// A whole number within the limits.
    pub(crate) fn whole_within(
        &self,
        row: &Row,
        column: Option<Column>,
        limits: &Limits,
        problems: &mut Problems,
    ) -> Option<f64> {
        let value = self.number_within(row, column, limits, problems)?;
        if value.fract() == 0.0 {
            return Some(value);
        }
        let column = column?;
        let head = &self.heads[column.index];
        problems.push(
            Diagnostic::error(
                "not-whole",
                format!("`{head}` must be a whole number (`{value}`)"),
            )
            .at(self.site(row, column))
            .hint(format!("it must be {limits}")),
        );
        None
    }

    /// A sight or slope as a ratio (tangent).
    pub(crate) fn ratio(
        &self,
        row: &Row,
        angle: Option<AngleColumn>,
        percent: &Limits,
        degrees: &Limits,
        problems: &mut Problems,
    ) -> Option<f64> {
        let angle = angle?;
        if angle.is_degrees {
            let value = self.number_within(row, Some(angle.column), degrees, problems)?;
            Some(value.to_radians().tan())
        } else {
            let value = self.number_within(row, Some(angle.column), percent, problems)?;
            Some(value / 100.0)
        }
    }

    fn refuse(
        &self,
        row: &Row,
        column: Column,
        held: f64,
        limits: &Limits,
        problems: &mut Problems,
    ) {
        let text = row.text(Some(column)).unwrap_or_default();
        let value = if (column.to_held - 1.0).abs() > f64::EPSILON {
            format!("{}, that is {held:.4} {}", seen(text), limits.unit())
        } else {
            seen(text)
        };
        let head = &self.heads[column.index];
        problems.push(
            Diagnostic::error(
                "out-of-range",
                format!("`{head}` is not possible ({value})"),
            )
            .at(self.site(row, column))
            .hint(format!("it must be {limits}")),
        );
    }

    /// Says at the end which columns mix decimal commas and decimal points: such numbers are
    /// never guessed.
    pub(super) fn check_decimal_marks(&self, problems: &mut Problems) {
        for (index, cell) in self.marks.iter().enumerate() {
            let marks = cell.get();
            if marks.points == 0 || marks.commas == 0 {
                continue;
            }
            let (few, few_name, many, many_name, byte) = if marks.commas < marks.points {
                (
                    marks.commas,
                    "comma",
                    marks.points,
                    "point",
                    marks.first_comma,
                )
            } else {
                (
                    marks.points,
                    "point",
                    marks.commas,
                    "comma",
                    marks.first_point,
                )
            };
            let message = format!(
                "`{}` mixes decimal marks: {few} with a {few_name}, {many} with a {many_name}",
                self.heads[index]
            );
            problems.push(
                Diagnostic::error("mixed-decimal-marks", message)
                    .at(self.field_site(byte, index))
                    .hint("use one decimal mark in the whole column"),
            );
        }
    }
}

/// A plain decimal number. A comma is a decimal mark only where it is not the delimiter.
fn parse_number(text: &str, delimiter: u8) -> Result<f64, (&'static str, Option<&'static str>)> {
    if let Some(value) = short_decimal(text) {
        return Ok(value);
    }
    let plain = |text: &str| {
        text.bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+' | b'e' | b'E'))
            && text.bytes().any(|b| b.is_ascii_digit())
    };
    let value = |text: &str| {
        plain(text)
            .then(|| text.parse::<f64>().ok())
            .flatten()
            .filter(|value| value.is_finite())
    };
    if let Some(value) = value(text) {
        return Ok(value);
    }
    if text.contains(',') && text.bytes().all(|b| !b.is_ascii_alphabetic()) {
        if delimiter == b',' {
            let hint = "write a decimal point: this file separates its fields by commas";
            return Err(("decimal-comma", Some(hint)));
        }
        if text.matches(',').count() > 1 || text.contains('.') {
            return Err((
                "not-a-number",
                Some("write it without thousands separators"),
            ));
        }
        if let Some(value) = value(&text.replace(',', ".")) {
            return Ok(value);
        }
    }
    Err(("not-a-number", None))
}

/// The usual number: at most 15 digits and a point. These and the power of ten are exact as f64,
/// so that the one division rounds as `str::parse` does.
fn short_decimal(text: &str) -> Option<f64> {
    const TENS: [f64; 16] = [
        1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
    ];
    let (sign, text) = match text.strip_prefix('-') {
        Some(rest) => (-1.0, rest),
        None => (1.0, text),
    };
    let (mut digits, mut count, mut before_point) = (0_u64, 0, None);
    for byte in text.bytes() {
        match byte {
            b'0'..=b'9' => {
                digits = digits.wrapping_mul(10).wrapping_add(u64::from(byte - b'0'));
                count += 1;
            }
            b'.' if before_point.is_none() => before_point = Some(count),
            _ => return None,
        }
    }
    let decimals = count - before_point.unwrap_or(count);
    (1..=15)
        .contains(&count)
        .then(|| sign * (digits as f64 / TENS[decimals]))
}

#[cfg(test)]
mod tests {
    use super::short_decimal;
    use proptest::prelude::*;

    #[test]
    fn what_is_no_short_decimal_is_left_to_the_long_way() {
        for text in [
            "",
            "-",
            ".",
            "-.",
            "+1",
            "1e3",
            "1.2.3",
            "24,5",
            "1234567890123456",
        ] {
            assert_eq!(short_decimal(text), None, "{text}");
        }
        assert_eq!(
            short_decimal("-0").map(f64::to_bits),
            Some((-0.0_f64).to_bits())
        );
    }

    proptest! {
        #[test]
        fn short_decimals_are_read_to_the_last_bit(text in "-?([0-9]{1,7}\\.?[0-9]{0,8}|\\.[0-9]{1,15})") {
            let parsed: f64 = text.parse().unwrap();
            prop_assert_eq!(short_decimal(&text).map(f64::to_bits), Some(parsed.to_bits()));
        }
    }
}
