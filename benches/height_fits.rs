//! Time of the choice among curve forms: a thousand stands of five species, 6 to 45 heights each,
//! scattered about Naslund's curve. Run with `cargo bench --bench height_fits`.

#![allow(clippy::print_stdout, reason = "a benchmark prints what it measured")]
#![allow(
    clippy::cast_sign_loss,
    clippy::cast_possible_truncation,
    reason = "small counts"
)]
#![allow(missing_docs, reason = "a program for the developers")]

#[path = "../tests/it/random.rs"]
mod random;

use std::collections::BTreeMap;
use std::time::Instant;

use random::Random;
use spinney::design::{CurveChoice, FitWeights};
use spinney::heights::fit::{Points, choose};
use spinney::math::nonlinear::Solver;

const SEED: u64 = 20_261_126;
const CURVES: usize = 5000;

fn heights(random: &mut Random) -> Vec<(f64, f64)> {
    let n = 6 + (40.0 * random.unit()) as usize;
    let (a, b) = (1.6 + 0.6 * random.unit(), 0.13 + 0.05 * random.unit());
    let one = |_| {
        let d = 8.0 + 60.0 * random.unit() * random.unit();
        (
            d,
            1.3 + d * d / (a + b * d).powi(2) * (0.85 + 0.3 * random.unit()),
        )
    };
    (0..n).map(one).collect()
}

fn main() {
    let mut random = Random(SEED);
    let sets: Vec<Points> = (0..CURVES)
        .map(|_| Points::new(heights(&mut random)))
        .collect();
    let mut chosen: BTreeMap<&str, usize> = BTreeMap::new();
    let start = Instant::now();
    let mut solver = Solver::new();
    for points in &sets {
        let range_cm = points.dbh_range_cm().unwrap_or_default();
        let choice = choose(
            points,
            &CurveChoice::Best,
            FitWeights::Equal,
            1.3,
            range_cm,
            &mut solver,
        );
        let name = choice.chosen.map_or("none", |fit| fit.curve.form.name());
        *chosen.entry(name).or_default() += 1;
    }
    let seconds = start.elapsed().as_secs_f64();
    println!(
        "{CURVES} choices in {seconds:.2} s, {:.0} microseconds each",
        seconds * 1e6 / CURVES as f64
    );
    for (form, times) in chosen {
        println!("{form:18} {times:5}");
    }
}
