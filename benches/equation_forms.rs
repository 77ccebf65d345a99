//! Nanoseconds per tree of every form of equation, through the same calls that a compilation makes.
//! Run with `cargo bench --bench equation_forms`. Trees: a grid of 1,000 sizes, 10 to 60 cm.

#![allow(clippy::print_stdout, reason = "a benchmark prints what it measured")]
#![allow(missing_docs, reason = "a program for the developers")]

use std::collections::BTreeMap;
use std::hint::black_box;
use std::time::Instant;

use spinney::design::{Fallback, Merchantable};
use spinney::read::tables::Tables;
use spinney::species::SpeciesTable;
use spinney::species::choose::{Chosen, Wanted};
use spinney::species::expression::Expression;
use spinney::species::set::{BarkBasis, VolumeSet};
use spinney::stems::volume::StemInput;

const ROUNDS: u32 = 20;

fn trees() -> Vec<StemInput> {
    (0..1000_u32)
        .map(|i| {
            let dbh_cm = 10.0 + 50.0 * f64::from(i) / 1000.0;
            StemInput {
                dbh_cm,
                height_m: 1.3 + 38.0 * (1.0 - (-0.03 * dbh_cm).exp()),
                broken_height_m: None,
            }
        })
        .collect()
}

/// Nanoseconds per tree: total volume, or total and merchantable volume.
fn time(set: &VolumeSet, chosen: &Chosen, trees: &[StemInput]) -> f64 {
    let start = Instant::now();
    for _ in 0..ROUNDS {
        for tree in trees {
            black_box(set.stem(black_box(chosen), black_box(tree)));
        }
    }
    start.elapsed().as_secs_f64() * 1e9 / f64::from(ROUNDS) / trees.len() as f64
}

fn choose(
    set: &VolumeSet,
    row: usize,
    merchantable: Option<Merchantable>,
    species: &SpeciesTable,
) -> Option<Chosen> {
    let equation = &set.equations[row];
    let wanted = Wanted {
        region: equation
            .region
            .map(|index| set.regions[index].name.as_str()),
        fallback: Fallback::None,
        merchantable,
        planted: equation.planted,
    };
    let asked = set.entries[equation.entry].covers[0];
    let chosen = set.choose(asked, &wanted, species).ok()?;
    (chosen.main == row).then_some(chosen)
}

fn main() {
    let tables = Tables::builtin();
    let species = tables
        .species()
        .expect("the embedded species table is sound");
    let trees = trees();
    let mut seen = BTreeMap::new();
    for name in tables.volume_sets() {
        let set = tables
            .volume_set(&name, &species)
            .expect("the embedded sets are sound");
        for row in 0..set.equations.len() {
            let form = set.equations[row].spec.name();
            let Some(chosen) = choose(&set, row, None, &species) else {
                continue;
            };
            if seen.contains_key(form) {
                continue;
            }
            let total = time(&set, &chosen, &trees);
            let limits = set.head.fixed_limits.first().map_or(
                Merchantable {
                    stump_m: 0.3,
                    top_diameter_cm: 10.0,
                    top_inside_bark: set.head.bark != BarkBasis::Outside,
                    min_dbh_cm: None,
                },
                |fixed| Merchantable {
                    stump_m: fixed.stump_m,
                    top_diameter_cm: fixed.top_diameter_cm,
                    top_inside_bark: fixed.top_basis != BarkBasis::Outside,
                    min_dbh_cm: None,
                },
            );
            let merchantable =
                choose(&set, row, Some(limits), &species).map(|chosen| time(&set, &chosen, &trees));
            seen.insert(form, (name.clone(), total, merchantable));
        }
    }
    let formula = Expression::read("exp(b0 + b1 * ln(dbh_cm) + b2 * ln(height_m))")
        .ok()
        .and_then(|read| read.with_coefficients(|name| Some(if name == "b0" { -9.9 } else { 1.5 })))
        .expect("the formula is sound");
    let start = Instant::now();
    for _ in 0..ROUNDS {
        for tree in &trees {
            black_box(black_box(&formula).value(tree.dbh_cm, tree.height_m));
        }
    }
    let ns = start.elapsed().as_secs_f64() * 1e9 / f64::from(ROUNDS) / trees.len() as f64;
    seen.insert("formula", (formula.text().to_owned(), ns, None));
    println!(
        "{:<24} {:<36} {:>9} {:>12}",
        "form", "set", "total ns", "with merch."
    );
    for (form, (set, total, merchantable)) in seen {
        let merchantable = merchantable.map_or(String::new(), |ns| format!("{ns:.0}"));
        println!("{form:<24} {set:<36} {total:>9.0} {merchantable:>12}");
    }
}
