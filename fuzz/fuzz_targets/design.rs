//! Any bytes as a cruise design, and field sheets for the design if it is one.

#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use spinney::read::design::check_species;
use spinney::read::source::Source;
use spinney::render::html;
use spinney::tables::tally::{Wanted, sheets};
use spinney_fuzz::{design_of, prepare, print, within, world};

fuzz_target!(init: prepare(), |data: &[u8]| {
    within(2, data, || read(data));
});

fn read(data: &[u8]) {
    let source = match Source::from_bytes("design.yaml", data.to_vec()) {
        Ok(source) => source,
        Err(finding) => return print(&(*finding).into(), &[]),
    };
    let (design, mut problems) = design_of(&source, Path::new("cruise"));
    problems.append(check_species(&source, &world().species));
    print(&problems.sorted(), &[&source]);
    if let Some(design) = design {
        let wanted = Wanted {
            plots: vec!["1".to_owned(), String::new()],
            species: vec!["Fd".to_owned()],
            strata: Vec::new(),
            lines: Some(2),
            tree_heads: ["tree", "species", "dbh_cm"].map(str::to_owned).to_vec(),
            plot_heads: vec!["slope_pct".to_owned()],
        };
        html::tally::render(&sheets(&design, &wanted));
    }
}
