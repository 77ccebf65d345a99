//! Which units each resample holds: drawn once per stratum, used for every domain and attribute.

use crate::math::random::{Below, Random};

/// How often each unit of a stratum is in each resample.
///
/// They depend on the seed, the name of the stratum (with its stand) and the number of units,
/// nothing else; asking for more resamples adds to those there were. A resample names units by
/// their position, so in another order the same plots give other limits, as another seed does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Draws {
    units: usize,
    resamples: usize,
    /// Unit by unit, the resamples of each together.
    counts: Vec<u16>,
}

impl Draws {
    /// Draws `units` units with replacement, `resamples` times.
    pub fn new(units: usize, resamples: usize, seed: u64, name: &str) -> Draws {
        let (mut random, unit) = (Random::stream(seed, name), Below::new(units));
        let mut counts = vec![0_u16; units * resamples];
        for resample in 0..resamples {
            for _ in 0..units {
                let count = &mut counts[unit.draw(&mut random) * resamples + resample];
                *count = count.saturating_add(1);
            }
        }
        Draws {
            units,
            resamples,
            counts,
        }
    }

    /// Units of the stratum.
    pub fn units(&self) -> usize {
        self.units
    }

    /// Number of resamples.
    pub fn resamples(&self) -> usize {
        self.resamples
    }

    /// How often a unit is in each of the resamples.
    pub fn of_unit(&self, unit: usize) -> &[u16] {
        &self.counts[unit * self.resamples..][..self.resamples]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_resample_is_as_large_as_the_sample() {
        let draws = Draws::new(17, 300, 5, "North/dry");
        for resample in 0..draws.resamples() {
            let drawn: u16 = (0..17).map(|unit| draws.of_unit(unit)[resample]).sum();
            assert_eq!(drawn, 17);
        }
        // Mean 1 and variance 1 - 1/n, that of a multinomial count, over 5,100 counts.
        let counts = || draws.counts.iter().map(|count| f64::from(*count));
        let variance = counts().map(|count| (count - 1.0).powi(2)).sum::<f64>() / 5100.0;
        assert!((variance - 16.0 / 17.0).abs() < 0.1, "{variance}");
    }

    #[test]
    fn more_resamples_add_to_those_there_were() {
        let (few, many) = (Draws::new(9, 50, 1, "x"), Draws::new(9, 80, 1, "x"));
        for unit in 0..9 {
            assert_eq!(few.of_unit(unit), &many.of_unit(unit)[..50]);
        }
    }

    #[test]
    fn seed_and_name_decide() {
        let draws = |seed, name| Draws::new(9, 50, seed, name);
        assert_eq!(draws(1, "x"), draws(1, "x"));
        assert_ne!(draws(1, "x"), draws(2, "x"));
        assert_ne!(draws(1, "x"), draws(1, "y"));
    }
}
