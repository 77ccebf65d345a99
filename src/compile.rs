//! The pipeline from checked records to estimates, top to bottom.
//!
//! In: design, records, and the published knowledge that the design names. Out: a
//! [`Compilation`], from which every table and every derivation is made.

use rayon::prelude::*;

use crate::design::{Biomass, Design, Fill, FitBy, Volume};
use crate::estimates::{
    CruiseEstimates, StandEstimates, StandGroups, Summed, combine_stands, estimate_stand,
};
use crate::heights::fill::CurveSet;
use crate::heights::regional::RegionalSet;
use crate::heights::{HeightSource, StandHeights, TreeHeight};
use crate::logs::bucking::{Bucked, LogPlan, OfTree, Stem};
use crate::plot_sums::Column;
use crate::records::{CruiseSpecies, Records, Stand, Tree};
use crate::species::biomass::{
    BiomassEquation, BiomassRows, BiomassSet, BiomassWanted, ComponentRows, choose_biomass,
};
use crate::species::choose::{Chosen, Missing, Wanted};
use crate::species::equation::Quantity;
use crate::species::set::VolumeSet;
use crate::species::{SpeciesId, SpeciesTable};
use crate::stems::TreeValues;
use crate::stems::biomass::{BiomassInput, StemBiomass};
use crate::stems::national::N_DECAY_CLASSES;
use crate::stems::volume::{StemInput, StemVolume};

pub mod draws;

use draws::{DrawnTree, draw_stand};

/// The published knowledge that a cruise is compiled with.
pub struct Knowledge {
    /// All species.
    pub species: SpeciesTable,
    /// The volume set that the design names, if any.
    pub volume: Option<VolumeSet>,
    /// The biomass sets that the design names, in its order.
    pub biomass: Vec<BiomassSet>,
    /// The regional height curves that the design names, if any.
    pub regional: Option<RegionalSet>,
    /// How the design has stems cut into logs, if it has.
    pub logs: Option<LogPlan>,
}

/// The equation that serves a species of the cruise.
#[derive(Clone, Debug)]
pub struct SpeciesEquation {
    /// The equations of the set.
    pub chosen: Chosen,
    /// The species that the design lets stand in.
    pub substitute: Option<SpeciesId>,
}

/// Everything that was worked out.
pub struct Compilation<'a> {
    /// The design.
    pub design: &'a Design,
    /// The records.
    pub records: &'a Records,
    /// What it was compiled with.
    pub knowledge: &'a Knowledge,
    /// The equation of each species of the cruise; empty without a volume set.
    pub equations: Vec<SpeciesEquation>,
    /// The biomass equations of each species of the cruise; empty without a biomass set.
    pub biomass_equations: Vec<BiomassEquation>,
    /// What is estimated.
    pub summed: Summed,
    /// Stand by stand, in the order of the records.
    pub stands: Vec<CompiledStand>,
    /// The estimates.
    pub estimates: CruiseEstimates,
}

/// The trees of one stand, in the order of `Stand::trees`.
pub struct CompiledStand {
    /// Their heights, and the curves these come from.
    pub heights: StandHeights,
    /// Their stems; `None` without a volume set or a height.
    pub stems: Vec<Option<StemVolume>>,
    /// Their logs; `None` where no logs are asked for, or without a height or a stem profile.
    pub logs: Vec<Option<Bucked>>,
    /// Their biomass, `None` without a height where one is needed; empty without a biomass set.
    pub biomass: Vec<Option<StemBiomass>>,
    /// What they hold at drawn heights, `None` where the height is not drawn; empty where the
    /// design takes mean heights.
    pub drawn: Vec<Option<DrawnTree>>,
    /// What is summed: with drawn heights the mean over the draws.
    pub values: Vec<TreeValues>,
}

/// The species that a code or name means, the design's own aliases first.
pub fn means(aliases: &[(String, String)], table: &SpeciesTable, text: &str) -> Option<SpeciesId> {
    let alias = aliases
        .iter()
        .find(|(code, _)| *code == text.to_lowercase());
    table.lookup(alias.map_or(text, |(_, meaning)| meaning))
}

/// The species that the design lets stand in for another.
fn stand_in(
    substitutes: &[(String, String)],
    table: &SpeciesTable,
    aliases: &[(String, String)],
    species: SpeciesId,
) -> Result<Option<SpeciesId>, Missing> {
    let means = |text: &str| means(aliases, table, text);
    let stand_in = substitutes
        .iter()
        .find(|(from, _)| means(from) == Some(species));
    let Some((_, to)) = stand_in else {
        return Ok(None);
    };
    means(to).map(Some).ok_or_else(|| Missing {
        message: format!("the substitute `{to}` is no known species"),
        hint: "name it by any code or name that `spinney species` lists".to_owned(),
        candidates: Vec::new(),
    })
}

/// Finds the biomass equations for a species, in the same order as [`equation_for`].
pub fn biomass_equation_for(
    sets: &[BiomassSet],
    biomass: &Biomass,
    volume: Option<&Volume>,
    table: &SpeciesTable,
    aliases: &[(String, String)],
    species: SpeciesId,
) -> Result<BiomassEquation, Missing> {
    let substitute = stand_in(&biomass.substitute, table, aliases, species)?;
    let of_volume = volume.is_some_and(|volume| volume.planted);
    let wanted = BiomassWanted {
        region: biomass.region.as_deref(),
        province: biomass.province.as_deref(),
        planted: biomass.planted.unwrap_or(of_volume),
        fallback: biomass.fallback,
        carbon_fraction: biomass.carbon_fraction,
    };
    let equation = choose_biomass(sets, substitute.unwrap_or(species), &wanted, table)?;
    Ok(BiomassEquation {
        substitute,
        ..equation
    })
}

/// Finds the equation for a species: the substitute that the design names comes first, then the
/// species itself, then the design's fallback.
pub fn equation_for(
    set: &VolumeSet,
    volume: &Volume,
    table: &SpeciesTable,
    aliases: &[(String, String)],
    species: SpeciesId,
) -> Result<SpeciesEquation, Missing> {
    let substitute = stand_in(&volume.substitute, table, aliases, species)?;
    let wanted = Wanted {
        region: volume.region.as_deref(),
        fallback: volume.fallback,
        merchantable: volume.merchantable,
        planted: volume.planted,
    };
    let mut chosen = set.choose(substitute.unwrap_or(species), &wanted, table)?;
    set.add_bark(&mut chosen, species, table)?;
    Ok(SpeciesEquation { chosen, substitute })
}

/// Compiles a cruise. Every species of the records must have an equation (the reader has seen to
/// that); the first that has none is returned.
pub fn compile<'a>(
    design: &'a Design,
    records: &'a Records,
    knowledge: &'a Knowledge,
) -> Result<Compilation<'a>, Missing> {
    let (mut compilation, estimates) = compile_stands(design, records, knowledge)?;
    compilation.estimates = combine_stands(design, estimates);
    Ok(compilation)
}

/// Compiles stands that are part of a larger whole: the estimates are theirs alone, with what each
/// adds to the whole.
pub fn compile_apart<'a>(
    design: &'a Design,
    records: &'a Records,
    knowledge: &'a Knowledge,
) -> Result<(Compilation<'a>, Vec<StandGroups>), Missing> {
    let (mut compilation, estimates) = compile_stands(design, records, knowledge)?;
    let (estimates, groups) = CruiseEstimates::of_stands(estimates);
    compilation.estimates = estimates;
    Ok((compilation, groups))
}

/// Everything but the estimates of the cruise; those of its stands. Stands are compiled side by side.
fn compile_stands<'a>(
    design: &'a Design,
    records: &'a Records,
    knowledge: &'a Knowledge,
) -> Result<(Compilation<'a>, Vec<StandEstimates>), Missing> {
    let equations = equations(design, records, knowledge)?;
    let biomass_equations = biomass_equations(design, records, knowledge)?;
    let chosen = ChosenEquations {
        volume: &equations,
        biomass: &biomass_equations,
    };
    let summed = summed(design, records, chosen);
    let of_all: Option<CurveSet> = (design.heights.fit_by == FitBy::Cruise).then(|| {
        let all: Vec<&Stand> = records.stands.iter().collect();
        fit(&all, design, &records.species, knowledge)
    });
    let compiled = records.stands.par_iter().enumerate().map(|(at, stand)| {
        let heights = match &of_all {
            Some(curves) => curves.fill(at, stand),
            None => fit(&[stand], design, &records.species, knowledge).fill(0, stand),
        };
        let compiled = compile_stand(stand, heights, design, records, knowledge, chosen);
        let estimates = estimate_stand(design, records, at, &compiled.values, &summed);
        (compiled, estimates)
    });
    let (stands, estimates) = compiled.unzip();
    let compilation = Compilation {
        design,
        records,
        knowledge,
        equations,
        biomass_equations,
        summed,
        stands,
        estimates: CruiseEstimates::default(),
    };
    Ok((compilation, estimates))
}

/// What is estimated: all that the design asks for and the equations of the cruise can give.
fn summed(design: &Design, records: &Records, chosen: ChosenEquations<'_>) -> Summed {
    let has_volume = design.volume.is_some();
    let merchantable = has_volume
        && design
            .volume
            .as_ref()
            .is_some_and(|v| v.merchantable.is_some());
    let has_part = |part: fn(&ComponentRows) -> Option<usize>| {
        chosen.biomass.iter().any(|equation| match &equation.rows {
            BiomassRows::Components(rows) => part(rows).is_some(),
            BiomassRows::National { .. } => true,
        })
    };
    Summed::only(|column| match column {
        Column::Trees
        | Column::BasalArea
        | Column::MeasuredBasalArea
        | Column::StandDensityIndexSummed
        | Column::Height
        | Column::BasalAreaHeight => true,
        Column::VolumeTotal => has_volume,
        Column::VolumeMerch => merchantable,
        Column::VolumeNet => has_volume && records.any_defect,
        Column::VolumeBark => chosen.volume.iter().any(|of| of.chosen.bark.is_some()),
        Column::Biomass | Column::Carbon => design.biomass.is_some(),
        Column::BiomassWood => has_part(|rows| rows.wood),
        Column::BiomassBark => has_part(|rows| rows.bark),
        Column::BiomassBranches => has_part(|rows| rows.branch),
        Column::BiomassFoliage => has_part(|rows| rows.foliage),
    })
}

fn equations(
    design: &Design,
    records: &Records,
    knowledge: &Knowledge,
) -> Result<Vec<SpeciesEquation>, Missing> {
    let (Some(volume), Some(set)) = (&design.volume, &knowledge.volume) else {
        return Ok(Vec::new());
    };
    let aliases = &design.species_aliases;
    let one = |species: &CruiseSpecies| {
        equation_for(set, volume, &knowledge.species, aliases, species.id)
    };
    records.species.iter().map(one).collect()
}

fn biomass_equations(
    design: &Design,
    records: &Records,
    knowledge: &Knowledge,
) -> Result<Vec<BiomassEquation>, Missing> {
    let Some(biomass) = &design.biomass else {
        return Ok(Vec::new());
    };
    let (sets, table) = (&knowledge.biomass, &knowledge.species);
    let aliases = &design.species_aliases;
    let volume = design.volume.as_ref();
    let one = |species: &CruiseSpecies| {
        biomass_equation_for(sets, biomass, volume, table, aliases, species.id)
    };
    records.species.iter().map(one).collect()
}

fn fit(
    stands: &[&Stand],
    design: &Design,
    species: &[CruiseSpecies],
    knowledge: &Knowledge,
) -> CurveSet {
    let regional = knowledge.regional.as_ref();
    CurveSet::fit(
        stands,
        species,
        &knowledge.species,
        &design.heights,
        regional,
    )
}

/// The equations by species of the cruise.
#[derive(Clone, Copy)]
struct ChosenEquations<'e> {
    volume: &'e [SpeciesEquation],
    biomass: &'e [BiomassEquation],
}

fn compile_stand(
    stand: &Stand,
    heights: StandHeights,
    design: &Design,
    records: &Records,
    knowledge: &Knowledge,
    chosen: ChosenEquations<'_>,
) -> CompiledStand {
    let trees = || stand.trees().map(|(_, _, tree)| tree).zip(&heights.trees);
    let stems: Vec<Option<StemVolume>> = trees()
        .map(|(tree, height)| stem_of(knowledge, chosen, tree, height.height_m))
        .collect();
    let biomass: Vec<Option<StemBiomass>> = if chosen.biomass.is_empty() {
        Vec::new()
    } else {
        trees()
            .map(|(tree, height)| biomass_of(design, knowledge, chosen, tree, height.height_m))
            .collect()
    };
    let drawn = match design.heights.fill {
        Fill::Mean => Vec::new(),
        Fill::Draws { number, seed } => draw_stand(
            stand,
            &heights,
            &records.species,
            &design.heights,
            (number, seed),
            |tree, height_m| values_at(design, records, knowledge, chosen, tree, height_m),
        ),
    };
    let values = trees()
        .zip(&stems)
        .enumerate()
        .map(|(at, ((tree, height), stem))| {
            if let Some(Some(drawn)) = drawn.get(at) {
                return drawn.mean;
            }
            let biomass = biomass.get(at).and_then(Option::as_ref);
            tree_values(
                tree,
                height.height_m,
                stem.as_ref(),
                biomass,
                records.any_defect,
            )
        })
        .collect();
    let logs = logs_of(stand, records, knowledge, chosen.volume, &heights);
    CompiledStand {
        heights,
        stems,
        logs,
        biomass,
        drawn,
        values,
    }
}

/// What a tree holds at a height.
fn values_at(
    design: &Design,
    records: &Records,
    knowledge: &Knowledge,
    chosen: ChosenEquations<'_>,
    tree: &Tree,
    height_m: f64,
) -> TreeValues {
    let height_m = Some(height_m);
    let stem = stem_of(knowledge, chosen, tree, height_m);
    let biomass = biomass_of(design, knowledge, chosen, tree, height_m);
    let any_defect = records.any_defect;
    tree_values(tree, height_m, stem.as_ref(), biomass.as_ref(), any_defect)
}

/// The stem of one tree; `None` without a volume set or a height.
fn stem_of(
    knowledge: &Knowledge,
    chosen: ChosenEquations<'_>,
    tree: &Tree,
    height_m: Option<f64>,
) -> Option<StemVolume> {
    let set = knowledge.volume.as_ref();
    let (set, equation) = set.zip(chosen.volume.get(tree.species))?;
    Some(set.stem(&equation.chosen, &stem_input(tree, height_m?)))
}

/// The biomass of one tree; `None` without a biomass set, or without a height where one is needed.
fn biomass_of(
    design: &Design,
    knowledge: &Knowledge,
    chosen: ChosenEquations<'_>,
    tree: &Tree,
    height_m: Option<f64>,
) -> Option<StemBiomass> {
    let equation = chosen.biomass.get(tree.species)?;
    let set = knowledge.biomass.get(equation.set)?;
    set.tree(equation, &biomass_input(design, tree, height_m))
}

/// The logs of every tree of a stand.
fn logs_of(
    stand: &Stand,
    records: &Records,
    knowledge: &Knowledge,
    equations: &[SpeciesEquation],
    heights: &StandHeights,
) -> Vec<Option<Bucked>> {
    let wanted = knowledge.logs.as_ref().zip(knowledge.volume.as_ref());
    let one = |((_, _, tree), height): ((_, _, &Tree), &TreeHeight)| {
        let ((plan, set), equation) = wanted.zip(equations.get(tree.species))?;
        let input = stem_input(tree, height.height_m?);
        let of_tree = OfTree {
            species: records.species[tree.species].id,
            live: tree.status.is_live(),
        };
        tree_logs(plan, set, &equation.chosen, &input, of_tree)
    };
    stand.trees().zip(&heights.trees).map(one).collect()
}

/// Cuts one stem; `None` where no stem profile serves its species. A tree outside the domain of the
/// profile holds nothing, nor does one without diameters inside bark.
pub fn tree_logs(
    plan: &LogPlan,
    set: &VolumeSet,
    chosen: &Chosen,
    input: &StemInput,
    of_tree: OfTree,
) -> Option<Bucked> {
    let own = set.main_quantity() == Quantity::Profile || chosen.has_ratio_profile();
    if !own && chosen.borrowed.is_none() {
        return None;
    }
    let profile = set.profile(chosen, input);
    let Some(profile) = profile.filter(|profile| profile.has_basis(true)) else {
        return Some(Bucked::default());
    };
    let stem = Stem {
        dib_cm_at: &|height_m| profile.diameter_on_basis_cm(height_m, true),
        volume_m3_between: &|from_m, to_m| profile.wood_volume(from_m, to_m).value,
        tip_m: input.height_m,
        break_m: input.break_m(),
    };
    Some(plan.buck(&stem, input.dbh_cm, of_tree))
}

/// Sizes that go into the volume equation.
pub fn stem_input(tree: &Tree, height_m: f64) -> StemInput {
    StemInput {
        dbh_cm: tree.dbh_cm,
        height_m,
        broken_height_m: tree.broken_height_m,
    }
}

/// Sizes and state that go into the biomass equations.
pub fn biomass_input(design: &Design, tree: &Tree, height_m: Option<f64>) -> BiomassInput {
    let class = tree.status.decay_class();
    BiomassInput {
        dbh_cm: tree.dbh_cm,
        height_m,
        broken_height_m: tree.broken_height_m,
        status: tree.status,
        // Classes of another scale mean something else.
        decay_class: class
            .filter(|_| design.decay_classes.len() == N_DECAY_CLASSES)
            .and_then(|class| u8::try_from(class + 1).ok()),
        defect_pct: tree.defect_pct.unwrap_or(0.0),
        crown_ratio_pct: tree.crown_ratio_pct,
    }
}

fn tree_values(
    tree: &Tree,
    height_m: Option<f64>,
    stem: Option<&StemVolume>,
    biomass: Option<&StemBiomass>,
    any_defect: bool,
) -> TreeValues {
    let merchantable = stem.and_then(|stem| stem.merchantable_m3);
    let gross = merchantable.or(stem.and_then(|stem| stem.total_m3));
    let sound = 1.0 - tree.defect_pct.unwrap_or(0.0) / 100.0;
    let mass = biomass.map(|biomass| biomass.biomass);
    TreeValues {
        height_m,
        volume_total_m3: stem.and_then(|stem| stem.total_m3),
        volume_merch_m3: merchantable,
        volume_net_m3: gross.filter(|_| any_defect).map(|gross| gross * sound),
        volume_bark_m3: stem.and_then(|stem| stem.bark_m3),
        biomass_kg: mass.map(|mass| mass.total_kg),
        biomass_wood_kg: mass.and_then(|mass| mass.wood_kg),
        biomass_bark_kg: mass.and_then(|mass| mass.bark_kg),
        biomass_branch_kg: mass.and_then(|mass| mass.branch_kg),
        biomass_foliage_kg: mass.and_then(|mass| mass.foliage_kg),
        carbon_kg: mass.map(|mass| mass.carbon_kg),
    }
}

impl Compilation<'_> {
    /// What a tree of the cruise would hold if it were of another height, by the same functions.
    pub fn values_at(&self, tree: &Tree, height_m: f64) -> TreeValues {
        let chosen = ChosenEquations {
            volume: &self.equations,
            biomass: &self.biomass_equations,
        };
        let Compilation {
            design,
            records,
            knowledge,
            ..
        } = self;
        values_at(design, records, knowledge, chosen, tree, height_m)
    }

    /// Does the biomass of a species of the cruise need a height?
    pub fn biomass_needs_height(&self, species: usize) -> bool {
        self.biomass_equations.get(species).is_some_and(|equation| {
            let set = self.knowledge.biomass.get(equation.set);
            set.is_some_and(|set| set.needs_height(equation))
        })
    }

    /// Trees of a stand whose height cannot be given, by species of the cruise.
    pub fn without_height(&self, stand: usize) -> Vec<(usize, usize)> {
        let mut missing = vec![0; self.records.species.len()];
        let trees = self.records.stands[stand].trees();
        for ((_, _, tree), height) in trees.zip(&self.stands[stand].heights.trees) {
            if height.source == HeightSource::None && !tree.excluded {
                missing[tree.species] += 1;
            }
        }
        missing
            .into_iter()
            .enumerate()
            .filter(|(_, count)| *count > 0)
            .collect()
    }
}
