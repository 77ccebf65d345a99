//! Journals of strangers: whatever stands in one, a run that reads it ends, and writes nothing or
//! whole files.

use std::fs;
use std::path::Path;

use clap::Parser as _;

use super::journal;
use crate::cli::{Cli, Command};
use crate::commands::Outcome;
use crate::math::random::Random;

/// Journals that are tried; `SPINNEY_HOSTILE_JOURNALS` gives another number.
const CASES: usize = 2_000;

fn run(arguments: &[&str]) -> anyhow::Result<Outcome> {
    let typed = Cli::parse_from([&["spinney"], arguments].concat());
    match &typed.command {
        Command::Batch(arguments) => super::run(arguments),
        Command::Merge(arguments) => super::merge::run(arguments),
        _ => anyhow::bail!("another command"),
    }
}

/// The same journal with the checksums that belong to what is in it now.
fn signed(journal: &[u8]) -> Vec<u8> {
    let mut signed = journal.to_vec();
    let mut at = journal::MAGIC.len();
    while let Some(frame) = journal.get(at..at + journal::FRAME) {
        let number = |bytes: &[u8]| {
            bytes
                .iter()
                .rev()
                .fold(0, |all, b| all << 8 | usize::from(*b))
        };
        let length = number(&frame[1..5]).saturating_add(number(&frame[5..13]));
        let from = at + journal::FRAME;
        let Some(content) = from
            .checked_add(length)
            .and_then(|to| journal.get(from..to))
        else {
            break;
        };
        signed[at + 13..from].copy_from_slice(&crc32fast::hash(content).to_le_bytes());
        at = from + length;
    }
    signed
}

#[test]
fn journals_of_strangers_are_read_or_refused() {
    let folder = tempfile::TempDir::new().unwrap();
    let path = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let design = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/marrow-creek/design.yaml");
    let design = design.to_string_lossy();
    run(&[
        "batch",
        &design,
        "--out",
        &path("a"),
        "--quiet",
        "--tree-list",
        "--reports",
    ])
    .unwrap();
    let good = fs::read(folder.path().join("a").join(journal::NAME)).unwrap();
    assert_eq!(signed(&good), good);
    fs::create_dir(folder.path().join("b")).unwrap();
    let mut random = Random::stream(20, "journals");
    let cases = std::env::var("SPINNEY_HOSTILE_JOURNALS");
    let cases = cases.map_or(CASES, |cases| cases.parse().unwrap());
    let mut refused = 0;
    for case in 0..cases {
        let mut bad = good.clone();
        for _ in 0..=random.below(3) {
            // Most of it is text; what is counted and measured stands in the heads.
            let at = random.below(bad.len());
            bad[at] = match random.below(4) {
                0 => 0,
                1 => 0xff,
                2 => bad[at] ^ 1 << random.below(8),
                _ => u8::try_from(random.below(256)).unwrap(),
            };
        }
        if case % 10 == 0 {
            bad.truncate(random.below(bad.len()));
        }
        fs::write(folder.path().join("b").join(journal::NAME), signed(&bad)).unwrap();
        let merged = run(&["merge", &path("b"), "--out", &path("c"), "--quiet"]);
        refused += usize::from(!matches!(merged, Ok(Outcome::Done)));
    }
    assert!(refused > cases / 10, "{refused}");
    // A run that goes on with one compiles again what is not as it was.
    fs::write(
        folder.path().join("b").join(journal::NAME),
        &good[..good.len() / 2],
    )
    .unwrap();
    run(&["batch", &design, "--out", &path("b"), "--quiet", "--resume"]).unwrap();
}
