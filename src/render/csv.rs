//! Tables for machines as CSV: UTF-8, comma, decimal point, empty where undefined; words are quoted
//! where they hold a comma, a quote or an end of line, and get an apostrophe where a spreadsheet
//! program would run them as a formula.

use crate::diagnostic::guarded;
use crate::estimates::EstimateRow;
use crate::math::shortest;
use crate::tables::frame::Frame;
use crate::tables::tidy::{
    Field, Tidy, Value, estimate_columns, estimate_fields, without_sign_of_zero,
};
use crate::units::UnitSystem;

/// Name of the leading column where the results of several designs stand in one table.
pub const DESIGN: &str = "design";

/// Draws a tidy table.
pub fn render<Name: AsRef<str>>(tidy: &Tidy<Name>) -> Vec<u8> {
    let mut out = Vec::new();
    push_words(&mut out, tidy.columns.iter().map(AsRef::as_ref));
    for row in &tidy.rows {
        push_line(&mut out, row.iter().map(Value::field));
    }
    out
}

/// The head of the estimate table, a line; with a leading column [`DESIGN`] if wanted.
pub fn estimate_head(units: UnitSystem, with_design: bool) -> String {
    let columns = with_design.then_some(DESIGN).into_iter();
    let columns: Vec<&str> = columns.chain(estimate_columns(units)).collect();
    columns.join(",") + "\n"
}

/// Rows of the estimate table without their head, a line each; `first` is the text of a leading
/// column.
pub fn estimate_rows(out: &mut Vec<u8>, frame: &Frame, rows: &[EstimateRow], first: Option<&str>) {
    for row in rows {
        let fields = estimate_fields(frame, row);
        push_line(out, first.map(Field::word).into_iter().chain(fields));
    }
}

fn push_words<'a>(out: &mut Vec<u8>, words: impl Iterator<Item = &'a str>) {
    push_line(out, words.map(Field::word));
}

fn push_line<'a>(out: &mut Vec<u8>, fields: impl Iterator<Item = Field<'a>>) {
    let start = out.len();
    let mut is_first = true;
    for field in fields {
        if !is_first {
            out.push(b',');
        }
        is_first = false;
        push_field(out, &field);
    }
    if out.len() == start {
        // A line of one empty field would be a blank line, which readers skip.
        out.extend_from_slice(b"\"\"");
    }
    out.push(b'\n');
}

fn push_field(out: &mut Vec<u8>, field: &Field<'_>) {
    match field {
        Field::Empty => {}
        Field::Word(word) => push_word(out, guarded(word).as_bytes()),
        Field::Number(number) => shortest::push(out, without_sign_of_zero(*number)),
        Field::Count(count) => out.extend_from_slice(itoa::Buffer::new().format(*count).as_bytes()),
    }
}

fn push_word(out: &mut Vec<u8>, word: &[u8]) {
    if !word
        .iter()
        .any(|b| matches!(b, b',' | b'"' | b'\n' | b'\r'))
    {
        out.extend_from_slice(word);
        return;
    }
    out.push(b'"');
    for byte in word {
        if *byte == b'"' {
            out.push(b'"');
        }
        out.push(*byte);
    }
    out.push(b'"');
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn by_csv(rows: &[Vec<String>]) -> Vec<u8> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        for row in rows {
            writer.write_record(row).unwrap();
        }
        writer.into_inner().unwrap()
    }

    proptest! {
        #[test]
        fn words_are_quoted_as_the_csv_crate_does(
            rows in (1_usize..4).prop_flat_map(|columns| {
                prop::collection::vec(prop::collection::vec("[a ,\"\n\ré#;\t]{0,5}", columns), 1..4)
            })
        ) {
            let tidy = Tidy {
                columns: rows[0].clone(),
                rows: rows[1..].iter().map(|row| row.iter().map(Value::word).collect()).collect(),
            };
            let words: Vec<Vec<String>> = (rows.iter())
                .map(|row| row.iter().map(|word| guarded(word).into_owned()).collect())
                .collect();
            prop_assert_eq!(render(&tidy), by_csv(&words));
        }
    }
}
