//! What must hold for any formula: its value is that of the tree from which it was written, and no
//! text whatever makes the reader panic.

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use spinney::species::expression::{Expression, Formula};

/// A formula as the test holds it.
#[derive(Clone, Debug)]
enum Node {
    Number(f64),
    Name(&'static str),
    Negative(Box<Node>),
    Infix(char, Box<Node>, Box<Node>),
    Call(&'static str, Vec<Node>),
}

const SIZES: [(&str, f64); 4] = [
    ("dbh_cm", 37.5),
    ("height_m", 24.25),
    ("b0", -1.25),
    ("b_1", 0.75),
];

fn node() -> impl Strategy<Value = Node> {
    let leaf = prop_oneof![
        (0.0..4.0_f64).prop_map(Node::Number),
        (1..9_u32).prop_map(|n| Node::Number(f64::from(n))),
        (1e-6..1e-3_f64).prop_map(Node::Number),
        select(&SIZES[..]).prop_map(|(name, _)| Node::Name(name)),
    ];
    leaf.prop_recursive(6, 60, 3, |inner| {
        let operators: &[char] = &['+', '-', '*', '/', '^'];
        let one: &[&str] = &["exp", "ln", "log10", "sqrt", "abs"];
        let two: &[&str] = &["pow", "min", "max"];
        prop_oneof![
            2 => inner.clone().prop_map(|node| Node::Negative(Box::new(node))),
            6 => (select(operators), inner.clone(), inner.clone())
                .prop_map(|(operator, a, b)| Node::Infix(operator, Box::new(a), Box::new(b))),
            2 => (select(one), inner.clone()).prop_map(|(name, node)| Node::Call(name, vec![node])),
            2 => (select(two), inner.clone(), inner)
                .prop_map(|(name, a, b)| Node::Call(name, vec![a, b])),
        ]
    })
}

impl Node {
    fn value(&self) -> f64 {
        match self {
            Node::Number(number) => *number,
            Node::Name(wanted) => SIZES.iter().find(|(name, _)| name == wanted).unwrap().1,
            Node::Negative(node) => -node.value(),
            Node::Infix(operator, a, b) => {
                let (a, b) = (a.value(), b.value());
                match operator {
                    '+' => a + b,
                    '-' => a - b,
                    '*' => a * b,
                    '/' => a / b,
                    _ => a.powf(b),
                }
            }
            Node::Call(name, values) => {
                let values: Vec<f64> = values.iter().map(Node::value).collect();
                match (*name, &values[..]) {
                    ("exp", [x]) => x.exp(),
                    ("ln", [x]) => x.ln(),
                    ("log10", [x]) => x.log10(),
                    ("sqrt", [x]) => x.sqrt(),
                    ("abs", [x]) => x.abs(),
                    ("pow", [a, b]) => a.powf(*b),
                    ("min" | "max", [a, b]) if a.is_nan() || b.is_nan() => f64::NAN,
                    ("min", [a, b]) => a.min(*b),
                    ("max", [a, b]) => a.max(*b),
                    other => panic!("{other:?}"),
                }
            }
        }
    }

    /// How closely it binds: sums 1, products 2, signs 3, powers 4, the rest 5.
    fn level(&self) -> u8 {
        match self {
            Node::Infix('+' | '-', ..) => 1,
            Node::Infix('*' | '/', ..) => 2,
            Node::Negative(_) => 3,
            Node::Infix(..) => 4,
            Node::Number(_) | Node::Name(_) | Node::Call(..) => 5,
        }
    }

    /// As text, with no more parentheses than the rules of mathematics ask for where `least` is
    /// the loosest binding that may stand bare.
    fn text(&self, least: u8) -> String {
        if self.level() < least {
            return format!("({})", self.text(0));
        }
        match self {
            Node::Number(number) if *number < 1e-3 => format!("{number:e}"),
            Node::Number(number) => number.to_string(),
            Node::Name(name) => (*name).to_owned(),
            Node::Negative(node) => format!("-{}", node.text(3)),
            Node::Infix('^', a, b) => format!("{}^{}", a.text(5), b.text(3)),
            Node::Infix(operator, a, b) => {
                let level = self.level();
                format!("{} {operator} {}", a.text(level), b.text(level + 1))
            }
            Node::Call(name, values) => {
                let values: Vec<String> = values.iter().map(|value| value.text(0)).collect();
                format!("{name}({})", values.join(", "))
            }
        }
    }
}

fn formula(text: &str) -> Formula {
    let expression = Expression::read(text).unwrap_or_else(|faults| panic!("{text}: {faults:?}"));
    let value = |wanted: &str| SIZES.iter().find(|(name, _)| *name == wanted).map(|s| s.1);
    expression.with_coefficients(value).unwrap()
}

fn same(a: f64, b: f64) -> bool {
    if a.is_finite() && b.is_finite() {
        return (a - b).abs() <= 1e-12 * a.abs();
    }
    (a.is_nan() && b.is_nan()) || a.total_cmp(&b).is_eq()
}

/// Pieces of formulas, sound and not, to be strung together.
const PIECES: &[&str] = &[
    "exp(",
    "ln(",
    "pow(",
    "min(",
    "max(",
    "sqrt",
    "foo(",
    "(",
    ")",
    "((",
    "))",
    ",",
    "+",
    "-",
    "*",
    "/",
    "^",
    "**",
    "dbh_cm",
    "height_ft",
    "dbh",
    "b0",
    "pi",
    "1",
    ".5",
    "1e",
    "1e-4",
    "1.2.3",
    " ",
    "\t",
    "\n",
    "{",
    "}",
    "@",
    "<",
    ">",
    "²",
    "−",
    "é",
    "\u{feff}",
    "🌲",
    "\0",
    "\"",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_formula_has_the_value_of_its_tree(node in node()) {
        let text = node.text(0);
        prop_assume!(text.len() <= 1000);
        let (ours, wanted) = (formula(&text).value(37.5, 24.25), node.value());
        prop_assert!(same(ours, wanted), "{}: {} is not {}", text, ours, wanted);
    }

    #[test]
    fn pieces_of_formulas_are_read_or_refused(pieces in vec(select(PIECES), 0..40)) {
        read_or_refuse(&pieces.concat());
    }

    #[test]
    fn any_text_is_read_or_refused(text in any::<String>()) {
        read_or_refuse(&text);
    }

    #[test]
    fn a_formula_with_a_hole_is_read_or_refused(node in node(), hole in 0..1000_usize) {
        let mut text: Vec<char> = node.text(0).chars().collect();
        let hole = hole % text.len();
        text.remove(hole);
        read_or_refuse(&text.into_iter().collect::<String>());
    }
}

fn read_or_refuse(text: &str) {
    match Expression::read(text) {
        Ok(expression) => {
            let _ = expression.units(&["b0"]);
            let formula = expression.with_coefficients(|_| Some(1.0)).unwrap();
            let _ = formula.value(30.0, 20.0);
        }
        Err(faults) => {
            assert!(!faults.is_empty());
            for fault in faults {
                // Whatever the expression crate would refuse was found before, with its place.
                assert!(
                    !fault.message.contains("cannot be read"),
                    "{text}: {fault:?}"
                );
                assert!(fault.at <= text.chars().count(), "{text}: {fault:?}");
            }
        }
    }
}

#[test]
fn deep_and_long_texts_do_not_exhaust_the_stack() {
    for piece in ["(", "-", "exp(", "pow(1,", "1^", "min(", "(-", "1+("] {
        for repeats in [51, 200, 100_000] {
            read_or_refuse(&piece.repeat(repeats));
            read_or_refuse(&format!("{}1", piece.repeat(repeats)));
            let closed = format!("{}1{}", piece.repeat(repeats), ")".repeat(repeats));
            read_or_refuse(&closed);
        }
    }
}

#[test]
fn formulas_are_shared_between_threads() {
    fn shared<T: Send + Sync>(_: &T) {}
    let formula = formula("exp(b0 + b_1 * ln(dbh_cm) + 0.9 * ln(height_m))");
    shared(&formula);
    let alone = formula.value(30.0, 25.0);
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                for _ in 0..1000 {
                    assert_eq!(formula.value(30.0, 25.0).to_bits(), alone.to_bits());
                }
            });
        }
    });
}
