//! From files to checked values: a design and its records, or every problem with its place.

pub mod csv;
pub mod source;
pub mod yaml;
