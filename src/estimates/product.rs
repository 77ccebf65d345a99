//! Error of a product: basal area from counts times volume per basal area from single trees.
//!
//! ```text
//! R_k     = sum_j w_j x_j / sum_j w_j       x_j = v_j / g_j of the m_k measured trees that lend to k
//! V       = sum_k G_k R_k                   G_k basal area of the species that take ratio k
//! countv  = var(sum_k R_k G_k)              over the plots of the sweep, R_k held fixed
//! c_j     = sum_k sqrt(m_k / (m_k - 1)) G_k w_j (x_j - R_k) / sum_i w_i
//! ratiov  = sum_j c_j^2
//! cross   = sum_k var(G_k) var(R_k)
//! Bruce       se2 = countv + ratiov         one ratio: (se_V %)^2 = (se_G %)^2 + (se_R %)^2
//! Goodman     se2 = countv + ratiov - cross one ratio: V^2 (g^2 + r^2 - g^2 r^2)
//! population  se2 = countv + ratiov + cross one ratio: V^2 (g^2 + r^2 + g^2 r^2)
//! ```
//! `g` and `r` are relative standard errors. `w_j` is the basal area per hectare that a tree stands
//! for. Trees of a gauge of one factor all weigh alike: then `R` is their plain mean and its
//! standard error `s / sqrt(m)`. Trees of fixed plots, of part plots or of several factors weigh
//! unequally: `R` is still the ratio of totals, and the same weights stand in the spread.
//!
//! By species no covariance of basal areas is left out: what the species share on the plots is in
//! `countv`. Ratios of different species rest on different trees and are independent. A species
//! without trees of its own takes the ratio of all; such a tree serves two ratios, and its parts
//! are added before they are squared (only `cross` leaves that out).
//!
//! Right where the measured trees are independent of the counts and of each other; over points with
//! few trees each that holds well enough. Source: Bruce 1961 (J. For. 59), for the sum; Goodman 1960
//! (JASA 55:708-713), for the two exact forms of independent factors; degrees of freedom by
//! Satterthwaite on the two parts (from memory). Several ratios at once: the delta method on the
//! same factors (own derivation).

use super::stratified::satterthwaite;
use super::{Estimate, NoInterval};

/// A measured tree that lends its volume per basal area.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RatioTree {
    /// Which tree: trees that serve two ratios have the same number in both.
    pub tree: usize,
    /// Basal area per hectare that it stands for, m2/ha, or any weight in proportion.
    pub weight: f64,
    /// Volume per basal area, m3/m2 (mass: kg/m2).
    pub ratio: f64,
}

/// One ratio and the basal area that takes it.
#[derive(Clone, Debug, PartialEq)]
pub struct Factor {
    /// Basal area of the sweep, m2/ha.
    pub basal_area: Estimate,
    /// The trees of the ratio.
    pub trees: Vec<RatioTree>,
}

/// A volume by the product rule, with the parts of its variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Product {
    /// `V` with the error of the counts alone, m3/ha (mass: kg/ha).
    pub count: Estimate,
    /// Trees measured for the ratios.
    pub n_trees: usize,
    /// `ratiov`; `None` where a ratio rests on one tree.
    pub ratio_variance: Option<f64>,
    /// Degrees of freedom of it; `None` where every tree was measured.
    pub ratio_df: Option<f64>,
    /// `cross`.
    pub cross: Option<f64>,
}

/// Weighted mean of the trees' ratios, m3/m2; `None` without trees.
pub fn mean_ratio(trees: &[RatioTree]) -> Option<f64> {
    let total: f64 = trees.iter().map(|tree| tree.weight).sum();
    let sum: f64 = trees.iter().map(|tree| tree.weight * tree.ratio).sum();
    (total > 0.0).then(|| sum / total)
}

/// Puts the error of the counts and that of the ratios together. `count` is the estimate of
/// `sum_k R_k G_k` over the plots; `exact`: every tree of the stand was measured, so that the ratios
/// have no error.
pub fn product(count: Estimate, factors: &[Factor], exact: bool) -> Product {
    let mut moved: Vec<(usize, f64)> = Vec::new();
    let mut by_ratio: Vec<(f64, Option<f64>)> = Vec::new();
    let (mut cross, mut known) = (Some(0.0), true);
    for factor in factors {
        let m = factor.trees.len() as f64;
        let total: f64 = factor.trees.iter().map(|tree| tree.weight).sum();
        let mean = mean_ratio(&factor.trees).unwrap_or_default();
        known &= m > 1.0;
        let scale = if exact { 0.0 } else { (m / (m - 1.0)).sqrt() };
        let parts = factor.trees.iter().map(|tree| {
            let part = scale * tree.weight * (tree.ratio - mean) / total;
            (tree.tree, part)
        });
        let parts: Vec<(usize, f64)> = parts.collect();
        let variance: f64 = parts.iter().map(|(_, part)| part * part).sum();
        let basal_area = factor.basal_area;
        by_ratio.push((basal_area.mean.powi(2) * variance, Some(m - 1.0)));
        let error = basal_area.std_error;
        cross = cross
            .zip(error)
            .map(|(sum, error)| sum + error * error * variance);
        moved.extend(parts.iter().map(|(j, part)| (*j, basal_area.mean * part)));
    }
    // Stable: the parts of one tree are added in the order of the ratios.
    moved.sort_by_key(|(tree, _)| *tree);
    let trees = moved.chunk_by(|a, b| a.0 == b.0);
    let squares = trees
        .clone()
        .map(|parts| parts.iter().map(|(_, part)| part).sum::<f64>().powi(2));
    let known = known || exact;
    Product {
        count,
        n_trees: trees.count(),
        ratio_variance: known.then(|| squares.sum()),
        ratio_df: if exact || !known {
            None
        } else {
            satterthwaite(&by_ratio)
        },
        cross: cross.filter(|_| known),
    }
}

impl Product {
    /// Variance by the counts.
    pub fn count_variance(&self) -> Option<f64> {
        self.count.std_error.map(|error| error * error)
    }

    /// `Bruce` less `cross` so many times: the variances of the module.
    fn with_cross(&self, times: f64) -> Option<f64> {
        let variance = self.count_variance()? + self.ratio_variance? + times * self.cross?;
        Some(variance.max(0.0).sqrt())
    }

    /// Standard error without the cross term.
    pub fn std_error_bruce(&self) -> Option<f64> {
        self.with_cross(0.0)
    }

    /// Standard error with the cross term taken off: the variance is unbiased.
    pub fn std_error_goodman(&self) -> Option<f64> {
        self.with_cross(-1.0)
    }

    /// Standard error with the cross term added: the form of known variances.
    pub fn std_error_population(&self) -> Option<f64> {
        self.with_cross(1.0)
    }

    /// Share of the counts in the variance without the cross term, 0 to 1.
    pub fn count_share(&self) -> Option<f64> {
        let (count, ratio) = (self.count_variance()?, self.ratio_variance?);
        (count + ratio > 0.0).then(|| count / (count + ratio))
    }

    /// The volume with the error of the product without the cross term; plots and units are those of
    /// the estimate over plots.
    pub fn estimate(&self, over_plots: Estimate) -> Estimate {
        let std_error = self.std_error_bruce();
        let parts = [
            (self.count_variance().unwrap_or_default(), self.count.df),
            (self.ratio_variance.unwrap_or_default(), self.ratio_df),
        ];
        let df = std_error.and_then(|_| satterthwaite(&parts));
        Estimate {
            std_error,
            df,
            limits: None,
            no_interval: match (std_error, df) {
                (Some(_), Some(_)) => None,
                (Some(_), None) => Some(NoInterval::FullTally),
                (None, _) if self.count.std_error.is_none() => self.count.no_interval,
                (None, _) => Some(NoInterval::OneTree),
            },
            ..over_plots
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::simple::simple;
    use super::*;

    fn trees(first: usize, ratios: &[f64]) -> Vec<RatioTree> {
        let tree = |(at, ratio): (usize, &f64)| RatioTree {
            tree: first + at,
            weight: 40.0,
            ratio: *ratio,
        };
        ratios.iter().enumerate().map(tree).collect()
    }

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() <= 1e-12 * b.abs().max(1.0), "{a} against {b}");
    }

    /// By hand: G = 20 with variance 4 (plots 16, 20, 24: s2 16, n 3 gives 16/3), R = 10 with
    /// variance 1 (8, 9, 10, 11, 12: s2 2.5, m 5 gives 0.5).
    #[test]
    fn one_ratio_by_hand() {
        let (basal_area, count) = (simple(&[16.0, 20.0, 24.0]), simple(&[160.0, 200.0, 240.0]));
        let factor = Factor {
            basal_area,
            trees: trees(0, &[8.0, 9.0, 10.0, 11.0, 12.0]),
        };
        let product = product(count, &[factor], false);
        let (g, r) = (16.0_f64 / 3.0 / 400.0, 0.5_f64 / 100.0);
        let (v, both) = (200.0_f64, g + r);
        close(product.std_error_bruce().unwrap(), v * both.sqrt());
        let cross = g * r;
        close(
            product.std_error_goodman().unwrap(),
            v * (both - cross).sqrt(),
        );
        close(
            product.std_error_population().unwrap(),
            v * (both + cross).sqrt(),
        );
        close(product.count_share().unwrap(), g / both);
        let df = product.estimate(count).df.unwrap();
        close(df, both * both / (g * g / 2.0 + r * r / 4.0));
        assert_eq!(product.n_trees, 5);
    }

    /// Two ratios on the same trees are one ratio for both basal areas.
    #[test]
    fn trees_that_serve_two_ratios_are_counted_once() {
        let count = simple(&[30.0, 40.0]);
        let of = |g: f64| Factor {
            basal_area: simple(&[g, g + 1.0]),
            trees: trees(0, &[3.0, 5.0, 4.0]),
        };
        let two = product(count, &[of(4.0), of(7.0)], false);
        let one = Factor {
            basal_area: simple(&[11.0, 13.0]),
            ..of(0.0)
        };
        let one = product(count, &[one], false);
        close(two.ratio_variance.unwrap(), one.ratio_variance.unwrap());
        assert_eq!((two.n_trees, one.n_trees), (3, 3));
    }

    #[test]
    fn one_tree_tells_nothing_of_the_spread() {
        let count = simple(&[30.0, 40.0]);
        let factor = Factor {
            basal_area: simple(&[3.0, 4.0]),
            trees: trees(0, &[10.0]),
        };
        let alone = product(count, std::slice::from_ref(&factor), false).estimate(count);
        assert_eq!(alone.no_interval, Some(NoInterval::OneTree));
        assert_eq!((alone.std_error, alone.df), (None, None));
        let all = product(count, &[factor], true).estimate(count);
        assert_eq!(all.std_error, count.std_error);
    }
}
