//! The one integration binary; modules by topic.
