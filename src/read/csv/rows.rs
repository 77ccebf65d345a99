//! Text to rows of fields. The only user of `csv-core`, the parser of the `csv` crate, whose
//! state machine is used again: making one takes longer than reading the rows of a stand.

use std::cell::RefCell;
use std::mem;

use csv_core::{ReadRecordResult, Reader, ReaderBuilder};

thread_local! {
    /// Parsers out of use, each with its delimiter.
    static IDLE: RefCell<Vec<(u8, Reader)>> = const { RefCell::new(Vec::new()) };
}

/// The rows of a text, one after the other.
pub(super) struct Rows<'s> {
    delimiter: u8,
    /// There until it is dropped.
    core: Option<Reader>,
    text: &'s [u8],
    /// Bytes read so far.
    at: usize,
}

/// The fields of a row; also the room for those of the next.
#[derive(Debug, Default)]
pub(super) struct Fields {
    /// All fields, one after the other, without delimiters and the quotes around them.
    text: String,
    /// Where each ends in `text`; what lies beyond `count` is room.
    ends: Vec<usize>,
    count: usize,
}

impl<'s> Rows<'s> {
    pub(super) fn of(text: &'s str, delimiter: u8) -> Self {
        let idle = IDLE.with_borrow_mut(|idle| {
            let known = idle.iter().position(|(of, _)| *of == delimiter)?;
            Some(idle.swap_remove(known).1)
        });
        // No clone: that of `csv-core` 0.1.13 leaves half of the state machine behind.
        let mut core = idle.unwrap_or_else(|| ReaderBuilder::new().delimiter(delimiter).build());
        core.reset();
        Rows {
            delimiter,
            core: Some(core),
            text: text.as_bytes(),
            at: 0,
        }
    }

    /// Reads the next row; the byte at which it begins, or line ends before it. `None` at the end.
    pub(super) fn read(&mut self, fields: &mut Fields) -> Option<usize> {
        let core = self.core.as_mut()?;
        let start = self.at;
        let mut text = mem::take(&mut fields.text).into_bytes();
        text.resize(text.capacity(), 0);
        let (mut length, mut count) = (0, 0);
        let is_row = loop {
            let (result, read, written, ended) = core.read_record(
                &self.text[self.at..],
                &mut text[length..],
                &mut fields.ends[count..],
            );
            self.at += read;
            length += written;
            count += ended;
            match result {
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::OutputFull => text.resize(128.max(2 * length), 0),
                ReadRecordResult::OutputEndsFull => fields.ends.resize(16.max(2 * count), 0),
                ReadRecordResult::Record => break true,
                ReadRecordResult::End => break false,
            }
        };
        text.truncate(length);
        // Parts of UTF-8 between ASCII characters are UTF-8.
        fields.text = String::from_utf8(text).unwrap_or_default();
        fields.count = count;
        is_row.then_some(start)
    }

    /// Bytes read so far.
    pub(super) fn read_so_far(&self) -> usize {
        self.at
    }
}

impl Drop for Rows<'_> {
    fn drop(&mut self) {
        if let Some(core) = self.core.take() {
            IDLE.with_borrow_mut(|idle| idle.push((self.delimiter, core)));
        }
    }
}

impl Fields {
    pub(super) fn len(&self) -> usize {
        self.count
    }

    pub(super) fn get(&self, index: usize) -> Option<&str> {
        let ends = &self.ends[..self.count];
        let end = *ends.get(index)?;
        let start = index.checked_sub(1).map_or(0, |before| ends[before]);
        self.text.get(start..end)
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &str> {
        (0..self.count).filter_map(|index| self.get(index))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const DELIMITERS: [u8; 3] = [b',', b';', b'\t'];

    /// All rows, as the `csv` crate reads them and as they are read here.
    fn both(text: &str, delimiter: u8) -> [Vec<(usize, Vec<String>)>; 2] {
        let owned = |field: &str| field.to_owned();
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .flexible(true)
            .has_headers(false)
            .from_reader(text.as_bytes());
        let records = reader.records().map(|record| {
            let record = record.unwrap();
            let start = record.position().unwrap().byte();
            let start = usize::try_from(start).unwrap();
            (start, record.iter().map(owned).collect())
        });
        let records = records.collect();
        let (mut rows, mut fields) = (Rows::of(text, delimiter), Fields::default());
        let mut read = Vec::new();
        while let Some(start) = rows.read(&mut fields) {
            read.push((start, fields.iter().map(owned).collect()));
        }
        [records, read]
    }

    proptest! {
        #[test]
        fn rows_are_those_of_the_csv_crate(text in "[a1é,;\"\t\r\n \u{feff}]{0,200}") {
            for delimiter in DELIMITERS {
                let [records, read] = both(&text, delimiter);
                prop_assert_eq!(records, read);
            }
        }
    }

    #[test]
    fn long_fields_and_long_rows_find_room() {
        let text = format!("{},b\n{}\n", "x".repeat(5000), ",".repeat(3000));
        let [records, read] = both(&text, b',');
        assert_eq!(records, read);
        assert_eq!(read[1].1.len(), 3001);
    }
}
