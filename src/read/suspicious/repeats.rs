//! Trees that are there twice.

use super::{Cruise, plausible};
use crate::diagnostic::{Diagnostic, Problems, counted, seen};
use crate::read::counts::{CountRow, CountSheet};
use crate::read::trees::{TreeRow, TreeSheet};
use crate::records::natural_order;

/// Looks for repeated numbers, repeated trees and repeated runs of rows.
pub(super) fn check(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    let values: Vec<Option<Measurements>> = sheet.rows.iter().map(measurements).collect();
    numbers(cruise, sheet, problems);
    neighbours(cruise, sheet, &values, problems);
    runs(sheet, &values, problems);
    in_two_selections(cruise, sheet, problems);
}

/// The same count of the same trees of a plot twice: counts add up.
pub(super) fn check_counts(cruise: &Cruise, sheet: &CountSheet, problems: &mut Problems) {
    let key = |row: &CountRow| {
        let species = row.species.and_then(|index| sheet.spellings.id(index))?;
        Some((row.plot?, row.selection?, species, row.status))
    };
    let mut rows: Vec<_> = sheet
        .rows
        .iter()
        .filter_map(|row| Some((key(row)?, row)))
        .collect();
    rows.sort_by(|a, b| a.0.cmp(&b.0).then_with(|| a.1.count.total_cmp(&b.1.count)));
    let same = |pair: &&[(_, &CountRow)]| {
        let (first, second) = (&pair[0], &pair[1]);
        first.0 == second.0 && first.1.count.total_cmp(&second.1.count).is_eq()
    };
    let source = sheet.table.source();
    for pair in rows.windows(2).filter(same) {
        let ((plot, selection, ..), second) = pair[1];
        let message = format!(
            "{}, selection `{}`: this count is there twice, first {}",
            cruise.plots.name_of(plot),
            cruise.design.selections[selection].name,
            source.in_lines(&[pair[0].1.line])
        );
        problems.push(
            Diagnostic::warning("count-twice", message)
                .at(source.site(second.line, 1))
                .hint("the two add up: was it typed twice?"),
        );
    }
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
    let numbered = || {
        let rows = sheet.rows.iter();
        rows.filter(|row| !row.number.is_empty() && key(row).is_some())
    };
    // Most files are in the order of plots and numbers: then nothing is there twice.
    let rise = |a: &&TreeRow, b: &&TreeRow| {
        let order = key(a).cmp(&key(b));
        let order = order.then_with(|| natural_order(&a.number, &b.number));
        order.is_lt()
    };
    if numbered().is_sorted_by(rise) {
        return;
    }
    let source = sheet.table.source();
    let mut numbered: Vec<&TreeRow> = numbered().collect();
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
                "{place} is there twice with the same values, first {}",
                source.in_lines(&[first.line])
            );
            Diagnostic::warning("tree-twice", message)
                .hint("it counts twice: remove one of the rows")
        } else {
            let message = format!(
                "{place} is there twice with different values, first {}",
                source.in_lines(&[first.line])
            );
            Diagnostic::warning("tree-number-twice", message)
                .hint("is it a second stem, a wrong number, or the same tree again?")
        };
        problems.push(diagnostic.at(sheet.site(second, sheet.columns.tree)));
    }
}

/// Two rows in a row with the same species, dbh and height, and different numbers; saplings are
/// too much alike for that to mean anything.
fn neighbours(
    cruise: &Cruise,
    sheet: &TreeSheet,
    values: &[Option<Measurements>],
    problems: &mut Problems,
) {
    for (pair, values) in sheet.rows.windows(2).zip(values.windows(2)) {
        if values[0] != values[1] || values[1].is_none() {
            continue;
        }
        let (first, second) = (&pair[0], &pair[1]);
        let same_place = first.plot == second.plot && first.selection == second.selection;
        let same_number = first.number == second.number && !first.number.is_empty();
        if !same_place
            || same_number
            || second.height_m().is_none()
            || second
                .dbh_cm
                .is_none_or(|dbh| dbh < plausible::RATIO_FROM_DBH_CM)
        {
            continue;
        }
        let Some(plot) = second.plot else { continue };
        let message = format!(
            "two trees of {} have the same species, dbh and height, here and {}",
            cruise.plots.name_of(plot),
            sheet.table.source().in_lines(&[first.line])
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
fn runs(sheet: &TreeSheet, values: &[Option<Measurements>], problems: &mut Problems) {
    const LEAST_ROWS: usize = 3;
    const LEAST_HEIGHTS: usize = 2;
    const FARTHEST_ROWS: usize = 100;
    let (rows, source) = (&sheet.rows, sheet.table.source());
    let same = |a: usize, b: usize| {
        let is_second_selection =
            rows[a].plot == rows[b].plot && rows[a].selection != rows[b].selection;
        values[a].is_some() && values[a] == values[b] && !is_second_selection
    };
    for (second, first) in earlier(values, FARTHEST_ROWS).into_iter().enumerate() {
        let Some(first) = first.filter(|first| same(*first, second)) else {
            continue;
        };
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
            "{length} rows from here on repeat the species, dbh and height of {}",
            source.from_to(rows[first].line, rows[first + length - 1].line)
        );
        problems.push(
            Diagnostic::warning("rows-repeated", message)
                .at(sheet.site(&rows[second], None))
                .hint("was a page typed twice?"),
        );
    }
}

/// For each row, the last one before it with the same measurements, unless that is farther away.
fn earlier(values: &[Option<Measurements>], farthest: usize) -> Vec<Option<usize>> {
    const BUCKET_BITS: u32 = 9;
    // Rows are chained by a hash of their measurements: within so few rows chains are short.
    let mut last = [None; 1 << BUCKET_BITS];
    let mut before: Vec<Option<usize>> = Vec::with_capacity(values.len());
    let mut find = |row: usize| {
        let value = &values[row];
        let Some((_, dbh, height)) = value else {
            before.push(None);
            return None;
        };
        let hash = (dbh ^ height.rotate_left(1)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let bucket = usize::try_from(hash >> (u64::BITS - BUCKET_BITS)).unwrap_or(0);
        let mut at = last[bucket].replace(row);
        before.push(at);
        loop {
            let earlier = at.filter(|earlier| row - earlier <= farthest)?;
            if values[earlier] == *value {
                return Some(earlier);
            }
            at = before[earlier];
        }
    };
    (0..values.len()).map(&mut find).collect()
}

/// The same tree measured by two selections at one centre: normal, and said once.
fn in_two_selections(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    if cruise.design.selections.len() < 2 {
        return;
    }
    let rows = sheet.rows.iter().enumerate();
    let mut keys: Vec<(usize, usize, u64, usize)> = rows
        .filter(|(_, row)| !row.number.is_empty())
        .filter_map(|(at, row)| Some((row.plot?, row.species?, row.dbh_cm?.to_bits(), at)))
        .collect();
    keys.sort_unstable();
    let mut twice: Vec<&TreeRow> = Vec::new();
    for alike in keys.chunk_by(|a, b| (a.0, a.1, a.2) == (b.0, b.1, b.2)) {
        if alike.len() < 2 {
            continue;
        }
        let mut alike: Vec<&TreeRow> = alike.iter().map(|key| &sheet.rows[key.3]).collect();
        alike.sort_by(|a, b| a.number.cmp(&b.number));
        let pairs = alike.windows(2).filter(|pair| {
            pair[0].number == pair[1].number && pair[0].selection != pair[1].selection
        });
        twice.extend(pairs.map(|pair| pair[1]));
    }
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
