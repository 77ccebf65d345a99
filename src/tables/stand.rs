//! Tables by dbh class: stand table (trees), stock table (volume or basal area), snag table.

use crate::design::{Design, SelectionIndex};
use crate::estimates::{Attribute, Domain, StatusDomain};
use crate::records::Records;
use crate::tables::figures::species_label;
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::tidy::{ALL, class_limits, decay_name};
use crate::tables::{Cell, Column, Table, plain};

/// An attribute by dbh class and species, with margins.
pub fn by_class_and_species(
    lookup: &Lookup<'_>,
    design: &Design,
    records: &Records,
    scope: Scope<'_>,
    selection: SelectionIndex,
    attribute: Attribute,
) -> Table {
    let status = StatusDomain::Live;
    let species: Vec<Option<usize>> = lookup
        .species(scope, selection, status)
        .into_iter()
        .map(Some)
        .chain([None])
        .collect();
    let mut columns = vec![class_column(design)];
    for species in &species {
        columns.push(Column::number(species_label(*species, records), ""));
    }
    let unit = attribute.unit(design.units);
    let mut table = Table::new(
        format!("{} in {}", attribute.words(), unit.label),
        1,
        columns,
    );
    for dbh_class in class_rows(lookup, scope, selection, status) {
        let mut row = vec![class_cell(dbh_class, design)];
        for species in &species {
            let domain = Domain {
                status,
                species: *species,
                dbh_class,
            };
            let estimate = lookup.estimate(scope, selection, domain, attribute);
            let value = estimate.map(|e| e.mean * unit.from_metric);
            row.push(Cell::maybe(value, attribute.digits(design.units)));
        }
        table.rows.push(row);
    }
    table
}

/// One row of the snags: an attribute by decay class, the last cell that of all of them.
pub(super) struct SnagRow {
    pub(super) attribute: Attribute,
    /// All sizes where there is none.
    pub(super) dbh_class: Option<u32>,
    pub(super) cells: Vec<Cell>,
}

/// Dead trees by dbh class and decay class: trees per area, with basal area and volume below. The
/// first column is that of the dbh classes.
pub(super) fn snag_rows(
    lookup: &Lookup<'_>,
    design: &Design,
    scope: Scope<'_>,
    selection: SelectionIndex,
) -> (Vec<Column>, Vec<SnagRow>) {
    let mut statuses: Vec<StatusDomain> = lookup
        .decay_classes(scope, selection)
        .into_iter()
        .map(StatusDomain::DecayClass)
        .collect();
    statuses.push(StatusDomain::Dead);
    let mut columns = vec![class_column(design)];
    for status in &statuses {
        let head = match status {
            StatusDomain::DecayClass(Some(class)) => {
                format!("decay {}", decay_name(*class, design))
            }
            StatusDomain::DecayClass(None) => "decay n/r".to_owned(),
            StatusDomain::Live | StatusDomain::Dead => ALL.to_owned(),
        };
        columns.push(Column::number(head, ""));
    }
    let classes = class_rows(lookup, scope, selection, StatusDomain::Dead).into_iter();
    let trees = classes.map(|dbh_class| (Attribute::Trees, dbh_class));
    let below = [Attribute::BasalArea, Attribute::VolumeTotal].map(|attribute| (attribute, None));
    let rows = trees.chain(below).map(|(attribute, dbh_class)| {
        let unit = attribute.unit(design.units);
        let cells = statuses.iter().map(|status| {
            let domain = Domain {
                status: *status,
                species: None,
                dbh_class,
            };
            let estimate = lookup.estimate(scope, selection, domain, attribute);
            let value = estimate.map(|e| e.mean * unit.from_metric);
            Cell::maybe(value, attribute.digits(design.units))
        });
        SnagRow {
            attribute,
            dbh_class,
            cells: cells.collect(),
        }
    });
    let is_there = |row: &SnagRow| row.cells.iter().any(|cell| *cell != Cell::Empty);
    (columns, rows.filter(is_there).collect())
}

/// Dead trees by dbh class and decay class as a table.
pub fn snags(
    lookup: &Lookup<'_>,
    design: &Design,
    scope: Scope<'_>,
    selection: SelectionIndex,
) -> Table {
    let (columns, rows) = snag_rows(lookup, design, scope, selection);
    let trees = Attribute::Trees.unit(design.units).label;
    let mut table = Table::new(format!("standing dead trees in {trees}"), 1, columns);
    for row in rows {
        let unit = row.attribute.unit(design.units).label;
        let head = match row.attribute {
            Attribute::Trees => class_cell(row.dbh_class, design),
            other => Cell::text(format!("{}, {unit}", other.words())),
        };
        table
            .rows
            .push(std::iter::once(head).chain(row.cells).collect());
    }
    if lookup.decay_classes(scope, selection).contains(&None) {
        table
            .remarks
            .push("decay n/r: decay class not recorded".to_owned());
    }
    table
}

fn class_column(design: &Design) -> Column {
    Column::words(format!("dbh {}", design.units.diameter().label))
}

/// The dbh classes that have a row, the margin last.
pub(super) fn class_rows(
    lookup: &Lookup<'_>,
    scope: Scope<'_>,
    selection: SelectionIndex,
    status: StatusDomain,
) -> Vec<Option<u32>> {
    let classes = lookup.classes(scope, selection, status);
    // Classes between the smallest and the largest are shown even where nothing was found.
    let rows = match (classes.first(), classes.last()) {
        (Some(first), Some(last)) => (*first..=*last).map(Some).collect(),
        _ => Vec::new(),
    };
    rows.into_iter().chain([None]).collect()
}

pub(super) fn class_cell(dbh_class: Option<u32>, design: &Design) -> Cell {
    Cell::text(match dbh_class {
        Some(class) => {
            let (from, to) = class_limits(class, design);
            format!("{}-{}", plain(from), plain(to))
        }
        None => ALL.to_owned(),
    })
}
