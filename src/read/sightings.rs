//! The same mistake in many rows is one finding: values are collected with the lines in which
//! they were seen.

use std::collections::BTreeMap;

use super::source::Source;

/// Values, each with its first place and all its lines.
#[derive(Clone, Debug, Default)]
pub(super) struct Sightings {
    seen: BTreeMap<String, Sighting>,
}

/// One value.
#[derive(Clone, Debug)]
pub(super) struct Sighting {
    /// Where the first row that has it begins.
    pub(super) byte: usize,
    pub(super) lines: Vec<usize>,
}

impl Sightings {
    /// Notes a value in a row.
    pub(super) fn add(&mut self, value: &str, byte: usize, line: usize) {
        if let Some(sighting) = self.seen.get_mut(value) {
            sighting.lines.push(line);
        } else {
            let lines = vec![line];
            self.seen.insert(value.to_owned(), Sighting { byte, lines });
        }
    }

    /// All values with their sightings.
    pub(super) fn iter(&self) -> impl Iterator<Item = (&str, &Sighting)> {
        self.seen.iter().map(|(value, at)| (value.as_str(), at))
    }
}

impl Sighting {
    /// Empty for one row, else " (3 rows, in lines 4, 7 and 9)".
    pub(super) fn rows(&self, source: &Source) -> String {
        if self.lines.len() == 1 {
            return String::new();
        }
        let lines = source.in_lines(&self.lines);
        format!(" ({} rows, {lines})", self.lines.len())
    }
}
