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
//! `n / (n - 1) sum (a_i + b_i)^2`; with no plot in common, the sum of the two variances. Plots of
//! different size weigh `x_i / sum x` in place of `1 / n_h`; clusters are summed before they are
//! squared; a list takes its share off; where neighbours give the variance they give it here, of
//! `a + b` if both were carried out at the same units, and else of each by itself. Strata of estimated weight add
//! `sum W_h (V_h - V)^2 / (n' - 1)`; strata made after sampling count as strata of known areas.
//! Degrees of freedom of a stratum: one less than its units, or less where Satterthwaite's rule on
//! the two parts says so; over strata Satterthwaite.
//!
//! Source: linearisation of a ratio of means times a mean, Cochran 1977 (sections 6.4 and 12, from
//! memory), Sarndal, Swensson & Wretman 1992 (from memory); where all trees of a plot are donors
//! the plots are clusters, so the ratio is one of means over plots.

use std::collections::BTreeMap;

use super::layout::{Layout, layout, of_stratum, size_of_stratum};
use super::sample::Sample;
use super::stratified::satterthwaite;
use super::{Estimate, NoInterval};
use crate::design::{Design, RatioBy, StrataWeights};
use crate::plot_sums::{Column, Domain, PlotSum, SelectionSums, StatusDomain};
use crate::records::{CruiseSpeciesIndex, Stand};

/// A sweep and its donor in one stand.
pub(super) struct Borrowing<'a> {
    /// The sweep by stratum.
    sweep: Vec<Part<'a>>,
    /// The donor by stratum.
    donor: Vec<Part<'a>>,
    /// Weights of the strata in the ratio; 0 where the donor was not carried out.
    donor_weights: Vec<f64>,
    /// A fully tallied donor adds no error.
    donor_exact: bool,
    /// Do all species share one ratio?
    pooled: bool,
    /// First plot of the cluster of each plot of the stand.
    units: Vec<usize>,
    /// Points of the first sample, where these weigh the strata.
    phase_one_points: Option<f64>,
    /// For each status (live or dead) and species of the sweep, whose ratio it takes.
    lenders: BTreeMap<(StatusDomain, CruiseSpeciesIndex), Lender>,
}

/// The plots of one selection in one stratum and how they were laid out.
struct Part<'a> {
    plots: Vec<&'a PlotSum>,
    sample: Sample,
    /// Weight of each plot in the mean of the stratum.
    weights: Vec<f64>,
}

impl<'a> Part<'a> {
    fn of(sums: &'a SelectionSums, layout: &Layout, stratum: usize) -> Part<'a> {
        let sample = layout.strata[stratum].clone().unwrap_or_default();
        Part {
            plots: of_stratum(sums, stratum),
            weights: sample.weights(),
            sample,
        }
    }

    /// Mean of a value over the plots (the sum over the sheets of a full tally); 0 without plots.
    fn mean(&self, of: impl Fn(&PlotSum) -> f64) -> f64 {
        let values: Vec<f64> = self.plots.iter().map(|plot| of(plot)).collect();
        if values.is_empty() {
            return 0.0;
        }
        self.sample.mean(&values)
    }

    /// Sums by unit of something known for each plot of the stand.
    fn by_unit(&self, of_plots: &[f64]) -> Vec<f64> {
        let mut sums = vec![0.0; self.sample.n_units()];
        for (plot, unit) in self.plots.iter().zip(self.sample.units()) {
            sums[*unit] += of_plots[plot.plot];
        }
        sums
    }

    /// Which unit of the stand each unit is.
    fn units(&self, of_stand: &[usize]) -> Vec<usize> {
        let mut units = vec![0; self.sample.n_units()];
        for (plot, unit) in self.plots.iter().zip(self.sample.units()) {
            units[*unit] = of_stand[plot.plot];
        }
        units
    }
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
    /// Pairs a sweep and its layout with its donor.
    pub(super) fn new(
        design: &Design,
        stand: &Stand,
        (sweep, sweep_layout): (&'a SelectionSums, &Layout),
        donor: &'a SelectionSums,
    ) -> Self {
        let by_stratum = |sums: &'a SelectionSums, layout: &Layout| -> Vec<Part<'a>> {
            let strata = 0..stand.strata.len();
            strata.map(|h| Part::of(sums, layout, h)).collect()
        };
        let unit = |(at, plot): (usize, &crate::records::Plot)| {
            let same = |other: &crate::records::Plot| other.cluster == plot.cluster;
            let first = stand.plots.iter().position(same);
            if plot.cluster.is_some() {
                first.unwrap_or(at)
            } else {
                at
            }
        };
        let sizes = (0..stand.strata.len()).map(|h| size_of_stratum(design, stand, h));
        let sizes: Vec<Option<f64>> = sizes.collect();
        let estimated = design.sampling.strata == StrataWeights::Estimated && sizes.len() > 1;
        let mut borrowing = Borrowing {
            sweep: by_stratum(sweep, sweep_layout),
            donor: by_stratum(donor, &layout(design, stand, donor.selection)),
            donor_weights: Vec::new(),
            donor_exact: donor.full_tally,
            pooled: design.selections[sweep.selection].volume_ratio_by == RatioBy::Pooled,
            units: stand.plots.iter().enumerate().map(unit).collect(),
            phase_one_points: if estimated {
                sizes.iter().copied().sum()
            } else {
                None
            },
            lenders: BTreeMap::new(),
        };
        borrowing.donor_weights = donor_weights(&borrowing.donor, &sizes);
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
            let mut plots = self.donor.iter().flat_map(|part| &part.plots);
            plots.any(|plot| value(plot, domain, Column::MeasuredBasalArea) > 0.0)
        };
        if !self.pooled && has(Some(species)) {
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
            by_stratum: vec![0.0; self.sweep.len()],
            sweep: vec![0.0; self.units.len()],
            donor: vec![0.0; self.units.len()],
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
        let mut weights = vec![0.0; self.units.len()];
        for (part, of_stratum) in self.donor.iter().zip(&self.donor_weights) {
            for (plot, weight) in part.plots.iter().zip(&part.weights) {
                weights[plot.plot] = of_stratum * weight;
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
        let gbar_h: Vec<f64> = self
            .sweep
            .iter()
            .map(|part| part.mean(basal_area))
            .collect();
        let gbar = weighted(weights, &gbar_h);
        if gbar <= 0.0 {
            return Some(());
        }
        if lender == Lender::Nobody {
            return None;
        }
        let donors = || self.donor.iter().flat_map(|part| &part.plots);
        let unknown = |plot: &&PlotSum| plot.get(lending).is_some_and(|s| s.is_unknown(column));
        if donors().copied().any(|plot| unknown(&plot)) {
            return None;
        }
        let lent_volume = |plot: &PlotSum| value(plot, lending, column);
        let lent_basal_area = |plot: &PlotSum| value(plot, lending, Column::MeasuredBasalArea);
        let vbar_h: Vec<f64> = self
            .donor
            .iter()
            .map(|part| part.mean(lent_volume))
            .collect();
        let dbar_h: Vec<f64> = (self.donor.iter().map(|part| part.mean(lent_basal_area))).collect();
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
        for (h, part) in self.sweep.iter().enumerate() {
            linear.by_stratum[h] += ratio * gbar_h[h];
            for (plot, weight) in part.plots.iter().zip(&part.weights) {
                let moved = weights[h] * ratio * weight * (basal_area(plot) - gbar_h[h]);
                linear.sweep[plot.plot] += moved;
            }
        }
        if self.donor_exact {
            return Some(());
        }
        for (h, part) in self.donor.iter().enumerate() {
            let scale = self.donor_weights[h] * gbar / dbar;
            for (plot, weight) in part.plots.iter().zip(&part.weights) {
                let residual =
                    (lent_volume(plot) - vbar_h[h]) - ratio * (lent_basal_area(plot) - dbar_h[h]);
                linear.donor[plot.plot] += scale * weight * residual;
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
        let mut estimate = Estimate::of(linear.mean);
        let mut variances = Vec::new();
        for h in 0..weights.len() {
            let sweep =
                Some(&self.sweep[h]).filter(|part| weights[h] > 0.0 && part.sample.n_plots() > 0);
            let donor = Some(&self.donor[h]).filter(|_| self.donor_weights[h] > 0.0);
            let used = || sweep.iter().chain(&donor).flat_map(|part| &part.plots);
            let distinct = |mut of: Vec<usize>| {
                of.sort_unstable();
                of.dedup();
                of.len()
            };
            estimate.n_plots += distinct(used().map(|plot| plot.plot).collect());
            let n_units = distinct(used().map(|plot| self.units[plot.plot]).collect());
            estimate.n_units += n_units;
            let n_of = |part: Option<&Part>| part.map_or(0, |part| part.sample.n_units());
            let donor_alone = n_of(donor) == 1 && !self.donor_exact;
            if n_of(sweep) == 1 || donor_alone {
                estimate.no_interval = Some(if weights.len() == 1 {
                    NoInterval::OnePlot
                } else {
                    NoInterval::StratumWithOnePlot
                });
                continue;
            }
            let stratum = self.variance(linear, (sweep, donor));
            let at_most = n_units as f64 - 1.0;
            let parts = [
                (stratum[0], sweep.and_then(|part| part.sample.df())),
                (stratum[1], donor.and_then(|part| part.sample.df())),
            ];
            let df = satterthwaite(&parts).map(|df| df.min(at_most));
            let variance = stratum[2].max(0.0);
            variances.push((variance, df));
            strata.push(BorrowedStratum {
                stratum: h,
                sweep_plots: sweep.map_or(0, |part| part.plots.len()),
                donor_plots: donor.map_or(0, |part| part.plots.len()),
                sweep_variance: stratum[0],
                donor_variance: stratum[1],
                variance,
                df,
            });
        }
        if let Some(points) = self.phase_one_points
            && weights.iter().filter(|weight| **weight > 0.0).count() > 1
        {
            let apart = |(w, of_stratum): (&f64, &f64)| w * (of_stratum - linear.mean).powi(2);
            let between: f64 = weights.iter().zip(&linear.by_stratum).map(apart).sum();
            variances.push((between / (points - 1.0), Some(points - 1.0)));
        }
        if estimate.no_interval.is_none() {
            estimate.std_error = Some(variances.iter().map(|(v, _)| v).sum::<f64>().sqrt());
            estimate.df = satterthwaite(&variances);
        }
        estimate
    }

    /// Variance of a stratum's part by the sweep, by the donor, and by both with what they share.
    fn variance(
        &self,
        linear: &Linear,
        (sweep, donor): (Option<&Part>, Option<&Part>),
    ) -> [f64; 3] {
        let own = |part: Option<&Part>, of: &[f64]| {
            let part = part?;
            let units = part.by_unit(of);
            part.sample.covariance(&units, &units)
        };
        let (by_sweep, by_donor) = (own(sweep, &linear.sweep), own(donor, &linear.donor));
        let (by_sweep, by_donor) = (by_sweep.unwrap_or(0.0), by_donor.unwrap_or(0.0));
        let (Some(sweep), Some(donor)) = (sweep, donor) else {
            return [by_sweep, by_donor, by_sweep + by_donor];
        };
        let (a, b) = (sweep.by_unit(&linear.sweep), donor.by_unit(&linear.donor));
        let (of_sweep, of_donor) = (sweep.units(&self.units), donor.units(&self.units));
        let shared = if of_sweep == of_donor && sweep.sample.pairs() == donor.sample.pairs() {
            sweep.sample.covariance(&a, &b).unwrap_or(0.0)
        } else if sweep.sample.is_tallied() || donor.sample.is_tallied() {
            0.0
        } else {
            let factor = |sample: &Sample| {
                let n = sample.n_units() as f64;
                ((1.0 - sample.list_share()) * n / (n - 1.0)).sqrt()
            };
            let partner = |unit: &usize| of_donor.iter().position(|other| other == unit);
            let products = of_sweep
                .iter()
                .zip(&a)
                .filter_map(|(unit, a)| Some(a * b[partner(unit)?]));
            factor(&sweep.sample) * factor(&donor.sample) * products.sum::<f64>()
        };
        [by_sweep, by_donor, by_sweep + by_donor + 2.0 * shared]
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
    by_stratum: Vec<f64>,
    sweep: Vec<f64>,
    donor: Vec<f64>,
}

pub(super) fn value(plot: &PlotSum, domain: Domain, column: Column) -> f64 {
    plot.get(domain).map_or(0.0, |sums| sums.value(column))
}

fn weighted(weights: &[f64], means: &[f64]) -> f64 {
    weights.iter().zip(means).map(|(w, m)| w * m).sum()
}

/// Shares of area of the strata with donor plots, or of plots where an area is unknown.
fn donor_weights(donor: &[Part], areas_ha: &[Option<f64>]) -> Vec<f64> {
    let sampled = |h: usize| !donor[h].plots.is_empty();
    let areas: Option<Vec<f64>> = areas_ha
        .iter()
        .enumerate()
        .map(|(h, area_ha)| if sampled(h) { *area_ha } else { Some(0.0) })
        .collect();
    let plots = || donor.iter().map(|part| part.plots.len() as f64).collect();
    let sizes: Vec<f64> = areas.unwrap_or_else(plots);
    let total: f64 = sizes.iter().sum();
    sizes.into_iter().map(|size| size / total).collect()
}
