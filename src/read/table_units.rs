//! Units of a set: those that its head gives, and those that the variables of its formulas have.
//!
//! In: the map `units` of the head, the formulas. Out: factors from and to the program's units.

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::read::source::Source;
use crate::read::table_formula::Formulas;
use crate::read::table_head::Keys;
use crate::species::equation::{
    DBH_UNITS, HEIGHT_UNITS, MASS_UNITS, METRIC, Quantity, RESULT_UNITS, Units,
};

/// Which units of results the head gives.
#[derive(Clone, Copy)]
pub(super) struct HasUnits {
    pub(super) result: bool,
    pub(super) mass: bool,
}

/// Reads `units` of the head.
pub(super) fn read_units(
    source: &Source,
    keys: &Keys,
    formulas: &Formulas,
    problems: &mut Problems,
) -> (Option<Units>, HasUnits) {
    let known = &[
        "dbh",
        "height",
        "result",
        "mass",
        "dbh_per_cm",
        "height_per_m",
        "m3_per_result",
    ];
    let none = HasUnits {
        result: false,
        mass: false,
    };
    let Some(place) = keys.need("units", problems) else {
        return (None, none);
    };
    let Some(units) = keys.map("units", "`units`", known, problems) else {
        return (None, none);
    };
    let has_units = HasUnits {
        result: units.get("result").is_some(),
        mass: units.get("mass").is_some(),
    };
    // A set of diameters alone has no result but these.
    let diameters = keys
        .get("quantity")
        .and_then(|value| value.node.scalar_text());
    if !has_units.mass && diameters.as_deref() != Some(Quantity::DiameterInside.name()) {
        units.need("result", problems);
    }
    let site = place.site(source);
    (
        units_of_map(source, site, &units, formulas, problems),
        has_units,
    )
}

/// Unit of a size: as the head gives it, as the variables of formulas have it, or both alike.
fn unit_of_size(
    source: &Source,
    units: &Keys,
    key: &'static str,
    table: &'static [(&'static str, f64)],
    formulas: &Formulas,
    problems: &mut Problems,
) -> Option<(&'static str, f64)> {
    let of_variables = match key {
        "dbh" => formulas.units.dbh,
        _ => formulas.units.height,
    };
    if units.get(key).is_none() {
        if of_variables.is_none() && (!formulas.any || formulas.beside_other_forms) {
            units.need(key, problems);
            return None;
        }
        // Where no formula has the size, its unit does not matter.
        return match of_variables {
            Some(unit) => table.iter().find(|(name, _)| *name == unit).copied(),
            None => table.first().copied(),
        };
    }
    let names: Vec<_> = table
        .iter()
        .map(|(name, size)| (*name, (*name, *size)))
        .collect();
    let given = units.choice(key, &names, problems)?;
    if let Some(unit) = of_variables
        && unit != given.0
    {
        problems.push(
            Diagnostic::error(
                "formula-units",
                format!(
                    "`{key}` is `{}`, but the formula has `{key}_{unit}`",
                    given.0
                ),
            )
            .at(units.get(key)?.site(source))
            .hint("leave it out: the variables of the formula say it"),
        );
    }
    Some(given)
}

fn units_of_map(
    source: &Source,
    place: Site,
    units: &Keys,
    formulas: &Formulas,
    problems: &mut Problems,
) -> Option<Units> {
    let named =
        |table: &'static [(&'static str, f64)]| -> Vec<(&'static str, (&'static str, f64))> {
            table
                .iter()
                .map(|(name, size)| (*name, (*name, *size)))
                .collect()
        };
    let dbh = unit_of_size(source, units, "dbh", DBH_UNITS, formulas, problems);
    let height = unit_of_size(source, units, "height", HEIGHT_UNITS, formulas, problems);
    let results: Vec<(&str, (&str, Option<f64>))> = RESULT_UNITS
        .iter()
        .map(|(name, size)| (*name, (*name, *size)))
        .collect();
    let (result, result_m3) = match units.get("result") {
        Some(_) => units.choice("result", &results, problems)?,
        None => (METRIC.result, Some(METRIC.m3_per_result)),
    };
    let (mass, mass_kg) = match units.get("mass") {
        Some(_) => units.choice("mass", &named(MASS_UNITS), problems)?,
        None => (METRIC.mass, METRIC.kg_per_result),
    };
    let ((dbh, dbh_cm), (height, height_m)) = (dbh?, height?);
    // A factor that the source rounded takes the place of the exact one.
    let factor = |key: &str, problems: &mut Problems| {
        let number = units.number(key, problems)?;
        if number > 0.0 {
            return Some(number);
        }
        problems.push(
            Diagnostic::error(
                "bad-factor",
                format!("`{key}` must be positive (`{number}`)"),
            )
            .at(units.get(key)?.site(source))
            .hint("correct it by the publication"),
        );
        None
    };
    let m3_per_result = factor("m3_per_result", problems).or(result_m3);
    if m3_per_result.is_none() {
        problems.push(
            Diagnostic::error(
                "factor-missing",
                format!("`{result}` have no fixed size in m3"),
            )
            .at(place)
            .hint("give the factor of the source as `m3_per_result`"),
        );
    }
    Some(Units {
        dbh_per_cm: factor("dbh_per_cm", problems).unwrap_or(1.0 / dbh_cm),
        height_per_m: factor("height_per_m", problems).unwrap_or(1.0 / height_m),
        m3_per_result: m3_per_result?,
        kg_per_result: mass_kg,
        dbh,
        height,
        result,
        mass,
    })
}
