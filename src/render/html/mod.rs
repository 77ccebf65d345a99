//! HTML: pages that need no network and no script.

pub mod page;
mod report;
mod table;

pub use report::render;
