//! `examples/reports` holds what the program makes of an example. After a change on purpose
//! `INSTA_UPDATE=always cargo test` writes it anew; read the difference.

use std::{env, fs};

use calamine::{Data, Reader as _, Xlsx};

use crate::cruise::{Cruise, repository};

/// Text whose numbers are rounded is held byte for byte, full precision to twelve digits: the last
/// ones are the mathematical library's of each system.
#[test]
fn the_example_reports_are_those_of_the_program() {
    let folder = repository().join("examples/reports");
    let cruise = Cruise::copy_of("examples/marrow-creek");
    for (format, ending) in [
        ("terminal", "txt"),
        ("markdown", "md"),
        ("html", "html"),
        ("xlsx", "xlsx"),
        ("csv", "csv"),
    ] {
        let name = format!("marrow-creek.{ending}");
        let run = cruise.run(&["compile", "design.yaml", "--format", format, "--out", &name]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let made = fs::read(cruise.path(&name)).unwrap();
        let kept = folder.join(&name);
        if env::var("INSTA_UPDATE").is_ok_and(|update| update == "always") {
            fs::write(&kept, &made).unwrap();
        }
        let kept = fs::read(&kept).unwrap();
        let same = match ending {
            "csv" => are_alike(&fields(&kept), &fields(&made)),
            "xlsx" => are_alike(&cells(kept), &cells(made)),
            _ => kept == made,
        };
        assert!(
            same,
            "examples/reports/{name} is not what the program makes now; INSTA_UPDATE=always writes it \
             anew"
        );
    }
}

fn fields(csv: &[u8]) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(csv);
    let rows = reader.records().map(Result::unwrap);
    rows.flat_map(|row| row.iter().map(str::to_owned).collect::<Vec<_>>())
        .collect()
}

fn cells(workbook: Vec<u8>) -> Vec<String> {
    let mut workbook = Xlsx::new(std::io::Cursor::new(workbook)).unwrap();
    let mut cells = Vec::new();
    for (name, sheet) in workbook.worksheets() {
        cells.push(name);
        cells.extend(sheet.rows().flatten().map(Data::to_string));
    }
    cells
}

fn are_alike(kept: &[String], made: &[String]) -> bool {
    let is_alike = |(a, b): (&String, &String)| {
        a == b
            || matches!((a.parse::<f64>(), b.parse::<f64>()),
                (Ok(a), Ok(b)) if (a - b).abs() <= 1e-12 * a.abs().max(b.abs()))
    };
    kept.len() == made.len() && kept.iter().zip(made).all(is_alike)
}
