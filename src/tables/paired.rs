//! Two selections at the same plots: their difference, tested, and both together.

use crate::compile::Compilation;
use crate::design::{Design, SelectionIndex};
use crate::estimates::Estimate;
use crate::estimates::paired::{FEWEST_PLOTS, Paired, PairedAttribute, Sizes, paired};
use crate::tables::figures::confidence_words;
use crate::tables::tidy::{Tidy, Value};
use crate::tables::{Block, Cell, Column, Table, plain};
use crate::units::ShownUnit;

/// Decimals of t, p and the weights.
const DIGITS: usize = 3;

/// Every two selections of a stand that share plots.
pub fn blocks(compilation: &Compilation<'_>, stand: usize) -> Vec<Block> {
    let design = compilation.design;
    let pairs = pairs(compilation, stand);
    let mut blocks: Vec<Block> = (pairs.iter())
        .flat_map(|pair| of_pair(design, pair))
        .collect();
    if let Some(combine) = design.sampling.combine
        && !pairs.iter().any(|pair| is_combined(design, pair))
    {
        let [a, b] = names(design, combine);
        blocks.push(Block::Paragraph(format!(
            "{a} and {b} are not combined: that takes at least {FEWEST_PLOTS} plots with both (in \
             every stratum, and strata of known area), sizes of trees that both cover, and neither \
             a full tally nor a 3P sample."
        )));
    }
    blocks
}

fn pairs(compilation: &Compilation<'_>, stand: usize) -> Vec<Paired> {
    let values = &compilation.stands[stand].values;
    paired(
        compilation.design,
        &compilation.records.stands[stand],
        values,
    )
}

/// Does the design combine the two?
fn is_combined(design: &Design, pair: &Paired) -> bool {
    let [a, b] = pair.selections;
    (design.sampling.combine).is_some_and(|combine| combine == [a, b] || combine == [b, a])
}

fn of_pair(design: &Design, pair: &Paired) -> Vec<Block> {
    let mut blocks = vec![Block::Table(differences(design, pair))];
    if pair.counted {
        let counted = "Trees were only counted in one of them: basal area alone can be compared.";
        blocks.push(Block::Paragraph(counted.to_owned()));
    }
    blocks.extend(sizes_words(design, &pair.sizes).map(Block::Paragraph));
    blocks.push(Block::Paragraph(meaning(design, pair)));
    if is_combined(design, pair) {
        let table = combined(design, pair);
        let words = if table.rows.is_empty() {
            "Not combined: without standard errors there are no weights.".to_owned()
        } else {
            combined_words(design, pair)
        };
        blocks.push(Block::Table(table));
        blocks.push(Block::Paragraph(words));
    }
    blocks
}

fn names(design: &Design, selections: [SelectionIndex; 2]) -> [&str; 2] {
    selections.map(|selection| design.selections[selection].name.as_str())
}

fn limits(estimate: &Estimate, design: &Design, unit: ShownUnit, digits: usize) -> [Cell; 2] {
    let limits = estimate.interval(design.confidence);
    [limits.map(|l| l.0), limits.map(|l| l.1)]
        .map(|limit| Cell::maybe(limit.map(|l| l * unit.from_metric), digits))
}

fn differences(design: &Design, pair: &Paired) -> Table {
    let [a, b] = names(design, pair.selections);
    let level = confidence_words(design);
    let columns = vec![
        Column::words(""),
        Column::words("unit"),
        Column::number(a, "mean"),
        Column::number(b, "mean"),
        Column::number("diff.", ""),
        Column::number("std", "error"),
        Column::number("t", ""),
        Column::number("df", ""),
        Column::number("p", ""),
        Column::number("lower", &level),
        Column::number("upper", &level),
    ];
    let some = if pair.plots_left_out {
        " (plots with one of them are left out)"
    } else {
        ""
    };
    let caption = format!(
        "{a} less {b}, live trees, plot by plot at {} plots{some}",
        pair.n_plots
    );
    let mut table = Table::new(caption, 1, columns);
    for one in &pair.attributes {
        let unit = one.attribute.unit(design.units);
        let digits = one.attribute.digits(design.units);
        let shown = |value: f64| Cell::Number(value * unit.from_metric, digits);
        let mut cells = vec![
            Cell::text(one.attribute.words()),
            Cell::text(unit.label),
            shown(one.each[0].mean),
            shown(one.each[1].mean),
            shown(one.difference.mean),
            one.difference.std_error.map_or(Cell::Empty, shown),
            Cell::maybe(one.t, 2),
            Cell::maybe(one.difference.df, 1),
            Cell::maybe(one.p, DIGITS),
        ];
        cells.extend(limits(&one.difference, design, unit, digits));
        table.rows.push(cells);
    }
    table
}

fn sizes_words(design: &Design, sizes: &Sizes) -> Option<String> {
    let dbh = design.units.diameter();
    let shown = |cm: f64| format!("{} {}", plain(cm * dbh.from_metric), dbh.label);
    let name = |selection: &SelectionIndex| design.selections[*selection].name.as_str();
    let mut lines = Vec::new();
    if let Some((least, under)) = sizes.cut_to_cm {
        let from = format!("from {}", shown(least));
        let to = under.map_or(String::new(), |cm| format!(" to under {}", shown(cm)));
        lines.push(format!(
            "The two cover different sizes: only trees {from}{to} are compared."
        ));
    }
    for selection in &sizes.unknown {
        lines.push(format!(
            "{}: the least dbh of counted trees is not known (no min_dbh in the design), so trees \
             that the other leaves out may be among them.",
            name(selection)
        ));
    }
    for selection in &sizes.not_cut {
        lines.push(format!(
            "{}: counted trees have no dbh, so trees of sizes that the other leaves out are among \
             them.",
            name(selection)
        ));
    }
    (!lines.is_empty()).then(|| lines.join(" "))
}

/// The attributes whose difference has an interval that excludes zero, in words.
fn apart(design: &Design, pair: &Paired) -> Vec<&'static str> {
    let excludes_zero = |one: &&PairedAttribute| {
        let interval = one.difference.interval(design.confidence);
        interval.is_some_and(|(lower, upper)| lower > 0.0 || upper < 0.0)
    };
    let apart = pair.attributes.iter().filter(excludes_zero);
    apart.map(|one| one.attribute.words()).collect()
}

/// What a difference may come from, where there is one.
fn meaning(design: &Design, pair: &Paired) -> String {
    let no_error = |one: &PairedAttribute| one.difference.std_error.is_none();
    if pair.attributes.iter().all(no_error) {
        return "The differences have no standard error: a stratum has a single unit.".to_owned();
    }
    let apart = apart(design, pair);
    if apart.is_empty() {
        return "No interval excludes zero: the two do not contradict each other at these plots."
            .to_owned();
    }
    format!(
        "The interval excludes zero for {}. It may be chance; else look for trees missed in the \
         sweep, a wrong factor or radius, borderline trees that were not measured, plots at the edge \
         of the stand, or sizes that only one of the two covers.",
        apart.join(", ")
    )
}

fn combined(design: &Design, pair: &Paired) -> Table {
    let [a, b] = names(design, pair.selections);
    let level = confidence_words(design);
    let columns = vec![
        Column::words(""),
        Column::words("unit"),
        Column::number(a, "weight"),
        Column::number(b, "weight"),
        Column::number("mean", ""),
        Column::number("std", "error"),
        Column::number("df", ""),
        Column::number("lower", &level),
        Column::number("upper", &level),
    ];
    let caption = format!("{a} and {b} combined, live trees");
    let mut table = Table::new(caption, 1, columns);
    for one in &pair.attributes {
        let Some(combined) = one.combined else {
            continue;
        };
        let unit = one.attribute.unit(design.units);
        let digits = one.attribute.digits(design.units);
        let shown = |value: f64| Cell::Number(value * unit.from_metric, digits);
        let mut cells = vec![
            Cell::text(one.attribute.words()),
            Cell::text(unit.label),
            Cell::Number(combined.weight, DIGITS),
            Cell::Number(1.0 - combined.weight, DIGITS),
            shown(combined.estimate.mean),
            combined.estimate.std_error.map_or(Cell::Empty, shown),
            Cell::maybe(combined.estimate.df, 1),
        ];
        cells.extend(limits(&combined.estimate, design, unit, digits));
        table.rows.push(cells);
    }
    table
}

fn combined_words(design: &Design, pair: &Paired) -> String {
    let clipped = |one: &&PairedAttribute| one.combined.is_some_and(|c| c.clipped);
    let clipped: Vec<&str> = (pair.attributes.iter().filter(clipped))
        .map(|one| one.attribute.words())
        .collect();
    let set = if clipped.is_empty() {
        String::new()
    } else {
        format!(
            " For {} the best weights lie outside 0 and 1, as the two vary closely together, and \
             were set to 0 and 1.",
            clipped.join(", ")
        )
    };
    let apart = if apart(design, pair).is_empty() {
        ""
    } else {
        " Where the two contradict each other, find out why before using a figure that mixes them."
    };
    format!(
        "The weights make the variance least, given how both vary and vary together over the \
         plots.{set} They come from these few plots themselves, so the stated error is a little too \
         small. Degrees of freedom are the smaller of both.{apart}"
    )
}

/// The combined estimates of all stands, for machines; no rows where the design combines nothing.
pub fn tidy(compilation: &Compilation<'_>) -> Tidy {
    let design = compilation.design;
    let mut rows = Vec::new();
    for (at, stand) in compilation.records.stands.iter().enumerate() {
        if design.sampling.combine.is_none() {
            break;
        }
        for pair in pairs(compilation, at) {
            if !is_combined(design, &pair) {
                continue;
            }
            let [a, b] = names(design, pair.selections);
            for one in &pair.attributes {
                let Some(combined) = one.combined else {
                    continue;
                };
                let unit = one.attribute.unit(design.units);
                let number = |value: Option<f64>| Value::maybe(value.map(|v| v * unit.from_metric));
                let limits = combined.estimate.interval(design.confidence);
                rows.push(vec![
                    Value::word(&stand.name),
                    Value::word(a),
                    Value::word(b),
                    Value::word(one.attribute.name()),
                    Value::word(unit.label),
                    Value::Number(combined.weight),
                    Value::Number(1.0 - combined.weight),
                    number(Some(combined.estimate.mean)),
                    number(combined.estimate.std_error),
                    number(limits.map(|l| l.0)),
                    number(limits.map(|l| l.1)),
                    Value::maybe(combined.estimate.df),
                    Value::Count(pair.n_plots),
                ]);
            }
        }
    }
    Tidy {
        columns: vec![
            "stand",
            "selection_a",
            "selection_b",
            "attribute",
            "unit",
            "weight_a",
            "weight_b",
            "mean",
            "std_error",
            "ci_lower",
            "ci_upper",
            "df",
            "n_plots",
        ],
        rows,
    }
}
