//! The report as a sheet: sections one below the other, as they are read on paper.

use anyhow::Result;
use rust_xlsxwriter::{Format, Worksheet};

use super::{Formats, column_number, set_lines, write_cell, write_text};
use crate::render::terminal::wrap;
use crate::tables::{Block, Cell, Report, Table, workbook};

/// Width of the first column, which names rows, and of the others.
const WIDTHS: (usize, usize) = (30, 13);
/// Columns of a page, over which running text goes.
const COLUMNS: usize = 9;
/// Characters of a line of running text, which fits these columns.
const LINE: usize = 145;

fn width(column: usize) -> usize {
    if column == 0 { WIDTHS.0 } else { WIDTHS.1 }
}

/// Lines of a text within a column.
fn lines_in(column: usize, text: &str) -> usize {
    // Room beside the text.
    const ROOM: usize = 3;
    wrap(text, width(column) - ROOM).len()
}

/// Draws a report from the first row on.
pub(super) fn draw(out: &mut Worksheet, report: &Report, formats: &Formats) -> Result<()> {
    for column in 0..COLUMNS {
        out.set_column_width(column_number(column)?, width(column) as f64)?;
    }
    let mut page = Page {
        out,
        formats,
        row: 0,
    };
    page.line(&report.title, &formats.title)?;
    for section in &report.sections {
        page.row += 1;
        page.line(&section.heading, &formats.title)?;
        for block in &section.blocks {
            page.block(block)?;
        }
    }
    Ok(())
}

struct Page<'a> {
    out: &'a mut Worksheet,
    formats: &'a Formats,
    row: usize,
}

impl Page<'_> {
    fn line(&mut self, text: &str, format: &Format) -> Result<()> {
        write_text(self.out, self.row, 0, text, format)?;
        self.row += 1;
        Ok(())
    }

    /// Running text goes over the empty cells to the right of the first.
    fn text(&mut self, text: &str) -> Result<()> {
        let lines = wrap(text, LINE);
        let mut lines = lines.iter();
        lines.try_for_each(|line| self.line(line, &self.formats.plain))
    }

    fn block(&mut self, block: &Block) -> Result<()> {
        match block {
            Block::Paragraph(text) => self.text(text),
            Block::List(points) => points.iter().try_for_each(|point| self.point(point)),
            Block::Lines(lines) | Block::Picture(lines) => {
                let mut lines = lines.iter();
                lines.try_for_each(|line| self.line(line, &self.formats.plain))
            }
            Block::Table(table) => self.table(table),
            Block::Chart(_) => Ok(()),
        }
    }

    fn point(&mut self, point: &str) -> Result<()> {
        for (at, line) in wrap(point, LINE - 2).iter().enumerate() {
            let sign = if at == 0 { "\u{2022} " } else { "   " };
            self.line(&format!("{sign}{line}"), &self.formats.plain)?;
        }
        Ok(())
    }

    fn table(&mut self, table: &Table) -> Result<()> {
        self.row += 1;
        if !table.caption.is_empty() {
            self.text(&table.caption)?;
        }
        let mut most_lines = 1;
        for (at, column) in table.columns.iter().enumerate() {
            let format = if column.numeric {
                &self.formats.head_of_numbers
            } else {
                &self.formats.head
            };
            let head = workbook::head(column);
            most_lines = most_lines.max(lines_in(at, &head));
            write_text(self.out, self.row, at, &head, format)?;
        }
        set_lines(self.out, self.row, most_lines)?;
        self.row += 1;
        for row in &table.rows {
            let mut most_lines = 1;
            for (at, cell) in row.iter().enumerate() {
                match cell {
                    Cell::Text(text) => {
                        most_lines = most_lines.max(lines_in(at, text));
                        write_text(self.out, self.row, at, text, &self.formats.wrapped)?;
                    }
                    cell => write_cell(self.out, self.row, at, cell, self.formats)?,
                }
            }
            set_lines(self.out, self.row, most_lines)?;
            self.row += 1;
        }
        for remark in &table.remarks {
            self.text(remark)?;
        }
        self.row += 1;
        Ok(())
    }
}
