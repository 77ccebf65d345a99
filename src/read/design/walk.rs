//! Walking the YAML tree: maps with strict keys, values of the right kind, quantities with their
//! units. Every problem is collected with the place of its key or value.

use std::collections::BTreeSet;

use crate::diagnostic::{Diagnostic, Problems, Site, runs_as_formula, seen};
use crate::read::csv::names::formula;
use crate::read::limits::Limits;
use crate::read::nearest::{did_you_mean, nearest};
use crate::read::source::Source;
use crate::read::yaml::{Node, Step, locate};
use crate::units::{Dimension, Unit};

/// What is collected on the walk.
pub(super) struct Walk<'s> {
    pub(super) source: &'s Source,
    pub(super) problems: Problems,
    /// Sentences about defaults that were filled in.
    pub(super) defaults: Vec<String>,
    /// Every map that was read to its end: where it stands and the keys that were asked for.
    #[cfg(test)]
    pub(super) asked: Vec<(Vec<Step>, Vec<String>)>,
}

impl<'s> Walk<'s> {
    pub(super) fn new(source: &'s Source) -> Self {
        Walk {
            source,
            problems: Problems::new(),
            defaults: Vec::new(),
            #[cfg(test)]
            asked: Vec::new(),
        }
    }

    /// Records a finding at the end of a path. Once many places were looked up, the rest of a kind is
    /// counted at the place of the first.
    fn record(&mut self, finding: Diagnostic, path: &[Step]) {
        let source = self.source;
        if source.has_places() {
            self.problems.push(finding.at(locate(source, path)));
        } else {
            let place = || locate(source, path);
            self.problems.push_untold(finding, place);
        }
    }

    pub(super) fn default(&mut self, sentence: impl Into<String>) {
        self.defaults.push(sentence.into());
    }
}

/// A key and its value, or an item of a list.
#[derive(Clone, Debug)]
pub(super) struct Entry<'n> {
    /// The key as it would be written; for an item of a list, the key of the list.
    pub(super) key: String,
    pub(super) node: &'n Node,
    path: Vec<Step>,
}

impl<'n> Entry<'n> {
    pub(super) fn root(node: &'n Node) -> Self {
        Entry {
            key: String::from("design"),
            node,
            path: Vec::new(),
        }
    }

    /// Place of the key.
    pub(super) fn key_site(&self, walk: &Walk) -> Site {
        locate(walk.source, &self.key_path())
    }

    fn key_path(&self) -> Vec<Step> {
        let mut path = self.path.clone();
        if let Some(Step::Value(index)) = path.last().copied() {
            path.pop();
            path.push(Step::Key(index));
        }
        path
    }

    /// Records an error at the value.
    pub(super) fn error(&self, walk: &mut Walk, code: &'static str, message: String, hint: &str) {
        walk.record(Diagnostic::error(code, message).hint(hint), &self.path);
    }

    /// Records an error at the key.
    pub(super) fn key_error(
        &self,
        walk: &mut Walk,
        code: &'static str,
        message: String,
        hint: &str,
    ) {
        walk.record(
            Diagnostic::error(code, message).hint(hint),
            &self.key_path(),
        );
    }

    /// Records a warning at the value.
    pub(super) fn warning(&self, walk: &mut Walk, code: &'static str, message: String, hint: &str) {
        walk.record(Diagnostic::warning(code, message).hint(hint), &self.path);
    }

    /// Tells how a name will stand in CSV, if not as it is.
    pub(super) fn note_formula(&self, walk: &mut Walk, name: &str) {
        if runs_as_formula(name) {
            walk.record(formula(name), &self.path);
        }
    }

    fn wrong_kind(&self, walk: &mut Walk, wanted: &str, hint: &str) {
        let value = match self.node.scalar_text() {
            Some(text) => format!("{}, {}", self.node.kind(), seen(&text)),
            None => self.node.kind().to_owned(),
        };
        let message = format!("`{}` must be {wanted} ({value})", self.key);
        self.error(walk, "wrong-kind", message, hint);
    }

    /// The value as text; numbers and truth values as they would be written.
    pub(super) fn text(&self, walk: &mut Walk) -> Option<String> {
        match self.node.scalar_text() {
            Some(text) if text.trim().is_empty() => {
                self.error(
                    walk,
                    "no-value",
                    format!("`{}` is empty", self.key),
                    "give it a value or remove the key",
                );
                None
            }
            Some(text) => Some(text.trim().to_owned()),
            None => {
                self.wrong_kind(walk, "text", "write one word or a quoted phrase");
                None
            }
        }
    }

    pub(super) fn boolean(&self, walk: &mut Walk) -> Option<bool> {
        if let Node::Bool(value) = self.node {
            Some(*value)
        } else {
            self.wrong_kind(walk, "true or false", "write true or false, without quotes");
            None
        }
    }

    /// A number in the key's own unit; `to_held` times it must be within the limits.
    pub(super) fn number(&self, walk: &mut Walk, to_held: f64, limits: &Limits) -> Option<f64> {
        let Node::Number(value) = self.node else {
            let hint = match self.node {
                Node::Text(text) if text.trim().parse::<f64>().is_ok() => {
                    "write it without quotes".to_owned()
                }
                Node::Text(text) if text.contains(',') => "write a decimal point".to_owned(),
                Node::Text(text) if text.starts_with(|c: char| c.is_ascii_digit()) => {
                    "write the figure alone; the key says its unit".to_owned()
                }
                _ => format!("it is {limits}"),
            };
            self.wrong_kind(walk, "a number", &hint);
            return None;
        };
        let held = value * to_held;
        if limits.allow(held) {
            return Some(held);
        }
        let held_text = if (to_held - 1.0).abs() > f64::EPSILON {
            format!("`{value}`, that is {held:.4} {}", limits.unit())
        } else {
            format!("`{value}`")
        };
        self.error(
            walk,
            "out-of-range",
            format!("`{}` is not possible ({held_text})", self.key),
            &format!("it must be {limits}"),
        );
        None
    }

    /// A whole number within the limits.
    pub(super) fn whole(&self, walk: &mut Walk, limits: &Limits) -> Option<usize> {
        let value = self.number(walk, 1.0, limits)?;
        if value.fract() != 0.0 {
            self.wrong_kind(walk, "a whole number", &format!("it is {limits}"));
            return None;
        }
        // Bounded by the limits, so the cast is exact.
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small whole number, checked above"
        )]
        Some(value as usize)
    }

    /// One of a few words.
    pub(super) fn one_of<T: Copy>(&self, walk: &mut Walk, words: &[(&str, T)]) -> Option<T> {
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let Some(text) = self.node.scalar_text() else {
            self.wrong_kind(walk, "one word", &format!("one of {}", names.join(", ")));
            return None;
        };
        let found = words.iter().find(|(word, _)| *word == text.trim());
        if found.is_none() {
            let hint = match nearest(&text, names.iter().copied()) {
                Some(word) => format!("did you mean `{word}`?"),
                None => format!("one of {}", names.join(", ")),
            };
            let message = format!("`{}` does not know {}", self.key, seen(&text));
            self.error(walk, "unknown-word", message, &hint);
        }
        found.map(|(_, value)| *value)
    }

    /// A name out of a list that the program knows.
    pub(super) fn known_name(
        &self,
        walk: &mut Walk,
        code: &'static str,
        what: &str,
        known: &[&str],
    ) -> Option<String> {
        let text = self.text(walk)?;
        if known.contains(&text.as_str()) {
            return Some(text);
        }
        let message = format!("there is no {what} of this name ({})", seen(&text));
        self.error(walk, code, message, &did_you_mean(&text, known));
        None
    }

    /// The items of a list.
    pub(super) fn list(&self, walk: &mut Walk) -> Option<Vec<Entry<'n>>> {
        let Node::List(items) = self.node else {
            self.wrong_kind(walk, "a list", "write [a, b] or one `- item` per line");
            return None;
        };
        let item = |(index, node)| {
            let mut path = self.path.clone();
            path.push(Step::Item(index));
            Entry {
                key: self.key.clone(),
                node,
                path,
            }
        };
        Some(items.iter().enumerate().map(item).collect())
    }

    /// The pairs of a map whose keys are free: names or codes that the user chose. Keys that
    /// differ only in case count as the same.
    pub(super) fn pairs(&self, walk: &mut Walk) -> Option<Vec<Entry<'n>>> {
        let Node::Map(pairs) = self.node else {
            self.wrong_kind(walk, "a map", "write `key: value` pairs, indented");
            return None;
        };
        let mut entries: Vec<Entry<'n>> = Vec::with_capacity(pairs.len());
        let mut seen_before = BTreeSet::new();
        for (index, (key, node)) in pairs.iter().enumerate() {
            let mut path = self.path.clone();
            path.push(Step::Value(index));
            let entry = Entry {
                key: key.scalar_text().unwrap_or_default().trim().to_owned(),
                node,
                path,
            };
            if entry.key.is_empty() {
                let message = format!("a key must be text (here {})", key.kind());
                entry.key_error(walk, "wrong-kind", message, "give it a name");
                continue;
            }
            if !seen_before.insert(entry.key.to_lowercase()) {
                entry.key_error(
                    walk,
                    "key-twice",
                    format!("the key {} is there twice", seen(&entry.key)),
                    "remove one of them",
                );
                continue;
            }
            entries.push(entry);
        }
        Some(entries)
    }
}

/// A quantity that was given, and under which key.
#[derive(Clone, Debug)]
pub(super) struct Quantity<'n> {
    /// In the unit that the program holds.
    pub(super) value: f64,
    /// The unit of the key.
    pub(super) unit: Unit,
    pub(super) entry: Entry<'n>,
}

/// A map with a fixed set of keys: those that were asked for.
pub(super) struct Section<'n> {
    /// What the map is, for messages: "the selection `sweep`".
    what: String,
    whole: Entry<'n>,
    entries: Vec<Entry<'n>>,
    known: Vec<String>,
    /// Known too, but not offered in hints: unusual units.
    unusual: Vec<String>,
    /// Quantities by stem and the keys that give them.
    stems: Vec<(String, String)>,
}

impl<'n> Section<'n> {
    pub(super) fn open(
        walk: &mut Walk,
        entry: &Entry<'n>,
        what: impl Into<String>,
    ) -> Option<Self> {
        Some(Section {
            what: what.into(),
            entries: entry.pairs(walk)?,
            whole: entry.clone(),
            known: Vec::new(),
            unusual: Vec::new(),
            stems: Vec::new(),
        })
    }

    /// From here on messages call the map so.
    pub(super) fn call(&mut self, what: impl Into<String>) {
        self.what = what.into();
    }

    /// The entry of a key, if it is there with a value.
    pub(super) fn get(&mut self, walk: &mut Walk, key: &str) -> Option<Entry<'n>> {
        self.known.push(key.to_owned());
        let entry = self.entries.iter().find(|entry| entry.key == key)?.clone();
        if *entry.node == Node::Null {
            entry.key_error(
                walk,
                "no-value",
                format!("`{key}` has no value"),
                "give it a value or remove the key",
            );
            return None;
        }
        Some(entry)
    }

    /// Is the key written down, be it without a value?
    pub(super) fn has(&self, key: &str) -> bool {
        self.entries.iter().any(|entry| entry.key == key)
    }

    /// The entry of a key that must be there.
    pub(super) fn required(&mut self, walk: &mut Walk, key: &str, hint: &str) -> Option<Entry<'n>> {
        if !self.has(key) {
            self.known.push(key.to_owned());
            self.missing(walk, &format!("`{key}`"), hint);
            return None;
        }
        self.get(walk, key)
    }

    /// Records that something is missing in this map.
    pub(super) fn missing(&self, walk: &mut Walk, what: &str, hint: &str) {
        let message = format!("{} has no {what}", self.what);
        let finding = Diagnostic::error("missing-key", message).hint(hint);
        walk.record(finding, &self.whole.key_path());
    }

    /// A quantity under the key `stem_unit` for any unit of the dimension. Giving it twice is an
    /// error.
    pub(super) fn quantity(
        &mut self,
        walk: &mut Walk,
        stem: &str,
        dimension: Dimension,
        limits: &Limits,
    ) -> Option<Quantity<'n>> {
        let (unit, entry) = self.with_unit(walk, stem, dimension)?;
        Some(Quantity {
            value: entry.number(walk, unit.to_held, limits)?,
            unit,
            entry,
        })
    }

    /// Quantities in a list under the key `stem_unit`; a single number counts as a list of one.
    /// `None` if one of them is wrong.
    pub(super) fn quantities(
        &mut self,
        walk: &mut Walk,
        stem: &str,
        dimension: Dimension,
        limits: &Limits,
    ) -> Option<Vec<Quantity<'n>>> {
        let (unit, entry) = self.with_unit(walk, stem, dimension)?;
        let items = match entry.node {
            Node::List(_) => entry.list(walk)?,
            _ => vec![entry],
        };
        let values: Vec<Option<Quantity<'n>>> = items
            .into_iter()
            .map(|entry| {
                Some(Quantity {
                    value: entry.number(walk, unit.to_held, limits)?,
                    unit,
                    entry,
                })
            })
            .collect();
        values.into_iter().collect()
    }

    /// The entry of the key `stem_unit` and its unit.
    fn with_unit(
        &mut self,
        walk: &mut Walk,
        stem: &str,
        dimension: Dimension,
    ) -> Option<(Unit, Entry<'n>)> {
        let mut found: Option<(Unit, Entry<'n>)> = None;
        let keys = unit_keys(stem, dimension);
        self.stems.push((stem.to_owned(), keys));
        for (position, unit) in dimension.units().iter().enumerate() {
            let key = format!("{stem}_{}", unit.suffix);
            let entry = self.get(walk, &key);
            if position >= USUAL_UNITS {
                self.unusual.extend(self.known.pop());
            }
            let Some(entry) = entry else {
                continue;
            };
            if let Some((_, first)) = &found {
                let message = format!("`{stem}` is given twice, as `{}` and as `{key}`", first.key);
                entry.key_error(walk, "quantity-twice", message, "keep one of the two keys");
                continue;
            }
            found = Some((*unit, entry));
        }
        found
    }

    /// Was the quantity written down under any of its keys, be its value right or wrong?
    pub(super) fn has_quantity(&self, stem: &str, dimension: Dimension) -> bool {
        dimension
            .units()
            .iter()
            .any(|unit| self.has(&format!("{stem}_{}", unit.suffix)))
    }

    /// Reports the keys that nobody asked for.
    pub(super) fn finish(self, walk: &mut Walk) {
        #[cfg(test)]
        {
            let keys = [&self.known[..], &self.unusual[..]].concat();
            walk.asked.push((self.whole.path.clone(), keys));
        }
        for entry in &self.entries {
            if self.known.contains(&entry.key) || self.unusual.contains(&entry.key) {
                continue;
            }
            if let Some((stem, keys)) = self.stems.iter().find(|(stem, _)| *stem == entry.key) {
                let message = format!("`{stem}` does not say its unit");
                entry.key_error(walk, "key-without-unit", message, &format!("write {keys}"));
                continue;
            }
            let known: Vec<&str> = self.known.iter().map(String::as_str).collect();
            let message = format!("{} has no key {}", self.what, seen(&entry.key));
            entry.key_error(
                walk,
                "unknown-key",
                message,
                &did_you_mean(&entry.key, &known),
            );
        }
    }
}

/// The first units of each dimension are the usual metric and imperial one.
const USUAL_UNITS: usize = 2;

/// The two usual keys of a quantity, for hints: "`radius_m` or `radius_ft`".
pub(super) fn unit_keys(stem: &str, dimension: Dimension) -> String {
    let keys: Vec<String> = dimension
        .units()
        .iter()
        .take(USUAL_UNITS)
        .map(|unit| format!("`{stem}_{}`", unit.suffix))
        .collect();
    keys.join(" or ")
}
