//! Quantiles of resampled values, interpolated on the scale of normal quantiles.
//!
//! ```text
//! order   (R + 1) p = k + fraction
//! value   t(k) + (Phi^-1(p) - Phi^-1(k/(R+1))) / (Phi^-1((k+1)/(R+1)) - Phi^-1(k/(R+1)))
//!                (t(k+1) - t(k))
//! ```
//! Below order 1 the smallest value, above order R the greatest. Source: Davison & Hinkley 1997,
//! section 5.2.1 (from memory); checked on R's package boot.

use crate::math::normal;

/// A quantile, and whether it lies further out than the values can tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Quantile {
    pub(super) value: f64,
    pub(super) is_extreme: bool,
}

/// The value below which a share of some values lies; of none, not a number. The values are brought
/// into another order: sorting all of them for the sake of two would take far longer.
pub(super) fn at_share(values: &mut [f64], share: f64) -> Quantile {
    let extreme = |value: Option<&f64>| Quantile {
        value: value.copied().unwrap_or(f64::NAN),
        is_extreme: true,
    };
    let slots = values.len() as f64 + 1.0;
    let order = slots * share;
    if order < 1.0 {
        return extreme(values.iter().min_by(|a, b| a.total_cmp(b)));
    }
    if order > values.len() as f64 {
        return extreme(values.iter().max_by(|a, b| a.total_cmp(b)));
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "from 1 to the number of values"
    )]
    let k = order as usize;
    let z = |share: f64| normal::quantile(share).unwrap_or_default();
    let value = match in_order(values, k) {
        (Some(low), Some(high)) if order.fract() > 0.0 => {
            let (from, to) = (z(k as f64 / slots), z((k as f64 + 1.0) / slots));
            low + (z(share) - from) / (to - from) * (high - low)
        }
        (Some(low), _) => low,
        (None, _) => f64::NAN,
    };
    Quantile {
        value,
        is_extreme: false,
    }
}

/// The `k`-th smallest value and the one after it, counted from 1.
fn in_order(values: &mut [f64], k: usize) -> (Option<f64>, Option<f64>) {
    if k == 0 || k > values.len() {
        return (None, None);
    }
    // The neighbour is looked for on the side where fewer values lie.
    if k < values.len() / 2 {
        let (up_to_low, high, _) = values.select_nth_unstable_by(k, f64::total_cmp);
        let low = up_to_low.iter().copied().max_by(f64::total_cmp);
        (low, Some(*high))
    } else {
        let (_, low, above) = values.select_nth_unstable_by(k - 1, f64::total_cmp);
        let high = above.iter().copied().min_by(f64::total_cmp);
        (Some(*low), high)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn value(values: &[f64], share: f64) -> f64 {
        let quantile = at_share(&mut values.to_vec(), share);
        assert!(!quantile.is_extreme);
        quantile.value
    }

    #[test]
    fn whole_orders_are_the_values_themselves() {
        let sorted: Vec<f64> = (1..=7).map(|v| f64::from(v) * 10.0).collect();
        for (order, expected) in (1_u32..=7).zip(&sorted) {
            let share = f64::from(order) / 8.0;
            assert_eq!(value(&sorted, share).to_bits(), expected.to_bits());
        }
    }

    proptest! {
        #[test]
        fn selected_values_are_those_of_sorted_ones(
            mut values in prop::collection::vec(
                prop_oneof![-2.0..2.0_f64, Just(0.0), Just(-0.0), Just(1.0)], 0..60,
            ),
        ) {
            let bits = |value: Option<f64>| value.map(f64::to_bits);
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            for k in 1..=values.len() {
                let (low, high) = in_order(&mut values, k);
                prop_assert_eq!(bits(low), bits(sorted.get(k - 1).copied()));
                prop_assert_eq!(bits(high), bits(sorted.get(k).copied()));
            }
            prop_assert_eq!(in_order(&mut values, 0), (None, None));
            prop_assert_eq!(in_order(&mut values, sorted.len() + 1), (None, None));
        }
    }

    #[test]
    fn in_between_by_hand() {
        // Order 1.5 of three values: z at 3/8 between z at 1/4 and 0.
        // z(0.375) = -0.318639364, z(0.25) = -0.674489750, of a normal table.
        let expected = 1.0 + (0.674489750 - 0.318639364) / 0.674489750;
        assert!((value(&[1.0, 2.0, 9.0], 0.375) - expected).abs() < 1e-9);
        assert!((value(&[1.0, 2.0, 9.0], 0.5) - 2.0).abs() < 1e-15);
    }

    #[test]
    fn beyond_the_values_it_says_so() {
        let sorted = [1.0, 2.0, 9.0];
        for (share, edge) in [(0.2, 1.0), (0.8, 9.0), (0.0, 1.0), (1.0, 9.0)] {
            let quantile = at_share(&mut sorted.to_vec(), share);
            assert!(quantile.is_extreme);
            assert!((quantile.value - edge).abs() < 1e-15);
        }
        assert!(at_share(&mut [], 0.5).value.is_nan());
    }
}
