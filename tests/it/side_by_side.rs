use spinney::read::tables::Tables;
use spinney::stems::evaluation::{Question, evaluate, evaluate_biomass};
use spinney::stems::volume::StemInput;
use std::io::Write;

#[test]
fn dump() {
    let tables = Tables::builtin();
    let species = tables.species().unwrap();
    let sets: Vec<_> = tables
        .volume_sets()
        .iter()
        .map(|n| tables.volume_set(n, &species).unwrap())
        .collect();
    let bio: Vec<_> = tables
        .folders("biomass")
        .iter()
        .map(|n| tables.equation_set("biomass", n, &species).unwrap())
        .collect();
    let mut out = std::fs::File::create("/tmp/side_dump.tsv").unwrap();
    for (id, sp) in species.iter() {
        let q = Question {
            species: id,
            tree: StemInput {
                dbh_cm: 40.0,
                height_m: 30.0,
                broken_height_m: None,
            },
            region: None,
            merchantable: None,
            planted: false,
        };
        for set in &sets {
            for e in evaluate(set, &q, &species) {
                writeln!(
                    out,
                    "{}\t{}\t{}\t{}\t{:?}\t{:?}\t{:?}\t{}\t{}",
                    sp.fia.unwrap_or(0),
                    sp.label(),
                    set.name,
                    e.region.unwrap_or("all"),
                    set.head.bark,
                    e.stem.total_m3.unwrap_or(-1.0),
                    e.stem.bark_m3.unwrap_or(-1.0),
                    e.stem.out_of_range,
                    e.chosen.marks.join("; ")
                )
                .unwrap();
            }
        }
        for set in &bio {
            if let Some(e) = evaluate_biomass(set, &q, &species) {
                writeln!(
                    out,
                    "{}\t{}\t{}\tall\tMass\t{:?}\t-1\t{}\t{}",
                    sp.fia.unwrap_or(0),
                    sp.label(),
                    set.name,
                    e.found.biomass.total_kg,
                    e.found.out_of_range,
                    e.chosen.marks.join("; ")
                )
                .unwrap();
            }
        }
    }
}
