//! Logs: stems cut into products, and scaled by log rules.
//!
//! ```text
//! profile --> bucking --> logs --> rules --> m3 and board feet
//! ```
//! Board feet belong to the rule that gives them: figures of two rules are never added.

pub mod bucking;
pub mod checks;
mod derivation;
pub mod form_class;
mod plan;
pub mod rules;

pub use plan::{PlanProblem, inside_bark_profiles};
