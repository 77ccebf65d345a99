//! The sheets of estimates for people: summary, by species, stand and stock table, snags; and the
//! plots.

use super::stack::{Part, stacked, with_named_halves};
use super::{Content, OTHER_FORMAT, Sheet};
use crate::compile::Compilation;
use crate::design::SelectionIndex;
use crate::estimates::{Attribute, EstimateRow, StatusDomain};
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::tidy::{ALL, class_limits};
use crate::tables::{Cell, Column, Table, figures, plots as plot_tables, stand};

/// What the tables of estimates have in front.
const KEYS: [&str; 3] = ["stand", "stratum", "selection"];

/// One place of the estimates with all that is known of it.
struct Place<'a> {
    scope: Scope<'a>,
    lookup: Lookup<'a>,
}

/// The tables of all places and selections.
pub(super) fn sheets(compilation: &Compilation<'_>) -> Vec<Sheet> {
    let design = compilation.design;
    let rows = &compilation.estimates.rows;
    // The rows of a place come one after the other.
    let groups = rows.chunk_by(|a, b| scope_of(a) == scope_of(b));
    let places: Vec<Place<'_>> = groups
        .map(|rows| Place {
            scope: scope_of(&rows[0]),
            lookup: Lookup::new(rows, |_| true),
        })
        .collect();
    let all = |one: &dyn Fn(&Place<'_>, SelectionIndex) -> Vec<Part>| -> Vec<Part> {
        let mut parts = Vec::new();
        for place in &places {
            for (selection, rule) in design.selections.iter().enumerate() {
                let word = |name: Option<&str>| Cell::text(name.unwrap_or(ALL));
                let key = [
                    word(place.scope.0),
                    word(place.scope.1),
                    Cell::text(&rule.name),
                ];
                for (more, table) in one(place, selection) {
                    parts.push((key.iter().cloned().chain(more).collect(), table));
                }
            }
        }
        parts
    };
    let by_species = |column: &Column| species_rank(compilation, column);
    let by_decay = |column: &Column| decay_rank(compilation, column);
    let in_order = |_: &Column| 0;
    let with = |more: &[&'static str]| [&KEYS[..], more].concat();
    let summary =
        all(&|place, selection| vec![(Vec::new(), summary(compilation, place, selection))]);
    let species = all(&|place, selection| species(compilation, place, selection));
    let trees = all(&|place, selection| trees_by_class(compilation, place, selection));
    let stock = all(&|place, selection| by_class(compilation, place, selection, &STOCK));
    let snags = all(&|place, selection| snags(compilation, place, selection));
    let of_attributes = with(&["attribute", "unit"]);
    vec![
        Sheet {
            name: "summary",
            lines: vec![
                design.title.clone(),
                format!(
                    "Live trees: means per {} (or as the unit says) with their limits at {} \
                     confidence, and totals where areas are known.",
                    design.units.area().label,
                    figures::confidence_words(design)
                ),
            ],
            content: Content::Table(stacked(&KEYS, summary, in_order)),
            instead: OTHER_FORMAT,
        },
        Sheet::table("by species", stacked(&with(&["status"]), species, in_order)),
        Sheet::table("stand table", stacked(&KEYS, trees, by_species)),
        Sheet::table("stock table", stacked(&of_attributes, stock, by_species)),
        Sheet::table("snags", stacked(&of_attributes, snags, by_decay)),
    ]
}

fn scope_of(row: &EstimateRow) -> Scope<'_> {
    (row.stand.as_deref(), row.stratum.as_deref())
}

/// Figures with their limits, and the totals beside them.
fn summary(compilation: &Compilation<'_>, place: &Place<'_>, selection: SelectionIndex) -> Table {
    let design = compilation.design;
    let (lookup, scope) = (&place.lookup, place.scope);
    let live = StatusDomain::Live;
    let there = lookup.attributes(scope, selection, figures::everything(live));
    let mut table = figures::stand_figures(lookup, design, scope, selection, live, &there);
    let totals = figures::totals(lookup, design, scope, selection, &there);
    let named = totals.columns.iter().skip(1).map(|column| Column {
        head: match column.head.as_str() {
            "total" => "total".to_owned(),
            head => format!("total, {head}"),
        },
        ..column.clone()
    });
    let width = totals.columns.len() - 1;
    table.columns.extend(named);
    let area = lookup
        .row(
            scope,
            selection,
            figures::everything(live),
            Attribute::BasalArea,
        )
        .and_then(|row| row.area_ha);
    let unit = design.units.area();
    table.columns.push(Column::number("area", unit.label));
    table.columns.push(Column::number("plots", ""));
    for row in &mut table.rows {
        let total = totals.rows.iter().find(|total| total[0] == row[0]);
        match total {
            Some(total) => row.extend(total[1..].iter().cloned()),
            None => row.extend(vec![Cell::Empty; width]),
        }
        row.push(Cell::maybe(area.map(|ha| ha * unit.from_metric), 2));
    }
    let estimates = there.iter().filter_map(|attribute| {
        lookup.estimate(scope, selection, figures::everything(live), *attribute)
    });
    for (row, estimate) in table.rows.iter_mut().zip(estimates) {
        row.push(Cell::Number(estimate.n_plots as f64, 0));
    }
    table
}

/// Live and dead trees by species.
fn species(
    compilation: &Compilation<'_>,
    place: &Place<'_>,
    selection: SelectionIndex,
) -> Vec<Part> {
    let (design, records) = (compilation.design, compilation.records);
    let wanted = [figures::BY_SPECIES, figures::MASSES_BY_SPECIES].concat();
    let of = |status: StatusDomain| {
        let (lookup, scope) = (&place.lookup, place.scope);
        let table = figures::by_species(lookup, design, records, scope, selection, status, &wanted);
        with_named_halves(table)
    };
    [(StatusDomain::Live, "live"), (StatusDomain::Dead, "dead")]
        .into_iter()
        .map(|(status, word)| (vec![Cell::text(word)], of(status)))
        .collect()
}

/// What the stock table shows, where it is there.
const STOCK: [Attribute; 4] = [
    Attribute::BasalArea,
    Attribute::VolumeTotal,
    Attribute::VolumeMerch,
    Attribute::VolumeNet,
];

/// A column of words, then the limits of a dbh class as numbers.
fn with_limits(compilation: &Compilation<'_>, table: &mut Table, classes: &[Option<u32>]) {
    let unit = compilation.design.units.diameter().label;
    table.columns[0] = Column {
        unit: unit.to_owned(),
        ..Column::words("dbh class")
    };
    let limits = ["dbh from", "dbh to"].map(|head| Column::number(head, unit));
    table.columns.splice(1..1, limits);
    for (row, class) in table.rows.iter_mut().zip(classes) {
        let limits = class.map(|class| class_limits(class, compilation.design));
        let digits = |limit: f64| usize::from(limit.fract() != 0.0);
        let cell = |limit: Option<f64>| limit.map_or(Cell::Empty, |x| Cell::Number(x, digits(x)));
        let cells = [cell(limits.map(|of| of.0)), cell(limits.map(|of| of.1))];
        row.splice(1..1, cells);
    }
}

/// Live trees by dbh class and species.
fn by_class(
    compilation: &Compilation<'_>,
    place: &Place<'_>,
    selection: SelectionIndex,
    wanted: &[Attribute],
) -> Vec<Part> {
    let (design, records) = (compilation.design, compilation.records);
    let (lookup, scope, live) = (&place.lookup, place.scope, StatusDomain::Live);
    // A sweep that was only counted has no diameters.
    if lookup.classes(scope, selection, live).is_empty() {
        return Vec::new();
    }
    let there = lookup.attributes(scope, selection, figures::everything(live));
    let wanted = wanted.iter().filter(|attribute| there.contains(attribute));
    wanted
        .map(|attribute| {
            let of = *attribute;
            let mut table =
                stand::by_class_and_species(lookup, design, records, scope, selection, of);
            let classes = stand::class_rows(lookup, scope, selection, live);
            with_limits(compilation, &mut table, &classes);
            let unit = attribute.unit(design.units).label;
            (vec![Cell::text(attribute.words()), Cell::text(unit)], table)
        })
        .collect()
}

/// The same of trees alone, with their unit in the heads.
fn trees_by_class(
    compilation: &Compilation<'_>,
    place: &Place<'_>,
    selection: SelectionIndex,
) -> Vec<Part> {
    let unit = Attribute::Trees.unit(compilation.design.units).label;
    let parts = by_class(compilation, place, selection, &[Attribute::Trees]);
    let with_unit = |(_, mut table): Part| {
        let species = table
            .columns
            .iter_mut()
            .filter(|column| column.unit.is_empty());
        species.for_each(|column| unit.clone_into(&mut column.unit));
        (Vec::new(), table)
    };
    parts.into_iter().map(with_unit).collect()
}

/// Dead trees by dbh class and decay class.
fn snags(compilation: &Compilation<'_>, place: &Place<'_>, selection: SelectionIndex) -> Vec<Part> {
    let design = compilation.design;
    let (lookup, scope) = (&place.lookup, place.scope);
    let (columns, rows) = stand::snag_rows(lookup, design, scope, selection);
    let mut parts = Vec::new();
    for of_attribute in rows.chunk_by(|a, b| a.attribute == b.attribute) {
        let attribute = of_attribute[0].attribute;
        let mut table = Table::new("", 1, columns.clone());
        for row in of_attribute {
            let class = stand::class_cell(row.dbh_class, design);
            let cells = std::iter::once(class).chain(row.cells.iter().cloned());
            table.rows.push(cells.collect());
        }
        let classes: Vec<Option<u32>> = of_attribute.iter().map(|row| row.dbh_class).collect();
        with_limits(compilation, &mut table, &classes);
        let unit = attribute.unit(design.units).label;
        parts.push((vec![Cell::text(attribute.words()), Cell::text(unit)], table));
    }
    parts
}

/// Columns of decay classes in the order of the design; the size before them, then those that were
/// not recorded, then the sum.
fn decay_rank(compilation: &Compilation<'_>, column: &Column) -> usize {
    let classes = &compilation.design.decay_classes;
    match column.head.strip_prefix("decay ") {
        Some(name) => {
            let place = classes.iter().position(|class| class == name);
            place.unwrap_or(classes.len()) + 1
        }
        None if column.head == ALL => usize::MAX,
        None => 0,
    }
}

/// Columns of species in the order of the records; the size before them, the sum behind.
fn species_rank(compilation: &Compilation<'_>, column: &Column) -> usize {
    let species = &compilation.records.species;
    if column.head.starts_with("dbh ") {
        return 0;
    }
    let place = species.iter().position(|one| one.label == column.head);
    place.unwrap_or(species.len()) + 1
}

/// The plots of all stands.
pub(super) fn plots(compilation: &Compilation<'_>) -> Table {
    let mut parts = Vec::new();
    for stand in &compilation.records.stands {
        let tables = plot_tables::tables(compilation, stand);
        for (table, rule) in tables.into_iter().zip(&compilation.design.selections) {
            parts.push((vec![Cell::text(&stand.name), Cell::text(&rule.name)], table));
        }
    }
    stacked(&["stand", "selection"], parts, |_| 0)
}
