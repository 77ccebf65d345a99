//! A line of marks for each name.

use super::canvas::{Anchor, Canvas, Ink, cut, width_of};
use super::plane::finite;
use super::{Drawing, LINE, WIDTH, beyond_axis, marks};
use crate::tables::Cell;
use crate::tables::chart::{Panel, Row};
use crate::tables::ticks::Ticks;

/// Height of a row, pixels.
const ROW: f64 = 21.0;
/// Height that heaped up values take at most, pixels.
const HEAP: f64 = 120.0;
/// Room above and below them.
const AROUND_HEAP: f64 = 4.0;
/// Room of the names at most.
const NAMES: f64 = 166.0;
/// Room for the value at the end of a bar.
const VALUES: f64 = 40.0;
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
    let widest = rows.iter().map(|row| width_of(&row.label));
    let names = widest.fold(0.0, f64::max).min(NAMES);
    let nothing = Ticks {
        from: 0.0,
        step: 1.0,
        steps: 1,
    };
    let ticks = ticks.unwrap_or(nothing);
    let beyond = if rows.iter().any(|row| row.bar) {
        VALUES
    } else {
        beyond_axis(&ticks)
    };
    let frame = Frame {
        left: names + 14.0,
        right: WIDTH - beyond,
        ticks,
    };
    let heaps: Vec<Heap> = rows.iter().map(|row| Heap::of(row, &frame)).collect();
    let foot = top + heaps.iter().map(|heap| heap.height + ROW).sum::<f64>();
    let height = foot + 2.0 * LINE + 6.0;
    let elements = Canvas::draw(WIDTH, height, |canvas| {
        if !panel.title.is_empty() {
            let words = cut(&panel.title, WIDTH - 4.0);
            canvas.text(&words, (0.0, LINE / 2.0), Anchor::Start, Ink::Text, true);
        }
        axis(canvas, panel, &frame, (top, foot));
        let mut y = top;
        for (row, heap) in rows.iter().zip(&heaps) {
            if row.whole {
                canvas.line(&[(0.0, y), (WIDTH, y)], Ink::Rule, 1.0);
            }
            y += heap.height;
            for (x, up) in &heap.places {
                marks::point(canvas, row.mark, (*x, y - up), marks::SMALL, 0.65);
            }
            let name = cut(&row.label, names.max(24.0));
            let middle = y + (ROW - heap.height) / 2.0;
            canvas.text(&name, (0.0, middle), Anchor::Start, Ink::Text, row.whole);
            value(canvas, row, &frame, y + ROW / 2.0);
            y += ROW;
        }
    });
    Drawing {
        width: WIDTH,
        height,
        elements,
    }
}

/// Single values, those in one place heaped up.
struct Heap {
    /// Places along, and up from the foot of the heap.
    places: Vec<(f64, f64)>,
    height: f64,
}

impl Heap {
    fn of(row: &Row, frame: &Frame) -> Heap {
        let finite = row.dots.iter().copied().filter(|value| value.is_finite());
        let mut along: Vec<f64> = finite.map(|value| frame.x(value)).collect();
        along.sort_by(f64::total_cmp);
        // Right end of each layer so far.
        let mut ends: Vec<f64> = Vec::new();
        let layer = |x: f64| {
            let free = ends.iter().position(|end| x - end >= 2.0 * marks::SMALL);
            match free {
                Some(at) => ends[at] = x,
                None => ends.push(x),
            }
            (x, free.unwrap_or(ends.len() - 1))
        };
        let layers: Vec<(f64, usize)> = along.into_iter().map(layer).collect();
        if layers.is_empty() {
            return Heap {
                places: Vec::new(),
                height: 0.0,
            };
        }
        let apart = (HEAP / ends.len() as f64).min(2.0 * marks::SMALL);
        let up = |layer: usize| marks::SMALL + layer as f64 * apart;
        Heap {
            places: layers.iter().map(|(x, layer)| (*x, up(*layer))).collect(),
            height: up(ends.len()) + AROUND_HEAP,
        }
    }
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

/// The value that stands out, in the middle of its row.
fn value(canvas: &mut Canvas<'_>, row: &Row, frame: &Frame, y: f64) {
    let Some(estimate) = row.estimate.filter(|estimate| estimate.value.is_finite()) else {
        let at = (frame.left + 4.0, y);
        canvas.text(&row.words, at, Anchor::Start, Ink::Quiet, false);
        return;
    };
    let x = frame.x(estimate.value);
    let ink = marks::ink(row.mark);
    if row.bar {
        canvas.rectangle((frame.x(0.0), y - 6.0), (x, y + 6.0), ink, 0.7);
        let value = Cell::Number(estimate.value, 1).shown();
        canvas.text(&value, (x + 5.0, y), Anchor::Start, Ink::Text, row.whole);
        return;
    }
    let limits = estimate.limits;
    if let Some((lower, upper)) = limits.filter(|limits| finite(&[limits.0, limits.1])) {
        marks::whisker_along(canvas, (frame.x(lower), frame.x(upper)), y, ink);
    }
    marks::point(canvas, row.mark, (x, y), marks::LARGE, 1.0);
}
