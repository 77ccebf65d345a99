//! The one integration binary; modules by topic.

#![allow(
    clippy::unwrap_used,
    reason = "a test fails by panicking, helpers included"
)]

mod answers;
mod counted_sweeps;
mod estimators;
mod practice_facts;
mod prism_cruise;
mod sample;
mod sampling_properties;
mod simulation;
mod stands_and_strata;
