//! Derivations: how the figures of one tree come about, and how one estimate does.

mod borrowed;
pub mod estimate;
mod interval;
mod plot_values;
pub mod tree;
