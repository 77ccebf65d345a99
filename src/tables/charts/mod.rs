//! The charts of a report, made of the same numbers as its tables.

use crate::design::Design;
use crate::estimates::{Attribute, Estimate};
use crate::records::Records;
use crate::tables::Cell;
use crate::tables::chart::{Axis, Chart, Drawn, Interval, Panel, Row};
use crate::tables::figures::{confidence_words, species_label};

pub mod diameters;
pub mod errors;
pub mod heights;
pub mod plots;
pub mod species;
pub mod stands;

/// Panels of one chart at most.
const MOST_PANELS: usize = 8;

/// An estimate in the unit that is shown.
pub fn shown(estimate: &Estimate, attribute: Attribute, design: &Design) -> Interval {
    let factor = attribute.unit(design.units).from_metric;
    let limits = estimate.interval(design.confidence);
    Interval {
        value: estimate.mean * factor,
        limits: limits.map(|(lower, upper)| (lower * factor, upper * factor)),
    }
}

/// `basal area, m2/ha`.
fn label(attribute: Attribute, design: &Design) -> String {
    format!(
        "{}, {}",
        attribute.words(),
        attribute.unit(design.units).label
    )
}

/// `12.3 (10.1 to 14.5)`.
fn in_words(interval: Interval, digits: usize) -> String {
    let number = |value: f64| Cell::Number(value, digits).shown();
    let limits = interval.limits;
    let limits = limits.map(|(lower, upper)| format!(" ({} to {})", number(lower), number(upper)));
    number(interval.value) + &limits.unwrap_or_default()
}

/// Adds a panel with the estimates of an attribute, unless there are none.
fn add_rows(chart: &mut Chart, rows: Vec<Row>, attribute: Attribute, design: &Design) {
    if rows.is_empty() {
        return;
    }
    let digits = attribute.digits(design.units);
    let each: Vec<String> = rows
        .iter()
        .filter_map(|row| Some(format!("{} {}", row.label, in_words(row.estimate?, digits))))
        .collect();
    let label = label(attribute, design);
    let gap = if chart.description.is_empty() {
        ""
    } else {
        " "
    };
    chart.description += &format!("{gap}{label}: {}.", each.join(", "));
    chart.panels.push(Panel {
        title: String::new(),
        x: Axis::from_zero(label),
        drawn: Drawn::Rows(rows),
    });
}

/// Gives a chart of rows its title, which says what the whiskers are.
fn give_title(chart: &mut Chart, title: &str, design: &Design) {
    let rows = chart.panels.iter().flat_map(|panel| match &panel.drawn {
        Drawn::Rows(rows) => rows.as_slice(),
        Drawn::Plane(_) => &[],
    });
    let intervals: Vec<Interval> = rows.filter_map(|row| row.estimate).collect();
    let any = intervals.iter().any(|interval| interval.limits.is_some());
    chart.title = format!("{title}{}", whisker_words(design, any));
    note_cut(chart, intervals);
}

/// What whiskers are, where there are any.
fn whisker_words(design: &Design, any: bool) -> String {
    if any {
        format!(", with {} intervals", confidence_words(design))
    } else {
        String::new()
    }
}

/// Says that whiskers are cut off at zero, where some are.
fn note_cut(chart: &mut Chart, intervals: impl IntoIterator<Item = Interval>) {
    let limits = intervals.into_iter().filter_map(|interval| interval.limits);
    if limits.into_iter().any(|(lower, _)| lower < 0.0) {
        chart
            .notes
            .push("Whiskers are cut off at 0 where the lower limit lies below it.".to_owned());
    }
}

/// Names what has no room in a chart.
fn note_left(chart: &mut Chart, left: &[usize], records: &Records, what: &str) {
    if !left.is_empty() {
        let names = left.iter().map(|at| species_label(Some(*at), records));
        let names: Vec<String> = names.collect();
        chart.notes.push(format!(
            "Not drawn, only in the tables: species with {what} ({}).",
            names.join(", ")
        ));
    }
}
