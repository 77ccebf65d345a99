//! Measured heights as a curve is fitted to them.

use std::cell::OnceCell;

use crate::heights::Place;
use crate::heights::curve::Form;

/// A measured height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeightPoint {
    /// Diameter at breast height.
    pub dbh_cm: f64,
    /// Total height.
    pub height_m: f64,
    /// Standard error of its measurement, where known.
    pub std_error_m: Option<f64>,
    /// Where the tree stands.
    pub place: Place,
}

/// Measured heights, sorted by dbh and height.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Points {
    dbh_cm: Vec<f64>,
    height_m: Vec<f64>,
    std_error_m: Vec<Option<f64>>,
    place: Vec<Place>,
}

impl Points {
    /// Pairs of dbh and height, all of one place, without a word on their precision.
    pub fn new(pairs: Vec<(f64, f64)>) -> Self {
        let point = |(dbh_cm, height_m)| HeightPoint {
            dbh_cm,
            height_m,
            std_error_m: None,
            place: Place::default(),
        };
        Points::of(pairs.into_iter().map(point).collect())
    }

    /// Sorts the points, so that their order changes nothing. Heights at or below breast height
    /// must have been left out.
    pub fn of(mut points: Vec<HeightPoint>) -> Self {
        points.sort_by(|a, b| {
            let by_dbh = a.dbh_cm.total_cmp(&b.dbh_cm);
            let by_size = by_dbh.then(a.height_m.total_cmp(&b.height_m));
            by_size.then(a.place.cmp(&b.place))
        });
        Points {
            dbh_cm: points.iter().map(|point| point.dbh_cm).collect(),
            height_m: points.iter().map(|point| point.height_m).collect(),
            std_error_m: points.iter().map(|point| point.std_error_m).collect(),
            place: points.iter().map(|point| point.place).collect(),
        }
    }

    /// Those at some of the places in the order, given in that order.
    #[must_use]
    pub fn subset(&self, kept: &[usize]) -> Self {
        Points {
            dbh_cm: kept.iter().map(|at| self.dbh_cm[*at]).collect(),
            height_m: kept.iter().map(|at| self.height_m[*at]).collect(),
            std_error_m: kept.iter().map(|at| self.std_error_m[*at]).collect(),
            place: kept.iter().map(|at| self.place[*at]).collect(),
        }
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.dbh_cm.len()
    }

    /// None?
    pub fn is_empty(&self) -> bool {
        self.dbh_cm.is_empty()
    }

    /// The diameters, in order.
    pub fn dbh_cm(&self) -> &[f64] {
        &self.dbh_cm
    }

    /// The heights, in the order of the diameters.
    pub fn height_m(&self) -> &[f64] {
        &self.height_m
    }

    /// The standard errors of measurement, in the same order.
    pub fn std_error_m(&self) -> &[Option<f64>] {
        &self.std_error_m
    }

    /// Where the trees stand, in the same order.
    pub fn place(&self) -> &[Place] {
        &self.place
    }

    /// Smallest and largest dbh.
    pub fn dbh_range_cm(&self) -> Option<(f64, f64)> {
        Some((*self.dbh_cm.first()?, *self.dbh_cm.last()?))
    }

    /// Largest height.
    pub fn tallest_m(&self) -> f64 {
        self.height_m.iter().copied().fold(0.0, f64::max)
    }

    /// Are all heights the same?
    pub fn is_level(&self) -> bool {
        self.height_m
            .windows(2)
            .all(|pair| pair[0].to_bits() == pair[1].to_bits())
    }
}

/// What forms are fitted to, with the logarithms that some of them take, which are worked out once
/// for all of them.
pub(super) struct Sample<'p> {
    /// Dbh, cm.
    pub(super) d: &'p [f64],
    /// Heights above breast height, m.
    pub(super) y: Vec<f64>,
    log_d: OnceCell<Vec<f64>>,
    log_share: OnceCell<Vec<f64>>,
    log_y: OnceCell<Vec<f64>>,
}

impl<'p> Sample<'p> {
    pub(super) fn new(d: &'p [f64], y: Vec<f64>) -> Self {
        Sample {
            d,
            y,
            log_d: OnceCell::new(),
            log_share: OnceCell::new(),
            log_y: OnceCell::new(),
        }
    }

    /// The logarithms that a form takes of the diameters ([`Form::log`]); empty if it takes none.
    pub(super) fn logs(&self, form: Form) -> &[f64] {
        let cell = match form {
            Form::Curtis => &self.log_share,
            _ if form.takes_log() => &self.log_d,
            _ => return &[],
        };
        cell.get_or_init(|| self.d.iter().map(|d| form.log(*d)).collect())
    }

    /// The logarithms of y.
    pub(super) fn log_y(&self) -> &[f64] {
        self.log_y
            .get_or_init(|| self.y.iter().map(|y| y.ln()).collect())
    }
}
