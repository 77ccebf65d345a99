//! Numbers as the shortest text that reads back, as tables for machines hold them.

/// Appends a number as its `Display` prints it: the fewest digits that read back to the same
/// number, never an exponent.
pub fn push(out: &mut Vec<u8>, number: f64) {
    let mut buffer = zmij::Buffer::new();
    if number.is_finite() {
        // The digits of `Display`, but for `.0` after whole numbers and the exponents of large and
        // small ones.
        let text = buffer.format_finite(number);
        let text = text.strip_suffix(".0").unwrap_or(text);
        if !text.contains('e') {
            out.extend_from_slice(text.as_bytes());
            return;
        }
    }
    out.extend_from_slice(number.to_string().as_bytes());
}

#[cfg(test)]
mod tests {
    use super::push;
    use proptest::prelude::*;

    fn pushed(number: f64) -> String {
        let mut out = b"before ".to_vec();
        push(&mut out, number);
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn limits_of_the_fast_way() {
        for number in [
            0.0,
            -0.0,
            1e15,
            1e16,
            1e17,
            123_456_789_012_345_680.0,
            1e-5,
            9.999e-6,
            1.5e-7,
            5e-324,
            f64::MAX,
            f64::NAN,
            f64::NEG_INFINITY,
        ] {
            assert_eq!(pushed(number), format!("before {number}"));
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(20_000))]
        #[test]
        fn any_number_is_as_displayed(bits: u64) {
            let number = f64::from_bits(bits);
            prop_assert_eq!(pushed(number), format!("before {number}"));
        }

        #[test]
        fn usual_numbers_are_as_displayed(number in -1e6..1e6, power in -12..18) {
            let number: f64 = number * 10_f64.powi(power);
            prop_assert_eq!(pushed(number), format!("before {number}"));
        }
    }
}
