//! `heights: ratio_to`, the species that take another's height curve.

use super::walk::{Entry, Section, Walk};
use crate::design::RatioTo;
use crate::read::limits;
use crate::read::yaml::Node;
use crate::species::{SpeciesId, SpeciesTable};

/// A species and the entry that names the other.
struct Named<'n> {
    pair: Entry<'n>,
    to: Option<Entry<'n>>,
    ratio: Option<Entry<'n>>,
}

/// The entries of `ratio_to`, each `Cw: Hw` or `Cw: { species: Hw, ratio: 0.92 }`.
fn named<'n>(walk: &mut Walk, heights: &mut Section<'n>) -> Vec<Named<'n>> {
    let pairs = heights
        .get(walk, "ratio_to")
        .and_then(|entry| entry.pairs(walk))
        .unwrap_or_default();
    let mut found = Vec::new();
    for pair in pairs {
        if !matches!(pair.node, Node::Map(_)) {
            let to = Some(pair.clone());
            found.push(Named {
                pair,
                to,
                ratio: None,
            });
            continue;
        }
        let what = format!("`ratio_to` of `{}`", pair.key);
        if let Some(mut map) = Section::open(walk, &pair, what) {
            let to = map.required(walk, "species", "name the species whose curve it takes");
            let ratio = map.get(walk, "ratio");
            map.finish(walk);
            found.push(Named { pair, to, ratio });
        }
    }
    found
}

/// Reads `ratio_to`; what the species are is [`check`]'s to say. `aliases` are the design's own
/// codes, lower-cased, with their meanings.
pub(super) fn read(
    walk: &mut Walk,
    heights: &mut Section,
    aliases: &[(String, String)],
) -> Vec<RatioTo> {
    let mut found = Vec::new();
    for Named { pair, to, ratio } in named(walk, heights) {
        let ratio = ratio.and_then(|entry| entry.number(walk, 1.0, &limits::HEIGHT_RATIO));
        if let Some(to) = to.and_then(|entry| entry.text(walk)) {
            found.push(RatioTo {
                species: meant(aliases, &pair.key).to_owned(),
                to: meant(aliases, &to).to_owned(),
                ratio,
            });
        }
    }
    found
}

/// What a name means by the design's own codes.
fn meant<'t>(aliases: &'t [(String, String)], name: &'t str) -> &'t str {
    let alias = aliases
        .iter()
        .find(|(code, _)| *code == name.to_lowercase());
    alias.map_or(name, |(_, meaning)| meaning)
}

/// Codes of the faults that [`check`] tells, beside an unknown species.
pub(super) const FAULTS: [&str; 2] = ["ratio-circle", "ratio-twice"];

/// Tells of species that are unknown, named twice, or that hang on themselves.
pub(super) fn check(
    walk: &mut Walk,
    root: &mut Section,
    table: &SpeciesTable,
    aliases: &[(String, String)],
) {
    let Some(entry) = root.get(walk, "heights") else {
        return;
    };
    let Some(mut heights) = Section::open(walk, &entry, "`heights`") else {
        return;
    };
    let id = |name: &str| table.lookup(meant(aliases, name));
    let mut known: Vec<(SpeciesId, SpeciesId)> = Vec::new();
    for Named { pair, to, .. } in named(walk, &mut heights) {
        let Some(to) = to else { continue };
        let Some(name) = to.text(walk) else { continue };
        let from = id(&pair.key);
        if from.is_none() {
            let (message, hint) = super::unknown_species(walk, table, &pair.key);
            pair.key_error(walk, "unknown-species", message, &hint);
        }
        let other = id(&name);
        if other.is_none() {
            let (message, hint) = super::unknown_species(walk, table, &name);
            to.error(walk, "unknown-species", message, &hint);
        }
        let (Some(from), Some(other)) = (from, other) else {
            continue;
        };
        let label = table.get(from).label();
        if known.iter().any(|(one, _)| *one == from) {
            let message = format!("`ratio_to` names {label} twice (`{}`)", pair.key);
            pair.key_error(walk, "ratio-twice", message, "keep one of them");
            continue;
        }
        known.push((from, other));
        if hangs_on_itself(&known, from) {
            let message = format!(
                "the height curve of {label} hangs on itself (`{}: {name}`)",
                pair.key
            );
            let hint = "name a species that has a height curve of its own";
            to.error(walk, "ratio-circle", message, hint);
            known.pop();
        }
    }
}

fn hangs_on_itself(known: &[(SpeciesId, SpeciesId)], from: SpeciesId) -> bool {
    let mut at = from;
    for _ in known {
        match known.iter().find(|(one, _)| *one == at) {
            Some((_, other)) if *other == from => return true,
            Some((_, other)) => at = *other,
            None => return false,
        }
    }
    false
}
