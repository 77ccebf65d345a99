//! Places in files that have rows rather than lines of text.

/// A file of rows: Parquet, or a sheet of a workbook.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Rows {
    /// The sheet, where it is one of a workbook.
    pub sheet: Option<String>,
    /// Names of the columns.
    pub columns: Vec<String>,
}

impl Rows {
    /// The number of a row for people. In a sheet it is that of the line; elsewhere the names of the
    /// columns are line 1, and the first row is line 2.
    pub fn row(&self, line: usize) -> usize {
        row(line, self.sheet.as_deref())
    }
}

/// The number of the row that stands in a line.
pub fn row(line: usize, sheet: Option<&str>) -> usize {
    match sheet {
        Some(_) => line,
        None => line.saturating_sub(1),
    }
}

/// A place in a file of rows, from its line, its column counted from 1 (0 for the whole row), and
/// the name of that: `: row 12, dbh_cm`, or `: sheet trees, cell D12 (dbh_cm)`; empty for the file
/// as a whole.
pub fn place_in_rows(line: usize, column: usize, head: &str, sheet: Option<&str>) -> String {
    if let Some(sheet) = sheet {
        return match (line, column, head) {
            (0, ..) => format!(": sheet {sheet}"),
            (line, 0, _) => format!(": sheet {sheet}, row {line}"),
            (line, column, "") => format!(": sheet {sheet}, cell {}", cell(line, column)),
            (line, column, head) => {
                format!(": sheet {sheet}, cell {} ({head})", cell(line, column))
            }
        };
    }
    match (line, head) {
        (0, _) | (1, "") => String::new(),
        (1, head) => format!(": column {head}"),
        (line, "") => format!(": row {}", line - 1),
        (line, head) => format!(": row {}, {head}", line - 1),
    }
}

/// The name of a cell, row and column counted from 1: `D12`.
fn cell(row: usize, column: usize) -> String {
    let mut letters = Vec::new();
    let mut rest = column;
    while rest > 0 {
        let letter = u8::try_from((rest - 1) % 26).unwrap_or(0);
        letters.push(char::from(b'A' + letter));
        rest = (rest - 1) / 26;
    }
    let letters: String = letters.iter().rev().collect();
    format!("{letters}{row}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_named_as_in_a_sheet() {
        let named = [1, 26, 27, 52, 702, 703, 16_384].map(|column| cell(7, column));
        assert_eq!(named, ["A7", "Z7", "AA7", "AZ7", "ZZ7", "AAA7", "XFD7"]);
    }

    #[test]
    fn places_in_sheets_and_elsewhere() {
        let sheet = Some("trees");
        assert_eq!(place_in_rows(0, 0, "", sheet), ": sheet trees");
        assert_eq!(place_in_rows(3, 0, "", sheet), ": sheet trees, row 3");
        assert_eq!(
            place_in_rows(12, 4, "dbh_cm", sheet),
            ": sheet trees, cell D12 (dbh_cm)"
        );
        assert_eq!(place_in_rows(12, 30, "", sheet), ": sheet trees, cell AD12");
        assert_eq!(place_in_rows(12, 4, "dbh_cm", None), ": row 11, dbh_cm");
        assert_eq!(place_in_rows(1, 4, "dbh_cm", None), ": column dbh_cm");
        assert_eq!([row(12, None), row(12, sheet), row(0, None)], [11, 12, 0]);
    }
}
