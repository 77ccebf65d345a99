//! HTML: pages that need no network and no script.

pub mod page;
pub mod tally;
