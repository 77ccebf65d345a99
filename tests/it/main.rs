//! The one integration binary; modules by topic.

mod cruise;
mod estimators;
mod house;
