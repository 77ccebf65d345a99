//! The one integration binary; modules by topic.

mod species_tables;
mod volumes;
