//! `counts.csv`: trees of a sweep that were only counted, and trees of a 3P sample that were
//! predicted and not measured.

use super::columns::{Columns, PREDICTION};
use super::csv::{Column, Row, Table};
use super::limits;
use super::orphans::{Orphans, Selections};
use super::plots::{self, PlotList};
use super::source::Source;
use super::spellings::Spellings;
use super::status::StatusReader;
use super::three_p;
use super::trees::{default_selection, mark_empty};
use crate::design::{Design, Measured, Method, Selection};
use crate::diagnostic::{Diagnostic, Problems};
use crate::records::Status;
use crate::species::SpeciesTable;

/// One row of `counts.csv`.
#[derive(Clone, Debug)]
pub(super) struct CountRow {
    pub(super) line: usize,
    pub(super) plot: Option<usize>,
    pub(super) selection: Option<usize>,
    /// Index into [`Spellings::list`].
    pub(super) species: Option<usize>,
    pub(super) status: Status,
    pub(super) count: f64,
    pub(super) prediction: Option<f64>,
}

/// All of `counts.csv`.
pub(super) struct CountSheet<'a> {
    pub(super) table: Table<'a>,
    pub(super) species: Column,
    pub(super) rows: Vec<CountRow>,
    pub(super) spellings: Spellings<'a>,
    /// Rows that mark a plot without trees: plot, and where the row begins.
    pub(super) no_tree_rows: Vec<(usize, usize)>,
}

/// Reads `counts.csv`. A row without species and with a count of 0 or none marks a sweep that
/// found nothing.
pub(super) fn read_counts<'a>(
    design: &'a Design,
    source: &'a Source,
    species: &'a SpeciesTable,
    plots: &mut PlotList,
    problems: &mut Problems,
) -> Option<CountSheet<'a>> {
    let input = design.inputs.counts.as_ref();
    let mut table = Columns::COUNTS.open(source, input, &design.selections, problems)?;
    let plot_column = plots::required(&table, "plot", problems);
    let species_column = plots::required(&table, "species", problems);
    let count_column = plots::required(&table, "count", problems);
    let (plot_column, species_column, count_column) =
        (plot_column?, species_column?, count_column?);
    let selection_column = table.column("selection");
    let stand_column = table.column("stand");
    let prediction_column = table.column(PREDICTION);
    let is_named = selection_column.is_some();
    let default = default_selection(design, &table, is_named, is_counted, problems);
    let mut rows: Vec<CountRow> = Vec::new();
    let mut no_tree_rows = Vec::new();
    let mut spellings = Spellings::new(design, species);
    let mut status = StatusReader::new(design, &table);
    let mut orphans = Orphans::new(Some(plot_column), stand_column, selection_column);
    let mut row = Row::default();
    while table.read_row(&mut row, problems) {
        let count = table.whole_within(&row, Some(count_column), &limits::SWEEP_COUNT, problems);
        let species_text = row.text(Some(species_column));
        let is_blank = row.text(Some(count_column)).is_none();
        let is_zero = is_blank || count.is_some_and(|count| count <= 0.0);
        let is_mark = species_text.is_none() && is_zero;
        let selections = Selections {
            default,
            is_needed: !is_mark,
        };
        let (plot, selection) = orphans.place(design, &table, &row, selections, plots, problems);
        if is_mark {
            if let Some(plot) = plot {
                mark_empty(design, plots, plot, selection, is_counted);
                no_tree_rows.push((plot, row.byte()));
            }
            continue;
        }
        let missing = [
            (species_column, "species", species_text.is_none()),
            (count_column, "count", is_blank),
        ];
        for (column, what, is_missing) in missing {
            if is_missing {
                problems.push(
                    Diagnostic::error("missing-value", format!("this row has no {what}"))
                        .at(table.site(&row, column))
                        .hint("fill it in, or remove the row"),
                );
            }
        }
        if let Some(selection) = selection
            && !is_counted(&design.selections[selection])
        {
            let message = format!(
                "the trees of selection `{}` are not counted, by the design",
                design.selections[selection].name
            );
            problems.push(
                Diagnostic::error("not-a-counted-selection", message)
                    .at(table.site(&row, selection_column.unwrap_or(plot_column)))
                    .hint(
                        "say `measured: none` or `measured: some` there, or correct the selection",
                    ),
            );
        }
        let mut prediction = None;
        if let Some(selection) = selection.map(|index| &design.selections[index]) {
            let at = prediction_column.unwrap_or(count_column);
            let found = (prediction_column, at);
            if !is_zero || row.text(prediction_column).is_some() {
                prediction = three_p::prediction(selection, &table, found, &row, problems);
            }
            if let (Some(count), Some(prediction)) = (count, prediction) {
                let sum = (count, prediction);
                three_p::check_unmeasured(selection, &table, (&row, at), sum, problems);
            }
        }
        rows.push(CountRow {
            line: row.line(),
            plot,
            selection,
            species: species_text.map(|text| spellings.note(text, row.byte(), row.line())),
            status: status.read(&row),
            count: count.unwrap_or(0.0),
            prediction,
        });
    }
    table.finish(problems);
    spellings.report(&table, species_column, problems);
    status.report(&table, problems);
    orphans.report(design, &table, plots, problems);
    Some(CountSheet {
        table,
        species: species_column,
        rows,
        spellings,
        no_tree_rows,
    })
}

/// Can trees of the selection be counted only?
fn is_counted(selection: &Selection) -> bool {
    match selection.method {
        Method::ThreeP { .. } => true,
        Method::AngleGauge { .. } => selection.measured != Measured::All,
        _ => false,
    }
}
