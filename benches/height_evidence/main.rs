//! How well filled heights are, on real heights that are left out. Run with
//! `cargo bench --bench height_evidence` (`-- 500` for 500 draws). Reads the reference sets beside
//! the checkout.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a benchmark prints what it measured"
)]
#![allow(
    clippy::cast_sign_loss,
    clippy::cast_possible_truncation,
    reason = "small counts"
)]
#![allow(missing_docs, reason = "a program for the developers")]

#[path = "../../tests/it/random.rs"]
mod random;

#[allow(dead_code, reason = "shared with the tests, which use more of it")]
#[path = "../../tests/it/sample.rs"]
mod sample;

mod cruise;
mod data;
mod few;
mod forms;
mod tally;
mod volume;

use std::path::Path;

fn main() {
    let draws = std::env::args().find_map(|argument| argument.parse().ok());
    let draws = draws.unwrap_or(400);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../shared/sources/height-diameter/reference-fits");
    if !folder.is_dir() {
        println!("skipped: no reference sets beside the checkout");
        return;
    }
    let stocks = data::stocks(&folder);
    forms::run(&stocks, draws);
    println!();
    let cruise = cruise::Cruise::read(&folder);
    few::run(&cruise, draws);
    println!();
    volume::run(&cruise, draws);
}
