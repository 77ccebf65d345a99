//! What is looked at in names as they are read: characters that nobody sees, and words that a
//! spreadsheet program would run.

use super::rows::Fields;
use crate::diagnostic::{Diagnostic, guarded, is_hidden, runs_as_formula, seen};

/// Columns that name things; results show them.
pub(crate) const NAMES: [&str; 9] = [
    "stand",
    "stratum",
    "plot",
    "tree",
    "cluster",
    "selection",
    "species",
    "status",
    "decay_class",
];

/// The names of a table.
#[derive(Debug, Default)]
pub(super) struct Names {
    columns: Vec<usize>,
    told_formula: bool,
}

impl Names {
    pub(super) fn of(heads: &[String]) -> Self {
        let is_name = |(at, head): (usize, &String)| NAMES.contains(&&**head).then_some(at);
        Names {
            columns: heads.iter().enumerate().filter_map(is_name).collect(),
            told_formula: false,
        }
    }

    /// What is wrong with the names of a row, each with its column.
    pub(super) fn look_at(
        &mut self,
        fields: &Fields,
        heads: &[String],
    ) -> Vec<(usize, Diagnostic)> {
        let mut found = Vec::new();
        for &at in &self.columns {
            let Some(name) = fields.get(at) else { continue };
            let is_plain = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b' ' | b'.');
            if name.bytes().all(is_plain) {
                continue;
            }
            let name = name.trim();
            let head = &heads[at];
            let is_bad = |c: char| is_hidden(c) && !matches!(c, '\t' | '\n' | '\r');
            if name.chars().any(is_bad) {
                let message = format!(
                    "`{head}` holds a character that nobody sees ({})",
                    seen(name)
                );
                let hint = "remove it: write the name again";
                found.push((
                    at,
                    Diagnostic::error("hidden-character", message).hint(hint),
                ));
            } else if !self.told_formula && runs_as_formula(name) {
                self.told_formula = true;
                found.push((at, formula(name)));
            }
        }
        found
    }
}

/// Tells how a name stands in CSV.
pub(crate) fn formula(name: &str) -> Diagnostic {
    let message = format!(
        "{} would run as a formula in a spreadsheet: in CSV it is written {}",
        seen(name),
        seen(&guarded(name))
    );
    Diagnostic::note("formula-in-name", message)
}
