//! Renderers: one per format, all over the same data.

pub mod csv;
pub mod excerpt;
pub mod findings;
pub mod html;
pub mod json;
pub mod markdown;
pub mod parquet;
pub mod svg;
pub mod terminal;
pub mod xlsx;
