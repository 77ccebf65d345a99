//! Stand metrics that are ratios of means per hectare: values without an interval.
//!
//! ```text
//! quadratic mean dbh   Q = sqrt(40000 G / (pi N))      cm    G m2/ha, N trees/ha
//! mean height          sum w h / sum w                 m     w trees/ha of a tree, h its height
//! Lorey's height       sum w g h / sum w g             m     g its basal area
//! density index        N (Q / 25.4)^1.605              1/ha  Reineke 1933, J. Agric. Res. 46
//! relative density     G / sqrt(Q)                     m2/ha per root cm   Curtis 1982
//! ```
//! Computed from the means of the group, never as a mean of plot ratios. Live trees of all sizes
//! only. Sources: the definition of Q as in ICP Forests, item 72; the others as named (from
//! memory); checked on the stand of the tests. The summed density index is additive and is
//! estimated like any sum.

use std::f64::consts::PI;

use super::group::Cell;
use super::{Estimate, NoInterval};
use crate::plot_sums::{
    Attribute, Column, DENSITY_INDEX_DBH_CM, DENSITY_INDEX_EXPONENT, Domain, StatusDomain,
};

/// Quadratic mean dbh in cm from basal area and number per ha.
pub fn quadratic_mean_dbh_cm(basal_area_m2_per_ha: f64, trees_per_ha: f64) -> f64 {
    (40_000.0 * basal_area_m2_per_ha / (PI * trees_per_ha)).sqrt()
}

/// Reineke's stand density index, trees/ha at 25.4 cm.
pub fn stand_density_index(trees_per_ha: f64, quadratic_mean_dbh_cm: f64) -> f64 {
    trees_per_ha * (quadratic_mean_dbh_cm / DENSITY_INDEX_DBH_CM).powf(DENSITY_INDEX_EXPONENT)
}

/// Curtis' relative density, m2/ha per root cm.
pub fn relative_density(basal_area_m2_per_ha: f64, quadratic_mean_dbh_cm: f64) -> f64 {
    basal_area_m2_per_ha / quadratic_mean_dbh_cm.sqrt()
}

/// The ratios of a domain; none for dead trees, single dbh classes and domains without trees.
pub(super) fn of_domain(domain: Domain, cell: &Cell) -> Vec<(Attribute, Estimate)> {
    let mut metrics = Vec::new();
    let estimate = |column: Column| cell[column as usize];
    let (Some(trees), Some(basal_area)) = (estimate(Column::Trees), estimate(Column::BasalArea))
    else {
        return metrics;
    };
    let (n, g) = (trees.mean, basal_area.mean);
    if domain.status != StatusDomain::Live || domain.dbh_class.is_some() || n <= 0.0 {
        return metrics;
    }
    let mut push = |attribute, value| metrics.push((attribute, ratio(value, trees)));
    let q = quadratic_mean_dbh_cm(g, n);
    push(Attribute::QuadraticMeanDbh, q);
    push(Attribute::StandDensityIndex, stand_density_index(n, q));
    push(Attribute::RelativeDensity, relative_density(g, q));
    if let Some(height) = estimate(Column::Height) {
        push(Attribute::MeanHeight, height.mean / n);
    }
    if let Some(height) = estimate(Column::BasalAreaHeight) {
        push(Attribute::LoreyHeight, height.mean / g);
    }
    metrics
}

/// A ratio rests on the plots of its parts; it is free of error only where they are.
fn ratio(value: f64, of: Estimate) -> Estimate {
    let full_tally = of.no_interval == Some(NoInterval::FullTally);
    Estimate {
        mean: value,
        std_error: full_tally.then_some(0.0),
        df: None,
        n_plots: of.n_plots,
        no_interval: Some(if full_tally {
            NoInterval::FullTally
        } else {
            NoInterval::Ratio
        }),
    }
}
