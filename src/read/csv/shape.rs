//! Rows that are not as the head says: fields lost or too many, quotes out of place, values under
//! no head.

use super::{Row, Table};
use crate::diagnostic::{Diagnostic, Problems, Severity, counted, seen};

/// What was seen of the rows so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Shape {
    rows: usize,
    /// Rows with more or fewer fields than the head, and the lines of the first of them.
    uneven: usize,
    uneven_lines: Vec<usize>,
    first_uneven_byte: usize,
    /// Is there a value in a column without a name?
    has_nameless: bool,
}

/// Lines that are kept to be named.
const LINES_KEPT: usize = 6;

/// A row without species and dbh marks a plot without trees; its delimiters may be left out.
const FIELDS_OF_A_MARK: usize = 2;

impl Table<'_> {
    /// Looks at a row that was read.
    pub(super) fn look_at(&mut self, row: &Row, problems: &mut Problems) {
        let heads = self.heads.len();
        self.shape.rows += 1;
        if row.fields.len() != heads {
            self.look_at_uneven(row, problems);
        }
        if !self.nameless.is_empty() && !self.shape.has_nameless {
            self.look_at_nameless(row, problems);
        }
        let end = self.start + self.rows.read_so_far();
        let bytes = &self.source.text().as_bytes()[row.byte.min(end)..end];
        if memchr::memchr(b'"', bytes).is_some() {
            self.look_at_quotes(row, bytes, problems);
        }
    }

    fn look_at_uneven(&mut self, row: &Row, problems: &mut Problems) {
        let heads = self.heads.len();
        let is_filled = |field: &&str| !field.trim().is_empty();
        if row.fields.iter().skip(heads).any(|field| is_filled(&field)) {
            let message = format!(
                "this row has {} fields, the header has {heads}",
                row.fields.len(),
            );
            problems.push(
                Diagnostic::error("too-many-fields", message)
                    .at(self.field_site(row.byte, heads))
                    .hint("is a delimiter inside a field that is not quoted?"),
            );
        } else if self.source.heads().is_none()
            && row.fields.iter().filter(is_filled).count() > FIELDS_OF_A_MARK
        {
            // In a sheet blank cells at the end of a row are no fields.
            let shape = &mut self.shape;
            if shape.uneven == 0 {
                shape.first_uneven_byte = row.byte;
            }
            shape.uneven += 1;
            if shape.uneven_lines.len() < LINES_KEPT {
                shape.uneven_lines.push(row.line);
            }
        }
    }

    fn look_at_nameless(&mut self, row: &Row, problems: &mut Problems) {
        let filled = self.nameless.iter().find_map(|index| {
            let text = row.fields.get(*index)?.trim();
            (!text.is_empty()).then_some((*index, text))
        });
        if let Some((index, text)) = filled {
            self.shape.has_nameless = true;
            let message = format!(
                "column {} has no name and is ignored, but holds values ({} in line {})",
                index + 1,
                seen(text),
                row.line
            );
            problems.push(
                Diagnostic::warning("column-without-name", message)
                    .at(self.head_site(index))
                    .hint("name it, or remove it"),
            );
        }
    }

    /// A quote that is never closed swallows the rest of the file, one that is closed in another
    /// row the rows between; one inside a field is part of its text.
    fn look_at_quotes(&self, row: &Row, bytes: &[u8], problems: &mut Problems) {
        let (mut at, mut field, mut is_start) = (0, 0, true);
        while at < bytes.len() {
            let byte = bytes[at];
            if byte == b'"' && is_start {
                let Some(end) = quoted_end(bytes, at + 1) else {
                    let message = "a quote is opened in this row and never closed";
                    problems.push(
                        Diagnostic::error("quote-not-closed", message)
                            .at(self.source.site_of(row.byte + at))
                            .hint("close it, or remove it: the rest of the file was read as one field"),
                    );
                    return;
                };
                self.look_at_lines(row, &bytes[at..end], at, problems);
                at = end;
                let is_closed = matches!(bytes.get(at), None | Some(b'\n' | b'\r'))
                    || bytes.get(at) == Some(&self.delimiter);
                if !is_closed {
                    self.tell_stray(row.byte + at - 1, problems);
                    return;
                }
                is_start = false;
                continue;
            }
            is_start = byte == self.delimiter;
            field += usize::from(is_start);
            let is_text = self.heads.get(field).is_none_or(|head| head == "note");
            if byte == b'"' && !is_text {
                self.tell_stray(row.byte + at, problems);
                return;
            }
            at += 1;
        }
    }

    fn tell_stray(&self, byte: usize, problems: &mut Problems) {
        let message = "a quote in the middle of a field is taken as part of it";
        problems.push(
            Diagnostic::warning("stray-quote", message)
                .at(self.source.site_of(byte))
                .hint("remove it; a field in quotes begins and ends with one, and has them doubled inside"),
        );
    }

    /// A field in quotes may go over lines, as notes do; where whole rows fit into it, a quote is
    /// likely missing.
    fn look_at_lines(&self, row: &Row, quoted: &[u8], at: usize, problems: &mut Problems) {
        let mut lines = quoted.split(|byte| *byte == b'\n').skip(1);
        let delimiters = |line: &[u8]| memchr::memchr_iter(self.delimiter, line).count();
        let of_head = self.heads.len() - 1;
        if of_head > 0 && lines.any(|line| delimiters(line) >= of_head) {
            let last = self.source.line_of(row.byte + at + quoted.len() - 1);
            let message = format!(
                "one field in quotes goes over {}, in which whole rows seem to stand",
                self.source.from_to(row.line, last)
            );
            problems.push(
                Diagnostic::warning("rows-in-quotes", message)
                    .at(self.source.site_of(row.byte + at))
                    .hint("is a quote missing, or one too many? these lines were read as one row"),
            );
        }
    }

    /// Says what can be said when all rows were read.
    pub fn finish(&self, problems: &mut Problems) {
        self.check_decimal_marks(problems);
        let shape = &self.shape;
        if shape.uneven == 0 {
            return;
        }
        // Where most rows are so, blank fields at the end were left out.
        let severity = if 2 * shape.uneven < shape.rows.max(3) {
            Severity::Warning
        } else {
            Severity::Note
        };
        let message = format!(
            "{} more or fewer fields than the header ({}), {}",
            match shape.uneven {
                1 => "a row has".to_owned(),
                many => format!("{} have", counted(many, "row")),
            },
            self.heads.len(),
            self.source.in_lines(&shape.uneven_lines)
        );
        problems.push(
            Diagnostic::new(severity, "uneven-rows", message)
                .at(self.field_site(shape.first_uneven_byte, 0))
                .hint(
                    "is a field lost, or a delimiter too many? values may stand under other heads",
                ),
        );
    }
}

/// Behind the quote that closes a field, in which quotes are doubled.
fn quoted_end(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from;
    loop {
        at += memchr::memchr(b'"', &bytes[at..])? + 1;
        if bytes.get(at) != Some(&b'"') {
            return Some(at);
        }
        at += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::source::Source;

    fn findings(text: &str) -> Vec<String> {
        let source = Source::new("t.csv", text.to_owned());
        let mut problems = Problems::new();
        let mut table = Table::open(&source, &[], &mut problems).unwrap();
        while table.next_row(&mut problems).is_some() {}
        table.finish(&mut problems);
        let text = |found: &Diagnostic| found.to_string().split(';').next().unwrap().to_owned();
        problems.iter().map(text).collect()
    }

    #[test]
    fn rows_that_lost_a_field_or_got_one_too_many_are_told() {
        let one = "a,b,c,d\n1,2,3,4\n1,2,3\n1,2,3,4\n";
        assert_eq!(
            findings(one),
            ["t.csv:3:1: warning: a row has more or fewer fields than the header (4), in line 3"]
        );
        // Bare decimal commas: `9,3` for 9.3, the blank field behind it falls off the end.
        let two = "a,b,c,d\n1,2,9,3,\n1,2,3,\n1,2,,\n1,2,,\n1,8,9,\n";
        assert_eq!(findings(two).len(), 1, "{:?}", findings(two));
        // Blank fields left out at the end of most rows.
        let most = "a,b,c,d\n1,2,3\n1,2,3\n1,2,3,4\n";
        assert!(
            findings(most)[0].contains("note: 2 rows have"),
            "{:?}",
            findings(most)
        );
        // A plot without trees.
        assert!(findings("plot,b,c,d\n7\n1,2,3,4\n").is_empty());
    }

    #[test]
    fn quotes_out_of_place_are_told() {
        for (text, place) in [
            ("a,b\n4\"4,1\n", "t.csv:2:2: warning: a quote in the middle"),
            (
                "a,b\n\"4\"4,1\n",
                "t.csv:2:3: warning: a quote in the middle",
            ),
            (
                "a,b\n1, \"x\"\n",
                "t.csv:2:4: warning: a quote in the middle",
            ),
            ("a,b\n\n1,\"x\n", "t.csv:3:3: error: a quote is opened"),
            (
                "a,b,c\n1,2,\"3\n1,2,3\n1,2,3\"\n",
                "t.csv:2:5: warning: one field in quotes goes",
            ),
        ] {
            let found = findings(text);
            assert!(
                found.len() == 1 && found[0].starts_with(place),
                "{text:?}: {found:?}"
            );
        }
        for sound in [
            "a,b\n\"4\",\"say \"\"x\"\"\"\n",
            "a,note\n1,\"two\nlines\"\n",
            "a,note\n1,5\" pipe\n",
            "a,b\r\n\"1\",\"\"\r\n",
        ] {
            assert!(
                findings(sound).is_empty(),
                "{sound:?}: {:?}",
                findings(sound)
            );
        }
    }

    #[test]
    fn values_under_no_head_are_told_once() {
        let found = findings("a,,b\n1,,2\n1,7,2\n1,8,2\n");
        assert_eq!(
            found,
            [
                "t.csv:1:3: warning: column 2 has no name and is ignored, but holds values (`7` in line 3)"
            ]
        );
        assert!(findings("a,b,,\n1,2,,\n").is_empty());
    }
}
