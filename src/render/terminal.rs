//! A report as text for a terminal or a pipe: no colour, no box lines, wrapped to a width.
//!
//! Tables too wide for the width are split by columns, the naming columns repeated. The only user
//! of comfy-table.

use std::fmt::Write as _;

use comfy_table::{
    Cell as DrawnCell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle,
    Table as DrawnTable, TableStyle, Width,
};

use unicode_width::{UnicodeWidthChar as _, UnicodeWidthStr as _};

use crate::diagnostic::visible;
use crate::tables::{Block, Cell, Column, Report, Table};

/// Rule under the heads, nothing else.
const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('-'));

/// Spaces between columns.
const GAP: usize = 2;

/// Draws a report; no line is wider than `width`, but for pictures.
pub fn render(report: &Report, width: usize) -> String {
    let mut text = String::new();
    heading(&mut text, &report.title, '=', width);
    for section in &report.sections {
        text.push('\n');
        heading(&mut text, &section.heading, '-', width);
        for (number, block) in section.blocks.iter().enumerate() {
            if number > 0 {
                text.push('\n');
            }
            render_block(&mut text, block, width);
        }
    }
    text
}

fn heading(text: &mut String, words: &str, rule: char, width: usize) {
    let mut longest = 0;
    for line in wrap(words, width) {
        longest = longest.max(line.width());
        let _ = writeln!(text, "{line}");
    }
    let _ = writeln!(text, "{}", rule.to_string().repeat(longest));
}

fn render_block(text: &mut String, block: &Block, width: usize) {
    match block {
        Block::Paragraph(words) => {
            for line in wrap(words, width) {
                let _ = writeln!(text, "{line}");
            }
        }
        Block::List(points) => {
            for point in points {
                for (number, line) in wrap(point, width.saturating_sub(2)).iter().enumerate() {
                    let mark = if number == 0 { "-" } else { " " };
                    let _ = writeln!(text, "{mark} {line}");
                }
            }
        }
        Block::Lines(lines) => {
            for line in lines {
                let indent = line.len() - line.trim_start().len();
                for (number, part) in wrap(line.trim_start(), width.saturating_sub(indent + 2))
                    .iter()
                    .enumerate()
                {
                    let more = if number == 0 { 0 } else { 2 };
                    let _ = writeln!(text, "{}{part}", " ".repeat(indent + more));
                }
            }
        }
        Block::Picture(lines) => {
            for line in lines {
                let _ = writeln!(text, "{}", visible(line));
            }
        }
        Block::Table(table) => render_table(text, table, width),
        // Not in the reports that come here.
        Block::Chart(_) => {}
    }
}

fn render_table(text: &mut String, table: &Table, width: usize) {
    for line in wrap(&table.caption, width) {
        let _ = writeln!(text, "{line}");
    }
    for (number, columns) in split(table, width).iter().enumerate() {
        if number > 0 {
            text.push('\n');
        }
        let mut drawn = DrawnTable::new();
        drawn
            .load_style(STYLE)
            .set_content_arrangement(ContentArrangement::Dynamic);
        drawn.set_width(u16::try_from(width).unwrap_or(u16::MAX));
        drawn.set_header(
            columns
                .iter()
                .map(|at| drawn_cell(&head(&table.columns[*at]), table, *at)),
        );
        for row in &table.rows {
            drawn.add_row(
                columns
                    .iter()
                    .map(|at| drawn_cell(&row[*at].shown(), table, *at)),
            );
        }
        for (position, column) in drawn.column_iter_mut().enumerate() {
            let gap = if position + 1 == columns.len() {
                0
            } else {
                GAP
            };
            column.set_padding((0, u16::try_from(gap).unwrap_or(0)));
            if position + 1 < columns.len() && only_last_wraps(table, columns, width) {
                let whole = u16::try_from(column_width(table, columns[position]));
                let whole = Width::Fixed(whole.unwrap_or(u16::MAX));
                column.set_constraint(ColumnConstraint::LowerBoundary(whole));
            }
        }
        for line in drawn.lines() {
            let _ = writeln!(text, "{}", line.trim_end());
        }
    }
    for remark in &table.remarks {
        for line in wrap(remark, width) {
            let _ = writeln!(text, "{line}");
        }
    }
}

fn head(column: &Column) -> String {
    if column.unit.is_empty() {
        column.head.clone()
    } else {
        format!("{}\n{}", column.head, column.unit)
    }
}

fn drawn_cell(content: &str, table: &Table, column: usize) -> DrawnCell {
    let alignment = if table.columns[column].numeric {
        CellAlignment::Right
    } else {
        CellAlignment::Left
    };
    DrawnCell::new(safe(content)).set_alignment(alignment)
}

/// Width of a column that does not wrap, with the gap after it.
fn column_width(table: &Table, at: usize) -> usize {
    let heads = head(&table.columns[at]);
    let widest_head = heads
        .lines()
        .map(|line| visible(line).width())
        .max()
        .unwrap_or(0);
    let width = |row: &Vec<Cell>| {
        let shown = row[at].shown();
        shown.lines().map(|line| visible(line).width()).max()
    };
    let cells = table.rows.iter().filter_map(width);
    cells.max().unwrap_or(0).max(widest_head) + GAP
}

/// A text without what would move the cursor, but for the ends of its lines.
fn safe(text: &str) -> String {
    let lines: Vec<_> = text.split('\n').map(visible).collect();
    lines.join("\n")
}

/// Is it enough to wrap the last column, of words, so that names and numbers stay whole?
fn only_last_wraps(table: &Table, columns: &[usize], width: usize) -> bool {
    let Some((last, others)) = columns.split_last() else {
        return false;
    };
    let cells = table.rows.iter().map(|row| row[*last].shown());
    let longest_word = cells
        .chain([head(&table.columns[*last])])
        .filter_map(|cell| {
            cell.split_whitespace()
                .map(|word| visible(word).width())
                .max()
        })
        .max();
    let used: usize = others.iter().map(|at| column_width(table, *at)).sum();
    !table.columns[*last].numeric && used + longest_word.unwrap_or(0) <= width
}

/// Groups of columns, each of which fits the width.
fn split(table: &Table, width: usize) -> Vec<Vec<usize>> {
    let column_width = |at: usize| column_width(table, at);
    // A last column of words wraps inside the table instead of being moved to another.
    let keys: Vec<usize> = (0..table.key_columns.min(table.columns.len())).collect();
    let key_width: usize = keys.iter().map(|at| column_width(*at)).sum();
    let mut groups = Vec::new();
    let mut group = keys.clone();
    let mut used = key_width;
    for at in keys.len()..table.columns.len() {
        let needed = column_width(at);
        let full = used + needed > width + GAP;
        if full && group.len() > keys.len() && table.columns[at].numeric {
            groups.push(std::mem::replace(&mut group, keys.clone()));
            used = key_width;
        }
        group.push(at);
        used += needed;
    }
    groups.push(group);
    groups
}

/// Breaks text at spaces so that lines fit the width, and within a word that is longer; keeps line
/// breaks that are there.
pub(super) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for paragraph in text.lines() {
        let mut line = String::new();
        for word in paragraph.split_whitespace().map(visible) {
            for part in parts_of(&word, width) {
                if !line.is_empty() && line.width() + 1 + part.width() > width {
                    lines.push(std::mem::take(&mut line));
                }
                if !line.is_empty() {
                    line.push(' ');
                }
                line.push_str(part);
            }
        }
        lines.push(line);
    }
    lines
}

/// A word in parts of at most this width.
fn parts_of(word: &str, width: usize) -> Vec<&str> {
    let (mut parts, mut start, mut used) = (Vec::new(), 0, 0);
    for (at, mark) in word.char_indices() {
        let needed = mark.width().unwrap_or(0);
        if at > start && used + needed > width {
            parts.push(&word[start..at]);
            (start, used) = (at, 0);
        }
        used += needed;
    }
    parts.push(&word[start..]);
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::Cell;

    #[test]
    fn a_wide_table_is_split_and_keeps_its_key() {
        let mut table = Table::new(
            "trees per hectare",
            1,
            std::iter::once(Column::words("class"))
                .chain((0..6).map(|n| Column::number(format!("species {n}"), "1/ha")))
                .collect(),
        );
        let mut row = vec![Cell::text("10-15")];
        row.extend((0..6).map(|n| Cell::Number(f64::from(n) * 12.5, 1)));
        table.rows.push(row);
        let report = Report {
            title: "T".to_owned(),
            sections: vec![crate::tables::Section {
                heading: "S".to_owned(),
                blocks: vec![Block::Table(table)],
            }],
        };
        let text = render(&report, 40);
        assert!(
            text.lines().all(|line| line.chars().count() <= 40),
            "{text}"
        );
        assert_eq!(text.matches("10-15").count(), 2, "{text}");
        assert!(text.contains("species 5"), "{text}");
    }

    #[test]
    fn long_words_and_lists_wrap() {
        assert_eq!(wrap("a bb ccc", 4), ["a bb", "ccc"]);
        assert_eq!(wrap("a ééééééé b", 4), ["a", "éééé", "ééé", "b"]);
        assert_eq!(wrap("ééééé b", 4), ["éééé", "é b"]);
        assert_eq!(wrap("", 4), Vec::<String>::new());
    }
}
