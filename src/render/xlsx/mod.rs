//! Workbooks as Excel's `.xlsx`: numbers as numbers at full precision with the decimals that they
//! are shown with, words as words (never as formulas), head and key columns frozen, filters, and
//! pages that fit a printer. The bytes depend on nothing but the workbook.

mod report;

use anyhow::{Context as _, Result, ensure};
use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatAlign, FormatBorder, IgnoreError,
    Workbook as Writer, Worksheet,
};

use crate::render::terminal::wrap;
use crate::tables::tidy::{Tidy, without_sign_of_zero};
use crate::tables::workbook::{self, Content, Sheet, Workbook};
use crate::tables::{Cell, Table};
use crate::units::UnitSystem;

/// Rows of a sheet.
const MOST_ROWS: usize = 1_048_576;
/// Columns of a sheet.
const MOST_COLUMNS: usize = 16_384;
/// Characters of a cell.
const LONGEST_TEXT: usize = 32_767;
/// Characters of a line on top of a printed page, without what stands beside the title.
const LONGEST_TITLE: usize = 120;
/// Columns are as wide as their rows up to this one need.
const ROWS_LOOKED_AT: usize = 2000;
/// Characters of the widest column; in tables for people longer words go on in the next line of
/// their cell.
const WIDEST: usize = 45;
/// Characters of words that surely fit it: most are narrower than figures.
const LINE: usize = 52;
/// Characters that columns which stay in sight may take.
const MOST_FROZEN: usize = 75;
/// Height of a line of text.
const LINE_HEIGHT: f64 = 15.0;
/// Numbers are shown with at most this many decimals.
const MOST_DECIMALS: usize = 8;

/// Draws a workbook.
pub fn render(workbook: &Workbook) -> Result<Vec<u8>> {
    for sheet in &workbook.sheets {
        check_size(sheet)?;
    }
    let mut writer = Writer::new();
    // A file is the same whenever it is made.
    let made = ExcelDateTime::from_ymd(2000, 1, 1)?;
    let properties = DocProperties::new()
        .set_title(&workbook.title)
        .set_creation_datetime(&made);
    writer.set_properties(&properties);
    let formats = Formats::new();
    for sheet in &workbook.sheets {
        let out = writer.add_worksheet();
        out.set_name(sheet.name)?;
        set_up_page(out, workbook);
        draw(out, sheet, &formats).with_context(|| format!("sheet {}", sheet.name))?;
    }
    Ok(writer.save_to_buffer()?)
}

/// Refuses what a sheet cannot hold, before anything is made of it.
fn check_size(sheet: &Sheet) -> Result<()> {
    let (rows, columns) = match &sheet.content {
        Content::Table(table) => (table.rows.len(), table.columns.len()),
        Content::List(tidy, _) => (tidy.rows.len(), tidy.columns.len()),
        Content::Report(_) => return Ok(()),
    };
    let most = MOST_ROWS - first_row(sheet) - 1;
    ensure!(
        rows <= most,
        "sheet `{}`: {rows} rows, but a sheet of a workbook holds {most} below its head; {}",
        sheet.name,
        sheet.instead
    );
    ensure!(
        columns <= MOST_COLUMNS,
        "sheet `{}`: {columns} columns, but a sheet of a workbook holds {MOST_COLUMNS}; {}",
        sheet.name,
        sheet.instead
    );
    Ok(())
}

/// The row of the head, from 0.
fn first_row(sheet: &Sheet) -> usize {
    match sheet.lines.len() {
        0 => 0,
        lines => lines + 1,
    }
}

/// How cells look.
struct Formats {
    title: Format,
    plain: Format,
    head: Format,
    head_of_numbers: Format,
    words: Format,
    wrapped: Format,
    /// By decimals.
    numbers: Vec<Format>,
}

impl Formats {
    fn new() -> Self {
        let head = Format::new()
            .set_bold()
            .set_text_wrap()
            .set_align(FormatAlign::Bottom)
            .set_border_bottom(FormatBorder::Thin);
        let top = || Format::new().set_align(FormatAlign::Top);
        // A number may stand close before them.
        let words = || top().set_align(FormatAlign::Left).set_indent(1);
        let number = |decimals| {
            let code = match decimals {
                0 => "0".to_owned(),
                decimals => format!("0.{}", "0".repeat(decimals)),
            };
            top().set_num_format(code)
        };
        Formats {
            title: Format::new().set_bold().set_font_size(14),
            plain: Format::new(),
            head_of_numbers: head.clone().set_align(FormatAlign::Right),
            head: head.set_align(FormatAlign::Left).set_indent(1),
            words: words(),
            wrapped: words().set_text_wrap(),
            numbers: (0..=MOST_DECIMALS).map(number).collect(),
        }
    }
}

/// Landscape, as wide as a page; the title on top, the page below.
fn set_up_page(out: &mut Worksheet, workbook: &Workbook) {
    const A4: u8 = 9;
    const LETTER: u8 = 1;
    out.set_paper_size(match workbook.units {
        UnitSystem::Metric => A4,
        UnitSystem::Imperial => LETTER,
    });
    out.set_landscape();
    out.set_print_fit_to_pages(1, 0);
    out.set_margins(0.4, 0.4, 0.7, 0.6, 0.3, 0.3);
    // An ampersand begins an instruction.
    let title: String = workbook.title.chars().take(LONGEST_TITLE).collect();
    let title = title.replace('&', "&&").replace(['\n', '\r'], " ");
    out.set_header(format!("&L{title}&R&A"));
    out.set_footer("&R&P / &N");
}

fn draw(out: &mut Worksheet, sheet: &Sheet, formats: &Formats) -> Result<()> {
    for (at, line) in sheet.lines.iter().enumerate() {
        let format = if at == 0 {
            &formats.title
        } else {
            &formats.plain
        };
        write_text(out, at, 0, line, format)?;
    }
    let head = first_row(sheet);
    match &sheet.content {
        Content::Table(table) => draw_table(out, head, table, formats),
        Content::List(tidy, keys) => draw_list(out, head, tidy, *keys, formats),
        Content::Report(report) => report::draw(out, report, formats),
    }
}

fn draw_table(out: &mut Worksheet, head: usize, table: &Table, formats: &Formats) -> Result<()> {
    let mut layout = Layout::new(table.columns.len());
    for row in table.rows.iter().take(ROWS_LOOKED_AT) {
        for (at, cell) in row.iter().enumerate() {
            layout.take(at, cell);
        }
    }
    let columns = table.columns.iter();
    let heads: Vec<Head> = columns
        .map(|column| Head {
            text: workbook::head(column),
            numeric: column.numeric,
        })
        .collect();
    let keys = layout.set_up(out, head, &heads, table.key_columns, formats)?;
    for (at, row) in table.rows.iter().enumerate() {
        let mut most_lines = 1;
        for (column, cell) in row.iter().enumerate() {
            match cell {
                Cell::Text(text) if layout.widths[column] > WIDEST => {
                    most_lines = most_lines.max(wrap(text, LINE).len());
                    write_text(out, head + 1 + at, column, text, &formats.wrapped)?;
                }
                cell => write_cell(out, head + 1 + at, column, cell, formats)?,
            }
        }
        set_lines(out, head + 1 + at, most_lines)?;
    }
    finish(out, head, table.rows.len(), table.columns.len(), keys)
}

fn draw_list(
    out: &mut Worksheet,
    head: usize,
    tidy: &Tidy<String>,
    keys: usize,
    formats: &Formats,
) -> Result<()> {
    let mut layout = Layout::new(tidy.columns.len());
    let mut heads: Vec<Head> = (tidy.columns.iter())
        .map(|name| Head {
            text: name.clone(),
            numeric: false,
        })
        .collect();
    let cells = |row| std::iter::zip::<_, &Vec<_>>(&tidy.columns, row);
    for row in tidy.rows.iter().take(ROWS_LOOKED_AT) {
        for (at, (name, value)) in cells(row).enumerate() {
            let cell = workbook::cell(name, value);
            heads[at].numeric |= matches!(cell, Cell::Number(..));
            layout.take(at, &cell);
        }
    }
    let keys = layout.set_up(out, head, &heads, keys, formats)?;
    for (at, row) in tidy.rows.iter().enumerate() {
        for (column, (name, value)) in cells(row).enumerate() {
            let cell = workbook::cell(name, value);
            write_cell(out, head + 1 + at, column, &cell, formats)?;
        }
    }
    finish(out, head, tidy.rows.len(), tidy.columns.len(), keys)
}

/// Freezes the head and key columns, filters by the head, and repeats it on every page.
fn finish(out: &mut Worksheet, head: usize, rows: usize, columns: usize, keys: u16) -> Result<()> {
    let (first, last) = (row_number(head)?, row_number(head + rows)?);
    let last_column = column_number(columns.saturating_sub(1))?;
    out.set_freeze_panes(first + 1, keys)?;
    out.autofilter(first, 0, last, last_column)?;
    out.set_repeat_rows(first, first)?;
    // Numbers of plots and trees are names.
    out.ignore_error_range(first, 0, last, last_column, IgnoreError::NumberStoredAsText)?;
    Ok(())
}

/// The head of a column.
struct Head {
    text: String,
    numeric: bool,
}

/// How wide the columns are.
struct Layout {
    widths: Vec<usize>,
}

impl Layout {
    fn new(columns: usize) -> Self {
        Layout {
            widths: vec![0; columns],
        }
    }

    fn take(&mut self, column: usize, cell: &Cell) {
        let width = cell.shown().chars().count();
        self.widths[column] = self.widths[column].max(width);
    }

    /// Writes the head, whose words may stand below one another, and makes columns wide enough.
    /// Gives how many of the key columns leave room for others beside them.
    fn set_up(
        &self,
        out: &mut Worksheet,
        row: usize,
        heads: &[Head],
        keys: usize,
        formats: &Formats,
    ) -> Result<u16> {
        /// The sign of a filter, and what a column has beside its text.
        const ROOM: usize = 3;
        let mut most_lines = 1;
        let (mut frozen, mut taken) = (0, 0);
        for (at, head) in heads.iter().enumerate() {
            let words = head.text.split(' ').map(|word| word.chars().count());
            let longest_word = words.max().unwrap_or(0);
            let length = head.text.chars().count();
            let width = self.widths[at].min(WIDEST);
            let width = width.max(longest_word).max(length.div_ceil(2)).max(4);
            // A word that does not fit the end of a line leaves room there.
            let lines = if length <= width {
                1
            } else {
                1 + length.div_ceil(width)
            };
            most_lines = most_lines.max(lines);
            let column = column_number(at)?;
            taken += width + ROOM;
            if at < keys && taken <= MOST_FROZEN {
                frozen = column + 1;
            }
            out.set_column_width(column, (width + ROOM) as f64)?;
            let format = if head.numeric {
                &formats.head_of_numbers
            } else {
                &formats.head
            };
            write_text(out, row, at, &head.text, format)?;
        }
        set_lines(out, row, most_lines)?;
        Ok(frozen)
    }
}

fn write_cell(
    out: &mut Worksheet,
    row: usize,
    column: usize,
    cell: &Cell,
    formats: &Formats,
) -> Result<()> {
    match cell {
        Cell::Empty => Ok(()),
        Cell::Text(text) => write_text(out, row, column, text, &formats.words),
        // No cell holds what is no number.
        Cell::Number(number, _) if !number.is_finite() => {
            write_text(out, row, column, &cell.shown(), &formats.words)
        }
        Cell::Number(number, digits) => {
            let format = &formats.numbers[(*digits).min(MOST_DECIMALS)];
            let (row, column) = (row_number(row)?, column_number(column)?);
            out.write_number_with_format(row, column, without_sign_of_zero(*number), format)?;
            Ok(())
        }
    }
}

/// Words, whatever they look like.
fn write_text(
    out: &mut Worksheet,
    row: usize,
    column: usize,
    text: &str,
    format: &Format,
) -> Result<()> {
    if text.is_empty() {
        return Ok(());
    }
    let length = text.encode_utf16().count();
    ensure!(
        length <= LONGEST_TEXT,
        "row {}: a text of {length} characters, but a cell holds {LONGEST_TEXT}; take another \
         --format",
        row + 1
    );
    out.write_string_with_format(row_number(row)?, column_number(column)?, text, format)?;
    Ok(())
}

/// Makes a row high enough for lines of text: not every program does so by itself.
fn set_lines(out: &mut Worksheet, row: usize, lines: usize) -> Result<()> {
    if lines > 1 {
        out.set_row_height(row_number(row)?, LINE_HEIGHT * lines as f64)?;
    }
    Ok(())
}

fn row_number(row: usize) -> Result<u32> {
    ensure!(
        row < MOST_ROWS,
        "a sheet of a workbook holds {MOST_ROWS} rows; take another --format"
    );
    Ok(u32::try_from(row)?)
}

fn column_number(column: usize) -> Result<u16> {
    Ok(u16::try_from(column)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::tidy::Value;

    #[test]
    fn too_many_rows_are_refused_with_another_way() {
        let tidy = Tidy {
            columns: vec!["plot".to_owned()],
            rows: vec![vec![Value::Empty]; MOST_ROWS],
        };
        let workbook = Workbook {
            title: String::new(),
            units: UnitSystem::Metric,
            sheets: vec![Sheet {
                name: "trees",
                lines: Vec::new(),
                content: Content::List(tidy, 1),
                instead: "write the tree list by --tree-list",
            }],
        };
        let error = render(&workbook).unwrap_err().to_string();
        assert_eq!(
            error,
            "sheet `trees`: 1048576 rows, but a sheet of a workbook holds 1048575 below its head; \
             write the tree list by --tree-list"
        );
    }
}
