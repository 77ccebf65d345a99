//! Any bytes as one record file of a cruise whose other files are sound: the first byte chooses the
//! cruise and the file, the rest is the file.

#![no_main]

use std::cell::OnceCell;

use libfuzzer_sys::fuzz_target;
use spinney_fuzz::records::{CRUISES, FILES, OnDisk};
use spinney_fuzz::{prepare, within, write};

thread_local! {
    static PLACES: [OnceCell<OnDisk>; CRUISES.len()] = const { [const { OnceCell::new() }; CRUISES.len()] };
}

fuzz_target!(init: prepare(), |data: &[u8]| {
    let Some((&choice, text)) = data.split_first() else {
        return;
    };
    let choice = usize::from(choice);
    let (cruise, file) = (choice / FILES.len() % CRUISES.len(), choice % FILES.len());
    PLACES.with(|places| {
        let place = places[cruise].get_or_init(|| {
            let place = OnDisk::new(CRUISES[cruise].design);
            place.lay_out(CRUISES[cruise]);
            place
        });
        let path = place.path().join(FILES[file]);
        write(&path, text);
        within(4, data, || place.read());
        write(&path, CRUISES[cruise].files[file]);
    });
});
