//! A tidy table as CSV: UTF-8, comma, decimal point, empty where undefined.

use crate::tables::tidy::{Tidy, Value};

/// Draws a tidy table.
pub fn render<Name: AsRef<[u8]>>(tidy: &Tidy<Name>) -> anyhow::Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(&tidy.columns)?;
    for row in &tidy.rows {
        writer.write_record(row.iter().map(|value| match value {
            Value::Empty => String::new(),
            Value::Word(word) => word.clone(),
            Value::Number(number) => number.to_string(),
            Value::Count(count) => count.to_string(),
        }))?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}
