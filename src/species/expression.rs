//! A user's own equation: a formula written as text, checked, and evaluated for dbh and height.
//!
//! In: a text such as `exp(b0 + b1 * ln(dbh_cm) + b2 * ln(height_m))`, and the values of its
//! coefficients. Out: a [`Formula`], or everything that is wrong with the text, each with the
//! character at which it stands. Evaluation allocates nothing and keeps no state.

mod scan;
mod tree;

use std::sync::Arc;

use tree::{Operand, Symbol, Tree};

/// What a variable of a formula stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Size {
    /// Diameter at breast height.
    Dbh,
    /// Total height.
    Height,
}

/// The variables: name, size, unit as it is named in the head of a set.
pub const VARIABLES: &[(&str, Size, &str)] = &[
    ("dbh_cm", Size::Dbh, "cm"),
    ("dbh_in", Size::Dbh, "in"),
    ("dbh_m", Size::Dbh, "m"),
    ("height_m", Size::Height, "m"),
    ("height_ft", Size::Height, "ft"),
];

/// Names that mean a size but not its unit.
const WITHOUT_UNIT: &[(&str, Size)] = &[
    ("d", Size::Dbh),
    ("dbh", Size::Dbh),
    ("diameter", Size::Dbh),
    ("h", Size::Height),
    ("height", Size::Height),
    ("ht", Size::Height),
];

/// Something wrong with a formula.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Character of the formula at which it stands, from 0.
    pub at: usize,
    /// Short stable name of the kind of fault.
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// What would be right, if that can be said.
    pub hint: Option<String>,
}

/// A name in a formula: a variable or a coefficient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Name {
    /// The name in lower case.
    pub name: String,
    /// Character of the formula at which it first stands, from 0.
    pub at: usize,
}

/// A formula as read: its coefficients have no values yet.
#[derive(Clone, Debug)]
pub struct Expression {
    text: String,
    tree: Tree<Symbol>,
    names: Vec<Name>,
}

/// The units of the variables of a formula; `None` where it has no such variable.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct VariableUnits {
    /// Unit of dbh.
    pub dbh: Option<&'static str>,
    /// Unit of height.
    pub height: Option<&'static str>,
}

/// A formula whose coefficients have values.
#[derive(Clone, Debug, PartialEq)]
pub struct Formula(Arc<Bound>);

#[derive(Debug, PartialEq)]
struct Bound {
    text: String,
    coefficients: Vec<String>,
    tree: Tree<Operand>,
}

impl Fault {
    fn new(at: usize, code: &'static str, message: impl Into<String>) -> Fault {
        Fault {
            at,
            code,
            message: message.into(),
            hint: None,
        }
    }

    fn hint(self, hint: impl Into<String>) -> Fault {
        Fault {
            hint: Some(hint.into()),
            ..self
        }
    }
}

/// The variable of this name.
fn variable(name: &str) -> Option<(Size, &'static str)> {
    VARIABLES
        .iter()
        .find(|(known, ..)| *known == name)
        .map(|(_, size, unit)| (*size, *unit))
}

fn nearest_or_all(word: &str, known: &[&str]) -> String {
    let near = known
        .iter()
        .map(|name| (strsim::osa_distance(word, name), *name))
        .min()
        .filter(|(distance, name)| *distance <= name.len().max(word.len()) / 2);
    match near {
        Some((_, name)) => format!("did you mean `{name}`?"),
        None => format!("known are {}", known.join(", ")),
    }
}

impl Expression {
    /// Reads a formula. Operators are `+ - * / ^` with parentheses and the precedence of
    /// mathematics; functions `exp ln log10 sqrt abs pow(a, b) min(a, b) max(a, b)`; `pi` is the
    /// number. Upper and lower case are the same.
    pub fn read(text: &str) -> Result<Expression, Vec<Fault>> {
        let scanned = scan::scan(text)?;
        let tree = tree::build(&scanned.spelled).map_err(|message| {
            let message = format!("the formula cannot be read: {message}");
            vec![Fault::new(0, "formula-syntax", message)]
        })?;
        Ok(Expression {
            text: text.to_owned(),
            tree,
            names: scanned.names,
        })
    }

    /// The formula as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Names that are no variables, each once, in the order of the text.
    pub fn coefficients(&self) -> impl Iterator<Item = &Name> {
        self.names
            .iter()
            .filter(|name| variable(&name.name).is_none())
    }

    /// The units of the variables. A size in two units is a fault, and so is a name that has no
    /// column of coefficients: a size without unit, or a slip. A formula without any size is one too.
    pub fn units(&self, columns: &[&str]) -> Result<VariableUnits, Vec<Fault>> {
        let mut units = VariableUnits::default();
        let mut faults = Vec::new();
        for Name { name, at } in &self.names {
            let Some((size, unit)) = variable(name) else {
                if !columns.contains(&name.as_str()) {
                    faults.push(unknown_name(*at, name, columns));
                }
                continue;
            };
            let (held, stem) = match size {
                Size::Dbh => (&mut units.dbh, "dbh"),
                Size::Height => (&mut units.height, "height"),
            };
            match *held {
                Some(first) if first != unit => faults.push(
                    Fault::new(
                        *at,
                        "formula-units",
                        format!("the formula has both `{stem}_{first}` and `{name}`"),
                    )
                    .hint("write it with one of them"),
                ),
                _ => *held = Some(unit),
            }
        }
        if faults.is_empty() && units == VariableUnits::default() {
            let known: Vec<&str> = VARIABLES.iter().map(|(variable, ..)| *variable).collect();
            faults.push(
                Fault::new(0, "formula-units", "the formula has no size of the tree")
                    .hint(format!("variables are {}", known.join(", "))),
            );
        }
        if faults.is_empty() {
            Ok(units)
        } else {
            Err(faults)
        }
    }

    /// The formula with a value for every coefficient; `None` if `value` lacks one.
    pub fn with_coefficients(&self, value: impl Fn(&str) -> Option<f64>) -> Option<Formula> {
        let leaf = |symbol: &Symbol| match symbol {
            Symbol::Number(number) => Some(Operand::Number(*number)),
            Symbol::Name(name) => match variable(name) {
                Some((Size::Dbh, _)) => Some(Operand::Dbh),
                Some((Size::Height, _)) => Some(Operand::Height),
                None => value(name).map(Operand::Number),
            },
        };
        Some(Formula(Arc::new(Bound {
            text: self.text.clone(),
            coefficients: self.coefficients().map(|name| name.name.clone()).collect(),
            tree: self.tree.map(&leaf)?,
        })))
    }
}

fn unknown_name(at: usize, name: &str, columns: &[&str]) -> Fault {
    let without_unit = WITHOUT_UNIT.iter().find(|(word, _)| *word == name);
    if let Some((_, size)) = without_unit {
        let known: Vec<String> = VARIABLES
            .iter()
            .filter(|(_, of, _)| of == size)
            .map(|(variable, ..)| format!("`{variable}`"))
            .collect();
        return Fault::new(
            at,
            "formula-units",
            format!("`{name}` has no unit and no column in the table"),
        )
        .hint(format!("write {}", known.join(" or ")));
    }
    let mut known: Vec<&str> = VARIABLES.iter().map(|(variable, ..)| *variable).collect();
    known.extend(columns);
    Fault::new(
        at,
        "unknown-name",
        format!("`{name}` is no variable and has no column in the table"),
    )
    .hint(nearest_or_all(name, &known))
}

impl Formula {
    /// The formula as written.
    pub fn text(&self) -> &str {
        &self.0.text
    }

    /// Names of its coefficients in the order of the text.
    pub fn coefficients(&self) -> &[String] {
        &self.0.coefficients
    }

    /// Does it name a height?
    pub fn uses_height(&self) -> bool {
        let other = |leaf: &Operand| (!matches!(leaf, Operand::Height)).then_some(());
        self.0.tree.map(&other).is_none()
    }

    /// The result for a dbh and a total height in the units of the formula's variables; in the
    /// unit of the set's result. May be negative or not finite; the caller decides what that
    /// means.
    pub fn value(&self, dbh: f64, height: f64) -> f64 {
        self.0.tree.value(dbh, height)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> f64 {
        let expression = Expression::read(text).unwrap();
        let coefficient = |name: &str| (name == "b0").then_some(-2.0);
        let formula = expression.with_coefficients(coefficient).unwrap();
        formula.value(3.0, 5.0)
    }

    fn faults(text: &str) -> Vec<String> {
        let found = match Expression::read(text) {
            Err(faults) => faults,
            Ok(expression) => expression.units(&["b0"]).err().unwrap_or_default(),
        };
        found
            .iter()
            .map(|fault| {
                let hint = fault.hint.as_deref().unwrap_or("-");
                format!("{}: {}; {hint} [{}]", fault.at, fault.message, fault.code)
            })
            .collect()
    }

    #[test]
    fn precedence_is_that_of_mathematics() {
        // Every right-hand side is worked by hand.
        for (text, right) in [
            ("1 + 2 * 3", 7.0),
            ("7 - 2 - 3", 2.0),
            ("24 / 2 / 3", 4.0),
            ("24 / 2 * 3", 36.0),
            ("2 * 3 / 4", 1.5),
            ("-2^2", -4.0),
            ("(-2)^2", 4.0),
            ("2^3^2", 512.0),
            ("(2^3)^2", 64.0),
            ("2^-1", 0.5),
            ("2^-2^2", 0.0625),
            ("-2^-2", -0.25),
            ("3 - -2^2", 7.0),
            ("2 * -3^2", -18.0),
            ("--2", 2.0),
            ("+2 - +3", -1.0),
            ("-(1 + 2)^2", -9.0),
            ("-pow(2, 3)^2", -64.0),
            ("pow(2, 3)^2", 64.0),
            ("2^pow(2, 3)", 256.0),
            ("pow(pow(2, 3), 2)", 64.0),
            ("pow(2, pow(3, 2))", 512.0),
            ("-abs(-3)^2", -9.0),
            ("b0^2", 4.0),
            ("-b0^2", -4.0),
            ("max(1, min(9, dbh_cm)) * 2", 6.0),
            ("min(max(4, 2), height_m, 4.5)", 4.0),
            ("1e2 + 1.5E-1 + .5 + 2.", 102.65),
            ("sqrt(16) + log10(1000) + exp(0) + ln(1)", 8.0),
            ("DBH_CM * Height_M", 15.0),
        ] {
            assert!((value(text) - right).abs() < 1e-12, "{text} = {right}");
        }
        assert!((value("2 * pi") - std::f64::consts::TAU).abs() < 1e-15);
        assert!(value("max(1, ln(-1))").is_nan());
    }

    #[test]
    fn every_fault_has_its_place() {
        for (text, wrong) in [
            ("", "0: the formula is empty; - [formula-syntax]"),
            (
                "1 +",
                "3: a value is missing at the end of the formula; - [formula-syntax]",
            ),
            (
                "2 ** 3",
                "3: a value is missing before `*`; a power is written `^` [formula-syntax]",
            ),
            (
                "(1 + 2",
                "0: this parenthesis is never closed; - [formula-syntax]",
            ),
            (
                "1) + 2",
                "1: this parenthesis closes none that is open; - [formula-syntax]",
            ),
            (
                "2 dbh_cm",
                "2: an operator is missing before `d`; a product is written `*` [formula-syntax]",
            ),
            (
                "2dbh_cm",
                "1: an operator is missing after `2`; a product is written `*`, ten to a power `1e-4` [formula-syntax]",
            ),
            (
                "b0 (1)",
                "0: there is no function `b0`; known are abs, exp, ln, log10, max, min, pow, sqrt [unknown-function]",
            ),
            (
                "exp 1",
                "0: `exp` is a function and needs parentheses; write `exp(...)` [formula-syntax]",
            ),
            (
                "0,05 * dbh_cm",
                "1: a comma can stand only between the values of a function; decimals are written with a point [formula-syntax]",
            ),
            (
                "ln(1, 2)",
                "2: `ln` takes one value (2); - [formula-syntax]",
            ),
            (
                "pow(1)",
                "3: `pow` takes two values (1); - [formula-syntax]",
            ),
            (
                "exp()",
                "4: a value is missing before `)`; - [formula-syntax]",
            ),
            (
                "1 − 2",
                "2: `−` cannot stand in a formula; a minus is written `-` [formula-syntax]",
            ),
            (
                "log(dbh_cm)",
                "0: there is no function `log`; the natural logarithm is `ln`, that of base ten `log10` [unknown-function]",
            ),
            (
                "sqr(dbh_cm)",
                "0: there is no function `sqr`; did you mean `sqrt`? [unknown-function]",
            ),
            (
                "b0 * D^2",
                "5: `d` has no unit and no column in the table; write `dbh_cm` or `dbh_in` or `dbh_m` [formula-units]",
            ),
            (
                "b1 * height_m",
                "0: `b1` is no variable and has no column in the table; did you mean `b0`? [unknown-name]",
            ),
            (
                "dbh_cm * dbh_in",
                "9: the formula has both `dbh_cm` and `dbh_in`; write it with one of them [formula-units]",
            ),
        ] {
            assert_eq!(faults(text), [wrong], "{text}");
        }
        assert_eq!(faults("log(1) + foo(2, 3) + min(3)").len(), 3);
    }

    #[test]
    fn long_and_deep_formulas_are_refused() {
        let deep = format!("{}1{}", "(".repeat(50), ")".repeat(50));
        assert!((value(&deep) - 1.0).abs() < 1e-15);
        assert_eq!(faults(&format!("({deep})")).len(), 1);
        assert_eq!(faults(&"-".repeat(1001)).len(), 1);
        assert!((value(&format!("{}1", "-".repeat(998))) - 1.0).abs() < 1e-15);
        assert!((value(&format!("1{}", "^1".repeat(499))) - 1.0).abs() < 1e-15);
        assert!((value(&format!("1{}", "+1".repeat(499))) - 500.0).abs() < 1e-9);
    }
}
