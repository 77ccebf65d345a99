//! Functional forms that give a volume, a mass or a diameter straight from dbh and height, or the
//! share of a volume below a height.
//!
//! In: coefficients as printed, dbh and height in the units of the publication. Out: the result
//! in the unit of the publication. Units are converted outside (`equation::Units`).
//!
//! To add a form: a variant, its [`Spec`] in [`SPECS`], its formula in `value`, its test.

use std::f64::consts::PI;

use crate::species::expression::Formula;
use crate::species::form_factor::{self, FormFactor};
use crate::species::inside_bark::{self, InsideBark};
use crate::species::regional::{self, Regional};
use crate::units::M_PER_FT;

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
    /// Squared dbh over a function of height.
    ///
    /// Formula: `V = f D^2 / (c1 + k c2/H)`. `f` and `k` are 1 in the district equations of
    /// Newfoundland; in those of 1974 and 1983 `k = 0.3048` and `f = g (1 - 0.04365 b2)^2`, with
    /// `g` 0.00439 and 0.0043891. The constants are conversions from feet and inches and belong to
    /// the form. Domain: `D > 0`, `H > 0`, a positive denominator; `c1` may be negative.
    /// Source: Honer, Ker & Alemdag 1983, Can. For. Serv. Inf. Rep. M-X-140; Ker 1974, Inf. Rep.
    /// N-X-122; Warren & Meades 1986, Inf. Rep. N-X-242 (all as carried in a later document).
    SquareOverHyperbola {
        /// `f`.
        factor: f64,
        /// Constant of the denominator.
        c1: f64,
        /// `k c2`, the part of the denominator that falls with height.
        c2: f64,
    },
    /// A constant and a power whose exponents of dbh and height add to three.
    ///
    /// Formula: `V = alpha + beta D^gamma H^(3 - gamma)`, `D` and `H` in the same unit (m).
    /// Domain: `D > 0`, `H > 0`; negative for small trees where `alpha` is.
    /// Source: Sharma 2021, Forests 12:1270 (as carried in a later document).
    Sharma2021 {
        /// Constant.
        alpha: f64,
        /// Factor.
        beta: f64,
        /// Exponent of dbh.
        gamma: f64,
    },
    /// Merchantable volume by slenderness and the cylinder on dbh and height.
    ///
    /// Formula: `V = b1 H/D + b2 C + b3 C D`, `C = pi D^2 H / 40` the volume of the cylinder in
    /// dm3 with `D` in cm and `H` in m; 0 for `D < 9.1`. Fixed effects only. Domain: `D > 0`;
    /// negative for very slender small trees.
    /// Source: Fortin et al. 2007, For. Chron. 83:754-765 (as carried in a later document).
    Fortin2007 {
        /// Coefficient of slenderness.
        b1: f64,
        /// Share of the cylinder.
        b2: f64,
        /// Change of that share with dbh.
        b3: f64,
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
    /// Power of dbh alone.
    ///
    /// Formula: `Y = a D^b`. Domain: `D > 0`.
    /// Source: Lambert, Ung & Raulier 2005, Can. J. For. Res. 35, dbh set.
    PowerDbh {
        /// Factor.
        a: f64,
        /// Exponent of dbh.
        b: f64,
    },
    /// Exponential of a line in the logarithm of dbh.
    ///
    /// Formula: `Y = exp(b0 + b1 ln D)`. Domain: `D > 0`.
    /// Source: Jenkins, Chojnacky, Heath & Birdsey 2003, Forest Science 49 (as carried in a later
    /// document).
    ExpLog {
        /// Constant.
        b0: f64,
        /// Slope.
        b1: f64,
    },
    /// Share of the total mass that is in one component of the tree: to be multiplied by the total
    /// of the same tree.
    ///
    /// Formula: `R = exp(b0 + b1 / D)`. Domain: `D > 0`; the shares of very small trees add up
    /// to more than one.
    /// Source: Jenkins et al. 2003 (as carried in a later document).
    ComponentRatio {
        /// Logarithm of the share in a very thick tree.
        b0: f64,
        /// Rate of its change with 1/dbh.
        b1: f64,
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
    /// Logarithms and lines of regional tables of the United States.
    Regional(Regional),
    /// Volume by a form factor; in inches, feet and cubic feet.
    ByFormFactor(FormFactor),
    /// Diameter inside bark at breast height.
    InsideBark(InsideBark),
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
        name: "square-over-hyperbola",
        coefficients: &["c1", "c2"],
        formula: "V = D^2 / (c1 + c2/H)",
        build: |c| Form::SquareOverHyperbola {
            factor: 1.0,
            c1: c[0],
            c2: c[1],
        },
    },
    Spec {
        name: "honer-1974",
        coefficients: &["b2", "c1", "c2"],
        formula: "V = 0.00439 D^2 (1 - 0.04365 b2)^2 / (c1 + 0.3048 c2/H)",
        build: |c| honer(0.00439, c),
    },
    Spec {
        name: "honer-1983",
        coefficients: &["b2", "c1", "c2"],
        formula: "V = 0.0043891 D^2 (1 - 0.04365 b2)^2 / (c1 + 0.3048 c2/H)",
        build: |c| honer(0.004_389_1, c),
    },
    Spec {
        name: "sharma-2021",
        coefficients: &["alpha", "beta", "gamma"],
        formula: "V = alpha + beta D^gamma H^(3 - gamma)",
        build: |c| Form::Sharma2021 {
            alpha: c[0],
            beta: c[1],
            gamma: c[2],
        },
    },
    Spec {
        name: "fortin-2007",
        coefficients: &["b1", "b2", "b3"],
        formula: "V = b1 H/D + b2 C + b3 C D; C = pi D^2 H / 40; V = 0 for D < 9.1",
        build: |c| Form::Fortin2007 {
            b1: c[0],
            b2: c[1],
            b3: c[2],
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
        name: "power-dbh",
        coefficients: &["a", "b"],
        formula: "Y = a D^b",
        build: |c| Form::PowerDbh { a: c[0], b: c[1] },
    },
    Spec {
        name: "exp-log",
        coefficients: &["b0", "b1"],
        formula: "Y = exp(b0 + b1 ln D)",
        build: |c| Form::ExpLog { b0: c[0], b1: c[1] },
    },
    Spec {
        name: "component-ratio",
        coefficients: &["b0", "b1"],
        formula: "R = exp(b0 + b1 / D), times the total mass",
        build: |c| Form::ComponentRatio { b0: c[0], b1: c[1] },
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
    regional::LOG10_POWER,
    regional::DAMPED_LOG10_POWER,
    regional::LOG10_QUADRATIC,
    regional::EXP_POWER_CURVED,
    regional::SCORED_POWER,
    regional::LINEAR_D2H,
    regional::LINEAR_BY_D2H,
    form_factor::BY_HEIGHT_RANGE,
    form_factor::WITH_BREAST_HEIGHT,
    form_factor::HELD_WITHIN,
    inside_bark::POWER,
    inside_bark::LINE,
    inside_bark::STUMP,
];

/// The quotient of 1974 and 1983 of its factor and `b2`, `c1`, `c2` as printed.
fn honer(factor: f64, c: &[f64]) -> Form {
    let taper = 1.0 - 0.043_65 * c[0];
    Form::SquareOverHyperbola {
        factor: factor * taper * taper,
        c1: c[1],
        c2: M_PER_FT * c[2],
    }
}

impl Form {
    /// Does it need a height?
    pub fn uses_height(&self) -> bool {
        match self {
            Form::PowerDbh { .. }
            | Form::ExpLog { .. }
            | Form::ComponentRatio { .. }
            | Form::InsideBark(_) => false,
            Form::Formula(formula) => formula.uses_height(),
            _ => true,
        }
    }

    /// Volume for a dbh and a total height, all in the units of the publication. May be negative
    /// or not finite outside the domain; the caller decides what that means.
    pub fn value(&self, dbh: f64, height: f64) -> f64 {
        match *self {
            Form::ExpPower { b0, b1, b2 } => b0.exp() * dbh.powf(b1) * height.powf(b2),
            Form::SquareOverHyperbola { factor, c1, c2 } => factor * dbh * dbh / (c1 + c2 / height),
            Form::Sharma2021 { alpha, beta, gamma } => {
                alpha + beta * dbh.powf(gamma) * height.powf(3.0 - gamma)
            }
            Form::Fortin2007 { b1, b2, b3 } => {
                if dbh < 9.1 {
                    return 0.0;
                }
                let cylinder = PI * dbh * dbh * height / 40.0;
                b1 * height / dbh + cylinder * (b2 + b3 * dbh)
            }
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
            Form::PowerDbh { a, b } => a * dbh.powf(b),
            Form::ExpLog { b0, b1 } => (b0 + b1 * dbh.ln()).exp(),
            Form::ComponentRatio { b0, b1 } => (b0 + b1 / dbh).exp(),
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
            Form::Regional(regional) => regional.volume(dbh, height),
            Form::ByFormFactor(factor) => factor.volume(dbh, height),
            Form::InsideBark(form) => form.diameter(dbh),
        }
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
    fn quotients_are_the_printed_volumes() {
        // Newfoundland, district 12, 20 cm x 15 m: 0.206 and 0.201 m3 (N-X-242, p. 20 and 31).
        let fir = build("square-over-hyperbola", &[223.389, 25844.6]);
        let spruce = build("square-over-hyperbola", &[564.943, 21351.5]);
        assert_eq!(format!("{:.3}", fir.value(20.0, 15.0)), "0.206");
        assert_eq!(format!("{:.3}", spruce.value(20.0, 15.0)), "0.201");
        // Black spruce 1983, 20 cm x 17 m, by hand: (1 - 0.0071586)^2 = 0.9857340;
        // 0.0043891 x 400 x 0.9857340 / (1.588 + 101.60935/17) = 0.2287627.
        let spruce = build("honer-1983", &[0.164, 1.588, 333.364]);
        assert!((spruce.value(20.0, 17.0) - 0.228_762_7).abs() < 1e-7);
        // White spruce 1974, 25 cm x 18 m, by hand: (1 - 0.0076824)^2 = 0.9846942;
        // 0.00439 x 625 x 0.9846942 / (2.184 + 87.53277/18) = 0.3833945.
        let spruce = build("honer-1974", &[0.176, 2.184, 287.181]);
        assert!((spruce.value(25.0, 18.0) - 0.383_394_5).abs() < 1e-7);
    }

    #[test]
    fn quebec_has_no_merchantable_volume_below_its_least_dbh() {
        // Paper birch, Fortin et al. 2007, 20 cm x 20 m, by hand: C = pi 400 x 20 / 40 = 628.31853;
        // -16.000108490313 + 0.43866084427706 x 628.31853 = 259.61863 dm3.
        let form = build(
            "fortin-2007",
            &[-16.000_108_490_313, 0.438_660_844_277_06, 0.0],
        );
        assert!((form.value(20.0, 20.0) - 259.618_63).abs() < 1e-4);
        assert!(form.value(9.1, 8.0) > 0.0);
        assert_eq!(format!("{}", form.value(9.09, 8.0)), "0");
    }

    #[test]
    fn dbh_in_metres_gives_the_volume_of_2021() {
        // Red pine inside bark, 0.30 m x 22 m; 0.71142 m3, computed independently from Sharma 2021,
        // table 2.
        let form = build("sharma-2021", &[0.000_506, 0.176, 1.834]);
        assert!((form.value(0.3, 22.0) - 0.711_42).abs() < 5e-6);
    }
}
