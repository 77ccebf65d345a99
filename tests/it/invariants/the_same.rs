//! What must not change a byte of any format.

use std::io::Write as _;

use proptest::prelude::*;
use proptest::sample::select;
use spinney::compare::paired;
use spinney::compile::{Knowledge, compile_apart};
use spinney::read::source::Source;
use spinney::render::parquet::from_csv;

use super::compiled::{Read, read_texts, sources};
use super::paper::{Files, Sheet, any_cruise};
use super::{CASES, cases};
use crate::merging::below;
use crate::random::Random;
use crate::workbooks::workbook;

fn assert_same_bytes(one: &Read, other: &Read) {
    for ((name, one), (_, other)) in one.formats().into_iter().zip(other.formats()) {
        let differ = one.lines().zip(other.lines()).find(|(a, b)| a != b);
        assert!(one == other, "{name}: {differ:?}");
    }
    // Slow; some cruises do.
    if one.records.stands[0].plots.len() == 5 {
        assert!(one.slow_formats() == other.slow_formats());
    }
}

/// Puts a list into a random order.
fn shuffle<T>(list: &mut [T], random: &mut Random) {
    for at in (1..list.len()).rev() {
        list.swap(at, below(at + 1, random));
    }
}

/// The same rows and columns in another order.
fn shuffled(sheet: &Sheet, random: &mut Random) -> Sheet {
    let mut columns: Vec<usize> = (0..sheet.heads.len()).collect();
    shuffle(&mut columns, random);
    let turn = |row: &Vec<String>| {
        columns
            .iter()
            .map(|at| row[*at].clone())
            .collect::<Vec<_>>()
    };
    let mut rows: Vec<Vec<String>> = sheet.rows.iter().map(turn).collect();
    shuffle(&mut rows, random);
    Sheet {
        name: sheet.name,
        heads: turn(&sheet.heads),
        rows,
    }
}

/// A way to write a sheet down.
#[derive(Clone, Copy, Debug)]
enum Form {
    Semicolons,
    Tabs,
    Parquet,
    WorkbookOfWords,
    WorkbookOfNumbers,
}

/// The source of a sheet in another form.
fn source_in(form: Form, sheet: &Sheet) -> Source {
    let comma = || {
        let fields = |row: &Vec<String>| row.iter().map(|field| with_comma(field)).collect();
        Sheet {
            rows: sheet.rows.iter().map(fields).collect(),
            ..sheet.clone()
        }
    };
    let text = |text: String| Source::from_bytes("t.csv", text.into_bytes()).unwrap();
    match form {
        // As old spreadsheets write it, with a byte-order mark.
        Form::Semicolons => text(format!("\u{feff}{}", comma().text(";", "\r\n"))),
        Form::Tabs => text(comma().text("\t", "\n")),
        Form::Parquet => {
            let mut bytes = Vec::new();
            from_csv(sheet.csv().as_bytes(), &mut bytes).unwrap();
            on_disk("parquet", &bytes)
        }
        Form::WorkbookOfWords => on_disk("xlsx", &workbook(&[("Sheet1", &sheet.csv())], false)),
        Form::WorkbookOfNumbers => on_disk("xlsx", &workbook(&[("Sheet1", &sheet.csv())], true)),
    }
}

/// A number with a decimal comma; words stay.
fn with_comma(field: &str) -> String {
    match field.parse::<f64>() {
        Ok(_) => field.replace('.', ","),
        Err(_) => field.to_owned(),
    }
}

fn on_disk(ending: &str, bytes: &[u8]) -> Source {
    let file = tempfile::Builder::new()
        .suffix(&format!(".{ending}"))
        .tempfile();
    let mut file = file.unwrap();
    file.write_all(bytes).unwrap();
    Source::open(file.path(), "t").unwrap()
}

/// The rows of one stand alone.
fn of_stand(files: &Files, stand: &str) -> Files {
    let sheets = files.sheets.iter().map(|sheet| {
        let rows = sheet.rows.iter().filter(|row| row[0] == stand);
        Sheet {
            rows: rows.cloned().collect(),
            ..sheet.clone()
        }
    });
    Files {
        sheets: sheets.collect(),
        ..files.clone()
    }
}

proptest! {
    #![proptest_config(cases(CASES))]

    #[test]
    fn in_any_order_of_rows_and_columns(cruise in any_cruise(), seed: u64) {
        let files = cruise.files();
        let mut random = Random(seed);
        let sheets = files.sheets.iter().map(|sheet| shuffled(sheet, &mut random)).collect();
        let turned = Files { sheets, ..files.clone() };
        assert_same_bytes(&files.read(), &turned.read());
    }

    #[test]
    fn in_any_form_of_file(
        cruise in any_cruise(),
        form in select(&[
            Form::Semicolons, Form::Tabs, Form::Parquet, Form::WorkbookOfWords, Form::WorkbookOfNumbers,
        ][..]),
    ) {
        let files = cruise.files();
        let other = read_texts(&files.design, sources(&files, |sheet| source_in(form, sheet)));
        assert_same_bytes(&files.read(), &other);
    }

    /// Where curves are fitted for each stand, as is usual.
    #[test]
    fn a_stand_by_itself_and_among_others(cruise in any_cruise()) {
        let by_cruise = cruise.rules.heights.iter().any(|line| line.contains("fit_by: cruise"));
        prop_assume!(!by_cruise);
        let files = cruise.files();
        let all = files.read().rows();
        for stand in &cruise.stands {
            let alone = of_stand(&files, &stand.name).read().rows();
            let among: Vec<_> = all.iter().filter(|(key, _)| key[0] == stand.name).collect();
            // A net volume is there as soon as one tree of the cruise has a defect.
            let alone = alone.iter().filter(|(key, _)| key[0] == stand.name);
            for (key, row) in alone {
                prop_assert_eq!(among.iter().find(|(other, _)| *other == key).map(|(_, row)| *row), Some(row));
            }
        }
    }

    #[test]
    fn compared_with_itself_there_is_no_difference(cruise in any_cruise()) {
        let (one, other) = (cruise.read(), cruise.read());
        let rows = paired(&one.compile(), &other.compile());
        prop_assert_eq!(rows.is_empty(), !cruise.rules.volume && !cruise.rules.biomass);
        for row in rows {
            prop_assert!(row.is_same(), "{row:?}");
            prop_assert_eq!(row.base.to_bits(), row.alternative.to_bits());
            if let Some((lower, upper)) = row.difference.interval(0.95) {
                prop_assert_eq!((lower, upper), (0.0, 0.0));
            }
        }
    }

    /// The estimates of stands compiled apart are those of the stands compiled together.
    #[test]
    fn apart_and_together(cruise in any_cruise()) {
        let read = cruise.read();
        let knowledge: &Knowledge = &read.knowledge;
        let (apart, _) = compile_apart(&read.design, &read.records, knowledge).unwrap_or_else(|missing| {
            panic!("{}", missing.message)
        });
        let together = read.compile().estimates.rows;
        let of_stands: Vec<_> = together.iter().filter(|row| row.stand.is_some()).collect();
        let apart: Vec<_> = apart.estimates.rows.iter().collect();
        prop_assert_eq!(apart, of_stands);
    }
}
