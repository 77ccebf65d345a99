//! The plot area and the basal area factor that tally a wanted number of trees.
//!
//! ```text
//! N = sum N_k,  G = sum N_k g_k        trees and basal area per ha of the expected stand
//! fixed plot   k trees on  a = k / N  ha, radius sqrt(10000 a / pi) m
//! gauge        k trees with F = G / k m2/ha
//! ```
//! Source: expected tallies `N a` and `G / F`, from the expansion factors `1 / a` and `F / g`.

use std::f64::consts::PI;

use crate::units::{M2_PER_HA, basal_area_m2};

/// A dbh class of the stand that is expected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Class {
    /// Dbh of its trees.
    pub dbh_cm: f64,
    /// Their number.
    pub trees_per_ha: f64,
}

/// The stand that is expected: its classes, with trees in at least one.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// In ascending order of dbh.
    pub classes: Vec<Class>,
}

impl Expected {
    /// Trees, 1/ha.
    pub fn trees_per_ha(&self) -> f64 {
        self.classes.iter().map(|class| class.trees_per_ha).sum()
    }

    /// Basal area, m2/ha.
    pub fn basal_area_m2_per_ha(&self) -> f64 {
        let of = |class: &Class| class.trees_per_ha * basal_area_m2(class.dbh_cm);
        self.classes.iter().map(of).sum()
    }

    /// Quadratic mean dbh, cm.
    pub fn quadratic_mean_dbh_cm(&self) -> f64 {
        let mean_m2 = self.basal_area_m2_per_ha() / self.trees_per_ha();
        (40_000.0 * mean_m2 / PI).sqrt()
    }

    /// Dbh of the thickest class that has trees, cm.
    pub fn largest_dbh_cm(&self) -> f64 {
        let with_trees = self.classes.iter().filter(|class| class.trees_per_ha > 0.0);
        with_trees.map(|class| class.dbh_cm).fold(0.0, f64::max)
    }

    /// Area of the plot on which this many trees are expected, ha.
    pub fn plot_area_ha(&self, trees: f64) -> f64 {
        trees / self.trees_per_ha()
    }

    /// The factor with which this many trees are expected, m2/ha.
    pub fn baf_m2_per_ha(&self, trees: f64) -> f64 {
        self.basal_area_m2_per_ha() / trees
    }

    /// Trees expected on a fixed plot.
    pub fn trees_on_plot(&self, area_ha: f64) -> f64 {
        self.trees_per_ha() * area_ha
    }

    /// Trees expected in a sweep.
    pub fn trees_in_sweep(&self, baf_m2_per_ha: f64) -> f64 {
        self.basal_area_m2_per_ha() / baf_m2_per_ha
    }
}

/// Horizontal radius of a round plot, m.
pub fn radius_m(area_ha: f64) -> f64 {
    (area_ha * M2_PER_HA / PI).sqrt()
}
