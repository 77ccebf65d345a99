//! Tables for machines as Parquet, from the same tables as CSV.
//!
//! ```text
//! words (stand, species ...)        UTF-8
//! counts (n_plots, line ...)        int64
//! all other columns                 double
//! ```
//! Every column may hold null: nothing, and in a column of numbers the word `all` (limits of dbh
//! classes). The bytes depend on nothing but the table.

use std::collections::HashMap;
use std::io::{Read, Write};
use std::sync::Arc;

use anyhow::{Context as _, Result, bail};
use csv::StringRecord;
use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::file::properties::{WriterProperties, WriterPropertiesPtr};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{ColumnPath, Type, TypePtr};

use crate::diagnostic::unguarded;
use crate::tables::tidy::ALL;

/// Rows of a row group, all of which are held at once.
const ROWS_PER_GROUP: usize = 500_000;
/// Words that are handed on at once.
const WORDS_AT_ONCE: usize = 8192;
const CREATED_BY: &str = concat!("spinney version ", env!("CARGO_PKG_VERSION"));

/// Columns of words, whatever table they stand in.
const WORDS: [&str; 22] = [
    "design",
    "stand",
    "stratum",
    "plot",
    "selection",
    "tree",
    "status",
    "species",
    "decay_class",
    "attribute",
    "unit",
    "height_source",
    "flags",
    "product",
    "title",
    "severity",
    "code",
    "file",
    "message",
    "hint",
    "reason",
    "note",
];
/// Columns of whole numbers.
const COUNTS: [&str; 8] = [
    "n_plots",
    "n_trees",
    "line",
    "column",
    "log",
    "curves_not_known",
    "heights_not_known",
    "equations_not_known",
];

/// What a column holds, gathered for a row group.
enum Column {
    Words {
        /// Each word once, in the order of coming, and its place there.
        distinct: Vec<ByteArray>,
        places: HashMap<String, usize>,
        values: Vec<usize>,
    },
    Numbers(Vec<f64>),
    Counts(Vec<i64>),
}

/// A column and which of its rows hold something (1) or nothing (0).
struct Gathered {
    name: String,
    column: Column,
    levels: Vec<i16>,
}

/// Turns a table of ours from CSV (with its head) into Parquet, a row group of 500,000 rows at a
/// time.
pub fn from_csv(csv: impl Read, out: impl Write + Send) -> Result<()> {
    let mut reader = csv::Reader::from_reader(csv);
    let heads = reader.headers()?.clone();
    let mut columns: Vec<Gathered> = heads
        .iter()
        .map(|head| Gathered::new(&unguarded(head)))
        .collect();
    let mut writer = SerializedFileWriter::new(out, schema(&columns)?, properties(&columns)?)?;
    let mut row = StringRecord::new();
    let mut rows = 0;
    while reader.read_record(&mut row)? {
        for (column, field) in columns.iter_mut().zip(&row) {
            let name = &column.name;
            let place = || {
                format!(
                    "line {}, {name}",
                    row.position().map_or(0, csv::Position::line)
                )
            };
            let added = column.column.add(field).with_context(place)?;
            column.levels.push(i16::from(added));
        }
        rows += 1;
        if rows == ROWS_PER_GROUP {
            write(&mut columns, writer.next_row_group()?)?;
            rows = 0;
        }
    }
    if rows > 0 {
        write(&mut columns, writer.next_row_group()?)?;
    }
    writer.close()?;
    Ok(())
}

fn schema(columns: &[Gathered]) -> Result<TypePtr> {
    let mut fields = Vec::new();
    for gathered in columns {
        let (physical, logical) = match gathered.column {
            Column::Words { .. } => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Column::Numbers(_) => (Physical::DOUBLE, None),
            Column::Counts(_) => (Physical::INT64, None),
        };
        let field = Type::primitive_type_builder(&gathered.name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical);
        fields.push(Arc::new(field.build()?));
    }
    let schema = Type::group_type_builder("spinney").with_fields(fields);
    Ok(Arc::new(schema.build()?))
}

fn properties(columns: &[Gathered]) -> Result<WriterPropertiesPtr> {
    let mut properties = WriterProperties::builder()
        .set_created_by(CREATED_BY.to_owned())
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(1)?));
    for gathered in columns {
        if matches!(gathered.column, Column::Numbers(_)) {
            // Few numbers come twice.
            let path = ColumnPath::from(gathered.name.as_str());
            properties = properties.set_column_dictionary_enabled(path, false);
        }
    }
    Ok(Arc::new(properties.build()))
}

/// Writes what was gathered, and empties it.
fn write<W: Write + Send>(
    columns: &mut [Gathered],
    mut group: SerializedRowGroupWriter<'_, W>,
) -> Result<()> {
    for gathered in columns {
        let mut writer = group.next_column()?.context("a column too many")?;
        gathered.write(writer.untyped())?;
        writer.close()?;
        *gathered = Gathered::new(&gathered.name);
    }
    group.close()?;
    Ok(())
}

impl Gathered {
    fn new(name: &str) -> Self {
        let column = if WORDS.contains(&name) {
            Column::Words {
                distinct: Vec::new(),
                places: HashMap::new(),
                values: Vec::new(),
            }
        } else if COUNTS.contains(&name) {
            Column::Counts(Vec::new())
        } else {
            Column::Numbers(Vec::new())
        };
        Gathered {
            name: name.to_owned(),
            column,
            levels: Vec::new(),
        }
    }

    fn write(&self, writer: &mut ColumnWriter<'_>) -> Result<()> {
        let levels = Some(&self.levels[..]);
        match (&self.column, writer) {
            (Column::Numbers(values), ColumnWriter::DoubleColumnWriter(writer)) => {
                writer.write_batch(values, levels, None)?;
            }
            (Column::Counts(values), ColumnWriter::Int64ColumnWriter(writer)) => {
                writer.write_batch(values, levels, None)?;
            }
            (
                Column::Words {
                    distinct, values, ..
                },
                ColumnWriter::ByteArrayColumnWriter(writer),
            ) => {
                let mut values = values.iter();
                for levels in self.levels.chunks(WORDS_AT_ONCE) {
                    let held = levels.iter().filter(|level| **level > 0).count();
                    let words: Vec<ByteArray> = (values.by_ref().take(held))
                        .map(|place| distinct[*place].clone())
                        .collect();
                    writer.write_batch(&words, Some(levels), None)?;
                }
            }
            _ => bail!(
                "{}: the column is of another kind than its values",
                self.name
            ),
        }
        Ok(())
    }
}

impl Column {
    /// Adds a field; false where it holds nothing.
    fn add(&mut self, field: &str) -> Result<bool> {
        if field.is_empty() {
            return Ok(false);
        }
        match self {
            Column::Words {
                distinct,
                places,
                values,
            } => {
                let word = unguarded(field);
                let field = &*word;
                let known = places.get(field).copied();
                let place = known.unwrap_or_else(|| {
                    distinct.push(ByteArray::from(field));
                    places.insert(field.to_owned(), distinct.len() - 1);
                    distinct.len() - 1
                });
                values.push(place);
            }
            Column::Numbers(_) if field == ALL => return Ok(false),
            Column::Numbers(values) => {
                let number = field.parse();
                values.push(number.with_context(|| format!("`{field}` is no number"))?);
            }
            Column::Counts(values) => {
                let count = field.parse();
                values.push(count.with_context(|| format!("`{field}` is no whole number"))?);
            }
        }
        Ok(true)
    }
}
