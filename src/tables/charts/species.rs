//! Basal area and volume by species.

use super::{add_rows, give_title, note_left, shown};
use crate::design::{Design, SelectionIndex};
use crate::estimates::{Attribute, Domain, StatusDomain};
use crate::records::Records;
use crate::tables::Block;
use crate::tables::chart::{Chart, Mark, Row};
use crate::tables::figures::species_label;
use crate::tables::lookup::{Lookup, Scope};

/// Rows of a panel at most, without that of all.
const MOST_ROWS: usize = 24;
/// What is drawn, where there is an estimate of it.
const DRAWN: [Attribute; 4] = [
    Attribute::BasalArea,
    Attribute::VolumeTotal,
    Attribute::VolumeMerch,
    Attribute::VolumeNet,
];

/// The chart of one scope and selection, a panel for each attribute.
pub fn blocks(
    lookup: &Lookup<'_>,
    design: &Design,
    records: &Records,
    scope: Scope<'_>,
    selection: SelectionIndex,
) -> Vec<Block> {
    let status = StatusDomain::Live;
    let mut species = lookup.species(scope, selection, status);
    let value = |species: Option<usize>, attribute: Attribute| {
        let domain = Domain {
            status,
            species,
            dbh_class: None,
        };
        let estimate = lookup.estimate(scope, selection, domain, attribute)?;
        Some(shown(estimate, attribute, design))
    };
    let size = |at: usize| value(Some(at), Attribute::BasalArea).map_or(0.0, |of| of.value);
    species.sort_by(|a, b| size(*b).total_cmp(&size(*a)).then(a.cmp(b)));
    let left = species.split_off(species.len().min(MOST_ROWS));
    let mut chart = Chart::default();
    for attribute in DRAWN {
        let row = |at: Option<usize>| {
            let mark = at.map_or(Mark::PLAIN, Mark::of);
            let mut row = Row::new(species_label(at, records), mark, value(at, attribute));
            row.whole = at.is_none();
            row.estimate.is_some().then_some(row)
        };
        let rows: Vec<Row> = species
            .iter()
            .copied()
            .map(Some)
            .chain([None])
            .filter_map(row)
            .collect();
        add_rows(&mut chart, rows, attribute, design);
    }
    if chart.panels.is_empty() {
        return Vec::new();
    }
    give_title(&mut chart, "Live trees by species", design);
    note_left(&mut chart, &left, records, "less basal area");
    vec![Block::Chart(Box::new(chart))]
}
