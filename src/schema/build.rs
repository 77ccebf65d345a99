//! Parts of a schema: objects with strict keys, quantities under the keys of their units, words,
//! limits.

use serde_json::{Map, Value, json};

use crate::read::limits::Limits;
use crate::units::{Dimension, Unit};

/// A map with a fixed set of keys.
pub(super) struct Object {
    description: String,
    properties: Map<String, Value>,
    required: Vec<String>,
    /// What holds beside the keys themselves.
    rules: Vec<Value>,
}

impl Object {
    pub(super) fn new(description: &str) -> Self {
        Object {
            description: description.to_owned(),
            properties: Map::new(),
            required: Vec::new(),
            rules: Vec::new(),
        }
    }

    /// A key that may be left out.
    pub(super) fn key(mut self, name: &str, mut value: Value) -> Self {
        if let Value::Object(parts) = &mut value {
            let title = || json!(in_words(name));
            parts.entry("title").or_insert_with(title);
        }
        self.properties.insert(name.to_owned(), value);
        self
    }

    /// A key that must be there.
    pub(super) fn required(mut self, name: &str, value: Value) -> Self {
        self.required.push(name.to_owned());
        self.key(name, value)
    }

    /// A quantity under the key of any of its units; `value` makes its schema, given the words for
    /// the unit and the limits in it.
    fn with_units(
        mut self,
        stem: &str,
        dimension: Dimension,
        value: impl Fn(&Unit) -> Value,
    ) -> Self {
        for unit in dimension.units() {
            let mut value = value(unit);
            let shown = unit.suffix.replace("_per_", "/");
            value["title"] = json!(format!("{} ({shown})", in_words(stem)));
            self = self.key(&format!("{stem}_{}", unit.suffix), value);
        }
        self
    }

    /// A quantity under one of the keys of its units, or none.
    pub(super) fn quantity(
        self,
        stem: &str,
        dimension: Dimension,
        limits: &Limits,
        description: &str,
    ) -> Self {
        let value = |unit: &Unit| quantity(description, unit, limits);
        self.with_units(stem, dimension, value)
            .at_most_one(&unit_keys(stem, dimension))
    }

    /// A quantity that is one of several ways to say the same: the caller says how many must be
    /// there.
    pub(super) fn way(
        self,
        stem: &str,
        dimension: Dimension,
        limits: &Limits,
        description: &str,
    ) -> Self {
        self.with_units(stem, dimension, |unit| quantity(description, unit, limits))
    }

    /// A quantity that must be there under one of the keys of its units.
    pub(super) fn required_quantity(
        self,
        stem: &str,
        dimension: Dimension,
        limits: &Limits,
        description: &str,
    ) -> Self {
        self.way(stem, dimension, limits, description)
            .exactly_one(&unit_keys(stem, dimension))
    }

    /// Quantities in a list, or a single one, under one of the keys of their units.
    pub(super) fn required_quantities(
        self,
        stem: &str,
        dimension: Dimension,
        limits: &Limits,
        description: &str,
    ) -> Self {
        let value = |unit: &Unit| {
            let one = quantity(description, unit, limits);
            json!({
                "description": one["description"],
                "anyOf": [one, { "type": "array", "minItems": 1, "items": one }],
            })
        };
        self.with_units(stem, dimension, value)
            .exactly_one(&unit_keys(stem, dimension))
    }

    /// Just one of these keys must be there.
    pub(super) fn exactly_one(self, keys: &[String]) -> Self {
        let alternatives: Vec<Value> = keys.iter().map(|key| present(key)).collect();
        self.rule(json!({ "oneOf": alternatives }))
    }

    /// Of these keys one can be there.
    pub(super) fn at_most_one(self, keys: &[String]) -> Self {
        let mut alternatives: Vec<Value> = keys.iter().map(|key| present(key)).collect();
        alternatives.push(absent(keys));
        self.rule(json!({ "oneOf": alternatives }))
    }

    /// Something else that holds.
    pub(super) fn rule(mut self, rule: Value) -> Self {
        self.rules.push(rule);
        self
    }

    pub(super) fn done(self) -> Value {
        let mut object = json!({
            "type": "object",
            "description": self.description,
            "properties": self.properties,
            "additionalProperties": false,
        });
        if !self.required.is_empty() {
            object["required"] = json!(self.required);
        }
        if !self.rules.is_empty() {
            object["allOf"] = json!(self.rules);
        }
        object
    }
}

/// Is the key there?
pub(super) fn present(key: &str) -> Value {
    json!({ "required": [key] })
}

/// None of the keys is there.
pub(super) fn absent(keys: &[impl AsRef<str>]) -> Value {
    let present: Vec<Value> = keys.iter().map(|key| present(key.as_ref())).collect();
    json!({ "not": { "anyOf": present } })
}

/// The keys of a quantity, one for each unit.
pub(super) fn unit_keys(stem: &str, dimension: Dimension) -> Vec<String> {
    let units = dimension.units().iter();
    units
        .map(|unit| format!("{stem}_{}", unit.suffix))
        .collect()
}

/// One word or a phrase; numbers and truth values are taken as they would be written.
pub(super) fn text(description: &str) -> Value {
    json!({
        "description": description,
        "type": ["string", "number", "boolean"],
        "pattern": "\\S",
    })
}

pub(super) fn boolean(description: &str) -> Value {
    json!({ "description": description, "type": "boolean" })
}

/// One of the words that the reader knows.
pub(super) fn word<T>(description: &str, words: &[(&str, T)]) -> Value {
    let words: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
    json!({ "description": description, "enum": words })
}

/// Just this word.
pub(super) fn only(description: &str, word: &str) -> Value {
    json!({ "description": description, "const": word })
}

/// A name: those that are built in are suggested, others may come from own tables.
pub(super) fn suggested(description: &str, names: &[String]) -> Value {
    json!({
        "description": description,
        "anyOf": [{ "enum": names }, { "type": "string", "pattern": "\\S" }],
    })
}

/// A number without a unit, or whose key says it.
pub(super) fn number(description: &str, limits: &Limits) -> Value {
    limited("number", description, limits, 1.0)
}

/// A whole number.
pub(super) fn whole(description: &str, limits: &Limits) -> Value {
    limited("integer", description, limits, 1.0)
}

pub(super) fn list(description: &str, items: &Value) -> Value {
    json!({ "description": description, "type": "array", "minItems": 1, "items": items })
}

/// A map whose keys are names that the user chose.
pub(super) fn named(description: &str, value: &Value) -> Value {
    json!({ "description": description, "type": "object", "additionalProperties": value })
}

/// One of several kinds of value.
pub(super) fn any_of(description: &str, kinds: &[Value]) -> Value {
    json!({ "description": description, "anyOf": kinds })
}

fn quantity(description: &str, unit: &Unit, limits: &Limits) -> Value {
    let description = format!("{description}, in {}.", words_of(unit.suffix));
    limited("number", &description, limits, unit.to_held)
}

fn limited(kind: &str, description: &str, limits: &Limits, to_held: f64) -> Value {
    let mut value = json!({ "description": description, "type": kind });
    let (low, low_is_in) = limits.low();
    let (high, high_is_in) = limits.high();
    let low_key = if low_is_in {
        "minimum"
    } else {
        "exclusiveMinimum"
    };
    let high_key = if high_is_in {
        "maximum"
    } else {
        "exclusiveMaximum"
    };
    value[low_key] = bound(low / to_held);
    value[high_key] = bound(high / to_held);
    value
}

/// A whole bound is written without a point.
fn bound(value: f64) -> Value {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "whole and within the whole numbers that a float holds"
    )]
    if value.fract() == 0.0 && value.abs() <= 9_007_199_254_740_991.0 {
        json!(value as i64)
    } else {
        json!(value)
    }
}

/// A key as a title: `Min dbh`.
fn in_words(key: &str) -> String {
    let mut words = key.replace('_', " ");
    if let Some(first) = words.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    words
}

/// A unit in words.
fn words_of(suffix: &str) -> &str {
    match suffix {
        "mm" => "millimetres",
        "cm" => "centimetres",
        "dm" => "decimetres",
        "m" => "metres",
        "in" => "inches",
        "ft" => "feet",
        "ha" => "hectares",
        "ac" => "acres",
        "m2" => "square metres",
        "m2_per_ha" => "square metres per hectare",
        "ft2_per_ac" => "square feet per acre",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_has_words() {
        use Dimension::{Area, BasalAreaFactor, Diameter, Length};
        for dimension in [Area, BasalAreaFactor, Diameter, Length] {
            for unit in dimension.units() {
                assert_ne!(words_of(unit.suffix), unit.suffix);
            }
        }
    }
}
