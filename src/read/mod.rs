//! From files to checked values: a design and its records, or every problem with its place.

pub mod csv;
pub mod source;
mod table_checks;
mod table_head;
mod table_rows;
mod table_species;
mod table_volume;
pub mod tables;
pub mod yaml;
