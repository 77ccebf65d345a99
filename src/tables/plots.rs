//! The plots of a stand, each with its own figures; plots without trees are shown.

use crate::compile::Compilation;
use crate::estimates::{Attribute, PlotFigures};
use crate::records::Stand;
use crate::tables::{Cell, Column, Table};

/// One table per selection.
pub fn tables(compilation: &Compilation<'_>, stand: &Stand) -> Vec<Table> {
    let design = compilation.design;
    let stratified = stand.strata.len() > 1;
    let attributes = [
        Attribute::Trees,
        Attribute::BasalArea,
        Attribute::VolumeTotal,
    ];
    let figure = |figures: &PlotFigures, attribute: Attribute| {
        let value = match attribute {
            Attribute::Trees => figures.trees_per_ha,
            Attribute::BasalArea => figures.basal_area_m2_per_ha,
            _ => figures.volume_m3_per_ha,
        };
        let factor = attribute.unit(design.units).from_metric;
        Cell::maybe(
            value.map(|value| value * factor),
            attribute.digits(design.units),
        )
    };
    let mut tables = Vec::new();
    for (selection, rule) in design.selections.iter().enumerate() {
        let plots: Vec<_> = compilation
            .estimates
            .plots
            .iter()
            .filter(|plot| plot.stand == stand.name && plot.selection == selection)
            .collect();
        let shown: Vec<Attribute> = attributes
            .into_iter()
            .filter(|attribute| {
                plots
                    .iter()
                    .any(|p| figure(&p.live, *attribute) != Cell::Empty)
            })
            .collect();
        let mut columns = vec![Column::words("plot")];
        if stratified {
            columns.push(Column::words("stratum"));
        }
        columns.push(Column::number("live", "tallied"));
        columns.push(Column::number("dead", "tallied"));
        for attribute in &shown {
            let unit = attribute.unit(design.units).label;
            columns.push(Column::number(attribute.head(), unit));
        }
        let mut table = Table::new(format!("{}, figures of live trees", rule.name), 1, columns);
        for plot in plots {
            let mut row = vec![Cell::text(&plot.plot)];
            if stratified {
                row.push(Cell::text(&plot.stratum));
            }
            row.push(Cell::Number(plot.live.tallied, 0));
            row.push(Cell::Number(plot.dead.tallied, 0));
            row.extend(shown.iter().map(|attribute| figure(&plot.live, *attribute)));
            table.rows.push(row);
        }
        tables.push(table);
    }
    tables
}
