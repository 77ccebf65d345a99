//! The one integration binary; modules by topic.

mod answers;
mod estimators;
mod practice_facts;
mod sample;
mod sampling_properties;
