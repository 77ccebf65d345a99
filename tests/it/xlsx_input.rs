//! Records in sheets of workbooks in place of CSV.

use std::fs::{self, File};
use std::io::Write as _;

use rust_xlsxwriter::{ExcelDateTime, Format, Formula, Workbook};
use spinney::read::xlsx::{Wanted, to_csv};

use crate::cruise::Cruise;
use crate::workbooks::{edited, part, with_part, workbook};

const FILES: [&str; 4] = ["stands", "plots", "trees", "counts"];

/// A cruise with its record files as sheets of one workbook.
fn in_one_workbook(cruise: Cruise, numbers: bool) -> Cruise {
    let csv = |file: &str| format!("{file}.csv");
    let there = FILES
        .into_iter()
        .filter(|file| cruise.path(&csv(file)).exists());
    let there: Vec<&str> = there.collect();
    let texts: Vec<String> = there.iter().map(|file| cruise.read(&csv(file))).collect();
    let mut sheets = vec![("Notes", "anything\n1\n")];
    // As people call them.
    let names: Vec<String> = there.iter().map(|file| file.to_uppercase()).collect();
    sheets.extend(
        names
            .iter()
            .map(String::as_str)
            .zip(texts.iter().map(String::as_str)),
    );
    let cruise = cruise.file("records.xlsx", workbook(&sheets, numbers));
    there.into_iter().fold(cruise, |cruise, file| {
        fs::remove_file(cruise.path(&csv(file))).unwrap();
        cruise.edit("design.yaml", &csv(file), "records.xlsx")
    })
}

/// A cruise with a workbook of one sheet for each of its record files.
fn in_workbooks(cruise: Cruise, numbers: bool) -> Cruise {
    FILES.into_iter().fold(cruise, |cruise, file| {
        let csv = format!("{file}.csv");
        if !cruise.path(&csv).exists() {
            return cruise;
        }
        let content = workbook(&[("Sheet1", &cruise.read(&csv))], numbers);
        fs::remove_file(cruise.path(&csv)).unwrap();
        let name = format!("{file}.xlsx");
        cruise.file(&name, content).edit("design.yaml", &csv, &name)
    })
}

fn file_of(bytes: &[u8]) -> File {
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(bytes).unwrap();
    file
}

fn converted(bytes: &[u8], wanted: Wanted<'_>) -> Result<String, String> {
    let mut text = Vec::new();
    match to_csv(file_of(bytes), "t.xlsx", wanted, &mut text) {
        Ok(_) => Ok(String::from_utf8(text).unwrap()),
        Err(problems) => {
            let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
            Err(lines.join("\n"))
        }
    }
}

fn csv_of(bytes: &[u8]) -> Result<String, String> {
    converted(bytes, Wanted::default())
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
    let batch = [
        "batch",
        "design.yaml",
        "--out",
        "out",
        "--tree-list",
        "--quiet",
    ];
    for example in ["examples/marrow-creek", "examples/tarn-ridge-logs"] {
        let as_text = Cruise::copy_of(example);
        let expected = as_text.run(&arguments);
        assert_eq!(expected.status, 0, "{}", expected.stderr);
        assert_eq!(as_text.run(&batch).status, 0);
        for numbers in [false, true] {
            for turn in [in_one_workbook, in_workbooks] {
                let cruise = turn(Cruise::copy_of(example), numbers);
                let same = cruise.run(&arguments);
                assert_eq!(same.status, 0, "{}", same.stderr);
                assert_eq!(same.stdout, expected.stdout);
                assert_eq!(cruise.read("list.csv"), as_text.read("list.csv"));
                let run = cruise.run(&batch);
                assert_eq!(run.status, 0, "{}", run.stderr);
                for file in ["out/estimates.csv", "out/trees.csv", "out/summary.csv"] {
                    assert_eq!(cruise.read(file), as_text.read(file));
                }
            }
        }
    }
}

/// Two stands with a few mistakes.
fn with_mistakes() -> Cruise {
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
    Cruise::new()
        .file("design.yaml", design)
        .file("plots.csv", "stand,plot\na,1\nb,1\n\"b\",1\n")
        .file("trees.csv", trees)
}

#[test]
fn findings_name_sheet_and_cell() {
    let check = in_one_workbook(with_mistakes(), true).run(&["check", "design.yaml"]);
    assert_eq!(check.status, 1);
    insta::assert_snapshot!("xlsx-findings", check.stderr);
    // The same findings as those of the text.
    let text = with_mistakes().run(&["check", "design.yaml"]);
    let codes = |text: &str| -> Vec<String> {
        let lines = text.lines().filter(|line| line.ends_with(']'));
        let mut codes: Vec<String> = lines
            .map(|line| line.rsplit(' ').next().unwrap().to_owned())
            .collect();
        codes.sort();
        codes
    };
    assert_eq!(codes(&check.stderr), codes(&text.stderr));
    let cruise = in_one_workbook(with_mistakes(), false);
    let run = cruise.run(&["batch", "design.yaml", "--out", "out"]);
    insta::assert_snapshot!("xlsx-findings-of-batch", run.stderr);
    insta::assert_snapshot!("xlsx-findings-csv", cruise.read("out/findings.csv"));
}

#[test]
fn a_missing_height_is_told_by_its_row() {
    let design = "title: T\ninputs: {trees: trees.csv}\n\
                  selections:\n  circle: {method: fixed-area, area_ha: 0.02}\n\
                  heights: {subsample: {rule: first-per-species, per_plot: 2}}\n";
    let cruise = Cruise::new().file("design.yaml", design).file(
        "trees.csv",
        "plot,tree,species,dbh_cm,height_m\n1,1,Fd,30,20\n1,2,Fd,31,\n",
    );
    let check = in_one_workbook(cruise, true).run(&["check", "design.yaml"]);
    insta::assert_snapshot!("xlsx-height-not-measured", check.stderr);
}

#[test]
fn findings_move_with_their_rows_in_a_batch_run() {
    let batch = ["batch", "design.yaml", "--out", "out", "--quiet"];
    let plots = "stand,plot\na,1\na,2\nb,1\nb,2\n";
    let trees = "stand,plot,tree,species,dbh_cm,status,height_m\n\
                 a,1,1,Fd,31.5,L,22\n\
                 a,2,2,Fd,299,L,23\n\
                 b,1,1,Fd,30,L,20\n\
                 b,2,2,Fd,290,L,25\n";
    let cruise = || {
        let cruise = with_mistakes().file("plots.csv", plots);
        in_one_workbook(cruise.file("trees.csv", trees), true)
    };
    // A tree more in the first stand, and a plot more: rows of the second stand move in both sheets.
    let more_trees = trees.replacen("a,2,2", "a,1,7,Fd,30,L,20\na,2,2", 1);
    let more_plots = plots.replacen("a,2", "a,3\na,2", 1);
    let sheets = [
        ("plots", more_plots.as_str()),
        ("trees", more_trees.as_str()),
    ];
    let changed = workbook(&sheets, true);
    let resumed = cruise();
    assert_eq!(resumed.run(&batch).status, 0);
    let before = resumed.read("out/findings.csv");
    assert!(before.contains(",5,"), "{before}");
    let resumed = resumed.file("records.xlsx", &changed);
    let run = resumed.run(&[&batch[..], &["--resume"]].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    let fresh = cruise().file("records.xlsx", &changed);
    assert_eq!(fresh.run(&batch).status, 0);
    assert_ne!(before, fresh.read("out/findings.csv"));
    for file in ["out/findings.csv", "out/estimates.csv"] {
        assert_eq!(resumed.read(file), fresh.read(file));
    }
}

#[test]
fn sheets_are_found_by_name_or_are_the_only_one() {
    let (one, two) = ("plot\n1\n", "plot\n2\n");
    let wanted = |record, sheet| Wanted {
        record,
        sheet,
        columns: &[],
    };
    let taken = |sheets: &[(&str, &str)], record, sheet| {
        converted(&workbook(sheets, true), wanted(record, sheet))
    };
    let (first, second) = ("\"plot\"\n1\n", "\"plot\"\n2\n");
    assert_eq!(
        taken(&[("Tally", one)], Some("trees"), None).unwrap(),
        first
    );
    let both = [("Tally", one), (" Trees", two)];
    assert_eq!(taken(&both, Some("trees"), None).unwrap(), second);
    assert_eq!(taken(&both, Some("trees"), Some("tally")).unwrap(), first);
    let hidden = {
        let mut workbook = Workbook::new();
        for (name, value) in [("Shown", 1), ("trees", 2)] {
            let sheet = workbook.add_worksheet();
            sheet.set_name(name).unwrap();
            sheet.write(0, 0, "plot").unwrap();
            sheet.write(1, 0, value).unwrap();
            sheet.set_hidden(name == "trees");
        }
        workbook.save_to_buffer().unwrap()
    };
    assert_eq!(
        converted(&hidden, wanted(Some("trees"), None)).unwrap(),
        first
    );
    assert_eq!(
        converted(&hidden, wanted(Some("trees"), Some("trees"))).unwrap(),
        second
    );
    let found: Vec<String> = [
        taken(&both, Some("plots"), None),
        taken(&both, None, None),
        taken(&both, Some("trees"), Some("Baum")),
        taken(&[("trees", one)], Some("plots"), None),
        taken(&[("plots", "")], Some("plots"), None),
    ]
    .into_iter()
    .map(Result::unwrap_err)
    .collect();
    insta::assert_snapshot!("xlsx-sheets", found.join("\n"));
    // As the design says it.
    let design = "title: T\ninputs:\n  trees: {path: tally.xlsx, sheet: Day 2}\n\
                  \x20 counts: {path: counts.csv, sheet: A}\n\
                  selections:\n  circle: {method: fixed-area, area_ha: 0.02}\n";
    let trees = "plot,tree,species,dbh_cm\n1,1,Fd,30\n";
    let cruise = Cruise::new()
        .file(
            "tally.xlsx",
            workbook(&[("Day 1", "plot\nx\n"), ("Day 2", trees)], true),
        )
        .file("counts.csv", "plot,species,count\n")
        .file("design.yaml", design);
    insta::assert_snapshot!(
        "xlsx-sheet-of-a-text",
        cruise.run(&["check", "design.yaml"]).stderr
    );
    let cruise = cruise.edit(
        "design.yaml",
        "  counts: {path: counts.csv, sheet: A}\n",
        "",
    );
    let check = cruise.run(&["check", "design.yaml"]);
    assert_eq!(check.status, 0, "{}", check.stderr);
    assert!(check.stdout.contains("1 tree records"), "{}", check.stdout);
}

#[test]
fn cells_of_all_kinds_become_text() {
    let mut workbook = Workbook::new();
    let sheet = workbook.add_worksheet();
    for (column, head) in ["plot", "Date", "note", "dbh_cm", "ok"].iter().enumerate() {
        sheet
            .write(2, u16::try_from(column).unwrap(), *head)
            .unwrap();
    }
    let day = Format::new().set_num_format("yyyy-mm-dd");
    let time = Format::new().set_num_format("hh:mm:ss");
    let date = ExcelDateTime::from_ymd(2026, 3, 4).unwrap();
    sheet.write(3, 0, 1).unwrap();
    sheet.write_datetime_with_format(3, 1, &date, &day).unwrap();
    sheet.write(3, 2, "two\nlines, \"quoted\"").unwrap();
    sheet.write(3, 3, 24.1).unwrap();
    sheet.write(3, 4, true).unwrap();
    // An empty row; then spaces alone; then a formula, a time, and nothing in the last columns.
    sheet.write(5, 0, "  ").unwrap();
    sheet
        .write(6, 0, Formula::new("=1+1").set_result("2"))
        .unwrap();
    sheet.write_with_format(6, 1, 0.75, &time).unwrap();
    sheet.write(7, 0, "007").unwrap();
    sheet.write(7, 3, 1e21).unwrap();
    sheet.write(8, 0, 0.1 + 0.2).unwrap();
    sheet
        .write_datetime_with_format(8, 1, date.and_hms(5, 6, 7).unwrap(), &day)
        .unwrap();
    let text = csv_of(&workbook.save_to_buffer().unwrap()).unwrap();
    assert_eq!(
        text,
        "\n\n\"plot\",\"Date\",\"note\",\"dbh_cm\",\"ok\"\n\
         1,2026-03-04,\"two lines, \"\"quoted\"\"\",24.1,true\n\n\n\
         2,18:00:00\n007,,,1000000000000000000000\n\
         0.30000000000000004,2026-03-04 05:06:07\n"
    );
}

#[test]
fn all_cells_that_are_wrong_are_told_at_once() {
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    for (column, head) in ["Platz", "tree", "dbh_cm", "", "Datum"].iter().enumerate() {
        sheet
            .write(0, u16::try_from(column).unwrap(), *head)
            .unwrap();
    }
    let day = Format::new().set_num_format("d-mmm");
    let date = ExcelDateTime::from_ymd(2026, 3, 4).unwrap();
    for row in 1..4 {
        sheet
            .write_datetime_with_format(row, 0, &date, &day)
            .unwrap();
        sheet
            .write_datetime_with_format(row, 4, &date, &day)
            .unwrap();
        sheet.write(row, 3, "here").unwrap();
    }
    sheet
        .write(2, 2, Formula::new("=1/0").set_result("#DIV/0!"))
        .unwrap();
    sheet.write(4, 7, 5).unwrap();
    let renamed = [("platz".to_owned(), "plot".to_owned())];
    let wanted = Wanted {
        record: Some("trees"),
        sheet: None,
        columns: &renamed,
    };
    let bytes = book.save_to_buffer().unwrap();
    insta::assert_snapshot!("xlsx-cells", converted(&bytes, wanted).unwrap_err());
    // A formula that was never computed, as libraries write it.
    let plain = workbook(&[("Sheet1", "plot,dbh_cm\n1,2\n")], true);
    let never = edited(&plain, "<v>2</v>", "<f>1+1</f><v></v>");
    let unknown = edited(
        &plain,
        "<c r=\"B2\"><v>2</v>",
        "<c r=\"B2\" t=\"e\"><v>#SPILL!</v>",
    );
    let found = [never, unknown].map(|bytes| csv_of(&bytes).unwrap_err());
    insta::assert_snapshot!("xlsx-formulas", found.join("\n"));
}

#[test]
fn percentages_are_not_read_as_shares() {
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    let shares = Format::new().set_num_format("0 %");
    let heads = ["plot", "defect_pct", "Krone", "share"];
    for (column, head) in (0..).zip(heads) {
        sheet.write(0, column, head).unwrap();
        sheet.write_with_format(1, column, 0.35, &shares).unwrap();
        sheet.write(2, column, 35).unwrap();
    }
    let renamed = [("krone".to_owned(), "crown_ratio_pct".to_owned())];
    let wanted = Wanted {
        record: Some("trees"),
        sheet: None,
        columns: &renamed,
    };
    let found = converted(&book.save_to_buffer().unwrap(), wanted);
    insta::assert_snapshot!("xlsx-percentages", found.unwrap_err());
}

/// A container of older kinds with this name of a part in it.
fn container(name: &str) -> Vec<u8> {
    let mut bytes = vec![0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1, 0x1a, 0xe1];
    bytes.resize(1024, 0);
    bytes.extend(name.encode_utf16().flat_map(u16::to_le_bytes));
    bytes.resize(4096, 0);
    bytes
}

#[test]
fn files_that_are_no_workbooks_are_findings() {
    let good = workbook(&[("Sheet1", "plot,tree\n1,2\n3,4\n5,6\n")], true);
    let empty_zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let empty_zip = empty_zip.finish().unwrap().into_inner();
    let with = |name: &str| with_part(&empty_zip, name, b"x");
    let words = part(
        &workbook(&[("Sheet1", "plot\na\n")], true),
        "xl/sharedStrings.xml",
    );
    let boast = words.replacen("uniqueCount=\"2\"", "uniqueCount=\"900000000000\"", 1);
    assert_ne!(words, boast);
    let cases = [
        ("empty", Vec::new()),
        ("text", b"plot,tree\n1,1\n".to_vec()),
        ("password", container("EncryptedPackage")),
        ("old", container("Workbook")),
        ("cut", good[..good.len() / 2].to_vec()),
        ("no zip", empty_zip.clone()),
        ("zip", with("plots.csv")),
        ("xlsb", with("xl/workbook.bin")),
        ("ods", with_part(&with("mimetype"), "content.xml", b"<x/>")),
        ("numbers", with("Index/Document.iwa")),
        ("no parts", with("[Content_Types].xml")),
        (
            "boast",
            with_part(&good, "xl/sharedStrings.xml", boast.as_bytes()),
        ),
        ("order", edited(&good, "r=\"A2\"", "r=\"B9\"")),
        ("far row", edited(&good, "r=\"A4\"", "r=\"A4000000000\"")),
        ("word", edited(&good, "<v>5</v>", "<v>five</v>")),
        ("xml", edited(&good, "<v>5</v>", "<v>5</w>")),
        (
            "type",
            edited(&good, "<c r=\"A4\">", "<c r=\"A4\" t=\"zz\">"),
        ),
        (
            "string",
            edited(&good, "<c r=\"A4\">", "<c r=\"A4\" t=\"s\">"),
        ),
    ];
    let found = cases.map(|(name, bytes)| match csv_of(&bytes) {
        Ok(text) => format!("{name}: {text:?}"),
        Err(finding) => format!("{name}: {finding}"),
    });
    insta::assert_snapshot!("xlsx-broken", found.join("\n"));
    // A bit that is wrong never ends in a panic that nobody catches.
    let mut refused = 0;
    for at in 0..good.len() {
        let mut broken = good.clone();
        broken[at] ^= 0x55;
        refused += usize::from(csv_of(&broken).is_err());
    }
    assert!(refused > good.len() / 4, "{refused} of {}", good.len());
}

#[test]
fn what_would_fill_the_memory_is_refused() {
    let good = workbook(&[("Sheet1", "plot,tree\n1,2\n")], true);
    let bomb = with_part(&good, "xl/styles.xml", &vec![b' '; 200_000_001]);
    assert!(bomb.len() < 1_000_000);
    assert_eq!(
        csv_of(&bomb).unwrap_err(),
        "t.xlsx: error: a part of the workbook other than a sheet has more than 200 million bytes \
         when unpacked; save the sheet as CSV, or as Parquet [workbook-too-large]"
    );
    // The last cell of a sheet takes no room for those before it.
    let far = edited(
        &good,
        "</sheetData>",
        "<row r=\"1048576\"><c r=\"A1048576\"><v>9</v></c></row></sheetData>",
    );
    let text = csv_of(&far).unwrap();
    assert_eq!(text.lines().count(), 1_048_576);
    assert!(text.ends_with("\n9\n") && text.len() < 1_100_000);
}

#[test]
fn other_spreadsheets_are_to_be_saved_as_xlsx() {
    let found: Vec<String> = ["xls", "XLSB", "ods", "numbers"]
        .iter()
        .map(|ending| {
            let cruise = with_mistakes().file(&format!("trees.{ending}"), "x").edit(
                "design.yaml",
                "trees.csv",
                &format!("trees.{ending}"),
            );
            cruise.run(&["check", "design.yaml"]).stderr
        })
        .collect();
    insta::assert_snapshot!("xlsx-other-spreadsheets", found.join(""));
}
