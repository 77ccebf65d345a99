//! The error of a systematic sample in three ways, side by side.

use crate::compile::Compilation;
use crate::design::{Design, Layout, Variance};
use crate::estimates::Estimate;
use crate::estimates::systematic::three_errors;
use crate::tables::{Block, Cell, Column, Table};

/// One table per selection of a stand whose plots have places on the map, and which error is used.
pub fn blocks(compilation: &Compilation<'_>, stand: usize) -> Vec<Block> {
    let design = compilation.design;
    let this = &compilation.records.stands[stand];
    let values = &compilation.stands[stand].values;
    let mut blocks = Vec::new();
    for (selection, rule) in design.selections.iter().enumerate() {
        let columns = vec![
            Column::words(""),
            Column::words("unit"),
            Column::number("mean", ""),
            Column::number("random", "std error"),
            Column::number("df", ""),
            Column::number("along lines", "std error"),
            Column::number("df", ""),
            Column::number("neighbours", "std error"),
            Column::number("df", ""),
        ];
        let caption = format!(
            "{}, live trees: standard error found in three ways",
            rule.name
        );
        let mut table = Table::new(caption, 1, columns);
        for three in three_errors(design, this, selection, values) {
            let unit = three.attribute.unit(design.units);
            let digits = three.attribute.digits(design.units);
            let mut cells = vec![
                Cell::text(three.attribute.words()),
                Cell::text(unit.label),
                Cell::Number(three.random.mean * unit.from_metric, digits),
            ];
            let pair = |estimate: &Estimate| {
                let error = estimate.std_error.map(|se| se * unit.from_metric);
                [Cell::maybe(error, digits + 1), Cell::maybe(estimate.df, 1)]
            };
            let errors = [&three.random, &three.lines, &three.neighbours];
            cells.extend(errors.into_iter().flat_map(pair));
            table.rows.push(cells);
        }
        blocks.push(Block::Table(table));
    }
    let any = |block: &Block| matches!(block, Block::Table(table) if !table.rows.is_empty());
    if blocks.iter().any(any) {
        blocks.push(Block::Paragraph(used(design)));
    }
    blocks
}

/// Which error the estimates use, and why.
fn used(design: &Design) -> String {
    let sampling = &design.sampling;
    match (sampling.variance, sampling.layout) {
        (Variance::Simple, Layout::Random) => {
            "The estimates use the error of a random sample, as the design says the plots were \
             placed at random."
        }
        (Variance::Simple, _) => {
            "The estimates use the error of a random sample, as they do unless `sampling.variance` \
             of the design asks for another: on a grid it is as a rule too large where plots near \
             each other are alike."
        }
        (Variance::SuccessiveDifferences, _) => {
            "The estimates use the differences along the lines, as `sampling.variance` of the design \
             asks: what changes slowly along a line is not counted as error."
        }
        (Variance::Neighbours, _) => {
            "The estimates use the differences of neighbours in all directions, as \
             `sampling.variance` of the design asks: what changes slowly over the stand is not \
             counted as error."
        }
    }
    .to_owned()
}
