//! Heights: missing, zero, and read from too near or too steeply.

use super::plausible;
use crate::diagnostic::{Diagnostic, Problems, counted};
use crate::read::trees::{TreeRow, TreeSheet};
use crate::records::{HeightRecord, Reading};

/// Steeper sights than 100 %, 45 degrees, are not precise.
const STEEP_RATIO: f64 = 1.0;
/// Half a degree in radians: what a careful reading may be off by.
const HALF_DEGREE: f64 = std::f64::consts::PI / 360.0;

/// Looks at the heights of all trees.
pub(super) fn check(sheet: &TreeSheet, problems: &mut Problems) {
    let columns = &sheet.columns.height;
    let top_column = columns.top.map(|top| top.column);
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
        if height.record == HeightRecord::Missing {
            missing.push(row);
        }
        if let Some(diagnostic) = check_sights(row) {
            problems.push(diagnostic.at(sheet.site(row, top_column)));
        }
        if let (HeightRecord::Measured { height_m }, Some(reading)) =
            (height.record, height.reading)
        {
            let read = reading.height_m();
            if (read - height_m).abs() > plausible::HEIGHT_DIFFERENCE * height_m {
                let message =
                    format!("the height is {height_m:.1} m, but the readings give {read:.1} m");
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

/// Sights that are too steep, or taken from nearer than the tree is tall, and what half a degree
/// does to the height.
///
/// ```text
/// H = Dh (t - b), so a change of the top angle by e changes H by Dh (1 + t^2) e
/// ```
/// Dh horizontal distance, t and b slope ratios of the sights. Where only the top sight is known,
/// b is taken as 0, so that Dh = H / t. Source: plane trigonometry.
fn check_sights(row: &TreeRow) -> Option<Diagnostic> {
    let top = row.height.top_ratio?;
    let base = row.height.reading.map(|reading| reading.base_ratio);
    let is_steep = |ratio: f64| ratio.abs() > STEEP_RATIO;
    let distance_m = match row.height.reading {
        Some(reading) => Some(reading.horizontal_distance_m()),
        None => row.height_m().map(|height| height / top.abs()),
    };
    let steepest = base.filter(|base| base.abs() > top.abs()).unwrap_or(top);
    let effect = distance_m
        .map(|distance| distance * (1.0 + steepest * steepest) * HALF_DEGREE)
        .map_or_else(String::new, |error| {
            format!(": half a degree changes the height by {error:.1} m")
        });
    if is_steep(top) || base.is_some_and(is_steep) {
        let message = format!(
            "a sight of {:.0} % ({:.0} degrees) is steep{effect}",
            100.0 * steepest,
            steepest.atan().to_degrees()
        );
        let hint = "read from farther away";
        return Some(Diagnostic::warning("steep-sight", message).hint(hint));
    }
    let reading = row.height.reading.filter(Reading::is_short_baseline)?;
    let message = format!(
        "the distance of {:.1} m is shorter than the tree is tall ({:.1} m){effect}",
        reading.horizontal_distance_m(),
        reading.height_m()
    );
    let hint = "read from at least as far as the tree is tall";
    Some(Diagnostic::warning("short-baseline", message).hint(hint))
}
