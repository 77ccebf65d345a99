//! Stands (or strata) against one another.

use super::{add_rows, give_title, shown};
use crate::design::Design;
use crate::estimates::{Attribute, StatusDomain};
use crate::tables::Block;
use crate::tables::chart::{Chart, Mark, Row};
use crate::tables::figures::everything;
use crate::tables::lookup::{Lookup, Scope};

/// Stands of a chart at most.
const MOST_STANDS: usize = 60;
/// What is drawn, the first of the volumes that there is.
const VOLUMES: [Attribute; 2] = [Attribute::VolumeMerch, Attribute::VolumeTotal];

/// One chart for each selection: basal area and volume by stand. `scopes` end with the whole.
pub fn blocks<'a>(
    lookup: &Lookup<'a>,
    design: &Design,
    head: &str,
    scopes: &[(String, Scope<'a>)],
) -> Vec<Block> {
    if scopes.len() > MOST_STANDS + 1 {
        let n = scopes.len() - 1;
        let words = format!(
            "Of more than {MOST_STANDS} (here {n}) no chart is drawn; the table has them all."
        );
        return vec![Block::Paragraph(words)];
    }
    let selections = 0..design.selections.len();
    let one = |selection| chart(lookup, design, head, scopes, selection);
    selections
        .filter_map(one)
        .map(|chart| Block::Chart(Box::new(chart)))
        .collect()
}

fn chart<'a>(
    lookup: &Lookup<'a>,
    design: &Design,
    head: &str,
    scopes: &[(String, Scope<'a>)],
    selection: usize,
) -> Option<Chart> {
    let domain = everything(StatusDomain::Live);
    let estimate =
        |scope: Scope<'a>, attribute| lookup.estimate(scope, selection, domain, attribute);
    let there = |attribute: Attribute| {
        scopes
            .iter()
            .any(|scope| estimate(scope.1, attribute).is_some())
    };
    let mut drawn = vec![Attribute::BasalArea];
    drawn.extend(VOLUMES.into_iter().find(|attribute| there(*attribute)));
    let mut chart = Chart::default();
    for attribute in drawn {
        let last = scopes.len() - 1;
        let rows: Vec<Row> = scopes
            .iter()
            .enumerate()
            .filter_map(|(at, (name, scope))| {
                let value = shown(estimate(*scope, attribute)?, attribute, design);
                let mut row = Row::new(name, Mark::PLAIN, Some(value));
                row.whole = at == last;
                Some(row)
            })
            .collect();
        add_rows(&mut chart, rows, attribute, design);
    }
    let name = &design.selections[selection].name;
    let title = format!("Live trees by {head}, selection {name}");
    give_title(&mut chart, &title, design);
    (!chart.panels.is_empty()).then_some(chart)
}
