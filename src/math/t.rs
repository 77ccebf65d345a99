//! Quantiles of Student's t, and the chance of a value further out.
//!
//! The quantile of statrs 0.19 is good to about 1e-12 up to 1,000 degrees of freedom, loses digits
//! above, and does not return from 30 million up. So between 1,000 and a million it is polished by
//! two Newton steps on the distribution function, `t <- t - (F(t) - p) / f(t)`, and above a
//! million the normal quantile stands in, about 1e-6 away.
//!
//! A cruise asks for the same few quantiles a million times over, so each thread keeps the latest.

use std::cell::Cell;

use statrs::distribution::{Continuous as _, ContinuousCDF as _, StudentsT};

use super::normal;

/// Up to here the quantile is taken as it is.
const PRECISE_DF: f64 = 1e3;
/// From here on the normal distribution stands in.
const NORMAL_DF: f64 = 1e6;
/// Quantiles that a thread keeps, as a power of two.
const KEPT_BITS: u32 = 10;

/// A share, degrees of freedom, and the quantile; no share is 0.
type Kept = (f64, f64, f64);

thread_local! {
    static KEPT: [Cell<Kept>; 1 << KEPT_BITS] =
        const { [const { Cell::new((0.0, 0.0, 0.0)) }; 1 << KEPT_BITS] };
}

/// Quantile of Student's t: the value below which a share `p` lies. `None` unless `p` lies
/// between 0 and 1 and `df` is positive and finite.
pub fn quantile(p: f64, df: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && df > 0.0 && df.is_finite()) {
        return None;
    }
    if df > NORMAL_DF {
        return normal::quantile(p);
    }
    KEPT.with(|kept| {
        let place = &kept[place_of(p, df)];
        let (kept_p, kept_df, t) = place.get();
        if (kept_p.to_bits(), kept_df.to_bits()) == (p.to_bits(), df.to_bits()) {
            return Some(t);
        }
        let t = found(p, df)?;
        place.set((p, df, t));
        Some(t)
    })
}

/// Where a quantile is kept; bits that differ little are spread by the odd number next to 2^64
/// over the golden ratio.
fn place_of(p: f64, df: f64) -> usize {
    const SPREAD: u64 = 0x9e37_79b9_7f4a_7c15;
    let mixed = (p.to_bits().rotate_left(32) ^ df.to_bits()).wrapping_mul(SPREAD);
    (mixed >> (u64::BITS - KEPT_BITS)) as usize
}

fn found(p: f64, df: f64) -> Option<f64> {
    let student = StudentsT::new(0.0, 1.0, df).ok()?;
    let mut t = student.inverse_cdf(p);
    if df > PRECISE_DF {
        for _ in 0..2 {
            t -= (student.cdf(t) - p) / student.pdf(t);
        }
    }
    Some(t)
}

/// Chance of a value at least so far from zero on either side, `2 F(-|t|)`. `None` unless `t` is a
/// number and `df` is positive and finite.
pub fn two_sided_p(t: f64, df: f64) -> Option<f64> {
    if t.is_nan() || !(df > 0.0 && df.is_finite()) {
        return None;
    }
    if df > NORMAL_DF {
        return Some(2.0 * normal::cdf(-t.abs()));
    }
    let student = StudentsT::new(0.0, 1.0, df).ok()?;
    Some(2.0 * student.cdf(-t.abs()))
}

#[cfg(test)]
mod tests {
    use super::{NORMAL_DF, found, quantile, two_sided_p};

    #[test]
    fn chances_as_another_implementation() {
        // 2 * pt(-|t|, df) of R 4.2.2, 17 digits.
        for (t, df, p) in [
            (1.2, 3.0, 0.31626211469810478),
            (-2.5, 11.0, 0.029506374087364146),
            (0.3, 2.4, 0.7882183230085662),
            (6.0, 7.0, 0.00054225834200280964),
            (2.0, 143.0, 0.047394173632260839),
            (1.9, 50000.0, 0.057438866951203087),
            (2.2, 3000000.0, 0.027806970989952252),
            (15.0, 22.0, 4.9122697957949734e-13),
        ] {
            let ours = two_sided_p(t, df).unwrap();
            let tolerance = if df > NORMAL_DF { 1e-5 } else { 1e-9 };
            assert!(
                (ours / p - 1.0).abs() < tolerance,
                "{t} {df}: {ours} for {p}"
            );
        }
        assert_eq!(two_sided_p(0.0, 5.0), Some(1.0));
        assert_eq!(two_sided_p(f64::INFINITY, 5.0), Some(0.0));
        for (t, df) in [(f64::NAN, 5.0), (1.0, 0.0), (1.0, f64::INFINITY)] {
            assert_eq!(two_sided_p(t, df), None);
        }
    }

    #[test]
    fn printed_quantiles() {
        // Any t table (from memory), e.g. Freese 1962: 2.093 at 19 degrees of freedom.
        for (df, printed) in [
            (1.0, "12.706"),
            (2.0, "4.303"),
            (9.0, "2.262"),
            (19.0, "2.093"),
        ] {
            assert_eq!(format!("{:.3}", quantile(0.975, df).unwrap()), printed);
        }
        assert_eq!(format!("{:.3}", quantile(0.95, 30.0).unwrap()), "1.697");
        assert_eq!(format!("{:.3}", quantile(0.995, 10.0).unwrap()), "3.169");
    }

    #[test]
    fn exact_at_two_degrees_of_freedom() {
        // F(t) = 1/2 + t / (2 sqrt(2 + t^2)), so t = a sqrt(2 / (1 - a^2)) with a = 2 p - 1.
        for p in [0.6, 0.9, 0.975, 0.995, 0.9999] {
            let a: f64 = 2.0 * p - 1.0;
            let exact = a * (2.0 / (1.0 - a * a)).sqrt();
            assert!((quantile(p, 2.0).unwrap() / exact - 1.0).abs() < 1e-10);
        }
    }

    #[test]
    fn many_degrees_of_freedom_run_into_the_normal() {
        // Cornish-Fisher (Abramowitz & Stegun 26.7.5, from memory) to the second order in 1/df.
        let z: f64 = 1.959963984540054;
        for df in [1001.0, 3e4, 1e5, 9.9e5] {
            let first = (z.powi(3) + z) / 4.0;
            let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0;
            let series = z + first / df + second / (df * df);
            assert!((quantile(0.975, df).unwrap() - series).abs() < 5e-9, "{df}");
        }
        for df in [1.1e6, 3e7, 1e300] {
            assert!((quantile(0.975, df).unwrap() - z).abs() < 1e-9);
        }
    }

    #[test]
    fn kept_quantiles_are_those_found() {
        // More questions than there are places, twice over.
        for _ in 0..2 {
            for step in 1..=3000 {
                for p in [0.975, 0.95] {
                    let df = f64::from(step) / 7.0;
                    let (kept, found) = (quantile(p, df).unwrap(), found(p, df).unwrap());
                    assert_eq!(kept.to_bits(), found.to_bits(), "{p} {df}");
                }
            }
            for ulps in 0..40 {
                let df = f64::from_bits(19.0_f64.to_bits() + ulps);
                assert_eq!(quantile(0.975, df), found(0.975, df));
            }
        }
    }

    #[test]
    fn senseless_questions_have_no_answer() {
        for (p, df) in [
            (0.975, 0.0),
            (0.975, -1.0),
            (0.975, f64::NAN),
            (0.975, f64::INFINITY),
            (1.0, 5.0),
            (f64::NAN, 5.0),
        ] {
            assert_eq!(quantile(p, df), None);
        }
    }
}
