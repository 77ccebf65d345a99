//! The maximum of the log-likelihood over the ratios of variances and the power.
//!
//! Newton steps in the logs of the ratios and in delta; the second derivatives are central
//! differences of the exact first ones. Where they do not curve down a multiple of their own sizes
//! is added on the diagonal, steps that do not climb are halved. A ratio that runs to 0 is set to 0 if the likelihood
//! is no smaller there and falls from there; it is let go again if, with the others at their
//! maximum, the likelihood rises from 0. The search begins at the best of a coarse grid.

use super::dense::{backward_transposed, cholesky, forward};
use super::likelihood::{Likelihood, Value};
use super::{Failure, Ratios};

/// Newton steps after which the search gives up.
const MOST_STEPS: usize = 200;
/// Step of the differences.
const DIFFERENCE: f64 = 1e-4;
/// Step below which the search ends.
const LEAST_STEP: f64 = 1e-9;
/// Longest step in the log of a ratio, and in delta.
const LONGEST_STEP: [f64; 3] = [3.0, 3.0, 0.5];
/// Ratio in its unit (inverse mean of z'G^-1 z) below which 0 is looked at.
const LOOK_AT_ZERO: f64 = 1e-1;
/// Ratio in its unit that is as good as 0.
const AS_GOOD_AS_ZERO: f64 = 1e-8;
/// Ratio in its unit that is as good as infinite.
const AS_GOOD_AS_INFINITE: f64 = 1e10;
/// Ratios of the grid, in their unit.
const GRID: [f64; 7] = [0.01, 0.1, 0.3, 1.0, 3.0, 10.0, 100.0];
/// Powers of the grid.
const POWERS: [f64; 4] = [0.0, 0.5, 1.0, 1.5];
/// Times that ratios at 0 are let go.
const MOST_RELEASES: usize = 4;

/// The (centred) ratios at the maximum, searched from `warm` if known.
pub(super) fn maximum(
    likelihood: &mut Likelihood,
    warm: Option<Ratios>,
) -> Result<Ratios, Failure> {
    let units = likelihood.units();
    if !units.iter().all(|unit| unit.is_finite() && *unit > 0.0) {
        return Err(Failure::NotSeparable);
    }
    let mut at = match warm {
        Some(warm) => warm,
        None => best_of_grid(likelihood, units).ok_or(Failure::Unbounded)?,
    };
    for _ in 0..MOST_RELEASES {
        at = climb(likelihood, at, units)?;
        let layers = 1 + usize::from(likelihood.is_nested());
        let zeros: Vec<usize> = (0..layers)
            .filter(|layer| is_zero(ratio(&at, *layer)))
            .collect();
        let slope = (!zeros.is_empty()).then(|| likelihood.slope(at)).flatten();
        let mut released = false;
        for layer in zeros {
            let unit = units[layer];
            // A rise that rounding alone can make is none.
            if slope.is_some_and(|slope| slope[layer] > 1e-9 * unit) {
                *ratio_mut(&mut at, layer) = 0.1 * LOOK_AT_ZERO / unit;
                released = true;
            }
        }
        if !released {
            break;
        }
    }
    Ok(at)
}

fn is_zero(value: f64) -> bool {
    value <= 0.0
}

fn ratio(at: &Ratios, layer: usize) -> f64 {
    if layer == 0 { at.own } else { at.outer }
}

fn ratio_mut(at: &mut Ratios, layer: usize) -> &mut f64 {
    if layer == 0 {
        &mut at.own
    } else {
        &mut at.outer
    }
}

fn best_of_grid(likelihood: &mut Likelihood, units: [f64; 2]) -> Option<Ratios> {
    let powers = if likelihood.has_power() {
        &POWERS[..]
    } else {
        &POWERS[..1]
    };
    let outers = if likelihood.is_nested() {
        &GRID[..]
    } else {
        &[0.0]
    };
    let mut best: Option<(f64, Ratios)> = None;
    for delta in powers {
        for own in GRID {
            for outer in outers {
                let at = Ratios {
                    own: own / units[0],
                    outer: outer / units[1],
                    delta: *delta,
                };
                if let Some(value) = likelihood.log_likelihood(at)
                    && best.is_none_or(|(most, _)| value > most)
                {
                    best = Some((value, at));
                }
            }
        }
    }
    best.map(|(_, at)| at)
}

/// Newton's climb; ratios at 0 stay there.
fn climb(likelihood: &mut Likelihood, mut at: Ratios, units: [f64; 2]) -> Result<Ratios, Failure> {
    let mut value = likelihood.value(at).ok_or(Failure::Unbounded)?;
    for _ in 0..MOST_STEPS {
        for (layer, unit) in units.iter().enumerate() {
            let size = ratio(&at, layer) * unit;
            if size > AS_GOOD_AS_INFINITE {
                return Err(Failure::Unbounded);
            }
            if size > 0.0 && size < LOOK_AT_ZERO && value.slope[layer] < 0.0 {
                let mut there = at;
                *ratio_mut(&mut there, layer) = 0.0;
                if let Some(zero) = likelihood.value(there) {
                    let no_less = zero.log_likelihood >= value.log_likelihood;
                    if no_less && zero.slope[layer] <= 0.0 || size < AS_GOOD_AS_ZERO {
                        (at, value) = (there, zero);
                    }
                }
            }
        }
        let free = free(likelihood, &at);
        let slope = log_slope(&at, value.slope);
        let step = newton_step(likelihood, &at, slope, &free).ok_or(Failure::NotConverged)?;
        let longest = step.iter().fold(0.0_f64, |most, s| most.max(s.abs()));
        if longest < LEAST_STEP {
            let last = moved(&at, step, 1.0);
            let is_there = likelihood.log_likelihood(last).is_some();
            return Ok(if is_there { last } else { at });
        }
        let steepness = |at: &Ratios, value: &Value| -> f64 {
            let slope = log_slope(at, value.slope);
            free.iter().map(|k| slope[*k] * slope[*k]).sum()
        };
        let steep = steepness(&at, &value);
        let mut part = 1.0;
        let next = loop {
            let trial = moved(&at, step, part);
            if let Some(next) = likelihood.value(trial) {
                let gain = next.log_likelihood - value.log_likelihood;
                // Near the maximum the value no longer tells; the slope does.
                let level = gain.abs() <= 1e-12 * (1.0 + value.log_likelihood.abs());
                if gain > 0.0 && !level || level && steepness(&trial, &next) < steep {
                    break Some((trial, next));
                }
            }
            part *= 0.5;
            if part * longest < LEAST_STEP {
                break None;
            }
        };
        match next {
            Some(next) => (at, value) = next,
            // No step climbs: the maximum to within rounding, if the step was short.
            None if longest < 1e-5 => return Ok(at),
            None => return Err(Failure::NotConverged),
        }
    }
    Err(Failure::NotConverged)
}

/// Which of (log own, log outer, delta) can move.
fn free(likelihood: &Likelihood, at: &Ratios) -> Vec<usize> {
    let moves = [
        at.own > 0.0,
        likelihood.is_nested() && at.outer > 0.0,
        likelihood.has_power(),
    ];
    (0..3).filter(|k| moves[*k]).collect()
}

fn log_slope(at: &Ratios, [own, outer, delta]: [f64; 3]) -> [f64; 3] {
    [own * at.own, outer * at.outer, delta]
}

fn moved(at: &Ratios, step: [f64; 3], part: f64) -> Ratios {
    Ratios {
        own: at.own * (part * step[0]).exp(),
        outer: at.outer * (part * step[1]).exp(),
        delta: at.delta + part * step[2],
    }
}

fn newton_step(
    likelihood: &mut Likelihood,
    at: &Ratios,
    slope: [f64; 3],
    free: &[usize],
) -> Option<[f64; 3]> {
    let d = free.len();
    let mut curvature = [0.0; 9];
    for (column, k) in free.iter().enumerate() {
        let mut along = |by: f64| {
            let mut step = [0.0; 3];
            step[*k] = by;
            let there = moved(at, step, 1.0);
            likelihood
                .slope(there)
                .map(|slope| log_slope(&there, slope))
        };
        let (above, below) = (along(DIFFERENCE)?, along(-DIFFERENCE)?);
        for (row, other) in free.iter().enumerate() {
            curvature[row * d + column] = (below[*other] - above[*other]) / (2.0 * DIFFERENCE);
        }
    }
    // Symmetric but for rounding.
    let largest = curvature.iter().fold(0.0_f64, |most, c| most.max(c.abs()));
    let least = (1e-10 * largest).max(1e-300);
    let mut added = 0.0;
    for _ in 0..60 {
        let mut lower = [0.0; 9];
        for row in 0..d {
            for column in 0..=row {
                let both = curvature[row * d + column] + curvature[column * d + row];
                lower[row * d + column] = 0.5 * both;
            }
            let own = curvature[row * d + row].abs().max(least);
            lower[row * d + row] += added * own;
        }
        let mut solution: Vec<f64> = free.iter().map(|k| slope[*k]).collect();
        if cholesky::<0>(&mut lower, d) {
            forward::<0>(&lower, &mut solution);
            backward_transposed(&lower, d, &mut solution);
            let mut step = [0.0; 3];
            let mut part: f64 = 1.0;
            for (k, value) in free.iter().zip(&solution) {
                step[*k] = *value;
                part = part.min(LONGEST_STEP[*k] / value.abs().max(f64::MIN_POSITIVE));
            }
            return Some(step.map(|value| value * part));
        }
        added = if added > 0.0 { 2.0 * added } else { 1.5 };
    }
    None
}
