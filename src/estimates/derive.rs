//! How one estimate of one stand comes about, by the same functions that make the estimates.

use super::Estimate;
use super::counted::{Borrowed, Borrowing};
use super::double_sampling::DoubleSample;
use super::layout::{Layout, layout, size_of_stratum, strata_weights};
use super::product::Product;
use super::sample::Sample;
use super::simple::simple;
use super::stand::{ValuedVisit, donor_of};
use super::stratified::{Part, Together, together};
use super::top_height::{TopHeight, of_plots, of_stratum};
use crate::design::{Design, SelectionIndex};
use crate::plot_sums::{Column, Domain, PlotSum, SelectionSums, sum_selection};
use crate::records::{Plot, Records, Stand};
use crate::stems::TreeValues;

/// What is derived: a sum over trees, or the top height of the live trees.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// A column of the plot sums.
    Sum(Column),
    /// Mean height of the thickest trees.
    TopHeight,
}

/// How an estimate of a stand (or of one of its strata) comes about.
#[derive(Clone, Debug)]
pub enum StandDerivation<'a> {
    /// From the values of its plots.
    Plots {
        /// The strata, in their order.
        strata: Vec<StratumDerivation<'a>>,
        /// The strata together.
        estimate: Estimate,
        /// How they make the whole.
        together: Together,
    },
    /// From the basal area of a counted sweep and a ratio of another selection.
    Borrowed {
        /// The selection that lends.
        donor: SelectionIndex,
        /// The derivation.
        borrowed: Box<Borrowed>,
        /// The product rule, where the design takes the error from it.
        product: Option<Product>,
    },
}

/// The plots of one stratum.
#[derive(Clone, Debug)]
pub struct StratumDerivation<'a> {
    /// Index into `Stand::strata`.
    pub stratum: usize,
    /// Its area, when known.
    pub area_ha: Option<f64>,
    /// What it is weighted by: its area, or the points of a first sample that fell into it.
    pub weight: Option<f64>,
    /// How its plots were laid out.
    pub sample: Sample,
    /// The plots and their values, metric and per hectare.
    pub plots: Vec<(&'a Plot, f64)>,
    /// The estimate of the stratum.
    pub estimate: Estimate,
}

impl StandDerivation<'_> {
    /// The estimate that comes out.
    pub fn estimate(&self) -> Estimate {
        match self {
            StandDerivation::Plots { estimate, .. } => *estimate,
            StandDerivation::Borrowed {
                borrowed, product, ..
            } => product.map_or(borrowed.estimate, |p| p.estimate(borrowed.estimate)),
        }
    }
}

/// Derives one estimate of a stand, or of one of its strata. `values` holds the trees of the stand
/// in the order of `Stand::trees`. `None` where there is no such estimate.
pub fn derive_stand<'a>(
    design: &Design,
    records: &'a Records,
    (stand, stratum): (usize, Option<usize>),
    values: &'a [TreeValues],
    selection: SelectionIndex,
    (domain, quantity): (Domain, Quantity),
) -> Option<StandDerivation<'a>> {
    let this = &records.stands[stand];
    let sums: Vec<SelectionSums> = (0..design.selections.len())
        .map(|selection| sum_selection(design, this, selection, values))
        .collect();
    let own = &sums[selection];
    if let Quantity::Sum(column) = quantity
        && own.counted
        && Column::BORROWED.contains(&column)
    {
        let donor = donor_of(design, &sums, selection)?;
        let weights = strata_weights(design, this, stratum)?;
        let laid_out = layout(design, this, selection);
        let borrowing = Borrowing::new(design, this, (own, &laid_out), donor);
        let borrowed = borrowing.derive(domain, column, &weights)?;
        let double = DoubleSample::new(design, this, (own, &laid_out), donor, values);
        return Some(StandDerivation::Borrowed {
            donor: donor.selection,
            product: double.asked((domain, column), stratum, &borrowed),
            borrowed: Box::new(borrowed),
        });
    }
    let strata: Vec<usize> = stratum.map_or_else(|| (0..this.strata.len()).collect(), |h| vec![h]);
    let laid_out = layout(design, this, selection);
    let derived = strata.into_iter().map(|h| {
        let derived = match quantity {
            Quantity::Sum(column) => sum_of_stratum(this, (own, &laid_out), h, domain, column),
            Quantity::TopHeight => top_height_of_stratum(this, values, (selection, &laid_out), h),
        };
        derived.map(|derived| StratumDerivation {
            weight: size_of_stratum(design, this, h),
            ..derived
        })
    });
    let mut derived = derived.collect::<Option<Vec<_>>>()?;
    if quantity == Quantity::TopHeight {
        // A stratum without live trees has no top height and no weight.
        derived.retain(|part| part.estimate.n_plots > 0);
    }
    let area = |part: &StratumDerivation<'_>| part.weight.or((derived.len() == 1).then_some(1.0));
    let parts: Option<Vec<Part>> = derived
        .iter()
        .map(|part| {
            Some(Part {
                area_ha: area(part)?,
                estimate: part.estimate,
            })
        })
        .collect();
    let parts = parts.filter(|parts| !parts.is_empty())?;
    let across = laid_out.stand.as_ref().filter(|_| derived.len() > 1);
    let estimate = match (quantity, across) {
        (Quantity::Sum(column), Some(sample)) => {
            let of = |plot: &PlotSum| plot.get(domain).map_or(0.0, |sums| sums.value(column));
            sample.estimate(&own.plots.iter().map(of).collect::<Vec<_>>())
        }
        _ => together(laid_out.together, &parts),
    };
    Some(StandDerivation::Plots {
        estimate,
        together: laid_out.together,
        strata: derived,
    })
}

/// `None` without plots, or where a tree's value is not known.
fn sum_of_stratum<'a>(
    stand: &'a Stand,
    (sums, layout): (&SelectionSums, &Layout),
    stratum: usize,
    domain: Domain,
    column: Column,
) -> Option<StratumDerivation<'a>> {
    let of_stratum = sums.plots.iter().filter(|plot| plot.stratum == stratum);
    let value = |sum: &PlotSum| match sum.get(domain) {
        None => Some(0.0),
        Some(sums) => (!sums.is_unknown(column)).then(|| sums.value(column)),
    };
    let plots: Option<Vec<(&Plot, f64)>> = of_stratum
        .map(|sum| Some((&stand.plots[sum.plot], value(sum)?)))
        .collect();
    let plots = plots.filter(|plots| !plots.is_empty())?;
    let values: Vec<f64> = plots.iter().map(|(_, value)| *value).collect();
    let sample = layout.strata[stratum].clone()?;
    Some(StratumDerivation {
        stratum,
        area_ha: stand.strata[stratum].area_ha,
        weight: None,
        plots,
        estimate: sample.estimate(&values),
        sample,
    })
}

/// `None` where a height is not known; without live trees an estimate of no plots.
fn top_height_of_stratum<'a>(
    stand: &'a Stand,
    values: &'a [TreeValues],
    (selection, layout): (SelectionIndex, &Layout),
    stratum: usize,
) -> Option<StratumDerivation<'a>> {
    let mut visits = Vec::new();
    let mut first = 0;
    for plot in &stand.plots {
        for visit in &plot.visits {
            let values = &values[first..first + visit.trees.len()];
            first += visit.trees.len();
            if visit.selection == selection && plot.stratum == stratum {
                visits.push(ValuedVisit {
                    plot,
                    visit,
                    values,
                });
            }
        }
    }
    let area_ha = stand.strata[stratum].area_ha;
    let mut sample = layout.strata[stratum].clone()?;
    let estimate = match of_stratum(&sample, &visits, area_ha) {
        TopHeight::Unknown => return None,
        TopHeight::NoTrees => simple(&[]),
        TopHeight::Known(estimate) => estimate,
    };
    let plots = match of_plots(&visits) {
        TopHeight::Known(plots) if !sample.is_tallied() => {
            let at: Vec<usize> = plots.iter().map(|(at, _)| *at).collect();
            sample = sample.only(&at);
            let of = |(at, height_m): (usize, f64)| (visits[at].plot, height_m);
            plots.into_iter().map(of).collect()
        }
        _ => Vec::new(),
    };
    Some(StratumDerivation {
        stratum,
        area_ha,
        weight: None,
        plots,
        estimate,
        sample,
    })
}
