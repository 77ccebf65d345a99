//! Stand metrics that are ratios of means per hectare.
//!
//! ```text
//! quadratic mean dbh   Q = sqrt(40000 G / (pi N))      cm    G m2/ha, N trees/ha
//! mean height          sum w h / sum w                 m     w trees/ha of a tree, h its height
//! Lorey's height       sum w g h / sum w g             m     g its basal area
//! density index        N (Q / 25.4)^1.605              1/ha  Reineke 1933, J. Agric. Res. 46
//! relative density     G / sqrt(Q)                     m2/ha per root cm   Curtis 1982
//! ```
//! Each is a constant times powers of means, `R = c prod m_k^p_k`, computed from the means of the
//! group, never as a mean of plot ratios. Its standard error is that of the linearised ratio,
//!
//! ```text
//! se2(R) = sum_kl (p_k R / m_k) (p_l R / m_l) cov(m_k, m_l)
//! ```
//! with the covariances of the means in the same design. Live trees of all sizes only. Sources: the
//! definition of Q as in ICP Forests, item 72; the others as named (from memory); checked on the
//! stand of the tests; linearisation: Cochran 1977, section 6.4 (from memory), checked on R's survey
//! package. The summed density index is additive and is estimated like any sum.

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

/// A variance smaller than this share of its terms is rounding.
const ROUNDING: f64 = 1e-13;

/// The columns that ratios are made of: N, G, sum w h, sum w g h.
pub(super) const BASE: [Column; 4] = [
    Column::Trees,
    Column::BasalArea,
    Column::Height,
    Column::BasalAreaHeight,
];

/// Covariances of the means of the [`BASE`] columns.
pub(super) type Covariances = [[f64; 4]; 4];

/// The ratios, and the powers of the [`BASE`] means in each.
pub(super) const RATIOS: [(Attribute, [f64; 4]); 5] = [
    (Attribute::QuadraticMeanDbh, [-0.5, 0.5, 0.0, 0.0]),
    (
        Attribute::StandDensityIndex,
        [
            1.0 - DENSITY_INDEX_EXPONENT / 2.0,
            DENSITY_INDEX_EXPONENT / 2.0,
            0.0,
            0.0,
        ],
    ),
    (Attribute::RelativeDensity, [0.25, 0.75, 0.0, 0.0]),
    (Attribute::MeanHeight, [-1.0, 0.0, 1.0, 0.0]),
    (Attribute::LoreyHeight, [0.0, -1.0, 0.0, 1.0]),
];

/// Does a domain have ratios? Live trees of all sizes have.
pub(super) fn has_ratios(domain: Domain) -> bool {
    domain.status == StatusDomain::Live && domain.dbh_class.is_none()
}

/// A ratio of the means of the [`BASE`] columns; `None` where it is not defined.
pub(super) fn ratio_of(attribute: Attribute, means: &[f64; 4]) -> Option<f64> {
    let [n, g, ..] = *means;
    if n <= 0.0 || g <= 0.0 {
        return None;
    }
    ratio_by(attribute, means, quadratic_mean_dbh_cm(g, n))
}

/// [`ratio_of`] where the quadratic mean dbh is known already.
#[inline]
pub(super) fn ratio_by(
    attribute: Attribute,
    [n, g, height, basal_area_height]: &[f64; 4],
    quadratic_mean_dbh_cm: f64,
) -> Option<f64> {
    Some(match attribute {
        Attribute::QuadraticMeanDbh => quadratic_mean_dbh_cm,
        Attribute::StandDensityIndex => stand_density_index(*n, quadratic_mean_dbh_cm),
        Attribute::RelativeDensity => relative_density(*g, quadratic_mean_dbh_cm),
        Attribute::MeanHeight => height / n,
        Attribute::LoreyHeight => basal_area_height / g,
        _ => return None,
    })
}

/// The ratios of a domain; none for dead trees, single dbh classes and domains without trees.
pub(super) fn of_domain(domain: Domain, cell: &Cell) -> Vec<(Attribute, Estimate)> {
    let estimate = |column: Column| cell.columns[column as usize];
    let Some(trees) = estimate(Column::Trees) else {
        return Vec::new();
    };
    if !has_ratios(domain) {
        return Vec::new();
    }
    let means = BASE.map(|column| estimate(column).map(|estimate| estimate.mean));
    let ratios = RATIOS.into_iter().filter_map(|(attribute, powers)| {
        let known = |(mean, power): (Option<f64>, f64)| {
            if power == 0.0 { Some(0.0) } else { mean }
        };
        let mut used = [0.0; 4];
        for (at, pair) in means.into_iter().zip(powers).enumerate() {
            used[at] = known(pair)?;
        }
        // Every ratio needs trees, and those with a basal area of their own.
        used[0] = means[0]?;
        used[1] = means[1]?;
        let value = ratio_of(attribute, &used)?;
        let gradient = [0, 1, 2, 3].map(|k| {
            if powers[k] == 0.0 || used[k] == 0.0 {
                0.0
            } else {
                powers[k] * value / used[k]
            }
        });
        let std_error = cell.covariances.map(|covariances| {
            let products = (0..4)
                .flat_map(|k| (0..4).map(move |l| gradient[k] * gradient[l] * covariances[k][l]));
            let (sum, size) = products.fold((0.0, 0.0), |(sum, size): (f64, f64), product| {
                (sum + product, size + product.abs())
            });
            // What is left of terms that cancel is rounding.
            if sum > ROUNDING * size {
                sum.sqrt()
            } else {
                0.0
            }
        });
        let limits = cell.limits.iter().find(|(of, _)| *of == attribute);
        Some((
            attribute,
            ratio(value, std_error, limits.map(|(_, limits)| *limits), trees),
        ))
    });
    ratios.collect()
}

/// A ratio rests on the plots of its parts; it is free of error only where they are.
fn ratio(
    value: f64,
    std_error: Option<f64>,
    limits: Option<RatioBounds>,
    of: Estimate,
) -> Estimate {
    Estimate {
        mean: value,
        std_error,
        limits: match limits {
            Some(RatioBounds::Between(lower, upper)) => Some((lower, upper)),
            Some(RatioBounds::NotSound) | None => None,
        },
        no_interval: match (of.no_interval, limits) {
            (Some(why), _) => Some(why),
            (None, Some(RatioBounds::NotSound)) => Some(NoInterval::Ratio),
            (None, _) => None,
        },
        ..of
    }
}

/// What the bootstrap found for a ratio.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum RatioBounds {
    /// Lower and upper limit.
    Between(f64, f64),
    /// No sound limits.
    NotSound,
}
