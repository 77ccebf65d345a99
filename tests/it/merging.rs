//! `merge`: the parts of an inventory, compiled apart, give the results of one run to the byte.

use std::fs;
use std::path::Path;

use crate::cruise::{Cruise, run_in};
use crate::random::Random;
use crate::split_inventory::{SplitInventory, Wanted};

const SPLITS: u64 = 24;

/// A table without the numbers of lines, which are those of the files of a part.
fn without_lines(folder: &Path, name: &str) -> Vec<Vec<String>> {
    let mut reader = csv::Reader::from_path(folder.join(name)).unwrap();
    let line = reader
        .headers()
        .unwrap()
        .iter()
        .position(|head| head == "line");
    let rows = reader.records().map(|row| {
        let row = row.unwrap();
        let fields = row.iter().enumerate().filter(|(at, _)| Some(*at) != line);
        fields.map(|(_, field)| field.to_owned()).collect()
    });
    rows.collect()
}

/// Stands in up to `most` parts, each part in random order; no part is empty.
fn split(stands: usize, most: usize, random: &mut Random) -> Vec<Vec<usize>> {
    let n_parts = 1 + below(most, random);
    let mut parts = vec![Vec::new(); n_parts];
    for stand in 0..stands {
        let part = &mut parts[below(n_parts, random)];
        part.insert(below(part.len() + 1, random), stand);
    }
    parts.retain(|part| !part.is_empty());
    parts
}

/// Compiles stands into a folder below `cruise`; gives the exit status. Designs are told apart by
/// how they are named, so every part is compiled in its own folder.
fn compile(cruise: &Cruise, inventory: &SplitInventory, name: &str, stands: &[usize]) -> i32 {
    let folder = cruise.path(name);
    inventory.write(&folder, stands);
    let batch = [
        "batch",
        "design.yaml",
        "--out",
        "out",
        "--tree-list",
        "--quiet",
    ];
    run_in(&folder, &batch, None).status
}

/// Compiles an inventory as a whole and in parts, and holds the merged parts against the whole.
fn assert_same_in_parts(inventory: &SplitInventory, parts: &[Vec<usize>], when: &str) {
    let cruise = Cruise::new();
    let all: Vec<usize> = (0..inventory.len()).collect();
    let status = compile(&cruise, inventory, "whole", &all);
    let names: Vec<String> = (0..parts.len()).map(|k| format!("part-{k}")).collect();
    for (name, stands) in names.iter().zip(parts) {
        compile(&cruise, inventory, name, stands);
    }
    let folders: Vec<String> = names.iter().map(|name| format!("{name}/out")).collect();
    let folders = folders.iter().map(String::as_str);
    let merge: Vec<&str> = std::iter::once("merge").chain(folders).collect();
    let merged = cruise.run(&[&merge[..], &["--out", "merged", "--quiet"]].concat());
    assert_eq!(merged.status, status, "{when}: {}", merged.stderr);
    let (whole, merged) = (cruise.path("whole/out"), cruise.path("merged"));
    for name in ["estimates.csv", "summary.csv"] {
        let read = |folder: &Path| fs::read_to_string(folder.join(name)).unwrap();
        let (expected, found) = (read(&whole), read(&merged));
        let differ = expected.lines().zip(found.lines()).find(|(a, b)| a != b);
        assert!(expected == found, "{when}: {name}: {differ:?}");
    }
    for name in ["trees.csv", "findings.csv"] {
        let (expected, found) = (without_lines(&whole, name), without_lines(&merged, name));
        assert_eq!(expected, found, "{when}: {name}");
    }
}

#[test]
fn any_split_of_an_inventory_gives_the_results_of_one_run() {
    for seed in 0..SPLITS {
        let mut random = Random(seed);
        let wanted = Wanted {
            stands: 2 + below(12, &mut random),
            seed: 100 + seed,
            without_area: [0.0, 0.0, 0.3, 1.0][below(4, &mut random)],
            stratified: [0.0, 0.5, 1.0][below(3, &mut random)],
        };
        let mut inventory = SplitInventory::new(wanted);
        if random.unit() < 0.3 {
            inventory.add_tree(below(wanted.stands, &mut random), "not there");
        }
        let parts = split(wanted.stands, 5, &mut random);
        assert_same_in_parts(&inventory, &parts, &format!("{wanted:?} as {parts:?}"));
    }
}

#[test]
fn a_defect_in_one_part_only() {
    let mut inventory = SplitInventory::new(Wanted {
        stands: 4,
        seed: 5,
        without_area: 0.0,
        stratified: 0.0,
    });
    inventory.add_defects(2);
    assert_same_in_parts(&inventory, &[vec![0, 1], vec![2, 3]], "a defect");
}

#[test]
fn designs_keep_the_order_of_the_run() {
    let inventory = SplitInventory::new(Wanted {
        stands: 6,
        seed: 6,
        without_area: 0.0,
        stratified: 0.5,
    });
    let cruise = Cruise::new();
    let names = ["f", "b", "e", "a", "d", "c"];
    for (stand, name) in names.iter().enumerate() {
        inventory.write(&cruise.path(name), &[stand]);
    }
    let designs: Vec<String> = names.map(|name| format!("{name}/design.yaml")).to_vec();
    let designs = designs.iter().map(String::as_str);
    let batch: Vec<&str> = std::iter::once("batch").chain(designs).collect();
    assert_eq!(
        cruise.run(&[&batch[..], &["--out", "one"]].concat()).status,
        0
    );
    assert_eq!(cruise.run(&["merge", "one", "--out", "merged"]).status, 0);
    for name in ["estimates.csv", "summary.csv", "findings.csv"] {
        let of = |folder: &str| cruise.read(&format!("{folder}/{name}"));
        assert!(of("one") == of("merged"), "{name}");
    }
}

/// A whole number below `n`.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small and not negative"
)]
pub(crate) fn below(n: usize, random: &mut Random) -> usize {
    (n as f64 * random.unit()) as usize
}
