//! Marks: what a point, a value with its limits and a line look like.

use super::canvas::{Canvas, Ink};
use crate::tables::chart::{Mark, Sign};

/// Half the size of a common mark, pixels.
pub(super) const SMALL: f64 = 2.75;
/// Half the size of the mark of an estimate, pixels.
pub(super) const LARGE: f64 = 4.25;
/// Lengths of the gaps and dashes of a broken line, pixels.
const GAP: f64 = 3.0;
const DASH: f64 = 4.5;

pub(super) fn ink(mark: Mark) -> Ink {
    if mark == Mark::PLAIN {
        Ink::Text
    } else {
        Ink::Palette(mark.0)
    }
}

/// A mark; shapes of one size have about the same area.
pub(super) fn point(
    canvas: &mut Canvas<'_>,
    mark: Mark,
    (x, y): (f64, f64),
    size: f64,
    opacity: f64,
) {
    let ink = ink(mark);
    let mut shape = |corners: &[(f64, f64)]| {
        let corners: Vec<_> = corners
            .iter()
            .map(|(right, up)| (x + right * size, y - up * size))
            .collect();
        canvas.polygon(&corners, ink, opacity);
    };
    match mark.0 {
        1 => shape(&[(-1.17, -0.78), (1.17, -0.78), (0.0, 1.25)]),
        2 => shape(&[(-0.89, -0.89), (0.89, -0.89), (0.89, 0.89), (-0.89, 0.89)]),
        3 => shape(&[(0.0, -1.25), (1.25, 0.0), (0.0, 1.25), (-1.25, 0.0)]),
        4 => shape(&[(-1.17, 0.78), (1.17, 0.78), (0.0, -1.25)]),
        5 => shape(&[(-1.4, -0.55), (1.4, -0.55), (1.4, 0.55), (-1.4, 0.55)]),
        6 => shape(&[(-0.55, -1.4), (0.55, -1.4), (0.55, 1.4), (-0.55, 1.4)]),
        _ => canvas.circle((x, y), size, ink, opacity),
    }
}

/// A whisker between two places on a level line.
pub(super) fn whisker_along(canvas: &mut Canvas<'_>, (from, to): (f64, f64), y: f64, ink: Ink) {
    canvas.line(&[(from, y), (to, y)], ink, 1.5);
    for end in [from, to] {
        canvas.line(&[(end, y - 3.5), (end, y + 3.5)], ink, 1.5);
    }
}

/// A line; broken where it is a guess.
pub(super) fn line(canvas: &mut Canvas<'_>, points: &[(f64, f64)], dashed: bool) {
    if !dashed {
        canvas.line(points, Ink::Text, 1.5);
        return;
    }
    for dash in dashes(points) {
        canvas.line(&dash, Ink::Text, 1.5);
    }
}

/// The dashes along a line, which begins with a gap.
fn dashes(points: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let mut dashes: Vec<Vec<(f64, f64)>> = Vec::new();
    let (mut left, mut in_dash) = (GAP, false);
    for pair in points.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let long = (to.0 - from.0).hypot(to.1 - from.1);
        let at = |along: f64| {
            let share = along / long;
            (
                from.0 + (to.0 - from.0) * share,
                from.1 + (to.1 - from.1) * share,
            )
        };
        let mut along = 0.0;
        while long - along > left {
            along += left;
            if in_dash {
                dashes
                    .last_mut()
                    .into_iter()
                    .for_each(|dash| dash.push(at(along)));
            } else {
                dashes.push(vec![at(along)]);
            }
            in_dash = !in_dash;
            left = if in_dash { DASH } else { GAP };
        }
        left -= long - along;
        if in_dash {
            dashes.last_mut().into_iter().for_each(|dash| dash.push(to));
        }
    }
    dashes.retain(|dash| dash.len() > 1);
    dashes
}

/// What a key explains, in the middle of its box.
pub(super) fn sign(canvas: &mut Canvas<'_>, sign: Sign, width: f64, height: f64) {
    let (x, y) = (width / 2.0, height / 2.0);
    let level = |from: f64, to: f64| [(from, y), (to, y)];
    match sign {
        Sign::Point(mark) => point(canvas, mark, (x, y), LARGE, 1.0),
        Sign::Line => line(canvas, &level(3.0, width - 3.0), false),
        Sign::Dashed => line(canvas, &level(0.0, width - 1.0), true),
        Sign::Tick => canvas.line(&[(x, y - 4.0), (x, y + 4.0)], Ink::Quiet, 1.0),
        Sign::Whisker(mark) => {
            whisker_along(canvas, (4.0, width - 4.0), y, ink(mark));
            point(canvas, mark, (x, y), LARGE, 1.0);
        }
    }
}
