//! Sampling simulation: forests with every tree known are sampled again and again, the samples are
//! compiled by the program's own functions, and the estimates are held against the truth.
//!
//! ```text
//! cargo bench --bench sampling_simulation                  2,000 samples of each design, 3 forests
//! cargo bench --bench sampling_simulation -- 200 all       so many samples, all 9 forests
//! ```
//! The same seed, the same table. `*` marks a coverage outside 94 to 96 %, `!` one that is outside
//! by more than two of its Monte-Carlo standard errors (0.5 % with 2,000 samples); behind it the
//! class of reason:
//!
//! ```text
//! skew         n < 25 G1^2, G1 the skewness of the values of sampling units over all samples
//! bias         the estimates are off by more than 0.3 of their standard deviation
//! ratio        the limits of a ratio, or of a borrowed volume, from few units
//! grid         the variance of a random sample (or of differences) for a systematic one
//! small n      20 units or fewer, and none of the above
//! wide         the interval is wider than need be
//! ```

#![allow(
    dead_code,
    reason = "the modules are shared with the integration tests"
)]
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a program for the developers"
)]
#![allow(missing_docs, reason = "a program for the developers")]

#[path = "../../tests/it/answers.rs"]
mod answers;
mod designs;
mod forest;
mod heights;
#[path = "../../tests/it/random.rs"]
mod random;
#[path = "../../tests/it/sample.rs"]
mod sample;
mod table;

use forest::{Forest, MIN_DBH_CM};
use table::Line;

const SAMPLES: usize = 2000;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let samples = arguments.iter().find_map(|argument| argument.parse().ok());
    let samples = samples.unwrap_or(SAMPLES);
    let all = arguments.iter().any(|argument| argument == "all");
    let Some(forests) = (if all {
        forest::forests()
    } else {
        forest::three()
    }) else {
        return;
    };
    let lines: Vec<Line> = std::thread::scope(|scope| {
        let jobs: Vec<_> = forests
            .iter()
            .enumerate()
            .map(|(number, forest)| scope.spawn(move || of_forest(forest, number as u64, samples)))
            .collect();
        jobs.into_iter()
            .flat_map(|job| job.join().unwrap())
            .collect()
    });
    println!("{samples} samples of each design, dbh from {MIN_DBH_CM} cm, 95 % intervals\n");
    println!("{}", table::table(&lines));
    println!("{}", table::summary(&lines));
}

fn of_forest(forest: &Forest, number: u64, samples: usize) -> Vec<Line> {
    let plans = designs::plans();
    let mut lines: Vec<Line> = (plans.iter().enumerate())
        .flat_map(|(at, plan)| plan.run(forest, 1000 * number + at as u64, samples))
        .collect();
    lines.extend(heights::run(forest, number, &[10, 20, 40], samples));
    lines
}
