//! Sums over parts of known areas from which the estimate of the whole is made, part after part.
//!
//! ```text
//! kept    A = sum A_h,  sum A_h y_h,  V = sum g_h,  sum g_h^2 / df_h,     g_h = A_h^2 v_h
//! mean    y = sum A_h y_h / A
//! error   se = sqrt(V) / A
//! df      (sum g_h)^2 / sum (g_h^2 / df_h)      over the parts that have degrees of freedom
//! ```
//! These are the sums of a stratified sample; any number of parts leaves the same few figures, and
//! parts that were added elsewhere can be added on. Sources: see [`super::stratified`].

use super::{Estimate, NoInterval};

/// The sums.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct AreaSum {
    /// Total area, or whatever the weights are.
    area: f64,
    /// Areas times means.
    total: f64,
    n_plots: usize,
    n_units: usize,
    /// Squared areas times variances.
    variance: f64,
    /// Of these, those with degrees of freedom.
    varying: f64,
    /// Their squares over their degrees of freedom.
    squares: f64,
    /// The degrees of freedom together.
    df: f64,
    /// Parts that have degrees of freedom.
    with_df: usize,
    /// What the variance would be if no part came from a list.
    infinite: f64,
    /// Parts without an error.
    without_error: usize,
}

impl AreaSum {
    /// Adds a part.
    pub(super) fn add(&mut self, area: f64, part: &Estimate) {
        self.area += area;
        self.total += area * part.mean;
        self.n_plots += part.n_plots;
        self.n_units += part.n_units;
        let Some(error) = part.std_error else {
            self.without_error += 1;
            return;
        };
        let variance = area * area * (error * error);
        self.variance += variance;
        let left = 1.0 - part.list_share;
        self.infinite += if left > 0.0 {
            variance / left
        } else {
            variance
        };
        if let Some(df) = part.df {
            self.varying += variance;
            self.squares += variance * variance / df;
            self.df += df;
            self.with_df += 1;
        }
    }

    /// These parts and all others, which hold nothing: `all` are the zeros of every part, `here` the
    /// zeros of the parts that were added.
    pub(super) fn and_zeros(&self, all: &AreaSum, here: &AreaSum) -> AreaSum {
        AreaSum {
            area: all.area,
            n_plots: all.n_plots + self.n_plots - here.n_plots,
            n_units: all.n_units + self.n_units - here.n_units,
            df: all.df - here.df + self.df,
            with_df: all.with_df + self.with_df - here.with_df,
            without_error: all.without_error + self.without_error - here.without_error,
            ..*self
        }
    }

    /// Total area.
    pub(super) fn area(&self) -> f64 {
        self.area
    }

    /// Has every part an error?
    pub(super) fn has_errors(&self) -> bool {
        self.without_error == 0
    }

    /// The estimate of the whole.
    pub(super) fn estimate(&self) -> Estimate {
        let whole = Estimate {
            n_plots: self.n_plots,
            n_units: self.n_units,
            ..Estimate::of(self.total / self.area)
        };
        if !self.has_errors() {
            return Estimate {
                no_interval: Some(NoInterval::StratumWithOnePlot),
                ..whole
            };
        }
        let df = if self.squares > 0.0 {
            Some(self.varying * self.varying / self.squares)
        } else {
            // Nothing varies: the degrees of freedom of all parts.
            (self.with_df > 0).then_some(self.df)
        };
        Estimate {
            std_error: Some(self.variance.sqrt() / self.area),
            df,
            list_share: if self.infinite > 0.0 {
                1.0 - self.variance / self.infinite
            } else {
                0.0
            },
            no_interval: df.is_none().then_some(NoInterval::FullTally),
            ..whole
        }
    }
}
