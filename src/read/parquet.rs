//! Parquet to CSV text, so that records in columns are read and checked as those in text.
//!
//! Words stay as they are, but for line ends within them, which become spaces: a row is a line.
//! Numbers become the shortest text that reads back, dates and times are written as
//! `2001-12-31` and `23:59:59.000`, nothing is an empty field.

mod pages;

use std::fs::File;
use std::io::{self, Read, Seek as _, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;

use parquet::basic::{ConvertedType, LogicalType};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{ByteArray, DataType, Decimal};
use parquet::file::reader::{FileReader as _, SerializedFileReader};
use parquet::record::Field;
use parquet::schema::types::{ColumnDescPtr, ColumnDescriptor};

use crate::diagnostic::{Diagnostic, Heads, Rows, Site, seen};
use crate::math::shortest;

/// Rows that are turned into text at once.
const ROWS_AT_ONCE: usize = 8192;
/// Bytes of text that a file may become, and so many times its own length: one word may stand in
/// very many rows.
const MOST_TEXT: u64 = 2_000_000_000;
const MOST_TIMES: u64 = 100;
/// Bytes of text of the rows that are turned into text at once.
const MOST_AT_ONCE: usize = 500_000_000;
/// Bytes with which a Parquet file begins.
pub(super) const MAGIC: &[u8] = b"PAR1";

/// Is this the name of a Parquet file?
pub fn is_parquet(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("parquet"))
}

/// Writes the rows of a Parquet file as CSV, a row group at a time, and gives the names of its
/// columns; `shown` names the file in messages.
pub fn to_csv(mut file: File, shown: &str, out: &mut impl Write) -> Result<Heads, Box<Diagnostic>> {
    let at_file = |finding: Diagnostic| Box::new(finding.at(Site::whole(shown)));
    if let Some(finding) = no_parquet(&mut file) {
        return Err(at_file(finding));
    }
    // A broken file may go wrong anywhere in the decoder.
    let converted = catch_unwind(AssertUnwindSafe(|| convert(file, shown, out)));
    converted.unwrap_or_else(|_| Err(at_file(broken("its pages cannot be decoded"))))
}

/// What is wrong with a file that does not begin as Parquet does.
fn no_parquet(file: &mut File) -> Option<Diagnostic> {
    let mut start = Vec::new();
    let read = (file.rewind()).and_then(|()| Read::by_ref(file).take(12).read_to_end(&mut start));
    match read {
        Err(error) => Some(
            Diagnostic::error(
                "unreadable-file",
                format!("the file cannot be read: {error}"),
            )
            .hint("see that it is there and may be read"),
        ),
        Ok(_) if start.is_empty() => Some(
            Diagnostic::error("empty-file", "the file is empty")
                .hint("a Parquet file names its columns even if it has no rows"),
        ),
        Ok(_) if !start.starts_with(MAGIC) => {
            let start = seen(&String::from_utf8_lossy(&start));
            Some(
                Diagnostic::error(
                    "not-parquet",
                    format!("this is no Parquet file (it begins with {start})"),
                )
                .hint("write it as Parquet; a file of text is called `.csv`"),
            )
        }
        Ok(_) => None,
    }
}

fn broken(what: impl std::fmt::Display) -> Diagnostic {
    let message = format!("the Parquet file is broken: {what}");
    Diagnostic::error("broken-parquet", message).hint("write it again")
}

fn too_large() -> Diagnostic {
    let message = "unpacked, the file is too large to be read";
    Diagnostic::error("parquet-too-large", message)
        .hint("write it again in more row groups, or as CSV")
}

/// What ends the conversion within a column.
enum Stop {
    Column(Box<Diagnostic>),
    /// A row, counted from 0 within those read at once, and what is wrong with its value.
    Value(usize, Box<Diagnostic>),
}

/// A column: its values as text, one after another.
struct Column {
    reader: ColumnReader,
    described: ColumnDescPtr,
    text: Vec<u8>,
    ends: Vec<usize>,
}

fn convert(file: File, shown: &str, out: &mut impl Write) -> Result<Heads, Box<Diagnostic>> {
    let at_file = |finding: Diagnostic| Box::new(finding.at(Site::whole(shown)));
    let unreadable = |e: io::Error| at_file(broken(e));
    let length = file.metadata().map_err(unreadable)?.len();
    let mut again = file.try_clone().map_err(unreadable)?;
    let reader = SerializedFileReader::new(file).map_err(|e| at_file(broken(e)))?;
    if !pages::fit(&mut again, reader.metadata()).map_err(unreadable)? {
        return Err(at_file(too_large()));
    }
    let mut text_left = length.saturating_mul(MOST_TIMES).saturating_add(MOST_TEXT);
    let described = reader.metadata().file_metadata().schema_descr().columns();
    check_columns(described).map_err(at_file)?;
    let columns: Vec<String> = described.iter().map(|c| one_line(c.name())).collect();
    write_heads(&columns, out).map_err(|e| at_file(unwritten(&e)))?;
    let heads = Heads::new(Rows {
        sheet: None,
        columns,
    });
    let mut writer = csv::Writer::from_writer(out);
    let mut rows_before = 0;
    for group in 0..reader.num_row_groups() {
        let group = reader
            .get_row_group(group)
            .map_err(|e| at_file(broken(e)))?;
        let mut columns = Vec::new();
        for (index, described) in described.iter().enumerate() {
            columns.push(Column {
                reader: (group.get_column_reader(index)).map_err(|e| at_file(broken(e)))?,
                described: Arc::clone(described),
                text: Vec::new(),
                ends: Vec::new(),
            });
        }
        let mut left = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
        while left > 0 {
            let rows = left.min(ROWS_AT_ONCE);
            let mut room = MOST_AT_ONCE;
            for (index, column) in columns.iter_mut().enumerate() {
                let site = |line| Site {
                    file: shown.into(),
                    line,
                    column: index + 1,
                    heads: Some(Arc::clone(&heads)),
                };
                column.read(rows, room).map_err(|stop| {
                    Box::new(match stop {
                        Stop::Column(finding) => finding.at(site(1)),
                        Stop::Value(row, finding) => finding.at(site(rows_before + row + 2)),
                    })
                })?;
                room = room.saturating_sub(column.text.len());
            }
            let text = (MOST_AT_ONCE - room + rows * columns.len()) as u64;
            let still = text_left.checked_sub(text);
            text_left = still.ok_or_else(|| at_file(too_large()))?;
            write_rows(rows, &columns, &mut writer).map_err(|e| at_file(unwritten(&e)))?;
            rows_before += rows;
            left -= rows;
        }
    }
    writer.flush().map_err(|e| at_file(unwritten(&e)))?;
    Ok(heads)
}

/// A table has columns, and each holds one value in a row.
fn check_columns(columns: &[ColumnDescPtr]) -> Result<(), Diagnostic> {
    if columns.is_empty() {
        return Err(Diagnostic::error("empty-file", "the file has no columns")
            .hint("write it again from the records, with their columns"));
    }
    let nested = columns.iter().filter(|column| {
        column.max_rep_level() > 0 || column.max_def_level() > 1 || column.path().parts().len() > 1
    });
    let mut names: Vec<String> = nested
        .map(|column| seen(&column.path().parts()[0]))
        .collect();
    names.dedup();
    if names.is_empty() {
        return Ok(());
    }
    let (column, holds) = match names.len() {
        1 => ("column", "holds"),
        _ => ("columns", "hold"),
    };
    let message = format!("{column} {} {holds} lists or records", names.join(", "));
    Err(Diagnostic::error("nested-column", message)
        .hint("a record has one word or number in each column"))
}

/// The first line of the CSV.
pub(super) fn write_heads(heads: &[String], out: &mut impl Write) -> io::Result<()> {
    // All in quotes: the delimiter is found by counting outside of them.
    let quoted = heads
        .iter()
        .map(|head| format!("\"{}\"", head.replace('"', "\"\"")));
    writeln!(out, "{}", quoted.collect::<Vec<_>>().join(","))
}

fn write_rows<W: Write>(
    rows: usize,
    columns: &[Column],
    writer: &mut csv::Writer<W>,
) -> io::Result<()> {
    let mut starts = vec![0; columns.len()];
    for row in 0..rows {
        for (column, start) in columns.iter().zip(&mut starts) {
            let end = column.ends[row];
            writer.write_field(&column.text[*start..end])?;
            *start = end;
        }
        writer.write_record(None::<&[u8]>)?;
    }
    Ok(())
}

impl Column {
    /// Reads the next rows.
    fn read(&mut self, rows: usize, room: usize) -> Result<(), Stop> {
        let Column {
            reader,
            described,
            text,
            ends,
        } = self;
        text.clear();
        ends.clear();
        let about = &**described;
        let mut take = Take {
            rows,
            room,
            text,
            ends,
        };
        match reader {
            ColumnReader::BoolColumnReader(reader) => take.all(reader, |out, value| {
                push(out, value);
                Ok(())
            }),
            ColumnReader::Int32ColumnReader(reader) => {
                take.all(reader, |out, value| push_int32(out, *value, about))
            }
            ColumnReader::Int64ColumnReader(reader) => {
                take.all(reader, |out, value| push_int64(out, *value, about))
            }
            ColumnReader::Int96ColumnReader(reader) => take.all(reader, |out, value| {
                push_time(out, Field::TimestampMillis(value.to_millis()))
            }),
            ColumnReader::FloatColumnReader(reader) => take.all(reader, |out, value| {
                push(out, value);
                Ok(())
            }),
            ColumnReader::DoubleColumnReader(reader) => take.all(reader, |out, value| {
                shortest::push(out, *value);
                Ok(())
            }),
            ColumnReader::ByteArrayColumnReader(reader) => {
                take.all(reader, |out, value| push_bytes(out, value, about))
            }
            ColumnReader::FixedLenByteArrayColumnReader(reader) => {
                take.all(reader, |out, value| push_bytes(out, value, about))
            }
        }
    }
}

/// Where the next rows of a column go, and room for their text.
struct Take<'c> {
    rows: usize,
    room: usize,
    text: &'c mut Vec<u8>,
    ends: &'c mut Vec<usize>,
}

impl Take<'_> {
    fn all<T: DataType>(
        &mut self,
        reader: &mut ColumnReaderImpl<T>,
        push: impl Fn(&mut Vec<u8>, &T::T) -> Result<(), Diagnostic>,
    ) -> Result<(), Stop> {
        let (mut values, mut levels) = (Vec::new(), Vec::new());
        let read = reader.read_records(self.rows, Some(&mut levels), None, &mut values);
        let (read, ..) = read.map_err(|error| Stop::Column(Box::new(broken(error))))?;
        let mut values = values.iter();
        for row in 0..read {
            // A column that must have values has no levels.
            if levels.get(row) != Some(&0) {
                let Some(value) = values.next() else { break };
                push(self.text, value).map_err(|finding| Stop::Value(row, Box::new(finding)))?;
            }
            if self.text.len() > self.room {
                return Err(Stop::Column(Box::new(too_large())));
            }
            self.ends.push(self.text.len());
        }
        if self.ends.len() < self.rows {
            return Err(Stop::Column(Box::new(broken(
                "this column is shorter than the others",
            ))));
        }
        Ok(())
    }
}

fn push(out: &mut Vec<u8>, value: impl std::fmt::Display) {
    // Writing to memory does not fail.
    let _ = write!(out, "{value}");
}

fn push_int32(out: &mut Vec<u8>, value: i32, about: &ColumnDescriptor) -> Result<(), Diagnostic> {
    match about.converted_type() {
        ConvertedType::DATE => return push_time(out, Field::Date(value)),
        ConvertedType::TIME_MILLIS => return push_time(out, Field::TimeMillis(value)),
        ConvertedType::DECIMAL => {
            let (precision, scale) = (about.type_precision(), about.type_scale());
            push_decimal(out, Decimal::from_i32(value, precision, scale));
        }
        ConvertedType::UINT_8 | ConvertedType::UINT_16 | ConvertedType::UINT_32 => {
            push(out, value.cast_unsigned());
        }
        _ => push(out, value),
    }
    Ok(())
}

fn push_int64(out: &mut Vec<u8>, value: i64, about: &ColumnDescriptor) -> Result<(), Diagnostic> {
    let in_micros = value.div_euclid(1000);
    match (about.converted_type(), about.logical_type_ref()) {
        (ConvertedType::TIME_MICROS, _) => push_time(out, Field::TimeMicros(value)),
        (ConvertedType::TIMESTAMP_MILLIS, _) => push_time(out, Field::TimestampMillis(value)),
        (ConvertedType::TIMESTAMP_MICROS, _) => push_time(out, Field::TimestampMicros(value)),
        (_, Some(LogicalType::Timestamp(_))) => push_time(out, Field::TimestampMicros(in_micros)),
        (_, Some(LogicalType::Time(_))) => push_time(out, Field::TimeMicros(in_micros)),
        (ConvertedType::DECIMAL, _) => {
            let (precision, scale) = (about.type_precision(), about.type_scale());
            push_decimal(out, Decimal::from_i64(value, precision, scale));
            Ok(())
        }
        (ConvertedType::UINT_64, _) => {
            push(out, value.cast_unsigned());
            Ok(())
        }
        _ => {
            push(out, value);
            Ok(())
        }
    }
}

/// A date or time, as far as the calendar of the decoder goes.
fn push_time(out: &mut Vec<u8>, time: Field) -> Result<(), Diagnostic> {
    // Years before 240000.
    const MOST_DAYS: i64 = 87_600_000;
    const MS_PER_DAY: i64 = 86_400_000;
    let days = match time {
        Field::Date(days) => i64::from(days),
        Field::TimestampMillis(ms) => ms / MS_PER_DAY,
        Field::TimestampMicros(us) => us / (1000 * MS_PER_DAY),
        _ => 0,
    };
    if days.abs() > MOST_DAYS {
        let message = format!("this date is no date ({days} days from 1970-01-01)");
        return Err(Diagnostic::error("bad-date", message).hint("correct it, or leave it out"));
    }
    push(out, time);
    Ok(())
}

/// A decimal number without the zeros and the point at its end.
fn push_decimal(out: &mut Vec<u8>, decimal: Decimal) {
    let text = Field::Decimal(decimal).to_string();
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    out.extend_from_slice(text.as_bytes());
}

fn push_bytes(
    out: &mut Vec<u8>,
    value: &ByteArray,
    about: &ColumnDescriptor,
) -> Result<(), Diagnostic> {
    if about.converted_type() == ConvertedType::DECIMAL {
        let (precision, scale) = (about.type_precision(), about.type_scale());
        push_decimal(out, Decimal::from_bytes(value.clone(), precision, scale));
        return Ok(());
    }
    let Ok(text) = std::str::from_utf8(value.data()) else {
        let start = value
            .data()
            .iter()
            .take(8)
            .map(|byte| format!("{byte:02x}"));
        let message = format!(
            "this is no text (bytes {})",
            start.collect::<Vec<_>>().join(" ")
        );
        return Err(Diagnostic::error("not-utf-8", message).hint("write the column as text"));
    };
    out.extend(text.bytes().map(|byte| {
        if matches!(byte, b'\n' | b'\r') {
            b' '
        } else {
            byte
        }
    }));
    Ok(())
}

pub(super) fn one_line(text: &str) -> String {
    text.replace(['\n', '\r'], " ")
}

pub(super) fn unwritten(error: &io::Error) -> Diagnostic {
    let message = format!("its rows cannot be put aside as text: {error}");
    Diagnostic::error("unreadable-file", message)
        .hint("make room in the folder for temporary files")
}
