//! The rows of a CSV file from its first byte to its last, without holding its text.
//!
//! A line without a quote is a row and its fields are found by its delimiters; a row with a quote
//! is left to the `csv` crate's own machine, so that both see the same rows.

use std::io;

use crate::read::bytes::{Bytes, CHUNK};

/// A longer row is no row: a quote was not closed.
const LONGEST_ROW: usize = 1 << 26;

/// Reads a file row by row.
pub(super) struct Scanner<'b> {
    bytes: &'b Bytes,
    delimiter: u8,
    /// Fields up to this one are wanted.
    last_field: usize,
    /// A part of the file, of which all before `at` is done with.
    buffer: Vec<u8>,
    at: usize,
    /// Place of the buffer in the file.
    offset: u64,
    /// Does the buffer reach to the end of the file?
    is_last: bool,
    /// Line of `at`.
    line: usize,
    quoted: csv_core::Reader,
    /// The fields of a row with quotes.
    unquoted: Vec<u8>,
    /// Where fields end.
    ends: Vec<usize>,
}

/// One row that is not an empty line.
pub(super) struct Row<'r> {
    /// Byte of the file at which it begins.
    pub(super) start: u64,
    /// Byte behind its line end.
    pub(super) end: u64,
    /// Its line, from 1.
    pub(super) line: usize,
    text: &'r [u8],
    ends: &'r [usize],
    /// What stands between the fields of `text`.
    delimiter: Option<u8>,
}

/// Why a file cannot be read row by row.
#[derive(Debug)]
pub(super) enum Fault {
    Unreadable(io::Error),
    /// Lines end in a carriage return alone.
    OldLineEnds,
    /// A quote swallows the rest of the file from the row of this line on.
    OpenQuote {
        line: usize,
    },
}

/// A row within the buffer, counted from `at`.
struct Found {
    /// Length with its line end.
    length: usize,
    /// Length without.
    bare: usize,
    is_quoted: bool,
}

enum Attempt {
    Row(Found),
    /// The row goes on behind the buffer.
    Longer,
    HasQuote,
    End,
}

impl<'b> Scanner<'b> {
    /// Begins at a place of the file that is the start of this line.
    pub(super) fn new(
        bytes: &'b Bytes,
        (offset, line): (u64, usize),
        delimiter: u8,
        last_field: usize,
    ) -> Self {
        Scanner {
            bytes,
            delimiter,
            last_field,
            buffer: Vec::new(),
            at: 0,
            offset,
            is_last: false,
            line,
            quoted: csv_core::ReaderBuilder::new().delimiter(delimiter).build(),
            unquoted: vec![0; 256],
            ends: Vec::new(),
        }
    }

    /// Where the next row will be looked for: byte and line.
    pub(super) fn place(&self) -> (u64, usize) {
        (self.offset + self.at as u64, self.line)
    }

    /// The next row; `None` at the end.
    pub(super) fn next(&mut self) -> Result<Option<Row<'_>>, Fault> {
        self.skip_line_ends()?;
        let found = loop {
            let mut attempt = self.plain()?;
            if let Attempt::HasQuote = attempt {
                attempt = self.with_quotes()?;
            }
            match attempt {
                Attempt::Row(found) => break found,
                Attempt::End => return Ok(None),
                Attempt::Longer | Attempt::HasQuote => self.fill()?,
            }
        };
        let (start, line) = self.place();
        let raw = &self.buffer[self.at..self.at + found.length];
        self.at += found.length;
        self.line += if found.is_quoted {
            memchr::memchr_iter(b'\n', raw).count()
        } else {
            usize::from(found.length > found.bare)
        };
        Ok(Some(Row {
            start,
            end: start + found.length as u64,
            line,
            text: if found.is_quoted {
                &self.unquoted[..self.ends.last().copied().unwrap_or(0)]
            } else {
                &raw[..found.bare]
            },
            ends: &self.ends,
            delimiter: (!found.is_quoted).then_some(self.delimiter),
        }))
    }

    /// Reads on behind the buffer, whose beginning is let go.
    fn fill(&mut self) -> Result<(), Fault> {
        self.buffer.drain(..self.at);
        self.offset += self.at as u64;
        self.at = 0;
        let filled = self.buffer.len();
        if filled > LONGEST_ROW {
            return Err(Fault::OpenQuote { line: self.line });
        }
        self.buffer.resize(filled + CHUNK.max(filled), 0);
        let at = self.offset + filled as u64;
        let read = self.bytes.read_at(&mut self.buffer[filled..], at);
        let read = read.map_err(Fault::Unreadable)?;
        self.buffer.truncate(filled + read);
        self.is_last = read == 0;
        Ok(())
    }

    fn skip_line_ends(&mut self) -> Result<(), Fault> {
        loop {
            match self.buffer[self.at..] {
                [b'\n', ..] => (self.at, self.line) = (self.at + 1, self.line + 1),
                [b'\r', b'\n', ..] => (self.at, self.line) = (self.at + 2, self.line + 1),
                [] | [b'\r'] if !self.is_last => self.fill()?,
                [b'\r', ..] => return Err(Fault::OldLineEnds),
                _ => return Ok(()),
            }
        }
    }

    /// A row without quotes; `ends` are those of the fields that are wanted.
    fn plain(&mut self) -> Result<Attempt, Fault> {
        let rest = &self.buffer[self.at..];
        self.ends.clear();
        let mut bare = None;
        let mut from = rest.len();
        for (at, byte) in rest.iter().enumerate() {
            match *byte {
                b'"' => return Ok(Attempt::HasQuote),
                b'\n' | b'\r' => {
                    self.ends.push(at);
                    bare = Some(at);
                    break;
                }
                byte if byte == self.delimiter => {
                    self.ends.push(at);
                    if self.ends.len() > self.last_field {
                        from = at;
                        break;
                    }
                }
                _ => {}
            }
        }
        let behind = || memchr::memchr3(b'\n', b'\r', b'"', &rest[from..]).map(|at| from + at);
        let Some(bare) = bare.or_else(behind) else {
            return Ok(if !self.is_last {
                Attempt::Longer
            } else if rest.is_empty() {
                Attempt::End
            } else {
                self.ends.push(rest.len());
                let length = rest.len();
                Attempt::Row(Found {
                    length,
                    bare: length,
                    is_quoted: false,
                })
            });
        };
        let length = match rest[bare..] {
            [b'"', ..] => return Ok(Attempt::HasQuote),
            [b'\r', b'\n', ..] => bare + 2,
            [b'\r'] if !self.is_last => return Ok(Attempt::Longer),
            [b'\r', ..] => return Err(Fault::OldLineEnds),
            _ => bare + 1,
        };
        Ok(Attempt::Row(Found {
            length,
            bare,
            is_quoted: false,
        }))
    }

    /// A row with quotes; `ends` are those of all fields, in `unquoted`.
    fn with_quotes(&mut self) -> Result<Attempt, Fault> {
        let rest = &self.buffer[self.at..];
        self.quoted.reset();
        self.ends.clear();
        self.ends.resize(64, 0);
        let (mut read, mut written, mut fields) = (0, 0, 0);
        let is_cut = loop {
            let input = &rest[read..];
            let (result, took, wrote, ended) = self.quoted.read_record(
                input,
                &mut self.unquoted[written..],
                &mut self.ends[fields..],
            );
            (read, written, fields) = (read + took, written + wrote, fields + ended);
            match result {
                csv_core::ReadRecordResult::InputEmpty if !self.is_last => {
                    return Ok(Attempt::Longer);
                }
                csv_core::ReadRecordResult::InputEmpty => {}
                csv_core::ReadRecordResult::OutputFull => self.unquoted.resize(2 * written + 1, 0),
                csv_core::ReadRecordResult::OutputEndsFull => self.ends.resize(2 * fields + 1, 0),
                csv_core::ReadRecordResult::Record | csv_core::ReadRecordResult::End => {
                    break input.is_empty();
                }
            }
        };
        self.ends.truncate(fields);
        let mut length = read;
        let raw = &rest[..read];
        if is_cut {
            let is_open = memchr::memchr_iter(b'"', raw).count() % 2 == 1;
            if is_open && self.unquoted[..written].contains(&b'\n') {
                return Err(Fault::OpenQuote { line: self.line });
            }
        } else if raw.last() == Some(&b'\r') {
            match rest[read..] {
                [b'\n', ..] => length += 1,
                [] if !self.is_last => return Ok(Attempt::Longer),
                _ => return Err(Fault::OldLineEnds),
            }
        }
        Ok(Attempt::Row(Found {
            length,
            bare: length,
            is_quoted: true,
        }))
    }
}

impl<'r> Row<'r> {
    /// The trimmed bytes of a field, one of those that were wanted; empty if there is none.
    pub(super) fn field(&self, index: usize) -> &'r [u8] {
        let start = match index.checked_sub(1) {
            None => Some(0),
            Some(before) => {
                let gap = usize::from(self.delimiter.is_some());
                self.ends.get(before).map(|end| end + gap)
            }
        };
        let range = start.zip(self.ends.get(index).copied());
        range.map_or(&[], |(start, end)| trimmed(&self.text[start..end]))
    }

    /// Is there nothing in any field?
    pub(super) fn is_blank(&self) -> bool {
        let is_nothing =
            |c: char| c.is_whitespace() || self.delimiter.is_some_and(|byte| c == char::from(byte));
        std::str::from_utf8(self.text).is_ok_and(|text| text.chars().all(is_nothing))
    }
}

/// Without white space at both ends, as text is trimmed.
fn trimmed(bytes: &[u8]) -> &[u8] {
    let is_plain = |byte: Option<&u8>| byte.is_none_or(u8::is_ascii_graphic);
    if is_plain(bytes.first()) && is_plain(bytes.last()) {
        return bytes;
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => text.trim().as_bytes(),
        Err(_) => bytes.trim_ascii(),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    /// Line, fields 0 and 2 of each row that is not blank.
    fn rows(text: &[u8], delimiter: u8) -> Result<Vec<(usize, String, String)>, Fault> {
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(&file, text).unwrap();
        let bytes = Bytes::open(file.path()).unwrap();
        let mut scanner = Scanner::new(&bytes, (0, 1), delimiter, 2);
        let mut rows = Vec::new();
        let words = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        while let Some(row) = scanner.next()? {
            let raw = &text[usize::try_from(row.start).unwrap()..usize::try_from(row.end).unwrap()];
            assert!(raw.ends_with(b"\n") || text.ends_with(raw), "{raw:?}");
            if !row.is_blank() {
                rows.push((row.line, words(row.field(0)), words(row.field(2))));
            }
        }
        Ok(rows)
    }

    fn row(line: usize, first: &str, third: &str) -> (usize, String, String) {
        (line, first.to_owned(), third.to_owned())
    }

    #[test]
    fn fields_are_those_of_the_reader() {
        let text = "a,b, c ,d\n\n , ,\r\n\"x\ny\",2,\"3,\"\"\",4\n5\n\u{a0}6,\"\",7\r\n8,,9";
        let wanted = [
            row(1, "a", "c"),
            row(4, "x\ny", "3,\""),
            row(6, "5", ""),
            row(7, "6", "7"),
            row(8, "8", "9"),
        ];
        assert_eq!(rows(text.as_bytes(), b',').unwrap(), wanted);
        let text = text.replace(',', "\t");
        let tabs = rows(text.as_bytes(), b'\t').unwrap();
        assert_eq!(tabs[1], row(4, "x\ny", "3\t\""));
        assert_eq!(tabs.len(), wanted.len());
    }

    #[test]
    fn rows_go_on_behind_the_chunk() {
        for (row_text, count) in [("a,b,c\r\n", 50_000), ("\"a\",\"b\n\",c\r\n", 40_000)] {
            let text = row_text.repeat(count);
            let found = rows(text.as_bytes(), b',').unwrap();
            assert_eq!(found.len(), count);
            let lines = row_text.matches('\n').count();
            for (index, found) in found.into_iter().enumerate() {
                assert_eq!(found, row(1 + lines * index, "a", "c"));
            }
        }
    }

    #[test]
    fn what_has_no_rows_is_told() {
        let fault = |text: &[u8]| rows(text, b',').unwrap_err();
        assert!(matches!(fault(b"a,b\rc,d\r"), Fault::OldLineEnds));
        assert!(matches!(fault(b"a,b\n\"c\"\rd\n"), Fault::OldLineEnds));
        assert!(matches!(
            fault(b"a,b\nc,\"d\ne,f\n"),
            Fault::OpenQuote { line: 2 }
        ));
        assert_eq!(rows(b"", b',').unwrap(), []);
        // An inch mark is no quote.
        assert_eq!(rows(b"5\" pipe,b,c\n", b',').unwrap()[0].1, "5\" pipe");
    }
}
