//! The tree list: every tree with its height and where that comes from, its volumes, what it
//! stands for, and flags.

use crate::compile::Compilation;
use crate::expansion::expand;
use crate::heights::{HeightSource, StandHeights, TreeHeight};
use crate::records::{HeightRecord, Status, Tree};
use crate::species::choose::SpeciesMatch;
use crate::stems::TreeValues;
use crate::stems::biomass::StemBiomass;
use crate::stems::volume::StemVolume;
use crate::tables::tidy::{Tidy, Value, decay_name};
use crate::units::{UnitSystem, basal_area_m2};

fn columns(units: UnitSystem) -> Vec<&'static str> {
    let [
        dbh,
        height,
        height_se,
        broken,
        per_area,
        basal_area,
        total,
        merch,
        net,
        bark,
    ] = match units {
        UnitSystem::Metric => [
            "dbh_cm",
            "height_m",
            "height_se_m",
            "broken_height_m",
            "trees_per_ha",
            "basal_area_m2",
            "volume_total_m3",
            "volume_merch_m3",
            "volume_net_m3",
            "volume_bark_m3",
        ],
        UnitSystem::Imperial => [
            "dbh_in",
            "height_ft",
            "height_se_ft",
            "broken_height_ft",
            "trees_per_ac",
            "basal_area_ft2",
            "volume_total_ft3",
            "volume_merch_ft3",
            "volume_net_ft3",
            "volume_bark_ft3",
        ],
    };
    vec![
        "stand",
        "stratum",
        "plot",
        "selection",
        "tree",
        "line",
        "species",
        "status",
        "decay_class",
        dbh,
        height,
        "height_source",
        height_se,
        broken,
        per_area,
        basal_area,
        total,
        merch,
        net,
        bark,
        "flags",
    ]
}

/// Further columns where biomass was asked for.
fn biomass_columns(units: UnitSystem) -> [&'static str; 6] {
    match units {
        UnitSystem::Metric => [
            "biomass_kg",
            "biomass_wood_kg",
            "biomass_bark_kg",
            "biomass_branches_kg",
            "biomass_foliage_kg",
            "carbon_kg",
        ],
        UnitSystem::Imperial => [
            "biomass_lb",
            "biomass_wood_lb",
            "biomass_bark_lb",
            "biomass_branches_lb",
            "biomass_foliage_lb",
            "carbon_lb",
        ],
    }
}

fn biomass_cells(values: &TreeValues, units: UnitSystem) -> [Value; 6] {
    [
        values.biomass_kg,
        values.biomass_wood_kg,
        values.biomass_bark_kg,
        values.biomass_branch_kg,
        values.biomass_foliage_kg,
        values.carbon_kg,
    ]
    .map(|kg| Value::maybe(kg.map(|kg| kg * units.mass().from_metric)))
}

/// Every tree with a record of its own; masses only where biomass was asked for.
pub fn tree_list(compilation: &Compilation<'_>) -> Tidy {
    let (design, units) = (compilation.design, compilation.design.units);
    let with_biomass = design.biomass.is_some();
    let mut rows = Vec::new();
    for (stand, compiled) in compilation.records.stands.iter().zip(&compilation.stands) {
        let trees = stand
            .trees()
            .zip(&compiled.heights.trees)
            .zip(&compiled.stems);
        let trees = trees.zip(&compiled.values).enumerate();
        for (at, ((((plot, visit, tree), height), stem), values)) in trees {
            let stratum = &stand.strata[plot.stratum];
            let expansion = expand(visit, tree, stratum.area_ha);
            let volume = |m3: Option<f64>| Value::maybe(m3.map(|v| v * units.volume().from_metric));
            let length = |m: Option<f64>| Value::maybe(m.map(|v| v * units.length().from_metric));
            let (status, decay) = match tree.status {
                Status::Live => ("live", Value::Empty),
                Status::Dead { decay_class } => (
                    "dead",
                    decay_class
                        .map_or(Value::Empty, |class| Value::word(decay_name(class, design))),
                ),
            };
            // ft2 per tree: the per-area factor without its area.
            let basal_area = basal_area_m2(tree.dbh_cm) * units.basal_area_per_area().from_metric
                / units.count_per_area().from_metric;
            let biomass = compiled.biomass.get(at).and_then(Option::as_ref);
            let mut told = flags(compilation, tree, *height, stem.as_ref(), &compiled.heights);
            told.extend(biomass_flags(compilation, tree, biomass));
            let mut row = vec![
                Value::word(&stand.name),
                Value::word(&stratum.name),
                Value::word(&plot.name),
                Value::word(&design.selections[visit.selection].name),
                Value::word(tree.number.as_str()),
                Value::Count(tree.line),
                Value::word(&compilation.records.species[tree.species].label),
                Value::word(status),
                decay,
                Value::Number(tree.dbh_cm * units.diameter().from_metric),
                length(height.height_m),
                Value::word(source_word(height.source)),
                length(tree.height.std_error_m(&design.heights.instrument)),
                length(tree.broken_height_m),
                Value::maybe(
                    expansion.map(|e| e.trees_per_ha * units.count_per_area().from_metric),
                ),
                Value::Number(basal_area),
                volume(values.volume_total_m3),
                volume(values.volume_merch_m3),
                volume(values.volume_net_m3),
                volume(values.volume_bark_m3),
                Value::word(told.join("; ")),
            ];
            if with_biomass {
                row.extend(biomass_cells(values, units));
            }
            rows.push(row);
        }
    }
    let mut columns = columns(units);
    if with_biomass {
        columns.extend(biomass_columns(units));
    }
    Tidy { columns, rows }
}

/// Word for the source of a height.
pub fn source_word(source: HeightSource) -> &'static str {
    match source {
        HeightSource::Measured => "measured",
        HeightSource::Instrument => "instrument",
        HeightSource::SpeciesCurve(_) => "species curve",
        HeightSource::RatioCurve(_) => "ratio to another species",
        HeightSource::PooledCurve(_) => "pooled curve",
        HeightSource::RegionalCurve(_) => "regional curve",
        HeightSource::None => "none",
    }
}

/// What to know about a tree.
pub fn flags(
    compilation: &Compilation<'_>,
    tree: &Tree,
    height: TreeHeight,
    stem: Option<&StemVolume>,
    heights: &StandHeights,
) -> Vec<&'static str> {
    let mut flags = Vec::new();
    let mut flag = |when: bool, words: &'static str| {
        if when {
            flags.push(words);
        }
    };
    flag(tree.excluded, "outside the dbh limits of the selection");
    if let HeightRecord::Instrument(reading) = tree.height {
        flag(reading.is_steep(), "steep reading");
        flag(
            reading.is_short_baseline(),
            "baseline shorter than the tree",
        );
        flag(reading.hidden_top_m > 0.0, "hidden top");
        flag(reading.top_offset_m > 0.0, "leaning");
    }
    flag(
        heights.is_extrapolated(height.source, tree.dbh_cm),
        "height curve extrapolated",
    );
    flag(tree.broken_height_m.is_some(), "broken");
    flag(height.raised_to_break, "height raised to the break");
    if let Some(stem) = stem {
        flag(
            stem.out_of_range,
            "outside the range of the volume equation",
        );
        flag(stem.bark_out_of_range, "outside the range of the bark set");
        flag(stem.break_ignored, "break not deducted");
    }
    if let Some(equation) = compilation.equations.get(tree.species) {
        let stands_in = equation.substitute.is_some()
            || matches!(
                equation.chosen.species_match,
                SpeciesMatch::Genus | SpeciesMatch::SpeciesGroup
            );
        flag(stands_in, "volume equation of another species");
        flag(
            !equation.chosen.marks.is_empty(),
            "volume equation with a doubt",
        );
    }
    flags
}

/// What to know about the biomass of a tree.
pub fn biomass_flags(
    compilation: &Compilation<'_>,
    tree: &Tree,
    biomass: Option<&StemBiomass>,
) -> Vec<&'static str> {
    let equation = compilation.biomass_equations.get(tree.species);
    let (Some(biomass), Some(equation)) = (biomass, equation) else {
        return Vec::new();
    };
    let stands_in = equation.substitute.is_some()
        || matches!(
            equation.chosen.species_match,
            SpeciesMatch::Genus | SpeciesMatch::SpeciesGroup
        );
    let doubtful = !equation.chosen.marks.is_empty();
    [
        (
            biomass.out_of_range,
            "outside the range of the biomass equation",
        ),
        (biomass.decay_ignored, "decay not deducted from biomass"),
        (biomass.break_ignored, "break not deducted from biomass"),
        (stands_in, "biomass equation of another species"),
        (doubtful, "biomass equation with a doubt"),
    ]
    .into_iter()
    .filter_map(|(when, words)| when.then_some(words))
    .collect()
}
