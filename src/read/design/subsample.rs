//! The rule for the height trees: `heights: subsample`.

use super::walk::{Entry, Section, Walk, unit_keys};
use crate::design::{
    ClassOver, CountOver, Measured, Selection, SelectionIndex, Subsample, SubsampleRule,
};
use crate::diagnostic::seen;
use crate::read::limits;
use crate::read::nearest::did_you_mean;
use crate::read::yaml::Node;
use crate::units::Dimension;

#[derive(Clone, Copy)]
pub(crate) enum Word {
    FirstPerSpecies,
    EveryNth,
    PerDbhClass,
    AllIn,
}

pub(crate) const COUNT_OVER: [(&str, CountOver); 2] =
    [("plot", CountOver::Plot), ("cruise", CountOver::Cruise)];

pub(crate) const CLASS_OVER: [(&str, ClassOver); 2] =
    [("plot", ClassOver::Plot), ("stand", ClassOver::Stand)];

pub(crate) const RULES: [(&str, Word); 4] = [
    ("first-per-species", Word::FirstPerSpecies),
    ("every-nth", Word::EveryNth),
    ("per-dbh-class", Word::PerDbhClass),
    ("all-in", Word::AllIn),
];

/// The selections of the design: as they are written, and those without errors.
struct Selections<'a> {
    names: Vec<String>,
    read: &'a [Selection],
}

/// Reads `subsample`; `named` is the entry of `selections`, `read` those without errors.
pub(super) fn read_subsample(
    walk: &mut Walk,
    entry: &Entry,
    named: &Entry,
    read: &[Selection],
) -> Option<Subsample> {
    let mut map = Section::open(walk, entry, "`subsample`")?;
    let names = match named.node {
        Node::Map(pairs) => pairs.iter().filter_map(|(key, _)| key.scalar_text()),
        _ => return None,
    };
    let selections = Selections {
        names: names.map(|name| name.trim().to_owned()).collect(),
        read,
    };
    let words = RULES.map(|(word, _)| word).join(", ");
    let word = map
        .required(walk, "rule", &format!("one of {words}"))
        .and_then(|entry| entry.one_of(walk, &RULES))?;
    map.call(format!("the rule `{}`", RULES[word as usize].0));
    let about = match word {
        Word::AllIn => Some(Vec::new()),
        _ => match map.get(walk, "selections") {
            Some(entry) => read_list(walk, &entry, &selections),
            None => Some(Vec::new()),
        },
    };
    let rule = match word {
        Word::FirstPerSpecies => read_first_per_species(walk, &mut map),
        Word::EveryNth => read_every_nth(walk, &mut map),
        Word::PerDbhClass => read_per_dbh_class(walk, &mut map),
        Word::AllIn => map
            .required(walk, "selection", "name the selection, one of `selections`")
            .and_then(|entry| read_name(walk, &entry, &selections))
            .map(|selection| SubsampleRule::AllIn { selection }),
    };
    map.finish(walk);
    Some(Subsample {
        rule: rule?,
        selections: about?,
    })
}

fn read_first_per_species(walk: &mut Walk, map: &mut Section) -> Option<SubsampleRule> {
    let per_plot = map
        .required(walk, "per_plot", "write `per_plot: 2`, for example")
        .and_then(|entry| entry.whole(walk, &limits::PER_PLOT))?;
    Some(SubsampleRule::FirstPerSpecies { per_plot })
}

fn read_every_nth(walk: &mut Walk, map: &mut Section) -> Option<SubsampleRule> {
    let every = map
        .required(walk, "every", "write `every: 5`, for example")
        .and_then(|entry| entry.whole(walk, &limits::EVERY));
    let count_over = if let Some(entry) = map.get(walk, "count_over") {
        entry.one_of(walk, &COUNT_OVER)
    } else {
        walk.default("subsample: every-nth trees are counted on each plot anew");
        Some(CountOver::Plot)
    };
    Some(SubsampleRule::EveryNth {
        every: every?,
        count_over: count_over?,
    })
}

fn read_per_dbh_class(walk: &mut Walk, map: &mut Section) -> Option<SubsampleRule> {
    let class = map.quantity(walk, "class", Dimension::Diameter, &limits::DBH_CLASS);
    if !map.has_quantity("class", Dimension::Diameter) && !map.has("class") {
        let hint = format!("write {}", unit_keys("class", Dimension::Diameter));
        map.missing(walk, "class width", &hint);
    }
    let per_class = map
        .required(walk, "per_class", "write `per_class: 3`, for example")
        .and_then(|entry| entry.whole(walk, &limits::PER_PLOT));
    let over = map
        .required(walk, "over", "write `over: plot` or `over: stand`")
        .and_then(|entry| entry.one_of(walk, &CLASS_OVER));
    Some(SubsampleRule::PerDbhClass {
        class_cm: class?.value,
        per_class: per_class?,
        over: over?,
    })
}

/// The selections of a list; `None` if one of them is wrong.
fn read_list(
    walk: &mut Walk,
    entry: &Entry,
    selections: &Selections,
) -> Option<Vec<SelectionIndex>> {
    let items = entry.list(walk)?;
    if items.is_empty() {
        let message = String::from("`selections` is empty");
        let hint = "name at least one selection, or remove the key: then the rule is about all";
        entry.error(walk, "no-value", message, hint);
        return None;
    }
    let read: Vec<Option<SelectionIndex>> = items
        .iter()
        .map(|item| read_name(walk, item, selections))
        .collect();
    let mut list: Vec<SelectionIndex> = read.into_iter().collect::<Option<_>>()?;
    list.sort_unstable();
    list.dedup();
    Some(list)
}

fn read_name(walk: &mut Walk, entry: &Entry, selections: &Selections) -> Option<SelectionIndex> {
    let name = entry.text(walk)?;
    if !selections.names.contains(&name) {
        let names: Vec<&str> = selections.names.iter().map(String::as_str).collect();
        let message = format!("there is no selection of this name ({})", seen(&name));
        let hint = did_you_mean(&name, &names);
        entry.error(walk, "unknown-selection", message, &hint);
        return None;
    }
    let at = selections.read.iter().position(|s| s.name == name)?;
    if selections.read[at].measured == Measured::None {
        let message = format!("the selection {} has no measured trees", seen(&name));
        let hint = "name a selection whose trees have records of their own";
        entry.error(walk, "nothing-measured", message, hint);
        return None;
    }
    Some(at)
}
