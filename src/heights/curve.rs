//! Stand-in until the fitted curves are merged.

/// A form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// `D^2/(a + b D)^2`.
    Naslund,
}

impl Form {
    /// Names.
    pub const NAMES: [&'static str; 1] = ["naslund"];

    /// Name.
    pub fn name(self) -> &'static str {
        "naslund"
    }

    /// Formula.
    pub fn expression(self) -> &'static str {
        "D^2/(a + b D)^2"
    }

    /// Names.
    pub fn parameter_names(self) -> &'static [&'static str] {
        &["a", "b"]
    }

    /// y in m for D in cm.
    pub fn value(self, dbh_cm: f64, p: &[f64]) -> f64 {
        (dbh_cm / (p[0] + p[1] * dbh_cm)).powi(2)
    }
}

/// A curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Form.
    pub form: Form,
    /// Parameters.
    pub parameters: Vec<f64>,
    /// Breast height.
    pub breast_height_m: f64,
}

impl Curve {
    /// Height.
    pub fn height_m(&self, dbh_cm: f64) -> f64 {
        self.breast_height_m + self.form.value(dbh_cm, &self.parameters)
    }
}
