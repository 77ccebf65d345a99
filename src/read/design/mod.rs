//! The design file: YAML tree to a checked [`Design`], or every problem with its place.
//!
//! Keys are strict, quantities carry their unit in the key, and each default that is filled in
//! becomes a sentence of [`Design::defaults`].

mod biomass;
pub(crate) mod heights_volume;
mod inputs;
mod instrument;
pub(crate) mod intervals;
pub(crate) mod logs;
mod ratio_to;
pub(crate) mod sampling;
pub(crate) mod selections;
pub(crate) mod subsample;
mod walk;

use std::path::Path;

use crate::design::{Design, Measured, Merchantable, Method, SpeciesCodes, StatusCode};
use crate::diagnostic::{Diagnostic, Problems, Site, seen};
use crate::read::limits;
use crate::read::source::Source;
use crate::read::spellings::FULL_HINTS;
use crate::read::yaml::{Node, Step, locate, parse};
use crate::species::SpeciesTable;
use crate::units::{CM_PER_IN, Dimension, UnitSystem};
use walk::{Entry, Section, Walk};

/// Names that the design may refer to and that live elsewhere.
#[derive(Clone, Copy, Debug, Default)]
pub struct Known<'k> {
    /// Forms of the height curve.
    pub curve_forms: &'k [&'k str],
    /// Sets of volume equations.
    pub volume_sets: &'k [String],
    /// Sets of biomass equations.
    pub biomass_sets: &'k [String],
    /// Sets of bark ratios.
    pub bark_sets: &'k [String],
    /// Sets of published height curves.
    pub height_sets: &'k [String],
    /// Log rules.
    pub log_rules: &'k [String],
}

pub(crate) const UNITS: [(&str, UnitSystem); 2] = [
    ("metric", UnitSystem::Metric),
    ("imperial", UnitSystem::Imperial),
];

/// What a status code of the crew means, dead or not.
pub(crate) const STATUS: [(&str, bool); 2] = [("live", false), ("dead", true)];

pub(crate) const SPECIES_CODES: [(&str, SpeciesCodes); 7] = [
    ("as-recorded", SpeciesCodes::AsRecorded),
    ("bc", SpeciesCodes::BcInventory),
    ("national", SpeciesCodes::NationalInventory),
    ("plants", SpeciesCodes::Plants),
    ("fia", SpeciesCodes::Fia),
    ("scientific", SpeciesCodes::ScientificName),
    ("common", SpeciesCodes::CommonName),
];

/// Reads a design. `base` is the folder to which its paths are relative. The design is there only
/// if no error was found; warnings come with it.
pub fn read_design(source: &Source, base: &Path, known: &Known) -> (Option<Design>, Problems) {
    let node = match parse(source) {
        Ok(node) => node,
        Err(problems) => return (None, problems),
    };
    let mut walk = Walk::new(source);
    let design = read_root(&mut walk, &node, base, known);
    let problems = walk.problems.sorted();
    if problems.has_errors() {
        return (None, problems);
    }
    (design, problems)
}

/// Every map of a design that was read to its end: where it stands, and the keys asked for there.
#[cfg(test)]
pub(crate) fn asked_keys(source: &Source, known: &Known) -> Vec<(Vec<Step>, Vec<String>)> {
    let mut walk = Walk::new(source);
    if let Ok(node) = parse(source) {
        read_root(&mut walk, &node, Path::new(""), known);
    }
    walk.asked
}

/// The folder of the user's own species tables that a design names, joined to `base`: what must
/// be known before [`read_design`] can be told which names exist. Anything wrong is left for
/// [`read_design`] to report.
pub fn species_tables_folder(source: &Source, base: &Path) -> Option<String> {
    let node = parse(source).ok()?;
    let mut walk = Walk::new(source);
    let mut root = Section::open(&mut walk, &Entry::root(&node), "the design")?;
    let inputs = root.get(&mut walk, "inputs")?;
    let mut inputs = Section::open(&mut walk, &inputs, "`inputs`")?;
    let folder = inputs.get(&mut walk, "species_tables")?.text(&mut walk)?;
    Some(base.join(folder).to_string_lossy().into_owned())
}

/// Merchantable limits written as `stump_m=0.3,top_dib_cm=10`, with the keys of the design;
/// `shown` names the text in messages.
pub fn read_merchantable_limits(shown: &str, text: &str) -> Result<Merchantable, Problems> {
    let source = Source::new(shown, format!("{{{}}}", text.replace('=', ": ")));
    let at_the_option = |found: Problems| {
        let mut problems = Problems::new();
        for diagnostic in &found {
            problems.push(diagnostic.clone().at(source.whole()));
        }
        problems
    };
    let node = parse(&source).map_err(at_the_option)?;
    let mut walk = Walk::new(&source);
    match heights_volume::read_merchantable(&mut walk, &Entry::root(&node)) {
        Some(limits) if !walk.problems.has_errors() => Ok(limits),
        _ => Err(at_the_option(walk.problems)),
    }
}

/// Place of a value of the design by its keys (`["volume", "region"]`); of the whole file if it is
/// not there.
pub fn place_of(source: &Source, keys: &[&str]) -> Site {
    place_if_given(source, keys).unwrap_or_else(|| source.whole())
}

/// The place of the value under some keys; `None` where the design does not give it.
pub fn place_if_given(source: &Source, keys: &[&str]) -> Option<Site> {
    let mut node = &parse(source).ok()?;
    let mut path = Vec::new();
    for key in keys {
        let Node::Map(pairs) = node else { return None };
        let named = |(name, _): &(Node, Node)| name.scalar_text().as_deref() == Some(key);
        let at = pairs.iter().position(named)?;
        path.push(Step::Value(at));
        node = &pairs[at].1;
    }
    Some(locate(source, &path))
}

/// Checks the species that a design names (its aliases, substitutes and the like) against the
/// species table, at their places.
pub fn check_species(source: &Source, species: &SpeciesTable) -> Problems {
    let mut walk = Walk::new(source);
    if let Ok(node) = parse(source)
        && let Some(mut root) = Section::open(&mut walk, &Entry::root(&node), "the design")
    {
        let aliases = root
            .get(&mut walk, "species_aliases")
            .and_then(|entry| entry.pairs(&mut walk))
            .unwrap_or_default();
        let codes: Vec<String> = aliases.iter().map(|a| a.key.to_lowercase()).collect();
        for alias in &aliases {
            check_species_name(&mut walk, alias, species, &[]);
        }
        let mut substitutes = Vec::new();
        for (key, what) in [("volume", "`volume`"), ("biomass", "`biomass`")] {
            substitutes.extend(
                root.get(&mut walk, key)
                    .and_then(|entry| Section::open(&mut walk, &entry, what))
                    .and_then(|mut section| section.get(&mut walk, "substitute"))
                    .and_then(|entry| entry.pairs(&mut walk))
                    .unwrap_or_default(),
            );
        }
        for substitute in &substitutes {
            check_species_name(&mut walk, substitute, species, &codes);
            let key = &substitute.key;
            if species.lookup(key).is_none() && !codes.contains(&key.to_lowercase()) {
                let (message, hint) = unknown_species(&walk, species, key);
                substitute.key_error(&mut walk, "unknown-species", message, &hint);
            }
        }
        for name in logs::species_of_products(&mut walk, &mut root) {
            check_species_name(&mut walk, &name, species, &codes);
        }
        let aliases: Vec<(String, String)> = aliases
            .iter()
            .filter_map(|alias| Some((alias.key.to_lowercase(), alias.text(&mut walk)?)))
            .collect();
        ratio_to::check(&mut walk, &mut root, species, &aliases);
    }
    // Problems of the design itself are read_design's to report.
    let mut problems = Problems::new();
    for diagnostic in &walk.problems {
        if diagnostic.code == "unknown-species" || ratio_to::FAULTS.contains(&diagnostic.code) {
            problems.push(diagnostic.clone());
        }
    }
    problems.sorted()
}

fn check_species_name(walk: &mut Walk, entry: &Entry, species: &SpeciesTable, codes: &[String]) {
    if let Some(name) = entry.text(walk)
        && species.lookup(&name).is_none()
        && !codes.contains(&name.to_lowercase())
    {
        let (message, hint) = unknown_species(walk, species, &name);
        entry.error(walk, "unknown-species", message, &hint);
    }
}

/// A message about a name that means no species, and a hint.
fn unknown_species(walk: &Walk, species: &SpeciesTable, text: &str) -> (String, String) {
    let message = format!("no species is known as {}", seen(text));
    let hint = if walk.problems.len() < FULL_HINTS {
        nearest_species(species, text)
    } else {
        did_you_mean_species(&[])
    };
    (message, hint)
}

/// "did you mean `Fd`?", or what can be written.
pub(super) fn nearest_species(species: &SpeciesTable, text: &str) -> String {
    did_you_mean_species(&species.nearest(text))
}

/// The first three of some names as a question.
pub(super) fn did_you_mean_species(names: &[String]) -> String {
    let names: Vec<String> = names.iter().take(3).map(|name| seen(name)).collect();
    if names.is_empty() {
        String::from("write a code, a scientific or a common name of the species table")
    } else {
        format!("did you mean {}?", names.join(" or "))
    }
}

fn read_root(walk: &mut Walk, node: &Node, base: &Path, known: &Known) -> Option<Design> {
    let root = Entry::root(node);
    if *node == Node::Null {
        root.error(
            walk,
            "empty-file",
            String::from("the design is empty"),
            "it needs at least `inputs` and `selections`",
        );
        return None;
    }
    let mut map = Section::open(walk, &root, "the design")?;
    let title = read_title(walk, &mut map);
    let units = read_units(walk, &mut map);
    let confidence = intervals::read_confidence(walk, &mut map);
    let allowable_error_pct = intervals::read_allowable_error(walk, &mut map);
    let decay_classes = read_decay_classes(walk, &mut map);
    let status_codes = read_status_codes(walk, &mut map, &decay_classes);
    let species_aliases = read_aliases(walk, &mut map);
    let species_codes = map
        .get(walk, "species_codes")
        .and_then(|entry| entry.one_of(walk, &SPECIES_CODES))
        .unwrap_or(SpeciesCodes::AsRecorded);
    let selections_entry = map.required(
        walk,
        "selections",
        "say how trees were chosen, for example `selections: {fixed: {method: fixed-area, \
         radius_m: 7.98}}`",
    );
    let (mut heights, subsample) =
        heights_volume::read_heights(walk, &mut map, known, &species_aliases);
    let volume = heights_volume::read_volume(walk, &mut map, known);
    let logs_entry = map.get(walk, "logs");
    let biomass = biomass::read_biomass(walk, &mut map, known);
    let borrows = volume.is_some() || biomass.is_some();
    let selections = selections_entry
        .as_ref()
        .map(|entry| selections::read_selections(walk, entry, borrows))
        .unwrap_or_default();
    if let (Some(entry), Some(named)) = (subsample, &selections_entry) {
        heights.subsample = subsample::read_subsample(walk, &entry, named, &selections);
    }
    let sampling = sampling::read_sampling(walk, &mut map, &selections, selections_entry.as_ref());
    let inputs_entry = map.required(
        walk,
        "inputs",
        "name the record files, for example `inputs: {plots: plots.csv, trees: trees.csv}`",
    );
    let inputs = inputs_entry
        .as_ref()
        .map(|entry| inputs::read_inputs(walk, entry, base, &selections))
        .unwrap_or_default();
    if let Some(entry) = &inputs_entry {
        check_inputs_fit(walk, entry, &inputs, &selections);
    }
    let dbh_class_cm = read_tables(walk, &mut map, units);
    let intervals = intervals::read_intervals(walk, &mut map);
    let logs = logs_entry
        .and_then(|entry| logs::read_logs(walk, &entry, known, volume.is_some(), dbh_class_cm));
    map.finish(walk);
    Some(Design {
        title,
        units,
        confidence,
        allowable_error_pct,
        inputs,
        selections,
        sampling,
        status_codes,
        decay_classes,
        species_aliases,
        species_codes,
        heights,
        volume,
        logs,
        biomass,
        dbh_class_cm,
        intervals,
        defaults: std::mem::take(&mut walk.defaults),
    })
}

fn read_title(walk: &mut Walk, map: &mut Section) -> String {
    if let Some(entry) = map.get(walk, "title")
        && let Some(title) = entry.text(walk)
    {
        entry.note_formula(walk, &title);
        return title;
    }
    let stem = Path::new(walk.source.name())
        .file_stem()
        .map(|stem| stem.to_string_lossy().into_owned())
        .filter(|stem| !stem.is_empty() && stem != "-");
    let title = stem.unwrap_or_else(|| String::from("cruise"));
    walk.default(format!(
        "title: `{title}`, from the name of the design file"
    ));
    title
}

fn read_units(walk: &mut Walk, map: &mut Section) -> UnitSystem {
    if let Some(entry) = map.get(walk, "units") {
        return entry.one_of(walk, &UNITS).unwrap_or_default();
    }
    walk.default("units: results are printed in metric units");
    UnitSystem::Metric
}

fn read_decay_classes(walk: &mut Walk, map: &mut Section) -> Vec<String> {
    let usual = || (1..=5).map(|class| class.to_string()).collect();
    let Some(entry) = map.get(walk, "decay_classes") else {
        walk.default("decay_classes: 1 to 5");
        return usual();
    };
    let Some(items) = entry.list(walk) else {
        return usual();
    };
    let mut classes: Vec<String> = Vec::with_capacity(items.len());
    for item in &items {
        let Some(class) = item.text(walk) else {
            continue;
        };
        if classes.iter().any(|c| c.eq_ignore_ascii_case(&class)) {
            let message = format!("the decay class {} is there twice", seen(&class));
            item.error(walk, "value-twice", message, "remove one of them");
        } else {
            item.note_formula(walk, &class);
            classes.push(class);
        }
    }
    if items.is_empty() {
        entry.error(
            walk,
            "no-value",
            String::from("`decay_classes` is empty"),
            "list the names of the classes from sound to rotten, or remove the key",
        );
    }
    classes
}

fn read_status_codes(
    walk: &mut Walk,
    map: &mut Section,
    decay_classes: &[String],
) -> Vec<(String, StatusCode)> {
    let pairs = map
        .get(walk, "status_codes")
        .and_then(|entry| entry.pairs(walk))
        .unwrap_or_default();
    let mut codes = Vec::with_capacity(pairs.len());
    for entry in pairs {
        let code = entry.key.to_lowercase();
        if let Some(status) = read_status_code(walk, &entry, decay_classes) {
            codes.push((code, status));
        }
    }
    codes
}

fn read_status_code(
    walk: &mut Walk,
    entry: &Entry,
    decay_classes: &[String],
) -> Option<StatusCode> {
    if !matches!(entry.node, Node::Map(_)) {
        let dead = entry.one_of(walk, &STATUS)?;
        return Some(StatusCode {
            dead,
            decay_class: None,
        });
    }
    let what = format!("the status code {}", seen(&entry.key));
    let mut map = Section::open(walk, entry, what)?;
    let dead = map
        .required(walk, "dead", "write `dead: true` or `dead: false`")
        .and_then(|entry| entry.boolean(walk));
    let decay = map.get(walk, "decay_class");
    let mut decay_class = None;
    if let Some(decay) = &decay
        && let Some(name) = decay.text(walk)
    {
        decay_class = decay_classes
            .iter()
            .position(|class| class.eq_ignore_ascii_case(&name));
        if decay_class.is_none() {
            let message = format!("there is no decay class {}", seen(&name));
            let hint = format!("the decay classes are {}", decay_classes.join(", "));
            decay.error(walk, "unknown-decay-class", message, &hint);
        }
        if dead == Some(false) {
            decay.error(
                walk,
                "live-with-decay-class",
                format!(
                    "the live status code {} has a decay class",
                    seen(&entry.key)
                ),
                "remove the decay class or write `dead: true`",
            );
        }
    }
    map.finish(walk);
    Some(StatusCode {
        dead: dead?,
        decay_class,
    })
}

fn read_aliases(walk: &mut Walk, map: &mut Section) -> Vec<(String, String)> {
    let pairs = map
        .get(walk, "species_aliases")
        .and_then(|entry| entry.pairs(walk))
        .unwrap_or_default();
    pairs
        .iter()
        .filter_map(|entry| Some((entry.key.to_lowercase(), entry.text(walk)?)))
        .collect()
}

fn read_tables(walk: &mut Walk, map: &mut Section, units: UnitSystem) -> f64 {
    let (usual_cm, usual) = match units {
        UnitSystem::Metric => (5.0, "5 cm"),
        UnitSystem::Imperial => (2.0 * CM_PER_IN, "2 in"),
    };
    let mut width = None;
    if let Some(entry) = map.get(walk, "tables")
        && let Some(mut tables) = Section::open(walk, &entry, "`tables`")
    {
        width = tables.quantity(walk, "dbh_class", Dimension::Diameter, &limits::DBH_CLASS);
        let given = tables.has_quantity("dbh_class", Dimension::Diameter);
        tables.finish(walk);
        if given {
            return width.map_or(usual_cm, |width| width.value);
        }
    }
    walk.default(format!("dbh_class: classes are {usual} wide"));
    width.map_or(usual_cm, |width| width.value)
}

/// Do the record files fit the selections?
fn check_inputs_fit(
    walk: &mut Walk,
    entry: &Entry,
    inputs: &crate::design::Inputs,
    selections: &[crate::design::Selection],
) {
    if selections.is_empty() {
        return;
    }
    let site = entry.key_site(walk);
    let mut push = |diagnostic: Diagnostic| walk.problems.push(diagnostic.at(site.clone()));
    let is_three_p = |s: &crate::design::Selection| matches!(s.method, Method::ThreeP { .. });
    let mut can_count = selections.iter();
    let counted = can_count.any(|s| s.measured != Measured::All || is_three_p(s));
    if inputs.counts.is_some() && !counted {
        let message = "there is a counts file, but no selection in which trees were only counted";
        push(Diagnostic::error("counts-without-sweep", message).hint(
            "say `measured: none` or `measured: some` in an angle-gauge selection, or remove `counts`",
        ));
    }
    for selection in selections {
        if is_three_p(selection) && inputs.counts.is_none() {
            let message = format!(
                "the trees of selection `{}` that were predicted and not measured are in no file",
                selection.name
            );
            push(
                Diagnostic::error("three-p-without-counts", message)
                    .hint("name it: `counts: counts.csv`, with their number and predictions"),
            );
        }
        if selection.measured == Measured::None && inputs.counts.is_none() {
            let message = format!(
                "the trees of selection `{}` were only counted, but there is no counts file",
                selection.name
            );
            push(
                Diagnostic::error("sweep-without-counts", message)
                    .hint("name it: `counts: counts.csv`"),
            );
        }
        if selection.measured == Measured::Some && inputs.counts.is_none() {
            let message = format!(
                "some trees of selection `{}` were only counted, but there is no counts file",
                selection.name
            );
            push(
                Diagnostic::warning("sweep-without-counts", message)
                    .hint("name it: `counts: counts.csv`, or say `measured: all`"),
            );
        }
    }
    if inputs.trees.is_none() && selections.iter().any(|s| s.measured != Measured::None) {
        let message = "trees were measured, but there is no trees file";
        push(Diagnostic::error("no-trees-file", message).hint("name it: `trees: trees.csv`"));
    }
}
