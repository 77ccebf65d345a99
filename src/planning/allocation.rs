//! How many plots, and how many of them in each stratum.
//!
//! ```text
//! v(counts) = sum W_h^2 s_h^2 (1/n_h - 1/N_h)       W_h share of the area, s_h standard deviation
//!                                                   of plot values; 1/N_h = 0 without a known N_h
//! half-width  t(1 - (1 - c)/2, n - L) sqrt(v)       L strata
//! shares      proportional  W_h
//!             Neyman        W_h s_h / sum W s
//!             cost optimum  (W_h s_h / sqrt c_h) / sum (W s / sqrt c)
//! ```
//! For a variance D the plots at exactly these shares `p_h` are
//! `n = sum (W_h^2 s_h^2 / p_h) / (D + sum W_h^2 s_h^2 / N_h)`, which for the three rules is
//! `sum W s^2`, `(sum W s)^2` and `(sum W s sqrt c)(sum W s / sqrt c)` over the same denominator.
//! Source: Freese 1962, USDA Agric. Handb. 232, and Scheaffer, Mendenhall & Ott, Elementary Survey
//! Sampling (checked on their examples); Cochran 1977, chapter 5 (from memory).
//!
//! In whole numbers every stratum gets two plots, and each further one goes where
//! `w_h^2 / (n_h (n_h + 1))` is largest, `w_h` the unscaled share: for Neyman's rule that is the
//! plot that lowers the variance most, so no other allocation of the same plots has a smaller one
//! (Wright 2012, Am. Stat. 66; from memory). No stratum ever loses a plot when one is added, so
//! more plots never have a larger error.

use super::{Goal, MOST_PLOTS, Unmet};
use crate::estimates::Estimate;
use crate::estimates::stratified::{Part, stratified};
use crate::math::t;

/// What is expected of a stratum.
#[derive(Clone, Debug, PartialEq)]
pub struct Stratum {
    /// Its name.
    pub name: String,
    /// Area or number of units; the weight is the share of the sum over strata.
    pub size: f64,
    /// Standard deviation of plot values.
    pub std_dev: f64,
    /// Plots that tile it, or units in its list; at least 2. `None`: without number.
    pub units: Option<f64>,
    /// Cost of a plot.
    pub cost: Option<f64>,
}

/// How plots are divided among strata.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// By size.
    Proportional,
    /// By size and standard deviation.
    Neyman,
    /// By size, standard deviation and cost.
    CostOptimum,
}

impl Rule {
    /// All of them, plainest first.
    pub const ALL: [Rule; 3] = [Rule::Proportional, Rule::Neyman, Rule::CostOptimum];
}

/// A number of plots for each stratum and what comes of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Allocation {
    /// Plots by stratum, in their order.
    pub plots: Vec<usize>,
    /// Half-width expected, with `n - L` degrees of freedom.
    pub half_width: f64,
    /// The same with Satterthwaite's degrees of freedom, as a compiled cruise has it.
    pub half_width_satterthwaite: f64,
    /// Cost, where that of each stratum is known.
    pub cost: Option<f64>,
}

impl Allocation {
    /// Plots in all.
    pub fn total(&self) -> usize {
        self.plots.iter().sum()
    }
}

/// Weights of the strata: shares of their sizes.
pub fn weights(strata: &[Stratum]) -> Vec<f64> {
    let whole: f64 = strata.iter().map(|stratum| stratum.size).sum();
    strata.iter().map(|stratum| stratum.size / whole).collect()
}

/// Is there a cost for every stratum?
pub fn costs_known(strata: &[Stratum]) -> bool {
    strata.iter().all(|stratum| stratum.cost.is_some())
}

/// Shares before scaling to 1.
fn unscaled(strata: &[Stratum], rule: Rule) -> Vec<f64> {
    let of = |(stratum, weight): (&Stratum, f64)| match rule {
        Rule::Proportional => weight,
        Rule::Neyman => weight * stratum.std_dev,
        Rule::CostOptimum => weight * stratum.std_dev / stratum.cost.unwrap_or(1.0).sqrt(),
    };
    strata.iter().zip(weights(strata)).map(of).collect()
}

/// Ideal shares of the plots, before rounding to whole plots; all zero where no plot value varies
/// and the rule goes by their spread.
pub fn shares(strata: &[Stratum], rule: Rule) -> Vec<f64> {
    let unscaled = unscaled(strata, rule);
    let sum: f64 = unscaled.iter().sum();
    let scale = if sum > 0.0 { sum } else { 1.0 };
    unscaled.into_iter().map(|share| share / scale).collect()
}

/// Plots, not rounded, that have a variance of the mean at exactly the ideal shares.
pub fn plots_for_variance(strata: &[Stratum], rule: Rule, variance: f64) -> f64 {
    let (mut spread, mut of_units) = (0.0, 0.0);
    for ((stratum, weight), share) in strata.iter().zip(weights(strata)).zip(shares(strata, rule)) {
        let squared = (weight * stratum.std_dev).powi(2);
        if squared > 0.0 {
            spread += squared / share;
            of_units += squared * finite(stratum);
        }
    }
    spread / (variance + of_units)
}

/// Variance of the mean.
fn variance(strata: &[Stratum], weights: &[f64], plots: &[usize]) -> f64 {
    let of = |((stratum, weight), plots): ((&Stratum, &f64), &usize)| {
        (weight * stratum.std_dev).powi(2) * per_plot(stratum, *plots)
    };
    strata.iter().zip(weights).zip(plots).map(of).sum()
}

/// `1/n - 1/N`; nothing once every whole unit is in the sample.
fn per_plot(stratum: &Stratum, plots: usize) -> f64 {
    (1.0 / plots as f64 - finite(stratum)).max(0.0)
}

/// `1/N`, of whole units: what an area holds beyond them is no plot.
fn finite(stratum: &Stratum) -> f64 {
    stratum.units.map_or(0.0, |units| 1.0 / units.floor())
}

/// Divides plots among strata by a rule, until the goal is met.
///
/// For a half-width: the fewest plots that have it. For a budget: as many as it pays for.
/// Where every unit is in the sample there is no error left.
pub fn allocate(
    strata: &[Stratum],
    rule: Rule,
    goal: Goal,
    confidence: f64,
) -> Result<Allocation, Unmet> {
    let fewest = vec![2; strata.len()];
    match goal {
        Goal::HalfWidth(wanted) => refuse_too_many(strata, rule, wanted, confidence)?,
        Goal::Plots(plots) => {
            if plots < 2 * strata.len() {
                let plots = 2 * strata.len();
                return Err(Unmet::FewerThanTwoEach { plots });
            }
        }
        Goal::Budget(budget) => {
            let cost = cost_of(strata, &fewest).ok_or(Unmet::NoCosts)?;
            if cost > budget {
                return Err(Unmet::BudgetTooSmall { cost });
            }
        }
    }
    let weights = weights(strata);
    let least_t = t::quantile(0.5 + confidence / 2.0, 1e9).unwrap_or(0.0);
    let mut plots = fewest;
    let mut total = 2 * strata.len();
    let next = Next::new(strata, rule);
    loop {
        let enough = match goal {
            Goal::Plots(wanted) => total == wanted,
            Goal::Budget(_) => false,
            Goal::HalfWidth(wanted) => {
                let std_error = variance(strata, &weights, &plots).sqrt();
                // The quantile is dear; most steps are decided without it.
                least_t * std_error <= wanted
                    && half_width(std_error, total - strata.len(), confidence) <= wanted
            }
        };
        if enough {
            break;
        }
        let Some(stratum) = next.stratum(&plots) else {
            if let Goal::Plots(_) = goal {
                return Err(Unmet::NotEnoughUnits { units: total });
            }
            break;
        };
        if total == MOST_PLOTS {
            return Err(Unmet::TooManyPlots);
        }
        plots[stratum] += 1;
        if let Goal::Budget(budget) = goal
            && cost_of(strata, &plots).is_none_or(|cost| cost > budget)
        {
            plots[stratum] -= 1;
            break;
        }
        total += 1;
    }
    let std_error = variance(strata, &weights, &plots).sqrt();
    Ok(Allocation {
        half_width: half_width(std_error, total - strata.len(), confidence),
        half_width_satterthwaite: satterthwaite(strata, &plots, confidence),
        cost: cost_of(strata, &plots),
        plots,
    })
}

fn refuse_too_many(
    strata: &[Stratum],
    rule: Rule,
    half_width: f64,
    confidence: f64,
) -> Result<(), Unmet> {
    let least_t = t::quantile(0.5 + confidence / 2.0, 1e9).unwrap_or(f64::INFINITY);
    let plots = plots_for_variance(strata, rule, (half_width / least_t).powi(2));
    if plots <= MOST_PLOTS as f64 {
        Ok(())
    } else {
        Err(Unmet::TooManyPlots)
    }
}

fn half_width(std_error: f64, df: usize, confidence: f64) -> f64 {
    if std_error > 0.0 {
        t::quantile(0.5 + confidence / 2.0, df as f64).unwrap_or(f64::INFINITY) * std_error
    } else {
        0.0
    }
}

fn satterthwaite(strata: &[Stratum], plots: &[usize], confidence: f64) -> f64 {
    let part = |(stratum, plots): (&Stratum, &usize)| Part {
        area_ha: stratum.size,
        estimate: Estimate {
            std_error: Some(stratum.std_dev * per_plot(stratum, *plots).sqrt()),
            df: Some(*plots as f64 - 1.0),
            n_plots: *plots,
            n_units: *plots,
            ..Estimate::of(0.0)
        },
    };
    let parts: Vec<Part> = strata.iter().zip(plots).map(part).collect();
    stratified(&parts).half_width(confidence).unwrap_or(0.0)
}

fn cost_of(strata: &[Stratum], plots: &[usize]) -> Option<f64> {
    let of = |(stratum, plots): (&Stratum, &usize)| Some(stratum.cost? * *plots as f64);
    strata.iter().zip(plots).map(of).sum()
}

/// Finds the stratum that gets the next plot.
struct Next<'s> {
    strata: &'s [Stratum],
    /// By the rule, and by size where the rule does not tell strata apart.
    by: [Vec<f64>; 2],
}

impl<'s> Next<'s> {
    fn new(strata: &'s [Stratum], rule: Rule) -> Self {
        let by = [unscaled(strata, rule), unscaled(strata, Rule::Proportional)];
        Next { strata, by }
    }

    /// The first of the most deserving; `None` where every unit is in the sample.
    fn stratum(&self, plots: &[usize]) -> Option<usize> {
        let left = |h: &usize| {
            let units = self.strata[*h].units;
            units.is_none_or(|units| plots[*h] as f64 + 1.0 <= units)
        };
        let claim = |h: usize, by: &[f64]| {
            let n = plots[h] as f64;
            by[h] * by[h] / (n * (n + 1.0))
        };
        (0..self.strata.len()).filter(left).rev().max_by(|a, b| {
            let [rule, size] = &self.by;
            claim(*a, rule)
                .total_cmp(&claim(*b, rule))
                .then_with(|| claim(*a, size).total_cmp(&claim(*b, size)))
        })
    }
}
