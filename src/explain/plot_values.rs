//! The values of plots, the trees behind them, their mean, and parts weighted by area.

use super::estimate::Derived;
use super::held_unit;
use crate::compile::Compilation;
use crate::design::ListedStands;
use crate::estimates::sample::Sample;
use crate::estimates::stratified::{Part, Together};
use crate::estimates::{Domain, Estimate, EstimateRow, Quantity, StatusDomain, StratumDerivation};
use crate::expansion::expand;
use crate::math::digits::six_digits;
use crate::math::sum::variance;
use crate::plot_sums::{Column as Summed, dbh_class};
use crate::records::{Plot, Status, Tree, Visit};
use crate::tables::figures::species_label;
use crate::tables::{Block, Cell, Column, Table};

/// Trees up to which each is listed.
const MOST_TREES: usize = 20;
/// Decimals of plot values: enough to follow the arithmetic.
const DIGITS: usize = 6;

/// The trees of a selection in a stand that a domain holds.
fn trees_of<'a>(
    compilation: &'a Compilation<'_>,
    derived: &Derived<'a>,
    row: &EstimateRow,
) -> Vec<(usize, &'a Plot, &'a Visit, &'a Tree)> {
    let width_cm = compilation.design.dbh_class_cm;
    let holds = |tree: &Tree, domain: Domain| {
        let status = match (domain.status, tree.status) {
            (StatusDomain::Live, Status::Live) | (StatusDomain::Dead, Status::Dead { .. }) => true,
            (StatusDomain::DecayClass(wanted), Status::Dead { decay_class }) => {
                wanted == decay_class
            }
            _ => false,
        };
        status
            && domain.species.is_none_or(|species| species == tree.species)
            && domain
                .dbh_class
                .is_none_or(|class| class == dbh_class(tree.dbh_cm, width_cm))
    };
    let trees = derived.stand.trees().enumerate();
    trees
        .filter(|(_, (_, visit, tree))| {
            visit.selection == row.selection && !tree.excluded && holds(tree, row.domain)
        })
        .map(|(at, (plot, visit, tree))| (at, plot, visit, tree))
        .collect()
}

/// The plots of a stratum, their trees when these are few, and the mean with its error.
pub(super) fn plots(
    compilation: &Compilation<'_>,
    row: &EstimateRow,
    quantity: Quantity,
    derived: &Derived<'_>,
    part: &StratumDerivation<'_>,
) -> Vec<Block> {
    let unit = held_unit(row.attribute);
    let trees = trees_of(compilation, derived, row);
    let mut table = Table::new(
        format!("value of each plot: its trees' sum, {unit}"),
        1,
        vec![
            Column::words("plot"),
            Column::number("tree records", ""),
            Column::number("value", unit),
        ],
    );
    if quantity == Quantity::TopHeight {
        "mean height of the thickest trees of each plot, m".clone_into(&mut table.caption);
    }
    for (plot, value) in &part.plots {
        let on_plot = trees.iter().filter(|(_, p, ..)| p.name == plot.name);
        table.rows.push(vec![
            Cell::text(&plot.name),
            Cell::Number(on_plot.count() as f64, 0),
            Cell::Number(*value, DIGITS),
        ]);
    }
    let mut blocks = vec![Block::Table(table)];
    if let Quantity::Sum(column) = quantity {
        let in_stratum: Vec<_> = trees
            .into_iter()
            .filter(|(_, plot, ..)| plot.stratum == part.stratum)
            .collect();
        if !in_stratum.is_empty() && in_stratum.len() <= MOST_TREES {
            let table = tree_table(compilation, derived, column, unit, &in_stratum);
            blocks.push(Block::Table(table));
        }
    }
    blocks.push(Block::Lines(mean_lines(part, unit)));
    blocks
}

fn tree_table(
    compilation: &Compilation<'_>,
    derived: &Derived<'_>,
    column: Summed,
    unit: &str,
    trees: &[(usize, &Plot, &Visit, &Tree)],
) -> Table {
    let values = &compilation.stands[derived.at].values;
    let per_tree = unit.split('/').next().unwrap_or(unit).to_owned();
    let mut table = Table::new(
        "the trees: what one holds times the trees it stands for",
        2,
        vec![
            Column::words("plot"),
            Column::words("tree"),
            Column::words("species"),
            Column::number("dbh", "cm"),
            Column::number("height", "m"),
            Column::number("each", per_tree),
            Column::number("stands for", "1/ha"),
            Column::number("adds", unit),
        ],
    );
    for (at, plot, visit, tree) in trees {
        let area_ha = derived.stand.strata[plot.stratum].area_ha;
        let Some(expansion) = expand(visit, tree, area_ha) else {
            continue;
        };
        let adds = column.of(tree.dbh_cm, expansion, &values[*at]);
        table.rows.push(vec![
            Cell::text(&plot.name),
            Cell::text(tree.number.as_str()),
            Cell::text(species_label(Some(tree.species), compilation.records)),
            Cell::Number(tree.dbh_cm, 1),
            Cell::maybe(values[*at].height_m, 2),
            Cell::maybe(column.of_tree(&values[*at]), DIGITS),
            Cell::Number(expansion.trees_per_ha, 4),
            Cell::maybe(adds, 4),
        ]);
    }
    table.without_empty_columns()
}

fn mean_lines(part: &StratumDerivation<'_>, unit: &str) -> Vec<String> {
    let values: Vec<f64> = part.plots.iter().map(|(_, value)| *value).collect();
    let (sample, estimate) = (&part.sample, &part.estimate);
    if sample.is_tallied() {
        return vec![format!(
            "full tally: the sheets together are {} {unit}, without sampling error",
            six_digits(estimate.mean)
        )];
    }
    if sample.n_plots() != values.len() {
        return Vec::new();
    }
    let plain =
        !sample.sizes_differ() && sample.pairs().is_none() && sample.n_units() == sample.n_plots();
    let mut lines = if plain {
        plain_mean(&values, estimate, sample.list_share(), unit)
    } else {
        general_mean(&values, sample, estimate, unit)
    };
    if estimate.std_error.is_none() {
        lines.push(if sample.n_plots() < 2 {
            "one plot: its variance is not known".to_owned()
        } else {
            "one cluster: its variance is not known".to_owned()
        });
    }
    lines
}

/// The factor for a list in words, with a space before it; empty without a list.
fn list_factor(list_share: f64) -> String {
    if list_share > 0.0 {
        format!(" (1 - {})", six_digits(list_share))
    } else {
        String::new()
    }
}

fn plain_mean(values: &[f64], estimate: &Estimate, list_share: f64, unit: &str) -> Vec<String> {
    let n = values.len() as f64;
    let sum: f64 = values.iter().sum();
    let mut lines = vec![format!(
        "mean: sum y / n = {} / {n} = {} {unit}",
        six_digits(sum),
        six_digits(estimate.mean)
    )];
    if let (Some(s2), Some(std_error)) = (variance(values), estimate.std_error) {
        let listed = list_factor(list_share);
        let formula = if listed.is_empty() { "" } else { " (1 - f)" };
        lines.extend([
            format!(
                "sum of squares: sum (y - mean)^2 = {}",
                six_digits(s2 * (n - 1.0))
            ),
            format!(
                "variance: s2 = {} / ({n} - 1) = {}",
                six_digits(s2 * (n - 1.0)),
                six_digits(s2)
            ),
            format!(
                "standard error: sqrt(s2 / n{formula}) = sqrt({} / {n}{listed}) = {} {unit}, {} \
                 degrees of freedom",
                six_digits(s2),
                six_digits(std_error),
                n - 1.0
            ),
        ]);
    }
    lines
}

/// Plots of different size, clusters, or a variance from neighbours.
fn general_mean(values: &[f64], sample: &Sample, estimate: &Estimate, unit: &str) -> Vec<String> {
    let sizes = sample.sizes();
    let weighted: f64 = sizes.iter().zip(values).map(|(x, y)| x * y).sum();
    let size: f64 = sizes.iter().sum();
    let mean = six_digits(estimate.mean);
    let mut lines = vec![if sample.sizes_differ() {
        format!(
            "mean: sum x y / sum x = {} / {} = {mean} {unit}, x area of the plot inside the stand",
            six_digits(weighted),
            six_digits(size)
        )
    } else {
        let n = values.len();
        format!(
            "mean: sum y / n = {} / {n} = {mean} {unit}",
            six_digits(weighted)
        )
    }];
    let n = sample.n_units();
    if n < sample.n_plots() {
        lines.push(format!("units: {n} clusters of {} plots", sample.n_plots()));
    }
    let (Some(std_error), Some(df)) = (estimate.std_error, estimate.df) else {
        return lines;
    };
    let influence = sample.influence(values);
    let listed = list_factor(sample.list_share());
    lines.push(
        "E of a unit: sum over its plots of x (y - mean) / sum x, what it moves the mean by"
            .to_owned(),
    );
    lines.push(match sample.pairs() {
        None => {
            let squares: f64 = influence.iter().map(|e| e * e).sum();
            format!(
                "variance: n / (n - 1) sum E^2{listed} = {n} / {} x {}{listed}",
                n - 1,
                six_digits(squares)
            )
        }
        Some(pairs) => {
            let squares = pairs
                .iter()
                .map(|(a, b)| (influence[*a] - influence[*b]).powi(2));
            format!(
                "variance from {} pairs of units that lie together: n sum (E - E')^2 / (2 x \
                 pairs){listed} = {n} x {} / {}{listed}",
                pairs.len(),
                six_digits(squares.sum::<f64>()),
                2 * pairs.len()
            )
        }
    });
    lines.push(format!(
        "standard error: {} {unit}, {} degrees of freedom",
        six_digits(std_error),
        six_digits(df)
    ));
    lines
}

/// Parts weighted by area, or by the points of a first sample.
pub(super) fn combined(
    head: &str,
    parts: &[(String, Part)],
    whole: &Estimate,
    how: Together,
) -> Vec<Block> {
    let area: f64 = parts.iter().map(|(_, part)| part.area_ha).sum();
    let points = how == Together::FirstSample;
    let mut columns = vec![
        Column::words(head),
        if points {
            Column::number("points", "")
        } else {
            Column::number("area", "ha")
        },
        Column::number("W", ""),
        Column::number("mean", ""),
        Column::number("std", "error"),
        Column::number("W mean", ""),
    ];
    let squares = how == Together::Strata;
    if squares {
        columns.push(Column::number("W^2 se^2", ""));
    }
    columns.push(Column::number("df", ""));
    let caption = if points {
        "weights W are shares of the points of the first sample"
    } else {
        "weights W are shares of the area"
    };
    let mut table = Table::new(caption, 1, columns);
    for (name, part) in parts {
        let weight = part.area_ha / area;
        let estimate = &part.estimate;
        let mut row = vec![
            Cell::text(name),
            Cell::Number(part.area_ha, 4),
            Cell::Number(weight, 4),
            Cell::Number(estimate.mean, 4),
            Cell::maybe(estimate.std_error, 4),
            Cell::Number(weight * estimate.mean, 4),
        ];
        if squares {
            row.push(Cell::maybe(
                estimate.std_error.map(|se| (weight * se).powi(2)),
                4,
            ));
        }
        row.push(Cell::maybe(estimate.df, 2));
        table.rows.push(row);
    }
    let mut lines = vec![match how {
        Together::Listed(ListedStands {
            area_ha: Some(listed),
            stands,
        }) => format!(
            "mean: {} / {} x sum of area x mean / {} ha = {}",
            six_digits(stands),
            parts.len(),
            six_digits(listed),
            six_digits(whole.mean)
        ),
        _ => format!("mean: sum of W mean = {}", six_digits(whole.mean)),
    }];
    if let Some(std_error) = whole.std_error {
        lines.push(format!(
            "standard error: {} = sqrt({}) = {}",
            error_words(how),
            six_digits(std_error * std_error),
            six_digits(std_error)
        ));
    }
    if let Some(df) = whole.df {
        let df = six_digits(df);
        lines.push(match how {
            Together::Strata => format!(
                "degrees of freedom, by Satterthwaite: (sum v)^2 / sum (v^2 / df) = {df}, v = W^2 se^2"
            ),
            Together::Listed(_) => format!("degrees of freedom: stands - 1 = {df}"),
            _ => format!("degrees of freedom, by Satterthwaite from the terms of the sum: {df}"),
        });
    }
    vec![Block::Table(table), Block::Lines(lines)]
}

/// The variance of the whole in words.
fn error_words(how: Together) -> &'static str {
    match how {
        Together::Strata => "square root of the sum of W^2 se^2",
        Together::AfterSampling => {
            "strata made after sampling, sum (1 - f) W s^2 / n + sum (1 - W) s^2 / n^2, n plots in all"
        }
        Together::FirstSample => {
            "n' points in the first sample, \
             sum W (n'_h - 1) / (n' - 1) se^2 + sum W (mean_h - mean)^2 / (n' - 1)"
        }
        Together::Listed(_) => {
            "stands drawn from a list, variance between the stands and within them"
        }
    }
}
