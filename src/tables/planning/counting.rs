//! Points to count and trees to measure.

use super::{named, wanted};
use crate::planning::Goal;
use crate::planning::counting::{Expected, Measuring};
use crate::tables::tidy::{Tidy, Value};
use crate::tables::{Block, Cell, Column, Report, Table, plain};

/// A plan for a counted sweep.
#[derive(Clone, Debug, PartialEq)]
pub struct Counted {
    /// What is expected.
    pub expected: Expected,
    /// Trees per point of least cost, where costs are known.
    pub best_trees_per_point: Option<f64>,
    /// Are that many measured?
    pub is_best: bool,
    /// What was found.
    pub found: Measuring,
    /// What was wanted; a half-width in percent.
    pub goal: Goal,
    /// Confidence level.
    pub confidence: f64,
}

const SOURCE: &str = "Source: V%^2 = G%^2 + R%^2, Bruce 1961; m/n = (CV_VBAR / CV_G) sqrt(c_point / \
                      c_tree) for the least cost (from memory).";

/// The report.
pub fn report(plan: &Counted) -> Report {
    let (expected, found) = (&plan.expected, &plan.found);
    let mut report = Report::new("Points to count and trees to measure");
    let mut table = Table::new(
        "",
        1,
        vec![
            Column::words(""),
            Column::number("CV", "%"),
            Column::number("number", ""),
            Column::number("std error", "%"),
        ],
    );
    let rows = [
        (
            "points, basal area",
            Some(expected.count_cv_pct),
            found.points,
            found.count_error_pct,
        ),
        (
            "trees, volume per basal area",
            Some(expected.vbar_cv_pct),
            found.trees,
            found.vbar_error_pct,
        ),
    ];
    for (words, cv_pct, number, error_pct) in rows {
        table.rows.push(vec![
            Cell::text(words),
            Cell::maybe(cv_pct, 1),
            Cell::Number(number as f64, 0),
            Cell::Number(error_pct, 2),
        ]);
    }
    table.rows.push(vec![
        Cell::text("volume"),
        Cell::Empty,
        Cell::Empty,
        Cell::Number(found.volume_error_pct, 2),
    ]);
    table.remarks.push(SOURCE.to_owned());
    let mut lines = vec![format!(
        "error of the volume: {:.2} %",
        found.half_width_pct
    )];
    lines.push(per_point(plan));
    if let Some(cost) = found.cost {
        lines.push(format!("cost in all: {}", plain(cost)));
    }
    report.section(
        "Points and trees",
        vec![
            Block::Paragraph(wanted(plan.goal, None, "%", plan.confidence)),
            Block::Table(table),
            Block::Lines(lines),
        ],
    );
    report.section(
        "What is taken for granted",
        vec![Block::List(vec![
            "Measured trees are an even part of the counted ones, over all points; a volume per \
             basal area is a tree's own."
                .to_owned(),
            "Every point counts at least the trees that are to be measured there.".to_owned(),
            "Counts and volumes per basal area are taken as unrelated.".to_owned(),
            "t has one degree of freedom less than there are points (common practice, no source)."
                .to_owned(),
            "Points are taken as a random sample; a systematic layout is treated as one."
                .to_owned(),
        ])],
    );
    report
}

fn per_point(plan: &Counted) -> String {
    let per_point = plan.expected.trees_per_point;
    let every = if per_point < 1.0 {
        format!(", one at every {:.1} points", 1.0 / per_point)
    } else {
        String::new()
    };
    let best = match plan.best_trees_per_point {
        Some(_) if plan.is_best => "; that is of least cost".to_owned(),
        Some(best) => format!("; of least cost would be {best:.2}"),
        None => String::new(),
    };
    format!("trees measured per point: {per_point:.2}{every}{best}")
}

/// The row.
pub fn rows(plan: &Counted) -> Tidy<String> {
    let found = &plan.found;
    Tidy {
        columns: named(&[
            "points",
            "trees",
            "trees_per_point",
            "basal_area_std_error_pct",
            "vbar_std_error_pct",
            "volume_std_error_pct",
            "confidence",
            "error_pct",
            "cost",
        ]),
        rows: vec![vec![
            Value::Count(found.points),
            Value::Count(found.trees),
            Value::Number(plan.expected.trees_per_point),
            Value::Number(found.count_error_pct),
            Value::Number(found.vbar_error_pct),
            Value::Number(found.volume_error_pct),
            Value::Number(plan.confidence),
            Value::Number(found.half_width_pct),
            Value::maybe(found.cost),
        ]],
    }
}
