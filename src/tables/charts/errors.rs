//! Where the error of an estimate comes from, source by source.

use super::label;
use crate::compile::Compilation;
use crate::tables::chart::{Axis, Chart, Drawn, Interval, Mark, Panel, Row};
use crate::tables::whole_error::{NOT_KNOWN, SOURCES, told};
use crate::tables::{Block, Cell};
use crate::whole_error::SourcesOfError;

/// The chart of the estimates of one place, a panel for each: standard errors in percent of the
/// estimate. Nothing where no estimate is above 0.
pub fn block(
    compilation: &Compilation<'_>,
    rows: &[&SourcesOfError],
    caption: &str,
) -> Option<Block> {
    let mut chart = Chart {
        title: format!("{caption}: standard errors by source, in percent of the estimate"),
        shared_axes: true,
        ..Chart::default()
    };
    let mut words = Vec::new();
    for row in rows.iter().filter(|row| row.estimate.mean > 0.0) {
        let pct = |error: f64| 100.0 * error / row.estimate.mean;
        let bar = |name: &str, error: Option<f64>, mark: Mark| {
            let value = error.map(|error| Interval {
                value: pct(error),
                limits: None,
            });
            let mut bar = Row::new(name, mark, value);
            bar.bar = true;
            if error.is_none() {
                NOT_KNOWN.clone_into(&mut bar.words);
            }
            bar
        };
        let errors = row.std_errors();
        let mut bars: Vec<Row> = told(row)
            .iter()
            .map(|at| bar(SOURCES[*at], errors[*at], Mark(0)))
            .collect();
        let mut total = bar("total", row.with_total().std_error, Mark::PLAIN);
        total.whole = true;
        bars.push(total);
        let tell = |bar: &Row| {
            let value = bar
                .estimate
                .map(|of| format!("{} %", Cell::Number(of.value, 2).shown()));
            format!(
                "{} {}",
                bar.label,
                value.unwrap_or_else(|| bar.words.clone())
            )
        };
        let each: Vec<String> = bars.iter().map(tell).collect();
        words.push(format!("{}: {}.", row.attribute.words(), each.join(", ")));
        chart.panels.push(Panel {
            title: label(row.attribute, compilation.design),
            x: Axis::from_zero("standard error, % of the estimate"),
            drawn: Drawn::Rows(bars),
        });
    }
    chart.description = words.join(" ");
    (!chart.panels.is_empty()).then(|| Block::Chart(Box::new(chart)))
}
