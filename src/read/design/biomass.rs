//! The `biomass` of a design.

use super::Known;
use super::heights_volume::{read_fallback, read_stand_origin, read_substitute};
use super::walk::{Entry, Section, Walk};
use crate::design::Biomass;
use crate::diagnostic::seen;
use crate::read::limits;
use crate::read::yaml::Node;

/// Reads `biomass`; `None` if it is not asked for or wrong.
pub(super) fn read_biomass(walk: &mut Walk, root: &mut Section, known: &Known) -> Option<Biomass> {
    let entry = root.get(walk, "biomass")?;
    let mut map = Section::open(walk, &entry, "`biomass`")?;
    let sets = map
        .required(walk, "set", "name a set of biomass equations, or a list")
        .map(|entry| read_sets(walk, &entry, known));
    let region = map.get(walk, "region").and_then(|entry| entry.text(walk));
    let province = map.get(walk, "province").and_then(|entry| entry.text(walk));
    let planted = map
        .get(walk, "stand_origin")
        .and_then(|entry| read_stand_origin(walk, &entry));
    let carbon_fraction = map
        .get(walk, "carbon_fraction")
        .and_then(|entry| entry.number(walk, 1.0, &limits::CARBON_FRACTION));
    let substitute = read_substitute(walk, &mut map);
    let fallback = read_fallback(walk, &mut map, "biomass fallback");
    map.finish(walk);
    Some(Biomass {
        sets: sets.filter(|sets| !sets.is_empty())?,
        region,
        province,
        planted,
        carbon_fraction,
        substitute,
        fallback,
    })
}

/// One set, or several in order of preference.
fn read_sets(walk: &mut Walk, entry: &Entry, known: &Known) -> Vec<String> {
    let items = if matches!(entry.node, Node::List(_)) {
        entry.list(walk).unwrap_or_default()
    } else {
        vec![entry.clone()]
    };
    if items.is_empty() {
        let message = String::from("`set` is empty");
        entry.error(walk, "no-value", message, "name at least one set");
    }
    let names: Vec<&str> = known.biomass_sets.iter().map(String::as_str).collect();
    let mut sets: Vec<String> = Vec::with_capacity(items.len());
    for item in &items {
        let what = "set of biomass equations";
        let Some(name) = item.known_name(walk, "unknown-biomass-set", what, &names) else {
            continue;
        };
        if sets.contains(&name) {
            let message = format!("the set {} is there twice", seen(&name));
            item.error(walk, "value-twice", message, "remove one of them");
        } else {
            sets.push(name);
        }
    }
    sets
}
