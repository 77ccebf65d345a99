//! All stands together, as a report: what a batch run prints.

use crate::estimates::{Domain, EstimateRow};
use crate::tables::frame::Frame;
use crate::tables::{Block, Cell, Column, Report, Table};

/// A table for each selection; empty where nothing can be said of all stands.
pub fn report(title: &str, frame: &Frame, rows: &[EstimateRow]) -> Report {
    let mut report = Report::new(title);
    for (selection, name) in frame.selections.iter().enumerate() {
        let of_all = rows.iter().filter(|row| {
            row.selection == selection && row.stratum.is_none() && row.domain == Domain::LIVE
        });
        let mut table = Table::new(
            format!(
                "live trees, {} % limits; means weighted by area",
                crate::tables::percent(frame.confidence)
            ),
            1,
            vec![
                Column::words("of all stands"),
                Column::words("unit"),
                Column::number("mean", ""),
                Column::number("error", "%"),
                Column::number("lower", ""),
                Column::number("upper", ""),
                Column::number("total", ""),
            ],
        );
        let mut n_plots = 0;
        let mut area = None;
        for row in of_all {
            let unit = row.attribute.unit(frame.units);
            let digits = row.attribute.digits(frame.units);
            let shown = |value: f64| value * unit.from_metric;
            let limits = row.estimate.interval(frame.confidence);
            let here = row.area_ha.map(|ha| ha * frame.units.area().from_metric);
            let total = here.filter(|_| row.attribute.is_additive());
            table.rows.push(vec![
                Cell::text(row.attribute.words()),
                Cell::text(unit.label),
                Cell::Number(shown(row.estimate.mean), digits),
                Cell::maybe(row.estimate.error_pct(frame.confidence), 1),
                Cell::maybe(limits.map(|(lower, _)| shown(lower)), digits),
                Cell::maybe(limits.map(|(_, upper)| shown(upper)), digits),
                Cell::maybe(total.map(|area| area * shown(row.estimate.mean)), 0),
            ]);
            n_plots = n_plots.max(row.estimate.n_plots);
            area = here;
        }
        if let Some(area) = area {
            let label = frame.units.area().label;
            table
                .remarks
                .push(format!("{n_plots} plots on {area:.1} {label}"));
        }
        let heading = format!("All stands, selection {name}");
        report.section(heading, vec![Block::Table(table)]);
    }
    report
}
