//! Parquet in place of CSV: records, estimate tables, tree lists.

use std::fs::{self, File};
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;

use parquet::basic::{Compression, ConvertedType, LogicalType, Repetition, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::record::Field;
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::Type;
use spinney::read::parquet::to_csv;
use spinney::render::parquet::from_csv;

use crate::cruise::{Cruise, repository, run};

/// Parquet with the columns of a CSV text, all words; an empty field is null.
fn as_words(csv: &str) -> Vec<u8> {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let heads = reader.headers().unwrap().clone();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let field = |head: &str| {
        let field = Type::primitive_type_builder(head, Physical::BYTE_ARRAY)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(Some(LogicalType::String));
        Arc::new(field.build().unwrap())
    };
    let schema = Type::group_type_builder("records").with_fields(heads.iter().map(field).collect());
    let properties = WriterProperties::builder().set_compression(Compression::SNAPPY);
    let (schema, properties) = (
        Arc::new(schema.build().unwrap()),
        Arc::new(properties.build()),
    );
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, properties).unwrap();
    // Several row groups, so that rows are counted over all of them.
    for rows in rows.chunks(7) {
        let mut group = writer.next_row_group().unwrap();
        for at in 0..heads.len() {
            let mut column = group.next_column().unwrap().unwrap();
            let fields = || rows.iter().map(|row| row.get(at).unwrap_or(""));
            let levels: Vec<i16> = fields().map(|field| i16::from(!field.is_empty())).collect();
            let fields = fields().filter(|field| !field.is_empty());
            let words: Vec<ByteArray> = fields.map(ByteArray::from).collect();
            let ColumnWriter::ByteArrayColumnWriter(writer) = column.untyped() else {
                panic!("words");
            };
            writer.write_batch(&words, Some(&levels), None).unwrap();
            column.close().unwrap();
        }
        group.close().unwrap();
    }
    writer.into_inner().unwrap()
}

/// Parquet with numbers as numbers.
fn as_numbers(csv: &str) -> Vec<u8> {
    let mut out = Vec::new();
    from_csv(csv.as_bytes(), &mut out).unwrap();
    out
}

const FILES: [&str; 4] = ["stands", "plots", "trees", "counts"];

/// A cruise with its record files in Parquet.
fn in_columns(cruise: Cruise, write: impl Fn(&str) -> Vec<u8>) -> Cruise {
    FILES.into_iter().fold(cruise, |cruise, file| {
        let csv = format!("{file}.csv");
        if !cruise.path(&csv).exists() {
            return cruise;
        }
        let content = write(&cruise.read(&csv));
        fs::remove_file(cruise.path(&csv)).unwrap();
        let parquet = format!("{file}.parquet");
        cruise
            .file(&parquet, content)
            .edit("design.yaml", &csv, &parquet)
    })
}

fn file_of(bytes: &[u8]) -> File {
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(bytes).unwrap();
    file
}

fn csv_of(bytes: &[u8]) -> Result<String, String> {
    let mut text = Vec::new();
    match to_csv(file_of(bytes), "t.parquet", &mut text) {
        Ok(_) => Ok(String::from_utf8(text).unwrap()),
        Err(finding) => Err(finding.to_string()),
    }
}

#[test]
fn an_example_compiles_as_from_csv() {
    let arguments = [
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--tree-list",
        "list.csv",
    ];
    for example in ["examples/marrow-creek", "examples/tarn-ridge-logs"] {
        let as_text = Cruise::copy_of(example);
        let expected = as_text.run(&arguments);
        assert_eq!(expected.status, 0, "{}", expected.stderr);
        for write in [as_words, as_numbers] {
            let cruise = in_columns(Cruise::copy_of(example), write);
            let same = cruise.run(&arguments);
            assert_eq!(same.status, 0, "{}", same.stderr);
            assert_eq!(same.stdout, expected.stdout);
            assert_eq!(cruise.read("list.csv"), as_text.read("list.csv"));
            let batch = [
                "batch",
                "design.yaml",
                "--out",
                "out",
                "--tree-list",
                "--quiet",
            ];
            for cruise in [&cruise, &as_text] {
                let run = cruise.run(&batch);
                assert_eq!(run.status, 0, "{}", run.stderr);
            }
            for file in ["out/estimates.csv", "out/trees.csv", "out/summary.csv"] {
                assert_eq!(cruise.read(file), as_text.read(file));
            }
            fs::remove_dir_all(as_text.path("out")).unwrap();
        }
    }
}

#[test]
fn findings_name_row_and_column() {
    let trees = "stand,plot,tree,species,dbh_cm,status,height_m\n\
                 a,1,1,Fd,31.5,L,22\n\
                 a,1,2,Fd,\"24,5x\",L,\n\
                 a,1,3,Zz,18,L,\n\
                 a,9,4,Fd,20,L,\n\
                 a,9,5,Fd,20,L,\n\
                 b,1,1,Fd,3333,Q,\n\
                 b,1,2,Zz,22,L,\n\
                 b,1,2,Fd,22,Q,\n\
                 b,1,2,Fd,22,L,\n";
    let design = "title: T\ninputs: {plots: plots.csv, trees: trees.csv}\n\
                  selections:\n  circle: {method: fixed-area, area_ha: 0.02}\n";
    let cruise = || {
        Cruise::new()
            .file("design.yaml", design)
            .file("plots.csv", "stand,plot\na,1\nb,1\n\"b\",1\n")
            .file("trees.csv", trees)
    };
    let check = in_columns(cruise(), as_words).run(&["check", "design.yaml"]);
    assert_eq!(check.status, 1);
    insta::assert_snapshot!("parquet-findings", check.stderr);
    // The same findings, in the same order.
    let text = cruise().run(&["check", "design.yaml"]);
    let codes = |text: &str| -> Vec<String> {
        let code = |line: &str| line.rsplit(' ').next().unwrap().to_owned();
        // Lines of the file are shown only where there are any.
        let firsts = text.lines().filter(|line| line.ends_with(']'));
        firsts.map(code).collect()
    };
    assert_eq!(codes(&check.stderr), codes(&text.stderr));
    let batch = ["batch", "design.yaml", "--out", "out"];
    let cruise = in_columns(cruise(), as_words);
    insta::assert_snapshot!("parquet-findings-of-batch", cruise.run(&batch).stderr);
    insta::assert_snapshot!("parquet-findings-csv", cruise.read("out/findings.csv"));
}

#[test]
fn files_that_are_no_tables_are_findings() {
    let nested = {
        let message = "message m { optional binary plot (UTF8); \
                       optional group heights { optional double first; optional double last; } \
                       repeated double dbh_cm; }";
        let schema = Arc::new(parse_message_type(message).unwrap());
        let writer = SerializedFileWriter::new(Vec::new(), schema, Arc::default()).unwrap();
        writer.into_inner().unwrap()
    };
    let whole = as_words("plot,tree\n1,1\n1,2\n");
    let found: Vec<String> = [
        b"".to_vec(),
        b"plot,tree\n1,1\n".to_vec(),
        nested,
        whole[..whole.len() / 2].to_vec(),
        as_words("plot,tree\n"),
    ]
    .iter()
    .map(|bytes| csv_of(bytes).unwrap_or_else(|finding| finding))
    .collect();
    insta::assert_snapshot!("parquet-broken", found.join("\n"));
    // A bit that is wrong never ends in a panic that nobody catches.
    let mut refused = 0;
    for at in 0..whole.len() {
        let mut broken = whole.clone();
        broken[at] ^= 0x55;
        refused += usize::from(csv_of(&broken).is_err());
    }
    assert!(refused > whole.len() / 4, "{refused} of {}", whole.len());
}

#[test]
fn values_of_all_kinds_become_text() {
    let message = "message m {
        optional binary word (UTF8); optional binary plain; required boolean yes;
        optional int32 int; optional int32 small (UINT_8); optional int32 day (DATE);
        optional int32 money (DECIMAL(9, 2)); optional int64 count (UINT_64);
        optional int64 time (TIMESTAMP_MICROS); optional int64 nanos (TIMESTAMP(NANOS,true));
        optional float single; optional double number;
        optional fixed_len_byte_array(2) large (DECIMAL(4, 1));
    }";
    let schema = Arc::new(parse_message_type(message).unwrap());
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, Arc::default()).unwrap();
    let mut group = writer.next_row_group().unwrap();
    let levels: &[i16] = &[1, 0, 1];
    let words = |two: [&str; 2]| two.map(ByteArray::from).to_vec();
    let mut at = 0;
    while let Some(mut column) = group.next_column().unwrap() {
        let levels = Some(levels);
        match column.untyped() {
            ColumnWriter::BoolColumnWriter(w) => w.write_batch(&[true, false, true], None, None),
            ColumnWriter::Int32ColumnWriter(w) => w.write_batch(&[-1, 12_050], levels, None),
            ColumnWriter::Int64ColumnWriter(w) => {
                w.write_batch(&[-1, 86_400_000_000], levels, None)
            }
            ColumnWriter::FloatColumnWriter(w) => w.write_batch(&[24.1, 3.0], levels, None),
            ColumnWriter::DoubleColumnWriter(w) => w.write_batch(&[24.1, 1e21], levels, None),
            ColumnWriter::ByteArrayColumnWriter(w) => {
                w.write_batch(&words(["a, \"b\"\nc", "é"]), levels, None)
            }
            ColumnWriter::FixedLenByteArrayColumnWriter(w) => {
                let two = [vec![0_u8, 250], vec![0xff, 0xff]].map(ByteArray::from);
                w.write_batch(&two.map(Into::into), levels, None)
            }
            ColumnWriter::Int96ColumnWriter(_) => panic!("none of these"),
        }
        .unwrap();
        column.close().unwrap();
        at += 1;
    }
    assert_eq!(at, 13);
    group.close().unwrap();
    insta::assert_snapshot!(
        "parquet-values",
        csv_of(&writer.into_inner().unwrap()).unwrap()
    );
}

/// A column's physical and converted type, and the fields of all rows as CSV shows them.
fn columns_of(bytes: &[u8]) -> Vec<(String, Physical, ConvertedType, Vec<Field>)> {
    let reader = SerializedFileReader::new(file_of(bytes)).unwrap();
    let schema = reader.metadata().file_metadata().schema_descr_ptr();
    let mut columns: Vec<_> = schema
        .columns()
        .iter()
        .map(|c| {
            (
                c.name().to_owned(),
                c.physical_type(),
                c.converted_type(),
                Vec::new(),
            )
        })
        .collect();
    for row in reader.get_row_iter(None).unwrap() {
        for ((_, field), column) in row.unwrap().into_columns().into_iter().zip(&mut columns) {
            column.3.push(field);
        }
    }
    columns
}

#[test]
fn what_is_written_is_what_the_csv_says() {
    let cruise = Cruise::copy_of("examples/tarn-ridge-logs");
    let lists = |ending: &str| {
        [
            "--tree-list list",
            "--log-list logs",
            "--sources-of-error sources",
            "--out estimates",
        ]
        .map(|option| format!("{option}.{ending}"))
    };
    for (ending, format) in [("csv", "csv"), ("parquet", "parquet")] {
        let lists = lists(ending).join(" ");
        let arguments = format!("compile design.yaml --format {format} {lists}");
        let run = cruise.run(&arguments.split(' ').collect::<Vec<_>>());
        assert_eq!(run.status, 0, "{}", run.stderr);
    }
    for name in ["list", "logs", "sources", "estimates"] {
        let csv = cruise.read(&format!("{name}.csv"));
        let bytes = fs::read(cruise.path(&format!("{name}.parquet"))).unwrap();
        let again = as_numbers(&csv);
        assert!(bytes == again, "{name}: other bytes");
        let columns = columns_of(&bytes);
        let mut reader = csv::Reader::from_reader(csv.as_bytes());
        let names: Vec<&str> = columns.iter().map(|column| &*column.0).collect();
        assert_eq!(reader.headers().unwrap().iter().collect::<Vec<_>>(), names);
        let mut rows = 0;
        for (at, row) in reader.records().enumerate() {
            rows = at + 1;
            for (text, (name, .., fields)) in row.unwrap().iter().zip(&columns) {
                match &fields[at] {
                    Field::Null => assert!(["", "all"].contains(&text), "{name}: {text}"),
                    Field::Str(word) => assert_eq!(word, text),
                    Field::Long(count) => assert_eq!(count.to_string(), text),
                    Field::Double(number) => assert_eq!(number.to_string(), text),
                    other => panic!("{name}: {other}"),
                }
            }
        }
        assert!(rows > 5 && columns.iter().all(|column| column.3.len() == rows));
        let kinds = columns
            .iter()
            .map(|(name, physical, converted, _)| format!("{name}: {physical} {converted}"));
        insta::assert_snapshot!(
            format!("parquet-{name}"),
            kinds.collect::<Vec<_>>().join("\n")
        );
    }
}

#[test]
fn parquet_goes_into_a_pipe() {
    let design = repository().join("examples/one-centre/design.yaml");
    let output = Command::new(env!("CARGO_BIN_EXE_spinney"))
        .args(["compile", "--format", "parquet"])
        .arg(design)
        .output()
        .unwrap();
    assert!(output.status.success());
    assert_eq!(&output.stdout[..4], b"PAR1");
}

#[test]
fn many_rows_make_several_row_groups() {
    let mut csv = String::from("stand,per_ha,n_plots\n");
    for row in 0..600_000 {
        csv += &format!("S{},{}.5,{}\n", row / 1000, row, row % 7);
    }
    let parquet = as_numbers(&csv);
    let reader = SerializedFileReader::new(file_of(&parquet)).unwrap();
    assert_eq!(reader.num_row_groups(), 2);
    let back = csv_of(&parquet).unwrap();
    assert!(
        back.replacen(
            "\"stand\",\"per_ha\",\"n_plots\"",
            "stand,per_ha,n_plots",
            1
        ) == csv
    );
}

/// Runs a script by pyarrow; `None`, with a line that says so, where it is not installed.
fn pyarrow(arguments: &[&str], folder: &std::path::Path) -> Option<String> {
    let has = Command::new("python3")
        .args(["-c", "import pyarrow.parquet"])
        .stderr(Stdio::null())
        .status();
    if !has.is_ok_and(|status| status.success()) {
        println!("skipped: pyarrow is not here");
        return None;
    }
    let output = Command::new("python3")
        .arg(repository().join("tests/python/columns.py"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    Some(String::from_utf8(output.stdout).unwrap())
}

#[test]
fn another_library_reads_what_is_written() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    for (format, list) in [("csv", "list.csv"), ("parquet", "list.parquet")] {
        let out = format!("out.{format}");
        let run = cruise.run(&[
            "compile",
            "design.yaml",
            "--format",
            format,
            "--out",
            &out,
            "--tree-list",
            list,
        ]);
        assert_eq!(run.status, 0, "{}", run.stderr);
    }
    for name in ["out", "list"] {
        let files = [format!("{name}.parquet"), format!("{name}.csv")];
        let Some(said) = pyarrow(&["compare", &files[0], &files[1]], &cruise.path("")) else {
            return;
        };
        assert!(said.starts_with("same "), "{said}");
    }
}

#[test]
fn what_another_library_writes_is_read() {
    let expected = run(&[
        "compile",
        "examples/marrow-creek/design.yaml",
        "--format",
        "csv",
    ]);
    let mut cruise = Cruise::copy_of("examples/marrow-creek");
    let Some(said) = pyarrow(&["write", "."], &cruise.path("")) else {
        return;
    };
    for kind in [
        "dictionary",
        "int16",
        "int64",
        "uint32",
        "double",
        "float",
        "decimal128",
    ] {
        assert!(said.contains(kind), "no {kind}: {said}");
    }
    for file in FILES {
        let (csv, parquet) = (format!("{file}.csv"), format!("{file}.parquet"));
        fs::remove_file(cruise.path(&csv)).unwrap();
        cruise = cruise.edit("design.yaml", &csv, &parquet);
    }
    let same = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(same.status, 0, "{}", same.stderr);
    assert_eq!(same.stdout, expected.stdout);
}
