//! Double sampling: counts at many points, volume per basal area from fewer measured trees.

use crate::compile::Compilation;
use crate::design::RatioError;
use crate::estimates::{
    Attribute, DoubleSampling, DoubleSamplingRow, StatusDomain, double_sampling,
};
use crate::tables::figures::species_label;
use crate::tables::{Block, Cell, Column, Table};

/// For each counted selection of a stand: the two factors with their errors, the error of their
/// product in four forms, and which of these the rows use. A stand whose strata cannot be put
/// together is shown stratum by stratum.
pub fn blocks(compilation: &Compilation<'_>, at: usize) -> Vec<Block> {
    let (design, stand) = (compilation.design, &compilation.records.stands[at]);
    let values = &compilation.stands[at].values;
    let whole = double_sampling(design, (stand, None), values);
    let mut blocks = Vec::new();
    for sampling in &whole {
        blocks.extend(of_selection(compilation, sampling, ""));
    }
    if whole.is_empty() {
        for (h, stratum) in stand.strata.iter().enumerate() {
            let place = format!(", stratum {}", stratum.name);
            for sampling in double_sampling(design, (stand, Some(h)), values) {
                blocks.extend(of_selection(compilation, &sampling, &place));
            }
        }
    }
    blocks
}

fn of_selection(
    compilation: &Compilation<'_>,
    sampling: &DoubleSampling,
    place: &str,
) -> Vec<Block> {
    if sampling.rows.is_empty() {
        return Vec::new();
    }
    vec![
        Block::Table(factors(compilation, sampling, place)),
        Block::Table(errors(compilation, sampling)),
        Block::List(words(compilation, sampling)),
    ]
}

/// Live or dead, and the species.
fn key(compilation: &Compilation<'_>, row: &DoubleSamplingRow) -> [Cell; 2] {
    [
        Cell::text(match row.status {
            StatusDomain::Live => "live",
            _ => "dead",
        }),
        Cell::text(species_label(row.species, compilation.records)),
    ]
}

/// An error in percent of a value.
fn pct(std_error: Option<f64>, of: f64) -> Cell {
    Cell::maybe(std_error.map(|error| 100.0 * error / of), 2)
}

fn attribute(sampling: &DoubleSampling) -> Attribute {
    let attribute = sampling.column.attribute();
    attribute.unwrap_or(Attribute::VolumeTotal)
}

fn factors(compilation: &Compilation<'_>, sampling: &DoubleSampling, place: &str) -> Table {
    let design = compilation.design;
    let attribute = attribute(sampling);
    let (volume, basal_area) = (
        attribute.unit(design.units),
        design.units.basal_area_per_area(),
    );
    let top = |label: &'static str| label.split('/').next().unwrap_or(label);
    let mut table = Table::new(
        format!(
            "{}{place}: G basal area by the counts, R {} per basal area of the measured trees of {}; \
             standard errors in percent",
            design.selections[sampling.selection].name,
            attribute.words(),
            design.selections[sampling.donor].name,
        ),
        2,
        vec![
            Column::words("status"),
            Column::words("species"),
            Column::number("G", basal_area.label),
            Column::number("error G", "%"),
            Column::number("trees", ""),
            Column::number(
                "R",
                format!("{}/{}", top(volume.label), top(basal_area.label)),
            ),
            Column::number("error R", "%"),
            Column::number("G R", volume.label),
        ],
    );
    for row in &sampling.rows {
        let (g, v) = (row.basal_area, row.over_plots.mean);
        let [status, species] = key(compilation, row);
        let ratio = v / g.mean * volume.from_metric / basal_area.from_metric;
        table.rows.push(vec![
            status,
            species,
            Cell::Number(g.mean * basal_area.from_metric, 2),
            pct(g.std_error, g.mean),
            Cell::Number(row.product.n_trees as f64, 0),
            Cell::Number(ratio, 3),
            pct(row.product.ratio_variance.map(f64::sqrt), v),
            Cell::Number(v * volume.from_metric, attribute.digits(design.units)),
        ]);
    }
    table
}

fn errors(compilation: &Compilation<'_>, sampling: &DoubleSampling) -> Table {
    let mut table = Table::new(
        format!(
            "{}: standard error of G R in percent, over plots and by the product rule, and the share \
             of counts and ratio in the variance of the product",
            compilation.design.selections[sampling.selection].name
        ),
        2,
        vec![
            Column::words("status"),
            Column::words("species"),
            Column::number("over plots", "%"),
            Column::number("Bruce", "%"),
            Column::number("Goodman", "%"),
            Column::number("with +", "%"),
            Column::number("by count", "%"),
            Column::number("by ratio", "%"),
        ],
    );
    for row in &sampling.rows {
        let (product, v) = (&row.product, row.over_plots.mean);
        let [status, species] = key(compilation, row);
        let share = product.count_share();
        table.rows.push(vec![
            status,
            species,
            pct(row.over_plots.std_error, v),
            pct(product.std_error_bruce(), v),
            pct(product.std_error_goodman(), v),
            pct(product.std_error_population(), v),
            Cell::maybe(share.map(|share| 100.0 * share), 1),
            Cell::maybe(share.map(|share| 100.0 * (1.0 - share)), 1),
        ]);
    }
    table
}

/// Which error the rows use, and when the product rule holds.
fn words(compilation: &Compilation<'_>, sampling: &DoubleSampling) -> Vec<String> {
    let design = compilation.design;
    let rule = &design.selections[sampling.selection];
    let donor = &design.selections[sampling.donor].name;
    let used = match rule.volume_ratio_error {
        RatioError::Plots => {
            "The estimates use the error over plots (volume_ratio_error: plots), which keeps what \
             counts and ratio share at one centre."
        }
        RatioError::Product => {
            "The estimates use the product rule of Bruce (volume_ratio_error: product), with degrees \
             of freedom from both parts."
        }
    };
    let independent = "The product rule takes the measured trees as independent of the counts and \
                       of each other: right for a larger gauge or for points of their own, with \
                       few trees at each.";
    let shared = if sampling.selection == sampling.donor {
        "Here the measured trees are part of the sweep itself: where the share measured follows \
         the count of a point, the error over plots is the safer one."
            .to_owned()
    } else if sampling.shared_plots == 0 {
        format!("Here no plot of {donor} was also counted: the two are independent.")
    } else {
        format!(
            "Here {} of the {} plots of {donor} were also counted: what counts and ratio share there \
             is in the error over plots only.",
            sampling.shared_plots, sampling.donor_plots
        )
    };
    let one_tree = sampling.rows.iter().filter(|row| {
        let spread = row.product.ratio_variance;
        row.species.is_some() && spread.is_none()
    });
    let one_tree: Vec<String> = one_tree
        .map(|row| species_label(row.species, compilation.records))
        .collect();
    let mut words = vec![
        used.to_owned(),
        independent.to_owned(),
        shared,
        "Bruce adds the two variances; Goodman takes their product off (unbiased); with + it is \
         added (for known variances)."
            .to_owned(),
    ];
    if !one_tree.is_empty() {
        words.push(format!(
            "The ratio of {} rests on one measured tree: no error by the product rule, of the \
             species and of all; one ratio for all species (volume_ratio_by: pooled) has one.",
            one_tree.join(", ")
        ));
    }
    words
}
