//! The whole error of a mean: sampling, the parameters and residuals of the height curves, the
//! measurement of heights, the volume and biomass equations; each by itself and all together.
//!
//! In: a [`Compilation`]. Out: one [`SourcesOfError`] for each volume, biomass or carbon of all
//! live trees together that has an estimate.
//!
//! ```text
//! V = sum c v(d, h)             c weight of a tree in the mean [weights]; v by its equations
//! sampling                      std_error^2 of the estimate [estimates]
//! curve parameters              sum over curves g' C g,  g = sum c (dv/dh) (dh/db)  over the trees
//!                               whose height was filled from the curve
//! curve residuals               sum c^2 (dv/dh)^2 s_h^2   the same trees; s_h at their dbh
//! height measurement            sum c^2 (dv/dh)^2 s_m^2   trees whose height was read off
//! equations                     sum c^2 s_v^2             s_v where the publication gives one
//! total                         the square root of the sum of these variances
//! ```
//! `C` is the covariance of the fit, `s^2 (J'WJ)^-1`. A curve that serves several stands has one
//! error in all of them: their weighted gradients are added first, and `g' C g` is taken once, so
//! that this part does not shrink with more plots or more stands. `dh/db` is analytic, `dv/dh`
//! numerical through the functions that compile the tree.
//!
//! The estimate treats a filled height as the mean height of its dbh. Where volume is not straight
//! in height, or begins at a threshold, that differs from the mean volume over heights that scatter
//! about the curve (Jensen): by `sum c (E v(h + s_h z) - v(h))`, taken tree by tree by quadrature,
//! and by `sum |c (E v - v)|` at most, whichever way the trees go. To second order it is
//! `sum c (d2v/dh2) s_h^2 / 2`. It is given beside the errors and not added to them.
//!
//! With drawn heights [`crate::compile::draws`] there is no such difference, and the two parts of
//! the curves give way to one of the draws, see [`imputation`].
//!
//! Left out, as nothing is known of it or it is small:
//! - the parameters of published equations and published height curves: their covariances are not
//!   published;
//! - the covariance of two curves that share heights (a species and a pool that it belongs to), and
//!   of curve and sample, which share measured trees: in the drawn samples of the tests, whose
//!   sampling error is made small on purpose, it is 6 % of the variance;
//! - errors of dbh, of plot boundaries and of carbon fractions.
//!
//! The residual parts are those of the trees in the sample. The sampling error of a mean of
//! predicted volumes does not hold them. In a large stand the residuals of the trees outside the
//! sample average out, so that these parts make the total too large rather than too small.
//!
//! The interval of the total takes t at the degrees of freedom of the sampling error, by far the
//! largest part as a rule.
//!
//! Source: hybrid inference, Stahl et al. 2014 (For. Ecosyst.); sums of errors, Cunia 1965 and
//! 1987, Gertner 1990 (all from memory); sources of error and their size, `McRoberts` & Westfall
//! 2015 (Ann. For. Sci., abstract).

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use crate::compile::Compilation;
use crate::compile::draws::N_COLUMNS;
use crate::design::{Fill, FitBy, SelectionIndex};
use crate::estimates::{Attribute, Domain, Estimate, EstimateRow};
use crate::heights::MOST_CURVE_PARAMETERS;
use crate::plot_sums::Column;

pub mod imputation;
pub mod propagate;
mod trees;
pub mod weights;

use imputation::{Imputation, Within, within_variances};
use propagate::{add_weighted, combined_std_error, independent_variance, parameter_variance};
use trees::{HeightError, TreeError, tree_errors};
use weights::{StandPart, parts_of, tree_weights};

/// The quantities whose error is taken apart.
pub use crate::compile::draws::COLUMNS;

/// Relative difference up to which the weighted sum over trees is the estimate.
const SAME: f64 = 1e-9;

/// One source of error in one estimate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Part {
    /// Its variance, as far as it is known.
    pub variance: f64,
    /// Tree records of which it is known.
    pub known: usize,
    /// Tree records of which it is not.
    pub unknown: usize,
}

impl Part {
    /// Its standard error; `None` where there are trees and nothing is known of any.
    pub fn std_error(&self) -> Option<f64> {
        (self.known > 0 || self.unknown == 0).then(|| self.variance.sqrt())
    }

    fn add(&mut self, weight: f64, std_error: Option<f64>) {
        match std_error {
            Some(error) => {
                self.known += 1;
                self.variance += independent_variance(weight, error);
            }
            None => self.unknown += 1,
        }
    }
}

/// An estimate and the sources of its error, per hectare.
#[derive(Clone, Debug, PartialEq)]
pub struct SourcesOfError {
    /// Stand name; `None` is all stands.
    pub stand: Option<String>,
    /// Stratum name; `None` is all strata.
    pub stratum: Option<String>,
    /// Selection.
    pub selection: SelectionIndex,
    /// What is estimated, of all live trees.
    pub attribute: Attribute,
    /// The estimate with its sampling error.
    pub estimate: Estimate,
    /// Parameters of the height curves.
    pub curve_parameters: Part,
    /// Residuals about the height curves.
    pub curve_residuals: Part,
    /// Drawing of heights, in place of the two; `None` where filled heights are mean heights.
    pub imputation: Option<Imputation>,
    /// Measurement of heights.
    pub height_measurement: Part,
    /// Volume or biomass equations, tree by tree.
    pub equations: Part,
    /// What heights that scatter about their curves would add to the estimate.
    pub curvature_bias: f64,
    /// The most of it there can be: the same with all trees going the same way.
    pub curvature_at_most: f64,
}

impl SourcesOfError {
    /// The standard error of each source, sampling first; `None` where it is not known. Those of
    /// the curves, the second and third, are 0 with drawn heights, that of the draws, the last, with
    /// mean heights.
    pub fn std_errors(&self) -> [Option<f64>; 6] {
        [
            self.estimate.std_error,
            self.curve_parameters.std_error(),
            self.curve_residuals.std_error(),
            self.height_measurement.std_error(),
            self.equations.std_error(),
            self.imputation
                .map_or(Some(0.0), |drawn| drawn.part().std_error()),
        ]
    }

    /// The estimate with its whole error, as far as this is known, in place of the sampling error;
    /// without one where there is no sampling error to go with it. The degrees of freedom are those
    /// of the sampling error, with drawn heights those of [`imputation`].
    pub fn with_total(&self) -> Estimate {
        let variances = || self.std_errors().into_iter().flatten().map(|se| se * se);
        let total = combined_std_error(variances());
        let df = match self.imputation {
            Some(drawn) => self.estimate.df.map(|df| drawn.df(total * total, df)),
            None => self.estimate.df,
        };
        Estimate {
            std_error: self.estimate.std_error.map(|_| total),
            df,
            ..self.estimate
        }
    }

    /// The share of a source in the variance of the total, percent.
    pub fn share_pct(&self, std_error: Option<f64>) -> Option<f64> {
        let total = self.with_total().std_error.filter(|total| *total > 0.0)?;
        Some(100.0 * (std_error? / total).powi(2))
    }
}

/// A fitted curve: the stand that it serves alone (`None`: all of them), and its index there.
type CurveKey = (Option<usize>, usize);

/// The sums over trees for one estimate.
#[derive(Default)]
struct Sums {
    gradients: BTreeMap<CurveKey, [f64; MOST_CURVE_PARAMETERS]>,
    /// By curve and effect, the weighted shares.
    effects: BTreeMap<(CurveKey, usize), f64>,
    /// By draw, `sum c v` over the trees that were drawn.
    draws: Vec<f64>,
    drawn: usize,
    filled: Part,
    residuals: Part,
    measurement: Part,
    equations: Part,
    curvature_bias: f64,
    curvature_at_most: f64,
    /// `sum c v`.
    mean: f64,
}

impl Sums {
    fn add(&mut self, key: impl Fn(usize) -> CurveKey, column: usize, c: f64, tree: &TreeError) {
        self.mean += c * tree.value[column];
        self.equations.add(c, tree.equation[column]);
        if let Some(drawn) = tree.drawn {
            self.add_drawn(column, c, drawn);
            return;
        }
        self.curvature_bias += c * tree.scatter[column];
        self.curvature_at_most += c * tree.scatter[column].abs();
        let slope = tree.slope[column];
        if slope == 0.0 {
            return;
        }
        match tree.height {
            HeightError::None => {}
            HeightError::Measured { std_error_m } => {
                self.measurement.add(c, std_error_m.map(|se| slope * se));
            }
            HeightError::Published => {
                self.filled.unknown += 1;
                self.residuals.unknown += 1;
            }
            HeightError::Curve { curve, error } => {
                let curve = key(curve);
                let sum = self.gradients.entry(curve).or_default();
                add_weighted(sum, c * slope, &error.gradient);
                for (effect, share) in error.effects.into_iter().flatten() {
                    *self.effects.entry((curve, effect)).or_default() += c * slope * share;
                }
                self.filled.known += 1;
                self.residuals.add(c, Some(slope * error.residual_m));
            }
        }
    }

    fn add_drawn(&mut self, column: usize, c: f64, drawn: &[[f64; N_COLUMNS]]) {
        self.draws.resize(drawn.len(), 0.0);
        for (sum, values) in self.draws.iter_mut().zip(drawn) {
            *sum += c * values[column];
        }
        let differs = |pair: &[[f64; N_COLUMNS]]| {
            let [a, b] = [pair[0][column], pair[1][column]];
            a.total_cmp(&b).is_ne()
        };
        self.drawn += usize::from(drawn.windows(2).any(differs));
    }

    fn parameter_variance(&self, compilation: &Compilation<'_>) -> f64 {
        let curve = |(stand, curve): &CurveKey| {
            &compilation.stands[stand.unwrap_or(0)].heights.curves[*curve].curve
        };
        let parameters = self.gradients.iter().map(|(key, gradient)| {
            let covariance = curve(key).covariance();
            parameter_variance(&gradient[..covariance.len().isqrt()], covariance)
        });
        let effects = self.effects.iter().map(|((key, effect), share)| {
            independent_variance(*share, curve(key).effect_variance(*effect).sqrt())
        });
        parameters.sum::<f64>() + effects.sum::<f64>()
    }
}

/// Is the error of an estimate taken apart?
fn is_taken_apart(row: &EstimateRow) -> bool {
    let column = Column::of_attribute(row.attribute);
    row.domain == Domain::LIVE && column.is_some_and(|column| COLUMNS.contains(&column))
}

/// The sources of error of every volume, biomass and carbon of all live trees, in the order of the
/// estimates.
pub fn whole_error(compilation: &Compilation<'_>) -> Vec<SourcesOfError> {
    let stands = 0..compilation.records.stands.len();
    let trees: Vec<Vec<TreeError>> = stands.map(|at| tree_errors(compilation, at)).collect();
    let mut known = Weights::default();
    let within = match compilation.design.heights.fill {
        Fill::Mean => None,
        Fill::Draws { number, .. } => Some((number, within_variances(compilation, number))),
    };
    let rows = compilation.estimates.rows.iter();
    rows.filter(|row| is_taken_apart(row))
        .enumerate()
        .filter_map(|(at, row)| {
            let within = within.as_ref().map(|(number, all)| Within {
                number: *number,
                variance: all.get(at).copied().flatten(),
            });
            sources_of(compilation, &trees, &mut known, row, within)
        })
        .collect()
}

/// Weights of the trees of a part of the cruise for a selection: they are those of every column.
type Weights = BTreeMap<(usize, Option<usize>, SelectionIndex), Vec<f64>>;

fn sources_of(
    compilation: &Compilation<'_>,
    trees: &[Vec<TreeError>],
    known: &mut Weights,
    row: &EstimateRow,
    within: Option<Within>,
) -> Option<SourcesOfError> {
    let column = Column::of_attribute(row.attribute)?;
    let at = COLUMNS.iter().position(|one| *one == column)?;
    let by_cruise = compilation.design.heights.fit_by == FitBy::Cruise;
    let mut sums = Sums::default();
    for part in parts_of(compilation.design, compilation.records, row)? {
        let StandPart {
            stand,
            stratum,
            share,
        } = part;
        let place = (stand, stratum, row.selection);
        let weights = match known.entry(place) {
            Entry::Occupied(weights) => weights.into_mut(),
            Entry::Vacant(open) => {
                open.insert(tree_weights(compilation, part, row.selection, column)?)
            }
        };
        let key = |curve| ((!by_cruise).then_some(stand), curve);
        for (weight, tree) in weights.iter().zip(&trees[stand]) {
            if *weight > 0.0 {
                sums.add(key, at, share * weight, tree);
            }
        }
    }
    // An estimator whose weights are others than these is not taken apart, and that is told.
    if (sums.mean - row.estimate.mean).abs() > SAME * row.estimate.mean.abs() {
        return None;
    }
    Some(SourcesOfError {
        stand: row.stand.clone(),
        stratum: row.stratum.clone(),
        selection: row.selection,
        attribute: row.attribute,
        estimate: row.estimate,
        curve_parameters: Part {
            variance: sums.parameter_variance(compilation),
            ..sums.filled
        },
        curve_residuals: sums.residuals,
        imputation: within.map(|within| {
            let records = (sums.drawn, sums.filled.unknown);
            Imputation::new(within, &row.estimate, &sums.draws, records)
        }),
        height_measurement: sums.measurement,
        equations: sums.equations,
        curvature_bias: sums.curvature_bias,
        curvature_at_most: sums.curvature_at_most,
    })
}
