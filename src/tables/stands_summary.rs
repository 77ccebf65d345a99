//! One line per stand and selection: what a list of stands is looked through for.
//!
//! Columns: stand, selection, state (`compiled` or `failed`), area, plots, trees with records of
//! their own, then for live trees the value per hectare (or acre) and its error in percent of number,
//! basal area and volumes, quadratic mean dbh, Lorey's height and top height, and the warnings that
//! the records gave. Empty where undefined.

use crate::design::SelectionIndex;
use crate::estimates::{Attribute, Domain, EstimateRow};
use crate::tables::frame::Frame;
use crate::tables::tidy::Value;
use crate::units::UnitSystem;

/// Attributes with their error.
const WITH_ERROR: [Attribute; 5] = [
    Attribute::Trees,
    Attribute::BasalArea,
    Attribute::VolumeTotal,
    Attribute::VolumeMerch,
    Attribute::VolumeNet,
];
/// Attributes without.
const PLAIN: [Attribute; 3] = [
    Attribute::QuadraticMeanDbh,
    Attribute::LoreyHeight,
    Attribute::TopHeight,
];

/// Heads of the columns.
pub fn columns(units: UnitSystem) -> Vec<String> {
    let area = match units {
        UnitSystem::Metric => "area_ha",
        UnitSystem::Imperial => "area_ac",
    };
    let mut columns: Vec<String> = ["stand", "selection", "state", area, "n_plots", "n_trees"]
        .map(str::to_owned)
        .to_vec();
    for attribute in WITH_ERROR {
        columns.push(with_unit(attribute, units));
        columns.push(format!("{}_error_pct", attribute.name()));
    }
    columns.extend(PLAIN.map(|attribute| with_unit(attribute, units)));
    columns.push("n_warnings".to_owned());
    columns
}

/// `volume_total_m3_per_ha`, `top_height_m`.
fn with_unit(attribute: Attribute, units: UnitSystem) -> String {
    let unit = attribute.unit(units).label.replace('/', "_per_");
    match unit.strip_prefix("1_") {
        Some(per_area) => format!("{}_{per_area}", attribute.name()),
        None => format!("{}_{unit}", attribute.name()),
    }
}

/// The line of a stand that could not be compiled.
pub fn failed(stand: &str) -> Vec<Value> {
    let mut row = vec![Value::word(stand), Value::Empty, Value::word("failed")];
    row.resize(6 + 2 * WITH_ERROR.len() + PLAIN.len() + 1, Value::Empty);
    row
}

/// The lines of a stand (or of all, which has no records of its own) from its estimates.
pub fn rows(
    frame: &Frame,
    stand: &str,
    estimates: &[&EstimateRow],
    n_trees: impl Fn(SelectionIndex) -> Option<usize>,
    n_warnings: Option<usize>,
) -> Vec<Vec<Value>> {
    let of_selection = |(selection, name): (SelectionIndex, &String)| {
        let here = || {
            let rows = estimates
                .iter()
                .filter(move |row| row.selection == selection);
            rows.filter(|row| row.stratum.is_none() && row.domain == Domain::LIVE)
        };
        let first = here().next()?;
        let find = |attribute: Attribute| here().find(|row| row.attribute == attribute);
        let area = first.area_ha.map(|ha| ha * frame.units.area().from_metric);
        let mut row = vec![
            Value::word(stand),
            Value::word(name),
            Value::word("compiled"),
            Value::maybe(area),
            Value::Count(first.estimate.n_plots),
            n_trees(selection).map_or(Value::Empty, Value::Count),
        ];
        let shown = |row: &EstimateRow| {
            Value::Number(row.estimate.mean * row.attribute.unit(frame.units).from_metric)
        };
        for attribute in WITH_ERROR {
            let found = find(attribute);
            row.push(found.map_or(Value::Empty, |row| shown(row)));
            let error = found.and_then(|row| row.estimate.error_pct(frame.confidence));
            row.push(Value::maybe(error));
        }
        row.extend(PLAIN.map(|of| find(of).map_or(Value::Empty, |row| shown(row))));
        row.push(n_warnings.map_or(Value::Empty, Value::Count));
        Some(row)
    };
    let selections = frame.selections.iter().enumerate();
    selections.filter_map(of_selection).collect()
}
