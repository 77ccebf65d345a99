//! The comparison for people: differences by species, and the trees that drive them.

use std::collections::BTreeMap;

use super::remarks::remarks_of;
use super::{Alternative, Compared, MOST_TREES, tree_unit};
use crate::compare::{Driver, PairedRow, columns, drivers};
use crate::compile::Compilation;
use crate::design::SelectionIndex;
use crate::estimates::{Attribute, Domain, StatusDomain};
use crate::tables::figures::{confidence_words, everything, species_label};
use crate::tables::lookup::Scope;
use crate::tables::{Block, Cell, Column, Report, Table};
use crate::units::UnitSystem;

/// The report: the stand in full when there is one (or one is asked for), else stands line by line
/// and the whole.
pub fn report(compared: &Compared<'_>, asked: Option<&str>) -> Report {
    let base = compared.base;
    let stands = &base.records.stands;
    let one = match asked {
        Some(name) => stands.iter().position(|stand| stand.name == name),
        None if stands.len() == 1 => Some(0),
        None => None,
    };
    let mut report = Report::new(format!("{}: alternatives compared", base.design.title));
    let mut names = vec![compared.name.clone()];
    for (number, alternative) in (1..).zip(&compared.alternatives) {
        names.push(format!("alternative {number}: {}", alternative.name));
    }
    report.section(
        "What is compared",
        vec![
            Block::List(names),
            Block::Paragraph(format!(
                "Base is the design as it stands, other the alternative; difference is other less \
                 base, tree by tree on the same plots. Its standard error and {} limits come from \
                 the differences by plot and cover sampling error only: they tell whether the \
                 choice matters here, not which one is right.",
                confidence_words(base.design)
            )),
        ],
    );
    for (number, alternative) in (1..).zip(&compared.alternatives) {
        let mut blocks = vec![Block::List(remarks_of(base, alternative.compilation))];
        blocks.extend(difference_tables(base, alternative, one));
        blocks.extend(driver_tables(base, alternative, one));
        report.section(
            format!("Alternative {number}: {}", alternative.name),
            blocks,
        );
    }
    report
}

type Key<'a> = (Scope<'a>, SelectionIndex, Domain, Attribute);
type Index<'a> = BTreeMap<Key<'a>, &'a PairedRow>;

fn difference_tables(
    base: &Compilation<'_>,
    alternative: &Alternative<'_>,
    one: Option<usize>,
) -> Vec<Block> {
    let rows = alternative.rows.iter();
    let index: Index<'_> = rows
        .map(|row| {
            let scope = (row.stand.as_deref(), row.stratum.as_deref());
            ((scope, row.selection, row.domain, row.attribute), row)
        })
        .collect();
    let whole: Scope<'_> = one.map_or((None, None), |at| {
        (Some(base.records.stands[at].name.as_str()), None)
    });
    let mut scopes = vec![whole];
    if !index.keys().any(|key| key.0 == whole) {
        // Strata without areas cannot be combined: each is shown by itself.
        scopes = index.keys().map(|key| key.0).collect();
        scopes.dedup();
        scopes.retain(|scope| one.is_some() && scope.0 == whole.0);
    }
    let mut blocks = Vec::new();
    for (selection, rule) in base.design.selections.iter().enumerate() {
        let mut same = Vec::new();
        for (_, attribute) in columns() {
            let mut rows = index
                .iter()
                .filter(|(key, _)| (key.1, key.3) == (selection, attribute));
            match rows.next() {
                None => continue,
                Some((_, first)) if first.is_same() && rows.all(|(_, row)| row.is_same()) => {
                    same.push(attribute.words());
                    continue;
                }
                Some(_) => {}
            }
            let caption = |status: &str, scope: Scope<'_>| {
                let of_stratum = scope
                    .1
                    .map_or(String::new(), |name| format!(", stratum {name}"));
                format!(
                    "{}{of_stratum}: {} of {status} trees, {}",
                    rule.name,
                    attribute.words(),
                    attribute.unit(base.design.units).label
                )
            };
            if one.is_none() {
                let mut table = empty_table(caption("live", (None, None)), "stand", base);
                for stand in &base.records.stands {
                    let key = (
                        (Some(stand.name.as_str()), None),
                        selection,
                        everything(StatusDomain::Live),
                        attribute,
                    );
                    table
                        .rows
                        .extend(index.get(&key).map(|row| cells(&stand.name, row, base)));
                }
                blocks.push(Block::Table(table));
            }
            for scope in &scopes {
                for (status, word) in [(StatusDomain::Live, "live"), (StatusDomain::Dead, "dead")] {
                    let mut table = empty_table(caption(word, *scope), "species", base);
                    let species = (0..base.records.species.len()).map(Some).chain([None]);
                    for species in species {
                        let domain = Domain {
                            species,
                            ..everything(status)
                        };
                        let row = index.get(&(*scope, selection, domain, attribute));
                        let label = species_label(species, base.records);
                        table.rows.extend(row.map(|row| cells(&label, row, base)));
                    }
                    blocks.push(Block::Table(table));
                }
            }
        }
        if !same.is_empty() {
            let words = format!("{}: no difference in {}.", rule.name, same.join(", "));
            blocks.push(Block::Paragraph(words));
        }
    }
    blocks
}

fn empty_table(caption: String, head: &str, base: &Compilation<'_>) -> Table {
    let level = confidence_words(base.design);
    let columns = vec![
        Column::words(head),
        Column::number("base", ""),
        Column::number("other", ""),
        Column::number("difference", ""),
        Column::number("std", "error"),
        Column::number("lower", &level),
        Column::number("upper", &level),
        Column::number("change", "%"),
        Column::words("beyond 0"),
    ];
    Table::new(caption, 1, columns)
}

fn cells(label: &str, row: &PairedRow, base: &Compilation<'_>) -> Vec<Cell> {
    let design = base.design;
    let factor = row.attribute.unit(design.units).from_metric;
    let digits = row.attribute.digits(design.units);
    // Differences are smaller than what differs.
    let shown = |value: Option<f64>| Cell::maybe(value.map(|v| v * factor), digits + 1);
    let interval = row.difference.interval(design.confidence);
    vec![
        Cell::text(label),
        Cell::Number(row.base * factor, digits),
        Cell::Number(row.alternative * factor, digits),
        shown(Some(row.difference.mean)),
        shown(row.difference.std_error),
        shown(interval.map(|(lower, _)| lower)),
        shown(interval.map(|(_, upper)| upper)),
        Cell::maybe(row.difference_pct(), 1),
        match row.excludes_zero(design.confidence) {
            Some(true) => Cell::text("yes"),
            Some(false) => Cell::text("no"),
            None => Cell::Empty,
        },
    ]
}

fn driver_tables(
    base: &Compilation<'_>,
    alternative: &Alternative<'_>,
    one: Option<usize>,
) -> Vec<Block> {
    let Some((column, attribute)) = alternative.ranking else {
        return Vec::new();
    };
    let Some(stand) = one else {
        let words = "The trees that drive the difference are shown for one stand: --stand NAME.";
        return vec![Block::Paragraph(words.to_owned())];
    };
    let mut blocks = Vec::new();
    for (selection, rule) in base.design.selections.iter().enumerate() {
        let Some(found) = drivers(base, alternative.compilation, stand, selection, column) else {
            continue;
        };
        if found.is_empty() {
            continue;
        }
        let listed = found.len().min(MOST_TREES);
        let share: f64 = found[..listed].iter().map(|driver| driver.share).sum();
        let mut table = driver_table(base, attribute, &found[..listed]);
        table.caption = format!(
            "{}: the live trees that drive the difference in {}; these {listed} of {} make {} % of \
             the sum of all trees' differences, signs left out",
            rule.name,
            attribute.words(),
            found.len(),
            Cell::Number(share * 100.0, 0).shown()
        );
        blocks.push(Block::Table(table));
    }
    blocks
}

fn driver_table(base: &Compilation<'_>, attribute: Attribute, found: &[Driver<'_>]) -> Table {
    let units = base.design.units;
    let unit = attribute.unit(units);
    let (tree_unit, per_tree) = tree_unit(attribute, units);
    let other_heights = found.iter().any(|d| d.heights_m[0] != d.heights_m[1]);
    let mut columns = vec![
        Column::words("plot"),
        Column::words("tree"),
        Column::words("species"),
        Column::number("dbh", units.diameter().label),
    ];
    let length = units.length();
    if other_heights {
        columns.push(Column::number("height", format!("base {}", length.label)));
        columns.push(Column::number("height", format!("other {}", length.label)));
    } else {
        columns.push(Column::number("height", length.label));
    }
    columns.extend([
        Column::number("base", tree_unit),
        Column::number("other", tree_unit),
        Column::number("on the mean", unit.label),
        Column::number("share", "%"),
    ]);
    let digits = match units {
        UnitSystem::Metric => 3,
        UnitSystem::Imperial => 2,
    };
    let mut table = Table::new("", 2, columns);
    for driver in found {
        let mut row = vec![
            Cell::text(&driver.plot.name),
            Cell::text(driver.tree.number.as_str()),
            Cell::text(&base.records.species[driver.tree.species].label),
            Cell::Number(driver.tree.dbh_cm * units.diameter().from_metric, 1),
        ];
        let heights = if other_heights { 2 } else { 1 };
        for height_m in &driver.heights_m[..heights] {
            row.push(Cell::maybe(height_m.map(|h| h * length.from_metric), 1));
        }
        row.extend([
            Cell::Number(driver.values[0] * per_tree, digits),
            Cell::Number(driver.values[1] * per_tree, digits),
            Cell::Number(driver.per_ha * unit.from_metric, digits),
            Cell::Number(driver.share * 100.0, 1),
        ]);
        table.rows.push(row);
    }
    table
}
