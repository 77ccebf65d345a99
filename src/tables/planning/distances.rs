//! Limiting distances.

use crate::planning::gauge::{
    MeasuredTo, angle_deg, limiting_distance_m, radius_factor_m_per_cm, slope_distance_m,
    trees_per_ha,
};
use crate::tables::tidy::{Tidy, Value};
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::{CM_PER_IN, ShownUnit, UnitSystem};

/// What is asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked<'a> {
    /// The factor.
    pub baf_m2_per_ha: f64,
    /// Was it written in ft2/ac?
    pub baf_is_imperial: bool,
    /// The diameters, in the order of the table.
    pub dbhs_cm: Vec<f64>,
    /// Where the tape ends.
    pub to: MeasuredTo,
    /// Slopes.
    pub slopes_pct: &'a [f64],
    /// Units of the result.
    pub units: UnitSystem,
}

const SOURCE: &str = "Source: geometry of the gauge, F = 10000 sin^2(theta/2) m2/ha (43560 \
                      sin^2(theta/2) ft2/ac), D = d / (2 sqrt F); slope D sqrt(1 + s^2).";

fn place(to: MeasuredTo) -> &'static str {
    match to {
        MeasuredTo::Centre => "centre",
        MeasuredTo::Face => "near face",
    }
}

/// The report.
pub fn report(asked: &Asked<'_>) -> Report {
    let (length, diameter) = (asked.units.length(), asked.units.diameter());
    let metric = UnitSystem::Metric.basal_area_per_area();
    let imperial = UnitSystem::Imperial.basal_area_per_area();
    let [own, other] = if asked.baf_is_imperial {
        [imperial, metric]
    } else {
        [metric, imperial]
    };
    let factor = |unit: ShownUnit| asked.baf_m2_per_ha * unit.from_metric;
    let own_words = format!("{} {}", plain(factor(own)), own.label);
    let mut report = Report::new(format!("Limiting distances, basal area factor {own_words}"));
    let mut lines = vec![format!(
        "factor {own_words} = {:.4} {}",
        factor(other),
        other.label
    )];
    if let Some(angle) = angle_deg(asked.baf_m2_per_ha) {
        lines.push(format!("angle of the gauge: {angle:.3} degrees"));
    }
    for to in [MeasuredTo::Centre, MeasuredTo::Face] {
        let per_cm = radius_factor_m_per_cm(asked.baf_m2_per_ha, to);
        lines.push(format!(
            "plot radius factor to the {} of the tree: {:.4} {} per {}",
            place(to),
            per_cm * length.from_metric / diameter.from_metric,
            length.label,
            diameter.label
        ));
    }
    report.section("Gauge", vec![Block::Lines(lines)]);
    let count = asked.units.count_per_area();
    let mut columns = vec![
        Column::number("dbh", diameter.label),
        Column::number("stands for", count.label),
        Column::number("horizontal", length.label),
    ];
    for slope in asked.slopes_pct {
        let head = format!("slope {} %", plain(*slope));
        columns.push(Column::number(head, length.label));
    }
    let caption = format!(
        "to the {} of the tree at breast height; a tree at the distance itself is in",
        place(asked.to)
    );
    let mut table = Table::new(caption, 1, columns);
    let decimals = if asked.dbhs_cm.iter().any(|dbh_cm| {
        let tenths = shown_dbh(*dbh_cm, asked.units) * 10.0;
        (tenths - tenths.round()).abs() > 1e-6
    }) {
        2
    } else {
        1
    };
    for dbh_cm in &asked.dbhs_cm {
        let [dbh, stands_for, horizontal] = figures(asked, *dbh_cm);
        let mut row = vec![
            Cell::Number(dbh, decimals),
            Cell::Number(stands_for, 2),
            Cell::Number(horizontal, 2),
        ];
        let along = asked.slopes_pct.iter();
        row.extend(along.map(|slope| Cell::Number(slope_distance_m(horizontal, *slope), 2)));
        table.rows.push(row);
    }
    table.remarks.push(SOURCE.to_owned());
    report.section("Distances", vec![Block::Table(table)]);
    report
}

/// Inches that were read come back as they were written: divided, not multiplied.
fn shown_dbh(dbh_cm: f64, units: UnitSystem) -> f64 {
    match units {
        UnitSystem::Metric => dbh_cm,
        UnitSystem::Imperial => dbh_cm / CM_PER_IN,
    }
}

/// Dbh, trees per area that it stands for, horizontal distance: in the units of the result.
fn figures(asked: &Asked<'_>, dbh_cm: f64) -> [f64; 3] {
    let units = asked.units;
    let distance_m = limiting_distance_m(asked.baf_m2_per_ha, dbh_cm, asked.to);
    [
        shown_dbh(dbh_cm, units),
        trees_per_ha(asked.baf_m2_per_ha, dbh_cm) * units.count_per_area().from_metric,
        distance_m * units.length().from_metric,
    ]
}

/// The rows.
pub fn rows(asked: &Asked<'_>) -> Tidy<String> {
    let (length, diameter) = (asked.units.length().label, asked.units.diameter().label);
    let area = asked.units.area().label;
    let mut columns = vec![
        format!("dbh_{diameter}"),
        format!("trees_per_{area}"),
        "measured_to".to_owned(),
        format!("distance_{length}"),
    ];
    for slope in asked.slopes_pct {
        columns.push(format!("distance_at_{}_pct_slope_{length}", plain(*slope)));
    }
    let row = |dbh_cm: &f64| {
        let [dbh, stands_for, horizontal] = figures(asked, *dbh_cm);
        let mut row = vec![
            Value::Number(dbh),
            Value::Number(stands_for),
            Value::word(place(asked.to)),
            Value::Number(horizontal),
        ];
        let along = asked.slopes_pct.iter();
        row.extend(along.map(|slope| Value::Number(slope_distance_m(horizontal, *slope))));
        row
    };
    Tidy {
        columns,
        rows: asked.dbhs_cm.iter().map(row).collect(),
    }
}
