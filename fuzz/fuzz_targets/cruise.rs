//! Cruises made of choices, compiled and printed in every form.

#![no_main]

use std::cell::OnceCell;

use arbitrary::Unstructured;
use libfuzzer_sys::fuzz_target;
use spinney::cli::{DesignArgs, Overrides};
use spinney::commands::load::load;
use spinney_fuzz::{cruise, outputs, prepare, within, write};
use tempfile::TempDir;

thread_local! {
    static PLACE: OnceCell<TempDir> = const { OnceCell::new() };
}

fuzz_target!(init: prepare(), |data: &[u8]| {
    let Ok(made) = cruise::make(&mut Unstructured::new(data)) else {
        return;
    };
    PLACE.with(|place| {
        let place = place.get_or_init(spinney_fuzz::folder).path();
        for (name, text) in &made.files {
            write(&place.join(name), text);
        }
        let design = place.join("design.yaml");
        write(&design, &made.design);
        if std::env::var_os("SPINNEY_FUZZ_SHOW").is_some() {
            eprintln!("{}", made.design);
            made.files.iter().for_each(|(name, text)| eprintln!("{name}\n{text}"));
        }
        let overrides = Overrides::default();
        within(32, data, || {
            let loaded = load(&DesignArgs { design, overrides });
            if std::env::var_os("SPINNEY_FUZZ_SHOW").is_some() {
                eprintln!("{:#?}", loaded.problems.iter().map(ToString::to_string).collect::<Vec<_>>());
            }
            if let Some(cruise) = &loaded.cruise {
                outputs::check(&made, cruise, &loaded.problems);
            }
        });
    });
});
