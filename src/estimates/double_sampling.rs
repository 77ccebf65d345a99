//! Double sampling with a gauge: counts at many points, volume per basal area from fewer trees.
//!
//! In: a stand, a counted sweep and its donor, as for [`super::counted`], which gives the volumes.
//! Out: the error of these by the product rule ([`super::product`]), for the rows where the design
//! says so, and beside the error over plots for the report. The basal area has the error of the
//! sweep's own sample, with its strata, clusters, list and neighbours.

use super::counted::{Borrowed, Borrowing, value};
use super::layout::{Layout, layout, size_of_stratum, strata_weights};
use super::product::{Factor, Product, RatioTree, product};
use super::stand::donor_of;
use super::stratified::{Part, together};
use super::{Estimate, NoInterval};
use crate::design::{Design, RatioError, SelectionIndex};
use crate::expansion::{self, Expansion};
use crate::plot_sums::{Column, Domain, PlotSum, SelectionSums, StatusDomain, sum_selection};
use crate::records::{CruiseSpeciesIndex, Stand, Status};
use crate::stems::TreeValues;

/// A counted sweep with the measured trees of its donor.
pub(super) struct DoubleSample<'a> {
    design: &'a Design,
    stand: &'a Stand,
    sweep: &'a SelectionSums,
    layout: &'a Layout,
    donor_exact: bool,
    trees: Vec<DonorTree<'a>>,
}

/// A measured tree of the donor.
struct DonorTree<'a> {
    plot: usize,
    live: bool,
    species: CruiseSpeciesIndex,
    dbh_cm: f64,
    expansion: Expansion,
    values: &'a TreeValues,
}

impl<'a> DoubleSample<'a> {
    /// `values` holds the trees of the stand in the order of `Stand::trees`.
    pub(super) fn new(
        design: &'a Design,
        stand: &'a Stand,
        (sweep, layout): (&'a SelectionSums, &'a Layout),
        donor: &SelectionSums,
        values: &'a [TreeValues],
    ) -> Self {
        let mut trees = Vec::new();
        let mut values = values.iter();
        for (plot, of_stand) in stand.plots.iter().enumerate() {
            let area_ha = stand.strata[of_stand.stratum].area_ha;
            for visit in &of_stand.visits {
                for (tree, values) in visit.trees.iter().zip(values.by_ref()) {
                    if visit.selection != donor.selection {
                        continue;
                    }
                    if let Some(expansion) = expansion::expand(visit, tree, area_ha)
                        && expansion.basal_area_m2_per_ha > 0.0
                    {
                        trees.push(DonorTree {
                            plot,
                            live: matches!(tree.status, Status::Live),
                            species: tree.species,
                            dbh_cm: tree.dbh_cm,
                            expansion,
                            values,
                        });
                    }
                }
            }
        }
        DoubleSample {
            design,
            stand,
            sweep,
            layout,
            donor_exact: donor.full_tally,
            trees,
        }
    }

    /// The product where the design wants the rows to have its error.
    pub(super) fn asked(
        &self,
        of: (Domain, Column),
        stratum: Option<usize>,
        borrowed: &Borrowed,
    ) -> Option<Product> {
        let rule = &self.design.selections[self.sweep.selection];
        (rule.volume_ratio_error == RatioError::Product)
            .then(|| self.product(of, stratum, borrowed))
    }

    /// The product for a volume that was borrowed for the stand, or for one of its strata.
    pub(super) fn product(
        &self,
        (domain, column): (Domain, Column),
        stratum: Option<usize>,
        borrowed: &Borrowed,
    ) -> Product {
        let of_species = |plot: &PlotSum, species| {
            let counted = Domain { species, ..domain };
            value(plot, counted, Column::BasalArea)
        };
        let count = self.estimate(stratum, |plot| {
            let species = borrowed.species.iter();
            species
                .map(|one| one.ratio * of_species(plot, one.species))
                .sum()
        });
        let mut factors = Vec::new();
        for one in borrowed.species.iter().filter(|one| !one.pooled) {
            factors.push(Factor {
                basal_area: self.estimate(stratum, |plot| of_species(plot, one.species)),
                trees: self.lenders((domain, column), one.species, borrowed),
            });
        }
        let pooled: Vec<_> = borrowed.species.iter().filter(|one| one.pooled).collect();
        if !pooled.is_empty() {
            let together = |plot: &PlotSum| {
                let species = pooled.iter();
                species.map(|one| of_species(plot, one.species)).sum()
            };
            factors.push(Factor {
                basal_area: self.estimate(stratum, together),
                trees: self.lenders((domain, column), None, borrowed),
            });
        }
        product(count, &factors, self.donor_exact)
    }

    /// The trees that lend to one species, or to all of its status.
    fn lenders(
        &self,
        (domain, column): (Domain, Column),
        species: Option<CruiseSpeciesIndex>,
        borrowed: &Borrowed,
    ) -> Vec<RatioTree> {
        let live = domain.status == StatusDomain::Live;
        let lends = |tree: &DonorTree<'_>| {
            tree.live == live && species.is_none_or(|species| species == tree.species)
        };
        let trees = self
            .trees
            .iter()
            .enumerate()
            .filter(|(_, tree)| lends(tree));
        let ratio = |(at, tree): (usize, &DonorTree<'_>)| {
            let basal_area = tree.expansion.basal_area_m2_per_ha;
            let volume = column.of(tree.dbh_cm, tree.expansion, tree.values)?;
            Some(RatioTree {
                tree: at,
                weight: borrowed.donor_plot_weights[tree.plot] * basal_area,
                ratio: volume / basal_area,
            })
        };
        trees.filter_map(ratio).collect()
    }

    /// The mean of a value over the plots of the sweep, with its error.
    fn estimate(&self, stratum: Option<usize>, of: impl Fn(&PlotSum) -> f64) -> Estimate {
        let of_stratum = |h: usize| {
            let plots = self.sweep.plots.iter().filter(|plot| plot.stratum == h);
            let values: Vec<f64> = plots.map(&of).collect();
            let sample = self.layout.strata[h].as_ref()?;
            Some(sample.estimate(&values))
        };
        let nothing = Estimate {
            no_interval: Some(NoInterval::StratumWithOnePlot),
            ..Estimate::of(0.0)
        };
        if let Some(stratum) = stratum {
            return of_stratum(stratum).unwrap_or(nothing);
        }
        if let Some(sample) = &self.layout.stand {
            return sample.estimate(&self.sweep.plots.iter().map(of).collect::<Vec<_>>());
        }
        let strata = 0..self.stand.strata.len();
        let only = strata.len() == 1;
        let parts = strata.map(|h| {
            let size = size_of_stratum(self.design, self.stand, h);
            Some(Part {
                area_ha: size.or(only.then_some(1.0))?,
                estimate: of_stratum(h)?,
            })
        });
        let parts: Option<Vec<Part>> = parts.collect();
        parts.map_or(nothing, |parts| together(self.layout.together, &parts))
    }
}

/// The double sampling of one counted selection in a stand or one of its strata.
#[derive(Clone, Debug)]
pub struct DoubleSampling {
    /// The counted selection.
    pub selection: SelectionIndex,
    /// The selection of the measured trees.
    pub donor: SelectionIndex,
    /// What is lent.
    pub column: Column,
    /// Plots with measured trees or visited for them, and those of them that were counted too.
    pub donor_plots: usize,
    /// See `donor_plots`.
    pub shared_plots: usize,
    /// By status: its species, and all of them where there are several.
    pub rows: Vec<DoubleSamplingRow>,
}

/// One group of trees.
#[derive(Clone, Copy, Debug)]
pub struct DoubleSamplingRow {
    /// Live or dead.
    pub status: StatusDomain,
    /// The species; `None`: all.
    pub species: Option<CruiseSpeciesIndex>,
    /// Basal area by the counts, m2/ha.
    pub basal_area: Estimate,
    /// Volume with the error over plots, m3/ha (mass: kg/ha).
    pub over_plots: Estimate,
    /// The same by the product rule.
    pub product: Product,
}

/// The double sampling of every counted selection of a stand (or of one of its strata) that has a
/// donor. `values` holds the trees of the stand in the order of `Stand::trees`.
pub fn double_sampling(
    design: &Design,
    (stand, stratum): (&Stand, Option<usize>),
    values: &[TreeValues],
) -> Vec<DoubleSampling> {
    let sums: Vec<SelectionSums> = (0..design.selections.len())
        .map(|selection| sum_selection(design, stand, selection, values))
        .collect();
    let counted = sums.iter().filter(|s| s.counted && !s.area_missing);
    let of_sweep = |sweep: &SelectionSums| {
        let donor = donor_of(design, &sums, sweep.selection)?;
        let weights = strata_weights(design, stand, stratum)?;
        let layout = layout(design, stand, sweep.selection);
        let missing = |h: usize| weights[h] > 0.0 && layout.strata[h].is_none();
        if (0..weights.len()).any(missing) {
            return None;
        }
        let borrowing = Borrowing::new(design, stand, (sweep, &layout), donor);
        let double = DoubleSample::new(design, stand, (sweep, &layout), donor, values);
        let all = |status| Domain::all(status);
        let lenders = borrowing.lenders();
        let statuses = [StatusDomain::Live, StatusDomain::Dead];
        let there = |status: &StatusDomain| lenders.keys().any(|key| key.0 == *status);
        let column = Column::BORROWED.into_iter().find(|column| {
            let mut there = statuses.into_iter().filter(there);
            there.any(|status| borrowing.volume(all(status), *column, &weights).is_some())
        })?;
        let mut rows = Vec::new();
        for status in statuses.into_iter().filter(there) {
            let keys = lenders.keys().filter(|key| key.0 == status);
            let mut species: Vec<_> = keys.map(|key| Some(key.1)).collect();
            if species.len() > 1 {
                species.push(None);
            }
            for species in species {
                let domain = Domain {
                    species,
                    ..all(status)
                };
                let Some(borrowed) = borrowing.derive(domain, column, &weights) else {
                    continue;
                };
                let of = |plot: &PlotSum| value(plot, domain, Column::BasalArea);
                let basal_area = double.estimate(stratum, of);
                if basal_area.mean > 0.0 {
                    rows.push(DoubleSamplingRow {
                        status,
                        species,
                        basal_area,
                        over_plots: borrowed.estimate,
                        product: double.product((domain, column), stratum, &borrowed),
                    });
                }
            }
        }
        let counted_too = |plot: &&PlotSum| sweep.plots.iter().any(|s| s.plot == plot.plot);
        Some(DoubleSampling {
            selection: sweep.selection,
            donor: donor.selection,
            column,
            donor_plots: donor.plots.len(),
            shared_plots: donor.plots.iter().filter(counted_too).count(),
            rows,
        })
    };
    counted.filter_map(of_sweep).collect()
}
