//! Time from files to results for an inventory of 1,050 stands of 20 plots, about 205,000 trees: a
//! height on every fifth tree, curves by stand and species, volumes, the tidy table by species and
//! 5 cm class.
//!
//! ```text
//! cargo bench --bench inventory                      1,050 stands
//! cargo bench --bench inventory -- large             51,000 stands, about 10 million trees
//! cargo bench --bench inventory -- large shuffled    the same with the tree rows in random order
//! cargo bench --bench inventory -- large 10000       so many stands
//! ```
//! The large one takes some 240 kB of disk for each stand, most of it for results.
//! The yardstick is what the csv crate alone takes to read the same files. Wall times, best of
//! [`RUNS`]; the same seed, the same files. Without the stem maps the forest is invented.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a program for the developers"
)]
#![allow(missing_docs, reason = "a program for the developers")]

mod forest;
mod large;
#[path = "../../tests/it/random.rs"]
mod random;
mod stages;
mod timing;

use std::fs;
use std::path::Path;

use forest::{Forest, Size};
use timing::{best, csv_alone, program};

const RUNS: usize = 5;
const SIZE: Size = Size {
    stands: 1050,
    plots: 20,
    seed: 20_261_126,
};

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let asked = |word: &str| words.iter().any(|asked| asked == word);
    let forest = Forest::mapped().unwrap_or_else(|| {
        println!("the stem maps are not beside the checkout: the forest is invented");
        Forest::invented()
    });
    let folder = tempfile::tempdir().unwrap();
    if asked("large") {
        let stands = words.iter().find_map(|word| word.parse().ok());
        let stands = stands.unwrap_or(large::STANDS);
        large::run(&forest, folder.path(), stands, asked("shuffled"));
    } else {
        usual(&forest, folder.path());
    }
}

fn usual(forest: &Forest, folder: &Path) {
    let trees = forest.write(folder, SIZE).unwrap();
    println!(
        "{} stands, {} plots, {trees} trees, {:.1} MB of records",
        SIZE.stands,
        SIZE.stands * SIZE.plots,
        timing::megabytes(&timing::records(folder))
    );
    let nothing = || ();
    let reused = best(RUNS, nothing, || csv_alone(folder, true));
    let records = best(RUNS, nothing, || csv_alone(folder, false));
    println!("csv crate alone, one byte record reused: {reused:.4} s");
    println!("csv crate alone, records():              {records:.4} s");
    println!("\nwall time, best of {RUNS}      s  times the csv crate (reused, records)");
    let line = |what: &str, seconds: f64| {
        let (to_reused, to_records) = (seconds / reused, seconds / records);
        println!("{what:22} {seconds:6.3}  {to_reused:5.1} {to_records:5.1}");
    };
    let compile = "compile design.yaml --format csv --out compiled.csv";
    let seconds = best(RUNS, nothing, || program(folder, compile));
    line("compile --format csv", seconds);
    for threads in [1, 2] {
        let batch = format!("batch design.yaml --out batch --quiet --threads {threads}");
        let clean = || drop(fs::remove_dir_all(folder.join("batch")));
        let seconds = best(RUNS, clean, || program(folder, &batch));
        line(&format!("batch --threads {threads}"), seconds);
    }
    println!("\nstage (one thread)              s    %");
    let stages = stages::run(folder, RUNS);
    let total: f64 = stages.iter().map(|(_, seconds)| seconds).sum();
    for (name, seconds) in &stages {
        println!("{name:26} {seconds:6.3} {:4.0}", 100.0 * seconds / total);
    }
    println!("{:26} {total:6.3}", "all");
}
