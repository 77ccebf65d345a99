//! The one integration binary; modules by topic.

mod answers;
mod estimators;
mod sample;
