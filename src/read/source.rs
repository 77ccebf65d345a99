//! A named text and its line index: byte offsets become lines and columns.

use std::io;
use std::path::Path;
use std::string::FromUtf8Error;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::bytes::Bytes;
use super::shown;
use super::xlsx::Wanted;
use super::yaml;
use crate::design::Input;
use crate::diagnostic::{Diagnostic, Heads, Problems, Site, in_lines};

/// Bytes that are read again to find places, some seconds' work.
const MOST_LOOKED_UP: usize = 20_000_000;

/// A text that was read, under the name by which messages call it; or parts of a text, which keep
/// the lines that they have in the whole.
#[derive(Clone, Debug)]
pub struct Source {
    name: Arc<str>,
    text: String,
    /// Bytes at which the lines of `text` begin.
    line_starts: Vec<usize>,
    /// Where the lines of `text` stand in the file.
    pieces: Vec<Piece>,
    /// The columns, where the file has rows and the text is CSV that was made of them.
    heads: Option<Heads>,
    /// Bytes that were read again to look up places.
    looked_up: Arc<AtomicUsize>,
}

/// Lines that follow each other in the file.
#[derive(Clone, Copy, Debug)]
struct Piece {
    /// Index of its first line in `line_starts`.
    index: usize,
    /// The line of the file, from 1, that this is.
    line: usize,
}

impl Source {
    /// Indexes the lines of a text. A byte-order mark at the start is dropped.
    pub fn new(name: &str, mut text: String) -> Self {
        if text.starts_with('\u{feff}') {
            text.drain(..'\u{feff}'.len_utf8());
        }
        Self::in_pieces(Arc::from(name), text, &[(0, 1)])
    }

    /// Indexes parts of a text, each given by the byte at which it begins and its line in the
    /// file. All begin at the start of a line, the first at byte 0.
    fn in_pieces(name: Arc<str>, text: String, pieces: &[(usize, usize)]) -> Self {
        let mut line_starts = vec![0];
        // Very old files end lines by `\r` alone.
        let is_old = !text.contains('\n');
        let line_end = if is_old { b'\r' } else { b'\n' };
        line_starts.extend(memchr::memchr_iter(line_end, text.as_bytes()).map(|end| end + 1));
        let index = |byte: usize| line_starts.partition_point(|start| *start < byte);
        let pieces = pieces
            .iter()
            .map(|&(byte, line)| Piece {
                index: index(byte),
                line,
            })
            .collect();
        Source {
            name,
            text,
            line_starts,
            pieces,
            heads: None,
            looked_up: Arc::default(),
        }
    }

    /// Notes that a place is looked up by reading the text again; `false` when that was done so
    /// often that findings take too long.
    pub(super) fn look_up(&self) -> bool {
        // The first of findings that are not told apart is looked up behind the end.
        let before = self
            .looked_up
            .fetch_add(self.text.len() + 1, Ordering::Relaxed);
        before < 2 * MOST_LOOKED_UP
    }

    /// Are places still looked up?
    pub(super) fn has_places(&self) -> bool {
        self.looked_up.load(Ordering::Relaxed) < MOST_LOOKED_UP
    }

    /// The same text as that of a file of rows with these columns, if there are any; a row is a
    /// line of CSV.
    #[must_use]
    pub fn with_heads(self, heads: Option<Heads>) -> Self {
        Source { heads, ..self }
    }

    /// Reads a file, or standard input for the path `-`; `shown` names it in messages. Of a table in
    /// a workbook or in Parquet the CSV is read that is made of it.
    pub fn open(path: &Path, shown: &str) -> Result<Self, Problems> {
        Self::open_wanted(path, shown, Wanted::default())
    }

    /// Reads a design, or the head of a table.
    pub fn open_yaml(path: &Path, shown: &str) -> Result<Self, Problems> {
        let bytes = Bytes::read_short(path, yaml::MOST_BYTES);
        let bytes = bytes.map_err(|error| Self::unreadable(path, shown, &error))?;
        let bytes = bytes.ok_or_else(|| yaml::too_large(shown))?;
        // Hidden characters are the reader's business.
        Self::decoded(shown, bytes).map_err(|finding| (*finding).into())
    }

    /// Reads a file of records.
    pub(crate) fn open_records(input: &Input) -> Result<Self, Problems> {
        Self::open_wanted(Path::new(&input.path), shown(input), Wanted::of(input))
    }

    fn open_wanted(path: &Path, shown: &str, wanted: Wanted<'_>) -> Result<Self, Problems> {
        let bytes = Bytes::open_records(path, shown, wanted)?;
        let text = bytes.read_all();
        let text = text.map_err(|error| Self::unreadable(path, shown, &error))?;
        let source = Self::from_bytes(shown, text).map_err(|finding| *finding)?;
        Ok(source.with_heads(bytes.heads()))
    }

    /// What is said of a file that cannot be read.
    pub(super) fn unreadable(path: &Path, shown: &str, error: &io::Error) -> Diagnostic {
        let hint = match error.kind() {
            io::ErrorKind::NotFound => format!("there is no file {}", path.display()),
            _ => format!("look at {}", path.display()),
        };
        let message = format!("the file cannot be read: {error}");
        Diagnostic::error("unreadable-file", message)
            .at(Source::new(shown, String::new()).whole())
            .hint(hint)
    }

    /// A text from bytes: UTF-8, or UTF-16 with a byte-order mark as old spreadsheets write it.
    pub fn from_bytes(name: &str, bytes: Vec<u8>) -> Result<Self, Box<Diagnostic>> {
        Self::decoded(name, bytes)?.without_nul()
    }

    fn decoded(name: &str, bytes: Vec<u8>) -> Result<Self, Box<Diagnostic>> {
        let Some(wide) = Wide::of(&bytes) else {
            let broken = |error| Box::new(Self::not_utf8(Arc::from(name), &error, &[(0, 1)]));
            let text = String::from_utf8(bytes).map_err(broken)?;
            return Ok(Source::new(name, text));
        };
        let units = bytes[2..].chunks_exact(2).map(|pair| wide.unit(pair));
        let text: Result<String, _> = char::decode_utf16(units).collect();
        let broken = |_| Box::new(Self::broken_wide(name));
        text.map(|text| Source::new(name, text)).map_err(broken)
    }

    /// No text has a NUL: UTF-16 without its mark is full of them, and so are workbooks.
    fn without_nul(self) -> Result<Self, Box<Diagnostic>> {
        match memchr::memchr(0, self.text.as_bytes()) {
            None => Ok(self),
            Some(byte) => Err(Box::new(
                Diagnostic::error("not-text", "there is a NUL character, which no text has")
                    .at(self.site_of(byte))
                    .hint("save it as text in UTF-8; is it UTF-16 without its mark, or no text at all?"),
            )),
        }
    }

    /// What is said of a text that is no UTF-16 for all its byte-order mark.
    pub(super) fn broken_wide(name: &str) -> Diagnostic {
        Diagnostic::error("not-utf-8", "the text is broken UTF-16")
            .at(Source::new(name, String::new()).whole())
            .hint("save it as UTF-8")
    }

    /// Parts of a text from their bytes, each given by the byte at which it begins and its line
    /// in the file. All begin at the start of a line, the first at byte 0.
    pub(super) fn from_pieces(
        name: Arc<str>,
        bytes: Vec<u8>,
        pieces: &[(usize, usize)],
    ) -> Result<Self, Box<Diagnostic>> {
        match String::from_utf8(bytes) {
            Ok(text) => Self::in_pieces(name, text, pieces).without_nul(),
            Err(error) => Err(Box::new(Self::not_utf8(name, &error, pieces))),
        }
    }

    fn not_utf8(name: Arc<str>, error: &FromUtf8Error, pieces: &[(usize, usize)]) -> Diagnostic {
        let valid = error.utf8_error().valid_up_to();
        let byte = error.as_bytes()[valid];
        let before = String::from_utf8_lossy(&error.as_bytes()[..valid]);
        // A byte-order mark takes no column.
        let before = before.trim_start_matches('\u{feff}').to_owned();
        let known = pieces.partition_point(|(start, _)| *start <= valid);
        let source = Self::in_pieces(name, before, &pieces[..known]);
        let message = format!("the text is not UTF-8 (byte {byte:#04x})");
        Diagnostic::error("not-utf-8", message)
            .at(source.site_of(source.text().len()))
            .hint("save it as UTF-8")
    }

    /// Where its lines come from: for each run of lines the index of its first line in the text,
    /// from 0, and the line of the file, from 1, that this is.
    pub fn runs(&self) -> Vec<(usize, usize)> {
        self.pieces.iter().map(|of| (of.index, of.line)).collect()
    }

    /// Name in messages.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The text, without byte-order mark.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The file as a whole.
    pub fn whole(&self) -> Site {
        Site {
            file: Arc::clone(&self.name),
            line: 0,
            column: 0,
            heads: self.heads.clone(),
        }
    }

    /// A line and column that are already known.
    pub fn site(&self, line: usize, column: usize) -> Site {
        Site {
            file: Arc::clone(&self.name),
            line,
            column,
            heads: self.heads.clone(),
        }
    }

    /// Line (from 1) of a byte offset.
    pub fn line_of(&self, byte: usize) -> usize {
        self.line_at(self.index_of(byte))
    }

    /// Index of the line of `text` in which a byte lies.
    fn index_of(&self, byte: usize) -> usize {
        self.line_starts.partition_point(|start| *start <= byte) - 1
    }

    fn line_at(&self, index: usize) -> usize {
        let after = self.pieces.partition_point(|piece| piece.index <= index);
        let piece = self.pieces[after - 1];
        piece.line + (index - piece.index)
    }

    /// What is known of it, where the file has rows.
    pub fn heads(&self) -> Option<Heads> {
        self.heads.clone()
    }

    /// Lines in words: `in line 7`, `in lines 7 and 9`; in a file of rows `in row 6`.
    pub fn in_lines(&self, lines: &[usize]) -> String {
        in_lines(lines, self.heads.as_deref())
    }

    /// Lines in words: `lines 7 to 9`; in a file of rows `rows 6 to 8`.
    pub fn from_to(&self, first: usize, last: usize) -> String {
        match &self.heads {
            Some(rows) => format!("rows {} to {}", rows.row(first), rows.row(last)),
            None => format!("lines {first} to {last}"),
        }
    }

    /// Place of a byte offset; columns count characters, those of a file of rows fields.
    pub fn site_of(&self, byte: usize) -> Site {
        let byte = byte.min(self.text.len());
        let index = self.index_of(byte);
        let start = self.line_starts[index];
        let before = self.text.get(start..byte).unwrap_or("");
        let column = match self.heads {
            Some(_) => fields_ended(before) + 1,
            None => before.chars().count() + 1,
        };
        self.site(self.line_at(index), column)
    }
}

/// Delimiters outside of quotes.
fn fields_ended(line: &str) -> usize {
    let mut quoted = false;
    let ends = line.bytes().filter(|byte| {
        quoted ^= *byte == b'"';
        *byte == b',' && !quoted
    });
    ends.count()
}

/// The order of the bytes of UTF-16, told by its byte-order mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wide {
    LittleEnd,
    BigEnd,
}

impl Wide {
    /// What the first bytes of a text say; `None` where it is not UTF-16.
    pub(super) fn of(bytes: &[u8]) -> Option<Self> {
        match bytes.get(..2)? {
            [0xff, 0xfe] => Some(Wide::LittleEnd),
            [0xfe, 0xff] => Some(Wide::BigEnd),
            _ => None,
        }
    }

    /// A unit of two bytes.
    pub(super) fn unit(self, pair: &[u8]) -> u16 {
        let pair = [pair[0], pair[1]];
        match self {
            Wide::LittleEnd => u16::from_le_bytes(pair),
            Wide::BigEnd => u16::from_be_bytes(pair),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters_from_one() {
        let source = Source::new("a.csv", "\u{feff}é,b\nx,y\n".to_owned());
        let site = |byte| source.site_of(byte).to_string();
        assert_eq!(site(0), "a.csv:1:1");
        assert_eq!(site(3), "a.csv:1:3");
        assert_eq!(site(5), "a.csv:2:1");
        assert_eq!(site(7), "a.csv:2:3");
        assert_eq!(site(999), "a.csv:3:1");
        assert_eq!(source.whole().to_string(), "a.csv");
    }

    #[test]
    fn pieces_keep_the_places_of_the_file() {
        let text = "a,b\nx,é,1\ny,2\nz,3\n".as_bytes().to_vec();
        let pieces = [(0, 1), (4, 7), (15, 30)];
        let source = Source::from_pieces(Arc::from("a.csv"), text.clone(), &pieces).unwrap();
        let site = |byte| source.site_of(byte).to_string();
        assert_eq!(site(2), "a.csv:1:3");
        assert_eq!(site(4), "a.csv:7:1");
        assert_eq!(site(9), "a.csv:7:5");
        assert_eq!(site(11), "a.csv:8:1");
        assert_eq!(site(17), "a.csv:30:3");
        assert_eq!(source.line_of(19), 31);
        let mut broken = text;
        broken[13] = 0xff;
        let error = Source::from_pieces(Arc::from("a.csv"), broken, &pieces).unwrap_err();
        assert!(error.to_string().starts_with("a.csv:8:3: error"), "{error}");
    }

    #[test]
    fn other_encodings_are_read_or_refused() {
        let text = |bytes: &[u8]| {
            Source::from_bytes("a.csv", bytes.to_vec())
                .map(|source| source.text().to_owned())
                .map_err(|diagnostic| diagnostic.to_string())
        };
        assert_eq!(text(b"\xff\xfea\0,\0"), Ok("a,".to_owned()));
        assert_eq!(text(b"\xfe\xff\0a\0,"), Ok("a,".to_owned()));
        assert_eq!(
            text(b"a\nb\xe9"),
            Err(
                "a.csv:2:2: error: the text is not UTF-8 (byte 0xe9); save it as UTF-8 \
                 [not-utf-8]"
                    .to_owned()
            )
        );
        assert!(text(b"\xff\xfe\x00\xd8").is_err());
        // UTF-16 without its mark, and a workbook under another name.
        for bytes in [&b"a\n\0b\0"[..], b"PK\x03\x04\x14\0\x06\0"] {
            assert!(text(bytes).unwrap_err().contains("NUL"), "{bytes:?}");
        }
    }
}
