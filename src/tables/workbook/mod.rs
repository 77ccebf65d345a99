//! The results of a cruise as sheets of a workbook: one regular table a sheet, with columns that
//! say of which stand, stratum and selection a row is, so that rows can be filtered and summed up.
//!
//! Numbers keep full precision. Tables for machines (`trees`, `logs`, `estimates`, `sources of
//! error`) keep the names of their columns, which hold the unit; the heads of all others are `name,
//! unit`. The last sheet is the report, section by section.

mod figures;
mod findings;
mod knowledge;
mod stack;

use crate::compile::Compilation;
use crate::diagnostic::Problems;
use crate::tables::tidy::{Tidy, Value, estimates};
use crate::tables::{Cell, Column, Report, Table, log_list, report, trees, whole_error};
use crate::units::UnitSystem;

/// A workbook.
#[derive(Clone, Debug, PartialEq)]
pub struct Workbook {
    /// Title, on top of every printed page.
    pub title: String,
    /// The units of its tables, which go with the paper that they are printed on.
    pub units: UnitSystem,
    /// Its sheets in order.
    pub sheets: Vec<Sheet>,
}

/// A sheet: some lines, then what it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// Its name, at most 31 characters.
    pub name: &'static str,
    /// What it shows, where that does not go without saying; a line each.
    pub lines: Vec<String>,
    /// What stands below them.
    pub content: Content,
    /// Where its rows can be had in another way, if they are too many for a sheet.
    pub instead: &'static str,
}

/// What a sheet holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Content {
    /// A table for people.
    Table(Table),
    /// A table for machines, its leading columns that name the row.
    List(Tidy<String>, usize),
    /// Sections one below the other.
    Report(Report),
}

const OTHER_FORMAT: &str = "take another --format";

impl Sheet {
    fn table(name: &'static str, table: Table) -> Sheet {
        Sheet {
            name,
            lines: Vec::new(),
            content: Content::Table(table),
            instead: OTHER_FORMAT,
        }
    }

    fn list<Name: Into<String>>(
        (name, keys): (&'static str, usize),
        tidy: Tidy<Name>,
        instead: &'static str,
    ) -> Sheet {
        let tidy = Tidy {
            columns: tidy.columns.into_iter().map(Into::into).collect(),
            rows: tidy.rows,
        };
        Sheet {
            name,
            lines: Vec::new(),
            content: Content::List(tidy, keys),
            instead,
        }
    }

    fn is_empty(&self) -> bool {
        match &self.content {
            Content::Table(table) => table.rows.is_empty(),
            Content::List(tidy, _) => tidy.rows.is_empty(),
            Content::Report(report) => report.sections.is_empty(),
        }
    }
}

/// Name of the tree list, and how many of its columns name a row.
pub const TREES: (&str, usize) = ("trees", 5);
/// The same of the log list.
pub const LOGS: (&str, usize) = ("logs", 5);
/// The same of the sources of error.
pub const SOURCES_OF_ERROR: (&str, usize) = ("sources of error", 4);

/// A workbook of one list.
pub fn of_list<Name: Into<String>>(
    compilation: &Compilation<'_>,
    list: (&'static str, usize),
    tidy: Tidy<Name>,
) -> Workbook {
    Workbook {
        title: compilation.design.title.clone(),
        units: compilation.design.units,
        sheets: vec![Sheet::list(list, tidy, "name a file in .csv or .parquet")],
    }
}

/// Everything that was compiled; `problems` is what was found when it was read. Sheets without rows
/// are left out.
pub fn workbook(compilation: &Compilation<'_>, problems: &Problems) -> Workbook {
    let design = compilation.design;
    let rows = &compilation.estimates.rows;
    let mut sheets = figures::sheets(compilation);
    sheets.push(Sheet::list(
        TREES,
        trees::tree_list(compilation),
        "write the tree list by --tree-list with a name in .csv or .parquet, and take another \
         --format",
    ));
    sheets.push(Sheet::list(
        LOGS,
        log_list::log_list(compilation),
        "write the logs by --log-list with a name in .csv or .parquet, and take another --format",
    ));
    sheets.push(Sheet::table("plots", figures::plots(compilation)));
    sheets.push(Sheet::table("curves", knowledge::curves(compilation)));
    sheets.push(Sheet::table("equations", knowledge::equations(compilation)));
    let all = estimates(design, compilation.records, rows);
    sheets.push(Sheet::list(("estimates", 8), all, OTHER_FORMAT));
    let sources = whole_error::tidy(compilation);
    sheets.push(Sheet::list(SOURCES_OF_ERROR, sources, OTHER_FORMAT));
    sheets.push(Sheet::table(
        "warnings",
        findings::table(compilation, problems),
    ));
    sheets.push(Sheet {
        name: "report",
        lines: Vec::new(),
        content: Content::Report(report::report(compilation, None)),
        instead: OTHER_FORMAT,
    });
    sheets.retain(|sheet| !sheet.is_empty());
    Workbook {
        title: design.title.clone(),
        units: design.units,
        sheets,
    }
}

/// The head of a column: `trees, 1/ha`. What continues the name is no unit.
pub fn head(column: &Column) -> String {
    const CONTINUE: [&str; 6] = ["error", "fitted", "filled", "tallied", "dbh", "plots"];
    let (name, unit) = (&column.head, &column.unit);
    match unit.as_str() {
        "" => name.clone(),
        more if CONTINUE.contains(&more) || more.starts_with("for ") => format!("{name} {more}"),
        unit => format!("{name}, {unit}"),
    }
}

/// Decimals that a number of a table for machines is shown with: by the unit at the end of the name
/// of its column, else four digits that count.
pub fn digits(name: &str, value: f64) -> usize {
    const BY_UNIT: [(&str, usize); 9] = [
        ("_cm", 1),
        ("_in", 1),
        ("_m", 2),
        ("_ft", 1),
        ("_m2", 4),
        ("_ft2", 3),
        ("_m3", 3),
        ("_ft3", 1),
        ("_pct", 1),
    ];
    let by_unit = BY_UNIT.iter().find(|(unit, _)| name.ends_with(unit));
    by_unit.map_or_else(|| four_digits(value), |(_, digits)| *digits)
}

fn four_digits(value: f64) -> usize {
    let size = value.abs();
    let steps = [1000.0, 100.0, 10.0, 1.0, 0.1, 0.01];
    match steps.iter().position(|step| size >= *step) {
        Some(digits) => digits,
        None if size == 0.0 => 0,
        None => 6,
    }
}

/// The cell of a value of a table for machines.
pub fn cell(name: &str, value: &Value) -> Cell {
    match value {
        Value::Empty => Cell::Empty,
        Value::Word(word) => Cell::text(word),
        Value::Number(number) => Cell::Number(*number, digits(name, *number)),
        Value::Count(count) => Cell::Number(*count as f64, 0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heads_say_the_unit_and_numbers_their_digits() {
        let of = |name: &str, unit: &str| head(&Column::number(name, unit));
        assert_eq!(of("trees", "1/ha"), "trees, 1/ha");
        assert_eq!(of("std", "error"), "std error");
        assert_eq!(of("plots", "for 10 %"), "plots for 10 %");
        assert_eq!(of("plot", ""), "plot");
        assert_eq!(digits("dbh_cm", 31.25), 1);
        let four = [
            12345.0, 1234.0, 123.4, 12.34, 1.234, 0.1234, 0.012, 0.001, 0.0,
        ];
        assert_eq!(
            four.map(|value| digits("per_ha", value)),
            [0, 0, 1, 2, 3, 4, 5, 6, 0]
        );
    }
}
