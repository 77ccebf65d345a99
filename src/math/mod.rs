//! Numerical methods; unit-blind.

pub mod quadrature;
pub mod root;
