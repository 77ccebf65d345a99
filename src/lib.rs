//! `spinney` compiles timber cruises: plot-and-tree records and a cruise design go in, stand
//! tables with confidence intervals come out.
//!
//! ```text
//! design + CSV --> records --> heights --> stems --> expansion --> plot sums --> estimates --> tables --> renderers
//! ```
//!
//! Data runs one way. [`read`] makes [`design`] and [`records`]; [`heights`] fills heights;
//! [`species`] carries the equations; [`estimates`] turns plot sums into means with their errors.

pub mod cli;
pub mod commands;
pub mod compare;
pub mod compile;
pub mod design;
pub mod diagnostic;
pub mod estimates;
pub mod expansion;
pub mod explain;
pub mod heights;
pub mod logs;
pub mod math;
pub mod planning;
pub mod plot_sums;
pub mod read;
pub mod records;
pub mod render;
pub mod schema;
pub mod species;
pub mod stems;
pub mod tables;
pub mod units;
pub mod whole_error;
pub mod write;
