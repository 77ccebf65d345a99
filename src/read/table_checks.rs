//! `checks.csv` of a volume set: the values against which it is checked.
//!
//! In: the text, the set read so far, the species table. Out: checks, or problems with places.

use crate::design::Merchantable;
use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::math::digits::six_digits;
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_head::known_hint;
use crate::read::table_volume::unknown_species;
use crate::species::SpeciesTable;
use crate::species::equation::{Measure, Quantity};
use crate::species::set::{Check, CheckQuantity, CheckUnit, Tolerance, VolumeSet};
use crate::units::{CM_PER_IN, Dimension, KG_PER_LB, M_PER_FT, M3_PER_FT3};

const COLUMNS: &[&str] = &[
    "species",
    "region",
    "origin",
    "dbh_cm",
    "dbh_in",
    "height_m",
    "height_ft",
    "broken_height_m",
    "broken_height_ft",
    "quantity",
    "at_m",
    "at_ft",
    "stump_m",
    "stump_ft",
    "top_cm",
    "top_in",
    "top_basis",
    "value",
    "unit",
    "tolerance",
    "status",
    "where",
];

const UNITS: &[CheckUnit] = &[
    CheckUnit {
        name: "m3",
        to_held: 1.0,
    },
    CheckUnit {
        name: "ft3",
        to_held: M3_PER_FT3,
    },
    CheckUnit {
        name: "cm",
        to_held: 1.0,
    },
    CheckUnit {
        name: "in",
        to_held: CM_PER_IN,
    },
    CheckUnit {
        name: "m",
        to_held: 1.0,
    },
    CheckUnit {
        name: "ft",
        to_held: M_PER_FT,
    },
    CheckUnit {
        name: "kg",
        to_held: 1.0,
    },
    CheckUnit {
        name: "lb",
        to_held: KG_PER_LB,
    },
];

struct Columns {
    dbh: Option<Column>,
    height: Option<Column>,
    broken: Option<Column>,
    at: Option<Column>,
    stump: Option<Column>,
    top: Option<Column>,
}

/// Reads the check values of a set.
pub(crate) fn read(
    source: &Source,
    set: &VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Vec<Check> {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return Vec::new();
    };
    for (index, head) in table.heads().iter().enumerate() {
        if !COLUMNS.contains(&head.as_str()) {
            problems.push(
                Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                    .at(table.head_site(index))
                    .hint(known_hint(head, COLUMNS)),
            );
        }
    }
    let columns = Columns {
        dbh: table.quantity("dbh", Dimension::Diameter, problems),
        height: table.quantity("height", Dimension::Length, problems),
        broken: table.quantity("broken_height", Dimension::Length, problems),
        at: table.quantity("at", Dimension::Length, problems),
        stump: table.quantity("stump", Dimension::Length, problems),
        top: table.quantity("top", Dimension::Diameter, problems),
    };
    let mut checks = Vec::new();
    while let Some(row) = table.next_row(problems) {
        checks.extend(read_row(&table, &row, &columns, set, species, problems));
    }
    checks
}

/// The check values that the set does not meet, each at its place.
pub(crate) fn failed(source: &Source, set: &VolumeSet, species: &SpeciesTable) -> Problems {
    let mut problems = Problems::new();
    for result in set.verify(species).iter().filter(|result| !result.pass) {
        let check = result.check;
        let unit = check.unit.name;
        let message = match &result.ours {
            Ok(ours) => format!(
                "the equation gives {} {unit}, the check value is {} {unit} (relative difference {:+.1e})",
                six_digits(*ours),
                check.printed,
                result.relative_error
            ),
            Err(reason) => format!("there is no value to compare with the check value: {reason}"),
        };
        let hint = if result.ours.is_ok() {
            "compare coefficients, formula, units and bark with the publication"
        } else {
            "correct the check, or add the row that it needs"
        };
        let failed = Diagnostic::error("check-failed", message).hint(hint);
        problems.push(failed.at(value_site(source, check.line)));
    }
    problems
}

/// Place of the value in a row of check values.
fn value_site(source: &Source, line: usize) -> Site {
    let mut said = Problems::new();
    let mut table = Table::open(source, &[], &mut said);
    while let Some(table) = &mut table
        && let Some(row) = table.next_row(&mut said)
    {
        if let (true, Some(column)) = (row.line() == line, table.column("value")) {
            return table.site(&row, column);
        }
    }
    source.site(line, 1)
}

fn read_row(
    table: &Table,
    row: &Row,
    columns: &Columns,
    set: &VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<Check> {
    let text = |name: &str| row.text(table.column(name));
    let site = |name: &str| {
        table
            .column(name)
            .map_or_else(|| table.row_site(row), |column| table.site(row, column))
    };
    let lacks = |name: &str, problems: &mut Problems| {
        problems.push(
            Diagnostic::error("check-incomplete", format!("this check lacks `{name}`"))
                .at(site(name))
                .hint("fill it in, or remove the check"),
        );
    };
    for name in [
        "species",
        "quantity",
        "value",
        "unit",
        "tolerance",
        "status",
    ] {
        if text(name).is_none() {
            lacks(name, problems);
        }
    }
    let id = text("species").and_then(|code| {
        let id = species.lookup(code);
        if id.is_none() {
            problems.push(unknown_species(code, species).at(site("species")));
        }
        id
    });
    let dbh_cm = table.figure(row, columns.dbh, problems);
    let height_m = table.figure(row, columns.height, problems);
    let quantity = read_quantity(table, row, columns, problems);
    if dbh_cm.is_none() {
        lacks("dbh_cm", problems);
    }
    // Masses may come from dbh alone, a diameter inside bark does.
    let needs_height = !matches!(
        quantity,
        Some(CheckQuantity::Mass(_) | CheckQuantity::DiameterInside)
    );
    if height_m.is_none() && needs_height {
        lacks("height_m", problems);
    }
    let unit = text("unit").and_then(|name| {
        let found = UNITS.iter().copied().find(|unit| unit.name == name);
        let of_set = CheckUnit {
            name: set.head.units.result,
            to_held: set.head.units.m3_per_result,
        };
        let found = found.or_else(|| (of_set.name == name).then_some(of_set));
        if found.is_none() {
            let known: Vec<&str> = UNITS.iter().map(|unit| unit.name).collect();
            problems.push(
                Diagnostic::error("unknown-unit", format!("`{name}` is no unit of a check"))
                    .at(site("unit"))
                    .hint(format!("write {} or {}", known.join(", "), of_set.name)),
            );
        }
        found
    });
    let tolerance = text("tolerance").and_then(|text| {
        let tolerance = if text == "printed" {
            Some(Tolerance::PrintedDigits)
        } else {
            text.parse()
                .ok()
                .filter(|most: &f64| *most > 0.0 && *most < 1.0)
                .map(Tolerance::Relative)
        };
        if tolerance.is_none() {
            problems.push(
                Diagnostic::error("bad-tolerance", format!("`{text}` is no tolerance"))
                    .at(site("tolerance"))
                    .hint("write `printed`, or a largest relative difference such as 1e-9"),
            );
        }
        tolerance
    });
    let value = table.figure(row, table.column("value"), problems);
    if needs_height {
        height_m?;
    }
    Some(Check {
        species: id?,
        region: text("region").map(str::to_owned),
        dbh_cm: dbh_cm?,
        height_m,
        broken_height_m: table.figure(row, columns.broken, problems),
        planted: text("origin") == Some("planted"),
        quantity: quantity?,
        printed: text("value")?.to_owned(),
        value: value?,
        unit: unit?,
        tolerance: tolerance?,
        status: text("status")?.to_owned(),
        printed_where: text("where").unwrap_or_default().to_owned(),
        line: row.line(),
    })
}

fn read_quantity(
    table: &Table,
    row: &Row,
    columns: &Columns,
    problems: &mut Problems,
) -> Option<CheckQuantity> {
    const KNOWN: &[&str] = &[
        "total",
        "bark",
        "merchantable",
        "dib",
        "diameter",
        "height",
        "wood mass",
        "bark mass",
        "branch mass",
        "foliage mass",
        "total mass",
    ];
    let column = table.column("quantity");
    let name = row.text(column)?;
    let mass = Quantity::NAMES
        .iter()
        .find(|(word, quantity)| *word == name && quantity.measure() == Measure::Mass);
    if let Some((_, quantity)) = mass {
        return Some(CheckQuantity::Mass(*quantity));
    }
    let inside_bark = row.text(table.column("top_basis")) != Some("outside bark");
    let height_of = |diameter_cm: f64| CheckQuantity::HeightOf {
        diameter_cm,
        inside_bark,
    };
    let found = match name {
        "total" => Some(CheckQuantity::Total),
        "bark" => Some(CheckQuantity::Bark),
        "dib" => Some(CheckQuantity::DiameterInside),
        "merchantable" => {
            let stump_m = table.figure(row, columns.stump, problems);
            let top_cm = table.figure(row, columns.top, problems);
            stump_m.zip(top_cm).map(|(stump_m, top_diameter_cm)| {
                CheckQuantity::Merchantable(Merchantable {
                    stump_m,
                    top_diameter_cm,
                    top_inside_bark: inside_bark,
                    min_dbh_cm: None,
                })
            })
        }
        "diameter" => table
            .number(row, columns.at, problems)
            .map(|height_m| CheckQuantity::DiameterAt { height_m }),
        "height" => table.number(row, columns.top, problems).map(height_of),
        _ => {
            problems.push(
                Diagnostic::error("unknown-quantity", format!("`{name}` cannot be checked"))
                    .at(column.map_or_else(|| table.row_site(row), |c| table.site(row, c)))
                    .hint(known_hint(name, KNOWN)),
            );
            return None;
        }
    };
    if found.is_none() {
        problems.push(
            Diagnostic::error(
                "check-incomplete",
                format!("a check of `{name}` needs more"),
            )
            .at(table.row_site(row))
            .hint("merchantable: `stump_m` and `top_cm`; diameter: `at_m`; height: `top_cm`"),
        );
    }
    found
}
