//! `coefficients.csv` of a volume set to equations.
//!
//! In: the text, what the head says for silent rows, the set so far, the species table. Out: the
//! set's equations, or problems with places.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_formula::Formulas;
use crate::read::table_head::known_hint;
use crate::read::table_models::{self, Wanted};
use crate::read::table_volume::{RowDefaults, unknown_form, unknown_species};
use crate::species::equation::{Equation, FormSpec, Quantity};
use crate::species::set::{SpeciesEntry, ValidRange, VolumeSet};
use crate::species::{SpeciesId, SpeciesTable};

pub(super) const ROW_COLUMNS: &[&str] = &[
    "species",
    "region",
    "origin",
    "quantity",
    "form",
    "formula",
    "dbh_min",
    "dbh_max",
    "height_min",
    "height_max",
    "mark",
    "note",
];

/// Adds the equations of the table to the set, and an entry for every species that no group of
/// the head names.
pub(super) fn read(
    source: &Source,
    defaults: &RowDefaults,
    set: &mut VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return;
    };
    check_columns(
        &table,
        &set.head.error.columns,
        &defaults.formulas,
        problems,
    );
    let columns = RowColumns {
        species: table.column("species"),
        region: table.column("region"),
        origin: table.column("origin"),
        range: ["dbh_min", "dbh_max", "height_min", "height_max"].map(|name| table.column(name)),
        quantity: table.column("quantity"),
        form: table.column("form"),
        formula: table.column("formula"),
        mark: table.column("mark"),
        note: table.column("note"),
        error: set
            .head
            .error
            .columns
            .iter()
            .map(|name| table.column(name))
            .collect(),
    };
    if columns.species.is_none() {
        problems.push(
            Diagnostic::error("column-missing", "there is no column `species`")
                .at(source.whole())
                .hint("add it, with the species of each row"),
        );
        return;
    }
    while let Some(row) = table.next_row(problems) {
        if let Some(equation) = read_row(&table, &row, &columns, defaults, set, species, problems) {
            set.equations.push(equation);
        }
    }
    // A faulty row may be the one that uses the group.
    if !problems.has_errors() {
        check_groups_used(source, set, problems);
    }
    check_overlaps(source, set, species, problems);
}

fn check_groups_used(source: &Source, set: &VolumeSet, problems: &mut Problems) {
    for (index, entry) in set.entries.iter().enumerate() {
        if !set.equations.iter().any(|row| row.entry == index) {
            problems.push(
                Diagnostic::error(
                    "group-unused",
                    format!("group `{}` has no row in the table", entry.label),
                )
                .at(source.whole())
                .hint("add its row, or remove the group from the head"),
            );
        }
    }
}

fn check_columns(
    table: &Table,
    error_columns: &[String],
    formulas: &Formulas,
    problems: &mut Problems,
) {
    if formulas.any {
        return check_coefficients_used(table, error_columns, formulas, problems);
    }
    let mut known: Vec<&str> = ROW_COLUMNS.to_vec();
    known.extend(FormSpec::all().flat_map(|spec| spec.coefficients().iter().copied()));
    known.extend(error_columns.iter().map(String::as_str));
    known.sort_unstable();
    known.dedup();
    for (index, head) in table.heads().iter().enumerate() {
        if !known.contains(&head.as_str()) {
            problems.push(
                Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                    .at(table.head_site(index))
                    .hint(known_hint(head, &known)),
            );
        }
    }
}

/// With a formula a coefficient may have any name, so a column that nothing uses is a slip.
fn check_coefficients_used(
    table: &Table,
    error_columns: &[String],
    formulas: &Formulas,
    problems: &mut Problems,
) {
    for (index, head) in table.heads().iter().enumerate() {
        if !ROW_COLUMNS.contains(&head.as_str())
            && !error_columns.contains(head)
            && !formulas.uses(head)
        {
            problems.push(
                Diagnostic::error(
                    "coefficient-unused",
                    format!("no formula or form of the set uses the column `{head}`"),
                )
                .at(table.head_site(index))
                .hint(format!(
                    "use it, or remove it; columns that are no coefficients are {}",
                    ROW_COLUMNS.join(", ")
                )),
            );
        }
    }
}

struct RowColumns {
    species: Option<Column>,
    region: Option<Column>,
    origin: Option<Column>,
    range: [Option<Column>; 4],
    quantity: Option<Column>,
    form: Option<Column>,
    formula: Option<Column>,
    mark: Option<Column>,
    note: Option<Column>,
    error: Vec<Option<Column>>,
}

fn read_row(
    table: &Table,
    row: &Row,
    columns: &RowColumns,
    defaults: &RowDefaults,
    set: &mut VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<Equation> {
    let place = |column: Option<Column>| {
        column.map_or_else(|| table.row_site(row), |column| table.site(row, column))
    };
    let entry = match row.text(columns.species) {
        Some(label) => find_entry(label, set, species)
            .ok_or_else(|| unknown_species(label, species).at(place(columns.species))),
        None => Err(
            Diagnostic::error("species-missing", "this row names no species")
                .at(table.row_site(row))
                .hint("name one in the column `species`, or remove the row"),
        ),
    };
    let region = match row.text(columns.region) {
        None => Ok(None),
        Some(name) => set.region(name).map(Some).ok_or_else(|| {
            let known: Vec<&str> = set.regions.iter().map(|r| r.name.as_str()).collect();
            Diagnostic::error(
                "unknown-region",
                format!("the head lists no region `{name}`"),
            )
            .at(place(columns.region))
            .hint(known_hint(name, &known))
        }),
    };
    let quantity = read_quantity(table, row, columns, defaults);
    let spec = match row.text(columns.form) {
        Some(name) => {
            FormSpec::named(name).ok_or_else(|| unknown_form(name).at(place(columns.form)))
        }
        None if row.text(columns.formula).is_some() => Ok(FormSpec::Formula),
        None => defaults.form.ok_or_else(|| {
            Diagnostic::error("form-missing", "neither row nor head names a form")
                .at(table.row_site(row))
                .hint("add `form` to the head, or a column `form`")
        }),
    };
    let planted = match row.text(columns.origin) {
        None => Ok(false),
        Some("planted") => Ok(true),
        Some(other) => Err(Diagnostic::error(
            "unknown-origin",
            format!("`{other}` is no stand origin"),
        )
        .at(place(columns.origin))
        .hint("write `planted`, or leave it blank for a row that serves any stand")),
    };
    let mut noted = |problem: Diagnostic| problems.push(problem);
    let planted = planted.map_err(&mut noted).ok();
    let entry = entry.map_err(&mut noted).ok();
    let region = region.map_err(&mut noted).ok();
    let quantity = quantity.map_err(&mut noted).ok();
    let spec = spec.map_err(&mut noted).ok()?;
    let wanted = Wanted {
        spec,
        quantity,
        defaults,
    };
    if let Some(quantity) = quantity
        && !spec.gives(quantity)
    {
        problems.push(
            Diagnostic::error(
                "form-quantity",
                format!("form `{}` cannot give `{}`", spec.name(), quantity.name()),
            )
            .at(table.row_site(row))
            .hint("name another form, or another quantity"),
        );
    }
    let (model, printed) = table_models::read(table, row, columns.formula, &wanted, problems)?;
    let error = columns
        .error
        .iter()
        .map(|column| table.number(row, *column, problems))
        .collect();
    Some(Equation {
        entry: entry?,
        region: region?,
        quantity: quantity?,
        planted: planted?,
        range: read_range(table, row, columns, set, problems),
        model,
        spec,
        printed,
        error,
        mark: row.text(columns.mark).map(str::to_owned),
        note: row.text(columns.note).map(str::to_owned),
        line: row.line(),
    })
}

fn read_quantity(
    table: &Table,
    row: &Row,
    columns: &RowColumns,
    defaults: &RowDefaults,
) -> Result<Quantity, Diagnostic> {
    match columns
        .quantity
        .and_then(|column| Some((column, row.text(Some(column))?)))
    {
        Some((column, name)) => Quantity::NAMES
            .iter()
            .find(|(word, _)| *word == name)
            .map(|(_, quantity)| *quantity)
            .ok_or_else(|| {
                let known: Vec<&str> = Quantity::NAMES.iter().map(|(word, _)| *word).collect();
                Diagnostic::error("unknown-quantity", format!("`{name}` is no quantity"))
                    .at(table.site(row, column))
                    .hint(known_hint(name, &known))
            }),
        None => defaults.quantity.ok_or_else(|| {
            Diagnostic::error("quantity-missing", "neither row nor head names a quantity")
                .at(table.row_site(row))
                .hint("add `quantity` to the head, or a column `quantity`")
        }),
    }
}

/// The limits of the row's own, given in the units of the set.
fn read_range(
    table: &Table,
    row: &Row,
    columns: &RowColumns,
    set: &VolumeSet,
    problems: &mut Problems,
) -> Option<ValidRange> {
    let [dbh_min, dbh_max, height_min, height_max] = columns
        .range
        .map(|column| table.number(row, column, problems));
    let units = &set.head.units;
    let between = |low: Option<f64>, high: Option<f64>, per_held: f64| {
        (low.is_some() || high.is_some()).then(|| {
            [
                low.unwrap_or(0.0) / per_held,
                high.unwrap_or(f64::INFINITY) / per_held,
            ]
        })
    };
    let range = ValidRange {
        dbh_cm: between(dbh_min, dbh_max, units.dbh_per_cm),
        height_m: between(height_min, height_max, units.height_per_m),
        source: set.head.range.source.clone(),
    };
    (range.dbh_cm.is_some() || range.height_m.is_some()).then_some(range)
}

fn find_entry(label: &str, set: &mut VolumeSet, species: &SpeciesTable) -> Option<usize> {
    if let Some(index) = set.entries.iter().position(|entry| entry.label == label) {
        return Some(index);
    }
    let id = species.lookup(label)?;
    set.entries.push(SpeciesEntry {
        label: label.to_owned(),
        title: Some(species.get(id).common_name.clone()),
        covers: vec![id],
    });
    Some(set.entries.len() - 1)
}

/// Two rows that would serve the same species for the same quantity in the same region.
fn check_overlaps(
    source: &Source,
    set: &VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) {
    type Serves = (Quantity, bool, Option<usize>, bool, SpeciesId);
    let mut served: Vec<(Serves, usize)> = Vec::new();
    for equation in &set.equations {
        let covers = &set.entries[equation.entry].covers;
        let group = covers.len() > 1;
        for id in covers {
            let serves = (
                equation.quantity,
                equation.planted,
                equation.region,
                group,
                *id,
            );
            served.push((serves, equation.line));
        }
    }
    served.sort_unstable();
    let mut reported = Vec::new();
    for pair in served.windows(2) {
        let ((a, line_a), (b, line_b)) = (pair[0], pair[1]);
        let lines = (line_a, line_b);
        if a == b && !reported.contains(&lines) {
            reported.push(lines);
            problems.push(
                Diagnostic::error(
                    "rows-overlap",
                    format!(
                        "this row and line {} both give `{}` for {} in the same region",
                        line_a,
                        a.0.name(),
                        species.get(a.4).label()
                    ),
                )
                .at(source.site(line_b, 1))
                .hint("keep one of them"),
            );
        }
    }
}
