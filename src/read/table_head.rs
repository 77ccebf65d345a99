//! The head of a table folder: a YAML map walked key by key, every problem with its place.
//!
//! In: the text of a `set.yaml`. Out: typed values; an unknown or repeated key, a value of the
//! wrong kind and a missing key are problems, none of them stops the walk.

use std::collections::BTreeSet;

use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::read::source::Source;
use crate::read::yaml::{Node, Step, locate};
use crate::units::Dimension;

/// A map of the head, with the path that leads to it.
pub(crate) struct Keys<'n> {
    source: &'n Source,
    what: &'static str,
    pairs: &'n [(Node, Node)],
    path: Vec<Step>,
}

/// A value of a map, with the path that leads to it.
#[derive(Clone)]
pub(crate) struct Value<'n> {
    /// The key as written.
    pub(crate) key: String,
    /// The value.
    pub(crate) node: &'n Node,
    path: Vec<Step>,
}

/// The nearest of some known words, if one is near.
pub(crate) fn nearest_word<'w>(
    word: &str,
    known: impl IntoIterator<Item = &'w str>,
) -> Option<&'w str> {
    let word = word.to_lowercase();
    known
        .into_iter()
        .map(|candidate| {
            (
                strsim::osa_distance(&word, &candidate.to_lowercase()),
                candidate,
            )
        })
        .min()
        .filter(|(distance, candidate)| *distance <= candidate.len().max(word.len()) / 2)
        .map(|(_, candidate)| candidate)
}

/// `did you mean ...?` or the list of what is known.
pub(crate) fn known_hint(word: &str, known: &[&str]) -> String {
    match nearest_word(word, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("known are {}", known.join(", ")),
    }
}

impl<'n> Keys<'n> {
    /// The map at the end of a path; every key must be one of `known` (an empty list allows any).
    pub(crate) fn open(
        source: &'n Source,
        what: &'static str,
        node: &'n Node,
        path: Vec<Step>,
        known: &[&str],
        problems: &mut Problems,
    ) -> Option<Self> {
        let Node::Map(pairs) = node else {
            problems.push(
                Diagnostic::error(
                    "not-a-map",
                    format!("{what} must be a map of keys and values ({})", node.kind()),
                )
                .at(locate(source, &path))
                .hint("write `key: value`, each on a line of its own"),
            );
            return None;
        };
        let keys = Keys {
            source,
            what,
            pairs,
            path,
        };
        let mut seen = BTreeSet::new();
        for (index, (key, _)) in pairs.iter().enumerate() {
            let name = key.scalar_text().unwrap_or_default();
            if seen.contains(&name) {
                problems.push(
                    Diagnostic::error("key-twice", format!("`{name}` is given twice"))
                        .at(keys.site(Step::Key(index)))
                        .hint("keep one of them"),
                );
            } else if !known.is_empty() && !known.contains(&name.as_str()) {
                problems.push(
                    Diagnostic::error("unknown-key", format!("{what} has no key `{name}`"))
                        .at(keys.site(Step::Key(index)))
                        .hint(known_hint(&name, known)),
                );
            }
            seen.insert(name);
        }
        Some(keys)
    }

    fn site(&self, step: Step) -> Site {
        let mut path = self.path.clone();
        path.push(step);
        locate(self.source, &path)
    }

    /// The values in the order of the file.
    pub(crate) fn values(&self) -> impl Iterator<Item = Value<'n>> + '_ {
        self.pairs.iter().enumerate().map(|(index, (key, node))| {
            let mut path = self.path.clone();
            path.push(Step::Value(index));
            Value {
                key: key.scalar_text().unwrap_or_default(),
                node,
                path,
            }
        })
    }

    /// The value of a key; nothing written counts as absent.
    pub(crate) fn get(&self, key: &str) -> Option<Value<'n>> {
        self.values()
            .find(|value| value.key == key && *value.node != Node::Null)
    }

    /// The value of a key that must be there.
    pub(crate) fn need(&self, key: &str, problems: &mut Problems) -> Option<Value<'n>> {
        let value = self.get(key);
        if value.is_none() {
            let site = if self.path.is_empty() {
                self.source.whole()
            } else {
                locate(self.source, &self.path)
            };
            problems.push(
                Diagnostic::error("key-missing", format!("{} lacks `{key}`", self.what))
                    .at(site)
                    .hint(format!("add `{key}: ...`")),
            );
        }
        value
    }

    /// Text of a key that must be there.
    pub(crate) fn need_text(&self, key: &str, problems: &mut Problems) -> String {
        self.need(key, problems)
            .and_then(|value| value.text(self.source, problems))
            .unwrap_or_default()
    }

    /// Text of a key, if it is there.
    pub(crate) fn text(&self, key: &str, problems: &mut Problems) -> Option<String> {
        self.get(key)
            .and_then(|value| value.text(self.source, problems))
    }

    /// Number of a key, if it is there.
    pub(crate) fn number(&self, key: &str, problems: &mut Problems) -> Option<f64> {
        self.get(key)
            .and_then(|value| value.number(self.source, problems))
    }

    /// A quantity `stem_unit` in the unit that the program holds, if it is there.
    pub(crate) fn quantity(
        &self,
        stem: &str,
        dimension: Dimension,
        problems: &mut Problems,
    ) -> Option<f64> {
        let (value, to_held) = self.with_unit(stem, dimension)?;
        Some(value.number(self.source, problems)? * to_held)
    }

    /// A pair `stem_unit: [low, high]` in the unit that the program holds, if it is there.
    pub(crate) fn range(
        &self,
        stem: &str,
        dimension: Dimension,
        problems: &mut Problems,
    ) -> Option<[f64; 2]> {
        let (value, to_held) = self.with_unit(stem, dimension)?;
        match value.node {
            Node::List(items) => match items[..] {
                [Node::Number(low), Node::Number(high)] if low < high => {
                    Some([low * to_held, high * to_held])
                }
                _ => None,
            },
            _ => None,
        }
        .or_else(|| {
            value.wrong(self.source, "[smallest, largest]", problems);
            None
        })
    }

    fn with_unit(&self, stem: &str, dimension: Dimension) -> Option<(Value<'n>, f64)> {
        dimension.units().iter().find_map(|unit| {
            let value = self.get(&format!("{stem}_{}", unit.suffix))?;
            Some((value, unit.to_held))
        })
    }

    /// One of some words, if the key is there.
    pub(crate) fn choice<T: Copy>(
        &self,
        key: &str,
        names: &[(&'static str, T)],
        problems: &mut Problems,
    ) -> Option<T> {
        let value = self.get(key)?;
        let text = value.text(self.source, problems)?;
        let found = names.iter().find(|(name, _)| *name == text);
        if found.is_none() {
            let known: Vec<&str> = names.iter().map(|(name, _)| *name).collect();
            problems.push(
                Diagnostic::error("unknown-value", format!("`{key}` cannot be `{text}`"))
                    .at(value.site(self.source))
                    .hint(format!("it is one of: {}", known.join("; "))),
            );
        }
        found.map(|(_, choice)| *choice)
    }

    /// The values of a list, none if the key is absent; a value that is no list counts as a list of
    /// one.
    pub(crate) fn items(&self, key: &str) -> Vec<Value<'n>> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        match value.node {
            Node::List(items) => items
                .iter()
                .enumerate()
                .map(|(index, node)| {
                    let mut path = value.path.clone();
                    path.push(Step::Item(index));
                    let key = value.key.clone();
                    Value { key, node, path }
                })
                .collect(),
            _ => vec![value],
        }
    }

    /// A list of texts with their places, empty if the key is absent; one text counts as a list
    /// of one.
    pub(crate) fn texts(&self, key: &str, problems: &mut Problems) -> Vec<(String, Value<'n>)> {
        self.items(key)
            .into_iter()
            .filter_map(|item| Some((item.text(self.source, problems)?, item)))
            .collect()
    }

    /// A map below this one, if the key is there.
    pub(crate) fn map(
        &self,
        key: &str,
        what: &'static str,
        known: &[&str],
        problems: &mut Problems,
    ) -> Option<Keys<'n>> {
        self.get(key)?.map(self.source, what, known, problems)
    }
}

impl<'n> Value<'n> {
    /// Place of the value.
    pub(crate) fn site(&self, source: &Source) -> Site {
        locate(source, &self.path)
    }

    fn wrong(&self, source: &Source, wanted: &str, problems: &mut Problems) {
        let seen = self
            .node
            .scalar_text()
            .unwrap_or_else(|| self.node.kind().to_owned());
        problems.push(
            Diagnostic::error(
                "wrong-kind",
                format!("`{}` must be {wanted} (`{seen}`)", self.key),
            )
            .at(self.site(source))
            .hint(format!("write {wanted} after `{}:`", self.key)),
        );
    }

    /// The value as text.
    pub(crate) fn text(&self, source: &Source, problems: &mut Problems) -> Option<String> {
        let text = self.node.scalar_text();
        if text.is_none() {
            self.wrong(source, "text", problems);
        }
        text
    }

    /// The value as a number.
    pub(crate) fn number(&self, source: &Source, problems: &mut Problems) -> Option<f64> {
        if let Node::Number(number) = self.node {
            return Some(*number);
        }
        self.wrong(source, "a number", problems);
        None
    }

    /// The value as a map; nothing written is an empty map.
    pub(crate) fn map(
        self,
        source: &'n Source,
        what: &'static str,
        known: &[&str],
        problems: &mut Problems,
    ) -> Option<Keys<'n>> {
        Keys::open(source, what, self.node, self.path, known, problems)
    }
}
