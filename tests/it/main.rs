//! The one integration binary; modules by topic.

mod design_errors;
mod dirty_field_book;
mod reading;
mod record_errors;
mod upper_flat_creek_check;
mod species_tables;
mod volumes;
