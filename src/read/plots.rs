//! `plots.csv`: every plot visited, what was done there and the plot's own sizes and factors.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use smol_str::SmolStr;

use super::columns::Columns;
use super::csv::{Column, Row, Table};
use super::limits;
use super::nearest::did_you_mean;
use super::plot_sizes::{self, SizeColumns};
use super::plot_slope::{Slope, SlopeColumns};
use super::source::Source;
use super::stands::{AreaList, place_name};
use crate::design::{Design, Selection};
use crate::diagnostic::{Diagnostic, Problems, Site, seen};
use crate::records::Rule;

/// One plot, as listed.
#[derive(Clone, Debug)]
pub(super) struct PlotEntry {
    pub(super) stand: SmolStr,
    pub(super) name: SmolStr,
    pub(super) stratum: Option<SmolStr>,
    pub(super) cluster: Option<SmolStr>,
    pub(super) easting: Option<f64>,
    pub(super) northing: Option<f64>,
    /// By selection; `None` where the selection was not carried out.
    pub(super) visits: Vec<Option<VisitEntry>>,
    /// Where its first row begins in `plots.csv`.
    pub(super) byte: usize,
}

/// One selection at one plot, as listed.
#[derive(Clone, Debug)]
pub(super) struct VisitEntry {
    pub(super) rule: Rule,
    pub(super) slope_to_correct: f64,
    pub(super) plot_fraction: f64,
    /// Where its row begins in `plots.csv`.
    pub(super) byte: usize,
    /// Does a record say that no tree was found?
    pub(super) marked_empty: bool,
}

/// All plots, found by stand and name.
#[derive(Clone, Debug, Default)]
pub(super) struct PlotList {
    pub(super) plots: Vec<PlotEntry>,
    /// By stand, then by plot.
    index: BTreeMap<SmolStr, BTreeMap<SmolStr, usize>>,
    /// Does the list come from `plots.csv`, rather than from the trees and counts?
    pub(super) is_listed: bool,
    /// Do the plots name their stands?
    pub(super) has_stands: bool,
    /// The stand of plots that name none.
    pub(super) sole_stand: String,
}

/// Why a record has no plot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum NoPlot {
    /// No plot of this stand and name.
    NotListed,
    /// Several stands have a plot of this name and the record names none.
    SeveralStands,
}

impl PlotList {
    /// No list: plots are added as records name them.
    pub(super) fn unlisted(sole_stand: String) -> Self {
        PlotList {
            sole_stand,
            ..PlotList::default()
        }
    }

    /// The plot of a record that may or may not name its stand.
    pub(super) fn find(&self, stand: Option<&str>, plot: &str) -> Result<usize, NoPlot> {
        let stand = match stand {
            Some(stand) if self.has_stands || !self.is_listed => stand,
            _ if !self.has_stands => &self.sole_stand,
            _ => {
                let mut found = self.index.values().filter_map(|plots| plots.get(plot));
                return match (found.next(), found.next()) {
                    (Some(index), None) => Ok(*index),
                    (Some(_), Some(_)) => Err(NoPlot::SeveralStands),
                    (None, _) => Err(NoPlot::NotListed),
                };
            }
        };
        self.index
            .get(stand)
            .and_then(|plots| plots.get(plot))
            .copied()
            .ok_or(NoPlot::NotListed)
    }

    /// The plot of that stand and name; a new one without visits if there is none.
    fn find_or_add(&mut self, stand: &str, name: &str, byte: usize, selections: usize) -> usize {
        let index = self.plots.len();
        let (stand, name) = (SmolStr::new(stand), SmolStr::new(name));
        let plots = self.index.entry(stand.clone()).or_default();
        match plots.entry(name.clone()) {
            Entry::Occupied(known) => return *known.get(),
            Entry::Vacant(free) => free.insert(index),
        };
        self.plots.push(PlotEntry {
            stand,
            name,
            stratum: None,
            cluster: None,
            easting: None,
            northing: None,
            visits: vec![None; selections],
            byte,
        });
        index
    }

    /// A plot known only from its trees or counts: every selection was carried out, by the design.
    pub(super) fn add_unlisted(
        &mut self,
        design: &Design,
        stand: Option<&str>,
        name: &str,
    ) -> usize {
        let stand = stand.unwrap_or(&self.sole_stand).to_owned();
        let index = self.find_or_add(&stand, name, 0, design.selections.len());
        let visits = &mut self.plots[index].visits;
        for (visit, selection) in visits.iter_mut().zip(&design.selections) {
            visit.get_or_insert_with(|| VisitEntry {
                rule: plot_sizes::rule_of(&selection.method),
                slope_to_correct: 0.0,
                plot_fraction: 1.0,
                byte: 0,
                marked_empty: false,
            });
        }
        index
    }

    /// The names of the plots of a stand (or of all), for hints.
    pub(super) fn names(&self, stand: &str) -> Vec<&str> {
        let plots = self.plots.iter();
        plots
            .filter(|plot| stand.is_empty() || plot.stand == stand)
            .map(|plot| plot.name.as_str())
            .collect()
    }

    /// Plots of one stand that follow each other, in the order of the list: a stand of a sorted
    /// list is one run.
    pub(super) fn runs_of_stands(&self) -> impl Iterator<Item = &[PlotEntry]> {
        self.plots.chunk_by(|a, b| a.stand == b.stand)
    }

    /// The names of the stands.
    pub(super) fn stands(&self) -> Vec<&str> {
        self.index.keys().map(SmolStr::as_str).collect()
    }

    /// "plot `7`", with its stand where plots name theirs.
    pub(super) fn name_of(&self, index: usize) -> String {
        let plot = &self.plots[index];
        if self.has_stands {
            format!(
                "plot {} of {}",
                seen(&plot.name),
                place_name(&plot.stand, None)
            )
        } else {
            format!("plot {}", seen(&plot.name))
        }
    }
}

struct PlotColumns {
    plot: Column,
    stand: Option<Column>,
    stratum: Option<Column>,
    cluster: Option<Column>,
    selection: Option<Column>,
    slope: SlopeColumns,
    plot_fraction: Option<Column>,
    easting: Option<Column>,
    northing: Option<Column>,
    sizes: SizeColumns,
}

impl PlotColumns {
    fn of(table: &Table, selections: &[Selection], problems: &mut Problems) -> Option<Self> {
        let columns = PlotColumns {
            plot: required(table, "plot", problems)?,
            stand: table.column("stand"),
            stratum: table.column("stratum"),
            cluster: table.column("cluster"),
            selection: table.column("selection"),
            slope: SlopeColumns::of(table, problems),
            plot_fraction: table.column("plot_fraction"),
            easting: table.column("easting"),
            northing: table.column("northing"),
            sizes: SizeColumns::of(table, selections, problems),
        };
        Some(columns)
    }
}

/// A column that must be there.
pub(super) fn required(table: &Table, name: &str, problems: &mut Problems) -> Option<Column> {
    let column = table.column(name);
    if column.is_none() {
        let heads: Vec<&str> = table.heads().iter().map(String::as_str).collect();
        let hint = match super::nearest::nearest(name, heads.iter().copied()) {
            Some(near) => format!("name it so, or say in the design `columns: {{{near}: {name}}}`"),
            None => format!("the columns are {}", heads.join(", ")),
        };
        problems.push(
            Diagnostic::error("missing-column", format!("there is no column `{name}`"))
                .at(table.head_site(0))
                .hint(hint),
        );
    }
    column
}

/// The selection of a name, without regard to case.
pub(super) fn find_selection(selections: &[Selection], name: &str) -> Option<usize> {
    selections
        .iter()
        .position(|selection| selection.name.eq_ignore_ascii_case(name))
}

/// Says that a selection is not in the design.
pub(super) fn unknown_selection(selections: &[Selection], name: &str) -> Diagnostic {
    let names: Vec<&str> = selections.iter().map(|s| s.name.as_str()).collect();
    let message = format!("the design has no selection {}", seen(name));
    Diagnostic::error("unknown-selection", message).hint(did_you_mean(name, &names))
}

/// Reads `plots.csv`.
pub(super) fn read_plots(
    design: &Design,
    source: &Source,
    areas: &AreaList,
    problems: &mut Problems,
) -> PlotList {
    let mut list = PlotList {
        is_listed: true,
        sole_stand: sole_stand(design, areas),
        ..PlotList::default()
    };
    let input = design.inputs.plots.as_ref();
    let selections = &design.selections;
    let Some(mut table) = Columns::PLOTS.open(source, input, selections, problems) else {
        return list;
    };
    let Some(columns) = PlotColumns::of(&table, selections, problems) else {
        return list;
    };
    list.has_stands = columns.stand.is_some();
    let stands = areas.stands().len();
    if !list.has_stands && areas.has_stands && stands > 1 {
        let message =
            format!("there is no column `stand`, but the stands file lists {stands} stands");
        problems.push(
            Diagnostic::error("missing-column", message)
                .at(table.head_site(0))
                .hint("say for each plot in which stand it lies"),
        );
    }
    columns
        .sizes
        .check(&table, selections, columns.selection.is_some(), problems);
    let mut row = Row::default();
    while table.read_row(&mut row, problems) {
        read_plot(design, &table, &columns, &row, &mut list, problems);
    }
    table.finish(problems);
    if list.plots.is_empty() && !problems.has_errors() {
        problems.push(
            Diagnostic::error("no-plots", "the file lists no plot")
                .at(source.whole())
                .hint("type a row for every plot visited, with or without trees; then its trees"),
        );
    }
    list
}

/// The one stand of records that name none.
pub(super) fn sole_stand(design: &Design, areas: &AreaList) -> String {
    let mut stands = areas.stands();
    match (stands.next(), stands.next()) {
        (Some(only), None) if !only.is_empty() => only.to_owned(),
        _ => design.title.clone(),
    }
}

fn read_plot(
    design: &Design,
    table: &Table,
    columns: &PlotColumns,
    row: &Row,
    list: &mut PlotList,
    problems: &mut Problems,
) {
    let Some(name) = row.text(Some(columns.plot)) else {
        problems.push(
            Diagnostic::error("missing-value", "this row names no plot")
                .at(table.row_site(row))
                .hint("fill it in, or remove the row"),
        );
        return;
    };
    let stand = match row.text(columns.stand) {
        Some(stand) => SmolStr::new(stand),
        None if columns.stand.is_none() => SmolStr::new(&list.sole_stand),
        None => {
            let message = format!("plot {} names no stand", seen(name));
            problems.push(
                Diagnostic::error("missing-value", message)
                    .at(table.row_site(row))
                    .hint("fill it in"),
            );
            return;
        }
    };
    let Some(done) = selections_done(design, table, columns, row, problems) else {
        return;
    };
    let index = list.find_or_add(&stand, name, row.byte(), design.selections.len());
    merge_plot(&mut list.plots[index], table, columns, row, problems);
    let slope = Slope::read(table, &columns.slope, row, problems);
    let whole_fraction =
        table.number_within(row, columns.plot_fraction, &limits::FRACTION, problems);
    let own = columns.sizes.read(design, table, row, &done, problems);
    let mut part = Vec::new();
    for (selection, own) in done.iter().copied().zip(own) {
        let rule = own.rule;
        let plot_fraction = own.plot_fraction.or(whole_fraction).unwrap_or(1.0);
        if let Some(first) = &list.plots[index].visits[selection] {
            let (name, source) = (list.name_of(index), table.source());
            let first = source.in_lines(&[source.line_of(first.byte)]);
            let what = if columns.selection.is_some() {
                format!("{name}, selection `{}`,", design.selections[selection].name)
            } else {
                name
            };
            let message = format!("{what} is listed twice, first {first}");
            problems.push(
                Diagnostic::error("plot-twice", message)
                    .at(table.row_site(row))
                    .hint("it would count twice: remove or rename one of the rows"),
            );
            return;
        }
        list.plots[index].visits[selection] = Some(VisitEntry {
            rule,
            slope_to_correct: slope.to_correct(&design.selections[selection]),
            plot_fraction,
            byte: row.byte(),
            marked_empty: false,
        });
        if plot_fraction < 1.0 {
            part.push((selection, plot_fraction));
        }
    }
    let name = || list.name_of(index);
    slope.report(design, table, &done, &name, problems);
    if !part.is_empty() {
        report_part(design, &part, &name(), &table.row_site(row), problems);
    }
}

/// Says which selections lie partly outside of the stand, those of one share together.
fn report_part(
    design: &Design,
    part: &[(usize, f64)],
    plot: &str,
    site: &Site,
    problems: &mut Problems,
) {
    for same in part.chunk_by(|a, b| a.1.total_cmp(&b.1).is_eq()) {
        let names: Vec<String> = same
            .iter()
            .map(|(selection, _)| format!("`{}`", design.selections[*selection].name))
            .collect();
        let message = format!(
            "{plot}, selection {}: {} of the plot lies in the stand, and its trees stand for as \
             many more",
            names.join(" and "),
            same[0].1
        );
        problems.push(Diagnostic::note("part-plot", message).at(site.clone()));
    }
}

/// The selections that a row speaks of: the one that it names, or all.
fn selections_done(
    design: &Design,
    table: &Table,
    columns: &PlotColumns,
    row: &Row,
    problems: &mut Problems,
) -> Option<Vec<usize>> {
    let Some(column) = columns.selection else {
        return Some((0..design.selections.len()).collect());
    };
    let Some(name) = row.text(Some(column)) else {
        return Some((0..design.selections.len()).collect());
    };
    let found = find_selection(&design.selections, name);
    if found.is_none() {
        problems.push(unknown_selection(&design.selections, name).at(table.site(row, column)));
    }
    Some(vec![found?])
}

/// Takes over what a row says of the whole plot; rows of one plot must agree.
fn merge_plot(
    plot: &mut PlotEntry,
    table: &Table,
    columns: &PlotColumns,
    row: &Row,
    problems: &mut Problems,
) {
    let lacks = match (row.text(columns.easting), row.text(columns.northing)) {
        (Some(_), None) => Some("northing"),
        (None, Some(_)) => Some("easting"),
        _ => None,
    };
    if let Some(lacks) = lacks {
        let message = format!("plot {} has no `{lacks}`", seen(&plot.name));
        problems.push(
            Diagnostic::error("half-position", message)
                .at(table.row_site(row))
                .hint("give both `easting` and `northing`, or neither"),
        );
    }
    let mut disagree = |column: Option<Column>, first: String, now: String| {
        if let Some(column) = column {
            let head = &table.heads()[column.index];
            let message = format!(
                "plot {} has two values of `{head}`: {} and {}",
                seen(&plot.name),
                seen(&first),
                seen(&now)
            );
            problems.push(
                Diagnostic::error("plot-rows-disagree", message)
                    .at(table.site(row, column))
                    .hint("all rows of a plot must agree"),
            );
        }
    };
    for (column, held) in [
        (columns.stratum, &mut plot.stratum),
        (columns.cluster, &mut plot.cluster),
    ] {
        match (row.text(column), held.as_deref()) {
            (Some(now), Some(first)) if now != first => {
                disagree(column, first.to_owned(), now.to_owned());
            }
            (Some(now), None) => *held = Some(SmolStr::new(now)),
            _ => {}
        }
    }
    let coordinates = [
        (columns.easting, &mut plot.easting),
        (columns.northing, &mut plot.northing),
    ];
    let mut numbers = Problems::new();
    for (column, held) in coordinates {
        let now = table.number_within(row, column, &limits::COORDINATE, &mut numbers);
        match (now, *held) {
            (Some(now), Some(first)) if now.total_cmp(&first).is_ne() => {
                disagree(column, first.to_string(), now.to_string());
            }
            (Some(now), None) => *held = Some(now),
            _ => {}
        }
    }
    problems.append(numbers);
}

/// Yes or no, in the usual ways to write them.
pub(super) fn yes_or_no(text: &str) -> Option<bool> {
    match text.to_lowercase().as_str() {
        "yes" | "y" | "true" | "1" => Some(true),
        "no" | "n" | "false" | "0" => Some(false),
        _ => None,
    }
}
