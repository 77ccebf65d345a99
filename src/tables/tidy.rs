//! The tidy tables: one fact per row, full precision, machine-readable.
//!
//! [`estimates`] is the machine contract of the program; its columns do not change with what was
//! compiled, only with the unit system.

use std::borrow::Cow;

use crate::design::Design;
use crate::estimates::{EstimateRow, StatusDomain};
use crate::records::Records;
use crate::tables::frame::Frame;
use crate::units::{CM_PER_IN, UnitSystem};

/// A table for machines. The names of its columns are fixed, unless some depend on the design.
#[derive(Clone, Debug, PartialEq)]
pub struct Tidy<Name = &'static str> {
    /// Column names.
    pub columns: Vec<Name>,
    /// Rows, each as long as `columns`.
    pub rows: Vec<Vec<Value>>,
}

/// A value of a tidy table.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// Undefined.
    Empty,
    /// A word.
    Word(String),
    /// A number at full precision.
    Number(f64),
    /// A whole number.
    Count(usize),
}

impl Value {
    /// A number, or empty.
    pub fn maybe(value: Option<f64>) -> Self {
        value.map_or(Value::Empty, Value::Number)
    }

    /// A word.
    pub fn word(word: impl Into<String>) -> Self {
        Value::Word(word.into())
    }
}

/// A value of a tidy table whose words are borrowed: what is written at once needs no copies.
#[derive(Clone, Debug, PartialEq)]
pub enum Field<'a> {
    /// Undefined.
    Empty,
    /// A word.
    Word(Cow<'a, str>),
    /// A number at full precision.
    Number(f64),
    /// A whole number.
    Count(usize),
}

impl<'a> Field<'a> {
    /// A word.
    pub fn word(word: &'a str) -> Self {
        Field::Word(Cow::Borrowed(word))
    }

    fn maybe(value: Option<f64>) -> Self {
        value.map_or(Field::Empty, Field::Number)
    }
}

impl Value {
    /// The same, borrowed.
    pub fn field(&self) -> Field<'_> {
        match self {
            Value::Empty => Field::Empty,
            Value::Word(word) => Field::word(word),
            Value::Number(number) => Field::Number(*number),
            Value::Count(count) => Field::Count(*count),
        }
    }
}

impl From<Field<'_>> for Value {
    fn from(field: Field<'_>) -> Self {
        match field {
            Field::Empty => Value::Empty,
            Field::Word(word) => Value::Word(word.into_owned()),
            Field::Number(number) => Value::Number(number),
            Field::Count(count) => Value::Count(count),
        }
    }
}

/// A number as it is written: a sum of nothing is -0 in floating point, and written 0.
pub fn without_sign_of_zero(number: f64) -> f64 {
    number + 0.0
}

/// Word for a margin.
pub const ALL: &str = "all";

/// Columns of the estimate table.
pub fn estimate_columns(units: UnitSystem) -> [&'static str; 18] {
    let (from, to, per_area) = match units {
        UnitSystem::Metric => ("dbh_from_cm", "dbh_to_cm", "per_ha"),
        UnitSystem::Imperial => ("dbh_from_in", "dbh_to_in", "per_ac"),
    };
    [
        "stand",
        "stratum",
        "selection",
        "status",
        "species",
        from,
        to,
        "attribute",
        "unit",
        per_area,
        "std_error",
        "ci_lower",
        "ci_upper",
        "error_pct",
        "df",
        "n_plots",
        "total",
        "total_std_error",
    ]
}

/// Limits of a dbh class in the unit that is shown; classes are [from, to).
pub fn class_limits(class: u32, design: &Design) -> (f64, f64) {
    limits_in(class, design.units, design.dbh_class_cm)
}

fn limits_in(class: u32, units: UnitSystem, width_cm: f64) -> (f64, f64) {
    let width = match units {
        UnitSystem::Metric => width_cm,
        UnitSystem::Imperial => width_cm / CM_PER_IN,
    };
    // A width such as 5.08 cm / 2.54 must not print as 1.9999999999999998.
    let clean = |limit: f64| (limit * 1e9).round() / 1e9;
    (
        clean(f64::from(class) * width),
        clean((f64::from(class) + 1.0) * width),
    )
}

/// Word for a status: `live`, `dead`, or `dead, decay class 3`.
pub fn status_word(status: StatusDomain, design: &Design) -> Cow<'static, str> {
    status_in(status, &design.decay_classes)
}

fn status_in(status: StatusDomain, decay_classes: &[String]) -> Cow<'static, str> {
    match status {
        StatusDomain::Live => "live".into(),
        StatusDomain::Dead => "dead".into(),
        StatusDomain::DecayClass(None) => "dead, decay class not recorded".into(),
        StatusDomain::DecayClass(Some(class)) => {
            let name = decay_classes.get(class).map_or("?", String::as_str);
            format!("dead, decay class {name}").into()
        }
    }
}

/// Name of a decay class.
pub fn decay_name(class: usize, design: &Design) -> &str {
    design.decay_classes.get(class).map_or("?", String::as_str)
}

/// A row of the estimate table, in the order of its columns.
pub fn estimate_fields<'a>(frame: &'a Frame, row: &'a EstimateRow) -> [Field<'a>; 18] {
    let units = frame.units;
    let unit = row.attribute.unit(units);
    let shown = |value: Option<f64>| Field::maybe(value.map(|v| v * unit.from_metric));
    let or_all = |name: Option<&'a str>| Field::word(name.unwrap_or(ALL));
    let species = row.domain.species.and_then(|at| frame.species.get(at));
    let (from, to) = match row.domain.dbh_class {
        Some(class) => {
            let (from, to) = limits_in(class, units, frame.dbh_class_cm);
            (Field::Number(from), Field::Number(to))
        }
        None => (Field::word(ALL), Field::word(ALL)),
    };
    let estimate = &row.estimate;
    let (interval, error_pct) = estimate.interval_and_error_pct(frame.confidence);
    let area = row.area_ha.map(|area| area * units.area().from_metric);
    let total = |value: Option<f64>| {
        let expands = row.attribute.is_additive();
        let per_area = value.filter(|_| expands)? * unit.from_metric;
        Some(per_area * area?)
    };
    [
        or_all(row.stand.as_deref()),
        or_all(row.stratum.as_deref()),
        Field::word(&frame.selections[row.selection]),
        Field::Word(status_in(row.domain.status, &frame.decay_classes)),
        or_all(species.map(String::as_str)),
        from,
        to,
        Field::word(row.attribute.name()),
        Field::word(unit.label),
        shown(Some(estimate.mean)),
        shown(estimate.std_error),
        shown(interval.map(|(lower, _)| lower)),
        shown(interval.map(|(_, upper)| upper)),
        Field::maybe(error_pct),
        Field::maybe(estimate.df),
        Field::Count(estimate.n_plots),
        Field::maybe(total(Some(estimate.mean))),
        Field::maybe(total(estimate.std_error)),
    ]
}

/// The estimate table.
pub fn estimates(design: &Design, records: &Records, rows: &[EstimateRow]) -> Tidy {
    let frame = Frame::of(design, records);
    let values = |row| estimate_fields(&frame, row).map(Value::from);
    Tidy {
        columns: estimate_columns(design.units).to_vec(),
        rows: rows.iter().map(|row| values(row).to_vec()).collect(),
    }
}
