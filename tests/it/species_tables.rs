//! The species table, and every table folder that the program carries.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::collections::BTreeMap;

use spinney::read::tables::Tables;
use spinney::species::SpeciesTable;

fn table() -> SpeciesTable {
    Tables::builtin().species().unwrap()
}

#[test]
fn no_code_means_two_species() {
    let table = table();
    assert_eq!(
        table.len(),
        2682,
        "2,677 of the reference table and 5 without FIA number"
    );
    let mut codes: BTreeMap<String, String> = BTreeMap::new();
    for (id, species) in table.iter() {
        let fia = species.fia.map(|number| number.to_string());
        let own = [
            species.plants.as_ref(),
            species.national_inventory.as_ref(),
            species.bc_inventory.as_ref(),
            fia.as_ref(),
        ];
        for code in own.into_iter().flatten().chain(&species.also) {
            let taken = codes.insert(code.to_lowercase(), species.label());
            assert_eq!(taken, None, "{code} means {} too", species.label());
            assert_eq!(table.lookup(code), Some(id), "{code}");
        }
    }
}
