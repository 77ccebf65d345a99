//! Plots at the edge of the stand.
//!
//! ```text
//! k = c m / p      c trees that the record stands for, m times the tree counts (1, or 2 by the
//!                  walkthrough method), p share of the plot inside the stand
//! ```
//! The walkthrough: go from the plot centre through the tree and as far again beyond; where that
//! end lies outside the stand, the tree counts twice and the plot counts whole. Source: Ducey,
//! Gove & Valentine 2004, Forest Science 50:427-435. A recorded share spreads the part inside over
//! the whole plot; it leans on the part inside being like the part outside. Common practice, no
//! source.

use crate::records::{Tree, Visit};

/// Factor of one tree record: like trees, walkthrough, share of the plot.
pub fn factor(visit: &Visit, tree: &Tree) -> f64 {
    tree.count * tree.walkthrough / visit.plot_fraction
}
