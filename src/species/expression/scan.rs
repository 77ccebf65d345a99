//! The text of a formula, checked word by word, and spelled out for the expression crate.
//!
//! The crate reports no places, so what can be wrong with a text is found here, with the
//! character at which it stands. Calls of `pow`, `min` and `max` become infix operators, because
//! the crate mixes up such calls when one is an argument of another.

use std::iter::Peekable;
use std::str::CharIndices;

use super::tree::{GROUP, MAX, MIN};
use super::{Fault, Name};

/// Functions, and how many values each takes at least and at most.
const FUNCTIONS: &[(&str, usize, usize)] = &[
    ("abs", 1, 1),
    ("exp", 1, 1),
    ("ln", 1, 1),
    ("log10", 1, 1),
    ("max", 2, usize::MAX),
    ("min", 2, usize::MAX),
    ("pow", 2, 2),
    ("sqrt", 1, 1),
];

/// A formula of more characters is refused: no equation of the trade is that long.
const MOST_CHARACTERS: usize = 1000;
/// A formula with more parentheses inside each other is refused.
const MOST_NESTED: usize = 50;

/// A text in the spelling of the expression crate, and the names in it.
pub(super) struct Scanned {
    pub(super) spelled: String,
    pub(super) names: Vec<Name>,
}

/// An open parenthesis.
struct Open {
    at: usize,
    holds: Holds,
    arguments: usize,
}

/// What a parenthesis holds.
#[derive(Clone, Copy, PartialEq)]
enum Holds {
    Group,
    /// The values of a function, by its index.
    Values(usize),
    /// The values of a function that does not exist; that was said where its name stands.
    Unknown,
}

struct Scanner<'t> {
    text: &'t str,
    characters: Peekable<CharIndices<'t>>,
    /// Characters passed.
    at: usize,
    open: Vec<Open>,
    scanned: Scanned,
    faults: Vec<Fault>,
}

/// The number at the start of a text: `12`, `0.5`, `.5`, `1e-4`.
pub(super) fn number(text: &str) -> Option<&str> {
    let digits = |from: usize| {
        let rest = text.as_bytes().get(from..).unwrap_or(&[]);
        rest.iter().take_while(|b| b.is_ascii_digit()).count()
    };
    let byte = |at: usize| text.as_bytes().get(at).copied();
    let whole = digits(0);
    let mut end = whole;
    if byte(end) == Some(b'.') {
        end += 1 + digits(end + 1);
    }
    if whole == 0 && end < 2 {
        return None;
    }
    if matches!(byte(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(byte(end + 1), Some(b'+' | b'-')));
        let exponent = digits(end + 1 + sign);
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    Some(&text[..end])
}

/// Checks a text and spells it out; everything wrong with names and functions is told at once,
/// but the first fault of the syntax ends the reading.
pub(super) fn scan(text: &str) -> Result<Scanned, Vec<Fault>> {
    let length = text.chars().count();
    if length > MOST_CHARACTERS {
        return Err(vec![
            Fault::new(
                0,
                "formula-syntax",
                format!("the formula has {length} characters"),
            )
            .hint(format!(
                "it can have at most {MOST_CHARACTERS}; write a shorter one"
            )),
        ]);
    }
    let mut scanner = Scanner {
        text,
        characters: text.char_indices().peekable(),
        at: 0,
        open: Vec::new(),
        scanned: Scanned {
            spelled: String::new(),
            names: Vec::new(),
        },
        faults: Vec::new(),
    };
    if let Err(fault) = scanner.formula() {
        scanner.faults.push(fault);
    }
    if scanner.faults.is_empty() {
        Ok(scanner.scanned)
    } else {
        Err(scanner.faults)
    }
}

fn syntax(at: usize, message: impl Into<String>) -> Fault {
    Fault::new(at, "formula-syntax", message)
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

impl<'t> Scanner<'t> {
    fn next(&mut self) -> Option<char> {
        let (_, c) = self.characters.next()?;
        self.at += 1;
        Some(c)
    }

    fn peek(&mut self) -> Option<char> {
        while self
            .characters
            .next_if(|(_, c)| c.is_whitespace())
            .is_some()
        {
            self.at += 1;
        }
        self.characters.peek().map(|(_, c)| *c)
    }

    fn rest(&mut self) -> &'t str {
        let text = self.text;
        self.characters
            .peek()
            .map_or("", |(byte, _)| &text[*byte..])
    }

    fn spell(&mut self, parts: &[&str]) {
        self.scanned.spelled.extend(parts.iter().copied());
    }

    fn skip(&mut self, characters: usize) {
        for _ in 0..characters {
            self.next();
        }
    }

    /// Values and operators by turns, until the text ends.
    fn formula(&mut self) -> Result<(), Fault> {
        loop {
            self.value()?;
            if !self.after_value()? {
                return Ok(());
            }
        }
    }

    /// Signs and opening parentheses, then a number or a name.
    fn value(&mut self) -> Result<(), Fault> {
        while let Some(c) = self.peek() {
            let at = self.at;
            match c {
                '+' | '-' => {
                    self.next();
                    self.scanned.spelled.push(c);
                }
                '(' => {
                    self.next();
                    self.spell(&[GROUP, "("]);
                    self.opened(at, Holds::Group)?;
                }
                c if c.is_ascii_digit() || c == '.' => return self.number(),
                c if is_word(c) => {
                    if self.word()? {
                        return Ok(());
                    }
                }
                '*' | '/' | '^' | ')' | ',' => {
                    let fault = syntax(at, format!("a value is missing before `{c}`"));
                    let power = c == '*' && self.scanned.spelled.ends_with('*');
                    return Err(if power {
                        fault.hint("a power is written `^`")
                    } else {
                        fault
                    });
                }
                c => return Err(unknown_character(at, c)),
            }
        }
        let message = if self.scanned.spelled.is_empty() {
            "the formula is empty"
        } else {
            "a value is missing at the end of the formula"
        };
        Err(syntax(self.at, message))
    }

    fn number(&mut self) -> Result<(), Fault> {
        let (at, rest) = (self.at, self.rest());
        let number = number(rest).ok_or_else(|| unknown_character(at, '.'))?;
        self.skip(number.len());
        self.spell(&[number]);
        match self.characters.peek() {
            Some((_, c)) if is_word(*c) || *c == '.' => Err(syntax(
                self.at,
                format!("an operator is missing after `{number}`"),
            )
            .hint("a product is written `*`, ten to a power `1e-4`")),
            _ => Ok(()),
        }
    }

    /// A name, a constant or the start of a call; true if the value is complete.
    fn word(&mut self) -> Result<bool, Fault> {
        let (at, rest) = (self.at, self.rest());
        let word: String = rest.chars().take_while(|c| is_word(*c)).collect();
        self.skip(word.chars().count());
        let word = word.to_lowercase();
        let function = FUNCTIONS.iter().position(|(name, ..)| *name == word);
        if self.peek() == Some('(') {
            let open = self.at;
            self.next();
            if function.is_none() {
                self.faults.push(unknown_function(at, &word));
            }
            match word.as_str() {
                "pow" => self.spell(&[GROUP, "(", GROUP, "("]),
                "min" | "max" => self.spell(&["(("]),
                known => self.spell(&[known, "("]),
            }
            self.opened(open, function.map_or(Holds::Unknown, Holds::Values))?;
            return Ok(false);
        }
        if let Some(function) = function {
            let (name, ..) = FUNCTIONS[function];
            return Err(
                syntax(at, format!("`{name}` is a function and needs parentheses"))
                    .hint(format!("write `{name}(...)`")),
            );
        }
        if word == "pi" {
            self.spell(&[&std::f64::consts::PI.to_string()]);
            return Ok(true);
        }
        // In braces every name is a name to the expression crate.
        self.spell(&["{", &word, "}"]);
        if !self.scanned.names.iter().any(|name| name.name == word) {
            self.scanned.names.push(Name { name: word, at });
        }
        Ok(true)
    }

    fn opened(&mut self, at: usize, holds: Holds) -> Result<(), Fault> {
        self.open.push(Open {
            at,
            holds,
            arguments: 1,
        });
        if self.open.len() > MOST_NESTED {
            return Err(syntax(
                at,
                format!("more than {MOST_NESTED} parentheses stand inside each other"),
            )
            .hint("write a simpler formula"));
        }
        Ok(())
    }

    /// Closing parentheses, then an operator, a comma or the end; false at the end.
    fn after_value(&mut self) -> Result<bool, Fault> {
        while let Some(c) = self.peek() {
            let at = self.at;
            match c {
                ')' => {
                    self.next();
                    let open = self
                        .open
                        .pop()
                        .ok_or_else(|| syntax(at, "this parenthesis closes none that is open"))?;
                    self.check_arguments(&open);
                    let doubled = matches!(open.name(), Some("pow" | "min" | "max"));
                    self.spell(&[if doubled { "))" } else { ")" }]);
                }
                ',' => {
                    self.next();
                    self.comma(at)?;
                    return Ok(true);
                }
                '+' | '-' | '*' | '/' | '^' => {
                    self.next();
                    self.scanned.spelled.push(c);
                    return Ok(true);
                }
                '(' => {
                    return Err(syntax(at, "an operator is missing before this parenthesis")
                        .hint("a product is written `*`"));
                }
                c if is_word(c) || c == '.' => {
                    return Err(syntax(at, format!("an operator is missing before `{c}`"))
                        .hint("a product is written `*`"));
                }
                c => return Err(unknown_character(at, c)),
            }
        }
        match self.open.last() {
            Some(open) => Err(syntax(open.at, "this parenthesis is never closed")),
            None => Ok(false),
        }
    }

    fn comma(&mut self, at: usize) -> Result<(), Fault> {
        let misplaced = || {
            syntax(
                at,
                "a comma can stand only between the values of a function",
            )
            .hint("decimals are written with a point")
        };
        let open = self.open.last_mut().ok_or_else(misplaced)?;
        if open.holds == Holds::Group {
            return Err(misplaced());
        }
        open.arguments += 1;
        match open.name().unwrap_or_default() {
            "pow" => self.spell(&[")^", GROUP, "("]),
            "min" => self.spell(&[")", MIN, "("]),
            "max" => self.spell(&[")", MAX, "("]),
            // One value too many, as will be said where the call ends.
            _ => {}
        }
        Ok(())
    }

    fn check_arguments(&mut self, open: &Open) {
        let Holds::Values(function) = open.holds else {
            return;
        };
        let (name, least, most) = FUNCTIONS[function];
        if open.arguments < least || open.arguments > most {
            let wanted = match (least, most) {
                (1, 1) => "one value".to_owned(),
                (2, 2) => "two values".to_owned(),
                _ => format!("at least {least} values"),
            };
            self.faults.push(syntax(
                open.at,
                format!("`{name}` takes {wanted} ({})", open.arguments),
            ));
        }
    }
}

impl Open {
    fn name(&self) -> Option<&'static str> {
        match self.holds {
            Holds::Values(function) => Some(FUNCTIONS[function].0),
            Holds::Group | Holds::Unknown => None,
        }
    }
}

fn unknown_character(at: usize, c: char) -> Fault {
    let fault = syntax(at, format!("`{c}` cannot stand in a formula"));
    match c {
        '−' | '–' => fault.hint("a minus is written `-`"),
        '×' | '·' => fault.hint("a product is written `*`"),
        '²' | '³' => fault.hint("a power is written `^`"),
        '[' | ']' | '{' | '}' => fault.hint("parentheses are written `(` and `)`"),
        '=' => fault.hint("write only what stands right of the equals sign"),
        _ => fault.hint(
            "a formula has numbers, names, functions, parentheses and the operators + - * / ^",
        ),
    }
}

fn unknown_function(at: usize, word: &str) -> Fault {
    let fault = Fault::new(
        at,
        "unknown-function",
        format!("there is no function `{word}`"),
    );
    if word == "log" {
        return fault.hint("the natural logarithm is `ln`, that of base ten `log10`");
    }
    let names: Vec<&str> = FUNCTIONS.iter().map(|(name, ..)| *name).collect();
    fault.hint(super::nearest_or_all(word, &names))
}
