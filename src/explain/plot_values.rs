//! The values of plots, the trees behind them, their mean, and parts weighted by area.

use super::estimate::Derived;
use crate::compile::Compilation;
use crate::estimates::stratified::Part;
use crate::estimates::{Domain, Estimate, EstimateRow, Quantity, StatusDomain, StratumDerivation};
use crate::expansion::expand;
use crate::math::digits::six_digits;
use crate::math::sum::variance;
use crate::plot_sums::{Column as Summed, dbh_class};
use crate::records::{Plot, Status, Tree, Visit};
use crate::tables::figures::species_label;
use crate::tables::{Block, Cell, Column, Table};
use crate::units::UnitSystem;

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
    let unit = row.attribute.unit(UnitSystem::Metric).label;
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
            Cell::text(&tree.number),
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
    let n = values.len() as f64;
    let sum: f64 = values.iter().sum();
    let estimate = &part.estimate;
    if part.full_tally {
        return vec![format!(
            "full tally: the sheets together are {} {unit}, without sampling error",
            six_digits(estimate.mean)
        )];
    }
    let mut lines = vec![format!(
        "mean: sum y / n = {} / {n} = {} {unit}",
        six_digits(sum),
        six_digits(estimate.mean)
    )];
    match (variance(&values), estimate.std_error) {
        (Some(s2), Some(std_error)) => lines.extend([
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
                "standard error: sqrt(s2 / n) = sqrt({} / {n}) = {} {unit}, {} degrees of freedom",
                six_digits(s2),
                six_digits(std_error),
                n - 1.0
            ),
        ]),
        _ => lines.push("one plot: its variance is not known".to_owned()),
    }
    lines
}

/// Parts weighted by area.
pub(super) fn combined(head: &str, parts: &[(String, Part)], whole: &Estimate) -> Vec<Block> {
    let area: f64 = parts.iter().map(|(_, part)| part.area_ha).sum();
    let mut table = Table::new(
        "weights W are shares of the area",
        1,
        vec![
            Column::words(head),
            Column::number("area", "ha"),
            Column::number("W", ""),
            Column::number("mean", ""),
            Column::number("std", "error"),
            Column::number("W mean", ""),
            Column::number("W^2 se^2", ""),
            Column::number("df", ""),
        ],
    );
    for (name, part) in parts {
        let weight = part.area_ha / area;
        let estimate = &part.estimate;
        table.rows.push(vec![
            Cell::text(name),
            Cell::Number(part.area_ha, 4),
            Cell::Number(weight, 4),
            Cell::Number(estimate.mean, 4),
            Cell::maybe(estimate.std_error, 4),
            Cell::Number(weight * estimate.mean, 4),
            Cell::maybe(estimate.std_error.map(|se| (weight * se).powi(2)), 4),
            Cell::maybe(estimate.df, 2),
        ]);
    }
    let mut lines = vec![format!("mean: sum of W mean = {}", six_digits(whole.mean))];
    if let Some(std_error) = whole.std_error {
        lines.push(format!(
            "standard error: square root of the sum of W^2 se^2 = sqrt({}) = {}",
            six_digits(std_error * std_error),
            six_digits(std_error)
        ));
    }
    if let Some(df) = whole.df {
        lines.push(format!(
            "degrees of freedom, by Satterthwaite: (sum v)^2 / sum (v^2 / df) = {}, v = W^2 se^2",
            six_digits(df)
        ));
    }
    vec![Block::Table(table), Block::Lines(lines)]
}
