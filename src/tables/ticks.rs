//! Round numbers along an axis.

/// Ticks at multiples of 1, 2 or 5 times a power of ten.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ticks {
    /// The first.
    pub from: f64,
    /// From one to the next.
    pub step: f64,
    /// Steps; one at least.
    pub steps: usize,
}

impl Ticks {
    /// Ticks that hold all values between them, with `most` steps at most; `None` without a finite
    /// value. Values that are all alike get a tick on each side.
    pub fn over(values: impl Iterator<Item = f64>, most: usize) -> Option<Ticks> {
        let finite = values.filter(|value| value.is_finite());
        let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), value| {
            (a.min(value), b.max(value))
        });
        if low > high {
            return None;
        }
        let apart = (high - low).max(0.1 * high.abs()).max(1e-9);
        let power = 10_f64.powf((apart / most as f64).log10().floor());
        let mut steps = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0]
            .map(|times| times * power)
            .into_iter();
        steps.find_map(|step| {
            let from = (low / step).floor();
            let count = ((high / step).ceil() - from).max(1.0);
            let ticks = Ticks {
                from: from * step,
                step,
                steps: whole(count),
            };
            let sound = ticks.from.is_finite() && ticks.to().is_finite();
            (count <= most as f64 && sound).then_some(ticks)
        })
    }

    /// The tick after `at` steps.
    pub fn tick(&self, at: usize) -> f64 {
        self.from + self.step * at as f64
    }

    /// The last.
    pub fn to(&self) -> f64 {
        self.tick(self.steps)
    }

    /// Where a value lies between the first tick (0) and the last (1).
    pub fn share(&self, value: f64) -> f64 {
        (value - self.from) / (self.step * self.steps as f64)
    }

    /// A tick as it is written.
    pub fn label(&self, at: usize) -> String {
        let decimals = whole(-self.step.log10().floor());
        format!("{:.decimals$}", self.tick(at))
    }
}

/// A whole number that is known to be small; 0 below 0.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates at both ends"
)]
pub(super) fn whole(value: f64) -> usize {
    value as usize
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn ticks_are_round() {
        let ticks = Ticks::over([3.0, 47.0].into_iter(), 8).unwrap();
        assert_eq!((ticks.from, ticks.step, ticks.steps), (0.0, 10.0, 5));
        assert_eq!(ticks.label(3), "30");
        let ticks = Ticks::over([0.12, 0.31].into_iter(), 8).unwrap();
        assert_eq!(
            (ticks.label(0), ticks.label(1)),
            ("0.10".into(), "0.15".into())
        );
    }

    proptest! {
        /// Whatever the values: none at all, or ticks that are finite and hold them.
        #[test]
        fn ticks_hold_the_values(values in prop::collection::vec(any::<f64>(), 0..9), most in 2_usize..12) {
            if let Some(ticks) = Ticks::over(values.iter().copied(), most) {
                prop_assert!(ticks.step > 0.0 && (1..=most).contains(&ticks.steps));
                for value in values.iter().filter(|value| value.is_finite()) {
                    let share = ticks.share(*value);
                    prop_assert!((-1e-6..=1.0 + 1e-6).contains(&share), "{value} {ticks:?}");
                }
            } else {
                let far = |value: &f64| !value.is_finite() || value.abs() > 1e307;
                prop_assert!(values.is_empty() || values.iter().any(far));
            }
        }
    }
}
