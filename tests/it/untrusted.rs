//! Files of strangers: what would take hours, fill the memory, leave the folder of results, or do
//! something in a terminal or a spreadsheet.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::io::Cursor;
use std::path::Path;
use std::time::{Duration, Instant};

use calamine::{Data, Reader as _, Xlsx};
use serde_json::Value;

use crate::cruise::{Cruise, Run};
use crate::workbooks::{edited, part, with_part, workbook};

const DESIGN: &str = "inputs: {plots: plots.csv, trees: trees.csv}\n\
                      selections: {fixed: {method: fixed-area, radius_m: 7.98}}\n";
const PLOTS: &str = "plot\n1\n2\n";
const TREES: &str = "plot,tree,species,dbh_cm\n1,1,PSME,30\n2,1,PSME,33\n";

fn cruise() -> Cruise {
    (Cruise::new().file("design.yaml", DESIGN))
        .file("plots.csv", PLOTS)
        .file("trees.csv", TREES)
}

/// Runs the program, which must be done in some seconds even where several tests run at once.
fn quick(cruise: &Cruise, arguments: &[&str]) -> Run {
    let start = Instant::now();
    let run = cruise.run(arguments);
    let took = start.elapsed();
    assert!(took < Duration::from_secs(30), "{arguments:?}: {took:?}");
    run
}

/// What is told of a design that is added to.
fn told(more: &str) -> String {
    let cruise = cruise().file("design.yaml", format!("{DESIGN}{more}\n"));
    let run = quick(&cruise, &["check", "design.yaml"]);
    assert_eq!(run.status, 1, "{}", run.stderr);
    run.stderr + &run.stdout
}

fn repeated(count: usize, entry: impl Fn(usize) -> String) -> String {
    (0..count).map(entry).collect()
}

#[test]
fn designs_that_repeat_themselves_or_are_no_designs_are_refused() {
    let nested = repeated(12, |n| {
        let of = n
            .checked_sub(1)
            .map_or("x".to_owned(), |n| format!("*a{n}"));
        format!("a{n}: &a{n} [{}]\n", (of + ", ").repeat(9))
    });
    let flat = format!(
        "a: &a \"{}\"\nb: [{}]",
        "x".repeat(100_000),
        "*a, ".repeat(5_000)
    );
    let keys = repeated(50_000, |n| format!("k{n}: 1\n"));
    let repeats = "the file repeats itself through anchors (`&`) and aliases (`*`)";
    for (more, wanted) in [
        (&*nested, format!("design.yaml:1:1: error: {repeats}")),
        (&flat, format!("design.yaml:3:4: error: {repeats}")),
        (
            &keys,
            "design.yaml:1:1: error: a list or map here has more than 10000".to_owned(),
        ),
        (
            &format!("a: {}", "[".repeat(400_000)),
            "design.yaml:3:1004: error: lists and maps are nested too deeply".to_owned(),
        ),
        (
            &format!("a: {}{}", "[".repeat(200), "]".repeat(200)),
            "design.yaml:3:131: error: lists and maps are nested too deeply".to_owned(),
        ),
        (
            &format!("# {}", "x".repeat(1_100_000)),
            "design.yaml: error: the file has more than 1 million bytes".to_owned(),
        ),
        (
            "---\na: 1",
            "design.yaml: error: the file has more than one YAML document".to_owned(),
        ),
        (
            "a: \"\u{7f}\"",
            "design.yaml:3:5: error: there is a character here that nobody".to_owned(),
        ),
        (
            "a: \"\\e[31m\"",
            "design.yaml:3:4: error: this text holds characters".to_owned(),
        ),
    ] {
        let told = told(more);
        assert!(
            told.starts_with(&wanted),
            "{wanted}\n{}",
            &told[..told.len().min(500)]
        );
        assert!(told.len() < 2_000, "{wanted}");
    }
    // Aliases as people use them are read.
    let cruise = cruise().file(
        "design.yaml",
        DESIGN.replace("7.98", "&r 7.98") + "tables: {dbh_class_cm: *r}\n",
    );
    assert_eq!(cruise.run(&["check", "design.yaml"]).status, 0);
}

#[test]
fn a_great_many_mistakes_are_counted_and_some_are_told() {
    for (more, wanted) in [
        (repeated(9_000, |n| format!("k{n}: 1\n")), "9000 errors"),
        (
            format!("decay_classes: [{}]", "[], ".repeat(9_000)),
            "9000 errors",
        ),
        (
            format!("species_aliases: {{{}}}", "a: PSME, ".repeat(9_001)),
            "9000 errors",
        ),
        (
            format!(
                "species_aliases: {{{}}}",
                repeated(3_000, |n| format!("a{n}: xq, "))
            ),
            "3000 errors",
        ),
    ] {
        let told = told(&more);
        assert!(told.contains(wanted), "{}", &told[told.len() - 300..]);
        assert!(told.contains(" more of this kind"), "{wanted}");
        assert!(told.len() < 60_000, "{wanted}: {}", told.len());
    }
    let rows = repeated(200_000, |n| format!("1,{n},PSME,x\n"));
    // Lines that end as in very old files, and rows that go over several lines.
    let old = repeated(100_000, |n| format!("1,{n},PSME,x\r"));
    let split = repeated(100_000, |n| format!("1,{n},PSME,\"x\n\"\n"));
    for (rows, end) in [(old, "\r"), (split, "\n")] {
        let text = format!("plot,tree,species,dbh_cm{end}{rows}");
        let run = quick(&cruise().file("trees.csv", text), &["check", "design.yaml"]);
        assert!(run.stdout.contains("100000 errors"), "{}", run.stdout);
    }
    let species = repeated(20_000, |n| format!("1,{n},X{n}Q,30\n"));
    for (rows, wanted) in [(rows, "200000 errors"), (species, "20000 errors")] {
        let cruise = cruise().file("trees.csv", format!("plot,tree,species,dbh_cm\n{rows}"));
        let run = quick(&cruise, &["check", "design.yaml"]);
        assert!(run.stdout.contains(wanted), "{}", run.stdout);
        assert!(run.stderr.contains(" more of this kind, in lines 52, 53"));
        assert!(run.stderr.lines().count() < 250);
        let json = quick(&cruise, &["check", "design.yaml", "--format", "json"]).stdout;
        let json: Value = serde_json::from_str(&json).unwrap();
        assert_eq!(format!("{} errors", json["errors"]), wanted);
        assert!(json["findings"].as_array().unwrap().len() < 11_100);
    }
}

#[test]
fn what_is_too_wide_or_never_ends_is_no_table() {
    let heads = repeated(100_000, |n| format!(",c{n}"));
    let wide = cruise().file(
        "trees.csv",
        TREES.replacen("dbh_cm", &format!("dbh_cm{heads}"), 1),
    );
    let told = quick(&wide, &["check", "design.yaml"]).stderr;
    assert!(
        told.contains("trees.csv:1:1: error: the first line has 100004 fields"),
        "{told}"
    );
    let long = cruise().file(
        "trees.csv",
        TREES.replacen("30", &"x".repeat(20_000_000), 1),
    );
    let told = quick(&long, &["check", "design.yaml"]).stderr;
    assert!(
        told.contains("trees.csv:2:10: error: `dbh_cm` must be a number"),
        "{told}"
    );
    assert!(told.len() < 2_000);
    if Path::new("/dev/zero").exists() {
        let endless = cruise().edit("design.yaml", "trees.csv", "/dev/zero");
        for command in [
            &["check", "design.yaml"][..],
            &["batch", "design.yaml", "--out", "b"],
        ] {
            let told = quick(&endless, command).stderr;
            assert!(
                told.contains("the first line does not end within 16 million bytes"),
                "{told}"
            );
        }
        let told = quick(&endless, &["check", "/dev/zero"]).stderr;
        assert!(
            told.contains("the file has more than 1 million bytes"),
            "{told}"
        );
        let told = quick(&endless, &["batch", "--list=/dev/zero", "--out=b"]).stderr;
        assert!(
            told.contains("it has more than 100 million bytes"),
            "{told}"
        );
    }
}

/// A cruise with names that spreadsheets would run, and one that is a number.
fn with_formulas() -> Cruise {
    (Cruise::new().file(
        "design.yaml",
        "title: \"=cmd|' /C calc'!A0\"\n\
         units: metric\n\
         inputs: {plots: plots.csv, trees: trees.csv}\n\
         selections: {\"-2+3\": {method: fixed-area, radius_m: 7.98}}\n\
         species_aliases: {\"=1+1\": PSME, \"@x\": TSHE}\n\
         volume: {set: ca-bc-volume-2016, region: CWH}\n",
    ))
    .file(
        "plots.csv",
        "stand,stratum,plot\n+A1,-x,-3\n+A1,-x,=2\n+A1,-x,a;=3\n",
    )
    .file(
        "trees.csv",
        "stand,plot,tree,species,dbh_cm,height_m\n\
         +A1,-3,1,=1+1,30,20\n+A1,-3,2,=1+1,20,15\n+A1,=2,\"  =7\",@x,33,22\n\
         +A1,=2,8,=1+1,25,18\n+A1,a;=3,\"@SUM(1,2)\",=1+1,40,24\n+A1,a;=3,2,@x,21,16\n",
    )
}

/// Would a spreadsheet program run a field? Stated once more, apart from the program.
fn runs(field: &str) -> bool {
    let starts = |cell: &str| {
        cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err()
    };
    starts(field.trim_start_matches([' ', '"'])) || field.split(';').any(starts)
}

#[test]
fn names_are_no_formulas_in_any_csv() {
    let cruise = with_formulas();
    let run = cruise.run(&[
        "compile",
        "design.yaml",
        "--format=csv",
        "--out=estimates.csv",
        "--tree-list=trees-out.csv",
        "--sources-of-error=sources.csv",
    ]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let batch = ["batch", "design.yaml", "--out=out", "--tree-list"];
    assert_eq!(cruise.run(&batch).status, 0);
    assert_eq!(cruise.run(&["merge", "out", "--out=merged"]).status, 0);
    let curves = cruise.run(&["heights", "design.yaml", "--format=csv", "--data=data.csv"]);
    let alternative = ["compare", "design.yaml", "--curve=naslund", "--format=csv"];
    let compared = cruise.run(&alternative);
    assert_eq!(
        (curves.status, compared.status),
        (0, 0),
        "{}",
        compared.stderr
    );
    let cruise = cruise
        .file("curves.csv", curves.stdout)
        .file("compared.csv", compared.stdout);
    let mut guarded = BTreeSet::new();
    for name in [
        "estimates.csv",
        "trees-out.csv",
        "sources.csv",
        "data.csv",
        "curves.csv",
        "compared.csv",
        "out/estimates.csv",
        "out/trees.csv",
        "out/summary.csv",
        "out/findings.csv",
        "merged/estimates.csv",
    ] {
        let text = cruise.read(name);
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(text.as_bytes());
        for row in reader.records() {
            for field in &row.unwrap() {
                assert!(!runs(field), "{name}: {field}");
                guarded.extend(field.starts_with('\'').then(|| field.to_owned()));
            }
        }
    }
    for name in ["'+A1", "'-x", "'=2", "'=1+1", "'@x", "'-2+3", "'@SUM(1,2)"] {
        assert!(guarded.contains(name), "{name} is not in {guarded:?}");
    }
    assert!(cruise.read("trees-out.csv").contains(",-3,"));
    assert!(cruise.read("trees-out.csv").contains("a;'=3"));
    assert_eq!(
        cruise.read("out/estimates.csv"),
        cruise.read("merged/estimates.csv")
    );
    // Told once for each file, with the first of them.
    for wanted in [
        "plots.csv:2:1: note: `+A1` would run as a formula in a spreadsheet: in CSV it is written \
         `'+A1` [formula-in-name]",
        "trees.csv:2:1: note: `+A1` would",
        "design.yaml:4:22: note: `-2+3` would",
    ] {
        assert_eq!(
            run.stderr.matches(wanted).count(),
            1,
            "{wanted}\n{}",
            run.stderr
        );
    }
    assert_eq!(run.stderr.matches("trees.csv:2:1: note").count(), 1);
}

#[test]
fn names_stay_as_they_are_where_nothing_runs_them() {
    let cruise = with_formulas();
    let json = cruise
        .run(&["compile", "design.yaml", "--format=json"])
        .stdout;
    let json: Value = serde_json::from_str(&json).unwrap();
    let rows = json["estimates"].as_array().unwrap();
    let has = |key: &str, word: &str| rows.iter().any(|row| row[key] == word);
    assert!(has("stand", "+A1") && has("species", "=1+1") && has("selection", "-2+3"));
    for form in [
        "--format=parquet",
        "--format=xlsx",
        "--format=markdown",
        "--format=html",
    ] {
        let run = cruise.run(&["compile", "design.yaml", form, "--out=result"]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let bytes = fs::read(cruise.path("result")).unwrap();
        let holds = |word: &[u8]| memchr::memmem::find(&bytes, word).is_some();
        match form {
            "--format=parquet" => {
                let mut csv = Vec::new();
                let file = fs::File::open(cruise.path("result")).unwrap();
                spinney::read::parquet::to_csv(file, "result", &mut csv).unwrap();
                let csv = String::from_utf8(csv).unwrap();
                assert!(csv.contains("\n+A1,") && csv.contains(",=1+1,"), "{csv}");
                assert!(!csv.contains("'+A1"));
            }
            "--format=xlsx" => assert_text_cells(&bytes),
            _ => assert!(holds(b"=1+1") && !holds(b"'=1+1"), "{form}"),
        }
    }
}

/// Words of a workbook are text, and nothing in it is a formula or a link.
fn assert_text_cells(bytes: &[u8]) {
    let mut workbook = Xlsx::new(Cursor::new(bytes)).unwrap();
    let mut found = BTreeSet::new();
    for name in workbook.sheet_names() {
        assert!(
            workbook.worksheet_formula(&name).unwrap().is_empty(),
            "{name}"
        );
        let range = workbook.worksheet_range(&name).unwrap();
        let words = range.used_cells().filter_map(|(_, _, cell)| match cell {
            Data::String(word) => Some(word.clone()),
            _ => None,
        });
        found.extend(words.filter(|word| runs(word)));
    }
    assert!(found.contains("=1+1") && found.contains("+A1"), "{found:?}");
    let sheet = part(bytes, "xl/worksheets/sheet1.xml");
    assert!(!sheet.contains("<f>") && !sheet.contains("hyperlink"));
}

/// Characters that must not reach a terminal.
fn hidden(text: &str) -> Vec<char> {
    let is_hidden = |c: &char| {
        c.is_control() && *c != '\n'
            || matches!(*c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    text.chars().filter(is_hidden).collect()
}

#[test]
fn nothing_hidden_reaches_a_terminal() {
    let bad = [
        "\u{1b}]0;x\u{7}",
        "\u{1b}[2J",
        "\u{202e}x",
        "\u{9b}31m",
        "\u{7f}",
    ];
    for word in bad {
        let quoted = format!("\"{word}\"");
        for (file, text, from) in [("plots.csv", PLOTS, "2"), ("trees.csv", TREES, "PSME")] {
            let cruise = cruise().file(file, text.replacen(from, &format!("x{quoted}"), 1));
            let cruise = cruise.edit(file, "x\"", "\"x");
            for command in [
                &["check", "design.yaml"][..],
                &["batch", "design.yaml", "--out=b"],
            ] {
                let run = cruise.run(command);
                assert_eq!(run.status, 1, "{word:?}: {}", run.stderr);
                let all = run.stdout + &run.stderr;
                assert!(all.contains("a character that nobody sees"), "{all}");
                assert_eq!(hidden(&all), [], "{all:?}");
            }
        }
        // In a field that is not a name it is not shown, or written out.
        let cruise = cruise().file("trees.csv", TREES.replacen("30", &quoted, 1));
        let run = cruise.run(&["check", "design.yaml"]);
        assert_eq!(hidden(&(run.stdout + &run.stderr)), []);
    }
    // A tab or the end of a line moves nothing but the rest of a cell.
    let cruise = cruise().file("plots.csv", "stand,plot\n\"a\tb\",1\n\"a\tb\",2\n");
    let cruise = cruise.file(
        "trees.csv",
        "stand,plot,species,dbh_cm\n\"a\tb\",1,PSME,30\n",
    );
    for command in ["check", "compile"] {
        let run = cruise.run(&[command, "design.yaml"]);
        let all = run.stdout + &run.stderr;
        assert_eq!((run.status, hidden(&all)), (0, vec![]), "{all:?}");
    }
    let named = self::cruise().file(
        "a\u{1b}[31m\u{202e}.yaml",
        DESIGN.replace("trees.csv", "none\u{9b}.csv"),
    );
    let run = named.run(&["check", "a\u{1b}[31m\u{202e}.yaml"]);
    assert_eq!(run.status, 1);
    assert_eq!(hidden(&(run.stdout + &run.stderr)), []);
    let run = named.run(&["compile", "design.yaml", "--out", "no\u{1b}[31m/x.txt"]);
    assert_eq!(hidden(&(run.stdout + &run.stderr)), []);
}

#[test]
fn markdown_holds_names_as_they_are() {
    let name = "a|b `c` <script>x</script> [l](javascript:x) &lt; ```";
    let cruise = cruise().file("design.yaml", format!("title: '{name}'\n{DESIGN}"));
    let text = cruise
        .run(&["compile", "design.yaml", "--format=markdown"])
        .stdout;
    let head = text.lines().next().unwrap();
    assert_eq!(
        head,
        "# a\\|b \\`c\\` \\<script\\>x\\</script\\> \\[l\\](javascript:x) \\&lt; \\`\\`\\`"
    );
    assert!(!text.contains("<script>"));
}

#[test]
fn reports_stay_in_their_folder_whatever_stands_are_called() {
    let (long, wide) = ("x".repeat(300), "\u{6749}".repeat(300));
    let stands = [
        "../../x", "/etc/x", "con", "COM1.a", "a/b", "a_b", "..", ".", "-", "A", "a", "a\\b", "~",
        "$HOME", "a:b", "*", &long, &wide,
    ];
    let mut plots = "stand,plot\n".to_owned();
    let mut trees = "stand,plot,tree,species,dbh_cm\n".to_owned();
    for stand in stands {
        let _ = write!(plots, "{stand},1\n{stand},2\n");
        let _ = write!(trees, "{stand},1,1,PSME,30\n{stand},2,1,PSME,33\n");
    }
    let cruise = cruise().file("plots.csv", plots).file("trees.csv", trees);
    let before = files(&cruise.path(""));
    let run = cruise.run(&["batch", "design.yaml", "--out=in/out", "--reports=html"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let reports = files(&cruise.path("in/out/reports"));
    assert_eq!(reports.len(), stands.len(), "{reports:?}");
    let lower: BTreeSet<String> = reports.iter().map(|name| name.to_lowercase()).collect();
    assert_eq!(lower.len(), stands.len(), "{reports:?}");
    for name in &reports {
        let stem = name.split('.').next().unwrap().to_lowercase();
        assert!(!["con", "com1"].contains(&&*stem), "{name}");
        assert!(
            name.len() < 200 && !name.contains([':', '*', '\\', '$', '~']),
            "{name}"
        );
    }
    let mut after = files(&cruise.path(""));
    assert!(after.remove("in"));
    assert_eq!(after, before);
    assert_eq!(
        cruise.run(&["merge", "in/out", "--out=in/merged"]).status,
        0
    );
    assert_eq!(files(&cruise.path("in/merged/reports")), reports);
}

fn files(folder: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
#[cfg(unix)]
fn nothing_is_written_through_links() {
    use std::os::unix::fs::symlink;
    for (link, is_refused) in [
        ("estimates.csv", false),
        ("estimates.csv.part", false),
        ("summary.csv.part", false),
        ("batch.journal", true),
        ("reports", true),
    ] {
        let cruise = cruise().file("precious/file", "precious").file("out/x", "");
        let to = if link == "reports" {
            "precious"
        } else {
            "precious/file"
        };
        symlink(cruise.path(to), cruise.path("out").join(link)).unwrap();
        let run = cruise.run(&["batch", "design.yaml", "--out=out", "--reports"]);
        assert_eq!(run.status, i32::from(is_refused), "{link}: {}", run.stderr);
        assert_eq!(
            run.stderr.contains("this is a link to another place"),
            is_refused,
            "{link}"
        );
        assert_eq!(cruise.read("precious/file"), "precious", "{link}");
        assert_eq!(files(&cruise.path("precious")).len(), 1, "{link}");
    }
    let cruise = cruise().file("precious", "precious");
    symlink(cruise.path("precious"), cruise.path("result.txt")).unwrap();
    let run = cruise.run(&["compile", "design.yaml", "--out=result.txt"]);
    assert_eq!((run.status, &*cruise.read("precious")), (0, "precious"));
    // Own tables in folders that lead round in circles.
    let circle = self::cruise().file("own/volume/x/readme.txt", "");
    for name in ["a", "b", "c"] {
        symlink(
            circle.path("own/volume"),
            circle.path("own/volume").join(name),
        )
        .unwrap();
    }
    let run = quick(&circle, &["check", "design.yaml", "--tables=own"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
}

#[test]
fn workbooks_expand_no_entities_and_leave_their_place_alone() {
    let good = workbook(&[("Sheet1", "plot\n1\n")], false);
    let sheet = "xl/worksheets/sheet1.xml";
    let xml = part(&good, sheet);
    let mut entities = "<!DOCTYPE x [<!ENTITY a0 \"lol\">".to_owned();
    for n in 1..30 {
        let _ = write!(
            entities,
            "<!ENTITY a{n} \"{}\">",
            format!("&a{};", n - 1).repeat(10)
        );
    }
    let xml = xml.replacen("<worksheet", &format!("{entities}]><worksheet"), 1);
    let xml = xml.replacen(
        "</sheetData>",
        "<row r=\"9\"><c r=\"A9\" t=\"str\"><v>&a29;</v></c></row></sheetData>",
        1,
    );
    let bomb = with_part(&good, sheet, xml.as_bytes());
    let outside = with_part(&good, "../../outside.txt", b"x");
    let absolute = with_part(&good, "/tmp/outside.txt", b"x");
    let few = edited(&good, "<row r=\"2\"", "<row r=\"2\" spans=\"1:16384\"");
    for (bytes, status) in [(bomb, 1), (outside, 0), (absolute, 0), (few, 0)] {
        let cruise =
            (cruise().file("plots.xlsx", bytes)).edit("design.yaml", "plots.csv", "plots.xlsx");
        let cruise = cruise.file("trees.csv", TREES.replace("2,1,PSME,33\n", ""));
        let run = quick(&cruise, &["check", "design.yaml"]);
        assert_eq!(run.status, status, "{}", run.stderr);
        let outside = [cruise.path("outside.txt"), cruise.path("../outside.txt")];
        assert!(!outside.iter().any(|path| path.exists()));
        assert!(run.stderr.len() < 3_000);
    }
}
