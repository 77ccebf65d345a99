//! Numbers as people read them in a derivation.

/// A number rounded to six significant digits, without trailing zeros.
pub fn six_digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
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
    }
}
