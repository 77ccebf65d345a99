//! Plots on the map, and how much they differ.

use super::{label, shown};
use crate::compile::Compilation;
use crate::design::{Design, SelectionIndex};
use crate::estimates::{Attribute, PlotFigures, PlotValue, StatusDomain};
use crate::records::Stand;
use crate::tables::chart::{Axis, Chart, Drawn, Key, Mark, Panel, Plane, Point, Row, Sign};
use crate::tables::figures::{confidence_words, everything};
use crate::tables::lookup::Lookup;
use crate::tables::{Block, Cell};

/// Plots of a map at most that are named.
const MOST_NAMES: usize = 60;

/// The map, where plots have places, and the chart of the plots' figures.
pub fn blocks(compilation: &Compilation<'_>, lookup: &Lookup<'_>, stand: &Stand) -> Vec<Block> {
    let design = compilation.design;
    let selections = || 0..design.selections.len();
    let of = |selection| of_selection(compilation, stand, selection);
    let variation = selections().filter_map(|at| variation(design, lookup, stand, at, &of(at)));
    let mut charts: Vec<Chart> = variation.collect();
    let with_figures =
        selections().find(|at| of(*at).iter().any(|plot| basal_area(plot).is_some()));
    charts.extend(map(design, stand, with_figures.map(of)));
    charts
        .into_iter()
        .map(|chart| Block::Chart(Box::new(chart)))
        .collect()
}

fn of_selection<'c>(
    compilation: &'c Compilation<'_>,
    stand: &Stand,
    selection: SelectionIndex,
) -> Vec<&'c PlotValue> {
    let plots = compilation.estimates.plots.iter();
    plots
        .filter(|plot| plot.stand == stand.name && plot.selection == selection)
        .collect()
}

fn basal_area(plot: &PlotValue) -> Option<f64> {
    plot.live.basal_area_m2_per_ha
}

fn figure(of: &PlotFigures, attribute: Attribute) -> Option<f64> {
    match attribute {
        Attribute::BasalArea => of.basal_area_m2_per_ha,
        _ => of.volume_m3_per_ha,
    }
}

/// Every plot as a dot, a row for each stratum, with the mean and its interval.
fn variation(
    design: &Design,
    lookup: &Lookup<'_>,
    stand: &Stand,
    selection: SelectionIndex,
    plots: &[&PlotValue],
) -> Option<Chart> {
    let mut chart = Chart::default();
    let mut told = Vec::new();
    let domain = everything(StatusDomain::Live);
    for attribute in [Attribute::BasalArea, Attribute::VolumeTotal] {
        let factor = attribute.unit(design.units).from_metric;
        let estimate = |stratum: Option<&str>| {
            let here = (Some(stand.name.as_str()), stratum);
            let estimate = lookup.estimate(here, selection, domain, attribute)?;
            Some(shown(estimate, attribute, design))
        };
        let mut rows: Vec<Row> = Vec::new();
        for (at, stratum) in stand.strata.iter().enumerate() {
            let single = stand.strata.len() == 1;
            let of_stratum = plots.iter().filter(|plot| plot.stratum == stratum.name);
            let dots: Vec<f64> = of_stratum
                .filter_map(|plot| Some(figure(&plot.live, attribute)? * factor))
                .collect();
            if dots.len() < 2 {
                continue;
            }
            let digits = attribute.digits(design.units);
            let number = |value: f64| Cell::Number(value, digits).shown();
            let least = dots.iter().copied().fold(f64::INFINITY, f64::min);
            let most = dots.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let name = if single { "all" } else { &stratum.name };
            told.push(format!(
                "{} of {} plots, {name}: {} to {}",
                label(attribute, design),
                dots.len(),
                number(least),
                number(most)
            ));
            let mark = if single { Mark::PLAIN } else { Mark::of(at) };
            let value = estimate((!single).then_some(stratum.name.as_str()));
            let mut row = Row::new(name, mark, value);
            row.dots = dots;
            rows.push(row);
        }
        if rows.len() > 1 {
            let mut row = Row::new("all", Mark::PLAIN, estimate(None));
            row.whole = true;
            rows.extend(row.estimate.is_some().then_some(row));
        }
        if !rows.is_empty() {
            chart.panels.push(Panel {
                title: String::new(),
                x: Axis::from_zero(label(attribute, design)),
                drawn: Drawn::Rows(rows),
            });
        }
    }
    let name = &design.selections[selection].name;
    chart.title = format!("Live trees plot by plot, selection {name}");
    chart.description = format!("{}.", told.join(". "));
    chart.key = vec![
        Key {
            sign: Sign::Point(Mark::PLAIN),
            words: "one plot".to_owned(),
        },
        Key {
            sign: Sign::Whisker(Mark::PLAIN),
            words: format!(
                "mean, with its {} interval where there is one",
                confidence_words(design)
            ),
        },
    ];
    (!chart.panels.is_empty()).then_some(chart)
}

/// Plots at their places.
fn map(design: &Design, stand: &Stand, figures: Option<Vec<&PlotValue>>) -> Option<Chart> {
    let attribute = Attribute::BasalArea;
    let factor = attribute.unit(design.units).from_metric;
    let figures = figures.unwrap_or_default();
    let most = figures
        .iter()
        .filter_map(|plot| basal_area(plot))
        .fold(0.0, f64::max);
    let named = stand.plots.len() <= MOST_NAMES;
    let mut plane = Plane::new(Axis::over(""));
    plane.map = true;
    let mut without = 0;
    let mut told = Vec::new();
    for plot in &stand.plots {
        let (Some(x), Some(y)) = (plot.easting, plot.northing) else {
            without += 1;
            continue;
        };
        let of = figures
            .iter()
            .find(|of| of.plot == plot.name)
            .and_then(|of| basal_area(of));
        if let Some(of) = of {
            let value = Cell::Number(of * factor, attribute.digits(design.units)).shown();
            told.push(format!("plot {} {value}", plot.name));
        }
        plane.points.push(Point {
            x,
            y,
            area: Some(of.map_or(0.0, |of| if most > 0.0 { of / most } else { 0.0 })),
            mark: Mark::of(plot.stratum),
            label: if named {
                plot.name.clone()
            } else {
                String::new()
            },
        });
    }
    if plane.points.len() < 2 {
        return None;
    }
    let mut chart = Chart {
        title: format!(
            "Plots on the map, north up; marks grow with {} of live trees",
            label(attribute, design)
        ),
        description: format!(
            "Places of {} plots; {} of live trees: {}.",
            plane.points.len(),
            label(attribute, design),
            told.join(", ")
        ),
        ..Chart::default()
    };
    if most <= 0.0 {
        "Plots on the map, north up".clone_into(&mut chart.title);
        chart.description = format!("Places of {} plots.", plane.points.len());
    }
    if stand.strata.len() > 1 {
        let keys = stand.strata.iter().enumerate().map(|(at, stratum)| Key {
            sign: Sign::Point(Mark::of(at)),
            words: format!("stratum {}", stratum.name),
        });
        chart.key.extend(keys);
    }
    if most > 0.0 {
        let value = Cell::Number(most * factor, attribute.digits(design.units)).shown();
        chart.notes.push(format!(
            "The area of a mark is in proportion to basal area; the largest stands for {value} {}. Eastings and \
             northings as recorded; the scale is in their unit.",
            attribute.unit(design.units).label
        ));
    }
    if without > 0 {
        chart.notes.push(format!(
            "Without a place, and not drawn: {}.",
            crate::diagnostic::counted(without, "plot")
        ));
    }
    chart.panels.push(Panel {
        title: String::new(),
        x: Axis::over(""),
        drawn: Drawn::Plane(plane),
    });
    Some(chart)
}
