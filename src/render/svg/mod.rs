//! Panels of charts as SVG, for the HTML page that gives them their frame and style.
//!
//! In: [`Chart`]. Out: one [`Drawing`] for each panel, [`WIDTH`] pixels wide as it is meant to be
//! seen, in quarters of a pixel inside. Colours are fixed; the page changes them for a dark screen.
//! Values that are not finite are left out.

use crate::tables::chart::{Axis, Chart, Drawn, Interval, Panel, Plane, Row, Sign};
use crate::tables::ticks::Ticks;

mod canvas;
mod map;
mod marks;
mod plane;
mod rows;

use canvas::Canvas;
pub use canvas::UNITS;

/// Width of a panel, pixels: that of a phone.
pub const WIDTH: f64 = 360.0;
/// Size of letters, pixels.
const LETTERS: f64 = 12.5;
/// Height of a line of words, pixels.
const LINE: f64 = 17.0;
/// Steps of an axis at most.
const MOST_STEPS: usize = 6;

/// What is drawn, and its size.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawing {
    /// Pixels.
    pub width: f64,
    /// Pixels.
    pub height: f64,
    /// Elements of SVG, in units of [`UNITS`] to the pixel.
    pub elements: String,
}

/// The ticks of a panel, along and up.
#[derive(Clone, Copy)]
struct Scales {
    x: Option<Ticks>,
    y: Option<Ticks>,
}

/// Draws every panel.
pub fn draw(chart: &Chart) -> Vec<Drawing> {
    let scales = |panels: &[&Panel]| Scales {
        x: over(panels, |panel| &panel.x, along),
        y: over(panels, side, up),
    };
    let all: Vec<&Panel> = chart.panels.iter().collect();
    let shared = chart.shared_axes.then(|| scales(&all));
    let one = |panel: &&Panel| {
        let scales = shared.unwrap_or_else(|| scales(&[*panel]));
        match &panel.drawn {
            Drawn::Plane(plane) if plane.map => map::draw(plane),
            Drawn::Plane(plane) => plane::draw(panel, plane, scales),
            Drawn::Rows(rows) => rows::draw(panel, rows, scales.x),
        }
    };
    all.iter().map(one).collect()
}

/// Draws what a key explains.
pub fn sign(sign: Sign) -> Drawing {
    let (width, height) = (28.0, LINE);
    Drawing {
        width,
        height,
        elements: Canvas::draw(width, height, |canvas| {
            marks::sign(canvas, sign, width, height);
        }),
    }
}

/// Ticks over the values of panels; from zero where their axis says so.
fn over(
    panels: &[&Panel],
    axis: impl Fn(&Panel) -> &Axis,
    values: impl Fn(&Panel) -> Vec<f64>,
) -> Option<Ticks> {
    let from_zero = panels.iter().any(|panel| axis(panel).from_zero);
    let values = panels.iter().flat_map(|panel| values(panel));
    let values = values.map(|value| if from_zero { value.max(0.0) } else { value });
    Ticks::over(values.chain(from_zero.then_some(0.0)), MOST_STEPS)
}

/// Room to the right of an axis, so that its last label is whole.
fn beyond_axis(ticks: &Ticks) -> f64 {
    let half = canvas::width_of(&ticks.label(ticks.steps)) / 2.0;
    half.clamp(8.0, WIDTH / 4.0) + 2.0
}

fn side(panel: &Panel) -> &Axis {
    match &panel.drawn {
        Drawn::Plane(plane) => &plane.y,
        Drawn::Rows(_) => &panel.x,
    }
}

fn ends(interval: Interval) -> impl Iterator<Item = f64> {
    let (lower, upper) = interval.limits.unwrap_or((interval.value, interval.value));
    [interval.value, lower, upper].into_iter()
}

fn along(panel: &Panel) -> Vec<f64> {
    match &panel.drawn {
        Drawn::Plane(Plane {
            bars,
            lines,
            points,
            rug,
            ..
        }) => {
            let bars = bars.iter().flat_map(|bar| [bar.from, bar.to]);
            let lines = lines
                .iter()
                .flat_map(|line| &line.points)
                .map(|point| point.0);
            let points = points.iter().map(|point| point.x);
            bars.chain(lines)
                .chain(points)
                .chain(rug.iter().copied())
                .collect()
        }
        Drawn::Rows(rows) => {
            let of = |row: &Row| -> Vec<f64> {
                row.dots
                    .iter()
                    .copied()
                    .chain(row.estimate.into_iter().flat_map(ends))
                    .collect()
            };
            rows.iter().flat_map(of).collect()
        }
    }
}

fn up(panel: &Panel) -> Vec<f64> {
    match &panel.drawn {
        Drawn::Plane(Plane {
            bars,
            lines,
            points,
            ..
        }) => {
            let bars = bars.iter().flat_map(|bar| ends(bar.value));
            let lines = lines
                .iter()
                .flat_map(|line| &line.points)
                .map(|point| point.1);
            bars.chain(lines)
                .chain(points.iter().map(|point| point.y))
                .collect()
        }
        Drawn::Rows(_) => Vec::new(),
    }
}

#[cfg(test)]
mod tests;
