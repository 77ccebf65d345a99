//! Workbooks for tests: sheets from CSV texts, parts changed, written out again.

use std::io::{Cursor, Read as _, Write as _};

use rust_xlsxwriter::Workbook;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

/// A workbook of sheets, each from a CSV text, its rows where the lines of the text are. With
/// `numbers`, fields that are numbers are numbers in the sheet.
pub(crate) fn workbook(sheets: &[(&str, &str)], numbers: bool) -> Vec<u8> {
    let mut workbook = Workbook::new();
    for (name, csv) in sheets {
        let sheet = workbook.add_worksheet();
        sheet.set_name(*name).unwrap();
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .from_reader(csv.as_bytes());
        for row in reader.records() {
            let row = row.unwrap();
            let line = u32::try_from(row.position().unwrap().line() - 1).unwrap();
            for (column, field) in row.iter().enumerate() {
                let column = u16::try_from(column).unwrap();
                match field.parse::<f64>() {
                    Ok(number) if numbers && number.to_string() == field => {
                        sheet.write_number(line, column, number).unwrap();
                    }
                    _ if field.is_empty() => {}
                    _ => {
                        sheet.write_string(line, column, field).unwrap();
                    }
                }
            }
        }
    }
    workbook.save_to_buffer().unwrap()
}

/// The text of a part of a workbook.
pub(crate) fn part(workbook: &[u8], name: &str) -> String {
    let mut archive = ZipArchive::new(Cursor::new(workbook)).unwrap();
    let mut text = String::new();
    let mut part = archive.by_name(name).unwrap();
    part.read_to_string(&mut text).unwrap();
    text
}

/// The same archive with a part that is another, or one more.
pub(crate) fn with_part(workbook: &[u8], name: &str, content: &[u8]) -> Vec<u8> {
    let mut archive = ZipArchive::new(Cursor::new(workbook)).unwrap();
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default();
    for at in 0..archive.len() {
        let mut old = archive.by_index(at).unwrap();
        let old_name = old.name().unwrap().into_owned();
        if old_name != name {
            let mut bytes = Vec::new();
            old.read_to_end(&mut bytes).unwrap();
            writer.start_file(old_name, options).unwrap();
            writer.write_all(&bytes).unwrap();
        }
    }
    writer.start_file(name, options).unwrap();
    writer.write_all(content).unwrap();
    writer.finish().unwrap().into_inner()
}

/// The same workbook with a text in its first sheet replaced.
pub(crate) fn edited(workbook: &[u8], from: &str, to: &str) -> Vec<u8> {
    const SHEET: &str = "xl/worksheets/sheet1.xml";
    let xml = part(workbook, SHEET);
    assert!(xml.contains(from), "no {from} in {xml}");
    with_part(workbook, SHEET, xml.replacen(from, to, 1).as_bytes())
}
