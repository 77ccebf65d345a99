//! The one integration binary; modules by topic.

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
