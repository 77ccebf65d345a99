//! What each tree brings to the error: how its volume and mass hang on its height, how far the
//! height may be off, and what is published of the error of its equations.
//!
//! ```text
//! v' = E z v(h + s z) / s                filled heights; z standard normal, s as below
//! v' = (v(h + e) - v(h - e)) / (2 e)      others; e a thousandth of the height
//! E v(h + s z) - v(h)
//! ```
//! by the functions that compile the tree; means by Gauss-Hermite quadrature of 3 points,
//! of 5 where one of the values begins within the scatter, with no height below the least that the
//! tree can have. The first is the mean derivative over the scatter (Stein 1981, Ann. Statist. 9,
//! from memory), which sees thresholds that a derivative at the mean height does not.
//!
//! The error of a height: of a filled one the residual standard deviation of its curve; of one read
//! with an instrument what `heights::instrument` says; of one that was written down as a height what
//! the design says, if it does; of one taken from a published curve that was scaled to heights at
//! hand that of `heights::scale`; of one taken from a published curve as it stands nothing is known. A
//! height that was raised to a break does not hang on the curve.

use super::{COLUMNS, N_COLUMNS};
use crate::compile::draws::least_height_m;
use crate::compile::{Compilation, SpeciesEquation};
use crate::heights::{CurveError, HeightSource, TreeHeight};
use crate::math::quadrature::{NORMAL_MEAN_3, NORMAL_MEAN_5};
use crate::records::Tree;
use crate::species::biomass::BiomassRows;
use crate::species::choose::MerchantableBy;
use crate::species::equation::Quantity;
use crate::species::set::VolumeSet;
use crate::stems::TreeValues;

/// Step of the derivatives, as a share of the height.
const STEP: f64 = 1e-3;

/// How far a height may be off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum HeightError {
    /// There is no height, or it does not hang on anything that has an error here.
    None,
    /// Filled from a curve of the cruise, an index into `StandHeights::curves`.
    Curve { curve: usize, error: CurveError },
    /// Measured; the error is not known of a height written down, unless the design says it.
    Measured { std_error_m: Option<f64> },
    /// From a published curve or a factor, whose error is not known.
    Published,
}

/// What one tree brings to the error of each of [`COLUMNS`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TreeError<'a> {
    /// What it holds; 0 where that is not known.
    pub(super) value: [f64; N_COLUMNS],
    /// What it holds at each drawn height, where heights are drawn; the rest but for the equations
    /// is not there then.
    pub(super) drawn: Option<&'a [[f64; N_COLUMNS]]>,
    pub(super) height: HeightError,
    /// Per m of height.
    pub(super) slope: [f64; N_COLUMNS],
    /// Its mean over heights that scatter about the curve, less what it holds at the mean height.
    pub(super) scatter: [f64; N_COLUMNS],
    /// Standard error of the equation; `None` where nothing is published.
    pub(super) equation: [Option<f64>; N_COLUMNS],
}

impl TreeError<'_> {
    const NOTHING: TreeError<'static> = TreeError {
        value: [0.0; N_COLUMNS],
        drawn: None,
        height: HeightError::None,
        slope: [0.0; N_COLUMNS],
        scatter: [0.0; N_COLUMNS],
        equation: [None; N_COLUMNS],
    };
}

/// The trees of a stand, in the order of `Stand::trees`; dead ones bring nothing.
pub(super) fn tree_errors<'a>(
    compilation: &'a Compilation<'_>,
    stand: usize,
) -> Vec<TreeError<'a>> {
    let compiled = &compilation.stands[stand];
    let trees = compilation.records.stands[stand].trees();
    let heights = compiled.heights.trees.iter().zip(&compiled.values);
    trees
        .zip(heights)
        .enumerate()
        .map(|(at, ((_, _, tree), (height, values)))| {
            if tree.excluded || !tree.status.is_live() {
                return TreeError::NOTHING;
            }
            let of_tree = TreeError {
                value: held(values),
                equation: equation_errors(compilation, tree, values),
                ..TreeError::NOTHING
            };
            if let Some(Some(drawn)) = compiled.drawn.get(at) {
                return TreeError {
                    drawn: Some(&drawn.by_draw),
                    ..of_tree
                };
            }
            let error = height_error(compilation, stand, tree, height);
            let (slope, scatter) = match error {
                HeightError::None => Default::default(),
                HeightError::Curve { error, .. } => {
                    over_scatter(compilation, tree, values, error.residual_m)
                }
                _ => (slope(compilation, tree, values), [0.0; N_COLUMNS]),
            };
            TreeError {
                height: error,
                slope,
                scatter,
                ..of_tree
            }
        })
        .collect()
}

/// Of each of [`COLUMNS`], 0 where it is not known.
fn held(values: &TreeValues) -> [f64; N_COLUMNS] {
    COLUMNS.map(|column| column.of_tree(values).unwrap_or(0.0))
}

/// Derivatives by height.
fn slope(compilation: &Compilation<'_>, tree: &Tree, values: &TreeValues) -> [f64; N_COLUMNS] {
    let Some(height_m) = values.height_m else {
        return [0.0; N_COLUMNS];
    };
    let step_m = STEP * height_m;
    let below = held(&compilation.values_at(tree, height_m - step_m));
    let above = held(&compilation.values_at(tree, height_m + step_m));
    std::array::from_fn(|k| (above[k] - below[k]) / (2.0 * step_m))
}

/// Mean derivative, and mean less the value at the mean height, over heights that scatter as the
/// residuals of the curve.
fn over_scatter(
    compilation: &Compilation<'_>,
    tree: &Tree,
    values: &TreeValues,
    residual_m: f64,
) -> ([f64; N_COLUMNS], [f64; N_COLUMNS]) {
    let nothing = [0.0; N_COLUMNS];
    let Some(height_m) = values.height_m else {
        return (nothing, nothing);
    };
    if residual_m < STEP * height_m {
        return (slope(compilation, tree, values), nothing);
    }
    let least_m = least_height_m(compilation.design.heights.breast_height_m, tree);
    let at_mean = held(values);
    let over = |nodes: &[(f64, f64)]| {
        let (mut slopes, mut scatter, mut begins) = (nothing, nothing, false);
        for (node, weight) in nodes.iter().filter(|(node, _)| *node != 0.0) {
            let at_m = (height_m + node * residual_m).max(least_m);
            let at_node = held(&compilation.values_at(tree, at_m));
            for k in 0..N_COLUMNS {
                let more = weight * (at_node[k] - at_mean[k]);
                scatter[k] += more;
                slopes[k] += node * more / residual_m;
                begins |= (at_node[k] > 0.0) != (at_mean[k] > 0.0);
            }
        }
        (slopes, scatter, begins)
    };
    let (slopes, scatter, begins) = over(&NORMAL_MEAN_3);
    if !begins {
        return (slopes, scatter);
    }
    let (slopes, scatter, _) = over(&NORMAL_MEAN_5);
    (slopes, scatter)
}

fn height_error(
    compilation: &Compilation<'_>,
    stand: usize,
    tree: &Tree,
    height: &TreeHeight,
) -> HeightError {
    let curve = match height.source {
        HeightSource::None => return HeightError::None,
        HeightSource::Measured | HeightSource::Instrument => {
            return HeightError::Measured {
                std_error_m: tree
                    .height
                    .std_error_m(&compilation.design.heights.instrument),
            };
        }
        _ if height.raised_to_break => return HeightError::None,
        HeightSource::SpeciesCurve(at)
        | HeightSource::RatioCurve(at)
        | HeightSource::PooledCurve(at)
        | HeightSource::RegionalCurve(at) => at,
    };
    let used = &compilation.stands[stand].heights.curves[curve];
    match used.curve.error_at(tree.dbh_cm, height.place) {
        None => HeightError::Published,
        Some(error) => HeightError::Curve { curve, error },
    }
}

/// Standard errors of the equations for one tree.
fn equation_errors(
    compilation: &Compilation<'_>,
    tree: &Tree,
    values: &TreeValues,
) -> [Option<f64>; N_COLUMNS] {
    let volume = compilation.knowledge.volume.as_ref();
    let volume = volume.zip(compilation.equations.get(tree.species));
    let of_volume = volume.map_or([None; 3], |(set, equation)| {
        volume_errors(set, equation, values)
    });
    let biomass = biomass_error(compilation, tree, values);
    let carbon = biomass.zip(values.biomass_kg.zip(values.carbon_kg));
    let carbon = carbon.map(|(error, (biomass, carbon))| scaled(error, biomass, carbon));
    let [total, merchantable, net] = of_volume;
    [total, merchantable, net, biomass, carbon]
}

/// Total, merchantable and net volume. Where nothing is published for merchantable volume it has
/// the relative error of the total: the error of the share is not known.
fn volume_errors(
    set: &VolumeSet,
    equation: &SpeciesEquation,
    values: &TreeValues,
) -> [Option<f64>; 3] {
    let chosen = &equation.chosen;
    let total_m3 = values.volume_total_m3;
    let total = total_m3.and_then(|m3| set.std_error(chosen.main, m3));
    let like_total = |m3: f64| Some(scaled(total?, total_m3?, m3));
    let merchantable = values.volume_merch_m3.and_then(|m3| {
        let own = if let Some((_, MerchantableBy::Equation(at))) = chosen.merchantable {
            set.std_error(at, m3)
        } else {
            let percent = set.head.error.percent(Quantity::Merchantable);
            percent.map(|percent| percent / 100.0 * m3)
        };
        own.or_else(|| like_total(m3))
    });
    let gross = match values.volume_merch_m3 {
        Some(m3) => merchantable.map(|error| (error, m3)),
        None => total.zip(total_m3),
    };
    let net = gross.zip(values.volume_net_m3);
    [
        total,
        merchantable,
        net.map(|((error, gross), net)| scaled(error, gross, net)),
    ]
}

fn biomass_error(compilation: &Compilation<'_>, tree: &Tree, values: &TreeValues) -> Option<f64> {
    let equation = compilation.biomass_equations.get(tree.species)?;
    let set = compilation.knowledge.biomass.get(equation.set)?;
    let total = match &equation.rows {
        BiomassRows::Components(rows) => rows.total?,
        BiomassRows::National { equations, .. } => equations.total_mass,
    };
    set.equations().std_error(total, values.biomass_kg?)
}

/// The error of a part in proportion to that of the whole.
fn scaled(error: f64, whole: f64, part: f64) -> f64 {
    if whole > 0.0 {
        error * part / whole
    } else {
        0.0
    }
}
