//! CSV text to rows of typed fields with places.
//!
//! The only reader that uses the `csv` crate. Delimiter (comma, semicolon or tab) is taken from
//! the header line; a decimal comma is read where the delimiter allows it. The exact column of a
//! field is worked out only when there is something to say about it.

use std::collections::BTreeMap;

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::read::source::Source;
use crate::units::Dimension;

/// A table that was read: header and rows, fields still text.
pub struct Table<'s> {
    source: &'s Source,
    delimiter: u8,
    /// Heads after renaming, trimmed and lower-cased, in the order of the file.
    heads: Vec<String>,
    rows: csv::StringRecordsIntoIter<&'s [u8]>,
}

/// One row.
#[derive(Debug)]
pub struct Row {
    record: csv::StringRecord,
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

fn detect_delimiter(header: &str) -> u8 {
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
        let header_line = text
            .lines()
            .find(|line| !line.trim().is_empty())
            .unwrap_or("");
        if header_line.is_empty() {
            problems.push(
                Diagnostic::error("empty-file", "the file is empty")
                    .at(source.whole())
                    .hint("the first line must name the columns"),
            );
            return None;
        }
        let delimiter = detect_delimiter(header_line);
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .flexible(true)
            .has_headers(false)
            .from_reader(text.as_bytes());
        let mut header = csv::StringRecord::new();
        if let Err(error) = reader.read_record(&mut header) {
            problems.push(Diagnostic::error("csv", error.to_string()).at(source.whole()));
            return None;
        }
        let heads: Vec<String> = header.iter().map(|head| rename(head, renames)).collect();
        let table = Table {
            source,
            delimiter,
            heads,
            rows: reader.into_records(),
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

    /// The text that the table is read from.
    pub fn source(&self) -> &'s Source {
        self.source
    }

    /// Place of a head.
    pub fn head_site(&self, index: usize) -> Site {
        let start =
            self.source.text().len() - self.source.text().trim_start_matches(['\n', '\r']).len();
        self.field_site(start, index)
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

    /// The next row that is not blank; `None` at the end.
    pub fn next_row(&mut self, problems: &mut Problems) -> Option<Row> {
        loop {
            match self.rows.next()? {
                Ok(record) => {
                    if record.iter().all(|field| field.trim().is_empty()) {
                        continue;
                    }
                    let byte = record
                        .position()
                        .map_or(0, |p| usize::try_from(p.byte()).unwrap_or(0));
                    let byte = self.skip_line_ends(byte);
                    let row = Row {
                        record,
                        byte,
                        line: self.source.line_of(byte),
                    };
                    if row.record.len() > self.heads.len()
                        && row
                            .record
                            .iter()
                            .skip(self.heads.len())
                            .any(|f| !f.trim().is_empty())
                    {
                        problems.push(
                            Diagnostic::error(
                                "too-many-fields",
                                format!(
                                    "this row has {} fields, the header has {}",
                                    row.record.len(),
                                    self.heads.len()
                                ),
                            )
                            .at(self.field_site(row.byte, self.heads.len()))
                            .hint("is a delimiter inside a field that is not quoted?"),
                        );
                    }
                    return Some(row);
                }
                Err(error) => {
                    problems
                        .push(Diagnostic::error("csv", error.to_string()).at(self.source.whole()));
                    return None;
                }
            }
        }
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

    /// Place of a row.
    pub fn row_site(&self, row: &Row) -> Site {
        self.source.site_of(row.byte)
    }

    /// A number in the unit of its column, converted; blank is `None`, anything else that is not
    /// a finite number is a problem (and `None`).
    pub fn number(
        &self,
        row: &Row,
        column: Option<Column>,
        problems: &mut Problems,
    ) -> Option<f64> {
        let column = column?;
        let text = row.text(Some(column))?;
        match parse_number(text, self.delimiter) {
            Ok(value) => Some(value * column.to_held),
            Err(hint) => {
                problems.push(
                    Diagnostic::error(
                        "not-a-number",
                        format!("`{}` must be a number (`{text}`)", self.heads[column.index]),
                    )
                    .at(self.site(row, column))
                    .hint(hint),
                );
                None
            }
        }
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

    /// The trimmed text of a field; `None` if blank or if there is no such column.
    pub fn text(&self, column: Option<Column>) -> Option<&str> {
        let text = self.record.get(column?.index)?.trim();
        (!text.is_empty()).then_some(text)
    }
}

/// A plain decimal number. A comma is a decimal mark only where it is not the delimiter.
fn parse_number(text: &str, delimiter: u8) -> Result<f64, &'static str> {
    let plain = |text: &str| {
        text.bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+' | b'e' | b'E'))
            && text.bytes().any(|b| b.is_ascii_digit())
    };
    if text.contains(',') {
        if delimiter == b',' {
            return Err("write a decimal point: this file separates its fields by commas");
        }
        if text.matches(',').count() > 1 || text.contains('.') {
            return Err("write it without thousands separators");
        }
        let pointed = text.replace(',', ".");
        if plain(&pointed)
            && let Ok(value) = pointed.parse::<f64>()
            && value.is_finite()
        {
            return Ok(value);
        }
    } else if plain(text)
        && let Ok(value) = text.parse::<f64>()
        && value.is_finite()
    {
        return Ok(value);
    }
    Err("leave it blank if it was not measured")
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
        }
        (values, problems.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn delimiters_decimal_commas_and_units() {
        assert_eq!(read("plot,dbh_cm\n1,24.5\n", "dbh").0, [Some(24.5)]);
        assert_eq!(
            read("plot;dbh_cm\n1;24,5\n2;30.5\n", "dbh").0,
            [Some(24.5), Some(30.5)]
        );
        assert_eq!(
            read("\u{feff}dbh_in\tplot\n10\t1\n\n\t2\n", "dbh").0,
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
              this file separates its fields by commas [not-a-number]"
            ]
        );
        for bad in ["NaN", "inf", "1e999", "12a", "--1", "1.2.3"] {
            assert_eq!(read(&format!("dbh_cm\n{bad}\n"), "dbh").1.len(), 1, "{bad}");
        }
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
