//! Biomass and carbon: the figures of a selection, and which equations serve which species.

use crate::compile::Compilation;
use crate::design::SelectionIndex;
use crate::diagnostic::counted;
use crate::estimates::{Attribute, StatusDomain};
use crate::species::biomass::{BiomassEquation, BiomassSet};
use crate::species::choose::SpeciesMatch;
use crate::stems::biomass::StemBiomass;
use crate::tables::figures::{self, MASSES_BY_SPECIES};
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::{Block, Cell, Column, Table, percent, plain};

/// The components and carbon of live and of dead trees, their totals, and the same by species.
pub fn blocks(
    compilation: &Compilation<'_>,
    lookup: &Lookup<'_>,
    scope: Scope<'_>,
    selection: SelectionIndex,
) -> Vec<Block> {
    let (design, records) = (compilation.design, compilation.records);
    let mut blocks = Vec::new();
    for (status, words) in [
        (StatusDomain::Live, "live trees"),
        (StatusDomain::Dead, "snags (standing dead trees)"),
    ] {
        let everything = figures::everything(status);
        let mut masses = lookup.attributes(scope, selection, everything);
        masses.retain(|attribute| attribute.is_mass());
        let mut table = figures::stand_figures(lookup, design, scope, selection, status, &masses);
        table.caption = format!("Oven-dry mass above ground, {words}");
        blocks.push(Block::Table(table.without_empty_columns()));
        if status == StatusDomain::Live {
            let totals = figures::totals(lookup, design, scope, selection, &masses);
            blocks.push(Block::Table(totals));
        }
        if masses.contains(&Attribute::Biomass) {
            let wanted = MASSES_BY_SPECIES;
            let mut table =
                figures::by_species(lookup, design, records, scope, selection, status, wanted);
            table.caption = format!("By species, {words}: {}", table.caption);
            blocks.push(Block::Table(table.without_empty_columns()));
        }
    }
    blocks
}

/// The sets, their equations by species, and what to know about them.
pub fn equations(compilation: &Compilation<'_>) -> Vec<Block> {
    if compilation.biomass_equations.is_empty() {
        return Vec::new();
    }
    let mut facts = Vec::new();
    for set in serving(compilation) {
        facts.extend(set_facts(set));
    }
    facts.push(carbon_words(compilation));
    facts.push("CO2 equivalent: carbon x 44/12 (IPCC 2006 guidelines)".to_owned());
    facts.extend(cautions(compilation));
    vec![Block::List(facts), Block::Table(by_species(compilation))]
}

/// The sets that serve a species of the cruise.
fn serving<'c>(compilation: &'c Compilation<'_>) -> impl Iterator<Item = &'c BiomassSet> {
    let sets = compilation.knowledge.biomass.iter().enumerate();
    sets.filter(|(index, _)| {
        let serves = |equation: &BiomassEquation| equation.set == *index;
        compilation.biomass_equations.iter().any(serves)
    })
    .map(|(_, set)| set)
}

fn set_facts(set: &BiomassSet) -> Vec<String> {
    let equations = set.equations();
    let head = &equations.head;
    let mut facts = vec![
        format!("{}: {}", equations.name, head.title),
        format!("{} ({})", head.citation, head.obtained.words()),
        format!("biomass includes: {}", head.total_includes),
        format!("valid range: {}", head.range.source),
        format!("error of the equations: {}", head.error.statement),
    ];
    if let BiomassSet::National(national) = set {
        let wood = &national.wood;
        facts.push(format!("wood: {}; {}", wood.title, wood.specific_gravity));
        facts.push(format!("{} ({})", wood.citation, wood.obtained.words()));
    }
    facts
}

fn carbon_words(compilation: &Compilation<'_>) -> String {
    let own = compilation
        .design
        .biomass
        .as_ref()
        .and_then(|biomass| biomass.carbon_fraction);
    if let Some(fraction) = own {
        return format!(
            "carbon: {} of dry mass, given in the design",
            plain(fraction)
        );
    }
    let mut words: Vec<String> = Vec::new();
    for set in serving(compilation) {
        let of_set = match (set.carbon_fraction(), set) {
            (Some(own), _) => format!("{} of dry mass, {}", plain(own.value), own.source),
            (None, BiomassSet::National(_)) => {
                format!("{}: by species, of snags by decay class", set.name())
            }
            (None, BiomassSet::Components(_)) => continue,
        };
        if !words.contains(&of_set) {
            words.push(of_set);
        }
    }
    format!("carbon: {}", words.join("; "))
}

/// What was left out of account, and how many trees it touches.
fn cautions(compilation: &Compilation<'_>) -> Vec<String> {
    let trees = || {
        let stands = compilation.stands.iter();
        stands.flat_map(|stand| stand.biomass.iter().flatten())
    };
    let count = |touched: fn(&StemBiomass) -> bool| trees().filter(|tree| touched(tree)).count();
    let mut facts = Vec::new();
    let outside = count(|tree| tree.out_of_range);
    if outside > 0 {
        let mass = |all: bool| {
            let counted = trees().filter(|tree| all || tree.out_of_range);
            counted.fold(0.0, |sum, tree| sum + tree.biomass.total_kg)
        };
        let share = if mass(true) > 0.0 {
            mass(false) / mass(true)
        } else {
            0.0
        };
        facts.push(format!(
            "{outside} trees are outside the valid range: their masses are extrapolated ({} % of \
             the mass of the measured trees)",
            percent((share * 1e3).round() / 1e3)
        ));
    }
    let undecayed = count(|tree| tree.decay_ignored);
    if undecayed > 0 {
        facts.push(format!(
            "{}: foliage is left out where the set gives it; no decay is \
             deducted, because {}, so their mass is too large",
            counted(undecayed, "dead tree"),
            reasons(
                compilation,
                "none is published with the set",
                "they have no decay class"
            )
        ));
    }
    let whole = count(|tree| tree.break_ignored);
    if whole > 0 {
        facts.push(format!(
            "{} with the mass of the whole tree, which is too large, because {}",
            counted(whole, "broken tree"),
            reasons(
                compilation,
                "the set does not tell where it lies",
                "it is not known how much of their crown is left (live trees: `crown_ratio_pct` \
                 of trees.csv; snags: `biomass: province`)"
            )
        ));
    }
    facts
}

/// Why something was left out of account: of component sets, of the national-scale system.
fn reasons(compilation: &Compilation<'_>, components: &str, national: &str) -> String {
    let has = |wanted: fn(&BiomassSet) -> bool| serving(compilation).any(wanted);
    let of_components = has(|set| matches!(set, BiomassSet::Components(_)));
    let of_national = has(|set| matches!(set, BiomassSet::National(_)));
    match (of_components, of_national) {
        (true, true) => format!("{components}, or {national}"),
        (false, true) => national.to_owned(),
        _ => components.to_owned(),
    }
}

pub(super) fn by_species(compilation: &Compilation<'_>) -> Table {
    let table = &compilation.knowledge.species;
    let columns = vec![
        Column::words("species"),
        Column::words("name"),
        Column::words("set"),
        Column::words("equation"),
        Column::words("how"),
    ];
    let mut list = Table::new("", 1, columns);
    let species = compilation.records.species.iter();
    for (species, equation) in species.zip(&compilation.biomass_equations) {
        let set = compilation.knowledge.biomass.get(equation.set);
        let how = match (equation.substitute, equation.chosen.species_match) {
            (Some(substitute), _) => format!("SUBSTITUTE: {}", table.get(substitute).label()),
            (None, SpeciesMatch::Own) => "own".to_owned(),
            (None, SpeciesMatch::PublishedGroup) => "published for its group".to_owned(),
            (None, SpeciesMatch::Genus) => "FALLBACK: genus".to_owned(),
            (None, SpeciesMatch::SpeciesGroup) => "FALLBACK: species group".to_owned(),
        };
        list.rows.push(vec![
            Cell::text(&species.label),
            Cell::text(&table.get(species.id).common_name),
            Cell::text(set.map_or("", BiomassSet::name)),
            Cell::text(&equation.chosen.label),
            Cell::text(how),
        ]);
        for mark in &equation.chosen.marks {
            list.remarks.push(format!("{}: {mark}", species.label));
        }
    }
    list
}
