//! Tidy rows as JSON: numbers as numbers, `null` where undefined, keys in column order.

use serde::ser::{Serialize, SerializeMap, Serializer};

use crate::tables::tidy::{Tidy, Value, without_sign_of_zero};

/// What stands above the rows.
#[derive(Clone, Debug)]
pub struct Head<'a> {
    /// Title of the cruise.
    pub title: &'a str,
    /// `metric` or `imperial`.
    pub units: &'a str,
    /// Confidence level of the intervals.
    pub confidence: f64,
}

struct Document<'a>(&'a Head<'a>, &'a [(&'static str, Tidy)]);
struct Rows<'a>(&'a Tidy);
struct Row<'a>(&'a [&'static str], &'a [Value]);

impl Serialize for Value {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Value::Empty => serializer.serialize_none(),
            Value::Word(word) => serializer.serialize_str(word),
            Value::Number(number) => serializer.serialize_f64(without_sign_of_zero(*number)),
            Value::Count(count) => count.serialize(serializer),
        }
    }
}

impl Serialize for Row<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (column, value) in self.0.iter().zip(self.1) {
            map.serialize_entry(column, value)?;
        }
        map.end()
    }
}

impl Serialize for Rows<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let rows = self.0.rows.iter();
        serializer.collect_seq(rows.map(|row| Row(&self.0.columns, row)))
    }
}

impl Serialize for Document<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Document(head, tables) = self;
        let mut map = serializer.serialize_map(Some(3 + tables.len()))?;
        map.serialize_entry("title", head.title)?;
        map.serialize_entry("units", head.units)?;
        map.serialize_entry("confidence", &head.confidence)?;
        for (name, table) in *tables {
            map.serialize_entry(name, &Rows(table))?;
        }
        map.end()
    }
}

/// Draws the document: the head, then each table under its name.
pub fn render(head: &Head<'_>, tables: &[(&'static str, Tidy)]) -> anyhow::Result<String> {
    Ok(serde_json::to_string_pretty(&Document(head, tables))? + "\n")
}
