//! Numbers as people read them in a derivation.

/// A number rounded to six significant digits, without trailing zeros; with a power of ten where it
/// would have more than six zeros.
pub fn six_digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    if rounded != 0.0 && !(1e-6..1e12).contains(&rounded.abs()) {
        return format!("{rounded:e}");
    }
    rounded.to_string()
}

#[cfg(test)]
mod tests {
    use super::six_digits;

    #[test]
    fn numbers_keep_six_digits() {
        assert_eq!(six_digits(1.285_470_123), "1.28547");
        assert_eq!(six_digits(40.0), "40");
        assert_eq!(six_digits(0.002_359_737), "0.00235974");
        assert_eq!(six_digits(1_234_567.0), "1234570");
        assert_eq!(six_digits(0.0), "0");
        assert_eq!(six_digits(-0.000_000_123_456_7), "-1.23457e-7");
        assert_eq!(six_digits(4.15e13), "4.15e13");
    }
}
