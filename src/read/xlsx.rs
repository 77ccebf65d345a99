//! Workbooks (`.xlsx`) to CSV text, so that records in sheets are read and checked as those in text.

use std::path::Path;

/// Is this the name of a workbook?
pub fn is_workbook(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("xlsx"))
}
