//! `compile` on the examples: what is printed, and what must not change it.

use std::collections::BTreeMap;

use crate::cruise::{Cruise, Run, run};

const EXAMPLES: [&str; 3] = ["marrow-creek", "one-centre", "tarn-ridge-logs"];

fn tidy(run: &Run) -> Vec<BTreeMap<String, String>> {
    assert_eq!(run.status, 0, "{}", run.stderr);
    csv::Reader::from_reader(run.stdout.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn example() -> Cruise {
    Cruise::copy_of("examples/marrow-creek")
}

#[test]
fn every_example_compiles_and_fits_80_columns() {
    for example in EXAMPLES {
        let design = format!("examples/{example}/design.yaml");
        let report = run(&["compile", &design]);
        assert_eq!(report.status, 0, "{}", report.stderr);
        for line in report
            .stdout
            .lines()
            .chain(report.stderr.lines().filter(|_| false))
        {
            assert!(line.chars().count() <= 80, "{example}: {line}");
        }
        insta::assert_snapshot!(format!("{example}-report"), report.stdout);
        insta::assert_snapshot!(format!("{example}-findings"), report.stderr);
    }
}

#[test]
fn the_other_formats() {
    let design = "examples/one-centre/design.yaml";
    for format in ["markdown", "csv", "json"] {
        let result = run(&["compile", design, "--format", format]);
        assert_eq!(result.status, 0, "{}", result.stderr);
        insta::assert_snapshot!(format!("one-centre-{format}"), result.stdout);
    }
}

#[test]
fn the_tidy_table_has_its_columns_and_json_the_same_rows() {
    let design = "examples/marrow-creek/design.yaml";
    let csv = run(&["compile", design, "--format", "csv"]);
    assert_eq!(
        csv.stdout.lines().next().unwrap(),
        "stand,stratum,selection,status,species,dbh_from_cm,dbh_to_cm,attribute,unit,per_ha,\
         std_error,ci_lower,ci_upper,error_pct,df,n_plots,total,total_std_error"
    );
    let imperial = run(&["compile", design, "--format", "csv", "--units", "imperial"]);
    assert_eq!(
        imperial.stdout.lines().next().unwrap(),
        "stand,stratum,selection,status,species,dbh_from_in,dbh_to_in,attribute,unit,per_ac,\
         std_error,ci_lower,ci_upper,error_pct,df,n_plots,total,total_std_error"
    );
    let json = run(&["compile", design, "--format", "json"]);
    let document: serde_json::Value = serde_json::from_str(&json.stdout).unwrap();
    let rows = document["estimates"].as_array().unwrap();
    let csv = tidy(&csv);
    assert_eq!(rows.len(), csv.len());
    for (row, same) in rows.iter().zip(&csv) {
        for (column, text) in same {
            match &row[column] {
                serde_json::Value::Null => assert_eq!(text, ""),
                serde_json::Value::String(word) => assert_eq!(word, text),
                number => {
                    // Reading JSON numbers back may be off by the last bit.
                    let (json, csv) = (number.as_f64().unwrap(), text.parse::<f64>().unwrap());
                    assert!((json - csv).abs() <= 4.0 * f64::EPSILON * csv.abs());
                }
            }
        }
    }
}

#[test]
fn metric_and_imperial_results_agree() {
    let design = "examples/marrow-creek/design.yaml";
    let metric = tidy(&run(&["compile", design, "--format", "csv"]));
    let imperial = tidy(&run(&[
        "compile", design, "--format", "csv", "--units", "imperial",
    ]));
    assert_eq!(metric.len(), imperial.len());
    // Size of one imperial unit in the metric one: NIST Handbook 44, appendix C (from memory).
    let size = |unit: &str| match unit {
        "1/ac" => 1.0 / 0.40468564224,
        "ft2/ac" => 0.3048 * 0.3048 / 0.40468564224,
        "ft3/ac" => 0.3048_f64.powi(3) / 0.40468564224,
        "in" => 2.54,
        "ft" => 0.3048,
        "ft2/ac/in^0.5" => 0.3048 * 0.3048 / 0.40468564224 / 2.54_f64.sqrt(),
        other => panic!("unit {other}"),
    };
    for (m, i) in metric.iter().zip(&imperial) {
        let scale = size(&i["unit"]);
        for (column, other) in [
            ("per_ha", "per_ac"),
            ("ci_lower", "ci_lower"),
            ("ci_upper", "ci_upper"),
        ] {
            if m[column].is_empty() {
                assert_eq!(i[other], "");
                continue;
            }
            let (a, b): (f64, f64) = (m[column].parse().unwrap(), i[other].parse().unwrap());
            assert!(
                (a - b * scale).abs() <= 1e-12 * a.abs().max(1.0),
                "{m:?} {i:?}"
            );
        }
        for column in ["error_pct", "df", "n_plots"] {
            let number =
                |row: &BTreeMap<String, String>| row[column].parse::<f64>().unwrap_or(-1.0);
            assert!((number(m) - number(i)).abs() <= 1e-9 * number(m).abs().max(1.0));
        }
    }
}

/// The same text with rows in reverse, columns in reverse, semicolons and decimal commas, and a
/// byte-order mark.
fn rearranged(text: &str) -> String {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(text.as_bytes());
    let mut records: Vec<Vec<String>> = reader
        .records()
        .map(|record| record.unwrap().iter().rev().map(str::to_owned).collect())
        .collect();
    records[1..].reverse();
    let mut writer = csv::WriterBuilder::new()
        .delimiter(b';')
        .from_writer(Vec::new());
    for (at, record) in records.iter().enumerate() {
        let decimal = |field: &String| {
            let number = at > 0 && field.parse::<f64>().is_ok();
            if number {
                field.replace('.', ",")
            } else {
                field.clone()
            }
        };
        writer.write_record(record.iter().map(decimal)).unwrap();
    }
    format!(
        "\u{feff}{}",
        String::from_utf8(writer.into_inner().unwrap()).unwrap()
    )
}

#[test]
fn order_of_rows_and_columns_and_the_delimiter_change_nothing() {
    let plain = example().run(&["compile", "design.yaml"]);
    let mut other = example();
    for name in ["plots.csv", "trees.csv", "counts.csv", "stands.csv"] {
        let text = rearranged(&other.read(name));
        other = other.file(name, text);
    }
    let rearranged = other.run(&["compile", "design.yaml"]);
    assert_eq!(rearranged.status, 0, "{}", rearranged.stderr);
    assert_eq!(plain.stdout, rearranged.stdout);
}

#[test]
fn inputs_in_imperial_units_give_the_same_cruise() {
    let convert = |text: &str, column: &str, to: &str, size: f64| {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let mut heads = reader.headers().unwrap().clone();
        let at = heads.iter().position(|head| head == column).unwrap();
        heads = heads
            .iter()
            .map(|head| if head == column { to } else { head })
            .collect();
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(&heads).unwrap();
        for record in reader.records() {
            let record = record.unwrap();
            writer
                .write_record(record.iter().enumerate().map(
                    |(n, field)| match field.parse::<f64>() {
                        Ok(value) if n == at => (value / size).to_string(),
                        _ => field.to_owned(),
                    },
                ))
                .unwrap();
        }
        String::from_utf8(writer.into_inner().unwrap()).unwrap()
    };
    let metric = example().run(&["compile", "design.yaml"]);
    let cruise = example();
    let trees = convert(&cruise.read("trees.csv"), "dbh_cm", "dbh_in", 2.54);
    let trees = convert(&trees, "distance_m", "distance_ft", 0.3048);
    let imperial = cruise
        .file("trees.csv", trees)
        .edit(
            "design.yaml",
            "radius_m: 7.98",
            &format!("radius_ft: {}", 7.98 / 0.3048),
        )
        .edit("design.yaml", "baf_m2_per_ha: 7", "baf_ft2_per_ac: 30.492")
        .run(&["compile", "design.yaml"]);
    assert_eq!(imperial.status, 0, "{}", imperial.stderr);
    assert_eq!(metric.stdout, imperial.stdout);
}

#[test]
fn results_go_where_they_are_asked_to_and_nothing_is_half_written() {
    let cruise = example();
    let done = cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--out",
        "estimates.csv",
        "--tree-list",
        "list.csv",
    ]);
    assert_eq!((done.status, done.stdout.as_str()), (0, ""));
    assert!(cruise.read("estimates.csv").starts_with("stand,stratum,"));
    let list = cruise.read("list.csv");
    assert_eq!(list.lines().count(), 115, "a head and 114 trees");
    assert!(list.contains("steep reading"));
    let into_folder = cruise.run(&["compile", "design.yaml", "--format", "json", "--out", "."]);
    assert_eq!(into_folder.status, 0, "{}", into_folder.stderr);
    assert!(cruise.read("design.json").contains("\"estimates\""));

    let broken = example()
        .edit("trees.csv", "26.7", "26,7,")
        .file("old.csv", "old");
    let failed = broken.run(&[
        "compile",
        "design.yaml",
        "--out",
        "old.csv",
        "--tree-list",
        "new.csv",
    ]);
    assert_eq!((failed.status, failed.stdout.as_str()), (1, ""));
    assert!(
        failed.stderr.contains("trees.csv:2:14: error"),
        "{}",
        failed.stderr
    );
    assert_eq!(broken.read("old.csv"), "old");
    assert!(!broken.path("new.csv").exists());

    let nowhere = example().run(&["compile", "design.yaml", "--out", "no/such/folder/x.csv"]);
    assert_eq!(nowhere.status, 1);
    assert!(
        nowhere.stderr.contains("no/such/folder/x.csv"),
        "{}",
        nowhere.stderr
    );
}

#[test]
fn the_command_line_overrides_the_design() {
    let cruise = example();
    let of = |arguments: &[&str]| {
        let mut all = vec!["compile", "design.yaml", "--format", "csv"];
        all.extend(arguments);
        tidy(&cruise.run(&all))
    };
    let row = |rows: &[BTreeMap<String, String>], attribute: &str| {
        rows.iter()
            .find(|row| {
                row["attribute"] == attribute
                    && row["stratum"] == "all"
                    && row["species"] == "all"
                    && row["dbh_from_cm"] == "all"
            })
            .unwrap()
            .clone()
    };
    let design = of(&[]);
    let taper = of(&["--volume-set", "ca-bc-taper-1994"]);
    assert_eq!(row(&design, "basal_area"), row(&taper, "basal_area"));
    assert_ne!(
        row(&design, "volume_total")["per_ha"],
        row(&taper, "volume_total")["per_ha"]
    );
    let national = of(&["--volume-set", "us-national-2024", "--region", "240"]);
    assert!(national.iter().any(|row| row["attribute"] == "volume_bark"));
    // A set that knows no regions does without the design's, and says so.
    let west = cruise.run(&[
        "compile",
        "design.yaml",
        "--volume-set",
        "us-west-volume-2019",
    ]);
    assert_eq!(west.status, 0, "{}", west.stderr);
    assert!(
        west.stderr
            .contains("region `CWH` of the design is left out")
    );
    let curve = of(&["--curve", "power"]);
    assert_ne!(
        row(&design, "volume_total")["per_ha"],
        row(&curve, "volume_total")["per_ha"]
    );
    let level = of(&["--confidence", "0.8"]);
    assert_eq!(
        row(&design, "trees")["std_error"],
        row(&level, "trees")["std_error"]
    );
    assert_ne!(
        row(&design, "trees")["ci_lower"],
        row(&level, "trees")["ci_lower"]
    );

    for (arguments, status, words) in [
        (
            ["--volume-set", "ca-bc-volume-2061"],
            1,
            "ca-bc-volume-2016",
        ),
        (["--volume-set", "us-national-2024"], 1, "M240"),
        (["--region", "CHW"], 1, "CWH"),
        (["--curve", "naslunt"], 1, "naslund"),
        (["--confidence", "95"], 2, "0.95"),
        (["--units", "furlongs"], 2, "imperial"),
        (["--stand", "Nowhere"], 1, "Marrow Creek"),
        (["--width", "10"], 2, "40"),
    ] {
        let run = cruise.run(&["compile", "design.yaml", arguments[0], arguments[1]]);
        assert_eq!(run.status, status, "{arguments:?}: {}", run.stderr);
        assert!(run.stderr.contains(words), "{arguments:?}: {}", run.stderr);
        assert_eq!(run.stdout, "");
    }
}

#[test]
fn an_input_may_come_from_standard_input() {
    let cruise = example().edit("design.yaml", "trees: trees.csv", "trees: \"-\"");
    let trees = cruise.read("trees.csv");
    let piped = cruise.run_with_input(&["compile", "design.yaml"], &trees);
    assert_eq!(piped.status, 0, "{}", piped.stderr);
    assert_eq!(
        piped.stdout,
        example().run(&["compile", "design.yaml"]).stdout
    );
    let design = example().read("design.yaml");
    let piped = example().run_with_input(&["compile", "-"], &design);
    assert_eq!(piped.status, 0, "{}", piped.stderr);
}

#[test]
fn several_stands_are_compiled_apart_and_together() {
    let cruise = stands();
    let whole = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(whole.status, 0, "{}", whole.stderr);
    insta::assert_snapshot!("several-stands", whole.stdout);
    let one = cruise.run(&["compile", "design.yaml", "--stand", "North"]);
    assert!(one.stdout.contains("stand North, 10 ha"), "{}", one.stdout);
    // By hand: North 10 ha with 100 and 300 trees/ha, South 30 ha with 200 and 0 trees/ha.
    let rows = tidy(&cruise.run(&["compile", "design.yaml", "--format", "csv"]));
    let trees = |stand: &str| {
        let row = rows
            .iter()
            .find(|row| {
                row["stand"] == stand
                    && row["attribute"] == "trees"
                    && row["species"] == "all"
                    && row["dbh_from_cm"] == "all"
            })
            .unwrap();
        (
            row["per_ha"].clone(),
            row["std_error"].parse::<f64>().unwrap(),
            row["total"].clone(),
        )
    };
    assert_eq!(trees("North"), ("200".to_owned(), 100.0, "2000".to_owned()));
    assert_eq!(trees("South"), ("100".to_owned(), 100.0, "3000".to_owned()));
    let (mean, error, total) = trees("all");
    assert_eq!((mean.as_str(), total.as_str()), ("125", "5000"));
    // sqrt(0.25^2 x 100^2 + 0.75^2 x 100^2), stratified by stands (Cochran 1977, chapter 5).
    assert!((error - 79.056_941_504_209_48).abs() < 1e-9, "{error}");
}

/// Two stands of two plots each, one of them empty, on plots of 0.01 ha.
fn stands() -> Cruise {
    Cruise::new()
        .file(
            "design.yaml",
            "title: Two stands\ninputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
             selections:\n  circle: {method: fixed-area, area_ha: 0.01}\n",
        )
        .file("stands.csv", "stand,area_ha\nNorth,10\nSouth,30\n")
        .file(
            "plots.csv",
            "stand,plot\nNorth,1\nNorth,2\nSouth,1\nSouth,2\n",
        )
        .file(
            "trees.csv",
            "stand,plot,tree,species,dbh_cm,height_m\nNorth,1,1,Fd,30,22\nNorth,2,1,Fd,22,18\n\
             North,2,2,Hw,18,15\nNorth,2,3,Hw,25,19\nSouth,1,1,Fd,40,27\nSouth,1,2,Cw,33,20\n",
        )
}
