//! One tree by the national-scale system of the United States: every volume, mass and carbon
//! figure of it, each intermediate value included.
//!
//! In: the set with the equations chosen for the species, the wood properties, the tree. Out:
//! [`NationalFigures`] in the units of the publication (inches, feet, cubic feet, pounds), or what
//! is missing.
//!
//! Order of the computation:
//! 1. volumes of the whole stem; heights of the top diameters; parts of the stem by the ratio
//!    inside bark, applied to wood and to the whole stem alike, so that bark is the difference;
//! 2. what stands below a break; what is sound of it (cull is taken off the wood);
//! 3. predicted masses, reduced for cull or decay and for the break;
//! 4. the predicted total reduced in the proportion in which its components are, and the
//!    components brought to it in proportion; specific gravities that follow; parts by mass;
//! 5. carbon.
//!
//! Source: Westfall et al. 2024, GTR WO-104, and its chapter of tree-level examples.

use crate::species::Kind;
use crate::species::choose::Missing;
use crate::species::equation::Model;
use crate::species::form::Form;
use crate::species::national::NationalEquations;
use crate::species::set::VolumeSet;
use crate::species::wood::WoodProperties;
use crate::stems::biomass::TreeBiomass;
use crate::stems::national_stem::{NationalStem, WoodAndBark, national_stem};
use crate::stems::volume::StemInput;
use crate::units::KG_PER_LB;

/// Mass of a cubic foot of water as published; turns specific gravity into lb/ft3.
const WATER_LB_PER_FT3: f64 = 62.4;
/// Decay classes of standing dead trees.
pub const N_DECAY_CLASSES: usize = 5;
/// Decay class of rotten wood in a live tree.
const CLASS_OF_CULL: u8 = 3;

/// What is known of a tree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NationalTree<'a> {
    /// Diameter at breast height outside bark.
    pub dbh_cm: f64,
    /// Total height of the unbroken stem.
    pub height_m: f64,
    /// Height at which the stem is broken off.
    pub broken_height_m: Option<f64>,
    /// Share of the wood that is rotten or missing, percent.
    pub cull_pct: f64,
    /// Decay class 1 to 5 of a dead tree; `None` of a live one.
    pub decay_class: Option<u8>,
    /// Crown length over the height of the tree as it stands, percent; asked for where a live
    /// tree is broken.
    pub crown_ratio_pct: Option<f64>,
    /// Ecological province; its mean crown ratio serves dead trees that are broken.
    pub province: Option<&'a str>,
}

/// Masses of the components, lb.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Masses {
    /// Stem wood.
    pub wood_lb: f64,
    /// Stem bark.
    pub bark_lb: f64,
    /// Branches.
    pub branch_lb: f64,
    /// Foliage; never part of a sum.
    pub foliage_lb: f64,
}

impl Masses {
    /// Wood, bark and branches together.
    pub fn sum_lb(&self) -> f64 {
        self.wood_lb + self.bark_lb + self.branch_lb
    }
}

/// Masses of the parts of a stem of 5 in and more, lb.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PartMasses {
    /// Merchantable stem.
    pub merchantable: WoodAndBark,
    /// Stump.
    pub stump: WoodAndBark,
    /// All that is left: top and branches.
    pub top_and_branches_lb: f64,
}

/// Every figure of a tree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NationalFigures {
    /// Its stem.
    pub stem: NationalStem,
    /// Masses as predicted for the sound, unbroken tree.
    pub predicted: Masses,
    /// The predicted total above ground without foliage.
    pub predicted_total_lb: f64,
    /// Crown ratio of the tree before it broke, of total height; where it is broken.
    pub crown_ratio: Option<f64>,
    /// Share of the crown that is left; 1 without a break.
    pub crown_left: f64,
    /// Masses reduced for cull, decay and break.
    pub reduced: Masses,
    /// Sum of reduced over sum of predicted components.
    pub reduction: f64,
    /// The total, so reduced: the aboveground biomass.
    pub total_lb: f64,
    /// The total less the sum of the reduced components, which is spread over them.
    pub difference_lb: f64,
    /// Masses that add to the total; foliage as reduced.
    pub harmonised: Masses,
    /// Specific gravity of wood that harmonised mass and standing volume give.
    pub wood_specific_gravity: f64,
    /// The same of bark.
    pub bark_specific_gravity: f64,
    /// Masses of the parts of the stem.
    pub parts: Option<PartMasses>,
    /// Carbon in the oven-dry mass.
    pub carbon_fraction: f64,
    /// Carbon in the total.
    pub carbon_lb: f64,
}

/// Every figure of a tree by the equations of its species.
///
/// # Errors
/// [`Missing`] says what would be needed: the crown ratio of a live broken tree (no mean is
/// published for these), the province of a dead broken tree, a decay class of the table.
pub fn national_figures(
    set: &VolumeSet,
    equations: &NationalEquations,
    wood: &WoodProperties,
    tree: &NationalTree,
) -> Result<NationalFigures, Missing> {
    let kind = equations.kind;
    let input = StemInput {
        dbh_cm: tree.dbh_cm,
        height_m: tree.height_m,
        broken_height_m: tree.broken_height_m,
    };
    let stem = national_stem(set, equations, &input, tree.cull_pct).ok_or_else(|| outside(set))?;
    let gravity = equations.wood_specific_gravity;
    let mass_lb = |equation: usize| {
        let kg = set.evaluate(equation, &input).ok_or_else(|| outside(set))?;
        let per_gravity = matches!(
            set.equations[equation].model,
            Model::Direct(Form::PowerDensity { .. })
        );
        Ok(kg / KG_PER_LB * if per_gravity { gravity } else { 1.0 })
    };
    let predicted = Masses {
        wood_lb: stem.gross.total.wood * gravity * WATER_LB_PER_FT3,
        bark_lb: mass_lb(equations.bark_mass)?,
        branch_lb: mass_lb(equations.branch_mass)?,
        foliage_lb: mass_lb(equations.foliage_mass)?,
    };
    let predicted_total_lb = mass_lb(equations.total_mass)?;
    let left = left(wood, kind, tree)?;
    let crown_ratio = match input.break_m() {
        Some(break_m) => Some(crown_ratio_before(wood, kind, tree, break_m)?),
        None => None,
    };
    let crown_left = crown_ratio
        .zip(input.break_m())
        .map_or(1.0, |(crown, break_m)| {
            crown_left(crown, tree.height_m, break_m)
        });
    let reduced = Masses {
        wood_lb: predicted.wood_lb * left.wood * stem.break_ratio,
        bark_lb: predicted.bark_lb * left.bark * stem.break_ratio,
        branch_lb: predicted.branch_lb * left.branch * crown_left,
        foliage_lb: predicted.foliage_lb * left.foliage * crown_left,
    };
    let carbon_fraction = match tree.decay_class {
        Some(class) => wood.decay(kind, class)?.carbon_pct / 100.0,
        None => equations.live_carbon_fraction,
    };
    Ok(harmonise(
        &stem,
        predicted,
        predicted_total_lb,
        reduced,
        crown_ratio,
        crown_left,
        carbon_fraction,
    ))
}

/// Biomass and carbon of a tree: the total above ground without foliage, its components brought
/// to it, and foliage apart, as published.
///
/// # Errors
/// As [`national_figures`].
pub fn national_biomass(
    set: &VolumeSet,
    equations: &NationalEquations,
    wood: &WoodProperties,
    tree: &NationalTree,
) -> Result<TreeBiomass, Missing> {
    let figures = national_figures(set, equations, wood, tree)?;
    let masses = figures.harmonised;
    Ok(TreeBiomass {
        total_kg: figures.total_lb * KG_PER_LB,
        wood_kg: Some(masses.wood_lb * KG_PER_LB),
        bark_kg: Some(masses.bark_lb * KG_PER_LB),
        branch_kg: Some(masses.branch_lb * KG_PER_LB),
        foliage_kg: Some(masses.foliage_lb * KG_PER_LB),
        carbon_kg: figures.carbon_lb * KG_PER_LB,
    })
}

fn outside(set: &VolumeSet) -> Missing {
    Missing {
        message: format!(
            "the tree is outside the domain of the equations of `{}`",
            set.name
        ),
        hint: "look at its dbh and height".to_owned(),
        candidates: Vec::new(),
    }
}

/// Shares of the masses that cull or decay leaves.
struct Left {
    wood: f64,
    bark: f64,
    branch: f64,
    foliage: f64,
}

fn left(wood: &WoodProperties, kind: Kind, tree: &NationalTree) -> Result<Left, Missing> {
    Ok(match tree.decay_class {
        Some(class) => {
            let decay = wood.decay(kind, class)?;
            Left {
                wood: decay.density,
                bark: decay.density * decay.bark,
                branch: decay.density * decay.branch,
                foliage: 0.0,
            }
        }
        None => Left {
            wood: 1.0 - tree.cull_pct / 100.0 * (1.0 - wood.decay(kind, CLASS_OF_CULL)?.density),
            bark: 1.0,
            branch: 1.0,
            foliage: 1.0,
        },
    })
}

/// Crown ratio before the stem broke, as a fraction of total height: of a live tree from what is
/// seen, re-based from the broken to the total height, `(H - A (1 - CR)) / H`; of a dead tree the
/// mean of its province.
fn crown_ratio_before(
    wood: &WoodProperties,
    kind: Kind,
    tree: &NationalTree,
    break_m: f64,
) -> Result<f64, Missing> {
    let missing = |message: &str, hint: &str| Missing {
        message: message.to_owned(),
        hint: hint.to_owned(),
        candidates: Vec::new(),
    };
    if tree.decay_class.is_some() {
        let province = tree.province.ok_or_else(|| {
            missing(
                "the biomass of a dead broken tree needs the ecological province, whose mean \
                 crown ratio serves",
                "give `province` in the design (`biomass: province: M242`)",
            )
        })?;
        return wood.crown_ratio(province, kind);
    }
    let observed_pct = tree.crown_ratio_pct.ok_or_else(|| {
        missing(
            "the biomass of a live broken tree needs its crown ratio; no mean is published for \
             live trees",
            "record `crown_ratio_pct` for it",
        )
    })?;
    Ok((tree.height_m - break_m * (1.0 - observed_pct / 100.0)) / tree.height_m)
}

/// Share of the crown below the break: `(A - H (1 - CR)) / (H CR)`, not below 0.
fn crown_left(crown_ratio: f64, height_m: f64, break_m: f64) -> f64 {
    let crown_m = height_m * crown_ratio;
    ((break_m - (height_m - crown_m)) / crown_m).max(0.0)
}

/// Part over whole; nothing of nothing is nothing.
fn over(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { part / whole } else { 0.0 }
}

fn harmonise(
    stem: &NationalStem,
    predicted: Masses,
    predicted_total_lb: f64,
    reduced: Masses,
    crown_ratio: Option<f64>,
    crown_left: f64,
    carbon_fraction: f64,
) -> NationalFigures {
    let reduction = over(reduced.sum_lb(), predicted.sum_lb());
    let total_lb = predicted_total_lb * reduction;
    let of_total = |mass_lb: f64| total_lb * over(mass_lb, reduced.sum_lb());
    let harmonised = Masses {
        wood_lb: of_total(reduced.wood_lb),
        bark_lb: of_total(reduced.bark_lb),
        branch_lb: of_total(reduced.branch_lb),
        foliage_lb: reduced.foliage_lb,
    };
    let standing = &stem.standing;
    let wood_specific_gravity = over(harmonised.wood_lb, standing.total.wood) / WATER_LB_PER_FT3;
    let bark_specific_gravity = over(harmonised.bark_lb, standing.total.bark) / WATER_LB_PER_FT3;
    let mass = |part: WoodAndBark| {
        part.times(
            wood_specific_gravity * WATER_LB_PER_FT3,
            bark_specific_gravity * WATER_LB_PER_FT3,
        )
    };
    let parts = standing
        .merchantable
        .zip(standing.stump)
        .map(|(merchantable, stump)| {
            let (merchantable, stump) = (mass(merchantable), mass(stump));
            PartMasses {
                merchantable,
                stump,
                top_and_branches_lb: (total_lb - merchantable.both() - stump.both()).max(0.0),
            }
        });
    NationalFigures {
        stem: *stem,
        predicted,
        predicted_total_lb,
        crown_ratio,
        crown_left,
        reduced,
        reduction,
        total_lb,
        difference_lb: total_lb - reduced.sum_lb(),
        harmonised,
        wood_specific_gravity,
        bark_specific_gravity,
        parts,
        carbon_fraction,
        carbon_lb: total_lb * carbon_fraction,
    }
}
