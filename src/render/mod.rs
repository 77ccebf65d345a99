//! Renderers: one per format, all over the same data.

pub mod markdown;
pub mod terminal;
