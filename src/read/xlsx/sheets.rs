//! Which sheet of a workbook holds the records.

use calamine::{Sheet, SheetType, SheetVisible};

use super::Wanted;
use crate::diagnostic::{Diagnostic, seen};

/// What records are called, and so their sheets.
const RECORDS: [&str; 4] = ["stands", "plots", "trees", "counts"];

fn is_called(name: &str, wanted: &str) -> bool {
    name.trim().to_lowercase() == wanted.trim().to_lowercase()
}

/// The sheet that was asked for; else the one that is called as the records are; else the only one.
/// Hidden sheets are taken only if they are asked for.
pub(super) fn choose(sheets: &[Sheet], wanted: Wanted<'_>) -> Result<String, Diagnostic> {
    let mut sheets: Vec<&Sheet> = sheets
        .iter()
        .filter(|sheet| sheet.typ == SheetType::WorkSheet)
        .collect();
    if let Some(name) = wanted.sheet {
        let found = sheets.iter().find(|sheet| is_called(&sheet.name, name));
        return found.map(|sheet| sheet.name.clone()).ok_or_else(|| {
            let message = format!("the workbook has no sheet {}", seen(name));
            Diagnostic::error("no-such-sheet", message).hint(they_are(&sheets))
        });
    }
    sheets.retain(|sheet| sheet.visible == SheetVisible::Visible);
    let record = wanted.record.unwrap_or_default();
    if let Some(sheet) = sheets.iter().find(|sheet| is_called(&sheet.name, record)) {
        return Ok(sheet.name.clone());
    }
    let is_of_others = |sheet: &Sheet| {
        let mut records = RECORDS
            .iter()
            .filter(|name| !record.is_empty() && **name != record);
        records.any(|name| is_called(&sheet.name, name))
    };
    match sheets[..] {
        [] => Err(Diagnostic::error(
            "no-such-sheet",
            "the workbook has no sheet that is not hidden",
        )
        .hint("show the sheet of the records, or name it in the design: `sheet: NAME`")),
        [only] if !is_of_others(only) => Ok(only.name.clone()),
        _ => {
            let (message, hint) = match record {
                "" => (
                    "the workbook has several sheets".to_owned(),
                    "keep the one of the table".to_owned(),
                ),
                record => (
                    format!("the workbook has no sheet `{record}`"),
                    format!(
                        "call it `{record}`, or say in the design `{record}: {{path: FILE, sheet: \
                         NAME}}`"
                    ),
                ),
            };
            let hint = format!("{}; {hint}", they_are(&sheets));
            Err(Diagnostic::error("no-such-sheet", message).hint(hint))
        }
    }
}

fn they_are(sheets: &[&Sheet]) -> String {
    let names: Vec<String> = sheets.iter().map(|sheet| seen(&sheet.name)).collect();
    match &names[..] {
        [] => "it has none".to_owned(),
        [only] => format!("its sheet is {only}"),
        names => format!("its sheets are {}", names.join(", ")),
    }
}
