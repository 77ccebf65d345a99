//! A line of marks for each name.

use super::canvas::{Anchor, Canvas, Ink, cut, width_of};
use super::plane::finite;
use super::{Drawing, LINE, WIDTH, marks};
use crate::tables::chart::{Panel, Row};
use crate::tables::ticks::Ticks;

/// Height of a row, pixels.
const ROW: f64 = 21.0;
/// What single values need besides.
const DOTS: f64 = 26.0;
/// Room of the names at most.
const NAMES: f64 = 150.0;
/// Room for the value at the end of a bar.
const VALUES: f64 = 40.0;
/// Layers of dots at most, so that none leave their row.
const LAYERS: usize = 7;

/// Where values lie.
struct Frame {
    left: f64,
    right: f64,
    ticks: Ticks,
}

impl Frame {
    fn x(&self, value: f64) -> f64 {
        self.left + (self.right - self.left) * self.ticks.share(value).clamp(0.0, 1.0)
    }
}

pub(super) fn draw(panel: &Panel, rows: &[Row], ticks: Option<Ticks>) -> Drawing {
    let top = if panel.title.is_empty() {
        4.0
    } else {
        LINE + 4.0
    };
    let foot = top + rows.iter().map(height_of).sum::<f64>();
    let height = foot + 2.0 * LINE + 6.0;
    let elements = Canvas::draw(WIDTH, height, |canvas| {
        if !panel.title.is_empty() {
            let words = cut(&panel.title, WIDTH - 4.0);
            canvas.text(&words, (0.0, LINE / 2.0), Anchor::Start, Ink::Text, true);
        }
        let widest = rows
            .iter()
            .map(|row| width_of(&row.label))
            .fold(0.0, f64::max);
        let names = widest.min(NAMES);
        let ticks = ticks.unwrap_or(Ticks {
            from: 0.0,
            step: 1.0,
            steps: 1,
        });
        let beyond = if rows.iter().any(|row| row.bar) {
            VALUES
        } else {
            14.0
        };
        let frame = Frame {
            left: names + 14.0,
            right: WIDTH - beyond,
            ticks,
        };
        axis(canvas, panel, &frame, (top, foot));
        let mut y = top;
        for row in rows {
            if row.whole {
                canvas.line(&[(0.0, y), (WIDTH, y)], Ink::Rule, 1.0);
            }
            draw_row(canvas, row, &frame, y, names);
            y += height_of(row);
        }
    });
    Drawing {
        width: WIDTH,
        height,
        elements,
    }
}

fn height_of(row: &Row) -> f64 {
    if row.dots.is_empty() { ROW } else { ROW + DOTS }
}

fn axis(canvas: &mut Canvas<'_>, panel: &Panel, frame: &Frame, (top, foot): (f64, f64)) {
    canvas.line(&[(frame.left, foot), (frame.right, foot)], Ink::Quiet, 1.0);
    let labels: Vec<String> = (0..=frame.ticks.steps)
        .map(|at| frame.ticks.label(at))
        .collect();
    let widest = labels
        .iter()
        .map(|label| width_of(label))
        .fold(0.0, f64::max);
    let apart = (frame.right - frame.left) / frame.ticks.steps as f64;
    // Every second label where they would touch.
    let every = if widest + 8.0 > apart { 2 } else { 1 };
    for (at, label) in labels.iter().enumerate() {
        let x = frame.x(frame.ticks.tick(at));
        canvas.line(&[(x, top), (x, foot)], Ink::Rule, 1.0);
        if at % every == 0 {
            let below = foot + 2.0 + LINE / 2.0;
            canvas.text(label, (x, below), Anchor::Middle, Ink::Quiet, false);
        }
    }
    let words = cut(&panel.x.label, WIDTH - 8.0);
    // In the middle below the axis, as far as that has room on the right.
    let middle = f64::midpoint(frame.left, frame.right).min(WIDTH - width_of(&words) / 2.0 - 4.0);
    canvas.text(
        &words,
        (middle, foot + 2.0 + 1.5 * LINE),
        Anchor::Middle,
        Ink::Quiet,
        false,
    );
}

fn draw_row(canvas: &mut Canvas<'_>, row: &Row, frame: &Frame, top: f64, names: f64) {
    let middle = top + height_of(row) / 2.0;
    let name = cut(&row.label, names.max(24.0));
    canvas.text(&name, (0.0, middle), Anchor::Start, Ink::Text, row.whole);
    dots(canvas, row, frame, top + DOTS);
    let y = if row.dots.is_empty() {
        middle
    } else {
        top + DOTS + ROW / 2.0
    };
    let Some(estimate) = row.estimate.filter(|estimate| estimate.value.is_finite()) else {
        canvas.text(
            &row.words,
            (frame.left + 4.0, y),
            Anchor::Start,
            Ink::Quiet,
            false,
        );
        return;
    };
    let x = frame.x(estimate.value);
    let ink = marks::ink(row.mark);
    if row.bar {
        canvas.rectangle((frame.x(0.0), y - 6.0), (x, y + 6.0), ink, 0.7);
        let value = format!("{:.1}", estimate.value);
        canvas.text(&value, (x + 5.0, y), Anchor::Start, Ink::Text, row.whole);
        return;
    }
    if let Some((lower, upper)) = estimate
        .limits
        .filter(|limits| finite(&[limits.0, limits.1]))
    {
        marks::whisker_along(canvas, (frame.x(lower), frame.x(upper)), y, ink);
    }
    marks::point(canvas, row.mark, (x, y), marks::LARGE, 1.0);
}

/// Single values, those in one place heaped up.
fn dots(canvas: &mut Canvas<'_>, row: &Row, frame: &Frame, foot: f64) {
    let mut values: Vec<f64> = row
        .dots
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect();
    values.sort_by(f64::total_cmp);
    let apart = 2.0 * marks::SMALL;
    // Right end of each layer so far.
    let mut ends = [f64::NEG_INFINITY; LAYERS];
    let deepest = (DOTS - marks::SMALL) / (LAYERS - 1) as f64;
    for value in values {
        let x = frame.x(value);
        let free = ends.iter().position(|end| x - end >= apart);
        let layer = free.unwrap_or(LAYERS - 1);
        ends[layer] = x;
        let y = foot - marks::SMALL - layer as f64 * deepest;
        marks::point(canvas, row.mark, (x, y), marks::SMALL, 0.65);
    }
}
