//! Checked rows to [`Records`]: sorted, so that the order of rows in the files changes nothing.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use super::counts::CountSheet;
use super::plots::PlotList;
use super::records::Common;
use super::strata::StrataByStand;
use super::three_p;
use super::trees::{TreeRow, TreeSheet};
use crate::design::Design;
use crate::records::{Count, CruiseSpecies, Plot, Records, Stand, Tree, Visit, natural_order};
use crate::species::{SpeciesId, SpeciesTable};

/// Builds the records. Rows that are not complete are left out; there are none unless an error
/// was reported. Species are numbered as the whole cruise does, where its species are given.
pub(super) fn assemble(
    design: &Design,
    species: &SpeciesTable,
    strata: &StrataByStand,
    plots: &PlotList,
    trees: Option<&TreeSheet>,
    counts: Option<&CountSheet>,
    common: Option<&Common>,
) -> Records {
    let labels = match common {
        Some(common) => common.species.clone(),
        None => cruise_species(design, species, spellings(trees, counts)),
    };
    let index_of: BTreeMap<SpeciesId, usize> = labels
        .iter()
        .enumerate()
        .map(|(index, species)| (species.id, index))
        .collect();
    let mut visits = empty_visits(plots);
    let any_defect = trees.is_some_and(|sheet| sheet.columns.has_defects());
    if let Some(sheet) = trees {
        make_room(&mut visits, sheet);
        let spellings = sheet.spellings.list.iter();
        let species_of: Vec<Option<usize>> = spellings
            .map(|spelling| index_of.get(&spelling.id?).copied())
            .collect();
        for row in &sheet.rows {
            let species = row.species.and_then(|index| species_of[index]);
            let (Some(plot), Some(selection)) = (row.plot, row.selection) else {
                continue;
            };
            if let (Some(species), Some(dbh_cm), Some(visit)) =
                (species, row.dbh_cm, &mut visits[plot][selection])
            {
                visit.trees.push(tree(row, species, dbh_cm));
            }
        }
    }
    if let Some(sheet) = counts {
        for row in &sheet.rows {
            let id = row.species.and_then(|index| sheet.spellings.id(index));
            let species = id.and_then(|id| index_of.get(&id).copied());
            let (Some(plot), Some(selection)) = (row.plot, row.selection) else {
                continue;
            };
            if let (Some(species), Some(visit)) = (species, &mut visits[plot][selection]) {
                visit.counts.push(Count {
                    species,
                    status: row.status,
                    count: row.count,
                    prediction: row.prediction,
                    line: row.line,
                });
            }
        }
    }
    Records {
        species: labels,
        stands: build_stands(strata, plots, visits),
        any_defect,
    }
}

fn empty_visits(plots: &PlotList) -> Vec<Vec<Option<Visit>>> {
    let of_plot = |plot: &super::plots::PlotEntry| {
        let visits = plot.visits.iter().enumerate();
        visits
            .map(|(selection, entry)| {
                entry.as_ref().map(|entry| Visit {
                    selection,
                    rule: entry.rule.clone(),
                    slope_to_correct: entry.slope_to_correct,
                    plot_fraction: entry.plot_fraction,
                    trees: Vec::new(),
                    counts: Vec::new(),
                })
            })
            .collect()
    };
    plots.plots.iter().map(of_plot).collect()
}

/// Room for the trees of each visit.
fn make_room(visits: &mut [Vec<Option<Visit>>], sheet: &TreeSheet) {
    let selections = visits.first().map_or(0, Vec::len);
    let mut trees = vec![0; visits.len() * selections];
    for row in &sheet.rows {
        if let (Some(plot), Some(selection)) = (row.plot, row.selection) {
            trees[plot * selections + selection] += 1;
        }
    }
    for (visit, trees) in visits.iter_mut().flatten().zip(trees) {
        if let Some(visit) = visit {
            visit.trees.reserve_exact(trees);
        }
    }
}

fn tree(row: &TreeRow, species: usize, dbh_cm: f64) -> Tree {
    Tree {
        number: row.number.clone(),
        line: row.line,
        species,
        dbh_cm,
        status: row.status,
        height: row.height.record(),
        broken_height_m: row.height.broken_height_m,
        count: row.count,
        walkthrough: row.walkthrough,
        defect_pct: row.defect_pct,
        crown_ratio_pct: row.crown_ratio_pct,
        baf_m2_per_ha: row.baf_m2_per_ha,
        prediction: row.prediction,
        excluded: row.excluded,
    }
}

fn build_stands(
    strata: &StrataByStand,
    plots: &PlotList,
    mut visits: Vec<Vec<Option<Visit>>>,
) -> Vec<Stand> {
    let mut stands: Vec<Stand> = strata
        .iter()
        .map(|(name, strata)| Stand {
            name: name.clone(),
            strata: strata.clone(),
            plots: Vec::new(),
        })
        .collect();
    stands.sort_by(|a, b| natural_order(&a.name, &b.name));
    let index_of: BTreeMap<String, usize> = stands
        .iter()
        .enumerate()
        .map(|(index, stand)| (stand.name.clone(), index))
        .collect();
    for (plot, visits) in plots.plots.iter().zip(&mut visits) {
        let stand = &mut stands[index_of[plot.stand.as_str()]];
        let name = plot.stratum.as_deref().unwrap_or_default();
        let stratum = stand.strata.iter().position(|stratum| stratum.name == name);
        let mut visits: Vec<Visit> = visits.iter_mut().filter_map(Option::take).collect();
        for visit in &mut visits {
            visit.trees.sort_by(tree_order);
            visit.counts.sort_by(count_order);
        }
        stand.plots.push(Plot {
            name: plot.name.to_string(),
            stratum: stratum.unwrap_or(0),
            cluster: plot.cluster.as_ref().map(ToString::to_string),
            easting: plot.easting,
            northing: plot.northing,
            visits,
        });
    }
    for stand in &mut stands {
        stand.plots.sort_by(|a, b| natural_order(&a.name, &b.name));
        three_p::add_up(&mut stand.plots);
    }
    stands
}

fn tree_order(a: &Tree, b: &Tree) -> Ordering {
    let or_less = |value: Option<f64>| value.unwrap_or(-1.0);
    let values = |tree: &Tree| {
        [
            tree.dbh_cm,
            or_less(tree.height.height_m()),
            or_less(tree.broken_height_m),
            tree.count,
            tree.walkthrough,
            or_less(tree.defect_pct),
            or_less(tree.crown_ratio_pct),
            or_less(tree.baf_m2_per_ha),
            or_less(tree.prediction),
        ]
    };
    natural_order(&a.number, &b.number)
        .then_with(|| a.species.cmp(&b.species))
        .then_with(|| a.status.cmp(&b.status))
        .then_with(|| {
            let pairs = values(a).into_iter().zip(values(b));
            pairs
                .map(|(x, y)| x.total_cmp(&y))
                .find(|order| order.is_ne())
                .unwrap_or(Ordering::Equal)
        })
}

fn count_order(a: &Count, b: &Count) -> Ordering {
    (a.species, a.status)
        .cmp(&(b.species, b.status))
        .then_with(|| a.count.total_cmp(&b.count))
        .then_with(|| {
            let of = |count: &Count| count.prediction.unwrap_or(-1.0);
            of(a).total_cmp(&of(b))
        })
}

/// A spelling of a species, what it means and in how many rows it stands.
pub(super) type Spelled<'t> = (SpeciesId, &'t str, usize);

/// The spellings of both files that mean something.
pub(super) fn spellings<'s>(
    trees: Option<&'s TreeSheet>,
    counts: Option<&'s CountSheet>,
) -> impl Iterator<Item = Spelled<'s>> {
    let of_trees = trees.map(|sheet| &sheet.spellings.list);
    let of_counts = counts.map(|sheet| &sheet.spellings.list);
    let all = [of_trees, of_counts].into_iter().flatten().flatten();
    all.filter_map(|spelling| Some((spelling.id?, spelling.text.as_str(), spelling.rows)))
}

/// The species of the cruise with the labels that the design asks for, sorted by label.
pub(super) fn cruise_species<'t>(
    design: &Design,
    table: &SpeciesTable,
    spellings: impl Iterator<Item = Spelled<'t>>,
) -> Vec<CruiseSpecies> {
    let mut rows: BTreeMap<SpeciesId, BTreeMap<&str, usize>> = BTreeMap::new();
    for (id, text, count) in spellings {
        *rows.entry(id).or_default().entry(text).or_default() += count;
    }
    let mut species: Vec<CruiseSpecies> = rows
        .iter()
        .map(|(id, spellings)| {
            // The most frequent spelling; of equally frequent ones, the first of the alphabet.
            let recorded = spellings
                .iter()
                .max_by(|a, b| a.1.cmp(b.1).then_with(|| b.0.cmp(a.0)))
                .map_or("", |(text, _)| *text);
            let label = table.get(*id).code(design.species_codes);
            CruiseSpecies {
                label: label.unwrap_or_else(|| recorded.to_owned()),
                id: *id,
            }
        })
        .collect();
    separate_labels(&mut species, table);
    species.sort_by(|a, b| a.label.cmp(&b.label).then_with(|| a.id.cmp(&b.id)));
    species
}

/// No two species may share a label (one may lack a code of the system and be recorded under
/// the code of another): those that do get their scientific name beside it.
fn separate_labels(species: &mut [CruiseSpecies], table: &SpeciesTable) {
    let mut uses: BTreeMap<String, usize> = BTreeMap::new();
    for entry in species.iter() {
        *uses.entry(entry.label.to_lowercase()).or_default() += 1;
    }
    for entry in species {
        if uses[&entry.label.to_lowercase()] > 1 {
            let name = &table.get(entry.id).scientific_name;
            entry.label = format!("{} ({name})", entry.label);
        }
    }
}
