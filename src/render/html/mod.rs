//! HTML: pages that need no network and no script.

mod figure;
pub mod page;
mod report;
mod table;
pub mod tally;

pub use report::render;
