//! Everything that there is to know about a compilation besides its figures: findings with their
//! places, what was compiled and how, notes, cautions.

use crate::compile::Compilation;
use crate::diagnostic::{Diagnostic, Problems, Severity, Site};
use crate::tables::{Block, Cell, Column, Table, assumptions};

/// A row for each finding and each thing that was taken for granted.
pub(super) fn table(compilation: &Compilation<'_>, problems: &Problems) -> Table {
    let columns = ["severity", "code", "file"].map(Column::words);
    let places = ["line", "column"].map(|head| Column::number(head, ""));
    let texts = ["message", "hint"].map(Column::words);
    let columns = columns.into_iter().chain(places).chain(texts).collect();
    let mut table = Table::new("", 1, columns);
    for severity in [Severity::Error, Severity::Warning, Severity::Note] {
        let found = problems.iter().filter(|found| found.severity == severity);
        table.rows.extend(found.map(finding));
    }
    table
        .rows
        .extend(compilation.estimates.notes.iter().map(finding));
    let notes = assumptions::notes(compilation, None)
        .into_iter()
        .flat_map(lines);
    let is_new = |line: &String| table.rows.iter().all(|row| row[5] != Cell::text(line));
    // Of many notes of one kind the report only counts the last.
    let is_count = |line: &String| line.contains(" more of this kind (");
    let notes: Vec<String> = notes
        .filter(|line| is_new(line) && !is_count(line))
        .collect();
    let told = [
        ("note", vec![Block::List(notes)]),
        ("compiled", assumptions::compiled(compilation, None)),
        ("assumption", assumptions::how(compilation, None)),
        (
            "caution",
            vec![Block::List(assumptions::cautions(compilation))],
        ),
    ];
    for (kind, blocks) in told {
        let lines = blocks.into_iter().flat_map(lines);
        table.rows.extend(lines.map(|line| {
            let mut row = vec![Cell::Empty; table.columns.len()];
            row[0] = Cell::text(kind);
            row[5] = Cell::Text(line);
            row
        }));
    }
    table
}

fn finding(found: &Diagnostic) -> Vec<Cell> {
    let site = found.site.as_ref();
    let number = |number: usize| Cell::maybe((number > 0).then_some(number as f64), 0);
    let hint = found.hint.as_ref();
    vec![
        Cell::text(found.severity.to_string()),
        Cell::text(found.code),
        site.map_or(Cell::Empty, |site| Cell::text(site.file_and_sheet())),
        number(site.map_or(0, Site::line_or_row)),
        number(site.map_or(0, |site| site.column)),
        Cell::text(&found.message),
        hint.map_or(Cell::Empty, Cell::text),
    ]
}

fn lines(block: Block) -> Vec<String> {
    match block {
        Block::Paragraph(text) => vec![text],
        Block::List(list) | Block::Lines(list) | Block::Picture(list) => list,
        Block::Table(_) | Block::Chart(_) => Vec::new(),
    }
}
