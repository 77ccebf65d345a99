//! Which equation serves which species of the cruise, with its publication.

use crate::compile::Compilation;
use crate::records::Stand;
use crate::species::choose::{MerchantableBy, RegionMatch, SpeciesMatch};
use crate::tables::{Block, Cell, Column, Table, extrapolation, stands_of};

/// The set, its equations by species, and how much of one stand (or of all) rests on extrapolation.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let Some(set) = &compilation.knowledge.volume else {
        return Vec::new();
    };
    let mut facts = vec![
        format!(
            "{}: {}; {}",
            set.name,
            set.head.title,
            set.head.bark.words()
        ),
        format!("{} ({})", set.head.citation, set.head.obtained.words()),
        format!("total volume includes: {}", set.head.total_includes),
        format!("valid range: {}", set.head.range.source),
        format!("error of the equations: {}", set.head.error.statement),
    ];
    if let Some(profiles) = &set.profiles {
        let used = any_broken(compilation)
            || compilation.equations.iter().any(|equation| {
                matches!(
                    equation.chosen.merchantable,
                    Some((_, MerchantableBy::BorrowedShare))
                )
            });
        if used {
            facts.push(format!(
                "other merchantable limits and broken stems by the profiles of {}: {}",
                profiles.name, profiles.head.citation
            ));
        }
    }
    facts.extend(breaks(compilation, one));
    let mut blocks = vec![Block::List(facts), Block::Table(by_species(compilation))];
    blocks.extend(extrapolation::blocks(compilation, one));
    blocks
}

pub(super) fn by_species(compilation: &Compilation<'_>) -> Table {
    let table = &compilation.knowledge.species;
    let columns = vec![
        Column::words("species"),
        Column::words("name"),
        Column::words("equation"),
        Column::words("region"),
        Column::words("how"),
    ];
    let mut list = Table::new("", 1, columns);
    for (species, equation) in compilation
        .records
        .species
        .iter()
        .zip(&compilation.equations)
    {
        let chosen = &equation.chosen;
        let mut how = match chosen.species_match {
            SpeciesMatch::Own => "own",
            SpeciesMatch::PublishedGroup => "published for its group",
            SpeciesMatch::Genus => "FALLBACK: genus",
            SpeciesMatch::SpeciesGroup => "FALLBACK: species group",
        }
        .to_owned();
        if let Some(substitute) = equation.substitute {
            how = format!("SUBSTITUTE: {}", table.get(substitute).label());
        }
        let region = match (&chosen.region, chosen.region_match) {
            (Some(region), RegionMatch::Parent) => format!("{region} (no row for the zone)"),
            (Some(region), _) => region.clone(),
            (None, _) => "all".to_owned(),
        };
        list.rows.push(vec![
            Cell::text(&species.label),
            Cell::text(&table.get(species.id).common_name),
            Cell::text(&chosen.label),
            Cell::text(region),
            Cell::text(how),
        ]);
        for mark in &chosen.marks {
            list.remarks.push(format!("{}: {mark}", species.label));
        }
    }
    list
}

/// Broken trees that could not be cut, and snags for which no break was recorded.
fn breaks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<String> {
    let stems = || {
        let stands = stands_of(compilation, one);
        stands.flat_map(|(_, compiled)| compiled.stems.iter().flatten())
    };
    let mut facts = Vec::new();
    let uncut = stems().filter(|stem| stem.break_ignored).count();
    if uncut > 0 {
        facts.push(format!(
            "{uncut} broken trees have the volume of the whole stem: the set cannot tell where the \
             volume lies, so theirs is too large"
        ));
    }
    facts.extend(whole_snags(compilation, one));
    facts
}

fn any_broken(compilation: &Compilation<'_>) -> bool {
    let trees = compilation.records.stands.iter().flat_map(Stand::trees);
    trees
        .into_iter()
        .any(|(_, _, tree)| tree.broken_height_m.is_some())
}

/// Snags for which no break was recorded.
fn whole_snags(compilation: &Compilation<'_>, one: Option<usize>) -> Option<String> {
    let trees = stands_of(compilation, one).flat_map(|(stand, _)| stand.trees());
    let (mut whole, mut all) = (0, 0);
    for (_, _, tree) in trees.filter(|(_, _, tree)| !tree.status.is_live() && !tree.excluded) {
        all += 1;
        whole += usize::from(tree.broken_height_m.is_none());
    }
    (whole > 0).then(|| {
        format!(
            "{whole} of {all} dead trees have no broken height recorded: their volume is that of \
             a whole stem, sound throughout"
        )
    })
}
