//! Points and a curve in plain characters, for a terminal or a text file.
//!
//! Own code, since libraries at hand draw with characters outside ASCII and leave out the units:
//! a field book and a log must show the same picture.

use crate::tables::ticks::{Ticks, whole};

/// What is drawn.
pub struct Scatter<'a> {
    /// Points, each an x and a y.
    pub points: &'a [(f64, f64)],
    /// The curve; nothing is drawn where it is not finite.
    pub curve: &'a dyn Fn(f64) -> f64,
    /// What x is, with its unit.
    pub x_label: &'a str,
    /// What y is, with its unit.
    pub y_label: &'a str,
}

/// A point.
const ONE: char = 'o';
/// Several points in one place.
const SEVERAL: char = '@';
/// The curve.
const CURVE: char = '.';
/// Lines of the picture between its axes.
const ROWS: usize = 18;
/// Ticks of an axis, at most.
const MOST_TICKS: usize = 8;
/// Least width of the picture between its axes.
const LEAST_COLUMNS: usize = 10;

/// Place of a value on a line of `cells`, counted from the low end.
fn cell(axis: &Ticks, value: f64, cells: usize) -> usize {
    let last = cells.saturating_sub(1);
    whole((axis.share(value) * last as f64).round()).min(last)
}

impl Scatter<'_> {
    /// The picture, lines of at most `width` characters; none without a point.
    pub fn draw(&self, width: usize) -> Vec<String> {
        let Some(x) = Ticks::over(self.points.iter().map(|(x, _)| *x), MOST_TICKS) else {
            return Vec::new();
        };
        let (first, last) = self.points.iter().fold(
            (f64::INFINITY, f64::NEG_INFINITY),
            |(first, last), (x, _)| (first.min(*x), last.max(*x)),
        );
        let curve = |x: f64| Some((self.curve)(x)).filter(|y| y.is_finite());
        let along =
            (0..=width).filter_map(|k| curve(first + (last - first) * k as f64 / width as f64));
        let Some(y) = Ticks::over(self.points.iter().map(|(_, y)| *y).chain(along), MOST_TICKS)
        else {
            return Vec::new();
        };
        let margin = (0..=y.steps).map(|at| y.label(at).len()).max().unwrap_or(0);
        let columns = width.saturating_sub(margin + 2).max(LEAST_COLUMNS);
        let mut cells = vec![vec![' '; columns]; ROWS];
        // Only over the points: beyond them the curve is a guess.
        let over = cell(&x, first, columns)..=cell(&x, last, columns);
        for column in over {
            let at = x.from + x.step * x.steps as f64 * column as f64 / (columns - 1) as f64;
            if let Some(height) = curve(at.clamp(first, last)) {
                cells[cell(&y, height, ROWS)][column] = CURVE;
            }
        }
        for (at, height) in self.points {
            let cell = &mut cells[cell(&y, *height, ROWS)][cell(&x, *at, columns)];
            *cell = if matches!(*cell, ONE | SEVERAL) {
                SEVERAL
            } else {
                ONE
            };
        }
        let mut lines = vec![format!("{:>margin$}", self.y_label)];
        for row in (0..ROWS).rev() {
            let tick = (0..=y.steps).find(|at| cell(&y, y.tick(*at), ROWS) == row);
            let label = tick.map_or(String::new(), |at| y.label(at));
            let rule = if tick.is_some() { '+' } else { '|' };
            let drawn: String = cells[row].iter().collect();
            lines.push(format!("{label:>margin$} {rule}{}", drawn.trim_end()));
        }
        lines.extend(self.below(&x, margin, columns));
        lines
    }

    /// The x axis with its labels.
    fn below(&self, x: &Ticks, margin: usize, columns: usize) -> Vec<String> {
        let mut rule = vec!['-'; columns];
        let mut labels = String::new();
        for at in 0..=x.steps {
            let column = cell(x, x.tick(at), columns);
            rule[column] = '+';
            let label = x.label(at);
            // In the middle below its tick, but within the picture.
            let from = (margin + 2 + column)
                .saturating_sub(label.len() / 2)
                .min((margin + 2 + columns).saturating_sub(label.len()));
            if at == 0 || from > labels.len() {
                labels.push_str(&" ".repeat(from.saturating_sub(labels.len())));
                labels.push_str(&label);
            }
        }
        let rule: String = rule.into_iter().collect();
        let indent = " ".repeat(margin + 2);
        let legend = format!("({ONE} one height, {SEVERAL} several, {CURVE} the curve)");
        let mut lines = vec![format!("{:margin$} +{rule}", ""), labels];
        let words = format!("{}   {legend}", self.x_label);
        if words.len() <= columns {
            lines.push(format!("{indent}{words}"));
        } else {
            lines.push(format!("{indent}{}", self.x_label));
            lines.push(legend);
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn draw(points: &[(f64, f64)], width: usize) -> Vec<String> {
        Scatter {
            points,
            curve: &|x| 1.3 + (x / (2.0 + 0.16 * x)).powi(2),
            x_label: "dbh, cm",
            y_label: "height, m",
        }
        .draw(width)
    }

    #[test]
    fn marks_stand_where_the_points_are() {
        let points = [(10.0, 9.0), (30.0, 20.0), (30.0, 20.1), (50.0, 25.0)];
        insta::assert_snapshot!(draw(&points, 60).join("\n"));
    }

    #[test]
    fn no_point_no_picture() {
        assert!(draw(&[], 60).is_empty());
        assert!(draw(&[(f64::NAN, 1.0)], 60).is_empty());
    }

    #[test]
    fn a_single_point_has_its_picture() {
        let lines = draw(&[(20.0, 15.0)], 40);
        assert_eq!(lines.iter().filter(|line| line.contains('o')).count(), 2);
    }

    proptest! {
        /// Whatever the points, no line is wider than asked for, and every point is drawn.
        #[test]
        fn lines_fit(
            points in prop::collection::vec((1.0_f64..200.0, 1.4_f64..90.0), 1..60),
            width in 40_usize..90,
        ) {
            let lines = draw(&points, width);
            for line in &lines {
                prop_assert!(line.chars().count() <= width, "{line}");
                prop_assert!(line.is_ascii());
            }
            let picture = &lines[1..=ROWS];
            let marks: usize = picture.iter().map(|line| line.matches(['o', '@']).count()).sum();
            prop_assert!((1..=points.len()).contains(&marks));
        }
    }
}
