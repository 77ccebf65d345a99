//! Invariants of the whole program: random cruises are written as a design and record files, read,
//! compiled and estimated in memory, and then once more in another way that must not matter, or
//! whose effect is known exactly.
//!
//! Each property runs 64 cases; `PROPTEST_CASES=1000` runs so many of each (some minutes). What a
//! relation leaves out is named beside it.

pub(crate) mod compiled;
mod from_trees;
mod paper;
mod program;
mod records;
mod rules;
mod sampling;
mod scaling;
mod the_same;

use proptest::prelude::ProptestConfig;

/// So many cases, or as many as the environment asks for.
fn cases(few: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES");
    let asked = asked.ok().and_then(|cases| cases.parse().ok());
    ProptestConfig::with_cases(asked.unwrap_or(few))
}

/// The property holds for 64 cases as a rule.
const CASES: u32 = 64;

/// Relative difference that rounding may make.
const ROUNDING: f64 = 1e-9;

/// Are two figures the same up to rounding, in proportion to a size?
fn close_at(a: f64, b: f64, size: f64) -> bool {
    (a - b).abs() <= ROUNDING * size.max(a.abs()).max(b.abs()) + 1e-12
}

/// Are two figures the same up to rounding?
fn close(a: f64, b: f64) -> bool {
    close_at(a, b, 0.0)
}

/// Are two standard errors the same up to rounding? Where plots hardly differ, a variance is the
/// small difference of terms as large as the square of the mean.
fn close_errors(a: f64, b: f64, mean: f64) -> bool {
    close_at(a * a, b * b, 1e-3 * mean * mean)
}
