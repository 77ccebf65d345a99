//! The `sampling` of a design: how plots were laid out and the estimators that go with it.

use super::walk::{Entry, Section, Walk};
use crate::design::{
    Average, Layout, ListedStands, Sampling, Selection, SelectionIndex, StrataWeights, Variance,
};
use crate::diagnostic::seen;
use crate::read::limits::{self, Limits};
use crate::read::nearest::did_you_mean;
use crate::read::yaml::Node;
use crate::units::Dimension;

pub(crate) const LAYOUTS: [(&str, Layout); 2] = [
    ("random", Layout::Random),
    ("systematic", Layout::Systematic),
];
pub(crate) const VARIANCES: [(&str, Variance); 3] = [
    ("simple", Variance::Simple),
    ("successive-differences", Variance::SuccessiveDifferences),
    ("neighbours", Variance::Neighbours),
];
pub(crate) const AVERAGES: [(&str, Average); 2] = [
    ("mean-of-plots", Average::MeanOfPlots),
    ("ratio-of-means", Average::RatioOfMeans),
];
pub(crate) const STRATA: [(&str, StrataWeights); 3] = [
    ("areas", StrataWeights::Areas),
    ("after-sampling", StrataWeights::AfterSampling),
    ("estimated", StrataWeights::Estimated),
];

/// Reads `sampling`; the usual sample where it is not there. `selections` are those that could be
/// read, `written` the value of the key `selections`.
pub(super) fn read_sampling(
    walk: &mut Walk,
    root: &mut Section,
    selections: &[Selection],
    written: Option<&Entry>,
) -> Sampling {
    let Some(entry) = root.get(walk, "sampling") else {
        return Sampling::default();
    };
    let Some(mut map) = Section::open(walk, &entry, "`sampling`") else {
        return Sampling::default();
    };
    let layout = word(walk, &mut map, "layout", &LAYOUTS);
    let variance = read_variance(walk, &mut map, layout);
    let average = word(walk, &mut map, "average", &AVERAGES);
    let strata = word(walk, &mut map, "strata", &STRATA);
    let listed_units = whole(walk, &mut map, "listed_units", &limits::LISTED_UNITS);
    let listed = read_listed(walk, &mut map);
    let combine = map
        .get(walk, "combine")
        .and_then(|entry| read_combine(walk, &entry, selections, written));
    map.finish(walk);
    Sampling {
        layout,
        variance,
        average,
        strata,
        listed_units,
        listed,
        combine,
    }
}

fn word<T: Copy + Default>(
    walk: &mut Walk,
    map: &mut Section,
    key: &str,
    words: &[(&str, T)],
) -> T {
    map.get(walk, key)
        .and_then(|entry| entry.one_of(walk, words))
        .unwrap_or_default()
}

fn whole(walk: &mut Walk, map: &mut Section, key: &str, limits: &Limits) -> Option<f64> {
    let value = map.get(walk, key)?.whole(walk, limits)?;
    u32::try_from(value).ok().map(f64::from)
}

fn read_variance(walk: &mut Walk, map: &mut Section, layout: Layout) -> Variance {
    let Some(entry) = map.get(walk, "variance") else {
        return Variance::Simple;
    };
    let variance = entry.one_of(walk, &VARIANCES).unwrap_or_default();
    if layout == Layout::Random && variance != Variance::Simple {
        let message = format!(
            "the plots lie at random, but `variance` takes the differences of neighbours ({})",
            seen(&entry.node.scalar_text().unwrap_or_default())
        );
        let hint = "write `variance: simple`, or `layout: systematic` if they lie on a grid or \
                    along lines";
        entry.error(walk, "variance-of-random", message, hint);
    }
    variance
}

fn read_listed(walk: &mut Walk, map: &mut Section) -> Option<ListedStands> {
    let has_stands = map.has("listed_stands");
    let stands = whole(walk, map, "listed_stands", &limits::LISTED_STANDS);
    let area = map.quantity(walk, "listed_area", Dimension::Area, &limits::STAND_AREA);
    if let Some(area) = &area
        && !has_stands
    {
        let message = format!("`{}` is there without `listed_stands`", area.entry.key);
        let hint = "say how many stands the list has, or remove the area";
        area.entry
            .key_error(walk, "area-without-stands", message, hint);
    }
    Some(ListedStands {
        stands: stands?,
        area_ha: area.map(|area| area.value),
    })
}

/// Two different selections, by their names.
fn read_combine(
    walk: &mut Walk,
    entry: &Entry,
    selections: &[Selection],
    written: Option<&Entry>,
) -> Option<[SelectionIndex; 2]> {
    let items = entry.list(walk)?;
    if items.len() != 2 {
        let message = format!("`combine` needs two selections (here {})", items.len());
        let hint = "name the two whose estimates are combined: `combine: [fixed, sweep]`";
        entry.error(walk, "not-two", message, hint);
    }
    let mut names: Vec<String> = Vec::new();
    let mut found = Vec::new();
    for item in &items {
        let Some(name) = item.text(walk) else {
            continue;
        };
        if names.contains(&name) {
            let message = format!("the selection {} is there twice", seen(&name));
            item.error(
                walk,
                "value-twice",
                message,
                "name two different selections",
            );
        } else {
            found.extend(find(walk, item, &name, selections, written));
            names.push(name);
        }
    }
    <[SelectionIndex; 2]>::try_from(found).ok()
}

fn find(
    walk: &mut Walk,
    item: &Entry,
    name: &str,
    selections: &[Selection],
    written: Option<&Entry>,
) -> Option<SelectionIndex> {
    let found = selections.iter().position(|s| s.name == name);
    // One that is written, but wrong, was reported where it stands.
    let known: Vec<String> = match written.map(|entry| entry.node) {
        Some(Node::Map(pairs)) => (pairs.iter())
            .filter_map(|(key, _)| Some(key.scalar_text()?.trim().to_owned()))
            .collect(),
        _ => Vec::new(),
    };
    if found.is_none() && !known.iter().any(|known| known == name) {
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        let message = format!("there is no selection {}", seen(name));
        item.error(
            walk,
            "unknown-selection",
            message,
            &did_you_mean(name, &known),
        );
    }
    found
}
