//! Diagnostics are data with a place; drawing them is a separate step.
//!
//! In: what a reader or a check found. Out: one line each,
//! `file:line:column: severity: what is wrong (the value seen); what would be right`.

use std::fmt;
use std::sync::Arc;

mod problems;
mod rows;
mod words;

pub use problems::Problems;
pub use rows::{Rows, place_in_rows, row};
pub use words::{guarded, is_hidden, runs_as_formula, unguarded, visible};

/// How serious a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Nothing is compiled until it is put right.
    Error,
    /// Compiled as recorded, but probably a slip.
    Warning,
    /// Normal; said so that nothing happens in silence.
    Note,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Severity::Error => "error",
            Severity::Warning => "warning",
            Severity::Note => "note",
        })
    }
}

/// What is known of a file that has rows rather than lines of text.
pub type Heads = Arc<Rows>;

/// A place in an input: file as the user named it, line and column counted from 1.
/// Line 0 means the file as a whole.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Site {
    /// The file as named by the user.
    pub file: Arc<str>,
    /// Where the file has rows (Parquet, a sheet of a workbook): its columns, which are counted in
    /// place of characters. In Parquet their names are line 1, and the first row is line 2; in a
    /// sheet a line is a row.
    pub heads: Option<Heads>,
    /// Line, from 1; 0 for the whole file.
    pub line: usize,
    /// Column in characters, from 1; 0 for the whole line.
    pub column: usize,
}

impl Site {
    /// A file as a whole.
    pub fn whole(file: &str) -> Self {
        Site {
            file: Arc::from(file),
            line: 0,
            column: 0,
            heads: None,
        }
    }

    /// In a file of rows: the name of the column, empty for a whole row.
    pub fn head(&self) -> Option<&str> {
        let heads = self.heads.as_ref()?;
        let head = self.column.checked_sub(1);
        let head = head.and_then(|at| heads.columns.get(at));
        Some(head.map_or("", String::as_str))
    }

    /// The sheet, in a workbook.
    pub fn sheet(&self) -> Option<&str> {
        self.heads.as_ref()?.sheet.as_deref()
    }

    /// The line of a text, the row of a file of rows; 0 for the file as a whole.
    pub fn line_or_row(&self) -> usize {
        match &self.heads {
            Some(heads) => heads.row(self.line),
            None => self.line,
        }
    }

    /// The file, and the sheet in a workbook: `records.xlsx: sheet trees`.
    pub fn file_and_sheet(&self) -> String {
        let place = place_in_rows(0, 0, "", self.sheet());
        format!("{}{place}", self.file)
    }
}

impl fmt::Display for Site {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&visible(&self.file))?;
        if let Some(head) = self.head() {
            let place = place_in_rows(self.line, self.column, head, self.sheet());
            return f.write_str(&visible(&place));
        }
        if self.line == 0 {
            return Ok(());
        }
        write!(f, ":{}", self.line)?;
        match self.column {
            0 => Ok(()),
            column => write!(f, ":{column}"),
        }
    }
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    /// How serious.
    pub severity: Severity,
    /// Short stable name, `dbh-out-of-range` for example; used in tests and documents.
    pub code: &'static str,
    /// Where, if it has a place.
    pub site: Option<Site>,
    /// What is wrong, with the value seen; lower case, no full stop.
    pub message: String,
    /// What would be right, if that can be said.
    pub hint: Option<String>,
    /// 0 as a rule. Otherwise it stands for so many of its kind that are not told apart.
    pub more: usize,
}

impl Diagnostic {
    /// A finding without place or hint.
    pub fn new(severity: Severity, code: &'static str, message: impl Into<String>) -> Self {
        Diagnostic {
            severity,
            code,
            site: None,
            message: message.into(),
            hint: None,
            more: 0,
        }
    }

    /// An error.
    pub fn error(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(Severity::Error, code, message)
    }

    /// A warning.
    pub fn warning(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(Severity::Warning, code, message)
    }

    /// A note.
    pub fn note(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(Severity::Note, code, message)
    }

    /// The same finding at a place.
    #[must_use]
    pub fn at(mut self, site: Site) -> Self {
        self.site = Some(site);
        self
    }

    /// The same finding with what would be right.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(site) = &self.site {
            write!(f, "{site}: ")?;
        }
        write!(f, "{}: {}", self.severity, visible(&self.message))?;
        if let Some(hint) = &self.hint {
            write!(f, "; {}", visible(hint))?;
        }
        write!(f, " [{}]", self.code)
    }
}

/// A value as it was seen, fit to stand in a message: in backticks, control characters escaped,
/// cut after 40 characters.
pub fn seen(text: &str) -> String {
    const LONGEST: usize = 40;
    let mut shown = String::from("`");
    for (count, c) in text.chars().enumerate() {
        if count == LONGEST {
            shown.push('…');
            break;
        }
        if is_hidden(c) {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    shown.push('`');
    shown
}

/// A number of things: `1 tree`, `2 trees`.
pub fn counted(count: usize, thing: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{count} {thing}{ending}")
}

/// Line numbers in words: `in line 7`, `in lines 7, 9 and 12`, `in lines 7, 8, 9, 10, 12 ...`; of a
/// file of rows `in row 6`.
pub fn in_lines(lines: &[usize], rows: Option<&Rows>) -> String {
    const NAMED: usize = 5;
    let word = if rows.is_some() { "row" } else { "line" };
    let text = |lines: &[usize]| {
        let number = |line: &usize| rows.map_or(*line, |rows| rows.row(*line)).to_string();
        lines.iter().map(number).collect::<Vec<_>>().join(", ")
    };
    match lines {
        [] => format!("in no {word}"),
        [_] => format!("in {word} {}", text(lines)),
        many if many.len() > NAMED => format!("in {word}s {} ...", text(&many[..NAMED])),
        [first @ .., _] => {
            let last = text(&lines[first.len()..]);
            format!("in {word}s {} and {last}", text(first))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_shown_safely() {
        assert_eq!(seen("24,5"), "`24,5`");
        assert_eq!(seen("a\nb\u{1b}[31m"), "`a\\nb\\u{1b}[31m`");
        assert_eq!(seen(&"x".repeat(99)), format!("`{}…`", "x".repeat(40)));
    }

    #[test]
    fn line_numbers_in_words() {
        assert_eq!(counted(1, "tree"), "1 tree");
        assert_eq!(counted(0, "tree"), "0 trees");
        assert_eq!(in_lines(&[7], None), "in line 7");
        assert_eq!(in_lines(&[7, 9], None), "in lines 7 and 9");
        let many = [2, 3, 4, 5, 6, 7];
        assert_eq!(in_lines(&many, None), "in lines 2, 3, 4, 5, 6 ...");
        assert_eq!(
            in_lines(&many, Some(&Rows::default())),
            "in rows 1, 2, 3, 4, 5 ..."
        );
        assert_eq!(
            in_lines(&[7, 9, 12], Some(&Rows::default())),
            "in rows 6, 8 and 11"
        );
    }
}
