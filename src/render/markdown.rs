//! A report as Markdown, with pipe tables.

use std::fmt::Write as _;

use crate::diagnostic::{is_hidden, visible};
use crate::tables::{Block, Column, Report, Table};

/// Draws a report.
pub fn render(report: &Report) -> String {
    let mut text = format!("# {}\n", escape(&report.title));
    for section in &report.sections {
        let _ = writeln!(text, "\n## {}", escape(&section.heading));
        for block in &section.blocks {
            text.push('\n');
            match block {
                Block::Paragraph(words) => {
                    let _ = writeln!(text, "{}", escape(words));
                }
                Block::List(points) => {
                    for point in points {
                        let _ = writeln!(text, "- {}", escape(point));
                    }
                }
                Block::Lines(lines) | Block::Picture(lines) => {
                    let lines: Vec<_> = lines.iter().map(|line| visible(line)).collect();
                    let fence = fence(&lines);
                    let _ = writeln!(text, "{fence}text\n{}\n{fence}", lines.join("\n"));
                }
                Block::Table(table) => render_table(&mut text, table),
                // Not in the reports that come here.
                Block::Chart(_) => {}
            }
        }
    }
    text
}

fn render_table(text: &mut String, table: &Table) {
    if !table.caption.is_empty() {
        let _ = writeln!(text, "{}\n", escape(&table.caption));
    }
    let heads: Vec<String> = table.columns.iter().map(head).collect();
    let _ = writeln!(text, "| {} |", heads.join(" | "));
    let rules: Vec<&str> = table
        .columns
        .iter()
        .map(|c| if c.numeric { "---:" } else { "---" })
        .collect();
    let _ = writeln!(text, "| {} |", rules.join(" | "));
    for row in &table.rows {
        let cells: Vec<String> = row.iter().map(|cell| escape(&cell.shown())).collect();
        let _ = writeln!(text, "| {} |", cells.join(" | "));
    }
    for remark in &table.remarks {
        let _ = writeln!(text, "\n{}", escape(remark));
    }
}

fn head(column: &Column) -> String {
    if column.unit.is_empty() {
        escape(&column.head)
    } else {
        format!("{} ({})", escape(&column.head), escape(&column.unit))
    }
}

/// Keeps text of the user from being read as markup.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for (at, c) in text.char_indices() {
        match c {
            '|' | '*' | '_' | '`' | '<' | '>' | '[' | ']' | '\\' => {
                escaped.push('\\');
                escaped.push(c);
            }
            '&' if is_entity(&text[at..]) => escaped.push_str("\\&"),
            '\n' | '\r' => escaped.push(' '),
            c if is_hidden(c) => escaped.extend(c.escape_default()),
            _ => escaped.push(c),
        }
    }
    escaped
}

/// Backticks around lines, more than stand in any of them.
fn fence(lines: &[impl AsRef<str>]) -> String {
    let mut longest = 2;
    for line in lines {
        let runs = line.as_ref().split(|c| c != '`');
        longest = longest.max(runs.map(str::len).max().unwrap_or(0));
    }
    "`".repeat(longest + 1)
}

/// Would this be read as another character, as `&lt;` is?
fn is_entity(text: &str) -> bool {
    let name = text[1..].split_once(';').map_or("", |(name, _)| name);
    !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '#')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::Cell;

    #[test]
    fn pipes_in_names_do_not_break_a_table() {
        let mut table = Table::new(
            "",
            1,
            vec![Column::words("a"), Column::number("b", "m2/ha")],
        );
        table
            .rows
            .push(vec![Cell::text("x|y"), Cell::Number(1.0, 1)]);
        let mut text = String::new();
        render_table(&mut text, &table);
        assert_eq!(text, "| a | b (m2/ha) |\n| --- | ---: |\n| x\\|y | 1.0 |\n");
    }
}
