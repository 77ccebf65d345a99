//! Rows of the estimate table as they are written against the table as JSON holds it.

use spinney::render::csv::{DESIGN, estimate_head, estimate_rows};
use spinney::tables::frame::Frame;
use spinney::tables::tidy::{Value, estimates};
use spinney::units::UnitSystem;

use crate::sample::{bare, dead, design, estimate, fixed, plot, records, tree, visit};

/// The text that `Display` gives, quoted by the csv crate.
fn expected(lines: impl Iterator<Item = Vec<String>>) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for line in lines {
        writer.write_record(line).unwrap();
    }
    String::from_utf8(writer.into_inner().unwrap()).unwrap()
}

fn text(value: &Value) -> String {
    match value {
        Value::Empty => String::new(),
        Value::Word(word) => word.clone(),
        Value::Number(number) => number.to_string(),
        Value::Count(count) => count.to_string(),
    }
}

#[test]
fn rows_are_those_of_the_table_with_a_leading_column_if_wanted() {
    let mut design = design(vec![fixed(0.02)]);
    let plots = |design| {
        let live = tree(0, 23.7);
        let plots = [vec![live.clone(), dead(tree(1, 31.0), Some(2))], vec![live]];
        plots.map(|trees| plot(0, vec![visit(design, 0, trees, Vec::new())]))
    };
    let stands = vec![
        (
            "a \"b\"",
            vec![("x, y", Some(3.0))],
            plots(&design).to_vec(),
        ),
        ("c\nd", vec![("x, y", None)], plots(&design).to_vec()),
    ];
    let records = records(2, stands);
    for units in [UnitSystem::Metric, UnitSystem::Imperial] {
        design.units = units;
        let rows = estimate(&design, &records, bare).rows;
        let table = estimates(&design, &records, &rows);
        assert!(table.rows.len() > 40);
        for first in [None, Some("v1"), Some("old, \"new\"")] {
            let mut written = estimate_head(units, first.is_some()).into_bytes();
            let frame = Frame::of(&design, &records);
            estimate_rows(&mut written, &frame, &rows, first);
            let names = table.columns.iter().map(|name| (*name).to_owned());
            let head = first.map(|_| DESIGN.to_owned()).into_iter().chain(names);
            let lines = table.rows.iter().map(|row| {
                let first = first.map(str::to_owned).into_iter();
                first.chain(row.iter().map(text)).collect()
            });
            let lines = std::iter::once(head.collect()).chain(lines);
            assert_eq!(String::from_utf8(written).unwrap(), expected(lines));
        }
    }
}
