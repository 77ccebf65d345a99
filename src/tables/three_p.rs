//! What a 3P sample is judged by: trees found against those expected, the adjusted total beside
//! the unadjusted one, and the largest number for a wanted error.

use crate::compile::Compilation;
use crate::design::{Method, SelectionIndex};
use crate::estimates::{Attribute, ThreePFigures, three_p_figures};
use crate::plot_sums::Column as Quantity;
use crate::tables::lookup::Scope;
use crate::tables::{Block, Cell, Column, Table};

/// One table per stratum of the scope; nothing for other methods and for all stands together.
/// `quantity` is what the selection's stock is told in.
pub fn blocks(
    compilation: &Compilation<'_>,
    scope: Scope<'_>,
    selection: SelectionIndex,
    quantity: Attribute,
) -> Vec<Block> {
    let design = compilation.design;
    let is_three_p = matches!(design.selections[selection].method, Method::ThreeP { .. });
    let stands = &compilation.records.stands;
    let at = stands.iter().position(|s| scope.0 == Some(s.name.as_str()));
    let (Some(at), true, Some(column)) = (at, is_three_p, Quantity::of_attribute(quantity)) else {
        return Vec::new();
    };
    let (stand, values) = (&stands[at], &compilation.stands[at].values);
    let Some(figures) = three_p_figures(stand, selection, values, column) else {
        return Vec::new();
    };
    let mut blocks = vec![Block::Paragraph(
        "The units of this sample are its sample trees: where figures speak of plots, these are \
         meant. Species and dbh classes are estimated as parts of the whole and add up to it; a \
         species without a sample tree has a number of trees and nothing else. The number of trees \
         was counted, within a dbh class it is estimated."
            .to_owned(),
    )];
    let in_scope = figures.into_iter().filter(|of| {
        let name = stand.strata[of.stratum].name.as_str();
        scope.1.is_none_or(|wanted| wanted == name)
    });
    for of in in_scope {
        let name = &stand.strata[of.stratum].name;
        let caption = if name.is_empty() {
            "3P sample".to_owned()
        } else {
            format!("3P sample, stratum {name}")
        };
        blocks.push(Block::Table(table(compilation, caption, quantity, &of)));
    }
    blocks
}

fn table(
    compilation: &Compilation<'_>,
    caption: String,
    quantity: Attribute,
    of: &ThreePFigures,
) -> Table {
    let design = compilation.design;
    let unit = quantity.unit(design.units);
    let unit_of_total = unit.label.split('/').next().unwrap_or_default().to_owned();
    // A total is a mean per area times an area, each in its own unit.
    let factor = unit.from_metric / (1.0 / design.units.area().from_metric);
    let columns = vec![
        Column::words("figure"),
        Column::number("value", ""),
        Column::words("unit"),
    ];
    let mut table = Table::new(caption, 1, columns);
    let mut add = |figure: &str, value: Option<f64>, digits: usize, unit: &str| {
        if value.is_some() {
            let row = vec![
                Cell::text(figure),
                Cell::maybe(value, digits),
                Cell::text(unit),
            ];
            table.rows.push(row);
        }
    };
    add("trees visited", Some(of.trees), 0, "");
    add("predictions up to K, sum", Some(of.sample.predicted), 1, "");
    add("largest number K", Some(of.sample.largest_number), 1, "");
    add("sample trees expected", Some(of.expected_trees()), 1, "");
    let found = of.ratios.len() as f64;
    add("sample trees found", Some(found), 0, "");
    let certain = of.certain_trees as f64;
    add("above K, all measured", Some(certain), 0, "trees");
    let what = quantity.words();
    add(
        &format!("mean ratio of {what}"),
        of.mean_ratio().map(|ratio| ratio * factor),
        4,
        &format!("{unit_of_total} per predicted"),
    );
    add("variation of the ratio", of.ratio_cv_pct(), 1, "%");
    let total = |value: f64| value * factor;
    add(
        "total, adjusted (used)",
        of.adjusted().map(total),
        1,
        &unit_of_total,
    );
    add(
        "total, unadjusted",
        of.mean_ratio().map(|_| total(of.unadjusted())),
        1,
        &unit_of_total,
    );
    if let Some(error_pct) = design.allowable_error_pct
        && let Some((trees, largest)) = of.wanted(error_pct, design.confidence)
    {
        let goal = format!("for {error_pct} %");
        add("sample trees needed", Some(trees as f64), 0, &goal);
        add("K to choose", Some(largest), 1, &goal);
    }
    table
}
