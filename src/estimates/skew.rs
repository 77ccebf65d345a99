//! Are there plots enough for a t interval of a skewed mean?
//!
//! ```text
//! n > 25 G1^2,    G1 = m3 / m2^(3/2),    mr = sum (y - mean)^r / n
//! ```
//! With fewer plots an interval at 95 % may miss the mean more often than 6 times in 100, and on
//! one side rather than the other. It is a crude rule, for values whose distance from the normal is
//! mostly skewness to the right. The skewness of few plots falls short of that of the stand: with n
//! of them it cannot exceed (n - 2)/sqrt(n - 1).
//!
//! Source: Cochran 1977, Sampling Techniques, 3rd ed., section 2.15 (from memory).

use crate::math::sum::mean;

/// Squares of the skewness in the number of plots.
const PLOTS_PER_SQUARE: f64 = 25.0;

/// Plots that a t interval of the mean wants by Cochran's rule; `None` of fewer than three values
/// or of values without spread.
pub fn plots_for_t(values: &[f64]) -> Option<f64> {
    let skewness = skewness(values)?;
    Some(PLOTS_PER_SQUARE * skewness * skewness)
}

/// The coefficient of skewness G1.
pub(super) fn skewness(values: &[f64]) -> Option<f64> {
    if values.len() < 3 {
        return None;
    }
    let middle = mean(values);
    let moment = |power| {
        let sum: f64 = values.iter().map(|y| (y - middle).powi(power)).sum();
        sum / values.len() as f64
    };
    let variance = moment(2);
    (variance > 0.0).then(|| moment(3) / variance.powf(1.5))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // 0, 0, 0, 4: mean 1, m2 = (3 + 9)/4 = 3, m3 = (27 - 3)/4 = 6, G1^2 = 36/27 = 4/3.
        let plots = plots_for_t(&[0.0, 0.0, 0.0, 4.0]).unwrap();
        assert!((plots - 100.0 / 3.0).abs() < 1e-12, "{plots}");
        // 1, 2, 6: mean 3, m2 = 14/3, m3 = (-8 - 1 + 27)/3 = 6, G1^2 = 36 * 27/2744.
        let plots = plots_for_t(&[1.0, 2.0, 6.0]).unwrap();
        assert!((plots - 25.0 * 972.0 / 2744.0).abs() < 1e-12, "{plots}");
    }

    #[test]
    fn neither_place_nor_scale_nor_side_matters() {
        let values = [3.0, 8.0, 9.0, 15.0, 40.0, 2.0];
        let plots = plots_for_t(&values).unwrap();
        let moved = values.map(|y| 100.0 - 7.0 * y);
        assert!((plots_for_t(&moved).unwrap() / plots - 1.0).abs() < 1e-12);
    }

    #[test]
    fn even_values_want_none_and_few_say_nothing() {
        assert_eq!(plots_for_t(&[1.0, 2.0, 3.0]), Some(0.0));
        assert_eq!(plots_for_t(&[1.0, 9.0]), None);
        assert_eq!(plots_for_t(&[0.1, 0.1, 0.1, 0.1]), None);
    }

    #[test]
    fn the_skewness_of_few_is_bounded() {
        for n in 3..40 {
            let mut values = vec![0.0; n];
            values[0] = 1.0;
            let bound = (n as f64 - 2.0) / (n as f64 - 1.0).sqrt();
            assert!((skewness(&values).unwrap() - bound).abs() < 1e-10);
        }
    }
}
