//! Standard normal distribution, by statrs 0.19: quantiles to 1e-14, shares to 1e-10 of themselves.

use statrs::distribution::{ContinuousCDF as _, Normal};

/// The value below which a share `p` lies; `None` unless `p` lies between 0 and 1.
pub fn quantile(p: f64) -> Option<f64> {
    (p > 0.0 && p < 1.0).then(|| Normal::standard().inverse_cdf(p))
}

/// Share below `z`.
pub fn cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_another_implementation() {
        // qnorm and pnorm of R 4.2.2, 17 digits.
        for (p, z) in QUANTILES {
            let ours = quantile(p).unwrap();
            assert!((ours - z).abs() < 1e-14, "{p}: {ours}");
        }
        for (z, p) in SHARES {
            let ours = cdf(z);
            assert!((ours / p - 1.0).abs() < 1e-10, "{z}: {ours}");
        }
    }

    #[test]
    fn there_and_back() {
        for step in 1..200 {
            let p = f64::from(step) / 200.0;
            assert!((cdf(quantile(p).unwrap()) - p).abs() < 1e-10, "{p}");
        }
    }

    #[test]
    fn senseless_shares_have_no_quantile() {
        for p in [0.0, 1.0, -0.1, 1.1, f64::NAN] {
            assert_eq!(quantile(p), None);
        }
    }

    const QUANTILES: [(f64, f64); 8] = [
        (1e-06, -4.7534243088228987),
        (0.001, -3.0902323061678132),
        (0.025, -1.9599639845400538),
        (0.1, -1.2815515655446008),
        (0.5, 0.0),
        (0.75, 0.67448975019608171),
        (0.975, 1.9599639845400536),
        (0.9995, 3.2905267314919255),
    ];
    const SHARES: [(f64, f64); 7] = [
        (-5.0, 2.8665157187919391e-07),
        (-1.96, 0.024997895148220428),
        (-0.3, 0.38208857781104733),
        (0.0, 0.5),
        (0.7, 0.75803634777692697),
        (2.5, 0.99379033467422384),
        (4.0, 0.99996832875816688),
    ];
}
