//! The report for people.

use super::one_curve::{Over, biases, heading, one_curve};
use super::{Gathered, is_from_instrument, out};
use crate::design::{CurveChoice, FitBy};
use crate::diagnostic::counted;
use crate::heights::Level;
use crate::records::CruiseSpeciesIndex;
use crate::tables::curves::why_words;
use crate::tables::{Block, Cell, Column, Report, Table};

/// Rows of a table of many stands, and heights that stand out, that are shown.
const MOST_ROWS: usize = 40;
/// Adds the sections of the report.
pub(super) fn sections(gathered: &Gathered<'_>, width: usize, report: &mut Report) {
    report.section("Heights", heights(gathered));
    report.section("Heights that stand out", standing_out(gathered));
    match gathered.groups.as_slice() {
        [group] => {
            for curve in &group.evidence.curves {
                let heading = heading(gathered, curve);
                report.section(heading, one_curve(gathered, group, curve, width));
            }
        }
        _ => report.section("Curves", vec![Block::Table(by_stand(gathered))]),
    }
}

/// How many heights there are, of which kind, and what they serve.
fn heights(gathered: &Gathered<'_>) -> Vec<Block> {
    let design = gathered.compilation.design;
    let mut table = Table::new(
        "Heights of live, unbroken trees, and heights that are filled",
        1,
        vec![
            Column::words("species"),
            Column::number("heights", ""),
            Column::number("by", "instrument"),
            Column::number("steeper", "than 100 %"),
            Column::number("filled", ""),
            Column::words("filled from the curve of"),
        ],
    );
    let labels = 0..gathered.compilation.records.species.len();
    let asked = |at: &usize| gathered.asked.species.is_none_or(|asked| asked == *at);
    for at in labels.filter(asked) {
        let (mut n, mut read, mut steep, mut filled) = (0, 0, 0, 0);
        let mut levels: Vec<&str> = Vec::new();
        for group in &gathered.groups {
            let trees = group.evidence.heights.iter();
            for tree in trees.filter(|tree| tree.species() == at && gathered.is_asked(group, tree))
            {
                n += 1;
                read += usize::from(is_from_instrument(gathered.record(group, tree).2));
                steep += usize::from(tree.is_steep);
            }
            for curve in &group.evidence.curves {
                let mut served = curve.used.species.iter();
                let served = served.find(|served| served.species == at && served.filled > 0);
                if let Some(served) = served {
                    filled += served.filled;
                    levels.push(level_words(curve.used.level));
                }
            }
        }
        levels.sort_unstable();
        levels.dedup();
        let mut from = levels.join(", ");
        let bare = without_height(gathered, at);
        if bare > 0 {
            let after = if from.is_empty() { "" } else { "; " };
            from += &format!("{after}none: {} without a height", counted(bare, "tree"));
        }
        if n + filled + bare > 0 {
            let count = |n: usize| Cell::Number(n as f64, 0);
            table.rows.push(vec![
                Cell::text(gathered.label(at)),
                count(n),
                count(read),
                count(steep),
                count(filled),
                Cell::text(from),
            ]);
        }
    }
    if table.rows.is_empty() {
        let words = "There is no height of a live, unbroken tree to fit a curve to.";
        return vec![Block::Paragraph(words.to_owned())];
    }
    let mut remarks = Vec::new();
    if design.heights.fit_by == FitBy::Cruise && gathered.compilation.stands.len() > 1 {
        remarks.push("The curves are fitted to the heights of all stands together.".to_owned());
        if let Some(stand) = gathered.asked.stand {
            let name = &gathered.compilation.records.stands[stand].name;
            remarks.push(format!(
                "Heights, means and pictures below are those of {name}; the heights filled and the \
                 fits are those of all stands."
            ));
        }
    }
    if let CurveChoice::Named(name) = &design.heights.curve {
        remarks.push(format!(
            "The form {name} is asked for, so no other is tried where it can be used; --curve best \
             sets all forms side by side."
        ));
    }
    let left_out: usize = gathered
        .groups
        .iter()
        .flat_map(|group| &group.stands)
        .filter(|at| gathered.asked.stand.is_none_or(|asked| asked == **at))
        .map(|at| gathered.compilation.stands[*at].heights.left_out)
        .sum();
    if left_out > 0 {
        remarks.push(format!(
            "{} outside the dbh limits of the selection, not counted here, {} behind no curve.",
            counted(left_out, "height"),
            if left_out == 1 { "is" } else { "are" }
        ));
    }
    if let [group] = gathered.groups.as_slice() {
        remarks.extend(group.evidence.without.iter().map(|(species, passed)| {
            let label = gathered.label(*species);
            let why = why_words(gathered.compilation, passed);
            format!("{label}: no curve of its own ({why})")
        }));
    }
    vec![Block::Table(table), Block::List(remarks)]
}

/// Trees of a species that no curve gives a height.
fn without_height(gathered: &Gathered<'_>, species: CruiseSpeciesIndex) -> usize {
    let stands = gathered.groups.iter().flat_map(|group| &group.stands);
    stands
        .filter(|at| gathered.asked.stand.is_none_or(|asked| asked == **at))
        .flat_map(|at| gathered.compilation.without_height(*at))
        .filter(|(of, _)| *of == species)
        .map(|(_, count)| count)
        .sum()
}

pub(super) fn level_words(level: Level) -> &'static str {
    match level {
        Level::Species => "the species",
        _ => level.name(),
    }
}

fn standing_out(gathered: &Gathered<'_>) -> Vec<Block> {
    let out = out::of_all(gathered);
    let fitted = gathered.groups.iter().any(|group| {
        let mut curves = group.evidence.curves.iter();
        curves.any(|curve| !curve.forms.is_empty())
    });
    if !fitted {
        return Vec::new();
    }
    if out.is_empty() {
        return vec![Block::Paragraph(format!(
            "None: no height is as unlikely as {} standard deviations.",
            out::DOUBTFUL
        ))];
    }
    let units = gathered.compilation.design.units;
    let (diameter, length) = (units.diameter(), units.length());
    let mut table = Table::new(
        "",
        4,
        vec![
            Column::words("stand"),
            Column::words("plot"),
            Column::words("tree"),
            Column::number("line", ""),
            Column::words("species"),
            Column::number("dbh", diameter.label),
            Column::number("height", length.label),
            Column::number("by curve", length.label),
            Column::number("residual", "studentised"),
            Column::words("read"),
        ],
    );
    for one in out.iter().take(MOST_ROWS) {
        let (stand, plot, tree) = gathered.record(one.group, &one.height.tree);
        let point = &one.height.tree.point;
        let mut read = String::new();
        if is_from_instrument(tree) {
            read.push_str("by instrument");
        }
        if one.height.tree.is_steep {
            read.push_str(", steep");
        }
        table.rows.push(vec![
            Cell::text(&stand.name),
            Cell::text(&plot.name),
            Cell::text(tree.number.as_str()),
            Cell::Number(tree.line as f64, 0),
            Cell::text(gathered.label(tree.species)),
            Cell::Number(point.dbh_cm * diameter.from_metric, 1),
            Cell::Number(point.height_m * length.from_metric, 1),
            Cell::Number(one.height.fitted_m * length.from_metric, 1),
            Cell::Number(one.studentised, 1),
            Cell::text(read),
        ]);
    }
    if gathered.compilation.records.stands.len() == 1 || gathered.asked.stand.is_some() {
        table.columns.remove(0);
        table.key_columns -= 1;
        for row in &mut table.rows {
            row.remove(0);
        }
    }
    if out.len() > MOST_ROWS {
        let more = out.len() - MOST_ROWS;
        table.remarks.push(format!(
            "{more} more are not shown; --data writes them all."
        ));
    }
    table.remarks.push(format!(
        "Residuals beyond {} stand out, those beyond {} are doubtful and shown where few stand out; \
         both limits are wider where few heights are behind the curve. Look these trees up in the \
         field book: a slipped decimal, a wrong species or dbh, a broken top that was not noted, \
         readings in another unit. Where nothing is wrong with it, a height stays: real trees differ. \
         Line: in the file of trees.",
        out::FAR,
        out::DOUBTFUL
    ));
    vec![Block::Table(table)]
}

/// A row per stand and curve.
fn by_stand(gathered: &Gathered<'_>) -> Table {
    let length = gathered.compilation.design.units.length();
    let mut table = Table::new(
        "",
        2,
        vec![
            Column::words("stand"),
            Column::words("curve of"),
            Column::words("form"),
            Column::number("heights", ""),
            Column::number("filled", ""),
            Column::number("RMSE", length.label),
            Column::number("plots out", length.label),
            Column::number("bias", length.label),
            Column::number("stand", "out"),
        ],
    );
    let mut left_out = 0;
    for group in &gathered.groups {
        for curve in &group.evidence.curves {
            if table.rows.len() == MOST_ROWS {
                left_out += 1;
                continue;
            }
            let stand = group.stands[0];
            let chosen = curve.forms.iter().find(|form| form.chosen);
            let fit = chosen.and_then(|form| form.fit.as_ref());
            let plots = chosen.and_then(|form| form.left_out);
            let all = biases(gathered, group, curve)
                .into_iter()
                .find(|bias| bias.class == Over::All);
            let shown = |m: Option<f64>| Cell::maybe(m.map(|m| m * length.from_metric), 2);
            let filled: usize = curve.used.species.iter().map(|served| served.filled).sum();
            table.rows.push(vec![
                Cell::text(&gathered.compilation.records.stands[stand].name),
                Cell::text(gathered.whose(curve)),
                Cell::text(curve.used.curve.form_name()),
                Cell::Number(curve.heights.len() as f64, 0),
                Cell::Number(filled as f64, 0),
                shown(fit.map(|fit| fit.rmse_m)),
                shown(plots.map(|plots| plots.rms_m)),
                shown(all.map(|bias| bias.mean_m)),
                Cell::Number(out::of_curve(gathered, group, curve).len() as f64, 0),
            ]);
        }
    }
    if left_out > 0 {
        table
            .remarks
            .push(format!("{left_out} more rows are not shown."));
    }
    table.remarks.push(
        "Plots out: error (root mean square) of the heights of each plot by the curve fitted \
         without it. Bias: mean of the heights less those of the curve. --stand NAME shows the \
         curves of a stand in full."
            .to_owned(),
    );
    table
}
