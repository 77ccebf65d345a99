//! Paired rows and driving trees for machines.

use super::{Compared, MOST_TREES, tree_unit};
use crate::compare::drivers;
use crate::tables::figures::species_label;
use crate::tables::tidy::{ALL, Tidy, Value, class_limits, status_word};
use crate::units::UnitSystem;

/// Every paired row of every alternative: columns as in the help of the command.
pub fn differences(compared: &Compared<'_>) -> Tidy {
    let base = compared.base;
    let (design, records) = (base.design, base.records);
    let units = design.units;
    let [from, to, of_base, of_alternative, difference] = match units {
        UnitSystem::Metric => [
            "dbh_from_cm",
            "dbh_to_cm",
            "base_per_ha",
            "alternative_per_ha",
            "difference_per_ha",
        ],
        UnitSystem::Imperial => [
            "dbh_from_in",
            "dbh_to_in",
            "base_per_ac",
            "alternative_per_ac",
            "difference_per_ac",
        ],
    };
    let columns = vec![
        "stand",
        "stratum",
        "selection",
        "status",
        "species",
        from,
        to,
        "attribute",
        "unit",
        "base",
        "alternative",
        of_base,
        of_alternative,
        difference,
        "std_error",
        "ci_lower",
        "ci_upper",
        "difference_pct",
        "df",
        "n_plots",
    ];
    let or_all = |name: &Option<String>| Value::word(name.as_deref().unwrap_or(ALL));
    let mut rows = Vec::new();
    for alternative in &compared.alternatives {
        for row in &alternative.rows {
            let unit = row.attribute.unit(units);
            let shown = |value: Option<f64>| Value::maybe(value.map(|v| v * unit.from_metric));
            let (from, to) = match row.domain.dbh_class {
                Some(class) => {
                    let (from, to) = class_limits(class, design);
                    (Value::Number(from), Value::Number(to))
                }
                None => (Value::word(ALL), Value::word(ALL)),
            };
            let interval = row.difference.interval(design.confidence);
            rows.push(vec![
                or_all(&row.stand),
                or_all(&row.stratum),
                Value::word(&design.selections[row.selection].name),
                Value::word(status_word(row.domain.status, design)),
                Value::word(species_label(row.domain.species, records)),
                from,
                to,
                Value::word(row.attribute.name()),
                Value::word(unit.label),
                Value::word(&compared.name),
                Value::word(&alternative.name),
                shown(Some(row.base)),
                shown(Some(row.alternative)),
                shown(Some(row.difference.mean)),
                shown(row.difference.std_error),
                shown(interval.map(|(lower, _)| lower)),
                shown(interval.map(|(_, upper)| upper)),
                Value::maybe(row.difference_pct()),
                Value::maybe(row.difference.df),
                Value::Count(row.difference.n_plots),
            ]);
        }
    }
    Tidy { columns, rows }
}

/// The trees that drive each difference, by stand and selection.
pub fn trees(compared: &Compared<'_>) -> Tidy {
    let base = compared.base;
    let units = base.design.units;
    let [dbh, height, other_height, per_area] = match units {
        UnitSystem::Metric => [
            "dbh_cm",
            "base_height_m",
            "alternative_height_m",
            "difference_per_ha",
        ],
        UnitSystem::Imperial => [
            "dbh_in",
            "base_height_ft",
            "alternative_height_ft",
            "difference_per_ac",
        ],
    };
    let columns = vec![
        "alternative",
        "stand",
        "selection",
        "plot",
        "tree",
        "line",
        "species",
        dbh,
        height,
        other_height,
        "attribute",
        "tree_unit",
        "base_per_tree",
        "alternative_per_tree",
        "unit",
        per_area,
        "share_pct",
    ];
    let mut rows = Vec::new();
    for alternative in &compared.alternatives {
        let Some((column, attribute)) = alternative.ranking else {
            continue;
        };
        let (tree_unit, per_tree) = tree_unit(attribute, units);
        let unit = attribute.unit(units);
        let height = |m: Option<f64>| Value::maybe(m.map(|m| m * units.length().from_metric));
        for (stand, this) in base.records.stands.iter().enumerate() {
            for (selection, rule) in base.design.selections.iter().enumerate() {
                let found = drivers(base, alternative.compilation, stand, selection, column);
                for driver in found.iter().flatten().take(MOST_TREES) {
                    rows.push(vec![
                        Value::word(&alternative.name),
                        Value::word(&this.name),
                        Value::word(&rule.name),
                        Value::word(&driver.plot.name),
                        Value::word(driver.tree.number.as_str()),
                        Value::Count(driver.tree.line),
                        Value::word(&base.records.species[driver.tree.species].label),
                        Value::Number(driver.tree.dbh_cm * units.diameter().from_metric),
                        height(driver.heights_m[0]),
                        height(driver.heights_m[1]),
                        Value::word(attribute.name()),
                        Value::word(tree_unit),
                        Value::Number(driver.values[0] * per_tree),
                        Value::Number(driver.values[1] * per_tree),
                        Value::word(unit.label),
                        Value::Number(driver.per_ha * unit.from_metric),
                        Value::Number(driver.share * 100.0),
                    ]);
                }
            }
        }
    }
    Tidy { columns, rows }
}
