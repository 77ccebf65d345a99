//! The one integration binary; modules by topic.

mod answers;
mod cruise;
mod estimators;
mod house;
mod sample;
mod species_tables;
mod volumes;
mod design_errors;
mod reading;
mod record_errors;
