//! The record files as the reference reads them: rows of text by head, and numbers with units.

use std::collections::BTreeMap;

use serde_yaml::Value;

/// Everything as text by head, with the line of the row.
pub(super) type Row = (usize, BTreeMap<String, String>);

pub(super) type Read<T> = Result<T, String>;

pub(super) const FOOT: f64 = 0.3048;
pub(super) const ACRE: f64 = 0.404_685_642_24;
pub(super) const DIAMETER: &[(&str, f64)] = &[("cm", 1.0), ("in", 2.54), ("mm", 0.1)];
pub(super) const LENGTH: &[(&str, f64)] = &[("m", 1.0), ("ft", FOOT), ("dm", 0.1), ("cm", 0.01)];
pub(super) const AREA: &[(&str, f64)] = &[("ha", 1.0), ("ac", ACRE), ("m2", 0.0001)];
pub(super) const FACTOR: &[(&str, f64)] = &[("m2_per_ha", 1.0), ("ft2_per_ac", FOOT * FOOT / ACRE)];

/// Rows of fields, each with its line. Line ends: LF, CRLF, CR; quotes as in RFC 4180.
pub(super) fn rows(text: &str, delimiter: char) -> Vec<(usize, Vec<String>)> {
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    let (mut rows, mut row, mut field) = (Vec::new(), Vec::new(), String::new());
    let (mut line, mut begun, mut quoted) = (1, 1, false);
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        line += usize::from(letter == '\n');
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => field.extend(letters.next()),
            '"' if quoted => quoted = false,
            '"' if field.is_empty() => quoted = true,
            _ if quoted => field.push(letter),
            '\n' => {
                row.push(std::mem::take(&mut field));
                rows.push((begun, std::mem::take(&mut row)));
                begun = line;
            }
            _ if letter == delimiter => row.push(std::mem::take(&mut field)),
            _ => field.push(letter),
        }
    }
    if !field.is_empty() || !row.is_empty() {
        row.push(field);
        rows.push((begun, row));
    }
    rows
}

/// What the heads are set apart by.
pub(super) fn delimiter_of(head: &str) -> char {
    let count = |of: &char| head.matches(*of).count();
    [',', ';', '\t']
        .into_iter()
        .rev()
        .max_by_key(count)
        .unwrap_or(',')
}

/// Rows as text, quoted where that is needed.
pub(super) fn written(rows: &[Vec<String>], delimiter: char) -> String {
    let field = |text: &String| {
        if text.contains([delimiter, '"', '\n']) || text.starts_with('"') {
            format!("\"{}\"", text.replace('"', "\"\""))
        } else {
            text.clone()
        }
    };
    let line = |row: &Vec<String>| row.iter().map(field).collect::<Vec<_>>();
    rows.iter()
        .map(|row| line(row).join(&delimiter.to_string()) + "\n")
        .collect()
}

pub(super) fn is_number(text: &str) -> bool {
    text.bytes().any(|byte| byte.is_ascii_digit())
        && text
            .bytes()
            .all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-' | b'+' | b'e' | b'E'))
        && text.parse::<f64>().is_ok_and(f64::is_finite)
}

/// A text of bytes: UTF-8, or UTF-16 with a mark.
pub(super) fn decoded(bytes: &[u8]) -> Read<String> {
    let wide = |of: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes[2..]
            .chunks_exact(2)
            .map(|pair| of([pair[0], pair[1]]))
            .collect();
        String::from_utf16(&units).map_err(|error| error.to_string())
    };
    match bytes {
        [0xff, 0xfe, ..] => wide(u16::from_le_bytes),
        [0xfe, 0xff, ..] => wide(u16::from_be_bytes),
        _ => String::from_utf8(bytes.to_vec())
            .map(|text| text.trim_start_matches('\u{feff}').to_owned())
            .map_err(|error| error.to_string()),
    }
}

/// A quantity `stem_unit`, in the first of these units.
pub(super) fn quantity(
    get: impl Fn(&str) -> Option<String>,
    stem: &str,
    units: &[(&str, f64)],
) -> Read<Option<f64>> {
    let mut found = None;
    for (unit, factor) in units {
        if let Some(text) = get(&format!("{stem}_{unit}")) {
            found = Some(number(&text)? * factor);
        }
    }
    Ok(found)
}

pub(super) fn number(text: &str) -> Read<f64> {
    if is_number(text) {
        text.parse().map_err(|_| text.to_owned())
    } else {
        Err(format!("`{text}` is no number"))
    }
}

pub(super) fn table(text: &str, renames: &Value) -> Read<Vec<Row>> {
    let first = text
        .split(['\n', '\r'])
        .find(|line| !line.trim().is_empty());
    let delimiter = delimiter_of(first.unwrap_or_default());
    let is_blank = |row: &(usize, Vec<String>)| row.1.iter().all(|text| text.trim().is_empty());
    let mut rows = rows(text, delimiter)
        .into_iter()
        .filter(|row| !is_blank(row));
    let heads = rows.next().ok_or("no heads")?.1;
    let heads: Vec<String> = heads
        .iter()
        .map(|head| {
            let head = head.trim().to_lowercase();
            scalar(&renames[head.as_str()]).unwrap_or(head)
        })
        .collect();
    let mut table = Vec::new();
    for (line, fields) in rows {
        if fields
            .iter()
            .skip(heads.len())
            .any(|text| !text.trim().is_empty())
        {
            return Err("more fields than heads".to_owned());
        }
        let mut row = BTreeMap::new();
        for (head, text) in heads.iter().zip(fields) {
            let text = text.trim();
            let text = match delimiter {
                ',' => text.to_owned(),
                _ if is_number(&text.replace(',', ".")) => text.replace(',', "."),
                _ => text.to_owned(),
            };
            if !text.is_empty() && row.insert(head.clone(), text).is_some() {
                return Err(format!("`{head}` twice"));
            }
        }
        if !row.is_empty() {
            table.push((line, row));
        }
    }
    Ok(table)
}

pub(super) fn scalar(value: &Value) -> Option<String> {
    match value {
        Value::String(text) => Some(text.clone()),
        Value::Number(number) => Some(number.to_string()),
        Value::Bool(is) => Some(is.to_string()),
        _ => None,
    }
}
