//! The cells of a sheet as CSV.

use std::collections::BTreeSet;
use std::io::{self, Read, Seek, Write};
use std::sync::Arc;

use calamine::{DataRef, ExcelDateTime, Style, Xlsx, XlsxCellFormulaMetadataRecord, XlsxError};

use super::{Wanted, broken, broken_sheet};
use crate::diagnostic::{Diagnostic, Heads, Problems, Rows, Site, seen};
use crate::math::shortest;
use crate::read::csv::names::NAMES;
use crate::read::parquet::{one_line, unwritten, write_heads};

/// Rows of a sheet.
const MOST_ROWS: u32 = 1_048_576;
/// Bytes of text that a sheet may become: words that stand in many cells are stored once.
const MOST_TEXT: usize = 2_000_000_000;
/// Writes the cells of a sheet. Everything that is wrong with them is found at once.
pub(super) fn convert<RS: Read + Seek>(
    workbook: &mut Xlsx<RS>,
    name: &str,
    shown: &str,
    wanted: Wanted<'_>,
    out: &mut impl Write,
) -> Result<Heads, Problems> {
    let sheet = |columns| {
        Arc::new(Rows {
            sheet: Some(name.to_owned()),
            columns,
        })
    };
    let mut text = Text {
        out,
        shown,
        wanted,
        heads: sheet(Vec::new()),
        has_heads: false,
        row: 0,
        fields: Vec::new(),
        headless: Vec::new(),
        percentages: BTreeSet::new(),
        written: 0,
        problems: Problems::new(),
    };
    let whole = |finding: Diagnostic| {
        let heads = Some(sheet(Vec::new()));
        Problems::from(finding.at(Site {
            heads,
            ..Site::whole(shown)
        }))
    };
    let percentages = percentages(workbook, name);
    text.percentages = percentages.map_err(|error| whole(broken_sheet(&error)))?;
    let reader = workbook.worksheet_cells_reader(name);
    let mut reader = reader.map_err(|error| whole(broken_sheet(&error)))?;
    let mut last = None;
    loop {
        let record = reader.next_cell_with_formula_metadata();
        let Some(record) = record.map_err(|error| whole(broken_sheet(&error)))? else {
            break;
        };
        if last >= Some(record.pos) || record.pos.0 >= MOST_ROWS {
            return Err(whole(broken(&"its cells are not in order")));
        }
        last = Some(record.pos);
        text.take(&record)
            .map_err(|error| whole(unwritten(&error)))?;
        if text.written > MOST_TEXT {
            let message = format!(
                "as text the sheet has more than {} million bytes",
                MOST_TEXT / 1_000_000
            );
            return Err(whole(
                Diagnostic::error("workbook-too-large", message)
                    .hint("save the sheet as CSV, or as Parquet"),
            ));
        }
    }
    text.end_row().map_err(|error| whole(unwritten(&error)))?;
    if !text.has_heads {
        return Err(whole(
            Diagnostic::error("empty-file", "the sheet is empty")
                .hint("its first row names the columns"),
        ));
    }
    text.out.flush().map_err(|error| whole(unwritten(&error)))?;
    if text.problems.is_empty() {
        Ok(text.heads)
    } else {
        Err(text.problems.folded())
    }
}

/// The text that a sheet becomes, up to a row that is being gathered.
struct Text<'a, W> {
    out: &'a mut W,
    shown: &'a str,
    wanted: Wanted<'a>,
    heads: Heads,
    has_heads: bool,
    /// Row of `fields`, from 0; lines of all rows before it were written.
    row: u32,
    fields: Vec<Vec<u8>>,
    /// Columns without a head of which it was told that there is something in them.
    headless: Vec<usize>,
    /// Cells that show a hundred times what they hold.
    percentages: BTreeSet<(u32, u32)>,
    written: usize,
    problems: Problems,
}

impl<W: Write> Text<'_, W> {
    fn take(&mut self, record: &XlsxCellFormulaMetadataRecord<'_>) -> io::Result<()> {
        let (row, column) = record.pos;
        while self.row < row {
            self.end_row()?;
        }
        let column = column as usize;
        let mut field = Vec::new();
        match self.push(&mut field, record, column) {
            Ok(()) => {}
            Err(finding) => {
                let site = self.site(column);
                self.problems.push(finding.at(site));
            }
        }
        if field.trim_ascii().is_empty() {
            return Ok(());
        }
        if self.has_heads && self.heads.columns.get(column).is_none_or(String::is_empty) {
            if !self.headless.contains(&column) {
                self.headless.push(column);
                let shown = seen(&String::from_utf8_lossy(&field));
                let message =
                    format!("there is something here ({shown}), but the column has no head");
                let finding = Diagnostic::error("column-without-head", message)
                    .at(self.site(column))
                    .hint(
                        "the heads stand in the first row that is not empty: remove what is above \
                         them, and give each column one",
                    );
                self.problems.push(finding);
            }
            return Ok(());
        }
        if self.fields.len() <= column {
            self.fields.resize(column + 1, Vec::new());
        }
        self.fields[column] = field;
        Ok(())
    }

    fn site(&self, column: usize) -> Site {
        Site {
            line: self.row as usize + 1,
            column: column + 1,
            heads: Some(Arc::clone(&self.heads)),
            ..Site::whole(self.shown)
        }
    }

    /// Writes the row as a line, and begins the next.
    fn end_row(&mut self) -> io::Result<()> {
        let mut line = Vec::new();
        if !self.has_heads && !self.fields.is_empty() {
            let heads = self.fields.iter();
            let heads = heads.map(|head| String::from_utf8_lossy(head).into_owned());
            let columns: Vec<String> = heads.collect();
            write_heads(&columns, &mut line)?;
            self.heads = Arc::new(Rows {
                sheet: self.heads.sheet.clone(),
                columns,
            });
            self.has_heads = true;
        } else {
            for (at, field) in self.fields.iter().enumerate() {
                if at > 0 {
                    line.push(b',');
                }
                push_quoted(&mut line, field);
            }
            line.push(b'\n');
        }
        self.fields.clear();
        self.row += 1;
        self.written += line.len();
        self.out.write_all(&line)
    }

    /// The text of a cell.
    fn push(
        &self,
        field: &mut Vec<u8>,
        record: &XlsxCellFormulaMetadataRecord<'_>,
        column: usize,
    ) -> Result<(), Diagnostic> {
        match &record.value {
            DataRef::Empty if record.formula.is_some() => {
                let message = "a formula without a stored value";
                return Err(Diagnostic::error("formula-without-value", message).hint(
                    "open the workbook in a spreadsheet program and save it, or write the value \
                     in its place",
                ));
            }
            DataRef::Empty => {}
            DataRef::Int(number) => field.extend_from_slice(number.to_string().as_bytes()),
            DataRef::Float(number) => {
                self.check_percentage(*number, record.pos)?;
                shortest::push(field, *number);
            }
            DataRef::String(text) => field.extend_from_slice(one_line(text).as_bytes()),
            DataRef::SharedString(text) => field.extend_from_slice(one_line(text).as_bytes()),
            DataRef::Bool(value) => field.extend_from_slice(value.to_string().as_bytes()),
            DataRef::DateTime(date) => {
                let text = date_text(date);
                self.check_date(&text, column)?;
                field.extend_from_slice(text.as_bytes());
            }
            DataRef::DateTimeIso(text) | DataRef::DurationIso(text) => {
                self.check_date(text, column)?;
                field.extend_from_slice(one_line(text).as_bytes());
            }
            DataRef::Error(error) => {
                let message = format!("the cell holds an error (`{error}`)");
                return Err(Diagnostic::error("error-in-cell", message)
                    .hint("put the formula right, or clear the cell"));
            }
        }
        Ok(())
    }

    /// What a column is called here.
    fn name(&self, column: usize) -> Option<String> {
        let head = self.heads.columns.get(column)?.trim().to_lowercase();
        let mut renamed = self.wanted.columns.iter();
        let renamed = renamed.find(|(from, _)| from.trim().to_lowercase() == head);
        Some(renamed.map_or(head, |(_, to)| to.clone()))
    }

    /// A column in percent whose cell shows 35 % and holds 0.35.
    fn check_percentage(&self, number: f64, pos: (u32, u32)) -> Result<(), Diagnostic> {
        let name = self.name(pos.1 as usize);
        if !self.percentages.contains(&pos) || !name.is_some_and(|name| name.ends_with("_pct")) {
            return Ok(());
        }
        let shown = plain(number * 100.0);
        let message = format!("the cell shows {shown} %, but holds {}", plain(number));
        let hint = format!("format the column as plain numbers, and write {shown} for {shown} %");
        Err(Diagnostic::error("percentage-in-cell", message).hint(hint))
    }

    /// A name that a spreadsheet program took for a date.
    fn check_date(&self, text: &str, column: usize) -> Result<(), Diagnostic> {
        let name = self.name(column);
        // What names a thing is no date.
        let Some(name) = name.filter(|name| NAMES.contains(&name.as_str())) else {
            return Ok(());
        };
        let message = format!("the cell holds a date (`{text}`), which is no `{name}`");
        Err(Diagnostic::error("date-in-cell", message).hint(
            "spreadsheet programs turn entries such as 3-4 into dates: format the column as text \
             and enter it again",
        ))
    }
}

/// The cells that are formatted as percentages.
fn percentages<RS: Read + Seek>(
    workbook: &mut Xlsx<RS>,
    name: &str,
) -> Result<BTreeSet<(u32, u32)>, XlsxError> {
    let mut cells = BTreeSet::new();
    let mut reader = workbook.worksheet_cells_reader(name)?;
    let shows = |style: &Style| {
        let format = style.number_format.as_ref();
        format.is_some_and(|format| format.format_code.contains('%'))
    };
    let shows: Vec<bool> = reader.styles().iter().map(shows).collect();
    if shows.contains(&true) {
        while let Some((row, column, style)) = reader.next_style_id()? {
            if shows.get(style) == Some(&true) {
                cells.insert((row, column));
            }
        }
    }
    Ok(cells)
}

/// A number without what stands behind its tenth decimal.
fn plain(number: f64) -> String {
    ((number * 1e10).round() / 1e10).to_string()
}

/// `2001-12-31`, `2001-12-31 23:59:59`, or the time alone.
fn date_text(date: &ExcelDateTime) -> String {
    let (year, month, day, hour, minute, second, _) = date.to_ymd_hms_milli();
    let time = format!("{hour:02}:{minute:02}:{second:02}");
    if date.is_duration() || date.as_f64() < 1.0 {
        return time;
    }
    let day = format!("{year:04}-{month:02}-{day:02}");
    if date.as_f64().fract() == 0.0 {
        day
    } else {
        format!("{day} {time}")
    }
}

fn push_quoted(line: &mut Vec<u8>, field: &[u8]) {
    if !field.iter().any(|byte| matches!(byte, b',' | b'"')) {
        line.extend_from_slice(field);
        return;
    }
    line.push(b'"');
    for byte in field {
        if *byte == b'"' {
            line.push(b'"');
        }
        line.push(*byte);
    }
    line.push(b'"');
}
