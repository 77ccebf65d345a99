//! Numbers as the shortest text that reads back, as tables for machines hold them.

/// Sizes of which the fast formatter writes no exponent.
const PLAIN: std::ops::Range<f64> = 1e-4..1e15;

/// Appends a number as its `Display` prints it: the fewest digits that read back to the same
/// number, never an exponent.
pub fn push(out: &mut Vec<u8>, number: f64) {
    if number == 0.0 || PLAIN.contains(&number.abs()) {
        let mut buffer = zmij::Buffer::new();
        let text = buffer.format_finite(number);
        if text.len() <= MOST_WITHOUT_TIE || !is_short_in_binary(number) {
            // `Display` writes no `.0` after whole numbers.
            let text = text.strip_suffix(".0").unwrap_or(text);
            out.extend_from_slice(text.as_bytes());
            return;
        }
    }
    out.extend_from_slice(number.to_string().as_bytes());
}

/// A number half-way between two texts is rounded away from zero by `Display`, to even by the fast
/// formatter. Both read back only if they have 16 digits or more and a point.
const MOST_WITHOUT_TIE: usize = 16;

/// Is it a multiple of 2^-24? One half-way between two texts of d decimals is one of 2^-(d + 1),
/// and plain texts of 17 digits have at most 21 decimals.
fn is_short_in_binary(number: f64) -> bool {
    const MANTISSA_BITS: u32 = f64::MANTISSA_DIGITS - 1;
    const PLACES: u64 = 24;
    let bits = number.to_bits();
    let exponent = (bits >> MANTISSA_BITS) & 0x7ff;
    let zeros = (bits | 1 << MANTISSA_BITS).trailing_zeros();
    // The last bit of the mantissa counts 2^(exponent - 1075).
    exponent + u64::from(zeros) + PLACES >= 1075
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
            164_019_554_321_147.62,
            164_019_554_321_147.63,
            0.500_007_629_394_531_25,
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
        fn short_binary_fractions_are_as_displayed(whole in -(1_i64 << 53)..1 << 53, places in 0..60) {
            let number = whole as f64 / 2_f64.powi(places);
            prop_assert_eq!(pushed(number), format!("before {number}"));
            let fewer = (whole >> (places / 2)) as f64 / 2_f64.powi(places);
            prop_assert_eq!(pushed(fewer), format!("before {fewer}"));
        }

        #[test]
        fn usual_numbers_are_as_displayed(number in -1e6..1e6, power in -12..18) {
            let number: f64 = number * 10_f64.powi(power);
            prop_assert_eq!(pushed(number), format!("before {number}"));
        }
    }
}
