//! Numerical methods; unit-blind.

pub mod quadrature;
pub mod root;
pub mod sum;
pub mod t;
