//! The one integration binary; modules by topic.

mod design_errors;
mod dirty_field_book;
mod reading;
mod reading_properties;
mod record_errors;
mod rejects;
mod species_tables;
mod upper_flat_creek_check;
mod volumes;
