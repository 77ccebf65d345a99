//! `heights`: the report on curves, its rows and its file of heights.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use crate::cruise::{Cruise, Run, run, shared};
use crate::upper_flat_creek::DESIGN as UPPER_FLAT_CREEK;

const MARROW_CREEK: &str = "examples/marrow-creek/design.yaml";

type Row = BTreeMap<String, String>;

fn rows(text: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().map(Result::unwrap).collect()
}

fn number(row: &Row, column: &str) -> f64 {
    let value = &row[column];
    value
        .parse()
        .unwrap_or_else(|_| panic!("{column}: `{value}`"))
}

fn done(run: Run) -> String {
    assert_eq!(run.status, 0, "{}", run.stderr);
    run.stdout
}

/// A report, none of its lines wider than asked for.
fn report(run: Run, width: usize) -> String {
    let text = done(run);
    for line in text.lines() {
        assert!(line.chars().count() <= width, "{line}");
    }
    text
}

/// Two stands with two species each: Fd with heights that one tree is far from, Hw with too few.
/// The stand Low has no missing height of Fd.
fn two_stands() -> Cruise {
    let mut trees = String::from("stand,plot,tree,species,dbh_cm,height_m\n");
    let off = [
        0.4, -0.6, 0.3, 0.7, -0.5, -0.2, 0.1, -0.3, 0.6, -0.4, 0.2, -0.1,
    ];
    for (stand, level) in [("High", 1.0), ("Low", 0.8)] {
        for (at, off) in off.iter().enumerate() {
            let dbh = 14.0 + 2.5 * f64::from(u8::try_from(at).unwrap());
            let mut height = 1.3 + level * (dbh / (1.9 + 0.155 * dbh)).powi(2) + off;
            if (stand, at) == ("High", 7) {
                // A slipped decimal.
                height /= 10.0;
            }
            let (plot, tree) = (1 + at % 3, 1 + at / 3);
            writeln!(trees, "{stand},{plot},{tree},Fd,{dbh:.1},{height:.1}").unwrap();
        }
        writeln!(trees, "{stand},1,11,Hw,22.0,17.5\n{stand},2,11,Hw,30.0,").unwrap();
        writeln!(trees, "{stand},3,12,Hw,26.0,19.5").unwrap();
    }
    trees += "High,1,13,Fd,24.0,\n";
    let design = "
title: Two stands
inputs: { plots: plots.csv, trees: trees.csv }
selections: { fixed: { method: fixed-area, radius_m: 7.98 } }
heights: { curve: naslund }
";
    let plots = "stand,plot\nHigh,1\nHigh,2\nHigh,3\nLow,1\nLow,2\nLow,3\n";
    Cruise::new()
        .file("design.yaml", design)
        .file("plots.csv", plots)
        .file("trees.csv", trees)
}

#[test]
fn reports_on_the_examples() {
    for example in ["marrow-creek", "one-centre", "tarn-ridge-logs"] {
        let design = format!("examples/{example}/design.yaml");
        let text = report(run(&["heights", &design]), 80);
        insta::assert_snapshot!(format!("heights-{example}"), text);
    }
}

#[test]
fn in_feet_and_inches_and_for_one_species() {
    let arguments = [
        "heights",
        MARROW_CREEK,
        "--units",
        "imperial",
        "--species",
        "psme",
    ];
    let text = report(run(&arguments), 80);
    insta::assert_snapshot!("heights-imperial-one-species", text);
}

#[test]
fn a_narrow_report_keeps_its_width() {
    report(run(&["heights", MARROW_CREEK, "--width", "60"]), 60);
}

#[test]
fn many_stands_and_one_of_them() {
    let cruise = two_stands();
    let all = report(cruise.run(&["heights", "design.yaml"]), 80);
    insta::assert_snapshot!("heights-two-stands", all);
    let one = report(
        cruise.run(&["heights", "design.yaml", "--stand", "Low"]),
        80,
    );
    insta::assert_snapshot!("heights-one-stand", one);
    // Fitted together, the curve is that of all, the heights those of the stand.
    let together = cruise.edit("design.yaml", "naslund", "naslund, fit_by: cruise");
    let one = report(
        together.run(&["heights", "design.yaml", "--stand", "Low"]),
        80,
    );
    insta::assert_snapshot!("heights-one-stand-fitted-together", one);
}

#[test]
fn the_slipped_decimal_comes_first() {
    let run = two_stands().run(&["heights", "design.yaml", "--format", "json"]);
    let document: serde_json::Value = serde_json::from_str(&done(run)).unwrap();
    let out = document["standing_out"].as_array().unwrap();
    let first = &out[0];
    assert_eq!(
        (&first["stand"], &first["plot"], &first["tree"]),
        (&"High".into(), &"2".into(), &"3".into())
    );
    assert!(first["studentised"].as_f64().unwrap() < -20.0);
    // No other tree is: the hemlocks are held against the curve with their own effect.
    assert_eq!(out.len(), 1);
    for (table, n) in [("curves", 3), ("heights", 40), ("without_curve", 3)] {
        assert_eq!(document[table].as_array().unwrap().len(), n, "{table}");
    }
}

/// What the report says of a curve is what `compile` uses, and its heights are the recorded ones.
#[test]
fn the_file_of_heights_is_that_of_the_records() {
    let mut cruise = Cruise::copy_of("examples/marrow-creek");
    // Firs are the only softwoods then, and have a curve of their own.
    for file in ["trees.csv", "counts.csv"] {
        let records = cruise.read(file);
        let records = records.replace(",Hw,", ",Dr,").replace(",Cw,", ",Dr,");
        cruise = cruise.file(file, records);
    }
    let arguments = [
        "heights",
        "design.yaml",
        "--data",
        "heights.csv",
        "--format",
        "csv",
    ];
    let forms = rows(&done(cruise.run(&arguments)));
    let heights = rows(&cruise.read("heights.csv"));
    done(cruise.run(&["compile", "design.yaml", "--tree-list", "list.csv"]));
    let list = rows(&cruise.read("list.csv"));
    for height in &heights {
        let tree = list
            .iter()
            .find(|tree| tree["line"] == height["line"])
            .unwrap();
        for column in ["stand", "plot", "tree", "species", "dbh_cm", "height_m"] {
            assert_eq!(tree[column], height[column], "{column}");
        }
        assert_eq!(tree["height_source"], height["source"]);
        // All are readings, whose precision is known.
        assert!(number(height, "height_se_m") > 0.0);
        let residual = number(height, "height_m") - number(height, "fitted_m");
        assert!((residual - number(height, "residual_m")).abs() < 1e-12);
    }
    let n = |species: &str| {
        heights
            .iter()
            .filter(|row| row["species"] == species)
            .count()
    };
    assert_eq!([n("Fd"), n("Dr")], [11, 18 + 19 + 3]);
    // The curve of Fd at a filled tree, from the coefficients of the row that is marked.
    let fd = |row: &&Row| row["species"] == "Fd" && row["chosen"] == "yes";
    let chosen = forms.iter().find(fd).unwrap();
    assert_eq!(chosen["form"], "naslund");
    let filled = list
        .iter()
        .find(|tree| tree["species"] == "Fd" && tree["height_source"] == "species curve")
        .unwrap();
    let dbh_cm = number(filled, "dbh_cm");
    let by_hand_m = 1.3 + (dbh_cm / (number(chosen, "a") + number(chosen, "b") * dbh_cm)).powi(2);
    assert!((by_hand_m - number(filled, "height_m")).abs() < 1e-9);
    // RMSE again, from the residuals of the file.
    let squares: f64 = heights
        .iter()
        .filter(|row| row["species"] == "Fd" && row["level"] == "species")
        .map(|row| number(row, "residual_m").powi(2))
        .sum();
    assert!((number(chosen, "rmse_m") - (squares / 9.0).sqrt()).abs() < 1e-12);
}

#[test]
fn rows_have_their_columns_in_either_unit() {
    for (units, name) in [
        ("metric", "columns-metric"),
        ("imperial", "columns-imperial"),
    ] {
        let cruise = two_stands();
        let arguments = [
            "heights",
            "design.yaml",
            "--data",
            "d.csv",
            "--units",
            units,
        ];
        done(cruise.run(&arguments));
        let forms = done(cruise.run(&[&arguments[..], &["--format", "csv"]].concat()));
        let heads = [forms.as_str(), &cruise.read("d.csv")].map(|text| {
            let head = text.lines().next().unwrap();
            head.to_owned()
        });
        insta::assert_snapshot!(format!("heights-{name}"), heads.join("\n"));
    }
    let feet = two_stands();
    done(feet.run(&[
        "heights",
        "design.yaml",
        "--data",
        "ft.csv",
        "--units",
        "imperial",
    ]));
    done(feet.run(&["heights", "design.yaml", "--data", "m.csv"]));
    for (imperial, metric) in rows(&feet.read("ft.csv"))
        .iter()
        .zip(rows(&feet.read("m.csv")))
    {
        let feet = number(imperial, "residual_ft");
        assert!((feet * 0.3048 - number(&metric, "residual_m")).abs() < 1e-12);
        assert_eq!(imperial["leverage"], metric["leverage"]);
    }
}

#[test]
fn what_is_not_there_is_told_and_nothing_is_written() {
    let cruise = two_stands();
    let wrong = |arguments: &[&str]| {
        let run = cruise.run(&[&["heights", "design.yaml", "--data", "d.csv"], arguments].concat());
        assert_eq!((run.status, run.stdout.as_str()), (1, ""));
        assert!(!cruise.path("d.csv").exists());
        run.stderr
    };
    let both = wrong(&["--stand", "Middle", "--species", "Cw"]);
    insta::assert_snapshot!("heights-not-there", both);
    insta::assert_snapshot!("heights-no-form", wrong(&["--curve", "quartic"]));
    for bad in [
        &["--format", "html"][..],
        &["--width", "20"],
        &["--plot", "1"],
    ] {
        assert_eq!(
            cruise
                .run(&[&["heights", "design.yaml"], bad].concat())
                .status,
            2,
            "{bad:?}"
        );
    }
    // A folder that is not there: nothing goes to standard output either.
    let run = cruise.run(&["heights", "design.yaml", "--data", "nowhere/d.csv"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
}

#[test]
fn a_cruise_without_heights_says_so() {
    let cruise = two_stands().file(
        "trees.csv",
        "plot,stand,tree,species,dbh_cm\n1,Low,1,Fd,20.0\n",
    );
    let text = report(cruise.run(&["heights", "design.yaml"]), 80);
    assert!(text.contains("none: 1 tree without a height"), "{text}");
}

/// Forms are refused in words: the same height everywhere, and heights that fall.
#[test]
fn a_species_that_no_form_serves_is_told_why() {
    let mut trees = String::from("plot,tree,species,dbh_cm,height_m\n");
    for (tree, dbh) in [15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0]
        .into_iter()
        .enumerate()
    {
        writeln!(trees, "1,{tree},Fd,{dbh:.1},{:.1}", 40.0 - dbh / 2.0).unwrap();
        writeln!(trees, "1,{},Hw,{dbh:.1},21.0", tree + 20).unwrap();
    }
    trees += "1,40,Fd,33.0,\n1,41,Hw,33.0,\n";
    let cruise = two_stands()
        .file("trees.csv", trees)
        .file("plots.csv", "plot\n1\n");
    let cruise = cruise.edit("design.yaml", "naslund", "best");
    let text = report(cruise.run(&["heights", "design.yaml"]), 80);
    insta::assert_snapshot!("heights-no-form-serves", text);
}

/// Upper Flat Creek (companion data of Robinson & Hamann 2010, Forest Analytics with R): the larch
/// of 57.5 cm and 3.4 m stands out farthest; four forms of Douglas-fir have no finite optimum
/// (reference fits made with R 4.2.2).
#[test]
fn upper_flat_creek_shows_its_larch() {
    let Some(trees) = shared("data/upper-flat-creek/trees-as-recorded.csv") else {
        return;
    };
    let cruise = Cruise::new()
        .file("design.yaml", UPPER_FLAT_CREEK)
        .edit(
            "design.yaml",
            "volume: { set: inland-empire-board-feet-1982 }",
            "",
        )
        .file("trees.csv", fs::read(trees).unwrap());
    let run = cruise.run(&["heights", "design.yaml", "--format", "json"]);
    let document: serde_json::Value = serde_json::from_str(&done(run)).unwrap();
    let larch = &document["standing_out"][0];
    let words = ["plot", "tree", "species"].map(|key| larch[key].as_str().unwrap());
    assert_eq!(words, ["67", "6", "WL"]);
    let numbers = ["dbh_cm", "height_m"].map(|key| larch[key].as_f64().unwrap());
    assert!((numbers[0] - 57.5).abs() < 1e-9 && (numbers[1] - 3.4).abs() < 1e-9);
    // Against the published curve, scaled, which serves the larches.
    assert!(larch["studentised"].as_f64().unwrap() < -3.5);
    let forms = document["curves"].as_array().unwrap();
    let endless: Vec<&str> = forms
        .iter()
        .filter(|row| row["species"] == "DF" && row["refused"] == "no finite optimum")
        .map(|row| row["form"].as_str().unwrap())
        .collect();
    assert_eq!(
        endless,
        ["chapman-richards", "weibull", "korf", "hossfeld4"]
    );
}
