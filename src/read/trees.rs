//! `trees.csv`: trees with records of their own, and rows that mark a plot without trees.

use std::borrow::Cow;

use smol_str::SmolStr;

use super::columns::{Columns, PREDICTION};
use super::csv::{Column, Row, Table};
use super::limits;
use super::orphans::{Orphans, Selections};
use super::plots::{self, PlotList};
use super::readings::{HeightColumns, HeightFields};
use super::source::Source;
use super::spellings::Spellings;
use super::status::StatusReader;
use super::three_p;
use crate::design::{Design, Measured, Method, Selection};
use crate::diagnostic::{Diagnostic, Problems, Site, seen};
use crate::records::{Rule, Status};
use crate::species::SpeciesTable;
use crate::units::Dimension;

/// One tree as recorded; parts that could not be read are missing.
#[derive(Clone, Debug)]
pub(super) struct TreeRow {
    pub(super) byte: usize,
    pub(super) line: usize,
    /// Index into [`PlotList::plots`].
    pub(super) plot: Option<usize>,
    pub(super) selection: Option<usize>,
    pub(super) number: SmolStr,
    /// Index into [`Spellings::list`].
    pub(super) species: Option<usize>,
    pub(super) dbh_cm: Option<f64>,
    pub(super) status: Status,
    pub(super) height: HeightFields,
    pub(super) count: f64,
    pub(super) walkthrough: f64,
    pub(super) defect_pct: Option<f64>,
    pub(super) crown_ratio_pct: Option<f64>,
    pub(super) baf_m2_per_ha: Option<f64>,
    pub(super) prediction: Option<f64>,
    pub(super) distance_to_centre_m: Option<f64>,
    /// Below the least dbh, or outside every ring.
    pub(super) excluded: bool,
}

impl TreeRow {
    /// Recorded or read height, m.
    pub(super) fn height_m(&self) -> Option<f64> {
        self.height.height_m()
    }

    /// The factor or plot in force for this tree.
    pub(super) fn rule<'p>(&self, plots: &'p PlotList) -> Option<Cow<'p, Rule>> {
        let visit = plots.plots[self.plot?].visits[self.selection?].as_ref()?;
        Some(match (&visit.rule, self.baf_m2_per_ha) {
            (Rule::AngleGauge { .. }, Some(baf_m2_per_ha)) => {
                Cow::Owned(Rule::AngleGauge { baf_m2_per_ha })
            }
            (rule, _) => Cow::Borrowed(rule),
        })
    }
}

/// Where the columns of `trees.csv` are.
pub(super) struct TreeColumns {
    /// Not there only in a file of full tallies.
    plot: Option<Column>,
    stand: Option<Column>,
    selection: Option<Column>,
    pub(super) tree: Option<Column>,
    pub(super) species: Column,
    pub(super) dbh: Column,
    pub(super) height: HeightColumns,
    walkthrough: Option<Column>,
    defect: Option<Column>,
    crown_ratio: Option<Column>,
    count: Option<Column>,
    pub(super) baf: Option<Column>,
    prediction: Option<Column>,
    pub(super) distance_to_centre: Option<Column>,
}

impl TreeColumns {
    fn of(table: &Table, plot_is_needed: bool, problems: &mut Problems) -> Option<Self> {
        let plot = if plot_is_needed {
            plots::required(table, "plot", problems)
        } else {
            table.column("plot")
        };
        let species = plots::required(table, "species", problems);
        let dbh = table.quantity("dbh", Dimension::Diameter, problems);
        // A head without unit is already reported.
        if dbh.is_none() && table.column("dbh").is_none() {
            problems.push(
                Diagnostic::error("missing-column", "there is no column for the dbh")
                    .at(table.head_site(0))
                    .hint("name it `dbh_cm`, `dbh_in` or `dbh_mm`, or say in the design `columns: {HEAD: dbh_cm}`"),
            );
        }
        if plot_is_needed && plot.is_none() {
            return None;
        }
        Some(TreeColumns {
            stand: table.column("stand"),
            selection: table.column("selection"),
            tree: table.column("tree"),
            height: HeightColumns::of(table, problems),
            walkthrough: table.column("walkthrough"),
            defect: table.column("defect_pct"),
            crown_ratio: table.column("crown_ratio_pct"),
            count: table.column("count"),
            baf: table.quantity("baf", Dimension::BasalAreaFactor, problems),
            prediction: table.column(PREDICTION),
            distance_to_centre: table.quantity("distance_to_centre", Dimension::Length, problems),
            plot,
            species: species?,
            dbh: dbh?,
        })
    }
}

impl TreeColumns {
    /// Is there a column for defects?
    pub(super) fn has_defects(&self) -> bool {
        self.defect.is_some()
    }
}

/// All of `trees.csv`.
pub(super) struct TreeSheet<'a> {
    pub(super) table: Table<'a>,
    pub(super) columns: TreeColumns,
    pub(super) rows: Vec<TreeRow>,
    pub(super) spellings: Spellings<'a>,
    /// Rows that mark a plot without trees: plot, and where the row begins.
    pub(super) no_tree_rows: Vec<(usize, usize)>,
}

impl TreeSheet<'_> {
    /// Place of a field of a row.
    pub(super) fn site(&self, row: &TreeRow, column: Option<Column>) -> Site {
        self.table.site_in_row_at(row.byte, column)
    }
}

/// Reads `trees.csv`. Plots that are not listed are an error, or are added to the list where the
/// design has no plots file.
pub(super) fn read_trees<'a>(
    design: &'a Design,
    source: &'a Source,
    species: &'a SpeciesTable,
    plots: &mut PlotList,
    problems: &mut Problems,
) -> Option<TreeSheet<'a>> {
    let input = design.inputs.trees.as_ref();
    let mut table = Columns::TREES.open(source, input, &design.selections, problems)?;
    let mut selections = design.selections.iter();
    let no_plots = selections.all(|selection| selection.method.visits_all());
    let plot_is_needed = plots.is_listed || !no_plots;
    let columns = TreeColumns::of(&table, plot_is_needed, problems)?;
    let is_named = columns.selection.is_some();
    let default_selection = default_selection(design, &table, is_named, is_measured, problems);
    let mut sheet_rows = Vec::with_capacity(table.likely_rows());
    let mut no_tree_rows = Vec::new();
    let mut spellings = Spellings::new(design, species);
    let mut status = StatusReader::new(design, &table);
    let mut orphans = Orphans::new(columns.plot, columns.stand, columns.selection);
    let mut row = Row::default();
    while table.read_row(&mut row, problems) {
        let is_mark = row.text(Some(columns.species)).is_none()
            && row.text(Some(columns.dbh)).is_none()
            && !columns.height.are_filled(&row);
        let (plot, selection) = orphans.place(
            design,
            &table,
            &row,
            Selections {
                default: default_selection,
                is_needed: !is_mark,
            },
            plots,
            problems,
        );
        if is_mark {
            if let Some(plot) = plot {
                mark_empty(design, plots, plot, selection, is_measured);
                no_tree_rows.push((plot, row.byte()));
            }
            continue;
        }
        let mut tree = read_tree(design, &table, &columns, &row, problems);
        tree.plot = plot;
        tree.selection = selection;
        tree.status = status.read(&row);
        tree.species = row
            .text(Some(columns.species))
            .map(|text| spellings.note(text, row.byte(), row.line()));
        check_selection(design, &table, &columns, &row, &mut tree, problems);
        tree.excluded = is_excluded(design, plots, &tree);
        sheet_rows.push(tree);
    }
    table.finish(problems);
    spellings.report(&table, columns.species, problems);
    status.report(&table, problems);
    orphans.report(design, &table, plots, problems);
    Some(TreeSheet {
        table,
        columns,
        rows: sheet_rows,
        spellings,
        no_tree_rows,
    })
}

/// Can a tree of this selection have a record, and a factor, of its own?
fn check_selection(
    design: &Design,
    table: &Table,
    columns: &TreeColumns,
    row: &Row,
    tree: &mut TreeRow,
    problems: &mut Problems,
) {
    let Some(selection) = tree.selection.map(|index| &design.selections[index]) else {
        return;
    };
    if selection.measured == Measured::None {
        let message = format!(
            "the trees of selection `{}` are only counted, by the design",
            selection.name
        );
        problems.push(
            Diagnostic::error("not-a-measured-selection", message)
                .at(table.site(row, columns.selection.unwrap_or(columns.species)))
                .hint("say `measured: some` or `measured: all` there, or correct the selection"),
        );
    }
    let is_sweep = matches!(selection.method, Method::AngleGauge { .. });
    if let (Some(_), Some(column), false) = (tree.baf_m2_per_ha, columns.baf, is_sweep) {
        tree.baf_m2_per_ha = None;
        let message = format!(
            "the selection `{}` is no sweep: its trees have no basal area factor",
            selection.name
        );
        problems.push(Diagnostic::warning("override-ignored", message).at(table.site(row, column)));
    }
    let is_three_p = matches!(selection.method, Method::ThreeP { .. });
    let at = columns.prediction.unwrap_or(columns.dbh);
    if is_three_p || columns.prediction.is_some() {
        tree.prediction =
            three_p::prediction(selection, table, (columns.prediction, at), row, problems);
    }
    if is_three_p && tree.count > 1.0 {
        let message = format!(
            "a tree of the 3P sample `{}` stands for {} like ones",
            selection.name, tree.count
        );
        problems.push(
            Diagnostic::error("three-p-count", message)
                .at(table.site(row, columns.count.unwrap_or(at)))
                .hint("give each measured tree a row with its own prediction"),
        );
    }
}

/// The selection of rows that name none: the only one that the file can be about.
pub(super) fn default_selection(
    design: &Design,
    table: &Table,
    is_named: bool,
    fits: impl Fn(&Selection) -> bool,
    problems: &mut Problems,
) -> Option<usize> {
    let fitting: Vec<usize> = (0..design.selections.len())
        .filter(|index| fits(&design.selections[*index]))
        .collect();
    if let [only] = fitting[..] {
        return Some(only);
    }
    if !is_named {
        let names: Vec<&str> = fitting
            .iter()
            .map(|i| design.selections[*i].name.as_str())
            .collect();
        let (message, hint) = if names.is_empty() {
            (
                String::from("the design has no selection that this file could be about"),
                String::from("look at `measured` of its selections"),
            )
        } else {
            (
                format!(
                    "there is no column `selection`, and the design has {}",
                    names.len()
                ),
                format!("say for each row which it is of: {}", names.join(", ")),
            )
        };
        problems.push(
            Diagnostic::error("missing-column", message)
                .at(table.head_site(0))
                .hint(hint),
        );
    }
    None
}

/// Can trees of the selection have records of their own?
fn is_measured(selection: &Selection) -> bool {
    selection.measured != Measured::None
}

/// The plot was visited and nothing found: by this selection or, if the row names none, by every
/// one that the file can be about.
pub(super) fn mark_empty(
    design: &Design,
    plots: &mut PlotList,
    plot: usize,
    selection: Option<usize>,
    fits: impl Fn(&Selection) -> bool,
) {
    let visits = plots.plots[plot].visits.iter_mut();
    for (index, visit) in visits.enumerate() {
        let is_meant = selection.map_or_else(|| fits(&design.selections[index]), |s| s == index);
        if let (Some(visit), true) = (visit, is_meant) {
            visit.marked_empty = true;
        }
    }
}

fn read_tree(
    design: &Design,
    table: &Table,
    columns: &TreeColumns,
    row: &Row,
    problems: &mut Problems,
) -> TreeRow {
    for (column, what) in [(columns.species, "species"), (columns.dbh, "dbh")] {
        if row.text(Some(column)).is_none() {
            problems.push(
                Diagnostic::error("missing-value", format!("this tree has no {what}"))
                    .at(table.site(row, column))
                    .hint("a row without species, dbh and height marks a plot without trees"),
            );
        }
    }
    let dbh_cm = table.number_within(row, Some(columns.dbh), &limits::DBH, problems);
    let mut height = columns.height.read(table, row, problems);
    check_height(design, table, columns, row, &mut height, problems);
    TreeRow {
        byte: row.byte(),
        line: row.line(),
        plot: None,
        selection: None,
        number: row.text(columns.tree).unwrap_or_default().into(),
        species: None,
        dbh_cm,
        status: Status::Live,
        height,
        count: table
            .whole_within(row, columns.count, &limits::TREE_COUNT, problems)
            .unwrap_or(1.0),
        walkthrough: read_walkthrough(table, columns, row, problems),
        defect_pct: table.number_within(row, columns.defect, &limits::DEFECT_PCT, problems),
        crown_ratio_pct: table.number_within(
            row,
            columns.crown_ratio,
            &limits::CROWN_RATIO_PCT,
            problems,
        ),
        baf_m2_per_ha: table.number_within(row, columns.baf, &limits::FACTOR, problems),
        prediction: None,
        distance_to_centre_m: table.number_within(
            row,
            columns.distance_to_centre,
            &limits::CENTRE_DISTANCE,
            problems,
        ),
        excluded: false,
    }
}

/// Heights that differ by less are the same figure.
const SAME_M: f64 = 0.05;

/// A tree with a dbh is taller than breast height, and a break lies below the top.
fn check_height(
    design: &Design,
    table: &Table,
    columns: &TreeColumns,
    row: &Row,
    height: &mut HeightFields,
    problems: &mut Problems,
) {
    let total = height.height_m();
    if total.is_none() && height.broken_height_m.is_none() {
        return;
    }
    let breast_height = design.heights.breast_height_m;
    let site = |column: Option<Column>| table.site_in_row_at(row.byte(), column);
    let height_column = columns
        .height
        .height
        .filter(|column| row.text(Some(*column)).is_some())
        .or(columns.height.top());
    for (height_m, column, what) in [
        (total, height_column, "height"),
        (
            height.broken_height_m,
            columns.height.broken_height,
            "broken height",
        ),
    ] {
        if let Some(height_m) = height_m
            && height_m <= breast_height
        {
            let message = format!(
                "a {what} of {height_m:.2} m does not reach breast height ({breast_height} m), \
                 but the tree has a dbh"
            );
            problems.push(
                Diagnostic::error("below-breast-height", message)
                    .at(site(column))
                    .hint("is it a slip, or a stump?"),
            );
        }
    }
    let (Some(total), Some(broken)) = (total, height.broken_height_m) else {
        return;
    };
    // The total height is that of the unbroken stem; the same figure twice is that of the break.
    let column = columns.height.broken_height;
    if (total - broken).abs() <= SAME_M {
        height.written_m = None;
        height.reading = None;
        let message = format!(
            "the height is that of the break ({broken:.1} m): the height of the whole stem is \
             taken as missing"
        );
        problems.push(Diagnostic::note("height-of-break", message).at(site(column)));
    } else if broken > total {
        let message =
            format!("the stem is broken at {broken:.1} m, above its height of {total:.1} m");
        problems.push(
            Diagnostic::error("broken-above-height", message)
                .at(site(column))
                .hint("the height is that of the whole stem; leave it blank if it is not known"),
        );
    }
}

fn read_walkthrough(
    table: &Table,
    columns: &TreeColumns,
    row: &Row,
    problems: &mut Problems,
) -> f64 {
    let Some(column) = columns.walkthrough else {
        return 1.0;
    };
    match row.text(Some(column)) {
        None => 1.0,
        Some("2") => 2.0,
        Some(text) => match plots::yes_or_no(text) {
            Some(true) if text != "1" => 2.0,
            Some(_) if text != "0" => 1.0,
            _ => {
                let message = format!("`walkthrough` must be 1 or 2 ({})", seen(text));
                problems.push(
                    Diagnostic::error("bad-walkthrough", message)
                        .at(table.site(row, column))
                        .hint("2, or yes, for a tree that counts twice at the boundary"),
                );
                1.0
            }
        },
    }
}

/// Is the tree too thin for its selection, or in none of its rings?
fn is_excluded(design: &Design, plots: &PlotList, tree: &TreeRow) -> bool {
    let (Some(dbh), Some(selection)) = (tree.dbh_cm, tree.selection) else {
        return false;
    };
    if design.selections[selection]
        .min_dbh_cm
        .is_some_and(|min| dbh < min)
    {
        return true;
    }
    let visit = tree
        .plot
        .and_then(|plot| plots.plots[plot].visits[selection].as_ref());
    let Some(Rule::NestedRings(rings)) = visit.map(|visit| &visit.rule) else {
        return false;
    };
    !rings
        .iter()
        .any(|ring| ring.min_dbh_cm <= dbh && ring.max_dbh_cm.is_none_or(|max| dbh < max))
}
