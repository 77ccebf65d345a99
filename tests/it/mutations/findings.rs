//! What the program says on standard error, taken apart again.

use super::subject::{DESIGN, Mutation};

/// `file:line:column: severity: message [code]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Finding {
    pub(super) file: String,
    /// 0: the file as a whole.
    pub(super) line: usize,
    pub(super) column: usize,
    pub(super) severity: String,
    pub(super) message: String,
}

impl Finding {
    /// All findings of a text; lines of excerpts and the sum at the end are left out.
    pub(super) fn all(text: &str) -> Vec<Finding> {
        text.lines().filter_map(Finding::of).collect()
    }

    fn of(text: &str) -> Option<Finding> {
        let is_excerpt = text
            .trim_start()
            .starts_with(|c: char| c == '|' || c.is_ascii_digit());
        let severities = ["error", "warning", "note"];
        let (at, severity) = severities
            .iter()
            .filter_map(|word| {
                let at = if text.starts_with(&format!("{word}: ")) {
                    0
                } else {
                    text.find(&format!(": {word}: "))?
                };
                Some((at, *word))
            })
            .min()?;
        if is_excerpt && text.starts_with(' ') {
            return None;
        }
        let (place, message) = text.split_at(at);
        let message = message
            .trim_start_matches(": ")
            .strip_prefix(severity)?
            .trim_start_matches(": ");
        let mut parts = place.rsplitn(3, ':').collect::<Vec<_>>();
        parts.reverse();
        let number = |text: &str| text.parse::<usize>().ok();
        let (file, line, column) = match parts[..] {
            [file, line, column] if number(line).is_some() && number(column).is_some() => {
                (file.to_owned(), number(line)?, number(column)?)
            }
            [.., line] if parts.len() > 1 && number(line).is_some() => (
                place[..place.len() - line.len() - 1].to_owned(),
                number(line)?,
                0,
            ),
            _ => (place.to_owned(), 0, 0),
        };
        Some(Finding {
            file,
            line,
            column,
            severity: severity.to_owned(),
            message: message.to_owned(),
        })
    }

    pub(super) fn is_error(&self) -> bool {
        self.severity == "error"
    }

    /// The same at any line.
    pub(super) fn is_as(&self, other: &Finding) -> bool {
        self.file == other.file && self.severity == other.severity && self.message == other.message
    }

    /// Does it point to the mutated place, or name what was mutated?
    pub(super) fn tells_of(&self, mutation: &Mutation) -> bool {
        let lines = &mutation.lines;
        // A parser of YAML stumbles further down, at the end of what is not as it should be.
        let most = if mutation.file == DESIGN { 12 } else { 1 };
        let is_near = |line: &usize| line.abs_diff(self.line) <= most;
        let is_there = self.file.ends_with(&mutation.file)
            && (lines.is_empty() || self.line == 0 || lines.iter().any(is_near));
        // Values are named between backticks, files by their names.
        let is_named = |word: &String| {
            let is_long = word.len() >= 4 && self.message.contains(word.as_str());
            is_long || self.file == *word || self.message.contains(&format!("`{}`", seen(word)))
        };
        // What was begun in a line and goes wrong further down.
        let begins = |line: &usize| self.message.contains(&format!(" at line {line};"));
        let is_there = is_there || lines.iter().any(begins);
        is_there || self.message.contains(&mutation.file) || mutation.words.iter().any(is_named)
    }
}

/// As findings show a value.
fn seen(text: &str) -> String {
    let mut letters: String = text.chars().take(40).collect();
    if text.chars().nth(40).is_some() {
        letters.push('…');
    }
    letters
}
