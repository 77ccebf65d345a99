//! A named text and its line index: byte offsets become lines and columns.

use std::io::Read as _;
use std::path::Path;
use std::sync::Arc;
use std::{fs, io};

use crate::diagnostic::{Diagnostic, Site};

/// A text that was read, under the name by which messages call it.
#[derive(Clone, Debug)]
pub struct Source {
    name: Arc<str>,
    text: String,
    line_starts: Vec<usize>,
}

impl Source {
    /// Indexes the lines of a text. A byte-order mark at the start is dropped.
    pub fn new(name: &str, mut text: String) -> Self {
        if text.starts_with('\u{feff}') {
            text.drain(..'\u{feff}'.len_utf8());
        }
        let mut line_starts = vec![0];
        line_starts.extend(
            text.bytes()
                .enumerate()
                .filter(|(_, b)| *b == b'\n')
                .map(|(i, _)| i + 1),
        );
        Source {
            name: Arc::from(name),
            text,
            line_starts,
        }
    }

    /// Reads a file, or standard input for the path `-`; `shown` names it in messages.
    pub fn open(path: &Path, shown: &str) -> Result<Self, Box<Diagnostic>> {
        let bytes = if path.as_os_str() == "-" {
            let mut bytes = Vec::new();
            io::stdin().lock().read_to_end(&mut bytes).map(|_| bytes)
        } else {
            fs::read(path)
        };
        match bytes {
            Ok(bytes) => Self::from_bytes(shown, bytes),
            Err(error) => {
                let site = Source::new(shown, String::new()).whole();
                let hint = match error.kind() {
                    io::ErrorKind::NotFound => format!("there is no file {}", path.display()),
                    _ => format!("look at {}", path.display()),
                };
                let message = format!("the file cannot be read: {error}");
                Err(Box::new(
                    Diagnostic::error("unreadable-file", message)
                        .at(site)
                        .hint(hint),
                ))
            }
        }
    }

    /// A text from bytes: UTF-8, or UTF-16 with a byte-order mark as old spreadsheets write it.
    pub fn from_bytes(name: &str, bytes: Vec<u8>) -> Result<Self, Box<Diagnostic>> {
        let units = |to_unit: fn([u8; 2]) -> u16| {
            let pairs = bytes[2..].chunks_exact(2);
            let units: Vec<u16> = pairs.map(|pair| to_unit([pair[0], pair[1]])).collect();
            String::from_utf16(&units).ok()
        };
        let wide = match bytes.get(..2) {
            Some([0xff, 0xfe]) => Some(units(u16::from_le_bytes)),
            Some([0xfe, 0xff]) => Some(units(u16::from_be_bytes)),
            _ => None,
        };
        if let Some(wide) = wide {
            return wide.map(|text| Source::new(name, text)).ok_or_else(|| {
                let site = Source::new(name, String::new()).whole();
                let diagnostic = Diagnostic::error("not-utf-8", "the text is broken UTF-16");
                Box::new(diagnostic.at(site).hint("save it as UTF-8"))
            });
        }
        match String::from_utf8(bytes) {
            Ok(text) => Ok(Source::new(name, text)),
            Err(error) => {
                let valid = error.utf8_error().valid_up_to();
                let text = String::from_utf8_lossy(&error.as_bytes()[..valid]).into_owned();
                let source = Source::new(name, text);
                let byte = error.as_bytes()[valid];
                let message = format!("the text is not UTF-8 (byte {byte:#04x})");
                Err(Box::new(
                    Diagnostic::error("not-utf-8", message)
                        .at(source.site_of(source.text().len()))
                        .hint("save it as UTF-8"),
                ))
            }
        }
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
        }
    }

    /// A line and column that are already known.
    pub fn site(&self, line: usize, column: usize) -> Site {
        Site {
            file: Arc::clone(&self.name),
            line,
            column,
        }
    }

    /// Line (from 1) of a byte offset.
    pub fn line_of(&self, byte: usize) -> usize {
        self.line_starts.partition_point(|start| *start <= byte)
    }

    /// Place of a byte offset; columns count characters.
    pub fn site_of(&self, byte: usize) -> Site {
        let byte = byte.min(self.text.len());
        let line = self.line_of(byte);
        let start = self.line_starts[line - 1];
        let column = self
            .text
            .get(start..byte)
            .map_or(byte - start, |s| s.chars().count())
            + 1;
        self.site(line, column)
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
    }
}
