//! Errors at trees left out, draw by draw.

/// Root mean square error of one way over all draws, with its Monte Carlo error.
#[derive(Clone, Default)]
pub(crate) struct Tally {
    /// Of each draw: sum of squares, trees.
    draws: Vec<(f64, f64)>,
}

impl Tally {
    pub(crate) fn add(&mut self, errors: impl Iterator<Item = f64>) {
        let sums = errors.fold((0.0, 0.0), |(squares, n), off| {
            (squares + off * off, n + 1.0)
        });
        self.draws.push(sums);
    }

    fn trees(&self) -> f64 {
        self.draws.iter().map(|(_, n)| n).sum()
    }

    pub(crate) fn rmse(&self) -> f64 {
        let squares: f64 = self.draws.iter().map(|(squares, _)| squares).sum();
        (squares / self.trees()).sqrt()
    }

    /// Standard error of the difference of two root mean squares over the same draws, by the delta
    /// method.
    pub(crate) fn error_of_difference(&self, other: &Tally) -> f64 {
        let (ours, theirs) = (self.rmse(), other.rmse());
        let of = |(squares, n): &(f64, f64), rmse: f64| (squares - n * rmse * rmse) / (2.0 * rmse);
        let pairs = self.draws.iter().zip(&other.draws);
        let off: f64 = pairs
            .map(|(a, b)| (of(a, ours) - of(b, theirs)).powi(2))
            .sum();
        off.sqrt() / self.trees()
    }
}
