//! The height trees: were they chosen as the crew was told, and do they span the sizes that the
//! curves must serve?

use crate::compile::Compilation;
use crate::design::{ClassOver, CountOver, Design, FitBy, Subsample, SubsampleRule};
use crate::diagnostic::counted;
use crate::heights::audit::{MissingHeight, StandAudit, audit};
use crate::heights::span::{Span, Verdict, spans};
use crate::heights::{Level, StandHeights};
use crate::records::Stand;
use crate::tables::{Block, Cell, Column, Table, plain};

/// Missing trees that are listed.
const MOST_MISSING: usize = 20;
/// Rows of a table of many stands that are shown.
const MOST_ROWS: usize = 40;

/// The audit and the spans, of one stand or of all.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let stands: Vec<usize> = match one {
        Some(at) => vec![at],
        None => (0..compilation.records.stands.len()).collect(),
    };
    let mut blocks = Vec::new();
    if let Some(subsample) = &compilation.design.heights.subsample {
        blocks.extend(audited(compilation, subsample, &stands));
    }
    blocks.push(Block::Table(span_table(compilation, one, &stands)));
    blocks
}

/// What the crew was to measure: `the first 2 trees of each species on each plot (live, unbroken)`.
pub fn rule_words(design: &Design, subsample: &Subsample) -> String {
    let trees = |n: usize| match n {
        1 => "tree".to_owned(),
        n => format!("{n} trees"),
    };
    let words = match subsample.rule {
        SubsampleRule::FirstPerSpecies { per_plot } => {
            format!("the first {} of each species on each plot", trees(per_plot))
        }
        SubsampleRule::EveryNth { every, count_over } => format!(
            "one tree in {every}, counted {}",
            match count_over {
                CountOver::Plot => "on each plot anew",
                CountOver::Cruise => "on from plot to plot over the whole cruise",
            }
        ),
        SubsampleRule::PerDbhClass {
            class_cm,
            per_class,
            over,
        } => {
            let unit = design.units.diameter();
            format!(
                "{} of each dbh class of {} {} in each {}",
                counted(per_class, "tree"),
                plain((class_cm * unit.from_metric * 1e6).round() / 1e6),
                unit.label,
                match over {
                    ClassOver::Plot => "plot",
                    ClassOver::Stand => "stand",
                }
            )
        }
        SubsampleRule::AllIn { selection } => {
            format!("every tree of {}", design.selections[selection].name)
        }
    };
    let names: Vec<&str> = subsample
        .selections
        .iter()
        .map(|at| design.selections[*at].name.as_str())
        .collect();
    let about = if names.is_empty() {
        String::new()
    } else {
        format!(" of {}", names.join(" and "))
    };
    let order = match subsample.rule {
        SubsampleRule::FirstPerSpecies { .. } | SubsampleRule::EveryNth { .. } => {
            " in the order of their numbers"
        }
        SubsampleRule::PerDbhClass { .. } | SubsampleRule::AllIn { .. } => "",
    };
    format!("{words} (live, unbroken trees{about}{order})")
}

fn audited(compilation: &Compilation<'_>, subsample: &Subsample, stands: &[usize]) -> Vec<Block> {
    let all = audit(subsample, &compilation.records.stands);
    let name = |at: usize| compilation.records.stands[at].name.as_str();
    let of_class_in_stand = matches!(
        subsample.rule,
        SubsampleRule::PerDbhClass {
            over: ClassOver::Stand,
            ..
        }
    );
    let mut table = Table::new(
        format!("Asked for: {}", rule_words(compilation.design, subsample)),
        1,
        vec![
            Column::words("stand"),
            Column::number("asked", ""),
            Column::number("measured", ""),
            Column::number("missing", ""),
            Column::number("extra", ""),
            Column::number("plots", "asked"),
            Column::number("plots", "followed"),
        ],
    );
    let count = |n: usize| Cell::Number(n as f64, 0);
    for at in stands {
        let StandAudit {
            asked,
            extra,
            plots_asked,
            plots_followed,
            ..
        } = all[*at];
        let plots = |n: usize| {
            if of_class_in_stand {
                Cell::Empty
            } else {
                count(n)
            }
        };
        table.rows.push(vec![
            Cell::text(name(*at)),
            count(asked),
            count(all[*at].measured()),
            count(all[*at].missing.len()),
            count(extra),
            plots(plots_asked),
            plots(plots_followed),
        ]);
    }
    if stands.len() > 1 {
        let sum = |of: fn(&StandAudit) -> usize| count(stands.iter().map(|at| of(&all[*at])).sum());
        let mut total = vec![
            Cell::text("all"),
            sum(|stand| stand.asked),
            sum(StandAudit::measured),
            sum(|stand| stand.missing.len()),
            sum(|stand| stand.extra),
        ];
        total.extend(if of_class_in_stand {
            [Cell::Empty, Cell::Empty]
        } else {
            [
                sum(|stand| stand.plots_asked),
                sum(|stand| stand.plots_followed),
            ]
        });
        let hidden = table.rows.len().saturating_sub(MOST_ROWS);
        table.rows.truncate(MOST_ROWS);
        if hidden > 0 {
            table
                .remarks
                .push(format!("{} more not shown.", counted(hidden, "stand")));
        }
        table.rows.push(total);
    }
    table.remarks.push(
        "Extra: heights measured besides, which is not wrong and serves the curves.".to_owned(),
    );
    let missing: Vec<(&str, &MissingHeight)> = stands
        .iter()
        .flat_map(|at| all[*at].missing.iter().map(|tree| (name(*at), tree)))
        .collect();
    vec![
        Block::Table(table.without_empty_columns()),
        Block::Table(missing_table(compilation, &missing, stands.len() > 1)),
    ]
}

fn missing_table(
    compilation: &Compilation<'_>,
    missing: &[(&str, &MissingHeight)],
    many: bool,
) -> Table {
    let unit = compilation.design.units.diameter();
    let mut columns = vec![
        Column::words("plot"),
        Column::words("tree"),
        Column::words("species"),
        Column::number("dbh", unit.label),
        Column::number("line", ""),
    ];
    if many {
        columns.insert(0, Column::words("stand"));
    }
    let caption = "Trees to measure that have no height; line: of the trees file";
    let mut table = Table::new(caption, 2, columns);
    for (stand, tree) in missing.iter().take(MOST_MISSING) {
        let mut row = vec![
            Cell::text(&tree.plot),
            Cell::text(&tree.number),
            Cell::text(&compilation.records.species[tree.species].label),
            Cell::Number(tree.dbh_cm * unit.from_metric, 1),
            Cell::Number(tree.line as f64, 0),
        ];
        if many {
            row.insert(0, Cell::text(*stand));
        }
        table.rows.push(row);
    }
    if missing.len() > MOST_MISSING {
        table.remarks.push(format!(
            "{} more; `check` names them by line.",
            counted(missing.len() - MOST_MISSING, "tree")
        ));
    }
    let rule = compilation
        .design
        .heights
        .subsample
        .as_ref()
        .map(|s| s.rule);
    if let Some(SubsampleRule::PerDbhClass { .. }) = rule {
        table
            .remarks
            .push("Any other tree of the same dbh class will do.".to_owned());
    }
    table
}

/// Curves and the trees that they serve; stands with curves of their own have rows of their own.
fn span_table(compilation: &Compilation<'_>, one: Option<usize>, stands: &[usize]) -> Table {
    let unit = compilation.design.units.diameter();
    let of = |at: usize| -> (&Stand, &StandHeights) {
        let stand = &compilation.records.stands[at];
        (stand, &compilation.stands[at].heights)
    };
    let by_stand = stands.len() > 1 && compilation.design.heights.fit_by == FitBy::Stand;
    let found: Vec<(usize, Span)> = if by_stand {
        let each = |at: usize| spans(&[of(at)]).into_iter().map(move |span| (at, span));
        stands.iter().copied().flat_map(each).collect()
    } else {
        let these: Vec<_> = stands.iter().map(|at| of(*at)).collect();
        let at = one.unwrap_or(0);
        spans(&these).into_iter().map(|span| (at, span)).collect()
    };
    let mut columns = vec![
        Column::words("species"),
        Column::number("measured from", unit.label),
        Column::number("to", unit.label),
        Column::number("filled from", unit.label),
        Column::number("to", unit.label),
        Column::number("filled", ""),
        Column::number("thinner", ""),
        Column::number("thicker", ""),
        Column::words("spanned"),
    ];
    if by_stand {
        columns.insert(0, Column::words("stand"));
    }
    let caption = "Do the measured trees span the dbh of the trees whose heights are filled?";
    let mut table = Table::new(caption, 1 + usize::from(by_stand), columns);
    for (at, span) in found.iter().take(MOST_ROWS) {
        let dbh = |cm: f64| Cell::Number(cm * unit.from_metric, 1);
        let count = |n: usize| Cell::Number(n as f64, 0);
        let mut row = vec![
            Cell::text(whose(compilation, span)),
            dbh(span.behind_cm.0),
            dbh(span.behind_cm.1),
            dbh(span.filled_cm.0),
            dbh(span.filled_cm.1),
            count(span.filled),
            count(span.below),
            count(span.above),
            Cell::text(span.verdict().words()),
        ];
        if by_stand {
            row.insert(0, Cell::text(&compilation.records.stands[*at].name));
        }
        table.rows.push(row);
    }
    if found.len() > MOST_ROWS {
        let more = counted(found.len() - MOST_ROWS, "more row");
        table.remarks.push(format!("{more} not shown."));
    }
    let any = |verdict| found.iter().any(|(_, span)| span.verdict() == verdict);
    if any(Verdict::Nearly) {
        table.remarks.push(
            "Nearly: at most 5 % of the filled trees lie outside (common practice, no source)."
                .to_owned(),
        );
    }
    let wanting = found.iter().filter(|(_, span)| span.verdict().is_wanting());
    let wanting = wanting.count();
    if wanting > 0 {
        table.remarks.push(format!(
            "{}: heights of the sizes named are extrapolated; measure some there.",
            counted(wanting, "curve")
        ));
    }
    table
}

fn whose(compilation: &Compilation<'_>, span: &Span) -> String {
    match span.level {
        Level::Species | Level::Ratio | Level::Regional => {
            let label = |at: &usize| compilation.records.species[*at].label.as_str();
            let labels: Vec<&str> = span.species.iter().map(label).collect();
            labels.join(", ")
        }
        Level::Pooled(_) => format!("all {}", span.level.name()),
    }
}
