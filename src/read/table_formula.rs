//! Formulas that a set writes as text, in its head or in rows of its table.
//!
//! In: the head and the table. Out: every formula as an expression, the units of their variables
//! (which become those of the set), and what is wrong with them, each fault at its character.
//! They are read before the rows, because the units of the head depend on them.

use std::collections::{BTreeMap, BTreeSet};

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::read::csv::Table;
use crate::read::source::Source;
use crate::read::table_head::Keys;
use crate::read::table_rows::ROW_COLUMNS;
use crate::species::equation::FormSpec;
use crate::species::expression::{Expression, VariableUnits};

/// The formulas of a set.
#[derive(Default)]
pub(super) struct Formulas {
    /// That of the head, for rows without one.
    pub(super) of_head: Option<String>,
    /// Units of the variables.
    pub(super) units: VariableUnits,
    /// Sound ones by their text.
    sound: BTreeMap<String, Expression>,
    /// Names of coefficients of formulas and of other forms of the set.
    coefficients: BTreeSet<String>,
    /// Does some row have another form?
    pub(super) beside_other_forms: bool,
    /// Does the set have any, or a row that should have one?
    pub(super) any: bool,
    /// Is there a formula that cannot be read?
    unreadable: bool,
}

/// A formula where it stands.
struct Written<'s> {
    text: String,
    source: &'s Source,
    site: Site,
}

impl Formulas {
    /// The expression of a text, if it is sound; if not, that has been said.
    pub(super) fn get(&self, text: &str) -> Option<&Expression> {
        self.sound.get(text)
    }

    /// Is this the column of a coefficient that a formula or another form of the set uses?
    pub(super) fn uses(&self, column: &str) -> bool {
        // A formula that cannot be read, or is missing, may use any column.
        let unknown = self.unreadable || self.coefficients.is_empty();
        unknown || self.coefficients.contains(column)
    }

    /// Collects the formulas of a set.
    pub(super) fn read(
        head: &Source,
        keys: &Keys,
        rows: &Source,
        problems: &mut Problems,
    ) -> Formulas {
        let mut formulas = Formulas {
            of_head: keys.text("formula", problems),
            ..Formulas::default()
        };
        let mut written = Vec::new();
        if let (Some(text), Some(value)) = (&formulas.of_head, keys.get("formula")) {
            written.push(Written {
                text: text.clone(),
                source: head,
                site: value.site(head),
            });
        }
        // What is wrong with the table and its forms is said when the rows are read.
        let mut said_later = Problems::new();
        let form = keys.text("form", &mut said_later);
        let mut columns: Vec<String> = Vec::new();
        if let Some(mut table) = Table::open(rows, &[], &mut said_later) {
            let heads = table.heads().iter();
            columns.extend(
                heads
                    .filter(|head| !head.is_empty() && !ROW_COLUMNS.contains(&head.as_str()))
                    .cloned(),
            );
            let (form_column, formula_column) = (table.column("form"), table.column("formula"));
            while let Some(row) = table.next_row(&mut said_later) {
                let text = row.text(formula_column);
                if let (Some(text), Some(column)) = (text, formula_column) {
                    written.push(Written {
                        text: text.to_owned(),
                        source: rows,
                        site: table.site(&row, column),
                    });
                }
                let form = row.text(form_column).or(match text {
                    Some(_) => Some(FormSpec::Formula.name()),
                    None => form.as_deref(),
                });
                formulas.add_form(form.and_then(FormSpec::named));
            }
        }
        let columns: Vec<&str> = columns.iter().map(String::as_str).collect();
        formulas.any |= !written.is_empty();
        let mut seen = BTreeSet::new();
        for formula in &written {
            if seen.insert(formula.text.clone()) {
                formulas.add(formula, &columns, problems);
            }
        }
        formulas
    }

    fn add_form(&mut self, form: Option<FormSpec>) {
        match form {
            Some(FormSpec::Formula) => self.any = true,
            Some(other) => {
                self.beside_other_forms = true;
                let names = other.coefficients().iter();
                self.coefficients
                    .extend(names.map(|name| (*name).to_owned()));
            }
            None => {}
        }
    }

    fn add(&mut self, written: &Written, columns: &[&str], problems: &mut Problems) {
        let expression = Expression::read(&written.text);
        self.unreadable |= expression.is_err();
        let checked = expression.and_then(|expression| {
            let names = expression.coefficients().map(|name| name.name.clone());
            self.coefficients.extend(names);
            let units = expression.units(columns)?;
            Ok((expression, units))
        });
        let (expression, units) = match checked {
            Ok(checked) => checked,
            Err(faults) => {
                for fault in faults {
                    let site = written.site_of_character(fault.at);
                    let hint = fault
                        .hint
                        .unwrap_or_else(|| "correct the formula".to_owned());
                    let error = Diagnostic::error(fault.code, fault.message).hint(hint);
                    problems.push(error.at(site));
                }
                return;
            }
        };
        for (held, unit, stem) in [
            (&mut self.units.dbh, units.dbh, "dbh"),
            (&mut self.units.height, units.height, "height"),
        ] {
            match (*held, unit) {
                (Some(first), Some(unit)) if first != unit => problems.push(
                    Diagnostic::error(
                        "formula-units",
                        format!(
                            "this formula has `{stem}_{unit}`, another of the set `{stem}_{first}`"
                        ),
                    )
                    .at(written.site.clone())
                    .hint("write all formulas of a set in one unit"),
                ),
                _ => *held = held.or(unit),
            }
        }
        self.sound.insert(written.text.clone(), expression);
    }
}

impl Written<'_> {
    /// Place of a character of the formula; of its beginning where the file spells it in another
    /// way (folded over lines, or with doubled quotes).
    fn site_of_character(&self, at: usize) -> Site {
        let line = self
            .source
            .text()
            .lines()
            .nth(self.site.line.saturating_sub(1));
        let written: String = line
            .unwrap_or_default()
            .chars()
            .skip(self.site.column.saturating_sub(1))
            .collect();
        let formula = written.trim_start_matches(|c: char| c.is_whitespace() || "\"'".contains(c));
        if !formula.starts_with(&self.text) {
            return self.site.clone();
        }
        let before = written.chars().count() - formula.chars().count();
        Site {
            column: self.site.column + before + at,
            ..self.site.clone()
        }
    }
}
