//! The `error` of a set's head: what its publication says of the error of the equations.
//!
//! In: the keys of the head. Out: [`PublishedError`], and every problem with its place.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::source::Source;
use crate::read::table_head::{Keys, Value, known_hint};
use crate::species::equation::Quantity;
use crate::species::published_error::PublishedError;

const KEYS: &[&str] = &["statement", "standard_error_pct", "columns", "variance"];

pub(super) fn read(source: &Source, keys: &Keys, problems: &mut Problems) -> PublishedError {
    let is_text = keys
        .get("error")
        .is_some_and(|value| value.node.scalar_text().is_some());
    if is_text {
        return PublishedError {
            statement: keys.text("error", problems).unwrap_or_default(),
            ..PublishedError::default()
        };
    }
    let Some(error) = keys.map("error", "`error`", KEYS, problems) else {
        return PublishedError::default();
    };
    let columns: Vec<String> = error
        .texts("columns", problems)
        .into_iter()
        .map(|(column, _)| column.to_lowercase())
        .collect();
    PublishedError {
        statement: error.need_text("statement", problems),
        standard_error_pct: percentages(source, &error, problems),
        variance: variance(source, &error, &columns, problems),
        columns,
    }
}

/// One percentage for all quantities, or a percentage for each of some.
fn percentages(
    source: &Source,
    error: &Keys,
    problems: &mut Problems,
) -> Vec<(Option<Quantity>, f64)> {
    let names: Vec<&str> = Quantity::NAMES.iter().map(|(name, _)| *name).collect();
    let Some(value) = error.get("standard_error_pct") else {
        return Vec::new();
    };
    if value.node.scalar_text().is_some() {
        let percent = percentage(source, &value, problems);
        return percent.map(|percent| (None, percent)).into_iter().collect();
    }
    let Some(by_quantity) = value.map(source, "`standard_error_pct`", &names, problems) else {
        return Vec::new();
    };
    let percent = |value: Value| {
        let (_, quantity) = Quantity::NAMES
            .iter()
            .find(|(name, _)| *name == value.key)?;
        Some((Some(*quantity), percentage(source, &value, problems)?))
    };
    by_quantity.values().filter_map(percent).collect()
}

fn percentage(source: &Source, value: &Value, problems: &mut Problems) -> Option<f64> {
    let percent = value.number(source, problems)?;
    if percent < 0.0 {
        problems.push(
            Diagnostic::error(
                "standard-error",
                format!("a standard error of `{percent}` percent is not possible"),
            )
            .at(value.site(source))
            .hint("it must be 0 or more"),
        );
    }
    Some(percent)
}

/// Factor and exponent of the variance, each the name of an error column.
fn variance(
    source: &Source,
    error: &Keys,
    columns: &[String],
    problems: &mut Problems,
) -> Option<[usize; 2]> {
    let known = &["factor", "exponent"];
    let variance = error.map("variance", "`variance`", known, problems)?;
    let mut column = |key: &str| {
        let value = variance.need(key, problems)?;
        let name = value.text(source, problems)?.to_lowercase();
        let at = columns.iter().position(|column| *column == name);
        if at.is_none() {
            let names: Vec<&str> = columns.iter().map(String::as_str).collect();
            problems.push(
                Diagnostic::error(
                    "column-missing",
                    format!("`columns` lists no column `{name}`"),
                )
                .at(value.site(source))
                .hint(if names.is_empty() {
                    "list the columns with figures of single rows".to_owned()
                } else {
                    known_hint(&name, &names)
                }),
            );
        }
        at
    };
    let (factor, exponent) = (column("factor"), column("exponent"));
    Some([factor?, exponent?])
}
