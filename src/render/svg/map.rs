//! Plots at their places: a length is as long up as along.

use super::canvas::{Anchor, Canvas, Ink, width_of};
use super::plane::finite;
use super::{Drawing, LETTERS, LINE, WIDTH, marks};
use crate::tables::chart::{Plane, Point};
use crate::tables::ticks::Ticks;

/// Room around the places, pixels.
const AROUND: f64 = 26.0;
/// Height of the map at most and at least, pixels.
const HEIGHTS: (f64, f64) = (60.0, 400.0);
/// Half the size of the largest mark at most and of the smallest, pixels.
const SIZES: (f64, f64) = (11.0, 2.0);

/// What is taken: left, right, top and foot.
type Box = (f64, f64, f64, f64);

pub(super) fn draw(plane: &Plane) -> Drawing {
    let points: Vec<&Point> = plane
        .points
        .iter()
        .filter(|point| finite(&[point.x, point.y]))
        .collect();
    let (west, east) = range(points.iter().map(|point| point.x));
    let (south, north) = range(points.iter().map(|point| point.y));
    let room = WIDTH - 2.0 * AROUND;
    let wide = (east - west).max(1e-9);
    let high = (north - south).max(0.0);
    // Pixels to a unit of the ground.
    let scale = (room / wide).min(HEIGHTS.1 / high.max(1e-9));
    let inner = (high * scale).clamp(HEIGHTS.0, HEIGHTS.1);
    let height = inner + 2.0 * AROUND + LINE + 8.0;
    let place = |point: &Point| {
        let right = (point.x - f64::midpoint(west, east)) * scale;
        let up = (point.y - f64::midpoint(south, north)) * scale;
        (WIDTH / 2.0 + right, AROUND + inner / 2.0 - up)
    };
    let elements = Canvas::draw(WIDTH, height, |canvas| {
        if points.is_empty() || !scale.is_finite() {
            return;
        }
        let largest = (0.35 * room / (points.len() as f64).sqrt()).clamp(4.0, SIZES.0);
        let mut taken: Vec<Box> = Vec::new();
        let sized = |point: &Point| {
            (largest * point.area.unwrap_or(0.1).clamp(0.0, 1.0).sqrt()).max(SIZES.1)
        };
        for point in &points {
            let (at, size) = (place(point), sized(point));
            marks::point(canvas, point.mark, at, size, 0.6);
            taken.push((at.0 - size, at.0 + size, at.1 - size, at.1 + size));
        }
        for point in &points {
            name(
                canvas,
                &point.label,
                place(point),
                sized(point),
                &mut taken,
                height - LINE - 8.0,
            );
        }
        let foot = height - LINE / 2.0 - 2.0;
        scale_bar(canvas, scale, foot);
        north_arrow(canvas, foot);
    });
    Drawing {
        width: WIDTH,
        height,
        elements,
    }
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(least, most), value| (least.min(value), most.max(value)),
    )
}

/// A name beside its mark where there is room for it; else none.
fn name(
    canvas: &mut Canvas<'_>,
    words: &str,
    (x, y): (f64, f64),
    size: f64,
    taken: &mut Vec<Box>,
    foot: f64,
) {
    if words.is_empty() {
        return;
    }
    let (wide, half) = (width_of(words), LETTERS / 2.0);
    let beside = size + 3.0;
    let sides = [
        (x + beside, y),
        (x - beside - wide, y),
        (x - wide / 2.0, y - beside - half),
        (x - wide / 2.0, y + beside + half),
    ];
    let free = sides.into_iter().find(|(left, middle)| {
        let (right, top, low) = (left + wide, middle - half, middle + half);
        let inside = *left >= 0.0 && right <= WIDTH && top >= 0.0 && low <= foot;
        inside
            && taken
                .iter()
                .all(|of| right < of.0 || *left > of.1 || low < of.2 || top > of.3)
    });
    if let Some((left, middle)) = free {
        canvas.text(words, (left, middle), Anchor::Start, Ink::Quiet, false);
        taken.push((left, left + wide, middle - half, middle + half));
    }
}

/// A round length of about a quarter of the map.
fn scale_bar(canvas: &mut Canvas<'_>, scale: f64, y: f64) {
    let quarter = WIDTH / 4.0 / scale;
    let Some(ticks) = Ticks::over([0.0, quarter].into_iter(), 2) else {
        return;
    };
    let long = ticks.step * scale;
    let (from, to) = (8.0, 8.0 + long);
    canvas.line(&[(from, y), (to, y)], Ink::Text, 1.5);
    for end in [from, to] {
        canvas.line(&[(end, y - 4.0), (end, y + 4.0)], Ink::Text, 1.5);
    }
    canvas.text(
        &ticks.label(1),
        (to + 6.0, y),
        Anchor::Start,
        Ink::Text,
        false,
    );
}

fn north_arrow(canvas: &mut Canvas<'_>, y: f64) {
    let x = WIDTH - 28.0;
    canvas.polygon(
        &[
            (x - 4.0, y + 6.0),
            (x, y - 7.0),
            (x + 4.0, y + 6.0),
            (x, y + 3.0),
        ],
        Ink::Text,
        1.0,
    );
    canvas.text("N", (x + 8.0, y), Anchor::Start, Ink::Text, true);
}
