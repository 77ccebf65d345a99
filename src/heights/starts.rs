//! Starts for the search for a curve, by the linear forms of the literature (forms in
//! `heights::curve`): close enough that the search seldom needs a second one.

use std::iter::repeat;

use crate::heights::curve::{Form, MOST_PARAMETERS};
use crate::heights::points::Sample;

impl Form {
    /// Starts for the search from data (`y` above 0), by the linear forms of the literature; for
    /// three parameters the linear form at several fixed values of the one that it needs.
    pub fn starts(self, d: &[f64], y: &[f64]) -> Vec<[f64; MOST_PARAMETERS]> {
        self.starts_for(&Sample::new(d, y.to_vec()))
    }

    #[expect(clippy::too_many_lines, reason = "one arm for each form")]
    pub(super) fn starts_for(self, sample: &Sample<'_>) -> Vec<[f64; MOST_PARAMETERS]> {
        const ASYMPTOTES: [f64; 4] = [1.05, 1.3, 2.0, 5.0];
        let (d, y) = (sample.d, &sample.y);
        let largest = y.iter().copied().fold(0.0, f64::max);
        let lines = |x: &dyn Fn(f64) -> f64, z: &dyn Fn(f64, f64) -> f64| {
            let points = d.iter().zip(y).map(|(d, y)| (x(*d), z(*d, *y)));
            line(&points.collect::<Vec<_>>())
        };
        // Of ln y on what is made of dbh and its logarithm.
        let logs = |x: &dyn Fn(f64, f64) -> f64| {
            let log_d = sample.logs(self).iter().copied().chain(repeat(0.0));
            let x = d.iter().zip(log_d).map(|(d, log)| x(*d, log));
            line(&x.zip(sample.log_y().iter().copied()).collect::<Vec<_>>())
        };
        // For a fixed asymptote, the linear form of what is left, on dbh or its logarithm.
        let of_asymptote = |x: &[f64], z: &dyn Fn(f64) -> f64| {
            let mut pairs: Vec<(f64, f64)> = x.iter().map(|x| (*x, 0.0)).collect();
            ASYMPTOTES.map(|times| {
                let a = times * largest;
                for (pair, y) in pairs.iter_mut().zip(y) {
                    pair.1 = z(y / a);
                }
                (a, line(&pairs))
            })
        };
        let two = |(a, b): (f64, f64)| vec![[a, b, 0.0]];
        match self {
            Form::Naslund => two(lines(&|d| d, &|d, y| d / y.sqrt())),
            Form::Naslund3 => two(lines(&|d| d, &|d, y| d / y.cbrt())),
            Form::Curtis => {
                let (intercept, slope) = logs(&|_, log| log);
                two((intercept.exp(), slope))
            }
            Form::Michailow => {
                let (intercept, slope) = logs(&|d, _| 1.0 / d);
                two((intercept.exp(), -slope))
            }
            Form::Wykoff => two(logs(&|d, _| 1.0 / (d + 1.0))),
            Form::Power => {
                let (intercept, slope) = logs(&|_, log| log);
                two((intercept.exp(), slope))
            }
            Form::MichaelisMenten => {
                // One outlier can throw the linear form to the far side of its pole.
                let (intercept, slope) = lines(&|d| d, &|d, y| d / y);
                let mut starts = two((1.0 / slope, intercept / slope));
                let n = d.len() as f64;
                let (mean_d, mean_y) = (d.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
                starts.extend(ASYMPTOTES.map(|times| {
                    let a = times * largest;
                    [a, mean_d * (a / mean_y - 1.0), 0.0]
                }));
                starts
            }
            Form::LogLine => two(lines(&f64::ln, &|_, y| y)),
            Form::Meyer | Form::ChapmanRichards => {
                let of = of_asymptote(d, &|share| -(1.0 - share).ln());
                of.into_iter()
                    .map(|(a, (_, slope))| [a, slope.abs().max(1e-4), 1.0])
                    .collect()
            }
            Form::Parabola => {
                let (intercept, slope) = lines(&|d| d, &|_, y| y);
                vec![[intercept, slope, 0.0]]
            }
            Form::Weibull => of_asymptote(sample.logs(self), &|share| (-(1.0 - share).ln()).ln())
                .into_iter()
                .map(|(a, (intercept, slope))| [a, intercept.exp(), slope])
                .collect(),
            Form::Korf => {
                let of = of_asymptote(sample.logs(self), &|share| (-share.ln()).ln());
                let of = of.into_iter();
                let mut starts: Vec<_> = of
                    .map(|(a, (intercept, slope))| [a, intercept.exp(), -slope])
                    .collect();
                // Asymptotes far above the trees, which a curve that still rises steeply needs.
                starts.extend([0.2, 0.5].into_iter().map(|c: f64| {
                    let (intercept, slope) = logs(&|d, _| d.powf(-c));
                    [intercept.exp(), -slope, c]
                }));
                starts
            }
            Form::Gompertz => of_asymptote(d, &|share| (-share.ln()).ln())
                .into_iter()
                .map(|(a, (intercept, slope))| [a, intercept.exp(), -slope])
                .collect(),
            Form::Logistic => of_asymptote(d, &|share| (1.0 / share - 1.0).ln())
                .into_iter()
                .map(|(a, (intercept, slope))| [a, intercept.exp(), -slope])
                .collect(),
            Form::Hossfeld4 => of_asymptote(sample.logs(self), &|share| (1.0 / share - 1.0).ln())
                .into_iter()
                .map(|(a, (intercept, slope))| [a, (-intercept).exp(), -slope])
                .collect(),
            Form::Prodan => {
                let (intercept, slope) = lines(&|d| d, &|d, y| d / y.sqrt());
                // Naslund's curve is Prodan's with b^2 = 4 a c.
                vec![[
                    intercept * intercept,
                    2.0 * intercept * slope,
                    slope * slope,
                ]]
            }
            Form::ExpPower => [-0.1, -0.5, -1.0, -1.5]
                .into_iter()
                .map(|c: f64| {
                    let (a, b) = logs(&|d, _| d.powf(c));
                    [a, b, c]
                })
                .collect(),
            Form::Ratkowsky => [1.0, 5.0, 15.0]
                .into_iter()
                .map(|c| {
                    let (intercept, slope) = logs(&|d, _| 1.0 / (d + c));
                    [intercept.exp(), -slope, c]
                })
                .collect(),
            Form::Sibbesen => [0.1, 0.2, 0.35, 0.5]
                .into_iter()
                .map(|c: f64| {
                    let (intercept, slope) = logs(&|d, log| d.powf(-c) * log);
                    [intercept.exp(), slope, c]
                })
                .collect(),
        }
    }
}

/// Intercept and slope of a straight line; a level line if all x are the same.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let (sum_x, sum_y) = points
        .iter()
        .fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
    let (mean_x, mean_y) = (sum_x / n, sum_y / n);
    let (across, along) = points.iter().fold((0.0, 0.0), |(xy, xx), (x, y)| {
        (
            xy + (x - mean_x) * (y - mean_y),
            xx + (x - mean_x) * (x - mean_x),
        )
    });
    let slope = if along > 0.0 { across / along } else { 0.0 };
    (mean_y - slope * mean_x, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn linear_starts_recover_exact_curves() {
        let curves = [
            (Form::Naslund, [2.0, 0.16]),
            (Form::Naslund3, [2.2, 0.3]),
            (Form::Curtis, [40.0, 15.0]),
            (Form::Michailow, [40.0, 17.0]),
            (Form::Wykoff, [3.6, -17.0]),
            (Form::Power, [2.5, 0.65]),
            (Form::MichaelisMenten, [60.0, 50.0]),
            (Form::LogLine, [-20.0, 12.0]),
        ];
        for (form, parameters) in curves {
            let d = [12.0, 18.0, 25.0, 33.0, 47.0];
            let y = d.map(|d| form.value(d, &parameters));
            let start = form.starts(&d, &y)[0];
            for (start, exact) in start.iter().zip(parameters) {
                assert!((start / exact - 1.0).abs() < 1e-9, "{form:?} {start:?}");
            }
        }
    }
}
