//! A folder `height-curves/<set>/` to a set of published curves: `set.yaml`, `coefficients.csv`,
//! and the `checks.csv` that tests hold it against.
//!
//! In: the texts and the species table. Out: the set, or every problem with its place.

use std::path::Path;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::heights::regional::{
    Covers, HeightCheck, PublishedForm, PublishedUnit, RegionalCurve, RegionalHead, RegionalSet,
    SmallTreeLine, TALLEST_M,
};
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_head::{Keys, known_hint};
use crate::read::table_volume::{read_range, unknown_species};
use crate::read::yaml;
use crate::species::SpeciesTable;
use crate::species::equation::{DBH_UNITS, HEIGHT_UNITS};
use crate::species::set::Obtained;
use crate::units::Dimension;

const HEAD_KEYS: &[&str] = &[
    "title",
    "citation",
    "obtained",
    "obtained_note",
    "region",
    "form",
    "units",
    "breast_height",
    "line_start_height",
    "range",
    "notes",
];

const ROW_COLUMNS: &[&str] = &[
    "species",
    "name",
    "form",
    "breast_height",
    "line_from",
    "line_to",
    "citation",
    "mark",
    "note",
];

const CHECK_COLUMNS: &[&str] = &[
    "species",
    "dbh_cm",
    "dbh_in",
    "height_m",
    "height_ft",
    "status",
];

/// A tree of this dbh must have a possible height by every curve, so that a slip in a coefficient
/// or in a unit does not go unseen.
const PROBE_DBH_CM: f64 = 30.0;

/// Reads a set; its name is that of the folder in which the head lies.
pub fn regional_set(
    head: &Source,
    coefficients: &Source,
    table: &SpeciesTable,
) -> Result<RegionalSet, Problems> {
    let mut problems = Problems::new();
    let head = read_head(head, &mut problems)?;
    let Some(head) = head.map(Arc::new) else {
        return Err(problems.sorted());
    };
    let curves = read_curves(coefficients, &head, table, &mut problems);
    if problems.has_errors() {
        Err(problems.sorted())
    } else {
        Ok(RegionalSet { head, curves })
    }
}

/// Reads the heights against which a set is checked.
pub fn checks(source: &Source, species: &SpeciesTable) -> Result<Vec<HeightCheck>, Problems> {
    let mut problems = Problems::new();
    let checks = read_checks(source, species, &mut problems);
    if problems.has_errors() {
        Err(problems.sorted())
    } else {
        Ok(checks)
    }
}

fn read_head(source: &Source, problems: &mut Problems) -> Result<Option<RegionalHead>, Problems> {
    let node = yaml::parse(source)?;
    let what = "the head of a set of height curves";
    let Some(keys) = Keys::open(source, what, &node, Vec::new(), HEAD_KEYS, problems) else {
        return Ok(None);
    };
    for key in ["obtained", "form", "units", "breast_height", "range"] {
        keys.need(key, problems);
    }
    let units = keys.map("units", "`units`", &["dbh", "height"], problems);
    let mut unit = |key: &str, known: &'static [(&'static str, f64)]| {
        let units = units.as_ref()?;
        units.need(key, problems);
        let choices: Vec<(&'static str, PublishedUnit)> = known
            .iter()
            .map(|(name, to_held)| {
                let to_held = *to_held;
                (*name, PublishedUnit { name, to_held })
            })
            .collect();
        units.choice(key, &choices, problems)
    };
    let dbh_unit = unit("dbh", DBH_UNITS);
    let height_unit = unit("height", HEIGHT_UNITS);
    let form = keys.choice("form", PublishedForm::NAMES, problems);
    let breast_height = keys.number("breast_height", problems);
    let breast_height = breast_height.filter(|height| {
        let site = keys.get("breast_height").map(|value| value.site(source));
        not_negative(*height, site, problems)
    });
    let line_start_height = positive("line_start_height", source, &keys, problems);
    let title = keys.need_text("title", problems);
    let citation = keys.need_text("citation", problems);
    let obtained = keys.choice("obtained", Obtained::NAMES, problems);
    let obtained_note = keys.text("obtained_note", problems);
    let region = keys.need_text("region", problems);
    let range = read_range(&keys, problems);
    let notes = keys.texts("notes", problems);
    let build = || {
        Some(RegionalHead {
            name: folder_of(source),
            title,
            citation,
            obtained: obtained?,
            obtained_note,
            region,
            form: form?,
            dbh_unit: dbh_unit?,
            height_unit: height_unit?,
            breast_height: breast_height?,
            line_start_height,
            range,
            notes: notes.into_iter().map(|(note, _)| note).collect(),
        })
    };
    Ok(build())
}

fn folder_of(source: &Source) -> String {
    let folder = Path::new(source.name()).parent().and_then(Path::file_name);
    folder.map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

fn positive(key: &str, source: &Source, keys: &Keys, problems: &mut Problems) -> Option<f64> {
    let number = keys.number(key, problems)?;
    if number > 0.0 {
        return Some(number);
    }
    problems.push(
        Diagnostic::error(
            "out-of-range",
            format!("`{key}` must be positive (`{number}`)"),
        )
        .at(keys.get(key)?.site(source))
        .hint("correct it by the publication"),
    );
    None
}

/// May this be a breast height? A problem if not.
fn not_negative(breast_height: f64, site: Option<Site>, problems: &mut Problems) -> bool {
    let possible = breast_height >= 0.0;
    if let (false, Some(site)) = (possible, site) {
        problems.push(
            Diagnostic::error(
                "out-of-range",
                format!("`breast_height` must not be negative (`{breast_height}`)"),
            )
            .at(site)
            .hint("0 is right where the formula gives the total height"),
        );
    }
    possible
}

fn check_columns(table: &Table, known: &[&str], problems: &mut Problems) {
    for (index, head) in table.heads().iter().enumerate() {
        if !known.contains(&head.as_str()) {
            problems.push(
                Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                    .at(table.head_site(index))
                    .hint(known_hint(head, known)),
            );
        }
    }
}

/// Whom a row serves, or a problem.
fn covers_of(
    table: &Table,
    row: &Row,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<Covers> {
    let column = table.column("species");
    let (Some(column), Some(code)) = (column, row.text(column)) else {
        problems.push(
            Diagnostic::error("species-missing", "this row names no species")
                .at(table.row_site(row))
                .hint("name one in the column `species`, or remove the row"),
        );
        return None;
    };
    let wider = Covers::NAMES
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case(code));
    let covers = match wider {
        Some((_, covers)) => Some(*covers),
        None => species.lookup(code).map(Covers::Species),
    };
    if covers.is_none() {
        problems.push(unknown_species(code, species).at(table.site(row, column)));
    }
    covers
}

/// The head that holds for a row: that of the set, with the row's own form and breast height.
fn head_of(
    table: &Table,
    row: &Row,
    head: &Arc<RegionalHead>,
    problems: &mut Problems,
) -> Option<Arc<RegionalHead>> {
    let mut own = RegionalHead::clone(head);
    if let Some(column) = table.column("form")
        && let Some(text) = row.text(Some(column))
    {
        let known = PublishedForm::NAMES;
        let Some((_, form)) = known.iter().find(|(name, _)| *name == text) else {
            let known: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
            problems.push(
                Diagnostic::error("unknown-value", format!("`form` cannot be `{text}`"))
                    .at(table.site(row, column))
                    .hint(known_hint(text, &known)),
            );
            return None;
        };
        own.form = *form;
    }
    if let Some(column) = table.column("breast_height")
        && let Some(breast_height) = table.figure(row, Some(column), problems)
    {
        let site = Some(table.site(row, column));
        if !not_negative(breast_height, site, problems) {
            return None;
        }
        own.breast_height = breast_height;
    }
    Some(if own == **head {
        Arc::clone(head)
    } else {
        Arc::new(own)
    })
}

fn read_curves(
    source: &Source,
    head: &Arc<RegionalHead>,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Vec<RegionalCurve> {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return Vec::new();
    };
    let known = [ROW_COLUMNS, &coefficient_columns(&table, head)].concat();
    check_columns(&table, &known, problems);
    let mut curves: Vec<RegionalCurve> = Vec::new();
    while let Some(row) = table.next_row(problems) {
        let Some(curve) = read_curve(&table, &row, head, species, problems) else {
            continue;
        };
        if let Some(first) = curves.iter().find(|other| other.covers == curve.covers) {
            problems.push(
                Diagnostic::error(
                    "species-twice",
                    format!(
                        "{} already has a curve in line {}",
                        curve.covers.label(species),
                        first.line_number
                    ),
                )
                .at(table.row_site(&row))
                .hint("keep one of the two"),
            );
        }
        curves.push(curve);
    }
    if curves.is_empty() && !problems.has_errors() {
        problems.push(
            Diagnostic::error("empty-file", "the set has no curve")
                .at(source.whole())
                .hint("write one row per species"),
        );
    }
    curves
}

/// The columns of coefficients: those of the form of the set, or of any form where rows may name
/// one of their own.
fn coefficient_columns(table: &Table, head: &RegionalHead) -> Vec<&'static str> {
    if table.column("form").is_none() {
        return head.form.coefficients().to_vec();
    }
    let forms = PublishedForm::NAMES.iter();
    let mut names: Vec<&str> = forms
        .flat_map(|(_, form)| form.coefficients())
        .copied()
        .collect();
    names.sort_unstable();
    names.dedup();
    names
}

fn read_curve(
    table: &Table,
    row: &Row,
    head: &Arc<RegionalHead>,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<RegionalCurve> {
    let covers = covers_of(table, row, species, problems);
    let head = &head_of(table, row, head, problems)?;
    let line = read_line(table, row, head, problems);
    let (mut coefficients, mut printed, mut missing) = (Vec::new(), Vec::new(), Vec::new());
    for name in head.form.coefficients() {
        let column = table.column(name);
        match row.text(column) {
            Some(text) => {
                printed.push(text.to_owned());
                coefficients.extend(table.figure(row, column, problems));
            }
            None => missing.push(*name),
        }
    }
    if !missing.is_empty() {
        problems.push(
            Diagnostic::error(
                "coefficient-missing",
                format!("form `{}` needs {}", head.form.name(), missing.join(", ")),
            )
            .at(table.row_site(row))
            .hint("fill in the columns of these names"),
        );
    }
    let stray: Vec<&str> = coefficient_columns(table, head)
        .into_iter()
        .filter(|name| !head.form.coefficients().contains(name))
        .filter(|name| row.text(table.column(name)).is_some())
        .collect();
    if !stray.is_empty() {
        problems.push(
            Diagnostic::error(
                "coefficient-stray",
                format!("form `{}` has no {}", head.form.name(), stray.join(", ")),
            )
            .at(table.row_site(row))
            .hint("leave it blank, or name the form in the column `form`"),
        );
    }
    if coefficients.len() < head.form.coefficients().len() {
        return None;
    }
    let covers = covers?;
    let text = |name: &str| row.text(table.column(name)).map(str::to_owned);
    let curve = RegionalCurve {
        head: Arc::clone(head),
        covers,
        name: text("name").unwrap_or_else(|| match covers {
            Covers::Species(id) => species.get(id).scientific_name.clone(),
            Covers::Kind(_) | Covers::Any => covers.label(species),
        }),
        coefficients,
        printed,
        line,
        citation: text("citation"),
        mark: text("mark"),
        note: text("note"),
        line_number: row.line(),
    };
    let probe_m = curve.height_m(PROBE_DBH_CM);
    let least_m = head.breast_height * head.height_unit.to_held;
    if !(probe_m > least_m && probe_m < TALLEST_M) {
        problems.push(
            Diagnostic::error(
                "impossible-height",
                format!(
                    "this curve gives a tree of {PROBE_DBH_CM} cm dbh {probe_m:.1} m of height"
                ),
            )
            .at(table.row_site(row))
            .hint("look at the signs of the coefficients and at the units of the head"),
        );
        return None;
    }
    Some(curve)
}

/// The line of small trees, if the row has one: both ends, or a problem.
fn read_line(
    table: &Table,
    row: &Row,
    head: &RegionalHead,
    problems: &mut Problems,
) -> Option<SmallTreeLine> {
    let from = table.number(row, table.column("line_from"), problems);
    let to = table.number(row, table.column("line_to"), problems);
    let (message, hint) = match (from, to, head.line_start_height) {
        (None, None, _) => return None,
        (Some(from), Some(to), Some(start_height)) if (0.0..to).contains(&from) => {
            return Some(SmallTreeLine {
                from,
                to,
                start_height,
            });
        }
        (Some(from), Some(to), Some(_)) => (
            format!("the line of small trees runs from dbh `{from}` to `{to}`"),
            "`line_from` must not be negative and must lie below `line_to`",
        ),
        (Some(_), Some(_), None) => (
            "the line of small trees has no start".to_owned(),
            "give `line_start_height` in the head",
        ),
        _ => (
            "the line of small trees has one end only".to_owned(),
            "give `line_from` and `line_to`, or neither",
        ),
    };
    problems.push(
        Diagnostic::error("bad-line", message)
            .at(table.row_site(row))
            .hint(hint),
    );
    None
}

/// The column of a quantity with the unit in its name.
fn unit_column(
    table: &Table,
    stem: &str,
    known: &'static [(&'static str, f64)],
) -> Option<(Column, PublishedUnit)> {
    known.iter().find_map(|(name, to_held)| {
        let column = table.column(&format!("{stem}_{name}"))?;
        let to_held = *to_held;
        Some((column, PublishedUnit { name, to_held }))
    })
}

fn read_checks(
    source: &Source,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Vec<HeightCheck> {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return Vec::new();
    };
    check_columns(&table, CHECK_COLUMNS, problems);
    let dbh = table.quantity("dbh", Dimension::Diameter, problems);
    let height = unit_column(&table, "height", HEIGHT_UNITS);
    let mut checks = Vec::new();
    while let Some(row) = table.next_row(problems) {
        let covers = covers_of(&table, &row, species, problems);
        let dbh_cm = table.number(&row, dbh, problems);
        let value = table.number(&row, height.map(|(column, _)| column), problems);
        let printed = row.text(height.map(|(column, _)| column));
        let status = row.text(table.column("status"));
        let (Some(dbh_cm), Some((_, unit)), Some(_), Some(printed), Some(status)) =
            (dbh_cm, height, value, printed, status)
        else {
            problems.push(
                Diagnostic::error("check-incomplete", "this check lacks a value")
                    .at(table.row_site(&row))
                    .hint("it needs a dbh, a height and a status"),
            );
            continue;
        };
        checks.extend(covers.map(|covers| HeightCheck {
            covers,
            dbh_cm,
            printed: printed.to_owned(),
            unit,
            status: status.to_owned(),
            line_number: row.line(),
        }));
    }
    checks
}
