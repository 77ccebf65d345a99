//! Plots needed, from a guess or by strata.

use super::{digits, named, wanted};
use crate::planning::Goal;
use crate::planning::allocation::{Allocation, Rule, Stratum, shares, weights};
use crate::tables::tidy::{ALL, Tidy, Value};
use crate::tables::{Block, Cell, Column, Report, Table, plain};

/// Where strata come from.
#[derive(Clone, Debug, PartialEq)]
pub enum From {
    /// A file.
    Strata(String),
    /// A pilot cruise.
    Pilot {
        /// Its title.
        title: String,
        /// The stand, where there are several.
        stand: Option<String>,
        /// The selection.
        selection: String,
        /// The attribute in words.
        attribute: &'static str,
    },
}

/// A plan by strata.
#[derive(Clone, Debug, PartialEq)]
pub struct StrataPlan {
    /// Where the strata come from.
    pub source: From,
    /// Unit of means and standard deviations.
    pub unit: String,
    /// The strata.
    pub strata: Vec<Stratum>,
    /// Their means, where known.
    pub means: Option<Vec<f64>>,
    /// The mean over strata.
    pub mean: Option<f64>,
    /// Plots of the pilot.
    pub pilot_plots: Option<Vec<usize>>,
    /// What was wanted.
    pub goal: Goal,
    /// Confidence level.
    pub confidence: f64,
    /// What each rule gives.
    pub allocations: Vec<(Rule, Allocation)>,
}

/// A plan from guessed coefficients of variation.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess<'a> {
    /// Each coefficient of variation in percent with its plots; half-widths in percent.
    pub found: &'a [(f64, Allocation)],
    /// What was wanted; a half-width in percent.
    pub goal: Goal,
    /// Confidence level.
    pub confidence: f64,
    /// Units of the population.
    pub units: Option<f64>,
}

const SOURCE_N: &str = "Source: n = (t CV / E)^2, 1/n = 1/N + (E / (t CV))^2, Freese 1962, USDA \
                        Agric. Handb. 232.";
const SOURCE_STRATA: &str = "Source: proportional and optimum allocation, Freese 1962, USDA Agric. \
                             Handb. 232; costs, Scheaffer, Mendenhall & Ott, Elementary Survey \
                             Sampling; whole plots by the rule of equal proportions, Wright 2012 \
                             (from memory).";
const RANDOM: &str = "Plots are taken as a random sample; a systematic layout is treated as one.";
const INFINITE: &str = "No finite population is taken into account: the plots are a small part of \
                        the area. Points of a sweep have none.";

fn population(units: Option<f64>) -> String {
    units.map_or_else(
        || INFINITE.to_owned(),
        |units| format!("The population is finite: {} units in all.", plain(units)),
    )
}

/// Report of a guess.
pub fn guess_report(guess: &Guess<'_>) -> Report {
    let mut report = Report::new("Plots from a guessed coefficient of variation");
    let mut table = Table::new(
        "one sample of the whole area",
        1,
        vec![
            Column::number("CV", "%"),
            Column::number("plots", ""),
            Column::number("error", "%"),
            Column::number("cost", ""),
        ],
    );
    for (cv_pct, allocation) in guess.found {
        table.rows.push(vec![
            Cell::Number(*cv_pct, 1),
            Cell::Number(allocation.total() as f64, 0),
            Cell::Number(allocation.half_width, 2),
            Cell::maybe(allocation.cost, 0),
        ]);
    }
    table.remarks.push(SOURCE_N.to_owned());
    report.section(
        "Plots",
        vec![
            Block::Paragraph(wanted(guess.goal, None, "%", guess.confidence)),
            Block::Table(table.without_empty_columns()),
        ],
    );
    report.section(
        "What is taken for granted",
        vec![Block::List(vec![
            "The CV is that of plot values per area, for fixed plots and sweeps alike; t has n - 1 \
             degrees of freedom."
                .to_owned(),
            "A guess is a guess: if the CV turns out half as large again, so does the error."
                .to_owned(),
            population(guess.units),
            RANDOM.to_owned(),
        ])],
    );
    report
}

/// Rows of a guess.
pub fn guess_rows(guess: &Guess<'_>) -> Tidy<String> {
    let row = |(cv_pct, allocation): &(f64, Allocation)| {
        vec![
            Value::Number(*cv_pct),
            Value::Count(allocation.total()),
            Value::Number(guess.confidence),
            Value::Number(allocation.half_width),
            Value::maybe(allocation.cost),
        ]
    };
    Tidy {
        columns: named(&["cv_pct", "plots", "confidence", "error_pct", "cost"]),
        rows: guess.found.iter().map(row).collect(),
    }
}

/// Name of a rule in tables.
fn words(rule: Rule) -> &'static str {
    match rule {
        Rule::Proportional => "proportional",
        Rule::Neyman => "Neyman",
        Rule::CostOptimum => "least cost",
    }
}

/// Name of a rule in rows.
fn name(rule: Rule) -> &'static str {
    match rule {
        Rule::Proportional => "proportional",
        Rule::Neyman => "neyman",
        Rule::CostOptimum => "least_cost",
    }
}

fn stratum_name(stratum: &Stratum) -> String {
    if stratum.name.is_empty() {
        ALL.to_owned()
    } else {
        stratum.name.clone()
    }
}

/// Report of a plan by strata.
pub fn strata_report(plan: &StrataPlan) -> Report {
    let title = match &plan.source {
        From::Strata(file) => format!("Plots for the strata of {file}"),
        From::Pilot { title, .. } => format!("Plots from the pilot cruise {title}"),
    };
    let mut report = Report::new(title);
    let mut blocks = Vec::new();
    if let From::Pilot {
        stand,
        selection,
        attribute,
        ..
    } = &plan.source
    {
        let of_stand = stand
            .as_ref()
            .map_or_else(String::new, |s| format!("stand {s}, "));
        blocks.push(Block::Paragraph(format!(
            "Live trees, {of_stand}selection {selection}: {attribute} of each plot, {}.",
            plan.unit
        )));
    }
    blocks.push(Block::Table(expected(plan)));
    report.section("What is expected", blocks);
    let goal = wanted(plan.goal, plan.mean, &plan.unit, plan.confidence);
    report.section(
        "Plots",
        vec![Block::Paragraph(goal), Block::Table(allocation(plan))],
    );
    report.section(
        "What is taken for granted",
        vec![Block::List(granted(plan))],
    );
    report
}

/// The strata as they are known.
fn expected(plan: &StrataPlan) -> Table {
    let spread = plan.strata.iter().map(|stratum| stratum.std_dev);
    let shown = digits(spread.chain(plan.means.iter().flatten().copied()));
    let mut table = Table::new(
        "",
        1,
        vec![
            Column::words("stratum"),
            Column::number("weight", ""),
            Column::number("mean", &plan.unit),
            Column::number("std dev", &plan.unit),
            Column::number("CV", "%"),
            Column::number("pilot", "plots"),
            Column::number("std dev", "+- %"),
            Column::number("units", "in all"),
            Column::number("cost", "per plot"),
        ],
    );
    let weights = weights(&plan.strata);
    for (h, stratum) in plan.strata.iter().enumerate() {
        let mean = plan.means.as_ref().map(|means| means[h]);
        let pilot = plan.pilot_plots.as_ref().map(|plots| plots[h] as f64);
        table.rows.push(vec![
            Cell::text(stratum_name(stratum)),
            Cell::Number(weights[h], 4),
            Cell::maybe(mean, shown),
            Cell::Number(stratum.std_dev, shown),
            Cell::maybe(
                mean.filter(|mean| *mean > 0.0)
                    .map(|mean| 100.0 * stratum.std_dev / mean),
                1,
            ),
            Cell::maybe(pilot, 0),
            Cell::maybe(pilot.map(|n| 100.0 / (2.0 * (n - 1.0)).sqrt()), 0),
            Cell::maybe(stratum.units, 0),
            Cell::maybe(stratum.cost, 2),
        ]);
    }
    let mut table = table.without_empty_columns();
    if plan.strata.len() > 1
        && let Some(mean) = plan.mean
    {
        let remark = format!("Mean over the strata: {mean:.shown$} {}.", plan.unit);
        table.remarks.push(remark);
    }
    table
}

/// Plots by stratum, one column for each rule, and what comes of them.
fn allocation(plan: &StrataPlan) -> Table {
    let mut columns = vec![Column::words("stratum")];
    for (rule, _) in &plan.allocations {
        let several = plan.strata.len() > 1;
        columns.push(Column::number(
            if several { words(*rule) } else { "plots" },
            "",
        ));
    }
    let mut table = Table::new("", 1, columns);
    let mut row = |head: String, of: &dyn Fn(&(Rule, Allocation)) -> Cell| {
        let mut row = vec![Cell::text(head)];
        row.extend(plan.allocations.iter().map(of));
        if row[1..].iter().any(|cell| *cell != Cell::Empty) {
            table.rows.push(row);
        }
    };
    if plan.strata.len() > 1 {
        for (h, stratum) in plan.strata.iter().enumerate() {
            row(stratum_name(stratum), &|(_, found)| {
                Cell::Number(found.plots[h] as f64, 0)
            });
        }
    }
    row("plots in all".to_owned(), &|(_, found)| {
        Cell::Number(found.total() as f64, 0)
    });
    row("cost in all".to_owned(), &|(_, found)| {
        Cell::maybe(found.cost, 2)
    });
    let half_widths = plan.allocations.iter().map(|(_, found)| found.half_width);
    let shown = digits(half_widths);
    row(format!("half-width, {}", plan.unit), &|(_, found)| {
        Cell::Number(found.half_width, shown)
    });
    let mean = plan.mean.filter(|mean| *mean > 0.0);
    let pct = |half_width: f64| Cell::maybe(mean.map(|mean| 100.0 * half_width / mean), 2);
    row("error, %".to_owned(), &|(_, found)| pct(found.half_width));
    if plan.strata.len() > 1 {
        row("error by Satterthwaite, %".to_owned(), &|(_, found)| {
            pct(found.half_width_satterthwaite)
        });
    }
    table.remarks.push(if plan.strata.len() > 1 {
        SOURCE_STRATA.to_owned()
    } else {
        SOURCE_N.to_owned()
    });
    table
}

/// What the figures rest on.
fn granted(plan: &StrataPlan) -> Vec<String> {
    let several = plan.strata.len() > 1;
    let mut list = Vec::new();
    if several {
        list.push(
            "t has as many degrees of freedom as there are plots, less one for each stratum. \
             Satterthwaite's rule, by which a cruise is compiled, gives fewer where few plots \
             carry much of the variance."
                .to_owned(),
        );
        list.push("Every stratum gets two plots at least.".to_owned());
        if shares(&plan.strata, Rule::Neyman)
            .iter()
            .all(|share| *share <= 0.0)
        {
            list.push(
                "No plot values vary, so plots are divided in proportion to size.".to_owned(),
            );
        }
    } else {
        list.push("t has n - 1 degrees of freedom.".to_owned());
    }
    if plan.pilot_plots.is_some() {
        list.push(
            "The pilot's spread is itself uncertain: +- % is the standard error of its standard \
             deviation, 100 / sqrt(2 (n - 1)), for plot values spread normally (from memory). The \
             plots needed go with the square, so they are about twice as uncertain."
                .to_owned(),
        );
        list.push(
            "The plots of the pilot count among those needed where they stay in the sample."
                .to_owned(),
        );
    }
    let units: Option<f64> = plan.strata.iter().map(|stratum| stratum.units).sum();
    list.push(population(units));
    list.push(RANDOM.to_owned());
    list
}

/// Rows of a plan by strata: each rule with its strata, then all.
pub fn strata_rows(plan: &StrataPlan) -> Tidy<String> {
    let weights = weights(&plan.strata);
    let mean = plan.mean.filter(|mean| *mean > 0.0);
    let pct = |half_width: f64| mean.map(|mean| 100.0 * half_width / mean);
    let mut rows = Vec::new();
    for (rule, found) in &plan.allocations {
        for (h, stratum) in plan.strata.iter().enumerate() {
            if plan.strata.len() == 1 {
                break;
            }
            let cost = stratum.cost.map(|cost| cost * found.plots[h] as f64);
            rows.push(vec![
                Value::word(name(*rule)),
                Value::word(stratum_name(stratum)),
                Value::Number(weights[h]),
                Value::Count(found.plots[h]),
                Value::maybe(cost),
                Value::Number(plan.confidence),
                Value::word(&plan.unit),
                Value::Empty,
                Value::Empty,
                Value::Empty,
            ]);
        }
        rows.push(vec![
            Value::word(name(*rule)),
            Value::word(ALL),
            Value::Number(1.0),
            Value::Count(found.total()),
            Value::maybe(found.cost),
            Value::Number(plan.confidence),
            Value::word(&plan.unit),
            Value::Number(found.half_width),
            Value::maybe(pct(found.half_width)),
            Value::maybe(pct(found.half_width_satterthwaite)),
        ]);
    }
    Tidy {
        columns: named(&[
            "allocation",
            "stratum",
            "weight",
            "plots",
            "cost",
            "confidence",
            "unit",
            "half_width",
            "error_pct",
            "error_satterthwaite_pct",
        ]),
        rows,
    }
}
