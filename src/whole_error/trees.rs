//! What each tree brings to the error: how its volume and mass hang on its height, how far the
//! height may be off, and what is published of the error of its equations.
//!
//! ```text
//! v'  = (v(h + e) - v(h - e)) / (2 e)             e a thousandth of the height
//! v'' = (v(h + e) - 2 v(h) + v(h - e)) / e^2
//! ```
//! by the functions that compile the tree. The error of a height: of a filled one the residual
//! standard deviation of its curve, `s` with equal weights and `s sqrt(D)` with weights 1/D; of one
//! read with an instrument half a degree in each sight; of one taken from a published curve that
//! was scaled to heights at hand, that of [`crate::heights::scale`]; of one that was written down as a
//! height, or taken from a published curve as it is, nothing is known. A height that was raised to a break does not
//! hang on the curve.

use super::{COLUMNS, N_COLUMNS};
use crate::compile::{Compilation, SpeciesEquation};
use crate::heights::{CurveError, HeightSource, TreeHeight};
use crate::records::{HeightRecord, Tree};
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
    /// Read with an instrument.
    Instrument { std_error_m: f64 },
    /// From a published curve or a factor, whose error is not known.
    Published,
    /// Written down as a height, with no word on its error.
    Measured,
}

/// What one tree brings to the error of each of [`COLUMNS`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TreeError {
    /// What it holds; 0 where that is not known.
    pub(super) value: [f64; N_COLUMNS],
    pub(super) height: HeightError,
    /// Per m of height.
    pub(super) slope: [f64; N_COLUMNS],
    /// Per m of height, twice.
    pub(super) curvature: [f64; N_COLUMNS],
    /// Standard error of the equation; `None` where nothing is published.
    pub(super) equation: [Option<f64>; N_COLUMNS],
}

impl TreeError {
    const NOTHING: TreeError = TreeError {
        value: [0.0; N_COLUMNS],
        height: HeightError::None,
        slope: [0.0; N_COLUMNS],
        curvature: [0.0; N_COLUMNS],
        equation: [None; N_COLUMNS],
    };
}

/// The trees of a stand, in the order of `Stand::trees`; dead ones bring nothing.
pub(super) fn tree_errors(compilation: &Compilation<'_>, stand: usize) -> Vec<TreeError> {
    let compiled = &compilation.stands[stand];
    let trees = compilation.records.stands[stand].trees();
    let heights = compiled.heights.trees.iter().zip(&compiled.values);
    trees
        .zip(heights)
        .map(|((_, _, tree), (height, values))| {
            if tree.excluded || !tree.status.is_live() {
                return TreeError::NOTHING;
            }
            let (slope, curvature) = by_height(compilation, tree, values);
            TreeError {
                value: COLUMNS.map(|column| column.of_tree(values).unwrap_or(0.0)),
                height: height_error(compilation, stand, tree, height),
                slope,
                curvature,
                equation: equation_errors(compilation, tree, values),
            }
        })
        .collect()
}

/// First and second derivatives by height.
fn by_height(
    compilation: &Compilation<'_>,
    tree: &Tree,
    values: &TreeValues,
) -> ([f64; N_COLUMNS], [f64; N_COLUMNS]) {
    let Some(height_m) = values.height_m else {
        return ([0.0; N_COLUMNS], [0.0; N_COLUMNS]);
    };
    let step_m = STEP * height_m;
    let below = compilation.values_at(tree, height_m - step_m);
    let above = compilation.values_at(tree, height_m + step_m);
    let at = |values: &TreeValues, k: usize| COLUMNS[k].of_tree(values).unwrap_or(0.0);
    let slope = |k| (at(&above, k) - at(&below, k)) / (2.0 * step_m);
    let curvature = |k| (at(&above, k) - 2.0 * at(values, k) + at(&below, k)) / (step_m * step_m);
    let columns: [usize; N_COLUMNS] = std::array::from_fn(|k| k);
    (columns.map(slope), columns.map(curvature))
}

fn height_error(
    compilation: &Compilation<'_>,
    stand: usize,
    tree: &Tree,
    height: &TreeHeight,
) -> HeightError {
    let curve = match height.source {
        HeightSource::None => return HeightError::None,
        HeightSource::Measured => return HeightError::Measured,
        HeightSource::Instrument => {
            return match tree.height {
                HeightRecord::Instrument(reading) => HeightError::Instrument {
                    std_error_m: reading.half_degree_error_m(),
                },
                _ => HeightError::Measured,
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
