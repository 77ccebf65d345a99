//! Diagnostics are data with a place; drawing them is a separate step.
//!
//! In: what a reader or a check found. Out: one line each,
//! `file:line:column: severity: what is wrong (the value seen); what would be right`.

use std::fmt;
use std::sync::Arc;

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

/// A place in an input: file as the user named it, line and column counted from 1.
/// Line 0 means the file as a whole.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Site {
    /// The file as named by the user.
    pub file: Arc<str>,
    /// Line, from 1; 0 for the whole file.
    pub line: usize,
    /// Column in characters, from 1; 0 for the whole line.
    pub column: usize,
}

impl fmt::Display for Site {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
            if self.column > 0 {
                write!(f, ":{}", self.column)?;
            }
        }
        Ok(())
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
        write!(f, "{}: {}", self.severity, self.message)?;
        if let Some(hint) = &self.hint {
            write!(f, "; {hint}")?;
        }
        write!(f, " [{}]", self.code)
    }
}

/// All findings so far; nothing stops at the first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems {
    list: Vec<Diagnostic>,
}

impl Problems {
    /// No findings.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one finding.
    pub fn push(&mut self, diagnostic: Diagnostic) {
        self.list.push(diagnostic);
    }

    /// Adds all of another collection.
    pub fn append(&mut self, mut other: Problems) {
        self.list.append(&mut other.list);
    }

    /// Is there an error among them?
    pub fn has_errors(&self) -> bool {
        self.list.iter().any(|d| d.severity == Severity::Error)
    }

    /// How many of one severity.
    pub fn count(&self, severity: Severity) -> usize {
        self.list.iter().filter(|d| d.severity == severity).count()
    }

    /// Nothing found.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// The findings in the order of their places: file, line, column; those without a place last.
    #[must_use]
    pub fn sorted(mut self) -> Self {
        self.list.sort_by(|a, b| match (&a.site, &b.site) {
            (Some(x), Some(y)) => x.cmp(y),
            (Some(_), None) => std::cmp::Ordering::Less,
            (None, Some(_)) => std::cmp::Ordering::Greater,
            (None, None) => std::cmp::Ordering::Equal,
        });
        self
    }

    /// The findings.
    pub fn iter(&self) -> std::slice::Iter<'_, Diagnostic> {
        self.list.iter()
    }
}

impl<'a> IntoIterator for &'a Problems {
    type Item = &'a Diagnostic;
    type IntoIter = std::slice::Iter<'a, Diagnostic>;
    fn into_iter(self) -> Self::IntoIter {
        self.list.iter()
    }
}
