//! The one integration binary; modules by topic.

#![allow(
    clippy::unwrap_used,
    reason = "a test fails by panicking, helpers included"
)]

mod answers;
mod cruise;
mod design_errors;
mod estimators;
mod house;
mod reading;
mod record_errors;
mod sample;
mod species_tables;
mod design_errors;
mod dirty_field_book;
mod reading;
mod record_errors;
mod rejects;
mod species_tables;
mod upper_flat_creek_check;
mod volumes;
mod counted_sweeps;
mod estimators;
mod practice_facts;
mod prism_cruise;
mod sample;
mod sampling_properties;
mod simulation;
mod stands_and_strata;
