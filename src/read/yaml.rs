//! YAML text to a [`Node`] tree in which repeated keys survive, and places of its parts.
//!
//! The only user of `serde_yaml`. That crate reports where a value stands only when reading it
//! fails, so a place is found by reading the text once more with a seed that follows a path and
//! fails on purpose at its end. A design or the head of a table is short; what is not is refused, so
//! that no file takes long or fills the memory.

use std::cell::Cell;
use std::fmt;

use serde::de::{
    DeserializeSeed, Deserializer, Error as _, IgnoredAny, MapAccess, SeqAccess, Visitor,
};

use crate::diagnostic::{Diagnostic, Problems, Site, is_hidden, seen};
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

/// Bytes of a file; a long design has a tenth of a million.
pub const MOST_BYTES: u64 = 1_000_000;
/// Entries of a list or a map.
const MOST_ENTRIES: usize = 10_000;
/// Characters and values of a tree: text without aliases has no more than it has bytes.
const MOST_HELD: usize = 2 * 1_000_000;
/// Brackets within brackets: the parser's time grows with the square of their number.
const MOST_BRACKETS: usize = 1_000;

/// What may still be held, of [`MOST_HELD`].
struct Room(Cell<usize>);

impl Room {
    fn new() -> Self {
        Room(Cell::new(MOST_HELD))
    }

    fn take<E: serde::de::Error>(&self, wanted: usize) -> Result<(), E> {
        let left = self.0.get().checked_sub(wanted);
        self.0.set(left.ok_or_else(|| E::custom(REPEATED))?);
        Ok(())
    }
}

/// Builds a tree, as far as there is room.
#[derive(Clone, Copy)]
struct Build<'r>(&'r Room);

impl<'de> Visitor<'de> for Build<'_> {
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
    fn visit_str<E: serde::de::Error>(self, value: &str) -> Result<Node, E> {
        self.0.take(value.len())?;
        if value
            .chars()
            .any(|c| is_hidden(c) && c != '\n' && c != '\t')
        {
            return Err(E::custom(HIDDEN));
        }
        Ok(Node::Text(value.to_owned()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Node, A::Error> {
        let mut list = Vec::new();
        while let Some(node) = seq.next_element_seed(self)? {
            list.push(node);
            few(list.len())?;
        }
        Ok(Node::List(list))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Node, A::Error> {
        let mut pairs = Vec::new();
        while let Some(pair) = map.next_entry_seed(self, self)? {
            pairs.push(pair);
            few(pairs.len())?;
        }
        Ok(Node::Map(pairs))
    }
}

impl<'de> DeserializeSeed<'de> for Build<'_> {
    type Value = Node;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Node, D::Error> {
        self.0.take(1)?;
        deserializer.deserialize_any(self)
    }
}

fn few<E: serde::de::Error>(entries: usize) -> Result<(), E> {
    if entries > MOST_ENTRIES {
        return Err(E::custom(MANY_ENTRIES));
    }
    Ok(())
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
const REPEATED: &str = "too much is repeated";
const HIDDEN: &str = "characters that nobody sees";
const MANY_ENTRIES: &str = "too many entries";

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
            seq.next_element::<IgnoredAny>()?;
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
            map.next_entry::<IgnoredAny, IgnoredAny>()?;
        }
        if key {
            map.next_key_seed(Seek(rest)).map(|_| ())
        } else {
            map.next_key::<IgnoredAny>()?;
            map.next_value_seed(Seek(rest))
        }
    }
}

/// Place of the part of a document that a path leads to; of the whole file if it leads nowhere, or
/// if so many places were looked for that no more will be found.
pub fn locate(source: &Source, path: &[Step]) -> Site {
    if !source.look_up() {
        return source.whole();
    }
    let deserializer = serde_yaml::Deserializer::from_str(source.text());
    match Seek(path).deserialize(deserializer) {
        Err(error) => site(source, &error),
        Ok(()) => source.whole(),
    }
}

fn site(source: &Source, error: &serde_yaml::Error) -> Site {
    let end = source.text().len();
    match error.location() {
        None => source.whole(),
        // The parser counts a line that a text without a last line end has not.
        Some(place) if place.line() > source.line_of(end) => source.site_of(end),
        Some(place) => source.site(place.line(), place.column()),
    }
}

/// Reads a YAML text; its own errors become one diagnostic with place.
pub fn parse(source: &Source) -> Result<Node, Problems> {
    if let Some(unread) = unread(source) {
        return Err(unread.into());
    }
    let room = Room::new();
    let deserializer = serde_yaml::Deserializer::from_str(source.text());
    let node = Build(&room).deserialize(deserializer);
    node.map_err(|error| wrong(source, &error).into())
}

/// What is said of a file that is too large.
pub(super) fn too_large(name: &str) -> Diagnostic {
    let message = format!(
        "the file has more than {} million bytes, and is no design or head of a table",
        MOST_BYTES / 1_000_000
    );
    Diagnostic::error("yaml-too-large", message)
        .at(Site::whole(name))
        .hint("records belong in files of their own, named under `inputs`")
}

/// Why a text is not given to the parser.
fn unread(source: &Source) -> Option<Diagnostic> {
    let text = source.text();
    if text.len() as u64 > MOST_BYTES {
        return Some(too_large(source.name()));
    }
    let allowed = |c: char| matches!(c, '\t' | '\n' | '\r' | '\u{85}') || !c.is_control();
    if let Some((at, c)) = text.char_indices().find(|(_, c)| !allowed(*c)) {
        let shown = seen(&c.to_string());
        let message = format!("there is a character here that nobody sees ({shown})");
        return Some(
            Diagnostic::error("hidden-character", message)
                .at(source.site_of(at))
                .hint("remove it: something other than text got into the file"),
        );
    }
    let mut depth = 0_usize;
    for (at, byte) in text.bytes().enumerate() {
        match byte {
            b'[' | b'{' => depth += 1,
            b']' | b'}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        if depth > MOST_BRACKETS {
            return Some(too_deep(source.site_of(at)));
        }
    }
    None
}

fn too_deep(site: Site) -> Diagnostic {
    Diagnostic::error("yaml-too-deep", "lists and maps are nested too deeply here")
        .at(site)
        .hint("close brackets, or write what is here with fewer levels")
}

fn wrong(source: &Source, error: &serde_yaml::Error) -> Diagnostic {
    let site = site(source, error);
    let message = error.to_string();
    // serde_yaml appends its own place, which the site already gives.
    let message = message.split(" at line ").next().unwrap_or(&message);
    let has = |end: &str| message.ends_with(end);
    if has(NOT_FINITE) {
        return Diagnostic::error("out-of-range", message)
            .hint("write a number in digits")
            .at(site);
    }
    if has(HIDDEN) {
        let message = "this text holds characters that nobody sees";
        return Diagnostic::error("hidden-character", message)
            .hint("remove them: write the text again")
            .at(site);
    }
    if has(MANY_ENTRIES) {
        let message = format!("a list or map here has more than {MOST_ENTRIES} entries");
        return Diagnostic::error("yaml-too-large", message)
            .hint("records belong in files of their own, named under `inputs`")
            .at(site);
    }
    if has(REPEATED) || message.starts_with("repetition limit") {
        let site = match site.line {
            0 => source.site(1, 1),
            _ => site,
        };
        let message = "the file repeats itself through anchors (`&`) and aliases (`*`) until it is \
                       too large";
        return Diagnostic::error("yaml-too-large", message)
            .hint("write out what is meant")
            .at(site);
    }
    if message.starts_with("recursion limit") {
        return too_deep(site);
    }
    if message.contains("more than one document") {
        return Diagnostic::error("yaml", "the file has more than one YAML document (`---`)")
            .hint("keep one of them in the file")
            .at(site);
    }
    // What was begun may stand far above: a quote or a bracket that is not closed.
    let whole = error.to_string();
    let begun = whole.split_once(", while ").map(|(_, begun)| begun);
    let begun = begun
        .and_then(|begun| begun.split_once(" column "))
        .map(|(begun, _)| begun);
    let begun = begun.map_or_else(String::new, |begun| format!(" while {begun}"));
    Diagnostic::error(
        "yaml",
        format!("this is not readable YAML: {message}{begun}"),
    )
    .hint("check indentation, colons and quotes near this place")
    .at(site)
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
