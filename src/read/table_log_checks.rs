//! `checks.csv` of a log rule: the values against which it is checked.

use crate::diagnostic::{Diagnostic, Problems, Severity};
use crate::logs::rules::{LogCheck, LogUnit, Scaled};
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_head::known_hint;
use crate::read::table_log_rules::check_columns;
use crate::species::set::Tolerance;
use crate::units::Dimension;

const COLUMNS: &[&str] = &[
    "d_small_in",
    "d_small_cm",
    "d_mid_in",
    "d_mid_cm",
    "d_large_in",
    "d_large_cm",
    "length_ft",
    "length_m",
    "rounded",
    "rule",
    "dbh_in",
    "logs_16ft",
    "form_class",
    "value",
    "unit",
    "tolerance",
    "status",
    "where",
];

struct Sizes {
    d_small: Option<Column>,
    d_mid: Option<Column>,
    d_large: Option<Column>,
    length: Option<Column>,
}

/// Reads the check values of a rule.
pub(super) fn read(source: &Source, problems: &mut Problems) -> Vec<LogCheck> {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return Vec::new();
    };
    check_columns(&table, COLUMNS, problems);
    let sizes = Sizes {
        d_small: table.quantity("d_small", Dimension::Diameter, problems),
        d_mid: table.quantity("d_mid", Dimension::Diameter, problems),
        d_large: table.quantity("d_large", Dimension::Diameter, problems),
        length: table.quantity("length", Dimension::Length, problems),
    };
    let mut checks = Vec::new();
    while let Some(row) = table.next_row(problems) {
        let before = problems.count(Severity::Error);
        let check = read_row(&table, &row, &sizes, problems);
        if check.is_none() && problems.count(Severity::Error) == before {
            problems.push(
                Diagnostic::error("check-incomplete", "this check is not complete")
                    .at(table.row_site(&row))
                    .hint(
                        "a log needs its small-end diameter and length, a tree `rule`, `dbh_in`, \
                         `logs_16ft`, `form_class`; both `value`, `unit`, `tolerance`, `status`",
                    ),
            );
        }
        checks.extend(check);
    }
    checks
}

fn read_row(table: &Table, row: &Row, sizes: &Sizes, problems: &mut Problems) -> Option<LogCheck> {
    let text = |name: &str| row.text(table.column(name));
    let number =
        |name: &str, problems: &mut Problems| table.number(row, table.column(name), problems);
    let of = if let Some(rule) = text("rule") {
        Scaled::Tree {
            rule: rule.to_owned(),
            dbh_in: number("dbh_in", problems)?,
            logs_16ft: number("logs_16ft", problems)?,
            form_class: number("form_class", problems)?,
        }
    } else {
        Scaled::Log {
            d_small_cm: table.number(row, sizes.d_small, problems)?,
            d_mid_cm: table.number(row, sizes.d_mid, problems),
            d_large_cm: table.number(row, sizes.d_large, problems),
            length_m: table.number(row, sizes.length, problems)?,
            rounded: match text("rounded") {
                None | Some("no") => false,
                Some("yes") => true,
                Some(other) => {
                    unknown(table, row, "rounded", other, &["yes", "no"], problems);
                    return None;
                }
            },
        }
    };
    let unit = text("unit")?;
    let Some((_, unit)) = LogUnit::NAMES.iter().find(|(name, _)| *name == unit) else {
        let names: Vec<&str> = LogUnit::NAMES.iter().map(|(name, _)| *name).collect();
        unknown(table, row, "unit", unit, &names, problems);
        return None;
    };
    let tolerance = match text("tolerance")? {
        "printed" => Tolerance::PrintedDigits,
        other => {
            let most = other.parse().ok().filter(|m: &f64| *m > 0.0 && *m < 1.0);
            let Some(most) = most else {
                unknown(
                    table,
                    row,
                    "tolerance",
                    other,
                    &["printed", "1e-9"],
                    problems,
                );
                return None;
            };
            Tolerance::Relative(most)
        }
    };
    Some(LogCheck {
        of,
        printed: text("value")?.to_owned(),
        value: number("value", problems)?,
        unit: *unit,
        tolerance,
        status: text("status")?.to_owned(),
        printed_where: text("where").unwrap_or_default().to_owned(),
        line: row.line(),
    })
}

fn unknown(
    table: &Table,
    row: &Row,
    column: &str,
    word: &str,
    known: &[&str],
    problems: &mut Problems,
) {
    let site = table
        .column(column)
        .map_or_else(|| table.row_site(row), |at| table.site(row, at));
    problems.push(
        Diagnostic::error("unknown-value", format!("`{column}` cannot be `{word}`"))
            .at(site)
            .hint(known_hint(word, known)),
    );
}
