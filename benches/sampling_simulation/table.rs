//! What became of the samples: bias, coverage, and why a coverage is off.

use std::fmt::Write as _;

use spinney::estimates::{Attribute, Estimate, PlotValue};
use spinney::math::sum::{mean, variance};

use super::designs::Placing;

/// Coverage that is as good as the stated 95 %, percent.
const GOOD: std::ops::RangeInclusive<f64> = 94.0..=96.0;
/// Cochran's rule: a t interval of a mean wants so many times the square of the skewness.
const PLOTS_PER_SQUARE: f64 = 25.0;

/// What one sample gave: `None` where it gave no estimate or no interval.
pub(crate) struct Found(Option<(f64, f64, (f64, f64))>);

impl Found {
    /// The mean, its standard error and its limits; by t where they have limits of their own.
    pub(crate) fn of(estimate: Option<Estimate>, by_t: bool, confidence: f64) -> Found {
        let found = estimate.and_then(|estimate| {
            let limits = estimate.limits.filter(|_| !by_t);
            let interval = Estimate { limits, ..estimate }.interval(confidence)?;
            Some((estimate.mean, estimate.std_error?, interval))
        });
        Found(found)
    }
}

/// Values of sampling units: trees, basal area and volume per ha.
#[derive(Default)]
pub(crate) struct Values([Vec<f64>; 3]);

impl Values {
    /// Adds the plots of one sample; so many that follow each other are a unit.
    pub(crate) fn add<'a>(&mut self, plots: impl Iterator<Item = &'a PlotValue>, size: usize) {
        let figures: Vec<_> = plots.map(|plot| plot.live).collect();
        for unit in figures.chunks(size) {
            for (values, of) in self.0.iter_mut().zip([0, 1, 2]) {
                let plots: Option<Vec<f64>> = unit
                    .iter()
                    .map(|plot| match of {
                        0 => plot.trees_per_ha,
                        1 => plot.basal_area_m2_per_ha,
                        _ => plot.volume_m3_per_ha,
                    })
                    .collect();
                values.extend(plots.map(|plots| mean(&plots)));
            }
        }
    }

    /// Skewness of the values; `None` where they are not known.
    pub(crate) fn skewness(&self, attribute: Attribute) -> Option<f64> {
        let values = match attribute {
            Attribute::Trees => &self.0[0],
            Attribute::BasalArea => &self.0[1],
            Attribute::VolumeTotal => &self.0[2],
            _ => return None,
        };
        let middle = mean(values);
        let moment = |power| {
            mean(
                &values
                    .iter()
                    .map(|y| (y - middle).powi(power))
                    .collect::<Vec<_>>(),
            )
        };
        (values.len() > 2).then(|| moment(3) / moment(2).powf(1.5))
    }
}

/// One line of the table.
pub(crate) struct Line {
    pub(crate) forest: String,
    pub(crate) plan: &'static str,
    pub(crate) estimator: &'static str,
    pub(crate) placing: Placing,
    /// Sampling units.
    pub(crate) n: usize,
    pub(crate) attribute: Attribute,
    /// Which limits, where there are several.
    pub(crate) limits: &'static str,
    /// Is it a volume that counted trees borrow?
    pub(crate) borrowed: bool,
    /// Of the values of sampling units.
    pub(crate) skewness: Option<f64>,
    pub(crate) truth: f64,
    /// Mean of the estimates less the truth, percent of it.
    pub(crate) bias_pct: f64,
    /// Standard error of that mean, percent of the truth.
    pub(crate) monte_carlo_pct: f64,
    /// Intervals that hold the truth, percent.
    pub(crate) coverage_pct: f64,
    /// Mean stated standard error over the standard deviation of the estimates.
    pub(crate) se_of_sd: f64,
    /// Samples with an interval.
    pub(crate) samples: usize,
    /// Samples without one.
    pub(crate) left_out: usize,
}

impl Line {
    /// Sums up the samples; the names are for the caller to fill in.
    pub(crate) fn of(truth: f64, found: &[Found]) -> Line {
        let all: Vec<_> = found.iter().filter_map(|found| found.0).collect();
        let means: Vec<f64> = all.iter().map(|(mean, _, _)| *mean).collect();
        let std_errors: Vec<f64> = all.iter().map(|(_, se, _)| *se).collect();
        let sd = variance(&means).map_or(f64::NAN, f64::sqrt);
        let holds =
            |(_, _, (lower, upper)): &&(f64, f64, (f64, f64))| (*lower..=*upper).contains(&truth);
        let samples = all.len();
        Line {
            forest: String::new(),
            plan: "",
            estimator: "",
            placing: Placing::Random,
            n: 0,
            attribute: Attribute::Trees,
            limits: "",
            borrowed: false,
            skewness: None,
            truth,
            bias_pct: 100.0 * (mean(&means) - truth) / truth,
            monte_carlo_pct: 100.0 * sd / truth / (samples as f64).sqrt(),
            coverage_pct: 100.0 * all.iter().filter(holds).count() as f64 / samples as f64,
            se_of_sd: mean(&std_errors) / sd,
            samples,
            left_out: found.len() - samples,
        }
    }

    /// Monte-Carlo standard error of a coverage, percent.
    fn coverage_error_pct(&self) -> f64 {
        100.0 * (0.95 * 0.05 / self.samples as f64).sqrt()
    }

    /// Outside 94 to 96: `*`; by more than two Monte-Carlo standard errors: `!`.
    fn mark(&self) -> &'static str {
        let two = 2.0 * self.coverage_error_pct();
        let off = (GOOD.start() - self.coverage_pct).max(self.coverage_pct - GOOD.end());
        match off {
            off if off > two => "!",
            off if off > 0.0 => "*",
            _ => "",
        }
    }

    /// The class of reason why the coverage is off, as far as the figures tell.
    fn reason(&self) -> &'static str {
        let ratio = !self.limits.is_empty();
        // The bias in standard deviations of the estimates.
        let bias = self.bias_pct.abs() / (self.monte_carlo_pct * (self.samples as f64).sqrt());
        let skewed = (self.skewness).is_some_and(|g| (self.n as f64) < PLOTS_PER_SQUARE * g * g);
        if self.mark().is_empty() {
            return "";
        }
        if self.coverage_pct > *GOOD.end() {
            return if self.placing == Placing::Grid {
                "grid"
            } else {
                "wide"
            };
        }
        match () {
            () if bias > 0.3 => "bias",
            () if skewed => "skew",
            () if ratio || self.borrowed => "ratio",
            () if self.placing == Placing::Grid => "grid",
            () if self.n <= 20 => "small n",
            () => "",
        }
    }
}

fn words(attribute: Attribute) -> &'static str {
    match attribute {
        Attribute::Trees => "trees",
        Attribute::BasalArea => "basal area",
        Attribute::VolumeTotal => "volume",
        Attribute::QuadraticMeanDbh => "q.m. dbh",
        _ => "Lorey h.",
    }
}

/// The lines as text.
pub(crate) fn table(lines: &[Line]) -> String {
    let mut text = format!(
        "{:<8} {:<26} {:>2} {:<12} {:>7} {:>6} {:>4} {:>5} {:>5} {:>5}\n",
        "forest", "design", "n", "attribute", "truth", "bias%", "mc%", "cov%", "se/sd", "G1"
    );
    let mut shown = String::new();
    for line in lines {
        let key = format!(
            "{} {} {} {}",
            line.forest, line.plan, line.estimator, line.n
        );
        if shown != key {
            text.push('\n');
            shown = key;
        }
        let skewness = line.skewness.map_or(String::new(), |g| format!("{g:.2}"));
        let written = writeln!(
            text,
            "{:<8} {:<26} {:>2} {:<12} {:>7.2} {:>6.2} {:>4.2} {:>5.1} {:>5.2} {:>5} {:<1} {}{}",
            line.forest,
            format!("{} {}", line.plan, line.estimator).trim(),
            line.n,
            format!("{} {}", words(line.attribute), line.limits).trim(),
            line.truth,
            line.bias_pct,
            line.monte_carlo_pct,
            line.coverage_pct,
            line.se_of_sd,
            skewness,
            line.mark(),
            line.reason(),
            if line.left_out > 0 {
                format!(" ({} without)", line.left_out)
            } else {
                String::new()
            },
        );
        written.unwrap();
    }
    let lines: Vec<&str> = text.lines().map(str::trim_end).collect();
    lines.join("\n") + "\n"
}

/// Mean coverage by design and attribute over the forests and numbers of plots.
pub(crate) fn summary(lines: &[Line]) -> String {
    let mut kinds: Vec<(&str, &str, &str, &str)> = Vec::new();
    let kind = |line: &Line| {
        (
            line.plan,
            line.estimator,
            words(line.attribute),
            line.limits,
        )
    };
    for line in lines {
        if !kinds.contains(&kind(line)) {
            kinds.push(kind(line));
        }
    }
    let mut text = String::new();
    for of in kinds {
        let here = lines.iter().filter(|line| kind(line) == of);
        let coverages: Vec<f64> = here.map(|line| line.coverage_pct).collect();
        let (plan, estimator, attribute, limits) = of;
        let written = writeln!(
            text,
            "{:<26} {:<12} mean coverage {:>5.1} %",
            format!("{plan} {estimator}").trim(),
            format!("{attribute} {limits}").trim(),
            mean(&coverages)
        );
        written.unwrap();
    }
    text
}
