//! Workbooks (`.xlsx`) to CSV text, so that records in sheets are read and checked as those in text.
//!
//! A row of the sheet is a line, so that lines are the row numbers of the sheet; the first row that
//! is not empty has the heads. Words stay as they are, but for line ends within them, which become
//! spaces. Numbers become the shortest text that reads back, formulas the value that was stored with
//! them, dates and times are written as `2001-12-31` and `23:59:59`.

mod cells;
mod file;
mod sheets;

use std::fs::File;
use std::io::{BufReader, Seek as _, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use calamine::{Reader as _, Xlsx, XlsxError};

pub(super) use file::ZIP as MAGIC;

use crate::design::Input;
use crate::diagnostic::{Diagnostic, Heads, Problems, Site};

/// Endings of tables that only a spreadsheet program reads.
const OTHERS: [&str; 4] = ["xls", "xlsb", "ods", "numbers"];

/// Which sheet of a workbook is wanted, and how its heads are called here.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted<'a> {
    /// What the rows are, `trees` for example: a sheet of this name is taken.
    pub record: Option<&'a str>,
    /// The sheet that was asked for by name.
    pub sheet: Option<&'a str>,
    /// Heads of the sheet, and what they are called here.
    pub columns: &'a [(String, String)],
}

impl<'a> Wanted<'a> {
    /// Where the records of an input of the design are.
    pub(super) fn of(input: &'a Input) -> Self {
        Wanted {
            record: Some(input.record),
            sheet: input.sheet.as_deref(),
            columns: &input.columns,
        }
    }
}

fn ending_is(path: &Path, endings: &[&str]) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str());
    ending.is_some_and(|ending| endings.iter().any(|of| ending.eq_ignore_ascii_case(of)))
}

/// Is this the name of a workbook?
pub fn is_workbook(path: &Path) -> bool {
    ending_is(path, &["xlsx"])
}

/// What is said of a spreadsheet of another kind, told by its name.
pub fn other_kind(path: &Path, shown: &str) -> Option<Diagnostic> {
    ending_is(path, &OTHERS).then(|| {
        Diagnostic::error(
            "other-spreadsheet",
            "spreadsheets of this kind are not read",
        )
        .at(Site::whole(shown))
        .hint("save it as .xlsx (Excel workbook) or as CSV")
    })
}

/// Writes the rows of a sheet as CSV, and gives the names of its columns; `shown` names the file in
/// messages.
pub fn to_csv(
    mut file: File,
    shown: &str,
    wanted: Wanted<'_>,
    out: &mut impl Write,
) -> Result<Heads, Problems> {
    let at_file = |finding: Diagnostic| Problems::from(finding.at(Site::whole(shown)));
    // A broken file may go wrong anywhere in the decoders.
    let converted = catch_unwind(AssertUnwindSafe(|| {
        file::check(&mut file).map_err(at_file)?;
        file.rewind()
            .map_err(|error| at_file(file::unreadable(&error)))?;
        let workbook = Xlsx::new(BufReader::new(file));
        let mut workbook = workbook.map_err(|error| at_file(broken(&error)))?;
        let sheet = sheets::choose(workbook.sheets_metadata(), wanted).map_err(at_file)?;
        cells::convert(&mut workbook, &sheet, shown, wanted, out)
    }));
    converted.unwrap_or_else(|_| Err(at_file(broken(&"its parts cannot be decoded"))))
}

fn broken(what: &dyn std::fmt::Display) -> Diagnostic {
    let message = format!("the workbook is broken: {what}");
    Diagnostic::error("broken-workbook", message)
        .hint("open it in a spreadsheet program and save it as .xlsx again")
}

fn broken_sheet(error: &XlsxError) -> Diagnostic {
    match error {
        XlsxError::CellError(value) => {
            let message = format!("a cell holds an error (`{value}`)");
            Diagnostic::error("error-in-cell", message).hint("put the formula right, or clear it")
        }
        error => broken(error),
    }
}
