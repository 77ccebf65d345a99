//! Any bytes as one file of a user's own species tables: the first byte chooses the file, the rest is
//! its content.

#![no_main]

use std::cell::OnceCell;

use libfuzzer_sys::fuzz_target;
use spinney_fuzz::tables::{Own, SLOTS};
use spinney_fuzz::{prepare, within};

thread_local! {
    static PLACES: [OnceCell<Own>; SLOTS.len()] = const { [const { OnceCell::new() }; SLOTS.len()] };
}

fuzz_target!(init: prepare(), |data: &[u8]| {
    let Some((&choice, content)) = data.split_first() else {
        return;
    };
    let choice = usize::from(choice) % SLOTS.len();
    PLACES.with(|places| {
        let own = places[choice].get_or_init(|| Own::new(&SLOTS[choice]));
        within(6, data, || own.read(content));
    });
});
