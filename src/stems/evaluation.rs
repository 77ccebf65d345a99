//! One tree under many sets: what each set that covers the species says of the same stem.
//!
//! In: sets, a species, a tree, limits. Out: one [`Evaluation`] per set and region with a row of
//! its own, in the order of the sets; nothing is averaged and nothing stands in for a species.

use crate::design::{Fallback, Merchantable};
use crate::species::biomass::{BiomassSet, BiomassWanted, choose_biomass};
use crate::species::choose::{Chosen, Wanted};
use crate::species::equation::Quantity;
use crate::species::set::{BarkBasis, FixedLimits, VolumeSet};
use crate::species::{SpeciesId, SpeciesTable};
use crate::stems::biomass::{BiomassInput, StemBiomass};
use crate::stems::volume::{StemInput, StemVolume};

/// The tree and what is asked of it.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// Its species.
    pub species: SpeciesId,
    /// Its sizes.
    pub tree: StemInput,
    /// Only this region; every region with a row of its own without one.
    pub region: Option<&'a str>,
    /// Limits of merchantable wood, left out where a set cannot serve them.
    pub merchantable: Option<Merchantable>,
    /// A planted stand?
    pub planted: bool,
}

/// What one set says for one region.
#[derive(Clone, Debug)]
pub struct Evaluation<'s> {
    /// The set.
    pub set: &'s VolumeSet,
    /// The region; `None` where the set has none, or the row serves all.
    pub region: Option<&'s str>,
    /// The equations used.
    pub chosen: Chosen,
    /// The result.
    pub stem: StemVolume,
    /// Why there is no merchantable volume though limits were given.
    pub no_merchantable: Option<String>,
    /// The set's own limits, where it gives no total and no limits were given: its merchantable
    /// volume is between these.
    pub own_limits: Option<FixedLimits>,
}

impl Evaluation<'_> {
    /// Volume of the whole stem on a bark basis: as the set gives it, or wood and bark added where
    /// it gives bark apart.
    pub fn total_on(&self, basis: BarkBasis) -> Option<f64> {
        let total_m3 = self.stem.total_m3;
        match (self.set.head.bark, basis) {
            (BarkBasis::Inside, BarkBasis::Outside) => Some(total_m3? + self.stem.bark_m3?),
            (own, asked) if own == asked => total_m3,
            _ => None,
        }
    }
}

/// Median over the sets of the volume of the whole stem on a bark basis, each set by the median of
/// its regions; `None` with fewer than two sets. The evaluations of a set stand together.
pub fn median_total_m3(evaluations: &[Evaluation<'_>], basis: BarkBasis) -> Option<f64> {
    let of_sets: Vec<f64> = evaluations
        .chunk_by(|a, b| std::ptr::eq(a.set, b.set))
        .filter_map(|of_set| {
            median(
                of_set
                    .iter()
                    .filter_map(|one| one.total_on(basis))
                    .collect(),
            )
        })
        .collect();
    (of_sets.len() > 1).then(|| median(of_sets)).flatten()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let upper = values.len() / 2;
    match values.len() {
        0 => None,
        odd if odd % 2 == 1 => Some(values[upper]),
        _ => Some(f64::midpoint(values[upper - 1], values[upper])),
    }
}

/// Evaluates one set; empty where it does not cover the species (in the region asked for).
pub fn evaluate<'s>(
    set: &'s VolumeSet,
    question: &Question<'_>,
    table: &SpeciesTable,
) -> Vec<Evaluation<'s>> {
    let own_limits = own_limits(set, question);
    let all = std::iter::once(None).chain(set.regions.iter().map(|r| Some(r.name.as_str())));
    let regions: Vec<Option<&str>> = match question.region {
        Some(asked) => match set.region(asked) {
            Some(index) => vec![Some(set.regions[index].name.as_str())],
            None if set.regions.is_empty() => vec![None],
            None => Vec::new(),
        },
        None => all.collect(),
    };
    let mut evaluations: Vec<Evaluation<'s>> = Vec::new();
    for region in regions {
        let limits = question.merchantable.or(own_limits.as_ref().map(asked));
        let Some((chosen, no_merchantable)) = choose(set, question, limits, region, table) else {
            continue;
        };
        // A region without a row of its own repeats another's.
        if evaluations
            .iter()
            .any(|other| other.chosen.main == chosen.main)
        {
            continue;
        }
        let stem = set.stem(&chosen, &question.tree);
        evaluations.push(Evaluation {
            set,
            region: set.equations[chosen.main]
                .region
                .map(|index| set.regions[index].name.as_str()),
            chosen,
            stem,
            no_merchantable,
            own_limits: own_limits.clone(),
        });
    }
    evaluations
}

/// The limits of a set that gives merchantable volume only, where the question has none.
fn own_limits(set: &VolumeSet, question: &Question<'_>) -> Option<FixedLimits> {
    let only_merchantable = set.main_quantity() == Quantity::Merchantable;
    (only_merchantable && question.merchantable.is_none())
        .then(|| set.head.fixed_limits.first().cloned())
        .flatten()
}

/// A question for a set's own limits.
fn asked(limits: &FixedLimits) -> Merchantable {
    Merchantable {
        stump_m: limits.stump_m,
        top_diameter_cm: limits.top_diameter_cm,
        top_inside_bark: limits.top_basis == BarkBasis::Inside,
        min_dbh_cm: None,
    }
}

fn choose(
    set: &VolumeSet,
    question: &Question<'_>,
    merchantable: Option<Merchantable>,
    region: Option<&str>,
    table: &SpeciesTable,
) -> Option<(Chosen, Option<String>)> {
    let mut wanted = Wanted {
        region,
        fallback: Fallback::None,
        merchantable,
        planted: question.planted,
    };
    match set.choose(question.species, &wanted, table) {
        Ok(chosen) => Some((chosen, None)),
        Err(missing) => {
            wanted.merchantable.take()?;
            let chosen = set.choose(question.species, &wanted, table).ok()?;
            Some((chosen, Some(missing.message)))
        }
    }
}

/// What one biomass set says.
#[derive(Clone, Debug)]
pub struct BiomassEvaluation<'s> {
    /// The set.
    pub set: &'s VolumeSet,
    /// The equations used.
    pub chosen: Chosen,
    /// The result for a live tree, with the set's own carbon fraction (0 where it has none).
    pub found: StemBiomass,
}

/// Evaluates one biomass set; `None` where it does not cover the species.
pub fn evaluate_biomass<'s>(
    set: &'s BiomassSet,
    question: &Question<'_>,
    table: &SpeciesTable,
) -> Option<BiomassEvaluation<'s>> {
    let wanted = BiomassWanted {
        region: question.region,
        province: None,
        planted: question.planted,
        fallback: Fallback::None,
        carbon_fraction: (!set.has_carbon()).then_some(0.0),
    };
    let sets = std::slice::from_ref(set);
    let equation = choose_biomass(sets, question.species, &wanted, table).ok()?;
    let tree = BiomassInput {
        broken_height_m: question.tree.broken_height_m,
        ..BiomassInput::sound(question.tree.dbh_cm, Some(question.tree.height_m))
    };
    let found = set.tree(&equation, &tree)?;
    Some(BiomassEvaluation {
        set: set.equations(),
        chosen: equation.chosen,
        found,
    })
}
