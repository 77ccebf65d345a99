//! Form and coefficients of a row to what it evaluates.
//!
//! In: a row, its form, the formulas of the set. Out: the model and the coefficients as printed.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::csv::{Column, Row, Table};
use crate::read::table_volume::RowDefaults;
use crate::species::equation::{FormSpec, Measure, Model, Quantity};
use crate::species::form::Form;

/// What a row must give.
pub(super) struct Wanted<'d> {
    pub(super) spec: FormSpec,
    /// `None` if that could not be read.
    pub(super) quantity: Option<Quantity>,
    pub(super) defaults: &'d RowDefaults,
}

/// The model of a row, with its coefficients as printed.
pub(super) fn read(
    table: &Table,
    row: &Row,
    formula: Option<Column>,
    wanted: &Wanted,
    problems: &mut Problems,
) -> Option<(Model, Vec<String>)> {
    if matches!(wanted.spec, FormSpec::Formula) {
        check_result_unit(table, row, wanted, problems);
        read_formula(table, row, formula, wanted.defaults, problems)
    } else {
        read_known_form(table, row, formula, wanted.spec, problems)
    }
}

/// A form of the program with the coefficients of the row.
fn read_known_form(
    table: &Table,
    row: &Row,
    formula: Option<Column>,
    spec: FormSpec,
    problems: &mut Problems,
) -> Option<(Model, Vec<String>)> {
    if let Some(column) = formula.filter(|_| row.text(formula).is_some()) {
        problems.push(
            Diagnostic::error(
                "formula-unused",
                format!("the form is `{}`, but there is a formula", spec.name()),
            )
            .at(table.site(row, column))
            .hint("remove it, or write the form `formula`"),
        );
    }
    let owner = format!("form `{}`", spec.name());
    let (values, printed) = read_coefficients(table, row, &owner, spec.coefficients(), problems)?;
    Some((spec.build(&values)?, printed))
}

/// What is wrong with the head is said at the first row that shows it, not at every one.
fn push_once(diagnostic: Diagnostic, problems: &mut Problems) {
    let is_same = |told: &Diagnostic| told.message == diagnostic.message;
    if !problems.iter().any(is_same) {
        problems.push(diagnostic);
    }
}

/// The formula of the row, or of the head, with the coefficients of the row.
fn read_formula(
    table: &Table,
    row: &Row,
    formula: Option<Column>,
    defaults: &RowDefaults,
    problems: &mut Problems,
) -> Option<(Model, Vec<String>)> {
    let formulas = &defaults.formulas;
    let text = row.text(formula).or(formulas.of_head.as_deref());
    let Some(text) = text else {
        push_once(
            Diagnostic::error("formula-missing", "neither row nor head gives a formula")
                .at(table.row_site(row))
                .hint("write it in a column `formula`, or in the head as `formula`"),
            problems,
        );
        return None;
    };
    let expression = formulas.get(text)?;
    let names: Vec<&str> = expression
        .coefficients()
        .map(|name| name.name.as_str())
        .collect();
    let (values, printed) = read_coefficients(table, row, "the formula", &names, problems)?;
    let value = |wanted: &str| {
        let index = names.iter().position(|name| *name == wanted)?;
        values.get(index).copied()
    };
    let formula = expression.with_coefficients(value)?;
    Some((Model::Direct(Form::Formula(formula)), printed))
}

/// The unit of what a formula gives is never assumed.
fn check_result_unit(table: &Table, row: &Row, wanted: &Wanted, problems: &mut Problems) {
    let Some(quantity) = wanted.quantity else {
        return;
    };
    let (key, given) = match quantity.measure() {
        Measure::Volume => ("result", wanted.defaults.has_units.result),
        Measure::Mass => ("mass", wanted.defaults.has_units.mass),
        Measure::Diameter | Measure::Share => return,
    };
    if !given {
        push_once(
            Diagnostic::error(
                "unit-missing",
                format!(
                    "the head does not say in which unit `{}` is",
                    quantity.name()
                ),
            )
            .at(table.row_site(row))
            .hint(format!("give `{key}` under `units`")),
            problems,
        );
    }
}

fn read_coefficients(
    table: &Table,
    row: &Row,
    owner: &str,
    names: &[&str],
    problems: &mut Problems,
) -> Option<(Vec<f64>, Vec<String>)> {
    let (mut values, mut printed, mut missing) = (Vec::new(), Vec::new(), Vec::new());
    for name in names {
        let column = table.column(name);
        match row.text(column) {
            Some(text) => {
                printed.push(text.to_owned());
                values.extend(table.figure(row, column, problems));
            }
            None => missing.push(*name),
        }
    }
    if !missing.is_empty() {
        problems.push(
            Diagnostic::error(
                "coefficient-missing",
                format!("{owner} needs {}", missing.join(", ")),
            )
            .at(table.row_site(row))
            .hint("fill in the columns of these names"),
        );
    }
    (values.len() == names.len()).then_some((values, printed))
}
