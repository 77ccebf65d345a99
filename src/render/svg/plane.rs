//! Points, lines and bars between two measured axes.

use std::collections::BTreeSet;

use super::canvas::{Anchor, Canvas, Ink, cut, width_of};
use super::{Drawing, LINE, Scales, WIDTH, beyond_axis, marks};
use crate::tables::chart::{Bar, Panel, Plane};
use crate::tables::ticks::Ticks;

/// Height of the picture between its axes, pixels.
const PICTURE: f64 = 168.0;
/// How dense the colour of points and bars is, so that those behind show.
const POINTS: f64 = 0.65;
const BARS: f64 = 0.4;

/// The place of the picture and its scales.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    foot: f64,
    x: Ticks,
    y: Ticks,
}

impl Frame {
    fn x(&self, value: f64) -> f64 {
        self.left + (self.right - self.left) * self.x.share(value).clamp(0.0, 1.0)
    }

    fn y(&self, value: f64) -> f64 {
        self.foot - (self.foot - self.top) * self.y.share(value).clamp(0.0, 1.0)
    }
}

pub(super) fn draw(panel: &Panel, plane: &Plane, scales: Scales) -> Drawing {
    let heading = if panel.title.is_empty() { 0.0 } else { LINE };
    let top = heading + LINE + 8.0;
    let foot = top + PICTURE;
    let height = foot + 2.0 * LINE + 4.0;
    let elements = Canvas::draw(WIDTH, height, |canvas| {
        let room = WIDTH - 4.0;
        if !panel.title.is_empty() {
            canvas.text(
                &cut(&panel.title, room),
                (0.0, LINE / 2.0),
                Anchor::Start,
                Ink::Text,
                true,
            );
        }
        let (Some(x), Some(y)) = (scales.x, scales.y) else {
            return;
        };
        let widest = (0..=y.steps)
            .map(|at| width_of(&y.label(at)))
            .fold(0.0, f64::max);
        let left = (widest + 8.0).min(WIDTH / 2.0);
        let frame = Frame {
            left,
            right: WIDTH - beyond_axis(&x),
            top,
            foot,
            x,
            y,
        };
        let words = cut(&plane.y.label, room);
        canvas.text(
            &words,
            (0.0, heading + LINE / 2.0),
            Anchor::Start,
            Ink::Quiet,
            false,
        );
        axes(canvas, panel, &frame);
        content(canvas, plane, &frame);
    });
    Drawing {
        width: WIDTH,
        height,
        elements,
    }
}

fn axes(canvas: &mut Canvas<'_>, panel: &Panel, frame: &Frame) {
    for at in 0..=frame.y.steps {
        let y = frame.y(frame.y.tick(at));
        let ink = if at == 0 { Ink::Quiet } else { Ink::Rule };
        canvas.line(&[(frame.left, y), (frame.right, y)], ink, 1.0);
        canvas.text(
            &frame.y.label(at),
            (frame.left - 6.0, y),
            Anchor::End,
            Ink::Quiet,
            false,
        );
    }
    for at in 0..=frame.x.steps {
        let x = frame.x(frame.x.tick(at));
        canvas.line(&[(x, frame.foot), (x, frame.foot + 4.0)], Ink::Quiet, 1.0);
        let below = frame.foot + 4.0 + LINE / 2.0;
        canvas.text(
            &frame.x.label(at),
            (x, below),
            Anchor::Middle,
            Ink::Quiet,
            false,
        );
    }
    let middle = f64::midpoint(frame.left, frame.right);
    let below = frame.foot + 4.0 + 1.5 * LINE;
    let words = cut(&panel.x.label, frame.right - frame.left);
    canvas.text(&words, (middle, below), Anchor::Middle, Ink::Quiet, false);
}

fn content(canvas: &mut Canvas<'_>, plane: &Plane, frame: &Frame) {
    for one in plane
        .bars
        .iter()
        .filter(|bar| finite(&[bar.from, bar.to, bar.value.value]))
    {
        bar(canvas, one, frame);
    }
    // Ticks that fall on one another are drawn once.
    let at_ticks: BTreeSet<i64> = plane
        .rug
        .iter()
        .filter(|value| value.is_finite())
        .map(|value| half(frame.x(*value)))
        .collect();
    for x in at_ticks {
        let x = x as f64 / 2.0;
        canvas.line(
            &[(x, frame.foot - 7.0), (x, frame.foot - 1.0)],
            Ink::Quiet,
            0.75,
        );
    }
    let mut drawn = BTreeSet::new();
    for point in plane
        .points
        .iter()
        .filter(|point| finite(&[point.x, point.y]))
    {
        let at = (frame.x(point.x), frame.y(point.y));
        if drawn.insert((half(at.0), half(at.1), point.mark.0)) {
            marks::point(canvas, point.mark, at, marks::SMALL, POINTS);
        }
    }
    for line in &plane.lines {
        let points = line
            .points
            .iter()
            .filter(|point| finite(&[point.0, point.1]));
        let points: Vec<(f64, f64)> = points
            .map(|point| (frame.x(point.0), frame.y(point.1)))
            .collect();
        marks::line(canvas, &points, line.dashed);
    }
}

fn bar(canvas: &mut Canvas<'_>, bar: &Bar, frame: &Frame) {
    let (from, to) = (frame.x(bar.from), frame.x(bar.to));
    let (base, top) = (frame.y(0.0), frame.y(bar.value.value));
    let gap = ((to - from) * 0.08).min(1.5);
    let ink = marks::ink(bar.mark);
    canvas.rectangle(
        (from + gap, top.min(base)),
        (to - gap, top.max(base)),
        ink,
        BARS,
    );
    if let Some((lower, upper)) = bar
        .value
        .limits
        .filter(|limits| finite(&[limits.0, limits.1]))
    {
        let (x, half_cap) = (f64::midpoint(from, to), ((to - from) * 0.2).min(4.0));
        let (lower_y, upper_y) = (frame.y(lower), frame.y(upper));
        canvas.line(&[(x, lower_y), (x, upper_y)], Ink::Text, 1.25);
        // No cap where the whisker is cut off at the foot.
        for y in [Some(upper_y), (lower >= frame.y.from).then_some(lower_y)]
            .into_iter()
            .flatten()
        {
            canvas.line(&[(x - half_cap, y), (x + half_cap, y)], Ink::Text, 1.25);
        }
    }
}

pub(super) fn finite(values: &[f64]) -> bool {
    values.iter().all(|value| value.is_finite())
}

/// A place to half a pixel.
#[expect(
    clippy::cast_possible_truncation,
    reason = "places lie within the drawing"
)]
fn half(pixels: f64) -> i64 {
    (pixels * 2.0).round() as i64
}
