//! Summary tables: the figures of a stand, species by species, strata and stands one line each.

use crate::design::{Design, SelectionIndex};
use crate::estimates::{Attribute, Domain, Estimate, StatusDomain};
use crate::records::{CruiseSpecies, Records};
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::tidy::ALL;
use crate::tables::{Cell, Column, Table};

/// Attributes of the table by species, where they exist.
pub const BY_SPECIES: &[Attribute] = &[
    Attribute::Trees,
    Attribute::BasalArea,
    Attribute::VolumeTotal,
    Attribute::VolumeMerch,
    Attribute::VolumeNet,
];

/// Masses of the table by species, where they exist.
pub const MASSES_BY_SPECIES: &[Attribute] = &[
    Attribute::Biomass,
    Attribute::Carbon,
    Attribute::Co2Equivalent,
];

/// All trees of a status.
pub fn everything(status: StatusDomain) -> Domain {
    Domain {
        status,
        species: None,
        dbh_class: None,
    }
}

/// Label of a species, or the word for all.
pub fn species_label(species: Option<usize>, records: &Records) -> String {
    let label = |species: &CruiseSpecies| species.label.clone();
    species
        .and_then(|at| records.species.get(at))
        .map_or_else(|| ALL.to_owned(), label)
}

/// `95 % limits`, say.
pub fn confidence_words(design: &Design) -> String {
    format!("{} %", crate::tables::percent(design.confidence))
}

fn half_width(estimate: &Estimate, design: &Design, factor: f64) -> Option<f64> {
    let (lower, upper) = estimate.interval(design.confidence)?;
    Some((upper - lower) / 2.0 * factor)
}

/// The figures of one scope: each of some attributes with its error.
pub fn stand_figures(
    lookup: &Lookup<'_>,
    design: &Design,
    scope: Scope<'_>,
    selection: SelectionIndex,
    status: StatusDomain,
    attributes: &[Attribute],
) -> Table {
    let level = confidence_words(design);
    let mut columns = vec![
        Column::words("attribute"),
        Column::words("unit"),
        Column::number("mean", ""),
        Column::number("std", "error"),
        Column::number("lower", &level),
        Column::number("upper", &level),
        Column::number("error", "%"),
    ];
    let wanted = design.allowable_error_pct;
    if let Some(error) = wanted {
        columns.push(Column::number("plots", format!("for {error} %")));
    }
    let mut table = Table::new("", 1, columns);
    let domain = everything(status);
    for attribute in attributes {
        let Some(row) = lookup.row(scope, selection, domain, *attribute) else {
            continue;
        };
        let unit = attribute.unit(design.units);
        let digits = attribute.digits(design.units);
        let shown = |value: Option<f64>| Cell::maybe(value.map(|v| v * unit.from_metric), digits);
        let interval = row.estimate.interval(design.confidence);
        let mut cells = vec![
            Cell::text(attribute.words()),
            Cell::text(unit.label),
            shown(Some(row.estimate.mean)),
            shown(row.estimate.std_error),
            shown(interval.map(|(lower, _)| lower)),
            shown(interval.map(|(_, upper)| upper)),
            Cell::maybe(row.estimate.error_pct(design.confidence), 1),
        ];
        if let Some(error) = wanted {
            let plots = row.estimate.plots_needed(error, design.confidence);
            cells.push(Cell::maybe(plots.map(|n| n as f64), 0));
        }
        table.rows.push(cells);
    }
    table
}

/// Totals of one scope, where its area is known, of those attributes that add up.
pub fn totals(
    lookup: &Lookup<'_>,
    design: &Design,
    scope: Scope<'_>,
    selection: SelectionIndex,
    attributes: &[Attribute],
) -> Table {
    let level = confidence_words(design);
    let columns = vec![
        Column::words("live trees"),
        Column::words("unit"),
        Column::number("total", ""),
        Column::number("std error", ""),
        Column::number("lower", &level),
        Column::number("upper", &level),
    ];
    let mut table = Table::new("", 1, columns);
    let domain = everything(StatusDomain::Live);
    for attribute in attributes {
        let row = lookup.row(scope, selection, domain, *attribute);
        let Some((row, area_ha)) = row.and_then(|row| Some((row, row.area_ha?))) else {
            continue;
        };
        if !attribute.is_additive() {
            continue;
        }
        let area = area_ha * design.units.area().from_metric;
        let factor = attribute.unit(design.units).from_metric * area;
        let shown = |value: Option<f64>| Cell::maybe(value.map(|v| v * factor), 0);
        let interval = row.estimate.interval(design.confidence);
        table.rows.push(vec![
            Cell::text(attribute.words()),
            Cell::text(attribute.total_unit(design.units)),
            shown(Some(row.estimate.mean)),
            shown(row.estimate.std_error),
            shown(interval.map(|(lower, _)| lower)),
            shown(interval.map(|(_, upper)| upper)),
        ]);
        let unit = design.units.area().label;
        table.caption = format!(
            "Totals on {} {unit}",
            crate::tables::plain((area * 1e4).round() / 1e4)
        );
    }
    table
}

/// Species by species: each of the wanted attributes that is there, with half its interval.
pub fn by_species(
    lookup: &Lookup<'_>,
    design: &Design,
    records: &Records,
    scope: Scope<'_>,
    selection: SelectionIndex,
    status: StatusDomain,
    wanted: &[Attribute],
) -> Table {
    let attributes = present(lookup, scope, selection, status, wanted);
    let per_area = design.units.area().label;
    let whole = lookup.estimate(scope, selection, everything(status), Attribute::BasalArea);
    let caption = if whole.is_some_and(|e| e.no_interval.is_none()) {
        format!(
            "each figure per {per_area} with half the width of its {} interval (+-)",
            confidence_words(design)
        )
    } else {
        format!("each figure per {per_area}")
    };
    let mut table = Table::new(caption, 1, figure_columns("species", &attributes, design));
    let species = lookup.species(scope, selection, status);
    for species in species.into_iter().map(Some).chain([None]) {
        let domain = Domain {
            status,
            species,
            dbh_class: None,
        };
        let mut row = vec![Cell::text(species_label(species, records))];
        row.extend(figure_cells(
            lookup,
            design,
            scope,
            selection,
            domain,
            &attributes,
        ));
        table.rows.push(row);
    }
    table
}

/// Live trees, one line per scope (strata of a stand, stands of a cruise), the last one the whole.
pub fn by_scope<'a>(
    lookup: &Lookup<'a>,
    design: &Design,
    head: &str,
    scopes: &[(String, Scope<'a>)],
    selection: SelectionIndex,
    wanted: &[Attribute],
) -> Table {
    let status = StatusDomain::Live;
    let mut attributes: Vec<Attribute> = Vec::new();
    for (_, scope) in scopes {
        attributes.extend(present(lookup, *scope, selection, status, wanted));
    }
    attributes.sort_unstable();
    attributes.dedup();
    let mut columns = vec![Column::words(head)];
    columns.push(Column::number("area", design.units.area().label));
    columns.push(Column::number("plots", ""));
    columns.extend(
        figure_columns(head, &attributes, design)
            .into_iter()
            .skip(1),
    );
    let mut table = Table::new("", 1, columns);
    for (name, scope) in scopes {
        let domain = everything(status);
        let first = lookup.row(*scope, selection, domain, Attribute::BasalArea);
        let area = first.and_then(|row| row.area_ha);
        let mut row = vec![
            Cell::text(name),
            Cell::maybe(area.map(|area| area * design.units.area().from_metric), 1),
            Cell::maybe(first.map(|row| row.estimate.n_plots as f64), 0),
        ];
        row.extend(figure_cells(
            lookup,
            design,
            *scope,
            selection,
            domain,
            &attributes,
        ));
        table.rows.push(row);
    }
    table
}

/// The selections side by side: the same attribute by each of the rules.
pub fn side_by_side(lookup: &Lookup<'_>, design: &Design, scope: Scope<'_>) -> Table {
    let mut columns = vec![Column::words("attribute"), Column::words("unit")];
    for selection in &design.selections {
        columns.push(Column::number(&selection.name, ""));
        columns.push(Column::number("+-", ""));
    }
    let caption = "live trees by each rule, with half the width of the interval where there is \
                   one; two samples of the same ground, not twice as many plots";
    let mut table = Table::new(caption, 2, columns);
    for attribute in BY_SPECIES.iter().chain(MASSES_BY_SPECIES) {
        let unit = attribute.unit(design.units);
        let mut row = vec![Cell::text(attribute.words()), Cell::text(unit.label)];
        let mut any = 0;
        for selection in 0..design.selections.len() {
            let domain = everything(StatusDomain::Live);
            let cells = figure_cells(lookup, design, scope, selection, domain, &[*attribute]);
            any += usize::from(cells[0] != Cell::Empty);
            row.extend(cells);
        }
        if any > 1 {
            table.rows.push(row);
        }
    }
    table
}

fn present(
    lookup: &Lookup<'_>,
    scope: Scope<'_>,
    selection: SelectionIndex,
    status: StatusDomain,
    wanted: &[Attribute],
) -> Vec<Attribute> {
    let there = lookup.attributes(scope, selection, everything(status));
    wanted
        .iter()
        .copied()
        .filter(|attribute| there.contains(attribute))
        .collect()
}

fn figure_columns(head: &str, attributes: &[Attribute], design: &Design) -> Vec<Column> {
    let mut columns = vec![Column::words(head)];
    for attribute in attributes {
        let unit = attribute.unit(design.units);
        columns.push(Column::number(attribute.head(), unit.label));
        columns.push(Column::number("+-", ""));
    }
    columns
}

fn figure_cells(
    lookup: &Lookup<'_>,
    design: &Design,
    scope: Scope<'_>,
    selection: SelectionIndex,
    domain: Domain,
    attributes: &[Attribute],
) -> Vec<Cell> {
    let mut cells = Vec::new();
    for attribute in attributes {
        let factor = attribute.unit(design.units).from_metric;
        let digits = attribute.digits(design.units);
        let estimate = lookup.estimate(scope, selection, domain, *attribute);
        cells.push(Cell::maybe(estimate.map(|e| e.mean * factor), digits));
        cells.push(Cell::maybe(
            estimate.and_then(|e| half_width(e, design, factor)),
            digits,
        ));
    }
    cells
}
