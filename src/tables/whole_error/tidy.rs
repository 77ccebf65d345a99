//! The sources of error as a tidy table.

use super::{DRAWS, OF_CURVES};
use crate::compile::Compilation;
use crate::design::SelectionIndex;
use crate::tables::tidy::{ALL, Tidy, Value};
use crate::units::UnitSystem;
use crate::whole_error::{SourcesOfError, whole_error};

/// Columns of the tidy table.
fn columns(units: UnitSystem) -> Vec<&'static str> {
    vec![
        "stand",
        "stratum",
        "selection",
        "attribute",
        "unit",
        match units {
            UnitSystem::Metric => "per_ha",
            UnitSystem::Imperial => "per_ac",
        },
        "sampling_std_error",
        "curve_parameters_std_error",
        "curve_residuals_std_error",
        "height_measurement_std_error",
        "equations_std_error",
        "drawn_heights_std_error",
        "total_std_error",
        "ci_lower",
        "ci_upper",
        "error_pct",
        "df",
        "curves_not_known",
        "heights_not_known",
        "equations_not_known",
        "curvature_bias",
        "curvature_bias_at_most",
    ]
}

/// The sources of error of every estimate of all live trees, one row each: standard errors per
/// hectare (or acre), empty where nothing is known; the interval is that of the total; the last
/// columns count the tree records of which a source is not known.
pub fn tidy(compilation: &Compilation<'_>) -> Tidy {
    let design = compilation.design;
    let units = design.units;
    let selection = |at: SelectionIndex| Value::word(&design.selections[at].name);
    let or_all = |name: &Option<String>| Value::word(name.as_deref().unwrap_or(ALL));
    let row = |row: &SourcesOfError| {
        let unit = row.attribute.unit(units);
        let shown = |value: Option<f64>| Value::maybe(value.map(|v| v * unit.from_metric));
        let total = row.with_total();
        let interval = total.interval(design.confidence);
        let mut values = vec![
            or_all(&row.stand),
            or_all(&row.stratum),
            selection(row.selection),
            Value::word(row.attribute.name()),
            Value::word(unit.label),
            shown(Some(row.estimate.mean)),
        ];
        let mut errors = row.std_errors();
        let others: &[usize] = match row.imputation {
            None => &[DRAWS],
            Some(_) => &OF_CURVES,
        };
        for at in others {
            errors[*at] = None;
        }
        values.extend(errors.map(shown));
        values.extend([
            shown(total.std_error),
            shown(interval.map(|(lower, _)| lower)),
            shown(interval.map(|(_, upper)| upper)),
            Value::maybe(total.error_pct(design.confidence)),
            Value::maybe(total.df),
            Value::Count(row.curve_parameters.unknown),
            Value::Count(row.height_measurement.unknown),
            Value::Count(row.equations.unknown),
            shown(Some(row.curvature_bias)),
            shown(Some(row.curvature_at_most)),
        ]);
        values
    };
    Tidy {
        columns: columns(units),
        rows: whole_error(compilation).iter().map(row).collect(),
    }
}
