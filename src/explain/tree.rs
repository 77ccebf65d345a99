//! How the figures of one tree come about: its height, its volume, what it stands for, what it
//! adds per hectare.
//!
//! In: a compilation and which tree. Out: a report of derivations, metric as they are computed.

use crate::compile::{Compilation, biomass_input, stem_input};
use crate::design::Fill;
use crate::diagnostic::Diagnostic;
use crate::expansion::{self, expand};
use crate::heights::HeightSource;
use crate::records::{HeightRecord, Plot, Stand, Status, Tree, Visit};
use crate::tables::tidy::decay_name;
use crate::tables::trees::{biomass_flags, flags, source_word};
use crate::tables::{Block, Report};
use crate::units::KG_PER_T;

/// Which tree is asked for.
#[derive(Clone, Debug)]
pub struct Asked<'a> {
    /// Stand, if given.
    pub stand: Option<&'a str>,
    /// Plot.
    pub plot: &'a str,
    /// Selection, if given.
    pub selection: Option<&'a str>,
    /// Tree number.
    pub tree: &'a str,
}

struct Found<'a> {
    stand_index: usize,
    tree_index: usize,
    stand: &'a Stand,
    plot: &'a Plot,
    visit: &'a Visit,
    tree: &'a Tree,
}

/// The derivation of every tree that fits (a number may stand in two selections of a plot).
pub fn explain(compilation: &Compilation<'_>, asked: &Asked<'_>) -> Result<Report, Diagnostic> {
    let found = find(compilation, asked);
    if found.is_empty() {
        return Err(not_found(compilation, asked));
    }
    let mut report = Report::new(format!(
        "{}: tree {} of plot {}",
        compilation.design.title, asked.tree, asked.plot
    ));
    for tree in &found {
        one_tree(compilation, tree, &mut report);
    }
    Ok(report)
}

fn find<'a>(compilation: &Compilation<'a>, asked: &Asked<'_>) -> Vec<Found<'a>> {
    let records = compilation.records;
    let same = |a: &str, b: &str| a.eq_ignore_ascii_case(b);
    let mut found = Vec::new();
    for (stand_index, stand) in records.stands.iter().enumerate() {
        if asked.stand.is_some_and(|name| !same(name, &stand.name)) {
            continue;
        }
        for (tree_index, (plot, visit, tree)) in stand.trees().enumerate() {
            let selection = &compilation.design.selections[visit.selection].name;
            if same(&plot.name, asked.plot)
                && same(&tree.number, asked.tree)
                && asked.selection.is_none_or(|name| same(name, selection))
            {
                found.push(Found {
                    stand_index,
                    tree_index,
                    stand,
                    plot,
                    visit,
                    tree,
                });
            }
        }
    }
    found
}

fn not_found(compilation: &Compilation<'_>, asked: &Asked<'_>) -> Diagnostic {
    let records = compilation.records;
    let on_plot: Vec<&str> = records
        .stands
        .iter()
        .flat_map(Stand::trees)
        .filter(|(plot, ..)| plot.name.eq_ignore_ascii_case(asked.plot))
        .map(|(_, _, tree)| tree.number.as_str())
        .collect();
    let message = format!("there is no tree `{}` on plot `{}`", asked.tree, asked.plot);
    let hint = if on_plot.is_empty() {
        let plots = records.stands.iter().flat_map(|stand| &stand.plots);
        let names: Vec<&str> = plots.map(|plot| plot.name.as_str()).collect();
        if names.contains(&asked.plot) {
            "this plot has no tree records".to_owned()
        } else {
            format!("plots: {}", names.join(", "))
        }
    } else {
        format!("its trees: {}", on_plot.join(", "))
    };
    Diagnostic::error("unknown-tree", message).hint(hint)
}

fn one_tree(compilation: &Compilation<'_>, found: &Found<'_>, report: &mut Report) {
    let Found {
        plot, visit, tree, ..
    } = *found;
    let compiled = &compilation.stands[found.stand_index];
    let selection = &compilation.design.selections[visit.selection].name;
    let height = compiled.heights.trees[found.tree_index];
    let stem = compiled.stems[found.tree_index].as_ref();
    let name = |step: &str| {
        format!(
            "{step} (selection {selection}, line {} of the trees)",
            tree.line
        )
    };
    report.section(
        name("Recorded"),
        vec![Block::Lines(recorded(compilation, found))],
    );
    report.section(
        "Height",
        vec![Block::Lines(height_lines(compilation, found))],
    );
    let volume = volume_lines(compilation, tree, height.height_m);
    report.section("Volume", vec![Block::Lines(volume)]);
    if let (Some(plan), Some(bucked)) = (
        &compilation.knowledge.logs,
        &compiled.logs[found.tree_index],
    ) {
        let mut logs: Vec<String> = log_bark_line(compilation, tree, height.height_m)
            .into_iter()
            .collect();
        logs.extend(plan.derivation(bucked, tree.defect_pct));
        report.section("Logs", vec![Block::Lines(logs)]);
    }
    report.section(
        "Biomass",
        vec![Block::Lines(biomass_lines(
            compilation,
            tree,
            height.height_m,
        ))],
    );
    let stratum = &found.stand.strata[plot.stratum];
    let expansion = expansion::derivation(visit, tree, stratum.area_ha);
    report.section("What it stands for", vec![Block::Lines(expansion)]);
    report.section("What it adds", vec![Block::Lines(adds(compilation, found))]);
    let biomass = compiled.biomass.get(found.tree_index).copied().flatten();
    let mut flags = flags(compilation, tree, height, stem, &compiled.heights);
    flags.extend(biomass_flags(compilation, tree, biomass.as_ref()));
    report.section(
        "Flags",
        vec![Block::List(flags.into_iter().map(str::to_owned).collect())],
    );
}

fn recorded(compilation: &Compilation<'_>, found: &Found<'_>) -> Vec<String> {
    let Found {
        stand, plot, tree, ..
    } = *found;
    let species = &compilation.records.species[tree.species];
    let known = compilation.knowledge.species.get(species.id);
    let stratum = &stand.strata[plot.stratum].name;
    let mut place = format!(
        "stand {}, plot {}, tree {}",
        stand.name, plot.name, tree.number
    );
    if !stratum.is_empty() {
        place += &format!(", stratum {stratum}");
    }
    let status = match tree.status {
        Status::Live => "live".to_owned(),
        Status::Dead { decay_class: None } => "dead, decay class not recorded".to_owned(),
        Status::Dead {
            decay_class: Some(class),
        } => {
            format!(
                "dead, decay class {}",
                decay_name(class, compilation.design)
            )
        }
    };
    vec![
        place,
        format!(
            "species {}: {}, {}",
            species.label, known.common_name, known.scientific_name
        ),
        format!("dbh {} cm, {status}", rounded(tree.dbh_cm)),
    ]
}

fn height_lines(compilation: &Compilation<'_>, found: &Found<'_>) -> Vec<String> {
    let tree = found.tree;
    let heights = &compilation.stands[found.stand_index].heights;
    let height = heights.trees[found.tree_index];
    let error = &compilation.design.heights.instrument;
    let mut lines = vec![format!("source: {}", source_word(height.source))];
    match (height.source, &tree.height) {
        (HeightSource::Instrument, HeightRecord::Instrument(reading)) => {
            lines.extend(reading.derivation(error));
        }
        (HeightSource::Measured | HeightSource::Instrument, record) => {
            let error = record.std_error_m(error).map_or_else(
                || "its error is not known".to_owned(),
                |error_m| format!("standard error {error_m:.2} m, as the design says"),
            );
            lines.push(format!("recorded as a height; {error}"));
        }
        (HeightSource::None, _) => {
            lines.push("no height was measured and no curve serves".to_owned());
        }
        _ => lines.extend(heights.derivation(height.source, tree.dbh_cm, height.place)),
    }
    if height.raised_to_break {
        lines.push("the stem is broken off higher up: the height of the break is taken".to_owned());
    }
    if let Some(height_m) = height.height_m {
        lines.push(format!("total height: {height_m:.4} m"));
    }
    if let Some(broken_m) = tree.broken_height_m {
        lines.push(format!("broken off at {} m", rounded(broken_m)));
    }
    lines
}

fn volume_lines(compilation: &Compilation<'_>, tree: &Tree, height_m: Option<f64>) -> Vec<String> {
    let Some(set) = &compilation.knowledge.volume else {
        return vec!["the design names no volume set".to_owned()];
    };
    let (Some(height_m), Some(equation)) = (height_m, compilation.equations.get(tree.species))
    else {
        return vec!["without a height there is no volume".to_owned()];
    };
    let mut lines = Vec::new();
    if let Some(substitute) = equation.substitute {
        lines.push(format!(
            "the design lets {} stand in for this species",
            compilation.knowledge.species.get(substitute).label()
        ));
    }
    lines.extend(set.derivation(&equation.chosen, &stem_input(tree, height_m)));
    lines
}

/// How logs come from a stem outside bark, where that is so.
fn log_bark_line(
    compilation: &Compilation<'_>,
    tree: &Tree,
    height_m: Option<f64>,
) -> Option<String> {
    let set = compilation.knowledge.volume.as_ref()?;
    let equation = compilation.equations.get(tree.species)?;
    set.log_bark_line(&equation.chosen, &stem_input(tree, height_m?))
}

/// Nothing where the design names no biomass set.
fn biomass_lines(compilation: &Compilation<'_>, tree: &Tree, height_m: Option<f64>) -> Vec<String> {
    let Some(equation) = compilation.biomass_equations.get(tree.species) else {
        return Vec::new();
    };
    let Some(set) = compilation.knowledge.biomass.get(equation.set) else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if let Some(substitute) = equation.substitute {
        lines.push(format!(
            "the design lets {} stand in for this species",
            compilation.knowledge.species.get(substitute).label()
        ));
    }
    lines.extend(set.derivation(equation, &biomass_input(compilation.design, tree, height_m)));
    lines
}

fn adds(compilation: &Compilation<'_>, found: &Found<'_>) -> Vec<String> {
    let Found {
        stand,
        plot,
        visit,
        tree,
        ..
    } = *found;
    let stratum = &stand.strata[plot.stratum];
    let Some(expansion) = expand(visit, tree, stratum.area_ha) else {
        return vec!["the area of the stratum is not known".to_owned()];
    };
    let values = &compilation.stands[found.stand_index].values[found.tree_index];
    let selection = &compilation.design.selections[visit.selection].name;
    let plots = stand
        .plots
        .iter()
        .filter(|other| other.stratum == plot.stratum)
        .filter(|other| other.visits.iter().any(|v| v.selection == visit.selection))
        .count();
    let mut lines = vec![format!(
        "to the plot: {:.4} trees/ha, {:.4} m2/ha",
        expansion.trees_per_ha, expansion.basal_area_m2_per_ha
    )];
    if let (Fill::Draws { number, seed }, Some(Some(_))) = (
        compilation.design.heights.fill,
        compilation.stands[found.stand_index]
            .drawn
            .get(found.tree_index),
    ) {
        lines.push(format!(
            "its height was drawn {number} times about the curve (seed {seed}): volumes and masses \
             below are means over the draws, not those at the mean height above"
        ));
    }
    for (name, volume) in [
        ("total volume", values.volume_total_m3),
        ("merchantable volume", values.volume_merch_m3),
        ("net volume", values.volume_net_m3),
        ("bark volume", values.volume_bark_m3),
    ] {
        if let Some(m3) = volume {
            let per_ha = m3 * expansion.trees_per_ha;
            lines.push(format!(
                "to the plot: {m3:.5} m3 x {:.4} trees/ha = {per_ha:.4} m3/ha of {name}",
                expansion.trees_per_ha
            ));
        }
    }
    for (name, mass) in [("biomass", values.biomass_kg), ("carbon", values.carbon_kg)] {
        if let Some(kg) = mass {
            let per_ha = kg * expansion.trees_per_ha / KG_PER_T;
            lines.push(format!(
                "to the plot: {kg:.3} kg x {:.4} trees/ha = {per_ha:.4} t/ha of {name}",
                expansion.trees_per_ha
            ));
        }
    }
    let where_ = if stratum.name.is_empty() {
        "stand".to_owned()
    } else {
        format!("stratum {}", stratum.name)
    };
    lines.push(format!(
        "to the mean of the {where_}: each of these divided by {plots}, its number of plots with selection {selection}"
    ));
    lines
}

fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}
