//! Names as they are met row by row: stands, plots, species.

use std::collections::HashMap;

use crate::design::Design;
use crate::read::assemble::Spelled as Meaning;
use crate::read::spellings::Spellings;
use crate::species::SpeciesTable;

/// Distinct names, numbered in the order in which they were met.
#[derive(Debug, Default)]
pub(super) struct Names {
    pub(super) list: Vec<String>,
    numbers: HashMap<Box<[u8]>, usize>,
    /// The name of the row before, most often that of the next.
    last: usize,
}

impl Names {
    /// The number of a name that is known.
    pub(super) fn find(&mut self, name: &[u8]) -> Option<usize> {
        let is_last = |last: &String| last.as_bytes() == name;
        if !self.list.get(self.last).is_some_and(is_last) {
            self.last = *self.numbers.get(name)?;
        }
        Some(self.last)
    }

    /// The number of a name, new or known; `None` for a blank, and for bytes that are no text.
    pub(super) fn find_or_add(&mut self, name: &[u8]) -> Option<usize> {
        if let Some(number) = self.find(name) {
            return Some(number);
        }
        let text = std::str::from_utf8(name)
            .ok()
            .filter(|text| !text.is_empty())?;
        self.last = self.list.len();
        self.list.push(text.to_owned());
        self.numbers.insert(name.into(), self.last);
        Some(self.last)
    }
}

/// The stand of each plot of the list; `None` within where several have a plot of the name.
#[derive(Debug, Default)]
pub(super) struct PlotNames {
    stands: HashMap<Box<[u8]>, Option<usize>>,
}

impl PlotNames {
    /// Notes the stand of a plot.
    pub(super) fn add(&mut self, plot: &[u8], stand: usize) {
        let known = self.stands.entry(plot.into()).or_insert(Some(stand));
        if *known != Some(stand) {
            *known = None;
        }
    }

    /// The one stand that has a plot of this name.
    pub(super) fn stand_of(&self, plot: &[u8]) -> Option<usize> {
        *self.stands.get(plot)?
    }
}

/// The spellings of species, and how many rows have each.
#[derive(Debug, Default)]
pub(super) struct Spelled {
    names: Names,
    rows: Vec<usize>,
}

impl Spelled {
    /// Counts a row.
    pub(super) fn count(&mut self, text: &[u8]) {
        if let Some(number) = self.names.find_or_add(text) {
            self.rows.resize(self.names.list.len(), 0);
            self.rows[number] += 1;
        }
    }

    /// The spellings that mean something.
    pub(super) fn meanings(&self, design: &Design, table: &SpeciesTable) -> Vec<Meaning<'_>> {
        let mut spellings = Spellings::new(design, table);
        let mut meanings = Vec::new();
        for (text, rows) in self.names.list.iter().zip(&self.rows) {
            let index = spellings.note(text, 0, 0);
            meanings.extend(spellings.id(index).map(|id| (id, text.as_str(), *rows)));
        }
        meanings
    }
}
