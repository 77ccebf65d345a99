//! About ten million trees: trees per second, peak memory, sizes of what is written.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::Path;

use crate::forest::{Forest, Size};
use crate::random::Random;
use crate::timing::{megabytes, program_with_memory, records};

/// Stands with about ten million trees.
pub(crate) const STANDS: usize = 51_000;

/// Prints what runs with one and two threads take.
pub(crate) fn run(forest: &Forest, folder: &Path, stands: usize, shuffled: bool) {
    let size = Size {
        stands,
        plots: 20,
        seed: 20_261_127,
    };
    let trees = forest.write(folder, size).unwrap();
    if shuffled {
        shuffle(&folder.join("trees.csv"));
    }
    println!(
        "{} stands, {} plots, {trees} trees{}, {:.0} MB of records",
        stands,
        stands * size.plots,
        if shuffled { " in random order" } else { "" },
        megabytes(&records(folder))
    );
    println!("threads      s  trees per s  peak memory, MB");
    for threads in [1, 2] {
        let _ = fs::remove_dir_all(folder.join("batch"));
        let batch = format!("batch design.yaml --out batch --quiet --threads {threads}");
        let (seconds, peak_mb) = program_with_memory(folder, &batch);
        let peak = peak_mb.map_or("unknown".to_owned(), |mb| format!("{mb:.0}"));
        println!(
            "{threads:>7} {seconds:6.1} {:12.0} {peak:>16}",
            trees as f64 / seconds
        );
    }
    let written = fs::read_dir(folder.join("batch")).unwrap();
    let mut written: Vec<_> = written.map(|entry| entry.unwrap().path()).collect();
    written.sort();
    for path in written {
        let name = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        println!("{name}: {:.1} MB", megabytes(&[path]));
    }
}

/// Puts the rows of a file in random order, its head first.
fn shuffle(path: &Path) {
    let text = fs::read_to_string(path).unwrap();
    let mut rows: Vec<&str> = text.lines().collect();
    let mut random = Random(7);
    for last in (2..rows.len()).rev() {
        rows.swap(last, 1 + crate::forest::below(last, random.unit()));
    }
    let mut file = BufWriter::new(fs::File::create(path).unwrap());
    for row in rows {
        writeln!(file, "{row}").unwrap();
    }
    file.flush().unwrap();
}
