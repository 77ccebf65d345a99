//! A table with its caption, heads and remarks.

use maud::{Markup, html};

use crate::tables::tidy::ALL;
use crate::tables::{Cell, Column, Table};

/// Rows of a table that is printed on one page.
const SHORT: usize = 16;

/// Draws a table; one without a caption is named by the heading over it.
pub(super) fn draw(table: &Table, heading: &str) -> Markup {
    let caption = Some(table.caption.as_str()).filter(|caption| !caption.is_empty());
    html! {
        div class="scroll" tabindex="0" role="region" aria-label=(caption.unwrap_or(heading)) {
            table class=[(table.rows.len() <= SHORT).then_some("short")] aria-label=[caption.is_none().then_some(heading)] {
                @if let Some(caption) = caption { caption { (caption.replace("(+-)", "(\u{b1})")) } }
                thead { tr { @for column in &table.columns { (head(column)) } } }
                tbody {
                    @for cells in &table.rows { (row(table, cells)) }
                }
            }
        }
        @for remark in &table.remarks { p class="remark" { (remark) } }
    }
}

fn head(column: &Column) -> Markup {
    let unit = Some(column.unit.as_str()).filter(|unit| !unit.is_empty());
    html! {
        th scope="col" class=[column.numeric.then_some("number")] {
            (plus_minus(&column.head))
            @if let Some(unit) = unit { " " span class="unit" { (unit) } }
        }
    }
}

fn row(table: &Table, cells: &[Cell]) -> Markup {
    let is_whole = matches!(cells.first(), Some(Cell::Text(name)) if name == ALL);
    html! {
        tr class=[is_whole.then_some("whole")] {
            @for (at, cell) in cells.iter().enumerate() {
                @if at < table.key_columns {
                    th scope="row" { (cell.shown()) }
                } @else {
                    td class=[is_number(table, at, cell).then_some("number")] { (cell.shown()) }
                }
            }
        }
    }
}

fn is_number(table: &Table, at: usize, cell: &Cell) -> bool {
    matches!(cell, Cell::Number(..)) || table.columns.get(at).is_some_and(|one| one.numeric)
}

/// The sign, where a terminal makes do with two.
fn plus_minus(head: &str) -> &str {
    if head == "+-" { "\u{b1}" } else { head }
}
