//! `stands.csv`: the stands, their strata and areas.

use std::collections::BTreeMap;

use super::columns::Columns;
use super::limits;
use super::source::Source;
use crate::design::{Design, StrataWeights};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::units::Dimension;

/// One row of `stands.csv`.
#[derive(Clone, Debug)]
pub(super) struct AreaRow {
    /// Empty where the file has no stand column.
    pub(super) stand: String,
    pub(super) stratum: Option<String>,
    pub(super) area_ha: Option<f64>,
    pub(super) listed_units: Option<f64>,
    pub(super) phase_one_points: Option<f64>,
    /// Where the row begins.
    pub(super) byte: usize,
}

/// All of `stands.csv`.
#[derive(Clone, Debug, Default)]
pub(super) struct AreaList {
    pub(super) rows: Vec<AreaRow>,
    pub(super) has_stands: bool,
    /// Indices of the rows of each stand.
    rows_of: BTreeMap<String, Vec<usize>>,
}

impl AreaList {
    /// The distinct stands, sorted.
    pub(super) fn stands(&self) -> impl ExactSizeIterator<Item = &str> {
        self.rows_of.keys().map(String::as_str)
    }

    /// The rows of a stand: all where the file names none.
    pub(super) fn of_stand(&self, stand: &str) -> impl Iterator<Item = &AreaRow> {
        let stand = if self.has_stands { stand } else { "" };
        let rows = self.rows_of.get(stand).into_iter().flatten();
        rows.map(|index| &self.rows[*index])
    }

    fn push(&mut self, row: AreaRow) {
        let index = self.rows.len();
        self.rows_of
            .entry(row.stand.clone())
            .or_default()
            .push(index);
        self.rows.push(row);
    }
}

/// Reads `stands.csv`.
pub(super) fn read_stands(design: &Design, source: &Source, problems: &mut Problems) -> AreaList {
    let mut list = AreaList::default();
    let input = design.inputs.stands.as_ref();
    let Some(mut table) = Columns::STANDS.open(source, input, &design.selections, problems) else {
        return list;
    };
    let stand_column = table.column("stand");
    let stratum_column = table.column("stratum");
    let area_column = table.quantity("area", Dimension::Area, problems);
    let units_column = table.column("listed_units");
    let points_column = table.column("phase_one_points");
    if area_column.is_none() && !table.heads().iter().any(|head| head == "area") {
        let message = "there is no column for the area";
        // A list of units or points is worth a file of its own.
        let finding = if units_column.is_some() || points_column.is_some() {
            Diagnostic::warning("missing-column", message)
                .hint("name it `area_ha` or `area_ac`; without it there are no totals")
        } else {
            Diagnostic::error("missing-column", message).hint("name it `area_ha` or `area_ac`")
        };
        problems.push(finding.at(source.site(1, 0)));
    }
    let mut blank = Vec::new();
    list.has_stands = stand_column.is_some();
    while let Some(row) = table.next_row(problems) {
        let stand = row.text(stand_column).unwrap_or_default().to_owned();
        if stand.is_empty() && list.has_stands {
            problems.push(
                Diagnostic::error("missing-value", "this row names no stand")
                    .at(table.row_site(&row))
                    .hint("fill it in, or remove the row"),
            );
            continue;
        }
        let stratum = row.text(stratum_column).map(str::to_owned);
        let area_ha = table.number_within(&row, area_column, &limits::STAND_AREA, problems);
        let listed_units = table.whole_within(&row, units_column, &limits::LISTED_UNITS, problems);
        let phase_one_points =
            table.whole_within(&row, points_column, &limits::PHASE_ONE_POINTS, problems);
        if area_column.is_some() && row.text(area_column).is_none() {
            blank.push((stand.clone(), stratum.clone(), table.row_site(&row)));
        }
        let twice = list.of_stand(&stand).find(|row| row.stratum == stratum);
        if let Some(first) = twice {
            let message = format!(
                "{} is listed twice, first {}",
                place_name(&stand, stratum.as_deref()),
                source.in_lines(&[source.line_of(first.byte)])
            );
            problems.push(
                Diagnostic::error("stand-twice", message)
                    .at(table.row_site(&row))
                    .hint("keep one row for each stand, or for each stand and stratum"),
            );
            continue;
        }
        list.push(AreaRow {
            stand,
            stratum,
            area_ha,
            listed_units,
            phase_one_points,
            byte: row.byte(),
        });
    }
    let estimated = design.sampling.strata == StrataWeights::Estimated;
    for (stand, stratum, site) in blank {
        let by_points = |row: &AreaRow| row.stratum.is_none() && row.area_ha.is_some();
        let mut of_stand = list.of_stand(&stand);
        if estimated && stratum.is_some() && of_stand.any(by_points) {
            continue;
        }
        let message = format!(
            "the area of {} is blank",
            place_name(&stand, stratum.as_deref())
        );
        problems.push(
            Diagnostic::warning("no-area", message)
                .at(site)
                .hint("without it there are figures per area only, and no totals"),
        );
    }
    table.finish(problems);
    list
}

/// "stand `A`, stratum `S1`", as far as they have names.
pub(super) fn place_name(stand: &str, stratum: Option<&str>) -> String {
    match (stand.is_empty(), stratum) {
        (true, None) => String::from("the stand"),
        (true, Some(stratum)) => format!("stratum {}", seen(stratum)),
        (false, None) => format!("stand {}", seen(stand)),
        (false, Some(stratum)) => format!("stand {}, stratum {}", seen(stand), seen(stratum)),
    }
}
