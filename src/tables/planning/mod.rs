//! Plans as reports and as rows.

pub mod counting;
pub mod distances;
pub mod plots;
pub mod size;

use crate::planning::Goal;
use crate::tables::{percent, plain};

/// What was wanted, in words; `unit` is that of a half-width.
fn wanted(goal: Goal, mean: Option<f64>, unit: &str, confidence: f64) -> String {
    let level = percent(confidence);
    match goal {
        Goal::HalfWidth(half_width) => {
            let of_mean = mean.map_or_else(String::new, |mean| {
                format!(" ({} % of the mean)", plain(100.0 * half_width / mean))
            });
            let shown = digits(std::iter::once(half_width));
            let half_width = plain(
                format!("{half_width:.shown$}")
                    .parse()
                    .unwrap_or(half_width),
            );
            format!("Wanted: a half-width of {half_width} {unit}{of_mean} at {level} % confidence.")
        }
        Goal::Plots(plots) => {
            format!("Wanted: the error of {plots} plots at {level} % confidence.")
        }
        Goal::Budget(budget) => format!(
            "Wanted: as many plots as {} pays for; errors at {level} % confidence.",
            plain(budget)
        ),
    }
}

/// Decimals that show the largest of some figures with four digits.
fn digits(figures: impl Iterator<Item = f64>) -> usize {
    let largest = figures.fold(0.0, f64::max);
    let decimals = [(1000.0, 0), (100.0, 1), (10.0, 2), (1.0, 3)];
    let fitting = decimals.into_iter().find(|(from, _)| largest >= *from);
    fitting.map_or(4, |(_, decimals)| decimals)
}

/// Names of columns as strings.
fn named(columns: &[&str]) -> Vec<String> {
    columns.iter().map(ToString::to_string).collect()
}
