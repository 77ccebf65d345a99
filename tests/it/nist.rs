//! NIST Statistical Reference Datasets (public domain): certified values of univariate, linear
//! and nonlinear regression sets. Data and certified values are read from the shared data sets;
//! without these the tests are skipped.
//!
//! One correction: the file of Rat43 prints 9 degrees of freedom; 15 observations less 4
//! parameters are 11, and only 11 gives the certified residual standard deviation.

use std::collections::BTreeMap;
use std::ops::{Add, Div, Mul, Neg, Sub};
use std::path::Path;

use spinney::math::linear::least_squares;
use spinney::math::nonlinear::{Problem, Solver, Status};
use spinney::math::sum::{mean, variance};

use crate::cruise::shared;

const FOLDER: &str = "sources/height-diameter/nist";
/// Digits that count as complete agreement.
const MOST_DIGITS: f64 = 15.0;

fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap()
}

/// Digits of agreement: -log10 of the relative error.
fn digits(ours: f64, certified: f64) -> f64 {
    let error = if certified == 0.0 {
        ours.abs()
    } else {
        (ours / certified - 1.0).abs()
    };
    if error == 0.0 {
        MOST_DIGITS
    } else {
        (-error.log10()).clamp(0.0, MOST_DIGITS)
    }
}

fn column(data: &[BTreeMap<String, String>], name: &str) -> Vec<f64> {
    data.iter().map(|row| number(row, name)).collect()
}

#[test]
fn univariate_sets() {
    let Some(folder) = shared(FOLDER) else { return };
    for certified in rows(&folder.join("certified-univariate.csv")) {
        let name = &certified["dataset"];
        let y = column(&rows(&folder.join(format!("univariate/{name}.csv"))), "y");
        let of_mean = digits(mean(&y), number(&certified, "certified_mean"));
        let sd = variance(&y).unwrap().sqrt();
        let of_sd = digits(sd, number(&certified, "certified_sd_n_minus_1"));
        println!("{name:10} mean {of_mean:4.1} sd {of_sd:4.1} digits");
        // NumAcc4 holds nine-digit values that differ in the last: its data carry no more.
        let wanted = if name == "NumAcc4" { 8.0 } else { 9.0 };
        assert!(of_mean > 12.0 && of_sd > wanted, "{name}");
    }
}

#[test]
fn linear_sets() {
    let Some(folder) = shared(FOLDER) else { return };
    let mut sets: BTreeMap<String, Vec<BTreeMap<String, String>>> = BTreeMap::new();
    for row in rows(&folder.join("certified-linear.csv")) {
        sets.entry(row["dataset"].clone()).or_default().push(row);
    }
    for (name, certified) in &sets {
        let data = rows(&folder.join(format!("linear/{name}.csv")));
        let p = certified.len();
        let intercept = !name.starts_with("NoInt");
        let mut x = Vec::new();
        for row in &data {
            if name == "Longley" {
                x.push(1.0);
                x.extend((1..7).map(|j| number(row, &format!("x{j}"))));
            } else {
                let value = number(row, "x");
                let from = i32::from(!intercept);
                x.extend((from..from + i32::try_from(p).unwrap()).map(|j| value.powi(j)));
            }
        }
        let y = column(&data, "y");
        let solution = least_squares(&x, &y, None, p).unwrap();
        let errors = solution.std_errors(y.len()).unwrap();
        let (mut least, mut least_sd) = (MOST_DIGITS, MOST_DIGITS);
        for ((row, ours), error) in certified.iter().zip(&solution.coefficients).zip(&errors) {
            least = least.min(digits(*ours, number(row, "certified_value")));
            let sd = number(row, "certified_sd");
            // Exact data have a certified sd of 0; ours is rounding.
            if sd > 0.0 {
                least_sd = least_sd.min(digits(*error, sd));
            }
        }
        println!("{name:10} coefficients {least:4.1} sd {least_sd:4.1} digits");
        // Polynomials of high degree, solved without scaling; Wampler4 and Wampler5 with residuals
        // a hundred and a hundred thousand times those of Wampler3.
        let wanted = match name.as_str() {
            "Wampler5" => 5.5,
            "Filip" | "Wampler4" => 7.0,
            _ => 9.0,
        };
        assert!(least > wanted && least_sd > wanted, "{name}");
    }
}

#[test]
fn nonlinear_sets() {
    let Some(folder) = shared(FOLDER) else { return };
    let mut sets: BTreeMap<String, Vec<BTreeMap<String, String>>> = BTreeMap::new();
    for row in rows(&folder.join("certified-nonlinear.csv")) {
        sets.entry(row["dataset"].clone()).or_default().push(row);
    }
    let mut solver = Solver::new();
    // MGH10 creeps along a curved valley from its far start.
    solver.most_iterations = 10_000;
    let mut failed: Vec<(String, &str)> = Vec::new();
    for (name, certified) in &sets {
        let data = rows(&folder.join(format!("nonlinear/{name}.csv")));
        let mut y = column(&data, "y");
        let (x, x2) = if name == "Nelson" {
            for value in &mut y {
                *value = value.ln();
            }
            (column(&data, "x1"), column(&data, "x2"))
        } else {
            (column(&data, "x"), Vec::new())
        };
        let model = |i: usize, b: &[f64], gradient: &mut [f64]| {
            let b: Vec<Dual> = b
                .iter()
                .enumerate()
                .map(|(j, v)| Dual::variable(*v, j))
                .collect();
            let value = evaluate(name, &b, x[i], x2.get(i).copied().unwrap_or(0.0));
            gradient.copy_from_slice(&value.derivatives[..gradient.len()]);
            value.value
        };
        let problem = Problem {
            y: &y,
            weights: None,
            model,
        };
        for start in ["start1", "start2"] {
            let fit = solver.fit(&problem, &column(certified, start));
            let p = certified.len();
            let (mut least, mut least_sd) = (MOST_DIGITS, MOST_DIGITS);
            for (j, row) in certified.iter().enumerate() {
                least = least.min(digits(fit.parameters[j], number(row, "certified_value")));
                let sd = fit.covariance.get(j * p + j).map_or(f64::NAN, |v| v.sqrt());
                least_sd = least_sd.min(digits(sd, number(row, "certified_sd")));
            }
            println!(
                "{name:9} {:8} {start} parameters {least:4.1} sd {least_sd:4.1} digits, {:4} steps, {:?}",
                certified[0]["nist_difficulty"], fit.iterations, fit.status
            );
            // Lanczos1 has residuals of 1e-13: its certified sd lie below double precision.
            let good_sd = least_sd >= 6.0 || name == "Lanczos1";
            if least < 6.0 || !good_sd || fit.status != Status::Converged {
                failed.push((name.clone(), start));
            }
        }
    }
    assert_eq!(failed, []);
}

fn evaluate(name: &str, b: &[Dual], x: f64, x2: f64) -> Dual {
    use std::f64::consts::PI;
    let one = Dual::constant(1.0);
    let c = Dual::constant;
    let polynomial =
        |from: usize, to: usize| (from..to).rev().fold(c(0.0), |sum, j| sum * c(x) + b[j]);
    match name {
        "Misra1a" | "BoxBOD" => b[0] * (one - (-b[1] * c(x)).exp()),
        "Misra1b" => b[0] * (one - (one + b[1] * c(x / 2.0)).powf(c(-2.0))),
        "Misra1c" => b[0] * (one - (one + b[1] * c(2.0 * x)).powf(c(-0.5))),
        "Misra1d" => b[0] * b[1] * c(x) / (one + b[1] * c(x)),
        "Chwirut1" | "Chwirut2" => (-b[0] * c(x)).exp() / (b[1] + b[2] * c(x)),
        "Lanczos1" | "Lanczos2" | "Lanczos3" => {
            let term = |k: usize| b[k] * (-b[k + 1] * c(x)).exp();
            term(0) + term(2) + term(4)
        }
        "Gauss1" | "Gauss2" | "Gauss3" => {
            let bell = |k: usize| {
                let z = (c(x) - b[k + 1]) / b[k + 2];
                b[k] * (-(z * z)).exp()
            };
            b[0] * (-b[1] * c(x)).exp() + bell(2) + bell(5)
        }
        "DanWood" => b[0] * c(x).powf(b[1]),
        "Kirby2" => polynomial(0, 3) / (one + polynomial(3, 5) * c(x)),
        "Hahn1" | "Thurber" => polynomial(0, 4) / (one + polynomial(4, 7) * c(x)),
        "Nelson" => b[0] - b[1] * c(x) * (-b[2] * c(x2)).exp(),
        "MGH17" => b[0] + b[1] * (-b[3] * c(x)).exp() + b[2] * (-b[4] * c(x)).exp(),
        "Roszman1" => b[0] - b[1] * c(x) - (b[2] / (c(x) - b[3])).atan() * c(1.0 / PI),
        "ENSO" => {
            let wave = |period: Dual, k: usize| {
                let angle = c(2.0 * PI * x) / period;
                b[k] * angle.cos() + b[k + 1] * angle.sin()
            };
            b[0] + wave(c(12.0), 1) + wave(b[3], 4) + wave(b[6], 7)
        }
        "MGH09" => b[0] * (c(x * x) + b[1] * c(x)) / (c(x * x) + b[2] * c(x) + b[3]),
        "Rat42" => b[0] / (one + (b[1] - b[2] * c(x)).exp()),
        "MGH10" => b[0] * (b[1] / (c(x) + b[2])).exp(),
        "Eckerle4" => {
            let z = (c(x) - b[2]) / b[1];
            b[0] / b[1] * (c(-0.5) * z * z).exp()
        }
        "Rat43" => b[0] / (one + (b[1] - b[2] * c(x)).exp()).powf(one / b[3]),
        "Bennett5" => b[0] * (b[1] + c(x)).powf(-(one / b[2])),
        other => panic!("no model for {other}"),
    }
}

/// A value with its derivatives by up to nine parameters (forward differentiation).
#[derive(Clone, Copy)]
struct Dual {
    value: f64,
    derivatives: [f64; 9],
}

impl Dual {
    fn constant(value: f64) -> Self {
        Dual {
            value,
            derivatives: [0.0; 9],
        }
    }

    fn variable(value: f64, number: usize) -> Self {
        let mut dual = Dual::constant(value);
        dual.derivatives[number] = 1.0;
        dual
    }

    /// A function of one value, with its slope there.
    fn chain(self, value: f64, slope: f64) -> Self {
        Dual {
            value,
            derivatives: self.derivatives.map(|d| d * slope),
        }
    }

    /// A function of two values, with its slopes there.
    fn join(self, other: Self, value: f64, by_self: f64, by_other: f64) -> Self {
        let mut dual = Dual::constant(value);
        for j in 0..9 {
            dual.derivatives[j] = self.derivatives[j] * by_self + other.derivatives[j] * by_other;
        }
        dual
    }

    fn exp(self) -> Self {
        let e = self.value.exp();
        self.chain(e, e)
    }

    fn atan(self) -> Self {
        self.chain(self.value.atan(), 1.0 / (1.0 + self.value * self.value))
    }

    fn sin(self) -> Self {
        self.chain(self.value.sin(), self.value.cos())
    }

    fn cos(self) -> Self {
        self.chain(self.value.cos(), -self.value.sin())
    }

    fn powf(self, power: Self) -> Self {
        let value = self.value.powf(power.value);
        self.join(
            power,
            value,
            power.value * value / self.value,
            value * self.value.ln(),
        )
    }
}

impl Add for Dual {
    type Output = Dual;
    fn add(self, other: Dual) -> Dual {
        self.join(other, self.value + other.value, 1.0, 1.0)
    }
}

impl Sub for Dual {
    type Output = Dual;
    fn sub(self, other: Dual) -> Dual {
        self.join(other, self.value - other.value, 1.0, -1.0)
    }
}

impl Mul for Dual {
    type Output = Dual;
    fn mul(self, other: Dual) -> Dual {
        self.join(other, self.value * other.value, other.value, self.value)
    }
}

impl Div for Dual {
    type Output = Dual;
    fn div(self, other: Dual) -> Dual {
        let value = self.value / other.value;
        self.join(other, value, 1.0 / other.value, -value / other.value)
    }
}

impl Neg for Dual {
    type Output = Dual;
    fn neg(self) -> Dual {
        self.chain(-self.value, -1.0)
    }
}
