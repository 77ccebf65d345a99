//! A named text and its line index: byte offsets become lines and columns.

use std::sync::Arc;

use crate::diagnostic::Site;

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
}
