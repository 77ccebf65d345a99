//! Any text as the formula of an equation; one that is accepted is evaluated.

#![no_main]

use libfuzzer_sys::fuzz_target;
use spinney::species::expression::{Expression, Fault};
use spinney_fuzz::{prepare, within};

fuzz_target!(init: prepare(), |data: &[u8]| {
    within(1, data, || read(&String::from_utf8_lossy(data)));
});

fn read(text: &str) {
    let expression = match Expression::read(text) {
        Ok(expression) => expression,
        Err(faults) => return check(text, &faults),
    };
    if let Err(faults) = expression.units(&["a", "b"]) {
        check(text, &faults);
    }
    // Upper and lower case are the same.
    let capitals = expression.text().to_ascii_uppercase();
    let again = Expression::read(&capitals).expect("capitals are read as small letters are");
    for coefficient in [0.0, 1.0, -2.5, 1e-300, 1e300] {
        let bound = |of: &Expression| of.with_coefficients(|_| Some(coefficient));
        let (Some(formula), Some(same)) = (bound(&expression), bound(&again)) else {
            panic!("every coefficient has a value");
        };
        for size in [0.0, 1e-9, 7.5, 31.2, 1500.0, f64::INFINITY] {
            let (one, other) = (
                formula.value(size, size / 2.0),
                same.value(size, size / 2.0),
            );
            assert!(one.to_bits() == other.to_bits() || one.is_nan() && other.is_nan());
        }
    }
}

/// Each fault names a place in the text.
fn check(text: &str, faults: &[Fault]) {
    assert!(!faults.is_empty());
    let characters = text.chars().count();
    for fault in faults {
        assert!(fault.at <= characters, "{fault:?}");
        assert!(!fault.message.is_empty());
    }
}
