//! Trees that are there twice.

use std::cmp::Ordering;

use super::{Cruise, plausible};
use crate::diagnostic::{Diagnostic, Problems, counted, seen};
use crate::read::trees::{TreeRow, TreeSheet};

/// Looks for repeated numbers, repeated trees and repeated runs of rows.
pub(super) fn check(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    numbers(cruise, sheet, problems);
    neighbours(cruise, sheet, problems);
    runs(sheet, problems);
    in_two_selections(cruise, sheet, problems);
}

/// Species, dbh and height as comparable numbers; equal for equal measurements.
type Measurements = (usize, u64, u64);

fn measurements(row: &TreeRow) -> Option<Measurements> {
    let bits = |value: Option<f64>| value.map_or(u64::MAX, f64::to_bits);
    Some((row.species?, row.dbh_cm?.to_bits(), bits(row.height_m())))
}

/// The same tree number twice in one plot and selection.
fn numbers(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    let key = |row: &TreeRow| Some((row.plot?, row.selection?));
    let mut numbered: Vec<&TreeRow> = sheet
        .rows
        .iter()
        .filter(|row| !row.number.is_empty() && key(row).is_some())
        .collect();
    numbered.sort_by(|a, b| key(a).cmp(&key(b)).then_with(|| a.number.cmp(&b.number)));
    for pair in numbered.windows(2) {
        let (first, second) = (pair[0], pair[1]);
        if key(first) != key(second) || first.number != second.number {
            continue;
        }
        let Some((plot, selection)) = key(second) else {
            continue;
        };
        let place = format!(
            "tree {} of {}, selection `{}`,",
            seen(&second.number),
            cruise.plots.name_of(plot),
            cruise.design.selections[selection].name
        );
        let diagnostic = if measurements(first) == measurements(second) {
            let message = format!(
                "{place} is there twice with the same values, first in line {}",
                first.line
            );
            Diagnostic::warning("tree-twice", message)
                .hint("it counts twice: remove one of the rows")
        } else {
            let message = format!(
                "{place} is there twice with different values, first in line {}",
                first.line
            );
            Diagnostic::warning("tree-number-twice", message)
                .hint("is it a second stem, a wrong number, or the same tree again?")
        };
        problems.push(diagnostic.at(sheet.site(second, sheet.columns.tree)));
    }
}

/// Two rows in a row with the same species, dbh and height, and different numbers; saplings are
/// too much alike for that to mean anything.
fn neighbours(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    for pair in sheet.rows.windows(2) {
        let (first, second) = (&pair[0], &pair[1]);
        let same_place = first.plot == second.plot && first.selection == second.selection;
        let same_number = first.number == second.number && !first.number.is_empty();
        if !same_place
            || same_number
            || second.height_m().is_none()
            || second
                .dbh_cm
                .is_none_or(|dbh| dbh < plausible::RATIO_FROM_DBH_CM)
            || measurements(second).is_none()
            || measurements(first) != measurements(second)
        {
            continue;
        }
        let Some(plot) = second.plot else { continue };
        let message = format!(
            "two trees of {} have the same species, dbh and height, here and in line {}",
            cruise.plots.name_of(plot),
            first.line
        );
        problems.push(
            Diagnostic::warning("same-measurements", message)
                .at(sheet.site(second, Some(sheet.columns.dbh)))
                .hint("is it one tree that was tallied twice?"),
        );
    }
}

/// Rows that repeat a run of earlier rows with the same species, dbh and height: a page that was
/// typed twice.
fn runs(sheet: &TreeSheet, problems: &mut Problems) {
    const LEAST_ROWS: usize = 3;
    const LEAST_HEIGHTS: usize = 2;
    const FARTHEST_ROWS: usize = 100;
    let rows = &sheet.rows;
    let same = |a: usize, b: usize| {
        let is_second_selection =
            rows[a].plot == rows[b].plot && rows[a].selection != rows[b].selection;
        measurements(&rows[a]).is_some()
            && measurements(&rows[a]) == measurements(&rows[b])
            && !is_second_selection
    };
    let mut order: Vec<usize> = (0..rows.len()).collect();
    let by_values = |a: &usize, b: &usize| -> Ordering {
        measurements(&rows[*a])
            .cmp(&measurements(&rows[*b]))
            .then(a.cmp(b))
    };
    order.sort_unstable_by(by_values);
    for pair in order.windows(2) {
        let (first, second) = (pair[0], pair[1]);
        if !same(first, second) || second - first > FARTHEST_ROWS {
            continue;
        }
        // The run begins here: the rows before do not match.
        if first > 0 && same(first - 1, second - 1) {
            continue;
        }
        let length = (0..second - first)
            .take_while(|step| second + step < rows.len() && same(first + step, second + step))
            .count();
        let heights = (0..length)
            .filter(|step| rows[second + step].height_m().is_some())
            .count();
        if length < LEAST_ROWS || heights < LEAST_HEIGHTS {
            continue;
        }
        let message = format!(
            "{length} rows from here on repeat the species, dbh and height of lines {} to {}",
            rows[first].line,
            rows[first + length - 1].line
        );
        problems.push(
            Diagnostic::warning("rows-repeated", message)
                .at(sheet.site(&rows[second], None))
                .hint("was a page typed twice?"),
        );
    }
}

/// The same tree measured by two selections at one centre: normal, and said once.
fn in_two_selections(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    if cruise.design.selections.len() < 2 {
        return;
    }
    let key = |row: &TreeRow| Some((row.plot?, row.species?, row.dbh_cm?.to_bits()));
    let mut rows: Vec<&TreeRow> = sheet
        .rows
        .iter()
        .filter(|row| !row.number.is_empty() && key(row).is_some())
        .collect();
    rows.sort_by(|a, b| key(a).cmp(&key(b)).then_with(|| a.number.cmp(&b.number)));
    let mut twice: Vec<&TreeRow> = rows
        .windows(2)
        .filter(|pair| {
            key(pair[0]) == key(pair[1])
                && pair[0].number == pair[1].number
                && pair[0].selection != pair[1].selection
        })
        .map(|pair| pair[1])
        .collect();
    twice.sort_by_key(|row| row.line);
    if let Some(first) = twice.first() {
        let message = format!(
            "measured by two selections at one centre: {}, this one first",
            counted(twice.len(), "tree")
        );
        problems.push(
            Diagnostic::note("tree-in-two-selections", message)
                .at(sheet.site(first, sheet.columns.tree))
                .hint("normal: the selections are compiled apart and never added"),
        );
    }
}
