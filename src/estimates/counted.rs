//! Volume of trees that were only counted: basal area from the sweep, volume per basal area from
//! the trees of another selection (the donor) in the same stand.
//!
//! ```text
//! V    = gbar R,   R = vbar / dbar       R m3 of volume per m2 of basal area, per species
//! gbar = sum_h u_h gbar_h                mean basal area of the sweep; u_h area weights
//! vbar = sum_h z_h vbar_h                mean volume of the donor's measured trees
//! dbar = sum_h z_h dbar_h                mean basal area of the same trees
//! ```
//! `u_h` is 1 for the stratum of a row about one stratum, and `A_h / A` for the stand. The ratio is
//! one per stand: `z_h` is the area share of the stratum among those where the donor was carried
//! out (the share of the donor's plots where an area is unknown). Live trees borrow from live and
//! dead from dead donors, of their own species; of all species of that status where the donor has
//! none of the species. The volume of all species is the sum over species. A sweep of which some
//! trees were measured lends to itself where no other donor is named. Biomass and carbon are
//! borrowed in the same way, mass in place of volume.
//!
//! Error by first-order linearisation over physical plots, so that what sweep and donor share at
//! one centre is kept:
//!
//! ```text
//! a_i  = u_h R (g_i - gbar_h) / n_h                                  plots of the sweep, n_h
//! b_i  = z_h (gbar / dbar) ((v_i - vbar_h) - R (d_i - dbar_h)) / m_h   plots of the donor, m_h
//! se2  = sum_h sum_i (sqrt(n_h / (n_h - 1)) a_i + sqrt(m_h / (m_h - 1)) b_i)^2
//! ```
//! `a` and `b` are summed over species first. With the same n plots in both, this is
//! `n / (n - 1) sum (a_i + b_i)^2`; with no plot in common, the sum of the two variances. Degrees
//! of freedom of a stratum: one less than its plots, or less where Satterthwaite's rule on the two
//! parts says so; over strata Satterthwaite.
//!
//! Source: linearisation of a ratio of means times a mean, Cochran 1977 (sections 6.4 and 12, from
//! memory), Sarndal, Swensson & Wretman 1992 (from memory); where all trees of a plot are donors
//! the plots are clusters, so the ratio is one of means over plots.

use std::collections::BTreeMap;

use super::stratified::satterthwaite;
use super::{Estimate, NoInterval};
use crate::math::sum::mean;
use crate::plot_sums::{Column, Domain, PlotSum, SelectionSums, StatusDomain};
use crate::records::CruiseSpeciesIndex;

/// A sweep and its donor in one stand.
pub(super) struct Borrowing<'a> {
    /// Plots of the sweep by stratum.
    sweep: Vec<Vec<&'a PlotSum>>,
    /// Plots of the donor by stratum.
    donor: Vec<Vec<&'a PlotSum>>,
    /// Weights of the strata in the ratio; 0 where the donor was not carried out.
    donor_weights: Vec<f64>,
    /// A fully tallied donor adds no error.
    donor_exact: bool,
    /// Number of plots of the stand.
    plots: usize,
    /// For each status (live or dead) and species of the sweep, whose ratio it takes.
    lenders: BTreeMap<(StatusDomain, CruiseSpeciesIndex), Lender>,
}

/// Whose volume ratio a counted species takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Lender {
    /// Its own species.
    Species,
    /// All species of the status together.
    Pooled,
    /// The donor has no tree of that status.
    Nobody,
}

impl<'a> Borrowing<'a> {
    /// Pairs a sweep with its donor. `areas_ha` are those of the stand's strata.
    pub(super) fn new(
        sweep: &'a SelectionSums,
        donor: &'a SelectionSums,
        areas_ha: &[Option<f64>],
        plots: usize,
    ) -> Self {
        let by_stratum = |sums: &'a SelectionSums| -> Vec<Vec<&'a PlotSum>> {
            let plots = |h| sums.plots.iter().filter(move |plot| plot.stratum == h);
            (0..areas_ha.len()).map(|h| plots(h).collect()).collect()
        };
        let mut borrowing = Borrowing {
            sweep: by_stratum(sweep),
            donor: by_stratum(donor),
            donor_weights: Vec::new(),
            donor_exact: donor.full_tally,
            plots,
            lenders: BTreeMap::new(),
        };
        borrowing.donor_weights = donor_weights(&borrowing.donor, areas_ha);
        for plot in &sweep.plots {
            for (domain, _) in &plot.cells {
                if let Some(species) = domain.species
                    && matches!(domain.status, StatusDomain::Live | StatusDomain::Dead)
                {
                    let key = (domain.status, species);
                    let lender = borrowing.lender(key.0, species);
                    borrowing.lenders.entry(key).or_insert(lender);
                }
            }
        }
        borrowing
    }

    /// For each status and species of the sweep, whose ratio it takes.
    pub(super) fn lenders(&self) -> &BTreeMap<(StatusDomain, CruiseSpeciesIndex), Lender> {
        &self.lenders
    }

    fn lender(&self, status: StatusDomain, species: CruiseSpeciesIndex) -> Lender {
        let has = |species| {
            let domain = Domain {
                species,
                ..Domain::all(status)
            };
            let mut plots = self.donor.iter().flatten();
            plots.any(|plot| value(plot, domain, Column::MeasuredBasalArea) > 0.0)
        };
        if has(Some(species)) {
            Lender::Species
        } else if has(None) {
            Lender::Pooled
        } else {
            Lender::Nobody
        }
    }

    /// Volume per ha of a domain of the sweep. `weights` are those of the strata in the estimate
    /// (1 and zeros for a row about one stratum). `None` when nobody lends, or a donor tree has no
    /// volume.
    pub(super) fn volume(
        &self,
        domain: Domain,
        column: Column,
        weights: &[f64],
    ) -> Option<Estimate> {
        Some(self.derive(domain, column, weights)?.estimate)
    }

    /// The same with everything on the way to it.
    pub(super) fn derive(
        &self,
        domain: Domain,
        column: Column,
        weights: &[f64],
    ) -> Option<Borrowed> {
        let lending_status = match domain.status {
            StatusDomain::Live => StatusDomain::Live,
            StatusDomain::Dead | StatusDomain::DecayClass(_) => StatusDomain::Dead,
        };
        let mut linear = Linear {
            mean: 0.0,
            species: Vec::new(),
            sweep: vec![0.0; self.plots],
            donor: vec![0.0; self.plots],
        };
        for ((status, species), lender) in &self.lenders {
            if *status != lending_status || domain.species.is_some_and(|one| one != *species) {
                continue;
            }
            let counted = Domain {
                species: Some(*species),
                ..domain
            };
            let lending = Domain {
                species: (*lender == Lender::Species).then_some(*species),
                ..Domain::all(lending_status)
            };
            self.add_species(&mut linear, counted, (*lender, lending), column, weights)?;
        }
        let mut strata = Vec::new();
        let estimate = self.estimate(&linear, weights, &mut strata);
        Some(Borrowed {
            estimate,
            species: linear.species,
            by_sweep: linear.sweep,
            by_donor: linear.donor,
            strata,
            donor_plot_weights: self.donor_plot_weights(),
        })
    }

    /// Weight of each plot of the stand in the means of the donor.
    fn donor_plot_weights(&self) -> Vec<f64> {
        let mut weights = vec![0.0; self.plots];
        for (plots, weight) in self.donor.iter().zip(&self.donor_weights) {
            let count = if self.donor_exact { 1 } else { plots.len() };
            for plot in plots {
                weights[plot.plot] = weight / count as f64;
            }
        }
        weights
    }

    /// Adds one species to the mean and to the linearised plots; `None` as for [`Self::volume`].
    fn add_species(
        &self,
        linear: &mut Linear,
        counted: Domain,
        (lender, lending): (Lender, Domain),
        column: Column,
        weights: &[f64],
    ) -> Option<()> {
        let basal_area = |plot: &PlotSum| value(plot, counted, Column::BasalArea);
        let gbar_h = means(&self.sweep, false, basal_area);
        let gbar = weighted(weights, &gbar_h);
        if gbar <= 0.0 {
            return Some(());
        }
        if lender == Lender::Nobody {
            return None;
        }
        let donors = || self.donor.iter().flatten();
        let unknown = |plot: &&PlotSum| plot.get(lending).is_some_and(|s| s.is_unknown(column));
        if donors().any(unknown) {
            return None;
        }
        let lent_volume = |plot: &PlotSum| value(plot, lending, column);
        let lent_basal_area = |plot: &PlotSum| value(plot, lending, Column::MeasuredBasalArea);
        let vbar_h = means(&self.donor, self.donor_exact, lent_volume);
        let dbar_h = means(&self.donor, self.donor_exact, lent_basal_area);
        let dbar = weighted(&self.donor_weights, &dbar_h);
        let ratio = weighted(&self.donor_weights, &vbar_h) / dbar;
        linear.mean += gbar * ratio;
        linear.species.push(BorrowedSpecies {
            species: counted.species,
            pooled: lender == Lender::Pooled,
            sweep_basal_area_m2_per_ha: gbar,
            donor_per_ha: weighted(&self.donor_weights, &vbar_h),
            donor_basal_area_m2_per_ha: dbar,
            ratio,
        });
        for (h, plots) in self.sweep.iter().enumerate() {
            let scale = weights[h] * ratio / plots.len() as f64;
            for plot in plots {
                linear.sweep[plot.plot] += scale * (basal_area(plot) - gbar_h[h]);
            }
        }
        for (h, plots) in self.donor.iter().enumerate() {
            let scale = self.donor_weights[h] * gbar / dbar / plots.len() as f64;
            for plot in plots {
                linear.donor[plot.plot] += scale
                    * ((lent_volume(plot) - vbar_h[h])
                        - ratio * (lent_basal_area(plot) - dbar_h[h]));
            }
        }
        Some(())
    }

    /// Mean and error from the linearised plots.
    fn estimate(
        &self,
        linear: &Linear,
        weights: &[f64],
        strata: &mut Vec<BorrowedStratum>,
    ) -> Estimate {
        let mut estimate = Estimate {
            mean: linear.mean,
            std_error: None,
            df: None,
            n_plots: 0,
            no_interval: None,
        };
        let mut variances = Vec::new();
        for h in 0..weights.len() {
            let sweep = used(&self.sweep[h], weights[h] > 0.0);
            let donor = used(&self.donor[h], self.donor_weights[h] > 0.0);
            let mut plots: Vec<usize> = sweep.iter().chain(donor).map(|plot| plot.plot).collect();
            plots.sort_unstable();
            plots.dedup();
            estimate.n_plots += plots.len();
            let (n, m) = (sweep.len() as f64, donor.len() as f64);
            let donor_alone = donor.len() == 1 && !self.donor_exact;
            if sweep.len() == 1 || donor_alone {
                estimate.no_interval = Some(if weights.len() == 1 {
                    NoInterval::OnePlot
                } else {
                    NoInterval::StratumWithOnePlot
                });
                continue;
            }
            // Plots outside a part carry zeros there; a part of no plots has no factor.
            let factor = |count: f64| {
                if count > 1.0 {
                    (count / (count - 1.0)).sqrt()
                } else {
                    0.0
                }
            };
            let (by_sweep, by_donor) = (factor(n), if self.donor_exact { 0.0 } else { factor(m) });
            let sum_of_squares = |k: f64, l: f64| -> f64 {
                let plot = |i: &usize| (k * linear.sweep[*i] + l * linear.donor[*i]).powi(2);
                plots.iter().map(plot).sum()
            };
            let variance = sum_of_squares(by_sweep, by_donor);
            let parts = [
                (sum_of_squares(by_sweep, 0.0), (n > 1.0).then_some(n - 1.0)),
                (
                    sum_of_squares(0.0, by_donor),
                    (m > 1.0 && !self.donor_exact).then_some(m - 1.0),
                ),
            ];
            let at_most = plots.len() as f64 - 1.0;
            let df = satterthwaite(&parts).map(|df| df.min(at_most));
            variances.push((variance, df));
            strata.push(BorrowedStratum {
                stratum: h,
                sweep_plots: sweep.len(),
                donor_plots: donor.len(),
                sweep_variance: parts[0].0,
                donor_variance: parts[1].0,
                variance,
                df,
            });
        }
        if estimate.no_interval.is_none() {
            estimate.std_error = Some(variances.iter().map(|(v, _)| v).sum::<f64>().sqrt());
            estimate.df = satterthwaite(&variances);
        }
        estimate
    }
}

/// How a borrowed volume comes about; symbols as in the module.
#[derive(Clone, Debug, PartialEq)]
pub struct Borrowed {
    /// The estimate.
    pub estimate: Estimate,
    /// The counted species with their ratios.
    pub species: Vec<BorrowedSpecies>,
    /// `a_i`, for each plot of the stand.
    pub by_sweep: Vec<f64>,
    /// `b_i`, for each plot of the stand.
    pub by_donor: Vec<f64>,
    /// The strata that have a variance.
    pub strata: Vec<BorrowedStratum>,
    /// `z_h / m_h`, for each plot of the stand: its weight in `vbar` and `dbar`; `z_h` on the
    /// sheets of a fully tallied donor.
    pub donor_plot_weights: Vec<f64>,
}

/// A counted species and the ratio that it takes.
#[derive(Clone, Debug, PartialEq)]
pub struct BorrowedSpecies {
    /// The species.
    pub species: Option<CruiseSpeciesIndex>,
    /// Does it take the ratio of all species of its status?
    pub pooled: bool,
    /// `gbar`.
    pub sweep_basal_area_m2_per_ha: f64,
    /// `vbar`, per ha.
    pub donor_per_ha: f64,
    /// `dbar`.
    pub donor_basal_area_m2_per_ha: f64,
    /// `R`.
    pub ratio: f64,
}

/// A stratum's part in the variance.
#[derive(Clone, Debug, PartialEq)]
pub struct BorrowedStratum {
    /// Index into `Stand::strata`.
    pub stratum: usize,
    /// `n_h`, 0 where the stratum has no part in the sweep's mean.
    pub sweep_plots: usize,
    /// `m_h`, 0 where the stratum has no part in the ratio.
    pub donor_plots: usize,
    /// `n / (n - 1) sum a^2`.
    pub sweep_variance: f64,
    /// `m / (m - 1) sum b^2`.
    pub donor_variance: f64,
    /// Both with what they share: twice the covariance is the rest.
    pub variance: f64,
    /// Degrees of freedom.
    pub df: Option<f64>,
}

/// A volume and its first-order dependence on each plot of the stand.
struct Linear {
    mean: f64,
    species: Vec<BorrowedSpecies>,
    sweep: Vec<f64>,
    donor: Vec<f64>,
}

fn used<'a, 'b>(plots: &'b [&'a PlotSum], used: bool) -> &'b [&'a PlotSum] {
    if used { plots } else { &[] }
}

fn value(plot: &PlotSum, domain: Domain, column: Column) -> f64 {
    plot.get(domain).map_or(0.0, |sums| sums.value(column))
}

/// Mean of each stratum, or the sum over the sheets of a full tally; 0 where there is no plot.
fn means(strata: &[Vec<&PlotSum>], full_tally: bool, of: impl Fn(&PlotSum) -> f64) -> Vec<f64> {
    let summary = |plots: &Vec<&PlotSum>| {
        let values: Vec<f64> = plots.iter().map(|plot| of(plot)).collect();
        if full_tally {
            values.iter().sum()
        } else {
            mean(&values)
        }
    };
    strata.iter().map(summary).collect()
}

fn weighted(weights: &[f64], means: &[f64]) -> f64 {
    weights.iter().zip(means).map(|(w, m)| w * m).sum()
}

/// Weights of the strata in a mean: of one stratum by itself, or of all by their areas.
pub(super) fn area_weights(areas_ha: &[Option<f64>], stratum: Option<usize>) -> Vec<f64> {
    if let Some(only) = stratum {
        let weight = |h| if h == only { 1.0 } else { 0.0 };
        return (0..areas_ha.len()).map(weight).collect();
    }
    if areas_ha.len() == 1 {
        return vec![1.0];
    }
    let total: f64 = areas_ha.iter().flatten().sum();
    let weight = |area: &Option<f64>| area.unwrap_or_default() / total;
    areas_ha.iter().map(weight).collect()
}

/// Shares of area of the strata with donor plots, or of plots where an area is unknown.
fn donor_weights(donor: &[Vec<&PlotSum>], areas_ha: &[Option<f64>]) -> Vec<f64> {
    let sampled = |h: usize| !donor[h].is_empty();
    let areas: Option<Vec<f64>> = areas_ha
        .iter()
        .enumerate()
        .map(|(h, area_ha)| if sampled(h) { *area_ha } else { Some(0.0) })
        .collect();
    let plots = || donor.iter().map(|plots| plots.len() as f64).collect();
    let sizes: Vec<f64> = areas.unwrap_or_else(plots);
    let total: f64 = sizes.iter().sum();
    sizes.into_iter().map(|size| size / total).collect()
}
