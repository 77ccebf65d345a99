//! Seconds of what is held against each other, and the peak memory of a run of the program.

use std::fs;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

const LOOK_EVERY: Duration = Duration::from_millis(5);

/// The record files of an inventory.
pub(crate) fn records(folder: &Path) -> Vec<PathBuf> {
    let names = ["stands.csv", "plots.csv", "trees.csv"];
    names.map(|name| folder.join(name)).to_vec()
}

/// Size of files together, MB.
pub(crate) fn megabytes(files: &[PathBuf]) -> f64 {
    let bytes = |file: &PathBuf| fs::metadata(file).unwrap().len() as f64;
    files.iter().map(bytes).sum::<f64>() / 1e6
}

/// Seconds of the fastest of several runs; `before` each of them is not counted.
pub(crate) fn best(runs: usize, mut before: impl FnMut(), mut run: impl FnMut()) -> f64 {
    let one = |_| {
        before();
        let started = Instant::now();
        run();
        started.elapsed().as_secs_f64()
    };
    (0..runs).map(one).fold(f64::INFINITY, f64::min)
}

/// Reads all fields of the record files, and does nothing with them.
pub(crate) fn csv_alone(folder: &Path, reused: bool) {
    for file in records(folder) {
        let mut reader = csv::Reader::from_path(file).unwrap();
        if reused {
            let mut record = csv::ByteRecord::new();
            while reader.read_byte_record(&mut record).unwrap() {
                black_box(&record);
            }
        } else {
            for record in reader.records() {
                black_box(record.unwrap());
            }
        }
    }
}

/// Runs the program in a folder; it must succeed.
pub(crate) fn program(folder: &Path, arguments: &str) {
    let output = command(folder, arguments).output().unwrap();
    let findings = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments}: {findings}");
}

/// Runs the program in a folder. Gives seconds and peak memory, MB (`VmHWM` of Linux, looked at
/// every 5 ms; none elsewhere).
pub(crate) fn program_with_memory(folder: &Path, arguments: &str) -> (f64, Option<f64>) {
    let started = Instant::now();
    let mut child = command(folder, arguments)
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut peak_mb = None;
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        peak_mb = peak_of(&child).or(peak_mb);
        sleep(LOOK_EVERY);
    };
    assert!(status.success(), "{arguments}: {status}");
    (started.elapsed().as_secs_f64(), peak_mb)
}

fn command(folder: &Path, arguments: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spinney"));
    command
        .args(arguments.split_whitespace())
        .current_dir(folder);
    command.stdout(Stdio::null());
    command
}

fn peak_of(child: &Child) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kilobytes: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes / 1024.0)
}
