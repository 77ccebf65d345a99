//! A volume borrowed by a counted sweep: ratios, first-order parts of the plots, variances.

use crate::compile::Compilation;
use crate::estimates::product::Product;
use crate::estimates::{Borrowed, Estimate};
use crate::math::digits::six_digits;
use crate::records::Stand;
use crate::tables::figures::species_label;
use crate::tables::{Block, Cell, Column, Table};

/// Decimals of ratios and plot values: enough to follow the arithmetic.
const DIGITS: usize = 6;

/// Basal area of the sweep times volume per basal area of the donor, and the linearised error.
pub(super) fn borrowed_blocks(
    compilation: &Compilation<'_>,
    stand: &Stand,
    donor: &str,
    (borrowed, product): (&Borrowed, Option<Product>),
) -> Vec<Block> {
    let estimate = &borrowed.estimate;
    let mut lines = vec![format!(
        "estimate: sum of G R over species = {}",
        six_digits(estimate.mean)
    )];
    if let (Some(std_error), Some(df)) = (estimate.std_error, estimate.df) {
        let over_plots = product.map_or("", |_| " over plots (not used, see below)");
        lines.extend([
            format!(
                "standard error{over_plots}: square root of the sum of variances = sqrt({}) = {}",
                six_digits(std_error * std_error),
                six_digits(std_error)
            ),
            format!("degrees of freedom, by Satterthwaite: {}", six_digits(df)),
        ]);
    }
    if let Some(product) = product {
        lines.extend(product_lines(&product, *estimate));
    }
    vec![
        Block::Table(ratios(compilation, donor, borrowed)),
        Block::Table(plots(stand, borrowed)),
        Block::Table(strata(stand, donor, borrowed)),
        Block::Lines(lines),
    ]
}

/// The error by the product rule, which the design asks for.
fn product_lines(product: &Product, over_plots: Estimate) -> Vec<String> {
    let part = |variance: Option<f64>| variance.map_or("not known".to_owned(), six_digits);
    let df = |df: Option<f64>| df.map_or(String::new(), |df| format!(" on {} df", six_digits(df)));
    let estimate = product.estimate(over_plots);
    let mut lines = vec![
        "error by the product rule (volume_ratio_error: product), measured trees independent of \
         the counts:"
            .to_owned(),
        format!(
            "variance by the counts, ratios held fixed: {}{}",
            part(product.count_variance()),
            df(product.count.df)
        ),
        format!(
            "variance by the ratios of {} measured trees, basal area held fixed: {}{}",
            product.n_trees,
            part(product.ratio_variance),
            df(product.ratio_df)
        ),
    ];
    if let Some(std_error) = estimate.std_error {
        lines.push(format!(
            "standard error: square root of their sum = {} (Bruce 1961){}",
            six_digits(std_error),
            df(estimate.df)
        ));
    }
    lines
}

fn ratios(compilation: &Compilation<'_>, donor: &str, borrowed: &Borrowed) -> Table {
    let mut ratios = Table::new(
        format!(
            "G basal area of the sweep (m2/ha); v and d what {donor} has per ha of volume and of \
             basal area; R = v / d"
        ),
        1,
        vec![
            Column::words("species"),
            Column::number("G", ""),
            Column::number("v", ""),
            Column::number("d", ""),
            Column::number("R", ""),
            Column::number("G R", ""),
            Column::words("ratio of"),
        ],
    );
    for species in &borrowed.species {
        let gbar = species.sweep_basal_area_m2_per_ha;
        ratios.rows.push(vec![
            Cell::text(species_label(species.species, compilation.records)),
            Cell::Number(gbar, 4),
            Cell::Number(species.donor_per_ha, 4),
            Cell::Number(species.donor_basal_area_m2_per_ha, 4),
            Cell::Number(species.ratio, DIGITS),
            Cell::Number(gbar * species.ratio, 4),
            Cell::text(if species.pooled {
                "all species"
            } else {
                "its own"
            }),
        ]);
    }
    ratios
}

fn plots(stand: &Stand, borrowed: &Borrowed) -> Table {
    let mut plots = Table::new(
        "first-order part of each plot in the estimate, over species: a by the sweep's basal area, \
         b by the donor's ratio",
        1,
        vec![
            Column::words("plot"),
            Column::words("stratum"),
            Column::number("a", ""),
            Column::number("b", ""),
        ],
    );
    for (at, plot) in stand.plots.iter().enumerate() {
        plots.rows.push(vec![
            Cell::text(&plot.name),
            Cell::text(&stand.strata[plot.stratum].name),
            Cell::Number(borrowed.by_sweep[at], DIGITS),
            Cell::Number(borrowed.by_donor[at], DIGITS),
        ]);
    }
    plots
}

fn strata(stand: &Stand, donor: &str, borrowed: &Borrowed) -> Table {
    let mut strata = Table::new(
        format!(
            "variance: n plots of the sweep, m of {donor}; twice the covariance is what both share \
             at one centre"
        ),
        1,
        vec![
            Column::words("stratum"),
            Column::number("n", ""),
            Column::number("m", ""),
            Column::number("n/(n-1)", "sum a^2"),
            Column::number("m/(m-1)", "sum b^2"),
            Column::number("twice the", "covariance"),
            Column::number("variance", ""),
            Column::number("df", ""),
        ],
    );
    for part in &borrowed.strata {
        strata.rows.push(vec![
            Cell::text(&stand.strata[part.stratum].name),
            Cell::Number(part.sweep_plots as f64, 0),
            Cell::Number(part.donor_plots as f64, 0),
            Cell::Number(part.sweep_variance, 4),
            Cell::Number(part.donor_variance, 4),
            Cell::Number(part.variance - part.sweep_variance - part.donor_variance, 4),
            Cell::Number(part.variance, 4),
            Cell::maybe(part.df, 2),
        ]);
    }
    strata
}
