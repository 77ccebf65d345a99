//! The schema and the reader know the same keys at the same places.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::design;
use crate::read::design::{Known, asked_keys};
use crate::read::source::Source;
use crate::read::yaml::{Node, Step, parse};

/// Designs that open every map that a design can have.
const DESIGNS: [&str; 3] = [
    "
inputs:
  plots: { path: plots.csv, columns: { nr: plot } }
  stands: { path: stands.csv, columns: { nr: stand } }
  trees: { path: trees.csv, columns: { nr: plot } }
  counts: { path: counts.csv, columns: { nr: plot } }
selections:
  circle: { method: fixed-area, radius_m: 8 }
  rings: { method: fixed-area, rings: [ { radius_m: 4 } ] }
  strip: { method: strip, length_m: 50, width_m: 10 }
  sweep: { method: angle-gauge, baf_m2_per_ha: 4 }
  whole: { method: full-tally }
  drawn: { method: three-p, largest_number: 800 }
sampling: { layout: random }
status_codes: { '5': { dead: true } }
heights:
  subsample: { rule: first-per-species, per_plot: 2 }
  ratio_to: { Cw: { species: Hw } }
  instrument: { angle_sd_deg: 1 }
  fill: { draws: 20 }
volume: { set: a, merchantable: { stump_m: 0.3, top_dib_cm: 10 } }
biomass: { set: a }
logs:
  stump_m: 0.3
  board_feet: [ { rule: a } ]
  products: [ { name: a, lengths_m: 5, min_top_dib_cm: 10 } ]
tables: { dbh_class_cm: 5 }
intervals: { ratios: t }
",
    "
inputs: { trees: trees.csv }
selections: { circle: { method: fixed-area, radius_m: 8 } }
heights: { subsample: { rule: every-nth, every: 5 } }
",
    "
inputs: { trees: trees.csv }
selections: { circle: { method: fixed-area, radius_m: 8 } }
heights: { subsample: { rule: per-dbh-class, class_cm: 5, per_class: 2, over: plot } }
",
];

/// One more rule of its own.
const ALL_IN: &str = "
inputs: { trees: trees.csv }
selections: { circle: { method: fixed-area, radius_m: 8 } }
heights: { subsample: { rule: all-in, selection: circle } }
";

fn known() -> ([String; 1], Known<'static>) {
    ([String::from("a")], Known::default())
}

/// A key that the reader asks for in order to refuse it.
fn is_refused(place: &str, key: &str, method: Option<&str>) -> bool {
    let of_sweeps = [
        "measured",
        "volume_ratio_from",
        "volume_ratio_by",
        "volume_ratio_error",
    ];
    place.starts_with("selections/*")
        && match method {
            Some("three-p") => key.starts_with("min_dbh_") || of_sweeps.contains(&key),
            Some("angle-gauge") | None => false,
            Some(_) => of_sweeps.contains(&key),
        }
}

/// The schema of the map at the end of a path, a name for its place, and its method if it has one.
fn at<'s>(schema: &'s Value, node: &Node, path: &[Step]) -> (&'s Value, String, Option<String>) {
    let (mut schema, mut node) = (schema, node);
    let mut place: Vec<String> = Vec::new();
    let mut rest = path.iter();
    loop {
        schema = branch(schema, node, &mut place);
        let Some(step) = rest.next() else { break };
        match (step, node) {
            (Step::Value(index), Node::Map(pairs)) => {
                let (key, value) = &pairs[*index];
                let key = key.scalar_text().unwrap();
                schema = if let Some(of_key) = schema["properties"].get(&key) {
                    place.push(key);
                    of_key
                } else {
                    place.push(String::from("*"));
                    &schema["additionalProperties"]
                };
                node = value;
            }
            (Step::Item(index), Node::List(items)) => {
                schema = &schema["items"];
                place.push(String::from("item"));
                node = &items[*index];
            }
            other => panic!("no such step: {other:?}"),
        }
    }
    let method = schema["properties"]["method"]["const"].as_str();
    (schema, place.join("/"), method.map(str::to_owned))
}

/// Among alternatives the one for this value.
fn branch<'s>(schema: &'s Value, node: &Node, place: &mut Vec<String>) -> &'s Value {
    let alternatives = ["oneOf", "anyOf"].map(|key| schema[key].as_array());
    let Some(alternatives) = alternatives.into_iter().flatten().next() else {
        return schema;
    };
    let fits = |candidate: &&Value| match node {
        Node::Map(pairs) => {
            candidate["type"] == "object"
                && pairs.iter().all(|(key, value)| {
                    let key = key.scalar_text().unwrap();
                    let only = candidate["properties"][&key]["const"].as_str();
                    only.is_none() || only.map(str::to_owned) == value.scalar_text()
                })
        }
        Node::List(_) => candidate["type"] == "array",
        _ => candidate["type"] != "object" && candidate["type"] != "array",
    };
    let found = alternatives.iter().find(fits).unwrap();
    for word in ["method", "rule"] {
        if let Some(only) = found["properties"][word]["const"].as_str() {
            place.push(only.to_owned());
        }
    }
    found
}

/// Every object of the schema with its keys, by a name for its place.
fn objects(schema: &Value, place: &str, found: &mut BTreeMap<String, BTreeSet<String>>) {
    if let Some(properties) = schema["properties"].as_object() {
        let own = ["method", "rule"].map(|word| properties.get(word)?["const"].as_str());
        let name = own.into_iter().flatten().next();
        let place = [Some(place), name]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>();
        let place = place.join("/").trim_start_matches('/').to_owned();
        found.insert(place.clone(), properties.keys().cloned().collect());
        for (key, value) in properties {
            objects(
                value,
                format!("{place}/{key}").trim_start_matches('/'),
                found,
            );
        }
    }
    for key in ["oneOf", "anyOf"] {
        for alternative in schema[key].as_array().into_iter().flatten() {
            objects(alternative, place, found);
        }
    }
    if schema["additionalProperties"].is_object() {
        objects(
            &schema["additionalProperties"],
            &format!("{place}/*"),
            found,
        );
    }
    if schema["items"].is_object() {
        objects(&schema["items"], &format!("{place}/item"), found);
    }
}

#[test]
fn the_schema_has_the_keys_that_the_reader_asks_for() {
    let (names, base) = known();
    let known = Known {
        volume_sets: &names,
        biomass_sets: &names,
        bark_sets: &names,
        height_sets: &names,
        log_rules: &names,
        ..base
    };
    let schema = design(&known);
    let mut asked: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for text in DESIGNS.iter().chain([&ALL_IN]) {
        let source = Source::new("design.yaml", (*text).to_owned());
        let node = parse(&source).unwrap();
        for (path, keys) in asked_keys(&source, &known) {
            let (_, place, method) = at(&schema, &node, &path);
            let keys = keys.into_iter();
            let keys = keys.filter(|key| !is_refused(&place, key, method.as_deref()));
            asked.entry(place.clone()).or_default().extend(keys);
        }
    }
    let mut in_schema = BTreeMap::new();
    objects(&schema, "", &mut in_schema);
    assert!(in_schema.len() >= 30, "{:?}", in_schema.keys());
    assert_eq!(asked, in_schema);
}

#[test]
fn every_key_has_a_title_and_a_description() {
    fn look(schema: &Value, place: &str, bare: &mut Vec<String>) {
        for (key, value) in schema["properties"].as_object().into_iter().flatten() {
            let place = format!("{place}/{key}");
            if !value["title"].is_string() || !value["description"].is_string() {
                bare.push(place.clone());
            }
            look(value, &place, bare);
        }
        for key in ["oneOf", "anyOf"] {
            for alternative in schema[key].as_array().into_iter().flatten() {
                look(alternative, place, bare);
            }
        }
        for key in ["items", "additionalProperties"] {
            if schema[key].is_object() {
                look(&schema[key], place, bare);
            }
        }
    }
    let mut bare = Vec::new();
    look(&design(&Known::default()), "", &mut bare);
    assert!(bare.is_empty(), "{bare:#?}");
}
