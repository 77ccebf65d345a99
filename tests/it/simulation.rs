//! A short run of the sampling simulation of `benches/sampling_simulation`, with wide bands. The
//! full tables come from `cargo bench --bench sampling_simulation`.

#[path = "../../benches/sampling_simulation/designs.rs"]
mod designs;
#[path = "../../benches/sampling_simulation/forest.rs"]
mod forest;
#[path = "../../benches/sampling_simulation/heights.rs"]
mod heights;
#[path = "../../benches/sampling_simulation/table.rs"]
mod table;

use std::collections::BTreeMap;

use spinney::estimates::Attribute;

use forest::Forest;
use table::{Line, summary, table};

const SAMPLES: usize = 200;
/// Limits by resampling cost much; fewer samples do for these.
const RESAMPLED: usize = 60;

fn of_forest(forest: &Forest, number: u64) -> Vec<Line> {
    let plans = designs::plans();
    let plans = plans.iter().enumerate().filter(|(_, plan)| plan.n <= 30);
    let mut lines: Vec<Line> = plans
        .flat_map(|(at, plan)| {
            let samples = if plan.resamples() { RESAMPLED } else { SAMPLES };
            plan.run(forest, 1000 * number + at as u64, samples)
        })
        .collect();
    lines.extend(heights::run(forest, number, &[20], SAMPLES));
    lines
}

/// Percent of the truth that an estimator may be off besides its Monte-Carlo error: ratios of means
/// are off by the order of 1/n, the mean of part plots by what few trees on slivers of plots do to
/// it, filled heights by the curve.
fn allowed_bias_pct(line: &Line) -> f64 {
    match (line.attribute, line.plan) {
        (Attribute::Trees | Attribute::BasalArea, "part circle") => 6.0,
        (Attribute::VolumeTotal, "part circle") => 8.0,
        (Attribute::VolumeTotal, _) if line.borrowed || line.plan == "heights" => 2.0,
        (Attribute::Trees | Attribute::BasalArea | Attribute::VolumeTotal, _) => 0.0,
        _ => 5.0,
    }
}

#[test]
fn estimates_are_unbiased_and_intervals_hold_the_truth() {
    let Some(forests) = forest::three() else {
        return;
    };
    let lines: Vec<Line> = std::thread::scope(|scope| {
        let jobs: Vec<_> = forests
            .iter()
            .enumerate()
            .map(|(number, forest)| scope.spawn(move || of_forest(forest, number as u64)))
            .collect();
        jobs.into_iter()
            .flat_map(|job| job.join().unwrap())
            .collect()
    });
    println!("{}\n{}", table(&lines), summary(&lines));
    let mut coverages: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    for line in &lines {
        // Five standard errors: no line in a thousand runs fails by chance.
        assert!(
            line.bias_pct.abs() <= 5.0 * line.monte_carlo_pct + allowed_bias_pct(line),
            "{}",
            table(std::slice::from_ref(line))
        );
        let kind = (line.plan, line.estimator);
        coverages.entry(kind).or_default().push(line.coverage_pct);
    }
    for (kind, coverages) in coverages {
        let coverage = coverages.iter().sum::<f64>() / coverages.len() as f64;
        let least = if kind.0 == "part circle" { 80.0 } else { 90.0 };
        assert!((least..=99.0).contains(&coverage), "{kind:?}: {coverage}");
    }
}
