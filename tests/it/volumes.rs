//! Every volume set against its own check values.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use spinney::read::tables::Tables;

#[test]
fn every_set_meets_its_check_values() {
    let tables = Tables::builtin();
    let species = tables.species().unwrap();
    for name in tables.volume_sets() {
        let set = tables
            .volume_set(&name, &species)
            .unwrap_or_else(|problems| {
                panic!(
                    "{:#?}",
                    problems.iter().map(ToString::to_string).collect::<Vec<_>>()
                )
            });
        let results = set.verify(&species);
        assert!(!results.is_empty(), "{name} has no check values");
        let worst = results
            .iter()
            .map(|r| r.relative_error.abs())
            .fold(0.0, f64::max);
        println!(
            "{name}: {} check values, worst relative error {worst:.1e}",
            results.len()
        );
        for result in results {
            assert!(
                result.pass,
                "{name}, line {}: printed {}, ours {:?}",
                result.check.line, result.check.printed, result.ours
            );
        }
    }
}
