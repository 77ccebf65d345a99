//! One tree under many sets: what each set that covers the species says of the same stem.
//!
//! In: sets, a species, a tree, limits. Out: one [`Evaluation`] per set and region with a row of
//! its own, in the order of the sets; nothing is averaged and nothing stands in for a species.

use crate::design::{Fallback, Merchantable};
use crate::species::biomass::{BiomassSet, BiomassWanted, choose_biomass};
use crate::species::choose::{Chosen, Wanted};
use crate::species::set::VolumeSet;
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
}

/// Evaluates one set; empty where it does not cover the species (in the region asked for).
pub fn evaluate<'s>(
    set: &'s VolumeSet,
    question: &Question<'_>,
    table: &SpeciesTable,
) -> Vec<Evaluation<'s>> {
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
        let Some((chosen, no_merchantable)) = choose(set, question, region, table) else {
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
        });
    }
    evaluations
}

fn choose(
    set: &VolumeSet,
    question: &Question<'_>,
    region: Option<&str>,
    table: &SpeciesTable,
) -> Option<(Chosen, Option<String>)> {
    let mut wanted = Wanted {
        region,
        fallback: Fallback::None,
        merchantable: question.merchantable,
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
