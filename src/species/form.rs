//! Functional forms that give a volume, a mass or a diameter straight from dbh and height, or the
//! share of a volume below a height.
//!
//! In: coefficients as printed, dbh and height in the units of the publication. Out: the result
//! in the unit of the publication. Units are converted outside (`equation::Units`).
//!
//! To add a form: a variant, its [`Spec`] in [`SPECS`], its formula in `value`, its test.

use crate::species::expression::Formula;

/// A form of which tables of coefficients may be written: its name in the data, the names of its
/// coefficients, the formula in plain text.
#[derive(Debug)]
pub struct Spec<F: 'static> {
    /// Name in the `form` column or key.
    pub name: &'static str,
    /// Names of the coefficient columns.
    pub coefficients: &'static [&'static str],
    /// The formula; symbols as in the documentation of the form.
    pub formula: &'static str,
    /// Makes the form of its coefficients, given in the order of `coefficients`.
    pub build: fn(&[f64]) -> F,
}

/// A volume equation with its coefficients. `D` is dbh and `H` total height.
#[derive(Clone, Debug, PartialEq)]
pub enum Form {
    /// Power of dbh and height with the constant as a logarithm.
    ///
    /// Formula: `V = exp(b0) D^b1 H^b2`. Domain: `D > 0`, `H > 0`.
    /// Source: Nigh 2016, Prov. B.C. Tech. Rep. 106 (as carried in a later document).
    ExpPower {
        /// Logarithm of the factor.
        b0: f64,
        /// Exponent of dbh.
        b1: f64,
        /// Exponent of height.
        b2: f64,
    },
    /// Power of dbh and height.
    ///
    /// Formula: `V = a D^b H^c`. Domain: `D > 0`, `H > 0`.
    /// Source: Westfall et al. 2024, GTR WO-104, model 1.
    Power {
        /// Factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
        /// Exponent of height.
        c: f64,
    },
    /// Power whose dbh exponent changes at `k`, continuous there.
    ///
    /// Formula: `V = a D^b H^c` below `D = k`, else `V = a k^(b - b1) D^b1 H^c`.
    /// Domain: `D > 0`, `H > 0`. Source: GTR WO-104, model 2.
    SegmentedPower {
        /// Factor.
        a: f64,
        /// Exponent of dbh below `k`.
        b: f64,
        /// Exponent of dbh from `k` on.
        b1: f64,
        /// Exponent of height.
        c: f64,
        /// Dbh at which the exponent changes.
        k: f64,
    },
    /// Power whose dbh exponent rises steadily to a limit.
    ///
    /// Formula: `V = a D^(a1 (1 - exp(-b D))^c1) H^c`. Domain: `D > 0`, `H > 0`.
    /// Source: GTR WO-104, model 3.
    RisingPower {
        /// Factor.
        a: f64,
        /// Limit of the exponent.
        a1: f64,
        /// Rate at which the exponent rises.
        b: f64,
        /// Exponent of height.
        c: f64,
        /// Shape of the rise.
        c1: f64,
    },
    /// Power damped at large dbh.
    ///
    /// Formula: `V = a D^b H^c exp(-b1 D)`. Domain: `D > 0`, `H > 0`.
    /// Source: GTR WO-104, model 4.
    DampedPower {
        /// Factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
        /// Rate of the damping.
        b1: f64,
        /// Exponent of height.
        c: f64,
    },
    /// Power of dbh and height for each unit of the specific gravity of the wood.
    ///
    /// Formula: `M = a D^b H^c G`, with `G` the specific gravity of the species' wood (oven-dry
    /// mass over green volume). The form gives `a D^b H^c`; whoever knows the species multiplies
    /// by `G`. Domain: `D > 0`, `H > 0`. Source: GTR WO-104, model 5 (species groups).
    PowerDensity {
        /// Factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
        /// Exponent of height.
        c: f64,
    },
    /// A line in `D^2 H`, one pair of coefficients for small trees and one for large.
    ///
    /// Formula: `V = b0_small + b1_small D^2 H` up to `D = limit` (the limit itself included, with
    /// a hair's breadth for unit conversion), else `V = b0_large + b1_large D^2 H`. Domain:
    /// `D > 0`, `H > 0`; the constant makes the volume of very small trees too large.
    /// Source: Wykoff, Crookston & Stage 1982, GTR INT-133 (as carried in a textbook's data).
    LinearByDbh {
        /// Largest dbh of the small trees.
        limit: f64,
        /// Constant, small trees.
        b0_small: f64,
        /// Slope, small trees.
        b1_small: f64,
        /// Constant, large trees.
        b0_large: f64,
        /// Slope, large trees.
        b1_large: f64,
    },
    /// A formula that the table itself gives as text, with its coefficients: an equation of the
    /// user's own, or a publication whose form no other variant has.
    ///
    /// Formula, domain and source: those of the table. Its variables name their units, and the
    /// units of the set are theirs.
    Formula(Formula),
}

/// Every volume form.
pub const SPECS: &[Spec<Form>] = &[
    Spec {
        name: "exp-power",
        coefficients: &["b0", "b1", "b2"],
        formula: "V = exp(b0) D^b1 H^b2",
        build: |c| Form::ExpPower {
            b0: c[0],
            b1: c[1],
            b2: c[2],
        },
    },
    Spec {
        name: "power",
        coefficients: &["a", "b", "c"],
        formula: "V = a D^b H^c",
        build: |c| Form::Power {
            a: c[0],
            b: c[1],
            c: c[2],
        },
    },
    Spec {
        name: "segmented-power",
        coefficients: &["a", "b", "b1", "c", "k"],
        formula: "V = a D^b H^c for D < k, else V = a k^(b - b1) D^b1 H^c",
        build: |c| Form::SegmentedPower {
            a: c[0],
            b: c[1],
            b1: c[2],
            c: c[3],
            k: c[4],
        },
    },
    Spec {
        name: "rising-power",
        coefficients: &["a", "a1", "b", "c", "c1"],
        formula: "V = a D^(a1 (1 - exp(-b D))^c1) H^c",
        build: |c| Form::RisingPower {
            a: c[0],
            a1: c[1],
            b: c[2],
            c: c[3],
            c1: c[4],
        },
    },
    Spec {
        name: "damped-power",
        coefficients: &["a", "b", "b1", "c"],
        formula: "V = a D^b H^c exp(-b1 D)",
        build: |c| Form::DampedPower {
            a: c[0],
            b: c[1],
            b1: c[2],
            c: c[3],
        },
    },
    Spec {
        name: "power-density",
        coefficients: &["a", "b", "c"],
        formula: "M = a D^b H^c G, G specific gravity of the wood",
        build: |c| Form::PowerDensity {
            a: c[0],
            b: c[1],
            c: c[2],
        },
    },
    Spec {
        name: "linear-by-dbh",
        coefficients: &["limit", "b0_small", "b1_small", "b0_large", "b1_large"],
        formula: "V = b0_small + b1_small D^2 H for D <= limit, else V = b0_large + b1_large D^2 H",
        build: |c| Form::LinearByDbh {
            limit: c[0],
            b0_small: c[1],
            b1_small: c[2],
            b0_large: c[3],
            b1_large: c[4],
        },
    },
];

impl Form {
    /// Volume for a dbh and a total height, all in the units of the publication. May be negative
    /// or not finite outside the domain; the caller decides what that means.
    pub fn value(&self, dbh: f64, height: f64) -> f64 {
        match *self {
            Form::ExpPower { b0, b1, b2 } => b0.exp() * dbh.powf(b1) * height.powf(b2),
            Form::Power { a, b, c } | Form::PowerDensity { a, b, c } => {
                a * dbh.powf(b) * height.powf(c)
            }
            Form::SegmentedPower { a, b, b1, c, k } => {
                if dbh < k {
                    a * dbh.powf(b) * height.powf(c)
                } else {
                    a * k.powf(b - b1) * dbh.powf(b1) * height.powf(c)
                }
            }
            Form::RisingPower { a, a1, b, c, c1 } => {
                a * dbh.powf(a1 * (1.0 - (-b * dbh).exp()).powf(c1)) * height.powf(c)
            }
            Form::Formula(ref formula) => formula.value(dbh, height),
            Form::DampedPower { a, b, b1, c } => {
                a * dbh.powf(b) * height.powf(c) * (-b1 * dbh).exp()
            }
            Form::LinearByDbh {
                limit,
                b0_small,
                b1_small,
                b0_large,
                b1_large,
            } => {
                let d2h = dbh * dbh * height;
                // 20.5 in, kept as 52.07 cm, must still be 20.5 in.
                if dbh <= limit * (1.0 + 1e-12) {
                    b0_small + b1_small * d2h
                } else {
                    b0_large + b1_large * d2h
                }
            }
        }
    }
}

/// Share of the stem volume that lies below a height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ratio {
    /// Two-parameter cumulative share.
    ///
    /// Formula: `R(h) = (1 - (1 - h/H)^alpha)^beta`, with `h` height above ground and `H` total
    /// height in the same unit; 0 at the ground and 1 at the tip. Domain: `0 <= h <= H`.
    /// Source: Westfall et al. 2024, GTR WO-104, model 6.
    TwoParameter {
        /// Exponent inside.
        alpha: f64,
        /// Exponent outside.
        beta: f64,
    },
}

/// Every ratio form.
pub const RATIO_SPECS: &[Spec<Ratio>] = &[Spec {
    name: "cumulative-ratio",
    coefficients: &["alpha", "beta"],
    formula: "R(h) = (1 - (1 - h/H)^alpha)^beta",
    build: |c| Ratio::TwoParameter {
        alpha: c[0],
        beta: c[1],
    },
}];

impl Ratio {
    /// Share of the volume below a relative height `h/H`, which is held within 0 and 1.
    pub fn share_below(&self, relative_height: f64) -> f64 {
        let Ratio::TwoParameter { alpha, beta } = *self;
        (1.0 - (1.0 - relative_height.clamp(0.0, 1.0)).powf(alpha)).powf(beta)
    }

    /// How fast the share grows with relative height: its derivative, 0 at the tip.
    ///
    /// Formula: `alpha beta x^(alpha - 1) (1 - x^alpha)^(beta - 1)`, `x = 1 - h/H`. Domain:
    /// `0 < h/H <= 1`; at the ground it may be infinite (`beta < 1`).
    pub fn density(&self, relative_height: f64) -> f64 {
        let Ratio::TwoParameter { alpha, beta } = *self;
        let x = 1.0 - relative_height.clamp(0.0, 1.0);
        alpha * beta * x.powf(alpha - 1.0) * (1.0 - x.powf(alpha)).powf(beta - 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn build(name: &str, coefficients: &[f64]) -> Form {
        let spec = SPECS.iter().find(|spec| spec.name == name).unwrap();
        assert_eq!(spec.coefficients.len(), coefficients.len());
        (spec.build)(coefficients)
    }

    #[test]
    fn names_are_unique_and_every_coefficient_is_in_the_formula() {
        for (i, spec) in SPECS.iter().enumerate() {
            assert!(SPECS[..i].iter().all(|other| other.name != spec.name));
            for coefficient in spec.coefficients {
                assert!(spec.formula.contains(coefficient), "{}", spec.name);
            }
        }
    }

    #[test]
    fn the_segmented_power_is_continuous_where_its_exponent_changes() {
        // Coefficients of an invented tree; continuity is a property of the form.
        let form = build("segmented-power", &[0.002, 1.9, 1.6, 1.1, 9.0]);
        let (below, at) = (form.value(9.0 - 1e-9, 60.0), form.value(9.0, 60.0));
        assert!((below / at - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_dbh_limit_itself_belongs_to_the_small_trees() {
        // "Small pair up to 20.5 in": Douglas-fir coefficients of GTR INT-133; worked by hand:
        // 25.332 + 0.01003 x 20.5^2 x 100 = 446.84275; 9.522 + 0.01011 x 20.6^2 x 100 = 438.5499...
        let form = build("linear-by-dbh", &[20.5, 25.332, 0.01003, 9.522, 0.01011]);
        assert!((form.value(20.5, 100.0) - 446.842_75).abs() < 1e-9);
        assert!((form.value(20.6, 100.0) - 438.549_96).abs() < 1e-9);
    }

    #[test]
    fn the_share_below_the_tip_is_the_whole() {
        let ratio = (RATIO_SPECS[0].build)(&[2.2, 0.8]);
        assert_eq!(format!("{}", ratio.share_below(1.0)), "1");
        assert_eq!(format!("{}", ratio.share_below(1.7)), "1");
        assert_eq!(format!("{}", ratio.share_below(0.0)), "0");
        assert!(ratio.share_below(0.3) < ratio.share_below(0.4));
    }
}
