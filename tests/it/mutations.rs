//! Random mutations of the examples and of a real cruise, each run by the built program, each to be
//! sorted into exactly one of the outcomes of [`judge::Outcome`]; any other end is a fault.
//!
//! 600 mutations in the ordinary suite. `SPINNEY_MUTATIONS=10000` makes more of them,
//! `SPINNEY_MUTATION_SEED=7` others, `SPINNEY_MUTATION_CASE=1234` runs one alone and shows all of it.
//! The table of kinds by outcomes is printed (`cargo nextest run mutations --no-capture`).
//!
//! Real cruise: Upper Flat Creek, see `upper_flat_creek.rs`; left out where it is absent.

#![allow(
    clippy::unnecessary_wraps,
    reason = "some kinds are possible in every cruise, and all are called alike"
)]

mod columns;
mod designs;
mod disk;
mod fields;
mod figures;
mod findings;
mod found;
mod judge;
mod kind;
mod reference;
mod rows;
mod subject;
mod table;
mod texts;

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use judge::Outcome;
use kind::Kind;
use subject::{Dice, Subject};

fn number_from(variable: &str) -> Option<u64> {
    std::env::var(variable).ok()?.parse().ok()
}

#[test]
pub(crate) fn every_mutation_comes_to_a_known_end() {
    let seed = number_from("SPINNEY_MUTATION_SEED").unwrap_or(1);
    let subjects = Subject::all();
    if let Some(number) = number_from("SPINNEY_MUTATION_CASE") {
        let (text, outcome) = case(&subjects, seed, number, true);
        println!("{text}\n{outcome:?}");
        assert!(outcome.is_ok());
        return;
    }
    let cases = number_from("SPINNEY_MUTATIONS").unwrap_or(600);
    let next = AtomicUsize::new(0);
    let (counts, faults) = (Mutex::new(BTreeMap::new()), Mutex::new(Vec::new()));
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed) as u64;
                    if number >= cases {
                        break;
                    }
                    let (text, outcome) = case(&subjects, seed, number, false);
                    let kind = kind_of(number);
                    let mut counts = counts.lock().unwrap();
                    *counts
                        .entry((kind, outcome.as_ref().ok().copied()))
                        .or_insert(0) += 1;
                    if let Err(fault) = outcome {
                        faults.lock().unwrap().push(format!("{text}\n  {fault}"));
                    }
                }
            });
        }
    });
    let (counts, faults) = (counts.into_inner().unwrap(), faults.into_inner().unwrap());
    println!("{cases} mutations, seed {seed}\n{}", table(&counts));
    assert_eq!(counts.values().sum::<u64>(), cases);
    for kind in Kind::ALL.iter().take(usize::try_from(cases).unwrap()) {
        assert!(
            counts.keys().any(|(of, _)| of == kind),
            "{kind:?} was not tried"
        );
    }
    assert!(
        faults.is_empty(),
        "{} faults (each again by SPINNEY_MUTATION_SEED={seed} SPINNEY_MUTATION_CASE=number):\n{}",
        faults.len(),
        faults.join("\n")
    );
}

/// Kinds follow each other, so that each is tried equally often.
fn kind_of(number: u64) -> Kind {
    Kind::ALL[usize::try_from(number).unwrap() % Kind::ALL.len()]
}

/// One mutation: what it was, and what came of it.
fn case(
    subjects: &[Subject],
    seed: u64,
    number: u64,
    shown: bool,
) -> (String, Result<Outcome, String>) {
    let kind = kind_of(number);
    let mut dice = Dice::of(seed, number);
    // Not every kind is possible in every cruise.
    let (subject, mutation) = (0..1000)
        .find_map(|_| {
            let subject = dice.of_all(subjects);
            Some((subject, kind.mutate(subject, &mut dice)?))
        })
        .unwrap_or_else(|| panic!("{kind:?} is possible nowhere"));
    let text = format!(
        "seed {seed}, case {number}: {kind:?} of {}: {mutation}",
        subject.name
    );
    let outcome = judge::judge(subject, &mutation, number, shown);
    (text, outcome)
}

fn table(counts: &BTreeMap<(Kind, Option<Outcome>), u64>) -> String {
    let outcomes: Vec<Option<Outcome>> = Outcome::ALL.into_iter().map(Some).chain([None]).collect();
    let name = |outcome: &Option<Outcome>| match outcome {
        Some(outcome) => format!("{outcome:?}"),
        None => String::from("FAULT"),
    };
    let mut text = format!("{:26}", "");
    for outcome in &outcomes {
        text += &format!("{:>11}", name(outcome));
    }
    let mut sums = vec![0; outcomes.len()];
    for kind in Kind::ALL {
        text += &format!("\n{:26}", format!("{kind:?}"));
        for (sum, outcome) in sums.iter_mut().zip(&outcomes) {
            let count = counts.get(&(kind, *outcome)).copied().unwrap_or(0);
            *sum += count;
            text += &format!(
                "{:>11}",
                if count == 0 {
                    String::from(".")
                } else {
                    count.to_string()
                }
            );
        }
    }
    text += &format!("\n{:26}", "all");
    for sum in sums {
        text += &format!("{sum:>11}");
    }
    text
}
