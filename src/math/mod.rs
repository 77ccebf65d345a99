//! Numerical methods; unit-blind.

pub mod linear;
pub mod nonlinear;
pub mod quadrature;
pub mod root;
pub mod sum;
pub mod t;
