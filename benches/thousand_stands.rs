//! Wall time of one run of the program over 1,000 stands of 20 plots, about 200,000 trees, heights
//! on a subsample, curves fitted per stand and species, volumes, the tidy table by species and
//! class. Run with `cargo bench --bench thousand_stands`. The forest is invented; the generator
//! has a stated seed.

#![allow(clippy::print_stdout, reason = "a benchmark prints what it measured")]
#![allow(missing_docs, reason = "a program for the developers")]

#[path = "../tests/it/random.rs"]
mod random;

use std::fmt::Write as _;
use std::fs;
use std::process::Command;
use std::time::Instant;

use random::Random;

const SEED: u64 = 20_261_125;
const STANDS: usize = 1000;
const PLOTS: usize = 20;
const TREES: usize = 10;
const RUNS: usize = 3;

const DESIGN: &str = "
title: A thousand stands
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections:
  circle: {method: fixed-area, area_ha: 0.02}
heights: {curve: best, regional: us-coastal-northwest-1999}
volume: {set: ca-bc-volume-2016, region: CWH}
";

/// The species at a place between 0 and 1: Douglas-fir most often.
fn species(place: f64) -> &'static str {
    let shares = [(0.2, "Fd"), (0.4, "Hw"), (0.6, "Cw"), (0.8, "Ba")];
    shares
        .into_iter()
        .find(|(limit, _)| place < *limit)
        .map_or("Dr", |(_, code)| code)
}

/// Stand, plot and tree files.
fn cruise() -> (String, String, String) {
    let mut random = Random(SEED);
    let mut stands = "stand,area_ha\n".to_owned();
    let mut plots = "stand,plot\n".to_owned();
    let mut trees = "stand,plot,tree,species,dbh_cm,status,height_m\n".to_owned();
    for stand in 1..=STANDS {
        let _ = writeln!(stands, "S{stand:04},{:.1}", 5.0 + 30.0 * random.unit());
        for plot in 1..=PLOTS {
            let _ = writeln!(plots, "S{stand:04},{plot}");
            for tree in 1..=TREES {
                let species = species(random.unit().powi(2));
                let dbh = 8.0 + 60.0 * random.unit() * random.unit();
                let status = if random.unit() < 0.05 { "dead" } else { "live" };
                let curve = 1.3 + dbh * dbh / (1.9 + 0.155 * dbh).powi(2);
                let height = if random.unit() < 0.2 {
                    format!("{:.1}", curve * (0.92 + 0.16 * random.unit()))
                } else {
                    String::new()
                };
                let _ = writeln!(
                    trees,
                    "S{stand:04},{plot},{tree},{species},{dbh:.1},{status},{height}"
                );
            }
        }
    }
    (stands, plots, trees)
}

fn main() -> std::io::Result<()> {
    let folder = tempfile::tempdir()?;
    let (stands, plots, trees) = cruise();
    fs::write(folder.path().join("design.yaml"), DESIGN)?;
    fs::write(folder.path().join("stands.csv"), stands)?;
    fs::write(folder.path().join("plots.csv"), plots)?;
    fs::write(folder.path().join("trees.csv"), &trees)?;
    let started = Instant::now();
    let rows = csv::Reader::from_reader(trees.as_bytes()).records().count();
    println!(
        "csv crate alone: {rows} tree rows in {:.3} s",
        started.elapsed().as_secs_f64()
    );
    for format in ["csv", "terminal"] {
        let mut best = f64::INFINITY;
        for _ in 0..RUNS {
            let started = Instant::now();
            let output = Command::new(env!("CARGO_BIN_EXE_spinney"))
                .args([
                    "compile",
                    "design.yaml",
                    "--format",
                    format,
                    "--out",
                    "result",
                ])
                .current_dir(folder.path())
                .output()?;
            assert!(
                output.status.success(),
                "{}",
                String::from_utf8_lossy(&output.stderr)
            );
            best = best.min(started.elapsed().as_secs_f64());
        }
        let size = fs::metadata(folder.path().join("result"))?.len();
        println!("compile --format {format}: {best:.3} s ({size} bytes), best of {RUNS}");
    }
    Ok(())
}
