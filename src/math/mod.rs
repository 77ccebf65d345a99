//! Numerical methods; unit-blind.

pub mod sum;
pub mod t;
