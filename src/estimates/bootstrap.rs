//! Limits of ratios (quadratic mean dbh, Lorey's height, ...) by resampling the plots, or from the
//! jackknife and t.
//!
//! A statistic is a function of area-weighted means of `K` columns:
//!
//! ```text
//! sample      m_k = sum_h W_h (sum_j y_hjk / sum_j x_hj)      x = 1 unless sizes are given
//!             theta = f(m_1 .. m_K)
//! resample    in each stratum n_h units with replacement, unit j drawn c_hj times:
//!             m*_k = sum_h W_h (sum_j c_hj y_hjk / sum_j c_hj x_hj),  theta* = f(m*)
//! jackknife   theta_(hj) without unit j of stratum h, their mean theta_(h.)
//! error       v_h = (n_h - 1)/n_h sum_j (theta_(hj) - theta_(h.))^2,  se^2 = sum_h v_h
//! t           theta -+ t(df) se,  df = (sum v_h)^2 / sum v_h^2/(n_h - 1)
//! widening    z = -+ r t(df),  r^2 = sum v_h / sum v_h (n_h - 1)/n_h,  t and df as above
//! percentile  quantiles Phi(z) of the theta*
//! BCa         quantiles Phi(z0 + (z0 + z)/(1 - a (z0 + z))) of the theta*
//!             z0 = Phi^-1(share of theta* below theta, ties counted half)
//!             a = (1/6) sum_h n_h^-3 sum_j l_hj^3 / (sum_h n_h^-2 sum_j l_hj^2)^(3/2)
//!             l_hj = (n_h - 1)(theta_(h.) - theta_(hj))
//! ```
//! The standard error is the jackknife's whichever limits are asked for: for a plain mean it is
//! s / sqrt(n), as beside every other estimate.
//!
//! With few units the theta* spread too little, by sqrt((n - 1)/n) for a mean, and normal quantiles
//! ignore that the spread is itself an estimate. Textbook limits (z = -+ Phi^-1((1 + c)/2)) are
//! therefore too narrow for the sizes of cruises, and z is widened as it is for t. For a plain mean
//! of one stratum of even values that gives the t interval.
//!
//! Sources: Davison & Hinkley 1997, Bootstrap Methods and their Application (strata in the
//! acceleration; quantiles); Efron 1987, J. Am. Stat. Assoc. 82; `DiCiccio` & Efron 1996,
//! Stat. Sci. 11; the stratified jackknife of Jones 1974, Biometrika 61; the widening of Hesterberg
//! 2015, Am. Stat. 69, there for one sample; all from memory. Checked on R's
//! package boot with the same resamples and the widened confidence.

mod draws;
mod quantile;

pub use draws::Draws;

use super::stratified::satterthwaite;
use crate::design::RatioLimits;
use crate::math::sum::mean;
use crate::math::{normal, t};
use quantile::at_share;

/// Fewest units of a stratum whose resamples are worth looking at; common practice, no source.
const FEWEST_UNITS: usize = 3;
/// Share of resamples that may be without a value; common practice, no source.
const UNDEFINED_SHARE: f64 = 0.05;
/// Values this close, relatively, differ by rounding only.
const ROUNDING: f64 = 1e-12;

/// The sampling units (plots, or clusters of them) of a stratum for one domain.
#[derive(Clone, Copy, Debug)]
pub struct Stratum<'u, const K: usize> {
    /// Its weight: the area, or anything in proportion to it.
    pub weight: f64,
    /// The resamples, made for as many units as there are values.
    pub draws: &'u Draws,
    /// For each unit its `K` columns, those without trees included.
    pub values: &'u [[f64; K]],
    /// For each unit its size where the mean is a ratio of sums; without, all count alike.
    pub sizes: Option<&'u [f64]>,
}

/// A function of the means; `None` where it is not defined (no trees).
pub type Statistic<'f, const K: usize> = &'f dyn Fn(&[f64; K]) -> Option<f64>;

/// Limits of a statistic.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Jackknife standard error.
    pub std_error: f64,
    /// Is a limit the smallest or greatest resampled value because it lies further out than the
    /// resamples can tell?
    pub at_extreme: bool,
}

/// Why a statistic has no limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoLimits {
    /// None are wanted.
    NotAsked,
    /// A stratum has fewer than three units.
    FewUnits,
    /// It has no value in the sample, or in too many of its resamples.
    Undefined,
    /// It is the same in every resample.
    NoSpread,
    /// The sample lies at the edge of its own resamples, so that their bias cannot be corrected.
    AtTheEdge,
}

/// Limits of each of some statistics of the same means, at a confidence (0.95, say). No strata are
/// too few units.
pub fn limits<const K: usize>(
    strata: &[Stratum<K>],
    statistics: &[Statistic<K>],
    how: RatioLimits,
    confidence: f64,
) -> Vec<Result<Limits, NoLimits>> {
    let few = strata.is_empty() || strata.iter().any(|s| s.values.len() < FEWEST_UNITS);
    let refused = match how {
        RatioLimits::None => Some(NoLimits::NotAsked),
        _ if few => Some(NoLimits::FewUnits),
        _ => None,
    };
    if let Some(reason) = refused {
        return vec![Err(reason); statistics.len()];
    }
    let sample = Sample::of(strata);
    let resampled = match how {
        RatioLimits::Bca | RatioLimits::Percentile => resampled_means(strata),
        RatioLimits::T | RatioLimits::None => Vec::new(),
    };
    statistics
        .iter()
        .map(|statistic| {
            let value = |means: &[f64; K]| statistic(means).filter(|value| value.is_finite());
            let jackknife = Jackknife::of(&sample, value).ok_or(NoLimits::Undefined)?;
            if jackknife.std_error <= ROUNDING * jackknife.theta.abs() {
                return Err(NoLimits::NoSpread);
            }
            if how == RatioLimits::T {
                return jackknife.t_limits(confidence);
            }
            let mut values: Vec<f64> = resampled.iter().filter_map(value).collect();
            let missing = resampled.len() - values.len();
            if values.is_empty() || missing as f64 > UNDEFINED_SHARE * resampled.len() as f64 {
                return Err(NoLimits::Undefined);
            }
            values.sort_unstable_by(f64::total_cmp);
            of_resampled(&values, &jackknife, how, confidence)
        })
        .collect()
}

/// Limits from the sorted values of the resamples.
fn of_resampled(
    sorted: &[f64],
    jackknife: &Jackknife,
    how: RatioLimits,
    confidence: f64,
) -> Result<Limits, NoLimits> {
    let theta = jackknife.theta;
    let (least, greatest) = (sorted[0], sorted[sorted.len() - 1]);
    if greatest - least <= ROUNDING * theta.abs() {
        return Err(NoLimits::NoSpread);
    }
    let wide = jackknife.widened(confidence).ok_or(NoLimits::NoSpread)?;
    let outer = [-wide, wide];
    let shares = if how == RatioLimits::Bca {
        let tie = ROUNDING * theta.abs();
        let below = sorted.partition_point(|value| *value < theta - tie);
        let not_above = sorted.partition_point(|value| *value <= theta + tie);
        let share = (below + not_above) as f64 / (2.0 * sorted.len() as f64);
        let bias = normal::quantile(share).ok_or(NoLimits::AtTheEdge)?;
        let corrected = outer.map(|z| corrected_share(z, bias, jackknife.acceleration));
        let [Some(lower), Some(upper)] = corrected else {
            return Err(NoLimits::AtTheEdge);
        };
        [lower, upper]
    } else {
        outer.map(normal::cdf)
    };
    let [lower, upper] = shares.map(|share| at_share(sorted, share));
    Ok(Limits {
        lower: lower.value,
        upper: upper.value,
        std_error: jackknife.std_error,
        at_extreme: lower.is_extreme || upper.is_extreme,
    })
}

/// The share at which the quantile of `z` is taken once corrected; `None` where the correction has no solution.
fn corrected_share(z: f64, bias: f64, acceleration: f64) -> Option<f64> {
    let shifted = bias + z;
    let stretch = 1.0 - acceleration * shifted;
    (stretch > 0.0).then(|| normal::cdf(bias + shifted / stretch))
}

/// The means of the sample, and those without one unit, stratum by stratum.
struct Sample<const K: usize> {
    means: [f64; K],
    without: Vec<Vec<[f64; K]>>,
}

impl<const K: usize> Sample<K> {
    fn of(strata: &[Stratum<K>]) -> Self {
        let weights = shares(strata);
        let totals: Vec<Total<K>> = strata.iter().map(Total::of).collect();
        // Summed anew rather than by difference: what is left of one plot's trees is exactly 0.
        let without_stratum = |left_out: Option<usize>| {
            let mut means = [0.0; K];
            for (at, (weight, total)) in weights.iter().zip(&totals).enumerate() {
                if Some(at) != left_out {
                    total.add_to(&mut means, *weight);
                }
            }
            means
        };
        let without = strata
            .iter()
            .enumerate()
            .map(|(at, stratum)| {
                let others = without_stratum(Some(at));
                let without_unit = |unit| {
                    let mut means = others;
                    Total::without(stratum, unit).add_to(&mut means, weights[at]);
                    means
                };
                (0..stratum.values.len()).map(without_unit).collect()
            })
            .collect();
        Sample {
            means: without_stratum(None),
            without,
        }
    }
}

/// Sums of the columns and of the sizes over some units.
#[derive(Clone, Copy, Debug)]
struct Total<const K: usize> {
    columns: [f64; K],
    size: f64,
}

impl<const K: usize> Total<K> {
    const ZERO: Self = Total {
        columns: [0.0; K],
        size: 0.0,
    };

    fn of(stratum: &Stratum<K>) -> Self {
        Self::where_unit(stratum, |_| true)
    }

    fn without(stratum: &Stratum<K>, left_out: usize) -> Self {
        Self::where_unit(stratum, |unit| unit != left_out)
    }

    fn where_unit(stratum: &Stratum<K>, is_in: impl Fn(usize) -> bool) -> Self {
        let mut total = Self::ZERO;
        for (unit, values) in stratum.values.iter().enumerate().filter(|(u, _)| is_in(*u)) {
            total.size += stratum.sizes.map_or(1.0, |sizes| sizes[unit]);
            for (sum, value) in total.columns.iter_mut().zip(values) {
                *sum += value;
            }
        }
        total
    }

    fn add_to(&self, means: &mut [f64; K], weight: f64) {
        for (mean, sum) in means.iter_mut().zip(&self.columns) {
            *mean += weight * (sum / self.size);
        }
    }
}

/// Weights that add up to 1.
fn shares<const K: usize>(strata: &[Stratum<K>]) -> Vec<f64> {
    let all: f64 = strata.iter().map(|stratum| stratum.weight).sum();
    strata.iter().map(|stratum| stratum.weight / all).collect()
}

/// The means of each resample.
fn resampled_means<const K: usize>(strata: &[Stratum<K>]) -> Vec<[f64; K]> {
    let resamples = strata.iter().map(|stratum| stratum.draws.resamples()).min();
    let resamples = resamples.unwrap_or_default();
    let mut means = vec![[0.0; K]; resamples];
    let mut totals = vec![Total::ZERO; resamples];
    for (weight, stratum) in shares(strata).into_iter().zip(strata) {
        debug_assert_eq!(stratum.values.len(), stratum.draws.units());
        // Without sizes each resample has as many units as the sample.
        let size = match stratum.sizes {
            Some(_) => 0.0,
            None => stratum.values.len() as f64,
        };
        totals.fill(Total {
            columns: [0.0; K],
            size,
        });
        for (unit, values) in stratum.values.iter().enumerate() {
            let counts = stratum.draws.of_unit(unit);
            if let Some(sizes) = stratum.sizes {
                for (total, count) in totals.iter_mut().zip(counts) {
                    total.size += f64::from(*count) * sizes[unit];
                }
            }
            // Most domains have trees on few of the plots.
            if values.iter().all(|value| *value == 0.0) {
                continue;
            }
            for (total, count) in totals.iter_mut().zip(counts) {
                let count = f64::from(*count);
                for (sum, value) in total.columns.iter_mut().zip(values) {
                    *sum += count * value;
                }
            }
        }
        for (means, total) in means.iter_mut().zip(&totals) {
            total.add_to(means, weight);
        }
    }
    means
}

/// What leaving out one unit at a time says of a statistic.
#[derive(Clone, Debug)]
struct Jackknife {
    theta: f64,
    std_error: f64,
    df: Option<f64>,
    /// Standard error over the spread that resamples have.
    widening: f64,
    acceleration: f64,
}

impl Jackknife {
    /// `None` where the statistic has no value, or none without some unit.
    fn of<const K: usize>(
        sample: &Sample<K>,
        value: impl Fn(&[f64; K]) -> Option<f64>,
    ) -> Option<Jackknife> {
        let theta = value(&sample.means)?;
        let mut variances = Vec::with_capacity(sample.without.len());
        let (mut squares, mut cubes) = (0.0, 0.0);
        for stratum in &sample.without {
            let without: Vec<f64> = stratum.iter().map(&value).collect::<Option<_>>()?;
            let (n, middle) = (without.len() as f64, mean(&without));
            let mut variance = 0.0;
            for theta in without {
                let influence = (n - 1.0) * (middle - theta) / n;
                variance += influence * influence;
                squares += influence * influence;
                cubes += influence * influence * influence;
            }
            // (n - 1)/n sum d^2 with influence = (n - 1) d / n.
            variances.push((variance * n / (n - 1.0), Some(n - 1.0)));
        }
        let variance: f64 = variances.iter().map(|(v, _)| v).sum();
        Some(Jackknife {
            theta,
            std_error: variance.sqrt(),
            df: satterthwaite(&variances),
            // The squares are the variances times (n - 1)/n.
            widening: (variance / squares).sqrt(),
            acceleration: if squares > 0.0 {
                cubes / (6.0 * squares.powf(1.5))
            } else {
                0.0
            },
        })
    }

    fn t_limits(&self, confidence: f64) -> Result<Limits, NoLimits> {
        let t = self.t(confidence).ok_or(NoLimits::NoSpread)?;
        let half_width = t * self.std_error;
        Ok(Limits {
            lower: self.theta - half_width,
            upper: self.theta + half_width,
            std_error: self.std_error,
            at_extreme: false,
        })
    }

    fn t(&self, confidence: f64) -> Option<f64> {
        t::quantile(f64::midpoint(1.0, confidence), self.df?)
    }

    /// The normal quantile that stands for the upper limit.
    fn widened(&self, confidence: f64) -> Option<f64> {
        Some(self.widening * self.t(confidence)?)
    }
}
