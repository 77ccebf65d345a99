//! Tables and reports as plain data; drawing them is the renderers' work.
//!
//! A [`Report`] is sections of paragraphs, lists and tables. Numbers keep full precision and carry
//! the digits they are printed with.

use crate::compile::{Compilation, CompiledStand};
use crate::records::Stand;

pub mod all_stands;
pub mod assumptions;
pub mod attribute;
pub mod biomass;
mod broken;
pub mod catalogue;
pub mod chart;
pub mod charts;
pub mod compare;
mod curve_effects;
mod curve_sources;
pub mod curves;
pub mod double_sampling;
pub mod equations;
pub mod evaluation;
pub mod extrapolation;
pub mod figures;
pub mod frame;
pub mod height_report;
pub mod heights_audit;
pub mod log_list;
pub mod log_rules;
pub mod logs;
pub mod lookup;
pub mod measured_heights;
pub mod paired;
pub mod planning;
pub mod plots;
pub mod report;
pub mod sampling;
pub mod scatter;
pub mod stand;
pub mod stands_summary;
pub mod systematic;
pub mod tally;
pub mod three_p;
pub mod ticks;
pub mod tidy;
pub mod trees;
pub mod whole_error;
pub mod workbook;

/// The stands that a report is about, each with what was compiled of it: one, or all.
fn stands_of<'c>(
    compilation: &'c Compilation<'_>,
    one: Option<usize>,
) -> impl Iterator<Item = (&'c Stand, &'c CompiledStand)> {
    let stands = compilation.records.stands.iter();
    let all = stands.zip(&compilation.stands).enumerate();
    all.filter(move |(at, _)| one.is_none_or(|one| one == *at))
        .map(|(_, both)| both)
}

/// A number the way a person writes it: no trailing zeros, at most six decimals.
pub fn plain(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A share as a percentage, written plainly.
pub fn percent(share: f64) -> String {
    plain(share * 100.0)
}

/// A report: what every renderer draws.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// Title of the whole.
    pub title: String,
    /// Its sections in order.
    pub sections: Vec<Section>,
}

/// A section under its own heading.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// The heading.
    pub heading: String,
    /// What stands under it.
    pub blocks: Vec<Block>,
}

/// A part of a section.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// Running text.
    Paragraph(String),
    /// Points, one each.
    List(Vec<String>),
    /// Lines to be kept as they are (derivations).
    Lines(Vec<String>),
    /// A picture in characters, to be kept as it is.
    Picture(Vec<String>),
    /// A table.
    Table(Table),
    /// A chart; only reports for renderers that draw have any.
    Chart(Box<chart::Chart>),
}

/// A table.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// What it shows, with units that hold for the whole of it.
    pub caption: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
    /// Remarks under the table.
    pub remarks: Vec<String>,
    /// Leading columns that name the row; repeated when the table must be split.
    pub key_columns: usize,
}

/// Head of a column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its name.
    pub head: String,
    /// Its unit; empty when it has none.
    pub unit: String,
    /// Numbers stand to the right, words to the left.
    pub numeric: bool,
}

/// One cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Not defined, or nothing there.
    Empty,
    /// Words.
    Text(String),
    /// A number and the decimals it is printed with.
    Number(f64, usize),
}

impl Report {
    /// An empty report.
    pub fn new(title: impl Into<String>) -> Self {
        Report {
            title: title.into(),
            sections: Vec::new(),
        }
    }

    /// Adds a section unless it is empty.
    pub fn section(&mut self, heading: impl Into<String>, blocks: Vec<Block>) {
        let blocks: Vec<Block> = blocks
            .into_iter()
            .filter(|block| !block.is_empty())
            .collect();
        if !blocks.is_empty() {
            self.sections.push(Section {
                heading: heading.into(),
                blocks,
            });
        }
    }
}

impl Block {
    fn is_empty(&self) -> bool {
        match self {
            Block::Paragraph(text) => text.is_empty(),
            Block::List(list) | Block::Lines(list) | Block::Picture(list) => list.is_empty(),
            Block::Table(table) => table.rows.is_empty(),
            Block::Chart(chart) => chart.panels.is_empty(),
        }
    }
}

impl Table {
    /// A table without rows.
    pub fn new(caption: impl Into<String>, key_columns: usize, columns: Vec<Column>) -> Self {
        Table {
            caption: caption.into(),
            columns,
            rows: Vec::new(),
            remarks: Vec::new(),
            key_columns,
        }
    }
}

impl Table {
    /// The same table without columns of numbers that have none.
    #[must_use]
    pub fn without_empty_columns(mut self) -> Self {
        let kept: Vec<bool> = self
            .columns
            .iter()
            .enumerate()
            .map(|(at, column)| {
                !column.numeric || self.rows.iter().any(|row| row[at] != Cell::Empty)
            })
            .collect();
        let mut keep = kept.iter();
        self.columns.retain(|_| *keep.next().unwrap_or(&true));
        for row in &mut self.rows {
            let mut keep = kept.iter();
            row.retain(|_| *keep.next().unwrap_or(&true));
        }
        self
    }
}

impl Column {
    /// A column of words.
    pub fn words(head: impl Into<String>) -> Self {
        Column {
            head: head.into(),
            unit: String::new(),
            numeric: false,
        }
    }

    /// A column of numbers.
    pub fn number(head: impl Into<String>, unit: impl Into<String>) -> Self {
        Column {
            head: head.into(),
            unit: unit.into(),
            numeric: true,
        }
    }
}

impl Cell {
    /// Words.
    pub fn text(text: impl Into<String>) -> Self {
        Cell::Text(text.into())
    }

    /// A number that may be missing.
    pub fn maybe(value: Option<f64>, digits: usize) -> Self {
        value.map_or(Cell::Empty, |value| Cell::Number(value, digits))
    }

    /// The cell as printed: numbers rounded half to even on their exact value, a plain minus sign,
    /// and no negative zero.
    pub fn shown(&self) -> String {
        match self {
            Cell::Empty => String::new(),
            Cell::Text(text) => text.clone(),
            Cell::Number(value, digits) => {
                let text = format!("{value:.digits$}");
                match text.strip_prefix('-') {
                    Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.to_owned(),
                    _ => text,
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_rounded_only_when_shown() {
        assert_eq!(Cell::Number(-0.004, 2).shown(), "0.00");
        assert_eq!(Cell::Number(-0.006, 2).shown(), "-0.01");
        assert_eq!(Cell::Number(12.345, 1).shown(), "12.3");
        // Half to even: printed example 7.5 and 8.5 both give 8, Code of Forest Mensuration
        // Practice 1999, section 1.3.
        assert_eq!(Cell::Number(7.5, 0).shown(), "8");
        assert_eq!(Cell::Number(8.5, 0).shown(), "8");
        assert_eq!(Cell::maybe(None, 1).shown(), "");
    }
}
