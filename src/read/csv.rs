//! CSV text to rows of typed fields with places.
//!
//! The only reader of CSV. Delimiter (comma, semicolon or tab) is taken from
//! the header line; a decimal comma is read where the delimiter allows it. The exact column of a
//! field is worked out only when there is something to say about it.

pub(crate) mod names;
mod number;
mod rows;
mod shape;

use std::cell::Cell;
use std::collections::BTreeMap;

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::read::source::Source;
use crate::units::Dimension;
use names::Names;
use number::Marks;
use rows::{Fields, Rows};
use shape::Shape;

/// Columns, as many as a sheet of a spreadsheet can have.
const MOST_COLUMNS: usize = 16_384;

/// A table that was read: header and rows, fields still text.
pub struct Table<'s> {
    source: &'s Source,
    /// Byte at which the header line begins.
    start: usize,
    delimiter: u8,
    /// Heads after renaming, trimmed and lower-cased, in the order of the file.
    heads: Vec<String>,
    /// Decimal marks met so far, by column.
    marks: Vec<Cell<Marks>>,
    /// Columns without a name.
    nameless: Vec<usize>,
    shape: Shape,
    names: Names,
    rows: Rows<'s>,
}

/// One row; also the room for the next.
#[derive(Debug, Default)]
pub struct Row {
    fields: Fields,
    byte: usize,
    line: usize,
}

/// Where a column stands and in which unit its numbers are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// Position in the row.
    pub index: usize,
    /// Factor to the unit in which the program holds the quantity.
    pub to_held: f64,
}

/// A column of sights or slopes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AngleColumn {
    /// Position in the row; numbers of a scale are held in percent.
    pub column: Column,
    /// Degrees rather than percent.
    pub is_degrees: bool,
}

/// A way to write a sight or slope: the suffix of the head, and the factor to percent, which
/// degrees have not.
pub(crate) struct AngleUnit {
    pub(crate) suffix: &'static str,
    to_pct: Option<f64>,
}

/// Percent, degrees, and the rise per 66 (feet in a chain: the topographic scale), 20 and 15.
///
/// Source: the definitions of the scales.
pub(crate) const ANGLE_UNITS: [AngleUnit; 5] = [
    AngleUnit::new("pct", Some(1.0)),
    AngleUnit::new("deg", None),
    AngleUnit::new("per_66", Some(100.0 / 66.0)),
    AngleUnit::new("per_20", Some(100.0 / 20.0)),
    AngleUnit::new("per_15", Some(100.0 / 15.0)),
];

impl AngleUnit {
    const fn new(suffix: &'static str, to_pct: Option<f64>) -> Self {
        AngleUnit { suffix, to_pct }
    }
}

/// What separates the fields, by the line of the heads.
pub(super) fn detect_delimiter(header: &str) -> u8 {
    let count = |c: char| {
        let mut quoted = false;
        header
            .chars()
            .filter(|x| {
                quoted ^= *x == '"';
                !quoted && *x == c
            })
            .count()
    };
    let (comma, semicolon, tab) = (count(','), count(';'), count('\t'));
    if tab > comma && tab > semicolon {
        b'\t'
    } else if semicolon > comma {
        b';'
    } else {
        b','
    }
}

impl<'s> Table<'s> {
    /// Reads the header. `renames` maps heads of the file to names of ours.
    pub fn open(
        source: &'s Source,
        renames: &[(String, String)],
        problems: &mut Problems,
    ) -> Option<Self> {
        let text = source.text();
        let blank = text.len() - text.trim_start().len();
        // Begin at the header line, not at its first letter: a line may begin with a tab.
        let start = text[..blank].rfind('\n').map_or(0, |end| end + 1);
        let header_line = text[start..].lines().next().unwrap_or("");
        if header_line.trim().is_empty() {
            problems.push(
                Diagnostic::error("empty-file", "the file is empty")
                    .at(source.whole())
                    .hint("the first line must name the columns"),
            );
            return None;
        }
        let delimiter = detect_delimiter(header_line);
        let mut rows = Rows::of(&text[start..], delimiter);
        let mut header = Fields::default();
        rows.read(&mut header);
        if header.len() > MOST_COLUMNS {
            let message = format!("the first line has {} fields", header.len());
            problems.push(
                Diagnostic::error("too-many-columns", message)
                    .at(source.site(source.line_of(start), 1))
                    .hint(format!(
                        "it names the columns, of which at most {MOST_COLUMNS} are read"
                    )),
            );
            return None;
        }
        let heads: Vec<String> = header.iter().map(|head| rename(head, renames)).collect();
        let table = Table {
            source,
            start,
            delimiter,
            marks: vec![Cell::default(); heads.len()],
            nameless: (0..heads.len())
                .filter(|index| heads[*index].is_empty())
                .collect(),
            shape: Shape::default(),
            names: Names::of(&heads),
            heads,
            rows,
        };
        table.check_heads(problems);
        Some(table)
    }

    fn check_heads(&self, problems: &mut Problems) {
        let mut seen = BTreeMap::new();
        for (index, head) in self.heads.iter().enumerate() {
            if head.is_empty() {
                continue;
            }
            if let Some(first) = seen.insert(head.as_str(), index) {
                problems.push(
                    Diagnostic::error(
                        "column-twice",
                        format!(
                            "two columns are named `{head}` (columns {} and {})",
                            first + 1,
                            index + 1
                        ),
                    )
                    .at(self.head_site(index))
                    .hint("rename or remove one of them"),
                );
            }
        }
    }

    /// The heads in the order of the file, renamed and lower-cased.
    pub fn heads(&self) -> &[String] {
        &self.heads
    }

    /// Byte at which the header line begins, and what separates the fields.
    pub(super) fn layout(&self) -> (usize, u8) {
        (self.start, self.delimiter)
    }

    /// The text that the table is read from.
    pub fn source(&self) -> &'s Source {
        self.source
    }

    /// Place of a head.
    pub fn head_site(&self, index: usize) -> Site {
        self.field_site(self.start, index)
    }

    /// A text column by its name.
    pub fn column(&self, name: &str) -> Option<Column> {
        let index = self.heads.iter().position(|head| head == name)?;
        Some(Column {
            index,
            to_held: 1.0,
        })
    }

    /// A quantity: the column `stem_unit` for any unit of the dimension. Two such columns at once
    /// are an error.
    pub fn quantity(
        &self,
        stem: &str,
        dimension: Dimension,
        problems: &mut Problems,
    ) -> Option<Column> {
        let mut found: Option<(Column, &str)> = None;
        for (index, head) in self.heads.iter().enumerate() {
            let Some(suffix) = head
                .strip_prefix(stem)
                .and_then(|rest| rest.strip_prefix('_'))
            else {
                continue;
            };
            let Some(unit) = dimension.unit(suffix) else {
                continue;
            };
            if let Some((_, first)) = found {
                problems.push(
                    Diagnostic::error(
                        "quantity-twice",
                        format!("`{stem}` is given twice, as `{first}` and as `{head}`"),
                    )
                    .at(self.head_site(index))
                    .hint("keep one of the two columns"),
                );
                return found.map(|(column, _)| column);
            }
            found = Some((
                Column {
                    index,
                    to_held: unit.to_held,
                },
                head,
            ));
        }
        found.map(|(column, _)| column)
    }

    /// Sights or slopes: the column `stem_unit` for any of `ANGLE_UNITS`. Two such columns at once
    /// are an error.
    pub fn angle(&self, stem: &str, problems: &mut Problems) -> Option<AngleColumn> {
        let mut found: Option<AngleColumn> = None;
        for (index, head) in self.heads.iter().enumerate() {
            let suffix = head
                .strip_prefix(stem)
                .and_then(|rest| rest.strip_prefix('_'));
            let unit = ANGLE_UNITS.iter().find(|unit| suffix == Some(unit.suffix));
            let Some(unit) = unit else { continue };
            if let Some(first) = found {
                let first = &self.heads[first.column.index];
                let message = format!("`{stem}` is given twice, as `{first}` and as `{head}`");
                problems.push(
                    Diagnostic::error("quantity-twice", message)
                        .at(self.head_site(index))
                        .hint("keep one of the two columns"),
                );
                break;
            }
            found = Some(AngleColumn {
                column: Column {
                    index,
                    to_held: unit.to_pct.unwrap_or(1.0),
                },
                is_degrees: unit.to_pct.is_none(),
            });
        }
        found
    }

    /// The next row that is not blank; `None` at the end.
    pub fn next_row(&mut self, problems: &mut Problems) -> Option<Row> {
        let mut row = Row::default();
        self.read_row(&mut row, problems).then_some(row)
    }

    /// Reads the next row that is not blank, in the place of another one; `false` at the end.
    pub fn read_row(&mut self, row: &mut Row, problems: &mut Problems) -> bool {
        let byte = loop {
            let Some(byte) = self.rows.read(&mut row.fields) else {
                return false;
            };
            if row.fields.iter().any(|field| !field.trim().is_empty()) {
                break byte;
            }
        };
        row.byte = self.skip_line_ends(self.start + byte);
        row.line = self.source.line_of(row.byte);
        self.look_at(row, problems);
        for (at, finding) in self.names.look_at(&row.fields, &self.heads) {
            problems.push(finding.at(self.field_site(row.byte, at)));
        }
        true
    }

    /// For how many rows to make room: one for each line, but blank lines are none.
    pub fn likely_rows(&self) -> usize {
        const SHORT_ROW_BYTES: usize = 16;
        let rest = &self.source.text().as_bytes()[self.start..];
        let lines = memchr::memchr_iter(b'\n', rest).count();
        lines.min(rest.len() / SHORT_ROW_BYTES + 1)
    }

    fn skip_line_ends(&self, byte: usize) -> usize {
        let rest = self.source.text().as_bytes().get(byte..).unwrap_or(&[]);
        byte + rest
            .iter()
            .take_while(|b| matches!(b, b'\n' | b'\r'))
            .count()
    }

    /// Byte of the nth field of the row that begins at `byte`, walking over quotes.
    fn field_site(&self, byte: usize, index: usize) -> Site {
        let bytes = self.source.text().as_bytes();
        let (mut at, mut field, mut quoted) = (byte, 0, false);
        while field < index && at < bytes.len() {
            match bytes[at] {
                b'"' => quoted = !quoted,
                b'\n' if !quoted => break,
                b if b == self.delimiter && !quoted => field += 1,
                _ => {}
            }
            at += 1;
        }
        self.source.site_of(at)
    }

    /// Place of a field of a row.
    pub fn site(&self, row: &Row, column: Column) -> Site {
        self.field_site(row.byte, column.index)
    }

    /// Place of a field of the row that begins at a byte of the text.
    pub fn site_in_row_at(&self, byte: usize, column: Option<Column>) -> Site {
        self.field_site(byte, column.map_or(0, |column| column.index))
    }

    /// Place of a row.
    pub fn row_site(&self, row: &Row) -> Site {
        self.source.site_of(row.byte)
    }
}

fn rename(head: &str, renames: &[(String, String)]) -> String {
    let head = head.trim().to_lowercase();
    renames
        .iter()
        .find(|(from, _)| from.trim().to_lowercase() == head)
        .map_or(head, |(_, to)| to.clone())
}

impl Row {
    /// The line of the row, from 1.
    pub fn line(&self) -> usize {
        self.line
    }

    /// The byte of the text at which the row begins.
    pub fn byte(&self) -> usize {
        self.byte
    }

    /// The trimmed text of a field; `None` if blank or if there is no such column.
    pub fn text(&self, column: Option<Column>) -> Option<&str> {
        let text = self.fields.get(column?.index)?;
        let is_plain = |byte: Option<&u8>| byte.is_some_and(u8::is_ascii_graphic);
        if is_plain(text.as_bytes().first()) && is_plain(text.as_bytes().last()) {
            return Some(text);
        }
        let text = text.trim();
        (!text.is_empty()).then_some(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, stem: &str) -> (Vec<Option<f64>>, Vec<String>) {
        let source = Source::new("t.csv", text.to_owned());
        let mut problems = Problems::new();
        let mut values = Vec::new();
        if let Some(mut table) = Table::open(&source, &[], &mut problems) {
            let column = table.quantity(stem, Dimension::Diameter, &mut problems);
            while let Some(row) = table.next_row(&mut problems) {
                values.push(table.number(&row, column, &mut problems));
            }
            table.finish(&mut problems);
        }
        (values, problems.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn delimiters_decimal_commas_and_units() {
        assert_eq!(read("plot,dbh_cm\n1,24.5\n", "dbh").0, [Some(24.5)]);
        assert_eq!(
            read("plot;dbh_cm\n1;24,5\n2;30\n", "dbh").0,
            [Some(24.5), Some(30.0)]
        );
        assert_eq!(
            read("\u{feff} \n\ndbh_in\tplot\n10\t1\n\n\t2\n", "dbh").0,
            [Some(25.4), None]
        );
    }

    #[test]
    fn a_bad_number_is_named_with_its_place() {
        let (values, problems) = read("plot,note,dbh_cm\n\n1,\"a,\"\"b\",\"24,5\"\n", "dbh");
        assert_eq!(values, [None]);
        assert_eq!(
            problems,
            [
                "t.csv:3:11: error: `dbh_cm` must be a number (`24,5`); write a decimal point: \
              this file separates its fields by commas [decimal-comma]"
            ]
        );
        for bad in ["NaN", "inf", "1e999", "12a", "--1", "1.2.3"] {
            assert_eq!(read(&format!("dbh_cm\n{bad}\n"), "dbh").1.len(), 1, "{bad}");
        }
    }

    #[test]
    fn decimal_marks_are_not_mixed() {
        let problems = read("p;dbh_cm\n1;24,5\n2;30.5\n3;1,5\n", "dbh").1;
        assert_eq!(
            problems,
            [
                "t.csv:3:3: error: `dbh_cm` mixes decimal marks: 1 with a point, 2 with a comma; \
              use one decimal mark in the whole column [mixed-decimal-marks]"
            ]
        );
    }

    #[test]
    fn a_quote_that_is_never_closed_is_said() {
        let problems = read("dbh_cm,note\n1,\"a\n2,b\n3,c\n", "dbh").1;
        assert_eq!(problems.len(), 1, "{problems:#?}");
        assert!(problems[0].starts_with("t.csv:2:3: error: a quote is opened"));
        assert!(read("dbh_cm,note\n1,\"a\nb\"\n", "dbh").1.is_empty());
    }

    #[test]
    fn columns_given_twice_and_rows_too_long() {
        let problems = read("dbh_cm,dbh_in,dbh_cm\n1,2,3,4\n", "dbh").1;
        assert_eq!(problems.len(), 3, "{problems:#?}");
        assert!(problems[0].starts_with("t.csv:1:15: error: two columns are named `dbh_cm`"));
        assert!(problems[1].starts_with("t.csv:1:8: error: `dbh` is given twice"));
        assert!(problems[2].starts_with("t.csv:2:7: error: this row has 4 fields"));
    }
}
