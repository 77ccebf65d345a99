//! The tidy tables: one fact per row, full precision, machine-readable.
//!
//! [`estimates`] is the machine contract of the program; its columns do not change with what was
//! compiled, only with the unit system.

use crate::design::Design;
use crate::estimates::{Domain, EstimateRow, StatusDomain};
use crate::records::{CruiseSpecies, Records};
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

/// Word for a margin.
pub const ALL: &str = "all";

/// Columns of the estimate table.
pub fn estimate_columns(units: UnitSystem) -> Vec<&'static str> {
    let (from, to, per_area) = match units {
        UnitSystem::Metric => ("dbh_from_cm", "dbh_to_cm", "per_ha"),
        UnitSystem::Imperial => ("dbh_from_in", "dbh_to_in", "per_ac"),
    };
    vec![
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
    let width = match design.units {
        UnitSystem::Metric => design.dbh_class_cm,
        UnitSystem::Imperial => design.dbh_class_cm / CM_PER_IN,
    };
    // A width such as 5.08 cm / 2.54 must not print as 1.9999999999999998.
    let clean = |limit: f64| (limit * 1e9).round() / 1e9;
    (
        clean(f64::from(class) * width),
        clean(f64::from(class + 1) * width),
    )
}

/// Word for a status: `live`, `dead`, or `dead, decay class 3`.
pub fn status_word(status: StatusDomain, design: &Design) -> String {
    match status {
        StatusDomain::Live => "live".to_owned(),
        StatusDomain::Dead => "dead".to_owned(),
        StatusDomain::DecayClass(None) => "dead, decay class not recorded".to_owned(),
        StatusDomain::DecayClass(Some(class)) => {
            format!("dead, decay class {}", decay_name(class, design))
        }
    }
}

/// Name of a decay class.
pub fn decay_name(class: usize, design: &Design) -> &str {
    design.decay_classes.get(class).map_or("?", String::as_str)
}

fn species_word(domain: &Domain, species: &[CruiseSpecies]) -> String {
    match domain.species.and_then(|at| species.get(at)) {
        Some(species) => species.label.clone(),
        None => ALL.to_owned(),
    }
}

/// The estimate table.
pub fn estimates(design: &Design, records: &Records, rows: &[EstimateRow]) -> Tidy {
    let units = design.units;
    let or_all = |name: &Option<String>| Value::word(name.as_deref().unwrap_or(ALL));
    let rows = rows.iter().map(|row| {
        let unit = row.attribute.unit(units);
        let shown = |value: Option<f64>| Value::maybe(value.map(|v| v * unit.from_metric));
        let (from, to) = match row.domain.dbh_class {
            Some(class) => {
                let (from, to) = class_limits(class, design);
                (Value::Number(from), Value::Number(to))
            }
            None => (Value::word(ALL), Value::word(ALL)),
        };
        let estimate = &row.estimate;
        let interval = estimate.interval(design.confidence);
        let area = row.area_ha.map(|area| area * units.area().from_metric);
        let total = |value: Option<f64>| {
            let expands = row.attribute.is_additive();
            let per_area = value.filter(|_| expands)? * unit.from_metric;
            Some(per_area * area?)
        };
        vec![
            or_all(&row.stand),
            or_all(&row.stratum),
            Value::word(&design.selections[row.selection].name),
            Value::word(status_word(row.domain.status, design)),
            Value::word(species_word(&row.domain, &records.species)),
            from,
            to,
            Value::word(row.attribute.name()),
            Value::word(unit.label),
            shown(Some(estimate.mean)),
            shown(estimate.std_error),
            shown(interval.map(|(lower, _)| lower)),
            shown(interval.map(|(_, upper)| upper)),
            Value::maybe(estimate.error_pct(design.confidence)),
            Value::maybe(estimate.df),
            Value::Count(estimate.n_plots),
            Value::maybe(total(Some(estimate.mean))),
            Value::maybe(total(estimate.std_error)),
        ]
    });
    Tidy {
        columns: estimate_columns(units),
        rows: rows.collect(),
    }
}
