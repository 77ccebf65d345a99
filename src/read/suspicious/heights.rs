//! Heights: missing, zero, and read from too near or too steeply.

use super::plausible;
use crate::design::Design;
use crate::diagnostic::{Diagnostic, Problems, counted};
use crate::read::trees::{TreeRow, TreeSheet};
use crate::records::{Reading, ReadingScale};

/// Looks at the heights of all trees.
pub(super) fn check(design: &Design, sheet: &TreeSheet, problems: &mut Problems) {
    let length = design.units.length();
    let columns = &sheet.columns.height;
    let top_column = columns.top();
    let mut missing: Vec<&TreeRow> = Vec::new();
    for row in &sheet.rows {
        let height = &row.height;
        if height.is_zero {
            problems.push(
                Diagnostic::warning("height-zero", "a height of 0 is taken as missing")
                    .at(sheet.site(row, columns.height))
                    .hint("leave it blank if it was not measured"),
            );
        }
        if height.is_missing() {
            missing.push(row);
        }
        if let Some(diagnostic) = check_sights(row, design) {
            problems.push(diagnostic.at(sheet.site(row, top_column)));
        }
        if let (Some(height_m), Some(reading)) = (height.written_m, &height.reading) {
            let read = reading.height_m();
            if (read - height_m).abs() > plausible::HEIGHT_DIFFERENCE * height_m {
                let [written, read] = [height_m, read].map(|m| length.words(m, 1));
                let message = format!("the height is {written}, but the readings give {read}");
                problems.push(
                    Diagnostic::warning("height-differs", message)
                        .at(sheet.site(row, columns.height))
                        .hint("the height is used; correct it or the readings"),
                );
            }
        }
    }
    if let Some(first) = missing.first() {
        let message = format!(
            "no height for {} of {}, from here on",
            missing.len(),
            counted(sheet.rows.len(), "tree")
        );
        problems.push(
            Diagnostic::note("height-missing", message)
                .at(sheet.site(first, columns.height.or(Some(sheet.columns.dbh)))),
        );
    }
}

/// Sights that are too steep, or taken from nearer than the tree is tall, and the error that they
/// bring. Where only the sight to the top is known next to a written height, the base is taken at
/// the level of the eye, so that the distance is H / t.
fn check_sights(row: &TreeRow, design: &Design) -> Option<Diagnostic> {
    let (error, units) = (&design.heights.instrument, design.units);
    // An error already.
    if (row.height_m()).is_some_and(|height_m| height_m <= design.heights.breast_height_m) {
        return None;
    }
    let top = row.height.top_ratio?;
    let reading = row.height.reading.as_deref().copied().or_else(|| {
        let distance_m = row.height_m()? / top.abs();
        let scale = ReadingScale::Level { distance_m };
        Some(Reading::upright(top.abs(), 0.0, scale))
    })?;
    if reading.is_steep() {
        let (top, base) = (reading.top_ratio, reading.base_ratio);
        let steepest = if base.abs() > top.abs() { base } else { top };
        let message = format!(
            "a sight of {:.0} % ({:.0} degrees) is steep: {} of the height",
            100.0 * steepest,
            steepest.atan().to_degrees(),
            reading.error_words(error, units)
        );
        let hint = "read from farther away";
        return Some(Diagnostic::warning("steep-sight", message).hint(hint));
    }
    let reading = row.height.reading.as_deref();
    let reading = reading.filter(|reading| reading.is_short_baseline())?;
    let message = format!(
        "the distance of {} is shorter than the tree is tall ({}): {} of the height",
        units.length().words(reading.horizontal_distance_m()?, 1),
        units.length().words(reading.sighted_m(), 1),
        reading.error_words(error, units)
    );
    let hint = "read from at least as far as the tree is tall";
    Some(Diagnostic::warning("short-baseline", message).hint(hint))
}
