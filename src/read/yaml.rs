//! YAML text to a [`Node`] tree in which repeated keys survive, and places of its parts.
//!
//! The only user of `serde_yaml`. That crate reports where a value stands only when reading it
//! fails, so a place is found by reading the text once more with a seed that follows a path and
//! fails on purpose at its end.

use std::fmt;

use serde::de::{
    Deserialize, DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor,
};

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::read::source::Source;

/// A YAML value.
#[derive(Clone, Debug, PartialEq)]
pub enum Node {
    /// Nothing, `~`, `null`.
    Null,
    /// `true` or `false`.
    Bool(bool),
    /// A whole or decimal number.
    Number(f64),
    /// Text.
    Text(String),
    /// A sequence.
    List(Vec<Node>),
    /// A mapping in the order of the file; keys may repeat.
    Map(Vec<(Node, Node)>),
}

impl Node {
    /// What kind of thing it is, for messages.
    pub fn kind(&self) -> &'static str {
        match self {
            Node::Null => "nothing",
            Node::Bool(_) => "a truth value",
            Node::Number(_) => "a number",
            Node::Text(_) => "text",
            Node::List(_) => "a list",
            Node::Map(_) => "a map",
        }
    }

    /// A scalar as text, the way it would be written; `None` for lists, maps and nothing.
    pub fn scalar_text(&self) -> Option<String> {
        match self {
            Node::Bool(value) => Some(value.to_string()),
            Node::Number(value) => Some(value.to_string()),
            Node::Text(text) => Some(text.clone()),
            Node::Null | Node::List(_) | Node::Map(_) => None,
        }
    }
}

struct NodeVisitor;

impl<'de> Visitor<'de> for NodeVisitor {
    type Value = Node;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number, text, a truth value, a list or a map")
    }
    fn visit_unit<E>(self) -> Result<Node, E> {
        Ok(Node::Null)
    }
    fn visit_none<E>(self) -> Result<Node, E> {
        Ok(Node::Null)
    }
    fn visit_bool<E>(self, value: bool) -> Result<Node, E> {
        Ok(Node::Bool(value))
    }
    fn visit_i64<E>(self, value: i64) -> Result<Node, E> {
        Ok(Node::Number(value as f64))
    }
    fn visit_u64<E>(self, value: u64) -> Result<Node, E> {
        Ok(Node::Number(value as f64))
    }
    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Node, E> {
        if value.is_finite() {
            Ok(Node::Number(value))
        } else {
            Err(E::custom(NOT_FINITE))
        }
    }
    fn visit_str<E>(self, value: &str) -> Result<Node, E> {
        Ok(Node::Text(value.to_owned()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Node, A::Error> {
        let mut list = Vec::new();
        while let Some(node) = seq.next_element()? {
            list.push(node);
        }
        Ok(Node::List(list))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Node, A::Error> {
        let mut pairs = Vec::new();
        while let Some(pair) = map.next_entry()? {
            pairs.push(pair);
        }
        Ok(Node::Map(pairs))
    }
}

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(NodeVisitor)
    }
}

/// One step from a node to a part of it, by position (so that the second of two equal keys can
/// be told from the first).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// The key of the nth pair of a map.
    Key(usize),
    /// The value of the nth pair of a map.
    Value(usize),
    /// The nth entry of a list.
    Item(usize),
}

/// Follows a path and fails on purpose at its end.
struct Seek<'p>(&'p [Step]);

const FOUND: &str = "found";
const NOT_FINITE: &str = "a number must be finite";

impl<'de> DeserializeSeed<'de> for Seek<'_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Seek<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(FOUND)
    }
    // Scalars are not visited here: the default methods fail at the place, as wanted.
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        let Some((Step::Item(index), rest)) = self.0.split_first() else {
            return Err(A::Error::custom(FOUND));
        };
        for _ in 0..*index {
            seq.next_element::<Node>()?;
        }
        seq.next_element_seed(Seek(rest)).map(|_| ())
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let (index, rest, key) = match self.0.split_first() {
            Some((Step::Key(index), rest)) => (*index, rest, true),
            Some((Step::Value(index), rest)) => (*index, rest, false),
            _ => return Err(A::Error::custom(FOUND)),
        };
        for _ in 0..index {
            map.next_entry::<Node, Node>()?;
        }
        if key {
            map.next_key_seed(Seek(rest)).map(|_| ())
        } else {
            map.next_key::<Node>()?;
            map.next_value_seed(Seek(rest))
        }
    }
}

/// Place of the part of a document that a path leads to; of the whole file if it leads nowhere.
pub fn locate(source: &Source, path: &[Step]) -> Site {
    let deserializer = serde_yaml::Deserializer::from_str(source.text());
    match Seek(path).deserialize(deserializer) {
        Err(error) => match error.location() {
            Some(place) => source.site(place.line(), place.column()),
            None => source.whole(),
        },
        Ok(()) => source.whole(),
    }
}

/// Reads a YAML text; its own errors become one diagnostic with place.
pub fn parse(source: &Source) -> Result<Node, Problems> {
    serde_yaml::from_str(source.text()).map_err(|error| {
        let site = error.location().map_or_else(
            || source.whole(),
            |place| source.site(place.line(), place.column()),
        );
        let message = error.to_string();
        // serde_yaml appends its own place, which the site already gives.
        let message = message
            .split(" at line ")
            .next()
            .unwrap_or(&message)
            .to_owned();
        let diagnostic = if message.ends_with(NOT_FINITE) {
            Diagnostic::error("out-of-range", message).hint("write a number in digits")
        } else {
            Diagnostic::error("yaml", format!("this is not readable YAML: {message}"))
                .hint("check indentation, colons and quotes near this place")
        };
        let mut problems = Problems::new();
        problems.push(diagnostic.at(site));
        problems
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(text: &str) -> Source {
        Source::new("d.yaml", text.to_owned())
    }

    #[test]
    fn repeated_keys_survive() {
        let node = parse(&source("a: 1\na: x\n")).unwrap();
        let Node::Map(pairs) = node else {
            panic!("a map")
        };
        assert_eq!(pairs.len(), 2);
        assert_eq!(pairs[1].1, Node::Text("x".to_owned()));
    }

    #[test]
    fn every_part_has_its_place() {
        let source = source("title: t\nrings:\n  - {a: 1, b: [2, x]}\n  - a: 3\ntitle: again\n");
        let place = |path: &[Step]| locate(&source, path).to_string();
        assert_eq!(place(&[Step::Key(0)]), "d.yaml:1:1");
        assert_eq!(place(&[Step::Value(0)]), "d.yaml:1:8");
        assert_eq!(
            place(&[Step::Value(1), Step::Item(0), Step::Key(1)]),
            "d.yaml:3:12"
        );
        assert_eq!(
            place(&[Step::Value(1), Step::Item(0), Step::Value(1), Step::Item(1)]),
            "d.yaml:3:19"
        );
        assert_eq!(
            place(&[Step::Value(1), Step::Item(1), Step::Value(0)]),
            "d.yaml:4:8"
        );
        assert_eq!(place(&[Step::Key(2)]), "d.yaml:5:1");
        assert_eq!(place(&[Step::Value(2)]), "d.yaml:5:8");
    }

    #[test]
    fn infinite_numbers_and_broken_text_are_refused_with_a_place() {
        let message = |text: &str| {
            parse(&source(text))
                .unwrap_err()
                .iter()
                .next()
                .unwrap()
                .to_string()
        };
        assert!(
            message("a: .inf\n").contains("finite"),
            "{}",
            message("a: .inf\n")
        );
        assert!(
            message("a: [1, 2\nb: 3\n").starts_with("d.yaml:2:"),
            "{}",
            message("a: [1, 2\nb: 3\n")
        );
    }
}
