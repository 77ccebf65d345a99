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
mod means;
mod quantile;

pub use draws::Draws;
pub(super) use means::Means;

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
    let at_many = |means: &Means<K>| {
        let of = |statistic: &Statistic<K>, at: usize| {
            statistic(&std::array::from_fn(|column| means[column][at])).unwrap_or(f64::NAN)
        };
        let many = 0..means.first().map_or(0, Vec::len);
        let values = |statistic| many.clone().map(|at| of(statistic, at)).collect();
        statistics.iter().map(values).collect()
    };
    limits_at_many(strata, statistics.len(), at_many, how, confidence)
}

/// [`limits`] of statistics that are worked out together for many means at once: of some means
/// `at_many` gives for each statistic its value at each of them, not a number where it is not
/// defined.
pub(super) fn limits_at_many<const K: usize>(
    strata: &[Stratum<K>],
    statistics: usize,
    at_many: impl Fn(&Means<K>) -> Vec<Vec<f64>>,
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
        return vec![Err(reason); statistics];
    }
    let in_sample = at_many(&means::of_sample(strata));
    let jackknives = in_sample.iter().map(|values| Jackknife::of(strata, values));
    let jackknives: Vec<Result<Jackknife, NoLimits>> = jackknives.collect();
    if how == RatioLimits::T || jackknives.iter().all(Result::is_err) {
        let limits = |jackknife: Result<Jackknife, _>| jackknife?.t_limits(confidence);
        return jackknives.into_iter().map(limits).collect();
    }
    jackknives
        .into_iter()
        .zip(at_many(&means::of_resamples(strata)))
        .map(|(jackknife, values)| of_resampled(values, &jackknife?, how, confidence))
        .collect()
}

/// Limits from the values of the resamples.
fn of_resampled(
    mut values: Vec<f64>,
    jackknife: &Jackknife,
    how: RatioLimits,
    confidence: f64,
) -> Result<Limits, NoLimits> {
    let all = values.len();
    let missing = values.iter().filter(|value| !value.is_finite()).count();
    if missing == all || missing as f64 > UNDEFINED_SHARE * all as f64 {
        return Err(NoLimits::Undefined);
    }
    if missing > 0 {
        values.retain(|value| value.is_finite());
    }
    let theta = jackknife.theta;
    let tie = ROUNDING * theta.abs();
    if !spread_over(&values, tie) {
        return Err(NoLimits::NoSpread);
    }
    let wide = jackknife.widened(confidence).ok_or(NoLimits::NoSpread)?;
    let outer = [-wide, wide];
    let shares = if how == RatioLimits::Bca {
        let (least, most) = (theta - tie, theta + tie);
        let below = values.iter().filter(|value| **value < least).count();
        let not_above = values.iter().filter(|value| **value <= most).count();
        let share = (below + not_above) as f64 / (2.0 * values.len() as f64);
        let bias = normal::quantile(share).ok_or(NoLimits::AtTheEdge)?;
        let corrected = outer.map(|z| corrected_share(z, bias, jackknife.acceleration));
        let [Some(lower), Some(upper)] = corrected else {
            return Err(NoLimits::AtTheEdge);
        };
        [lower, upper]
    } else {
        outer.map(normal::cdf)
    };
    let [lower, upper] = shares.map(|share| at_share(&mut values, share));
    Ok(Limits {
        lower: lower.value,
        upper: upper.value,
        std_error: jackknife.std_error,
        at_extreme: lower.is_extreme || upper.is_extreme,
    })
}

/// Do some values reach over more than `width`?
fn spread_over(values: &[f64], width: f64) -> bool {
    let Some(first) = values.first() else {
        return false;
    };
    // As a rule one of the first tells.
    let far_from_first = values.iter().any(|value| (value - first).abs() > width);
    far_from_first || {
        let least = values.iter().copied().fold(*first, f64::min);
        let greatest = values.iter().copied().fold(*first, f64::max);
        greatest - least > width
    }
}

/// The share at which the quantile of `z` is taken once corrected; `None` where the correction has no solution.
fn corrected_share(z: f64, bias: f64, acceleration: f64) -> Option<f64> {
    let shifted = bias + z;
    let stretch = 1.0 - acceleration * shifted;
    (stretch > 0.0).then(|| normal::cdf(bias + shifted / stretch))
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
    /// From the value of a statistic in the sample, then without each unit, stratum by stratum.
    fn of<const K: usize>(strata: &[Stratum<K>], values: &[f64]) -> Result<Jackknife, NoLimits> {
        let (theta, mut left) = values.split_first().ok_or(NoLimits::Undefined)?;
        if !values.iter().all(|value| value.is_finite()) {
            return Err(NoLimits::Undefined);
        }
        let mut variances = Vec::with_capacity(strata.len());
        let (mut squares, mut cubes) = (0.0, 0.0);
        for stratum in strata {
            let without;
            (without, left) = left.split_at(stratum.values.len());
            let (n, middle) = (without.len() as f64, mean(without));
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
        let std_error = variance.sqrt();
        if std_error <= ROUNDING * theta.abs() {
            return Err(NoLimits::NoSpread);
        }
        Ok(Jackknife {
            theta: *theta,
            std_error,
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
