//! Missing heights drawn about their curves, many times over, in place of one mean height each
//! (multiple imputation).
//!
//! In: the heights of a stand with their curves, and a way to say what a tree of a height holds.
//! Out: for each tree that was drawn what it holds at each drawn height, and the mean of that.
//!
//! ```text
//! h_m = h + g' (b_m - b) + sum over effects: share x u_m + e_m       m = 1 .. M
//! b_m - b = L z,  L L' = C          one for all trees of the curve; C its covariance
//! u_m ~ N(0, variance of effect)    one for all trees of a place
//! e_m ~ N(0, s(D)^2)                one for each tree
//! ```
//! `h` is the mean height at the tree's dbh, `g` its derivatives by the parameters: the curve is
//! taken as straight in them, as it is for the whole error. A height that comes out at or below
//! the least that the tree can have (a little above breast height, or the height at which the
//! stem is broken off) is drawn again with another `e`; after a hundred times that least height is
//! taken.
//!
//! Not drawn: heights from published curves, whose scatter is not known, and heights that were
//! raised to a break.
//!
//! Random numbers belong to the seed and to names: those of stand and curve, of plot, tree number,
//! species and dbh. So the order of rows, other stands and the number of threads change nothing, a
//! tree that stands in two selections of a plot is drawn alike in both, and more draws add to
//! those there were. In a fit by cruise a curve is drawn alike in all stands.
//!
//! Source: Rubin 1987, Multiple Imputation for Nonresponse in Surveys, Wiley (from memory).

use std::collections::BTreeMap;

use crate::design::{FitBy, Heights};
use crate::heights::{CurveUse, MOST_CURVE_PARAMETERS, StandHeights, TreeHeight};
use crate::math::linear::cholesky;
use crate::math::random::Random;
use crate::plot_sums::Column;
use crate::records::{CruiseSpecies, Plot, Stand, Tree, Visit};
use crate::stems::TreeValues;

/// Number of [`COLUMNS`].
pub const N_COLUMNS: usize = 5;

/// The quantities of which each draw is kept, as the whole error asks for them.
pub const COLUMNS: [Column; N_COLUMNS] = [
    Column::VolumeTotal,
    Column::VolumeMerch,
    Column::VolumeNet,
    Column::Biomass,
    Column::Carbon,
];

/// Least height above breast height; a judgement.
const LEAST_ABOVE_BREAST_HEIGHT_M: f64 = 0.1;
/// Times that a height is drawn before the least one is taken.
const MOST_TRIES: usize = 100;

/// What a tree holds at its drawn heights.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnTree {
    /// The mean over the draws; its height is the mean height of the dbh.
    pub mean: TreeValues,
    /// Draw by draw, in the order of [`COLUMNS`]; 0 where that is not known.
    pub by_draw: Vec<[f64; N_COLUMNS]>,
}

impl DrawnTree {
    /// What it holds in one of the draws; of what is not in [`COLUMNS`] the mean.
    pub fn at(&self, draw: usize) -> TreeValues {
        let [total, merch, net, biomass, carbon] = self.by_draw[draw];
        let mean = self.mean;
        TreeValues {
            volume_total_m3: mean.volume_total_m3.map(|_| total),
            volume_merch_m3: mean.volume_merch_m3.map(|_| merch),
            volume_net_m3: mean.volume_net_m3.map(|_| net),
            biomass_kg: mean.biomass_kg.map(|_| biomass),
            carbon_kg: mean.carbon_kg.map(|_| carbon),
            ..mean
        }
    }
}

/// The least height that a tree can have, m.
pub fn least_height_m(breast_height_m: f64, tree: &Tree) -> f64 {
    let above_breast_height = breast_height_m + LEAST_ABOVE_BREAST_HEIGHT_M;
    tree.broken_height_m.map_or(above_breast_height, |broken| {
        broken.max(above_breast_height)
    })
}

/// Draws the heights of a stand `number` times; one entry per tree in the order of `Stand::trees`,
/// `None` where its height is not drawn.
pub fn draw_stand(
    stand: &Stand,
    heights: &StandHeights,
    species: &[CruiseSpecies],
    design: &Heights,
    (number, seed): (usize, u64),
    values_at: impl Fn(&Tree, f64) -> TreeValues,
) -> Vec<Option<DrawnTree>> {
    let names = CurveNames {
        stand: match design.fit_by {
            FitBy::Stand => &stand.name,
            FitBy::Cruise => "",
        },
        species,
    };
    let curves = heights.curves.iter();
    let mut curves: Vec<CurveDraws> = curves
        .map(|used| CurveDraws::new(used, &names, number, seed))
        .collect();
    let mut names = TreeNames::new(stand, species);
    let mut one = |((plot, visit, tree), height): ((&Plot, &Visit, &Tree), &TreeHeight)| {
        let name = names.name(plot, visit, tree);
        let at = height.source.curve();
        let at = at.filter(|_| !tree.excluded && !height.raised_to_break)?;
        let error = heights.curves[at]
            .curve
            .error_at(tree.dbh_cm, height.place)?;
        let height_m = height.height_m?;
        let least_m = least_height_m(design.breast_height_m, tree);
        let mut random = Random::stream(seed, &name);
        let draws = (0..number).map(|draw| {
            let of_curve_m = height_m + curves[at].shift_m(draw, &error.gradient);
            let of_place_m: f64 = (error.effects.into_iter().flatten())
                .map(|(effect, share)| share * curves[at].effect(effect, draw))
                .sum();
            let mean_m = of_curve_m + of_place_m;
            let mut tries = (0..MOST_TRIES).map(|_| mean_m + error.residual_m * random.normal());
            let drawn_m = tries.find(|drawn_m| *drawn_m > least_m).unwrap_or(least_m);
            values_at(tree, drawn_m)
        });
        Some(DrawnTree::of(draws, height_m))
    };
    stand.trees().zip(&heights.trees).map(&mut one).collect()
}

impl DrawnTree {
    fn of(draws: impl Iterator<Item = TreeValues>, height_m: f64) -> DrawnTree {
        let mut sum: Option<TreeValues> = None;
        let mut by_draw = Vec::new();
        for values in draws {
            by_draw.push(COLUMNS.map(|column| column.of_tree(&values).unwrap_or(0.0)));
            sum = Some(sum.map_or(values, |sum| sum.with(&values, |sum, value| sum + value)));
        }
        let number = by_draw.len() as f64;
        let sum = sum.unwrap_or_default();
        DrawnTree {
            mean: TreeValues {
                height_m: Some(height_m),
                ..sum.with(&sum, |sum, _| sum / number)
            },
            by_draw,
        }
    }
}

/// Names of the curves of a stand.
struct CurveNames<'n> {
    /// Empty where all stands share their curves.
    stand: &'n str,
    species: &'n [CruiseSpecies],
}

impl CurveNames<'_> {
    fn name(&self, used: &CurveUse) -> String {
        let served = used.species.iter();
        let mut labels: Vec<&str> = served
            .map(|served| self.species[served.species].label.as_str())
            .collect();
        labels.sort_unstable();
        let (stand, level) = (self.stand, used.level.name());
        format!("curve\n{stand}\n{level}\n{}", labels.join("\n"))
    }
}

/// What is drawn of one curve: its parameters, and the effects of places as they are asked for.
struct CurveDraws<'c> {
    used: &'c CurveUse,
    name: String,
    number: usize,
    seed: u64,
    /// By draw, what the parameters are off.
    parameters: Vec<[f64; MOST_CURVE_PARAMETERS]>,
    /// By effect and draw, what the effect is off.
    effects: BTreeMap<usize, Vec<f64>>,
}

impl<'c> CurveDraws<'c> {
    fn new(used: &'c CurveUse, names: &CurveNames, number: usize, seed: u64) -> Self {
        let name = names.name(used);
        let covariance = used.curve.covariance();
        let root = cholesky(covariance);
        let p = covariance.len().isqrt();
        let mut random = Random::stream(seed, &name);
        let draw = |_| {
            let normal: [f64; MOST_CURVE_PARAMETERS] =
                std::array::from_fn(|at| if at < p { random.normal() } else { 0.0 });
            let mut off = [0.0; MOST_CURVE_PARAMETERS];
            for (off, row) in off.iter_mut().zip(root.chunks(p.max(1))) {
                *off = row.iter().zip(&normal).map(|(l, z)| l * z).sum();
            }
            off
        };
        CurveDraws {
            parameters: (0..number).map(draw).collect(),
            effects: BTreeMap::new(),
            used,
            name,
            number,
            seed,
        }
    }

    fn shift_m(&self, draw: usize, gradient: &[f64]) -> f64 {
        let off = &self.parameters[draw];
        off.iter().zip(gradient).map(|(off, by)| off * by).sum()
    }

    fn effect(&mut self, effect: usize, draw: usize) -> f64 {
        let CurveDraws {
            used,
            name,
            number,
            seed,
            effects,
            ..
        } = self;
        let drawn = effects.entry(effect).or_insert_with(|| {
            let sd = used.curve.effect_variance(effect).sqrt();
            let mut random = Random::stream(*seed, &format!("{name}\neffect {effect}"));
            (0..*number).map(|_| sd * random.normal()).collect()
        });
        drawn[draw]
    }
}

/// Names of the trees of a stand.
struct TreeNames<'n> {
    stand: &'n Stand,
    species: &'n [CruiseSpecies],
    /// How often a name was there before, by selection.
    seen: BTreeMap<(String, usize), usize>,
}

impl<'n> TreeNames<'n> {
    fn new(stand: &'n Stand, species: &'n [CruiseSpecies]) -> Self {
        TreeNames {
            stand,
            species,
            seen: BTreeMap::new(),
        }
    }

    /// A name for a tree; the same in two selections of a plot when number, species and dbh are the
    /// same. A tree without a number cannot be recognised in another selection.
    fn name(&mut self, plot: &Plot, visit: &Visit, tree: &Tree) -> String {
        let number = if tree.number.is_empty() {
            format!("\n{}", visit.selection)
        } else {
            tree.number.to_string()
        };
        let (stand, species) = (&self.stand.name, &self.species[tree.species].label);
        // The same dbh, written in inches, differs in the last digits.
        let (plot, dbh_cm) = (&plot.name, (tree.dbh_cm * 1e6).round() / 1e6);
        let name = format!("height\n{stand}\n{plot}\n{number}\n{species}\n{dbh_cm}");
        let seen = self.seen.entry((name.clone(), visit.selection));
        let before = seen.and_modify(|before| *before += 1).or_insert(0);
        format!("{name}\n{before}")
    }
}
