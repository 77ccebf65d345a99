//! Where the error of an estimate comes from: a section of the report, and a tidy table.

use crate::compile::Compilation;
use crate::design::Fill;
use crate::estimates::{Domain, EstimateRow, NoInterval};
use crate::plot_sums::Column as SumColumn;
use crate::species::choose::MerchantableBy;
use crate::species::equation::Quantity;
use crate::species::set::Head;
use crate::tables::charts::errors;
use crate::tables::figures::confidence_words;
use crate::tables::{Block, Cell, Column, Table};
use crate::whole_error::{COLUMNS, Part, SourcesOfError, whole_error};

mod tidy;

pub use tidy::tidy;

/// Names of the sources, in the order of `SourcesOfError::std_errors`.
pub(super) const SOURCES: [&str; 6] = [
    "sampling",
    "height curves, parameters",
    "height curves, residuals",
    "measurement of heights",
    "equations, single trees",
    "drawing of heights",
];
/// Those of them that there are with mean heights only.
const OF_CURVES: [usize; 2] = [1, 2];
/// That which there is with drawn heights only.
const DRAWS: usize = 5;

/// Columns of an 80-column page that are left for attributes, gaps between columns included.
const ROOM: usize = 55;
/// Columns that an attribute takes besides that of its own unit.
const OF_IT_AND_SHARE: usize = 16;
/// What taking mean heights does to an estimate.
const MEAN_HEIGHTS: &str = "taking mean heights";
/// Stands for the standard error of a source of which nothing is known.
pub(super) const NOT_KNOWN: &str = "not known";

/// The sources of error of a stand; of all stands together where none is asked for.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>, illustrated: bool) -> Vec<Block> {
    let all = whole_error(compilation);
    let name = one.map(|at| compilation.records.stands[at].name.as_str());
    let of_stand = || all.iter().filter(|row| row.stand.as_deref() == name);
    let whole: Vec<&SourcesOfError> = of_stand().filter(|row| row.stratum.is_none()).collect();
    let rows = if whole.is_empty() && one.is_some() {
        of_stand().collect()
    } else {
        whole
    };
    if rows.is_empty() {
        let elsewhere = "There is no estimate for all stands together; ask for one stand, or for \
                         the table of all with --sources-of-error.";
        let told = (!all.is_empty()).then(|| Block::Paragraph(elsewhere.to_owned()));
        return told.into_iter().collect();
    }
    let mut blocks = vec![Block::Paragraph(
        "Standard errors of the means of all live trees. The total is the root of the sum of \
         their squares; the share is that in the variance of the total."
            .to_owned(),
    )];
    let mut from = 0;
    while from < rows.len() {
        let place = |row: &SourcesOfError| (row.stratum.clone(), row.selection);
        let same = rows[from..]
            .iter()
            .take_while(|row| place(row) == place(rows[from]));
        let to = from + same.count();
        if illustrated {
            let caption = place_words(compilation, rows[from]);
            blocks.extend(errors::block(compilation, &rows[from..to], &caption));
        }
        let tables = side_by_side(compilation, &rows[from..to]).into_iter();
        blocks.extend(tables.map(|rows| Block::Table(table(compilation, rows))));
        from = to;
    }
    blocks.push(Block::List(notes(compilation, &rows)));
    blocks
}

/// Estimates of one place in groups, each of which fits the page.
fn side_by_side<'r, 'a>(
    compilation: &Compilation<'_>,
    rows: &'r [&'a SourcesOfError],
) -> Vec<&'r [&'a SourcesOfError]> {
    let width = |row: &SourcesOfError| {
        let unit = row.attribute.unit(compilation.design.units).label;
        let heads = [row.attribute.head(), unit, NOT_KNOWN];
        let widest = heads.into_iter().map(str::len).max();
        widest.unwrap_or(0) + OF_IT_AND_SHARE
    };
    let (mut groups, mut from, mut used) = (Vec::new(), 0, 0);
    for (at, row) in rows.iter().enumerate() {
        if at > from && used + width(row) > ROOM {
            groups.push(&rows[from..at]);
            (from, used) = (at, 0);
        }
        used += width(row);
    }
    groups.push(&rows[from..]);
    groups
}

fn place_words(compilation: &Compilation<'_>, row: &SourcesOfError) -> String {
    let selection = &compilation.design.selections[row.selection].name;
    match &row.stratum {
        Some(stratum) => format!("Selection {selection}, stratum {stratum}"),
        None => format!("Selection {selection}"),
    }
}

/// The sources of a few estimates of one place.
fn table(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Table {
    let design = compilation.design;
    let units = design.units;
    let mut columns = vec![Column::words("source of error")];
    for row in rows {
        columns.push(Column::number(
            row.attribute.head(),
            row.attribute.unit(units).label,
        ));
        columns.push(Column::number("of it", "%"));
        columns.push(Column::number("share", "%"));
    }
    let first = rows[0];
    let mut table = Table::new(place_words(compilation, first), 1, columns);
    let mut line = |name: String, cells: &dyn Fn(&SourcesOfError) -> [Cell; 3]| {
        let mut row = vec![Cell::text(name)];
        row.extend(rows.iter().flat_map(|row| cells(row)));
        table.rows.push(row);
    };
    let digits = |row: &SourcesOfError| row.attribute.digits(units);
    let shown = |row: &SourcesOfError, value: f64| value * row.attribute.unit(units).from_metric;
    let of_it = |row: &SourcesOfError, value: f64| {
        let mean = row.estimate.mean;
        Cell::maybe((mean > 0.0).then(|| 100.0 * value / mean), 2)
    };
    line("estimate".to_owned(), &|row| {
        let mean = Cell::Number(shown(row, row.estimate.mean), digits(row));
        [mean, Cell::Empty, Cell::Empty]
    });
    for at in told(first).iter().copied() {
        line(SOURCES[at].to_owned(), &|row| match row.std_errors()[at] {
            None => [Cell::text(NOT_KNOWN), Cell::Empty, Cell::Empty],
            Some(error) => [
                Cell::Number(shown(row, error), digits(row) + 1),
                of_it(row, error),
                Cell::maybe(row.share_pct(Some(error)), 1),
            ],
        });
    }
    line(
        "total".to_owned(),
        &|row| match row.with_total().std_error {
            None => [Cell::Empty, Cell::Empty, Cell::Empty],
            Some(error) => [
                Cell::Number(shown(row, error), digits(row) + 1),
                of_it(row, error),
                Cell::maybe(row.share_pct(Some(error)), 1),
            ],
        },
    );
    let half_width = |row: &SourcesOfError| row.with_total().half_width(design.confidence);
    if rows.iter().any(|row| half_width(row).is_some()) {
        let name = format!("{} interval, +/-", confidence_words(design));
        line(name, &|row| match half_width(row) {
            None => [Cell::Empty, Cell::Empty, Cell::Empty],
            Some(half) => [
                Cell::Number(shown(row, half), digits(row) + 1),
                of_it(row, half),
                Cell::Empty,
            ],
        });
    }
    if are_means(rows) {
        let cells = |row: &SourcesOfError, value: f64| {
            let value_shown = Cell::Number(shown(row, value), digits(row) + 1);
            [value_shown, of_it(row, value), Cell::Empty]
        };
        line(MEAN_HEIGHTS.to_owned(), &|row| {
            cells(row, -row.curvature_bias)
        });
        line("  at most, either way".to_owned(), &|row| {
            cells(row, row.curvature_at_most)
        });
    }
    table
}

/// The sources that there are, in the order in which they are told.
pub(super) fn told(row: &SourcesOfError) -> &'static [usize] {
    match row.imputation {
        None => &[0, 1, 2, 3, 4],
        Some(_) => &[0, DRAWS, 3, 4],
    }
}

/// Does any of the estimates rest on mean heights from curves whose scatter is known?
fn are_means(rows: &[&SourcesOfError]) -> bool {
    rows.iter().any(|row| row.curve_residuals.known > 0)
}

fn notes(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Vec<String> {
    let mut notes = Vec::new();
    let no_interval = |why: &[NoInterval]| {
        let reason = |row: &&SourcesOfError| row.estimate.no_interval;
        rows.iter()
            .filter_map(reason)
            .any(|reason| why.contains(&reason))
    };
    if rows
        .iter()
        .any(|row| row.with_total().half_width(0.5).is_some())
    {
        notes.push(match rows[0].imputation {
            None => {
                "The interval takes t at the degrees of freedom of the sampling error.".to_owned()
            }
            Some(_) => "The interval takes t at the degrees of freedom of the sampling error and \
                        of the draws together (Barnard & Rubin 1999)."
                .to_owned(),
        });
    }
    if no_interval(&[NoInterval::OnePlot, NoInterval::StratumWithOnePlot]) {
        notes.push("Without a sampling error there is no total.".to_owned());
    }
    if no_interval(&[NoInterval::FullTally]) {
        notes.push(
            "A full tally has no sampling error, and no degrees of freedom for an interval of the \
             total."
                .to_owned(),
        );
    }
    notes.extend(not_taken_apart(compilation, rows));
    notes.extend(height_notes(compilation, rows));
    notes.extend(draws_note(compilation, rows));
    notes.extend(volume_note(compilation, rows));
    notes.extend(biomass_notes(compilation, rows));
    if most(rows, |row| row.curve_residuals.known) > 0 {
        notes.push(
            "Residuals and errors of single trees are those of the trees in the sample. Over all \
             trees of a stand they average out, so that these two lines are on the large side."
                .to_owned(),
        );
    } else if most(rows, |row| row.equations.known) > 0 {
        notes.push(
            "Errors of single trees are those of the trees in the sample. Over all trees of a \
             stand they average out, so that this line is on the large side."
                .to_owned(),
        );
    }
    if are_means(rows) {
        let mut words = format!(
            "{}: filled heights are mean heights of their dbh. It is how far the estimate lies off \
             that with heights that scatter about their curves as the measured ones do, taken tree \
             by tree by quadrature, limits of merchantable wood included; at most: all trees going \
             the same way. It is not corrected.",
            capital(MEAN_HEIGHTS)
        );
        if most(rows, |row| row.curve_parameters.unknown) > 0 {
            words +=
                " Heights from published curves have no part in it: their scatter is not known.";
        }
        notes.push(words);
    }
    notes
}

/// Estimates of the same places for which there are no sources of error.
fn not_taken_apart(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Option<String> {
    let there = |estimate: &&EstimateRow| {
        rows.iter().any(|row| {
            row.stand == estimate.stand
                && row.stratum == estimate.stratum
                && row.selection == estimate.selection
                && row.attribute == estimate.attribute
        })
    };
    let here = |estimate: &&EstimateRow| {
        estimate.stand == rows[0].stand && rows.iter().any(|row| row.stratum == estimate.stratum)
    };
    let taken = |estimate: &&EstimateRow| {
        let column = SumColumn::of_attribute(estimate.attribute);
        estimate.domain == Domain::LIVE && column.is_some_and(|column| COLUMNS.contains(&column))
    };
    let estimates = compilation.estimates.rows.iter();
    let missing = estimates
        .filter(taken)
        .filter(here)
        .filter(|row| !there(row));
    let words: Vec<String> = missing
        .map(|row| {
            let selection = &compilation.design.selections[row.selection].name;
            format!("{} of selection {selection}", row.attribute.words())
        })
        .collect();
    (!words.is_empty()).then(|| {
        format!(
            "Not taken apart, as the weights of its trees are not known here: {}.",
            words.join(", ")
        )
    })
}

/// The most records of which something is not known, over the estimates.
fn most(rows: &[&SourcesOfError], count: impl Fn(&SourcesOfError) -> usize) -> usize {
    rows.iter().map(|row| count(row)).max().unwrap_or(0)
}

fn height_notes(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Vec<String> {
    let published = most(rows, |row| row.curve_parameters.unknown);
    let measured = most(rows, |row| row.height_measurement.unknown);
    let read = most(rows, |row| row.height_measurement.known);
    let fitted = most(rows, |row| row.curve_parameters.known);
    let mut notes = Vec::new();
    if fitted > 0 {
        notes.push(
            "The parameters of a height curve are off in the same direction for every tree that \
             it serves: more plots do not lessen that part."
                .to_owned(),
        );
    }
    if published > 0 {
        notes.push(format!(
            "Not known: the error of published height curves ({published} tree records); nothing \
             is added for it."
        ));
    }
    if read > 0 {
        let design = compilation.design;
        notes.push(format!(
            "Measurement of heights, standard errors: {}.",
            design.heights.instrument.words(design.units)
        ));
    }
    if measured > 0 {
        notes.push(format!(
            "Not known: the error of heights that were recorded as heights ({measured} tree \
             records); nothing is added for it."
        ));
    }
    notes
}

/// Of which kind of attribute anything is known, and anything is not.
fn equations_of(rows: &[&SourcesOfError], masses: bool) -> Part {
    let of_kind = rows.iter().filter(|row| row.attribute.is_mass() == masses);
    of_kind.fold(Part::default(), |sum, row| Part {
        variance: sum.variance,
        known: sum.known.max(row.equations.known),
        unknown: sum.unknown.max(row.equations.unknown),
    })
}

fn error_words(what: &str, name: &str, head: &Head, part: Part) -> Option<String> {
    if part.known == 0 && part.unknown == 0 {
        return None;
    }
    Some(if part.known > 0 {
        format!(
            "Errors of single trees about the {what} equations of {name}, as published. The error \
             of their coefficients, which all trees share, is not published: the total is too \
             small by it."
        )
    } else {
        format!(
            "Not known: the error of the {what} equations of {name} ({}); nothing is added for \
             it.",
            head.error.statement.trim_end_matches('.')
        )
    })
}

fn volume_note(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Option<String> {
    let set = compilation.knowledge.volume.as_ref()?;
    let part = equations_of(rows, false);
    let mut words = error_words("volume", &set.name, &set.head, part)?;
    let by_equation = |by| matches!(by, MerchantableBy::Equation(_));
    let mut limits = compilation.equations.iter();
    let cut = limits.any(|one| {
        one.chosen
            .merchantable
            .is_some_and(|(_, by)| !by_equation(by))
    });
    if part.known > 0 && cut {
        words.push_str(match set.head.error.percent(Quantity::Merchantable) {
            Some(_) => " The figure of merchantable volume is that of the limits of the set.",
            None => {
                " Merchantable volume has the relative error of the total; that of the share is \
                 not published."
            }
        });
    }
    Some(words)
}

fn biomass_notes(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Vec<String> {
    let part = equations_of(rows, true);
    let sets = compilation.knowledge.biomass.iter();
    sets.enumerate()
        .filter(|(at, _)| compilation.biomass_equations.iter().any(|e| e.set == *at))
        .filter_map(|(_, set)| {
            let equations = set.equations();
            let publishes = equations.head.error.percent(Quantity::TotalMass).is_some()
                || equations.head.error.variance.is_some();
            let known = if publishes { part.known } else { 0 };
            let part = Part { known, ..part };
            error_words("biomass", &equations.name, &equations.head, part)
        })
        .collect()
}

/// How heights were drawn, and of how many trees they were not.
fn draws_note(compilation: &Compilation<'_>, rows: &[&SourcesOfError]) -> Option<String> {
    let Fill::Draws { number, seed } = compilation.design.heights.fill else {
        return None;
    };
    let drawn = |row: &SourcesOfError| row.imputation.map_or(0, |drawn| drawn.known);
    let mut words = format!(
        "Missing heights were drawn {number} times (seed {seed}): {} tree records. Every estimate \
         is the mean over the draws. The drawing of heights stands for parameters and residuals of \
         the curves: the variance between the draws times 1 + 1/{number}, and the scatter of \
         heights between plots that the sampling error of the mean lacks (Rubin 1987).",
        most(rows, drawn)
    );
    let published = most(rows, |row| row.curve_parameters.unknown);
    if published > 0 {
        words += &format!(
            " {published} tree records with a height from a published curve were left at its mean."
        );
    }
    Some(words)
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|letter| letter.to_ascii_uppercase());
    first.into_iter().chain(letters).collect()
}
