//! The one integration binary; modules by topic.

mod design_errors;
mod reading;
mod record_errors;
