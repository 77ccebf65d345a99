//! One record file: its head, and where the rows of each stand lie.

use std::io;
use std::path::Path;
use std::sync::Arc;

use super::runs::{Rows, RowsByStand, read_runs, size};
use super::scan::{Fault, Row, Scanner};
use crate::design::Input;
use crate::diagnostic::{Diagnostic, Problems, Severity, Site, counted};
use crate::read::bytes::{Bytes, CHUNK};
use crate::read::csv::Table;
use crate::read::shown;
use crate::read::source::Source;
use crate::read::xlsx::Wanted;

/// A file that was opened, and where its rows lie.
#[derive(Debug)]
pub(super) struct Sheet {
    input: Input,
    name: Arc<str>,
    bytes: Bytes,
    head: Head,
    rows: RowsByStand,
}

/// The head of a file.
#[derive(Debug, Default)]
struct Head {
    /// As it stands in the file, without byte-order mark.
    text: Vec<u8>,
    names: Vec<String>,
    delimiter: u8,
    /// Byte and line at which the rows begin.
    rows_from: (u64, usize),
}

/// Why a file cannot be divided.
#[derive(Debug)]
pub(super) enum Stop {
    /// It can be read as one.
    Whole,
    /// It cannot be read.
    Wrong(Problems),
}

impl Sheet {
    /// Opens a file; says why not.
    pub(super) fn open(input: &Input) -> Result<Self, Problems> {
        let shown = shown(input);
        let path = Path::new(&input.path);
        let bytes = Bytes::open_records(path, shown, Wanted::of(input))?.in_utf8();
        let bytes = bytes.map_err(|error| Source::unreadable(path, shown, &error))?;
        Ok(Sheet {
            input: input.clone(),
            name: Arc::from(shown),
            bytes: bytes.ok_or_else(|| Source::broken_wide(shown))?,
            head: Head::default(),
            rows: RowsByStand::default(),
        })
    }

    fn unreadable(&self, error: &io::Error) -> Problems {
        Source::unreadable(Path::new(&self.input.path), &self.name, error).into()
    }

    fn stopped(&self, fault: Fault) -> Stop {
        match fault {
            Fault::OldLineEnds => Stop::Whole,
            Fault::Unreadable(error) => Stop::Wrong(self.unreadable(&error)),
            Fault::OpenQuote { line } => {
                let source = Source::new(&self.name, String::new());
                let message = "a quote is opened in this row and never closed";
                let finding = Diagnostic::error("quote-not-closed", message)
                    .at(source.site(line, 1))
                    .hint("close it, or remove it: the rest of the file was read as one field");
                Stop::Wrong(finding.into())
            }
        }
    }

    /// Reads the head, by the rules of the reader.
    pub(super) fn read_head(&mut self) -> Result<(), Stop> {
        let stop = |error: io::Error| Stop::Wrong(self.unreadable(&error));
        let (text, mark) = self.beginning().map_err(stop)?;
        let text = Source::from_pieces(Arc::clone(&self.name), text, &[(0, 1)]);
        let text = text.map_err(|diagnostic| Stop::Wrong((*diagnostic).into()))?;
        let text = text.with_heads(self.bytes.heads());
        let mut problems = Problems::new();
        let Some(table) = Table::open(&text, &self.input.columns, &mut problems) else {
            return Err(Stop::Wrong(problems));
        };
        let (start, delimiter) = table.layout();
        let place = (mark + start as u64, text.line_of(start));
        let mut scanner = Scanner::new(&self.bytes, place, delimiter, 0);
        scanner.next().map_err(|fault| self.stopped(fault))?;
        let rows_from = scanner.place();
        let mut head = vec![0; size(rows_from.0 - mark).map_err(stop)?];
        self.bytes.read_exact_at(&mut head, mark).map_err(stop)?;
        self.head = Head {
            text: head,
            names: table.heads().to_vec(),
            delimiter,
            rows_from,
        };
        Ok(())
    }

    /// The text from the beginning to behind the head, and the length of the byte-order mark
    /// before it.
    fn beginning(&self) -> io::Result<(Vec<u8>, u64)> {
        const MARK: &[u8] = "\u{feff}".as_bytes();
        let mut text = vec![0; MARK.len()];
        let read = self.bytes.read_at(&mut text, 0)?;
        let mark = if text[..read] == *MARK { MARK.len() } else { 0 };
        text.clear();
        loop {
            let filled = text.len();
            text.resize(filled + CHUNK, 0);
            let read = self
                .bytes
                .read_at(&mut text[filled..], (mark + filled) as u64)?;
            text.truncate(filled + read);
            let valid = match std::str::from_utf8(&text) {
                Ok(_) => text.len(),
                Err(error) => error.valid_up_to(),
            };
            // Bytes behind the head are no business of the head.
            let is_there = text[..valid].trim_ascii_start().contains(&b'\n');
            if is_there {
                text.truncate(valid);
            }
            if is_there || read == 0 {
                return Ok((text, mark as u64));
            }
        }
    }

    /// Position of a column.
    pub(super) fn column(&self, name: &str) -> Option<usize> {
        self.head.names.iter().position(|head| head == name)
    }

    /// Reads all rows that are not blank, once. `owner` says to which stand a row belongs, if to
    /// any; fields up to `last_field` are there for it to look at.
    pub(super) fn sweep(
        &mut self,
        last_field: usize,
        mut owner: impl FnMut(&Row<'_>) -> Result<Option<usize>, Stop>,
    ) -> Result<(), Stop> {
        let (bytes, head) = (&self.bytes, &self.head);
        let mut scanner = Scanner::new(bytes, head.rows_from, head.delimiter, last_field);
        let mut rows = RowsByStand::default();
        let fault = loop {
            match scanner.next() {
                Ok(Some(row)) => {
                    let owner = owner(&row)?;
                    if owner.is_some() || !row.is_blank() {
                        rows.add(owner, &row);
                    }
                }
                Ok(None) => break None,
                Err(fault) => break Some(fault),
            }
        };
        rows.shrink();
        self.rows = rows;
        fault.map_or(Ok(()), |fault| Err(self.stopped(fault)))
    }

    /// The head and the rows of a stand.
    pub(super) fn of_stand(&self, stand: usize) -> Result<Source, Problems> {
        self.part(self.rows.of(stand))
    }

    /// The head and the first rows that belong to no stand.
    pub(super) fn strays(&self) -> Result<Source, Problems> {
        self.part(Some(&self.rows.strays))
    }

    /// Does the file have heads alone? Then where it is.
    pub(super) fn without_rows(&self) -> Option<Site> {
        let file = || Source::new(&self.name, String::new()).whole();
        self.rows.is_empty().then(file)
    }

    /// Tells how many rows of no stand [`Sheet::strays`] leaves out.
    pub(super) fn strays_left_out(&self, severity: Severity) -> Option<Diagnostic> {
        let left_out = self.rows.strays_left_out;
        let message = format!("{} more belong to no stand", counted(left_out, "row"));
        let finding = Diagnostic::new(severity, "rows-of-no-stand", message)
            .at(Source::new(&self.name, String::new()).whole())
            .hint("put right those that are told first");
        (left_out > 0).then_some(finding)
    }

    fn part(&self, rows: Option<&Rows>) -> Result<Source, Problems> {
        let unreadable = |error| self.unreadable(&error);
        if self.bytes.has_changed().map_err(unreadable)? {
            let message = "the file was changed while it was read";
            return Err(Diagnostic::error("file-changed", message)
                .at(Source::new(&self.name, String::new()).whole())
                .hint("begin again when nothing writes to it")
                .into());
        }
        let mut text = self.head.text.clone();
        let mut pieces = vec![(0, 1)];
        if let Some(rows) = rows {
            pieces.extend(read_runs(&self.bytes, &rows.runs, &mut text).map_err(unreadable)?);
        }
        let text = Source::from_pieces(Arc::clone(&self.name), text, &pieces);
        let text = text.map_err(|diagnostic| *diagnostic)?;
        Ok(text.with_heads(self.bytes.heads()))
    }

    /// The whole text.
    pub(super) fn whole(&self) -> Result<Source, Problems> {
        let bytes = self.bytes.read_all();
        let text = Source::from_bytes(&self.name, bytes.map_err(|error| self.unreadable(&error))?);
        let text = text.map_err(|diagnostic| *diagnostic)?;
        Ok(text.with_heads(self.bytes.heads()))
    }
}
