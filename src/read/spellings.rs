//! The species column: each distinct spelling is looked up once.

use std::collections::BTreeMap;

use super::csv::{Column, Table};
use super::design::{did_you_mean_species, nearest_species};
use super::nearest::nearest;
use crate::design::Design;
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::species::{SpeciesId, SpeciesTable};

/// One way in which a file writes a species.
#[derive(Clone, Debug)]
pub(super) struct Spelling {
    pub(super) text: String,
    /// What it means, if anything.
    pub(super) id: Option<SpeciesId>,
    /// Rows that have it.
    pub(super) rows: usize,
    /// Where the first of them begins.
    pub(super) byte: usize,
    /// The first lines that have it.
    lines: Vec<usize>,
}

/// The spellings of one file.
pub(super) struct Spellings<'a> {
    design: &'a Design,
    table: &'a SpeciesTable,
    pub(super) list: Vec<Spelling>,
    index: BTreeMap<String, usize>,
}

/// Unknown spellings of a file for which what was meant is looked for.
pub(super) const FULL_HINTS: usize = 200;

/// Lines that are named when a spelling is unknown.
const LINES_KEPT: usize = 6;

impl<'a> Spellings<'a> {
    pub(super) fn new(design: &'a Design, table: &'a SpeciesTable) -> Self {
        Spellings {
            design,
            table,
            list: Vec::new(),
            index: BTreeMap::new(),
        }
    }

    /// Index of a spelling, new or known; counts the row.
    pub(super) fn note(&mut self, text: &str, byte: usize, line: usize) -> usize {
        const FEW: usize = 8;
        // Few spellings are found faster by looking at each.
        let index = (self.list.iter().take(FEW))
            .position(|spelling| spelling.text == text)
            .or_else(|| self.index.get(text).copied())
            .unwrap_or_else(|| self.add(text, byte));
        let spelling = &mut self.list[index];
        spelling.rows += 1;
        if spelling.lines.len() < LINES_KEPT {
            spelling.lines.push(line);
        }
        index
    }

    fn add(&mut self, text: &str, byte: usize) -> usize {
        let index = self.list.len();
        self.list.push(Spelling {
            text: text.to_owned(),
            id: self.look_up(text),
            rows: 0,
            byte,
            lines: Vec::new(),
        });
        self.index.insert(text.to_owned(), index);
        index
    }

    fn alias(&self, text: &str) -> Option<&str> {
        let key = text.to_lowercase();
        let alias = self
            .design
            .species_aliases
            .iter()
            .find(|(code, _)| *code == key);
        alias.map(|(_, meant)| meant.as_str())
    }

    fn look_up(&self, text: &str) -> Option<SpeciesId> {
        self.table.lookup(self.alias(text).unwrap_or(text))
    }

    /// The species of a row's spelling.
    pub(super) fn id(&self, index: usize) -> Option<SpeciesId> {
        self.list[index].id
    }

    /// Reports spellings that mean nothing, once each, and rare ones that look like a slip.
    pub(super) fn report(&self, table: &Table, column: Column, problems: &mut Problems) {
        // To look for what was meant takes a thousand times as long as to read a row.
        let mut hints = FULL_HINTS;
        for spelling in &self.list {
            let at = || table.site_in_row_at(spelling.byte, Some(column));
            let text = &spelling.text;
            let mut rows = String::new();
            if spelling.rows > 1 {
                rows = format!(
                    " ({} rows, {})",
                    spelling.rows,
                    table.source().in_lines(&spelling.lines)
                );
            }
            if spelling.id.is_none() {
                let mut message = if self.table.sharers(text).is_empty() {
                    format!("no species is known as {}{rows}", seen(text))
                } else {
                    format!("several species are known as {}{rows}", seen(text))
                };
                let meant = if let Some(meant) = self.alias(text) {
                    message = format!("{message}, which the design calls {}", seen(meant));
                    meant
                } else {
                    text
                };
                let hint = match hints {
                    0 => did_you_mean_species(&[]),
                    _ if meant == text => self.hint(text),
                    _ => nearest_species(self.table, meant),
                };
                hints = hints.saturating_sub(1);
                problems.push(
                    Diagnostic::error("unknown-species", message)
                        .at(at())
                        .hint(hint),
                );
            } else if let Some(common) = self.near_common_code(spelling) {
                let message = format!(
                    "the species {} is recorded once, {} {} times",
                    seen(text),
                    seen(&common.text),
                    common.rows
                );
                problems.push(
                    Diagnostic::warning("rare-species-code", message)
                        .at(at())
                        .hint(format!("was {} meant?", seen(&common.text))),
                );
            }
        }
    }

    /// The nearest code of this file that means something and the design's aliases come before
    /// those of the table.
    fn hint(&self, text: &str) -> String {
        let mut known: Vec<&Spelling> = self.list.iter().filter(|s| s.id.is_some()).collect();
        known.sort_by(|a, b| b.rows.cmp(&a.rows).then_with(|| a.text.cmp(&b.text)));
        let aliases = self
            .design
            .species_aliases
            .iter()
            .map(|(code, _)| code.as_str());
        let candidates = known.iter().map(|s| s.text.as_str()).chain(aliases);
        let mut names: Vec<String> = nearest_code(text, candidates)
            .map(str::to_owned)
            .into_iter()
            .collect();
        for name in self.table.nearest(text) {
            if !names
                .iter()
                .any(|known| self.look_up(known) == self.look_up(&name))
            {
                names.push(name);
            }
        }
        did_you_mean_species(&names)
    }

    /// For a code seen once: one letter away from a code seen often that means
    /// another species.
    fn near_common_code(&self, spelling: &Spelling) -> Option<&Spelling> {
        const COMMON: usize = 3;
        if spelling.rows != 1 || spelling.text.chars().count() > 5 {
            return None;
        }
        let text = spelling.text.to_lowercase();
        self.list
            .iter()
            .filter(|other| other.rows >= COMMON && other.id.is_some() && other.id != spelling.id)
            .filter(|other| strsim::osa_distance(&text, &other.text.to_lowercase()) == 1)
            .max_by(|a, b| a.rows.cmp(&b.rows).then_with(|| b.text.cmp(&a.text)))
    }
}

/// Codes are short: one letter more, less or other is near, whatever the length.
fn nearest_code<'c>(
    text: &str,
    candidates: impl Iterator<Item = &'c str> + Clone,
) -> Option<&'c str> {
    let lower = text.to_lowercase();
    let one_letter = candidates
        .clone()
        .filter(|code| strsim::osa_distance(&lower, &code.to_lowercase()) == 1)
        .min_by_key(|code| {
            // Of several, the one that keeps the first letter.
            let same_start = code.to_lowercase().chars().next() == lower.chars().next();
            usize::from(!same_start)
        });
    one_letter.or_else(|| nearest(text, candidates))
}
