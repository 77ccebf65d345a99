//! The sampling simulation of `tests/it/simulation.rs` with many samples:
//! `cargo bench --bench sampling_simulation` (2,000 samples, or as many as the argument says).

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

#[path = "../tests/it/answers.rs"]
mod answers;
#[path = "../tests/it/random.rs"]
mod random;
#[path = "../tests/it/sample.rs"]
mod sample;
#[path = "../tests/it/simulation.rs"]
mod simulation;

fn main() {
    let samples = std::env::args()
        .find_map(|argument| argument.parse().ok())
        .unwrap_or(2000);
    for min_dbh_cm in [Some(10.0), None] {
        if let Some(lines) = simulation::run(samples, min_dbh_cm) {
            let least =
                min_dbh_cm.map_or("no least dbh".to_owned(), |d| format!("dbh from {d} cm"));
            println!("{samples} samples of 20 plots, 95 % intervals, {least}");
            println!("{}", simulation::table(&lines));
        }
    }
}
