//! Numerical methods; unit-blind.

pub mod digits;
pub mod linear;
pub mod mixed;
pub mod nonlinear;
pub mod normal;
pub mod quadrature;
pub mod random;
pub mod root;
pub mod shortest;
pub mod sum;
pub mod t;
