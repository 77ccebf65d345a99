//! The tree of a formula, built by the operators that the expression crate applies.
//!
//! `exmex` reads the text and applies operators to values. Here the values are trees: its result
//! is the tree of the formula, which is evaluated without it. That crate binds a sign closer than
//! a power and raises from left to right; [`Tree::raised`] sets both right, as mathematics has
//! it: `-x^2 = -(x^2)`, `a^b^c = a^(b^c)`.

use exmex::{BinOp, Express, FlatEx, MakeOperators, MatchLiteral, Operator};

/// A function of one value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Function {
    Exp,
    Ln,
    Log10,
    Sqrt,
    Abs,
}

/// An operation on two values, but for the power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Operation {
    Add,
    Subtract,
    Multiply,
    Divide,
    Min,
    Max,
}

/// A formula over leaves of some kind.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Tree<L> {
    Leaf(L),
    /// Parentheses: what is inside is closed to [`Tree::raised`].
    Group(Box<Tree<L>>),
    Negative(Box<Tree<L>>),
    Power(Box<Tree<L>>, Box<Tree<L>>),
    Call(Function, Box<Tree<L>>),
    Pair(Operation, Box<Tree<L>>, Box<Tree<L>>),
}

/// A leaf as read.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Symbol {
    Number(f64),
    Name(String),
}

/// A leaf that has a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Operand {
    Number(f64),
    Dbh,
    Height,
}

impl<L> Tree<L> {
    /// `self ^ exponent`, where `self` is what a reader from left to right has so far.
    fn raised(self, exponent: Tree<L>) -> Tree<L> {
        match self {
            Tree::Negative(base) => Tree::Negative(Box::new(base.raised(exponent))),
            Tree::Power(base, inner) => Tree::Power(base, Box::new(inner.raised(exponent))),
            base => Tree::Power(Box::new(base), Box::new(exponent)),
        }
    }

    /// The same tree over other leaves, without its parentheses; `None` if a leaf has no other.
    pub(super) fn map<M>(&self, leaf: &impl Fn(&L) -> Option<M>) -> Option<Tree<M>> {
        let boxed = |tree: &Tree<L>| tree.map(leaf).map(Box::new);
        Some(match self {
            Tree::Leaf(old) => Tree::Leaf(leaf(old)?),
            Tree::Group(inside) => return inside.map(leaf),
            Tree::Negative(value) => Tree::Negative(boxed(value)?),
            Tree::Power(base, exponent) => Tree::Power(boxed(base)?, boxed(exponent)?),
            Tree::Call(function, value) => Tree::Call(*function, boxed(value)?),
            Tree::Pair(operation, left, right) => {
                Tree::Pair(*operation, boxed(left)?, boxed(right)?)
            }
        })
    }
}

impl Tree<Operand> {
    pub(super) fn value(&self, dbh: f64, height: f64) -> f64 {
        let of = |tree: &Tree<Operand>| tree.value(dbh, height);
        match self {
            Tree::Leaf(Operand::Number(number)) => *number,
            Tree::Leaf(Operand::Dbh) => dbh,
            Tree::Leaf(Operand::Height) => height,
            Tree::Group(inside) => of(inside),
            Tree::Negative(value) => -of(value),
            Tree::Power(base, exponent) => of(base).powf(of(exponent)),
            Tree::Call(function, value) => function.of(of(value)),
            Tree::Pair(operation, left, right) => operation.of(of(left), of(right)),
        }
    }
}

impl Function {
    fn of(self, x: f64) -> f64 {
        match self {
            Function::Exp => x.exp(),
            Function::Ln => x.ln(),
            Function::Log10 => x.log10(),
            Function::Sqrt => x.sqrt(),
            Function::Abs => x.abs(),
        }
    }
}

impl Operation {
    fn of(self, a: f64, b: f64) -> f64 {
        match self {
            Operation::Add => a + b,
            Operation::Subtract => a - b,
            Operation::Multiply => a * b,
            Operation::Divide => a / b,
            // `f64::min` would hide the logarithm of a negative number.
            Operation::Min | Operation::Max if a.is_nan() || b.is_nan() => f64::NAN,
            Operation::Min => a.min(b),
            Operation::Max => a.max(b),
        }
    }
}

/// Marks a parenthesis for the expression crate. Not a character of formulas.
pub(super) const GROUP: &str = "@";
/// Stands between the arguments of `min`. Not a character of formulas.
pub(super) const MIN: &str = "<";
/// Stands between the arguments of `max`. Not a character of formulas.
pub(super) const MAX: &str = ">";

/// The tree of a text in the spelling of [`super::scan`].
pub(super) fn build(spelled: &str) -> Result<Tree<Symbol>, String> {
    let expression =
        FlatEx::<Tree<Symbol>, Operators, Literals>::parse(spelled).map_err(|e| e.to_string())?;
    let names = expression.var_names().iter();
    let leaves: Vec<Tree<Symbol>> = names
        .map(|name| Tree::Leaf(Symbol::Name(name.clone())))
        .collect();
    expression.eval(&leaves).map_err(|e| e.to_string())
}

// The expression crate needs a default to leave behind where it takes a value.
impl Default for Tree<Symbol> {
    fn default() -> Self {
        Tree::Leaf(Symbol::Number(0.0))
    }
}

// Literals of the expression crate.
impl std::str::FromStr for Tree<Symbol> {
    type Err = std::num::ParseFloatError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        text.parse()
            .map(|number| Tree::Leaf(Symbol::Number(number)))
    }
}

#[derive(Clone, Debug)]
struct Literals;

impl MatchLiteral for Literals {
    fn is_literal(text: &str) -> Option<&str> {
        super::scan::number(text)
    }
}

fn call(function: Function, value: Tree<Symbol>) -> Tree<Symbol> {
    Tree::Call(function, Box::new(value))
}

fn pair(operation: Operation, left: Tree<Symbol>, right: Tree<Symbol>) -> Tree<Symbol> {
    Tree::Pair(operation, Box::new(left), Box::new(right))
}

#[derive(Clone, Debug)]
struct Operators;

impl MakeOperators<Tree<Symbol>> for Operators {
    fn make<'a>() -> Vec<Operator<'a, Tree<Symbol>>> {
        type Value = Tree<Symbol>;
        let binary = |apply: fn(Value, Value) -> Value, prio: i64| BinOp {
            apply,
            prio,
            // Keeps numbers in the order of the text.
            is_commutative: false,
        };
        vec![
            Operator::make_bin("^", binary(Tree::raised, 3)),
            Operator::make_bin("*", binary(|a, b| pair(Operation::Multiply, a, b), 2)),
            Operator::make_bin("/", binary(|a, b| pair(Operation::Divide, a, b), 2)),
            Operator::make_bin_unary("+", binary(|a, b| pair(Operation::Add, a, b), 1), |a| a),
            Operator::make_bin_unary(
                "-",
                binary(|a, b| pair(Operation::Subtract, a, b), 1),
                |a| Tree::Negative(Box::new(a)),
            ),
            Operator::make_bin(MIN, binary(|a, b| pair(Operation::Min, a, b), 0)),
            Operator::make_bin(MAX, binary(|a, b| pair(Operation::Max, a, b), 0)),
            Operator::make_unary(GROUP, |a| Tree::Group(Box::new(a))),
            Operator::make_unary("exp", |a| call(Function::Exp, a)),
            Operator::make_unary("ln", |a| call(Function::Ln, a)),
            Operator::make_unary("log10", |a| call(Function::Log10, a)),
            Operator::make_unary("sqrt", |a| call(Function::Sqrt, a)),
            Operator::make_unary("abs", |a| call(Function::Abs, a)),
        ]
    }
}
