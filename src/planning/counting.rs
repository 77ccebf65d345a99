//! Sweeps in which every tree is counted and only some are measured for volume per basal area.
//!
//! ```text
//! V% ^2 = G% ^2 + R% ^2                 G% = CV_G / sqrt n, R% = CV_VBAR / sqrt m
//! E%    = t(1 - (1 - c)/2, n - 1) V%    n points, m measured trees
//! m / n = (CV_VBAR / CV_G) sqrt(c_point / c_tree)     least cost for a given error
//! ```
//! Source: Bruce 1961 for the sum of the relative variances (checked on the counted sweep of Upper
//! Flat Creek); the ratio of least cost follows from it (from memory); `n - 1` degrees of freedom
//! are common practice, no source.

use super::{Goal, MOST_PLOTS, Unmet};
use crate::math::t;

/// What is expected of the counts and of the trees.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// Coefficient of variation of the basal area counted at a point, percent.
    pub count_cv_pct: f64,
    /// Coefficient of variation of the volume per basal area of a tree, percent.
    pub vbar_cv_pct: f64,
    /// Trees measured per point, on average.
    pub trees_per_point: f64,
    /// Cost of a point, counted.
    pub point_cost: Option<f64>,
    /// Cost of measuring a tree on top of that.
    pub tree_cost: Option<f64>,
}

/// Points, trees and what comes of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measuring {
    /// Points.
    pub points: usize,
    /// Trees measured, in all.
    pub trees: usize,
    /// Standard error of the basal area, percent.
    pub count_error_pct: f64,
    /// Standard error of the volume per basal area, percent.
    pub vbar_error_pct: f64,
    /// Standard error of the volume, percent.
    pub volume_error_pct: f64,
    /// Half-width of the interval of the volume, percent.
    pub half_width_pct: f64,
    /// Cost.
    pub cost: Option<f64>,
}

/// Trees to measure per point for the least cost.
pub fn trees_per_point(
    count_cv_pct: f64,
    vbar_cv_pct: f64,
    point_cost: f64,
    tree_cost: f64,
) -> f64 {
    vbar_cv_pct / count_cv_pct * (point_cost / tree_cost).sqrt()
}

impl Expected {
    /// What a number of points comes to; trees are rounded up, never fewer than 2.
    fn with(&self, points: usize, confidence: f64) -> Measuring {
        let n = points as f64;
        let m = (self.trees_per_point * n).ceil().max(2.0);
        let count_error_pct = self.count_cv_pct / n.sqrt();
        let vbar_error_pct = self.vbar_cv_pct / m.sqrt();
        let volume_error_pct = count_error_pct.hypot(vbar_error_pct);
        let t = t::quantile(0.5 + confidence / 2.0, n - 1.0).unwrap_or(f64::INFINITY);
        let costs = self.point_cost.zip(self.tree_cost);
        Measuring {
            points,
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "whole and positive; a float too large saturates"
            )]
            trees: m as usize,
            count_error_pct,
            vbar_error_pct,
            volume_error_pct,
            half_width_pct: t * volume_error_pct,
            cost: costs.map(|(point, tree)| n * point + m * tree),
        }
    }
}

/// The fewest points with a half-width (in percent), a number of points, or as many as a budget
/// pays for.
pub fn measuring(expected: &Expected, goal: Goal, confidence: f64) -> Result<Measuring, Unmet> {
    let with = |points| expected.with(points, confidence);
    match goal {
        Goal::Plots(points) => Ok(with(points)),
        Goal::HalfWidth(wanted) => first(|points| with(points).half_width_pct <= wanted).map(with),
        Goal::Budget(budget) => {
            let cost = with(2).cost.ok_or(Unmet::NoCosts)?;
            if cost > budget {
                return Err(Unmet::BudgetTooSmall { cost });
            }
            let over = |points| with(points).cost.is_some_and(|cost| cost > budget);
            first(over).map(|points| with(points - 1))
        }
    }
}

/// The first number of points for which something holds that, once it does, holds for all more.
fn first(holds: impl Fn(usize) -> bool) -> Result<usize, Unmet> {
    if !holds(MOST_PLOTS) {
        return Err(Unmet::TooManyPlots);
    }
    let (mut low, mut high) = (1, MOST_PLOTS);
    while high - low > 1 {
        let middle = low.midpoint(high);
        if holds(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(high)
}
