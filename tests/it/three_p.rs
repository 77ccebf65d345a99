//! 3P samples through the program: the formulas of a constructed example (computed apart), a sale
//! with large trees and several species by hand, what must hold of any sample, and broken records.

use std::collections::BTreeMap;
use std::fs;

use crate::cruise::{Cruise, Run};

type Row = BTreeMap<String, String>;

/// Volume in m3 is a hundredth of the dbh in cm, so that a tree may have any volume.
const SET: &str = "\
title: A straight line
citation: made up for a test
obtained: set up by the user
form: formula
formula: \"a * dbh_cm\"
quantity: total
units: { result: m3 }
bark: inside bark
total_includes: the whole stem
range: not published
error: not published
";

const CHECKS: &str = "\
species,dbh_cm,height_m,quantity,value,unit,tolerance,status,where
Fd,30.0,20.0,total,0.3,m3,printed,computed independently,by hand
";

const AREAS: &str = "stand,area_ha\nWood,2.5\n";

fn design(largest_number: &str) -> String {
    format!(
        "inputs: {{stands: stands.csv, trees: trees.csv, counts: counts.csv, species_tables: own}}\n\
         allowable_error_pct: 5\n\
         selections:\n  sale:\n    method: three-p\n    largest_number: {largest_number}\n\
         volume: {{set: line}}\ntables: {{dbh_class_cm: 10}}\n"
    )
}

fn cruise(largest_number: &str, trees: &str, counts: &str) -> Cruise {
    // Every tree is 20 m tall, which changes no volume.
    let mut lines = trees.lines();
    let head = lines.next().unwrap();
    let rows = lines.map(|line| format!("{line},20\n"));
    let trees = format!("{head},height_m\n") + &rows.collect::<String>();
    let cruise = Cruise::new()
        .file("design.yaml", design(largest_number))
        .file("stands.csv", AREAS)
        .file("trees.csv", trees)
        .file("counts.csv", counts);
    let folder = cruise.path("own/volume/line");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("set.yaml"), SET).unwrap();
    fs::write(
        folder.join("coefficients.csv"),
        "species,a\nFd,0.01\nCw,0.01\nHw,0.01\n",
    )
    .unwrap();
    fs::write(folder.join("checks.csv"), CHECKS).unwrap();
    cruise
}

fn table(text: &str) -> Vec<Row> {
    csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn rows(cruise: &Cruise) -> Vec<Row> {
    let run = cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--tree-list",
        "list.csv",
    ]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    table(&run.stdout)
}

fn of<'r>(rows: &'r [Row], key: [&str; 4]) -> &'r Row {
    let [status, species, class, attribute] = key;
    rows.iter()
        .find(|row| {
            row["status"] == status
                && row["species"] == species
                && row["dbh_from_cm"] == class
                && row["attribute"] == attribute
        })
        .unwrap_or_else(|| panic!("no row {key:?}"))
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

fn total(rows: &[Row], species: &str, attribute: &str) -> f64 {
    number(of(rows, ["live", species, "all", attribute]), "total")
}

#[track_caller]
fn assert_close(ours: f64, wanted: f64) {
    let bound = 1e-9 * wanted.abs().max(1e-9);
    assert!((ours - wanted).abs() <= bound, "{ours} against {wanted}");
}

/// Predictions and volumes of six sample trees; volumes are dbh over 100 here.
const EXAMPLE: [(f64, f64); 6] = [
    (12.0, 13.1),
    (30.0, 28.5),
    (25.0, 26.0),
    (8.0, 8.8),
    (18.0, 17.1),
    (40.0, 43.0),
];

fn example() -> Cruise {
    let mut trees = "plot,tree,species,dbh_cm,prediction\n".to_owned();
    for (at, (prediction, volume)) in EXAMPLE.into_iter().enumerate() {
        trees += &format!("1,{at},Fd,{volume},{prediction}\n");
    }
    // 5000 with the 133 of the sample trees, on two sheets.
    let counts = "plot,species,count,prediction\n1,Fd,100,2867\n2,Fd,80,2000\n";
    cruise("800", &trees, counts)
}

/// Constructed example: P = 5000, K = 800; figures computed by another program.
#[test]
fn the_adjusted_total_and_its_error() {
    let cruise = example();
    let rows = rows(&cruise);
    let volume = of(&rows, ["live", "all", "all", "volume_total"]);
    let close = |ours: f64, printed: f64| {
        assert!((ours / printed - 1.0).abs() < 1e-9, "{ours} {printed}");
    };
    close(number(volume, "total"), 51.722_222_22);
    close(
        number(volume, "std_error") / number(volume, "per_ha"),
        0.027_061_488_05,
    );
    close(number(volume, "std_error") * 2.5, 1.399_680_299);
    assert_eq!(volume["df"], "5");
    let trees = of(&rows, ["live", "all", "all", "trees"]);
    assert_eq!((&*trees["total"], &*trees["std_error"]), ("186", "0"));
    // The tree list stands for the same.
    let list = table(&cruise.read("list.csv"));
    let listed: f64 = list
        .iter()
        .map(|tree| number(tree, "trees_per_ha") * number(tree, "volume_total_m3"))
        .sum();
    assert_close(listed, number(volume, "per_ha"));
}

#[test]
fn the_report_sets_the_unadjusted_total_beside_it() {
    let run = example().run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let from = run.stdout.find("Selection sale").unwrap();
    let to = run.stdout.find("Plots\n").unwrap();
    insta::assert_snapshot!("three-p-report", &run.stdout[from..to]);
}

/// K = 50: a tree predicted at 60 is measured in any case. Two species, one dead sample tree.
const TREES: &str = "\
plot,tree,species,dbh_cm,status,prediction
1,1,Fd,20,live,10
1,2,Fd,45,live,30
2,1,Cw,36,live,20
2,2,Fd,70,live,60
2,3,Cw,30,dead,40
";
const COUNTS: &str = "\
plot,species,count,status,prediction
1,Fd,9,live,150
2,Cw,6,live,80
2,Cw,2,dead,30
2,Hw,1,live,10
";

#[test]
fn large_trees_species_and_dead_trees_by_hand() {
    let cruise = cruise("50", TREES, COUNTS);
    let rows = rows(&cruise);
    // P = 10 + 30 + 20 + 40 + 150 + 80 + 30 + 10 = 370; m3 over prediction of the four trees:
    // 0.02, 0.015, 0.018, and 0.0075 of the dead one.
    let p = 370.0;
    let fd = p * (0.02 + 0.015) / 4.0 + 0.70;
    let cw = p * 0.018 / 4.0;
    assert_close(total(&rows, "Fd", "volume_total"), fd);
    assert_close(total(&rows, "Cw", "volume_total"), cw);
    assert_close(total(&rows, "all", "volume_total"), fd + cw);
    let dead = of(&rows, ["dead", "all", "all", "volume_total"]);
    assert_close(number(dead, "total"), p * 0.0075 / 4.0);
    // Error of Fd: ratios 0.02, 0.015, 0, 0 around 0.00875; the large tree adds none.
    let s2 = (0.01125_f64.powi(2) + 0.00625_f64.powi(2) + 2.0 * 0.00875_f64.powi(2)) / 3.0;
    let error = of(&rows, ["live", "Fd", "all", "volume_total"]);
    assert_close(number(error, "std_error") * 2.5, p * (s2 / 4.0).sqrt());
    // Numbers are counts: Fd 3 + 9, Cw 1 + 6, Hw 1; dead Cw 1 + 2.
    for (species, trees) in [("Fd", 12.0), ("Cw", 7.0), ("Hw", 1.0), ("all", 20.0)] {
        assert_close(total(&rows, species, "trees"), trees);
    }
    assert_close(
        number(of(&rows, ["dead", "all", "all", "trees"]), "total"),
        3.0,
    );
    // Of 70 cm there is the one large tree; of 20 cm what the first tree stands for.
    assert_close(
        number(of(&rows, ["live", "all", "70", "trees"]), "total"),
        1.0,
    );
    assert_close(
        number(of(&rows, ["live", "all", "20", "trees"]), "total"),
        p / (4.0 * 10.0),
    );
}

#[test]
fn dbh_classes_and_species_add_up_and_the_scale_of_predictions_changes_nothing() {
    let first = rows(&cruise("50", TREES, COUNTS));
    for attribute in ["volume_total", "basal_area"] {
        let parts = |is_part: &dyn Fn(&Row) -> bool| -> f64 {
            let parts = first.iter().filter(|row| {
                row["status"] == "live" && row["attribute"] == attribute && is_part(row)
            });
            parts.map(|row| number(row, "total")).sum()
        };
        let whole = total(&first, "all", attribute);
        assert_close(
            parts(&|row| row["species"] != "all" && row["dbh_from_cm"] == "all"),
            whole,
        );
        assert_close(
            parts(&|row| row["species"] == "all" && row["dbh_from_cm"] != "all"),
            whole,
        );
    }
    let scaled = |text: &str| -> String {
        let mut lines = text.lines();
        let mut all = lines.next().unwrap().to_owned() + "\n";
        for line in lines {
            let (rest, prediction) = line.rsplit_once(',').unwrap();
            all += &format!("{rest},{}\n", prediction.parse::<f64>().unwrap() * 8.0);
        }
        all
    };
    let second = rows(&cruise("400", &scaled(TREES), &scaled(COUNTS)));
    // Eight is a power of two: the same bits.
    assert_eq!(first, second);
}

#[test]
fn without_chance_there_is_no_error_and_with_one_tree_no_interval() {
    let counts = "plot,species,count,prediction\n";
    let all = "plot,tree,species,dbh_cm,prediction\n1,1,Fd,20,10\n1,2,Fd,45,30\n";
    let measured = rows(&cruise("5", all, counts));
    let volume = of(&measured, ["live", "all", "all", "volume_total"]);
    assert_close(number(volume, "total"), 0.65);
    assert_eq!(volume["std_error"], "0");
    let one = rows(&cruise("20", all, counts));
    let volume = of(&one, ["live", "all", "all", "volume_total"]);
    assert_close(number(volume, "total"), 0.65);
    assert_eq!(volume["std_error"], "");
}

fn refused(largest_number: &str, trees: &str, counts: &str) -> Run {
    let run = cruise(largest_number, trees, counts).run(&["check", "design.yaml"]);
    assert_eq!(run.status, 1, "{}", run.stderr);
    run
}

#[test]
fn broken_records_are_refused_with_their_place() {
    let head = "plot,tree,species,dbh_cm,count,prediction\n";
    let trees = format!(
        "{head}1,1,Fd,20,,10\n1,2,Fd,21,,\n1,3,Fd,22,,0\n1,4,Fd,23,,-4\n1,5,Fd,24,,much\n\
         1,6,Fd,25,3,12\n"
    );
    let counts = "plot,species,count,prediction\n1,Fd,4,\n1,Cw,0,12\n1,Hw,2,150\n1,Fd,3,none\n";
    insta::assert_snapshot!("three-p-records", refused("50", &trees, counts).stderr);
    let without = "plot,tree,species,dbh_cm\n1,1,Fd,20\n";
    let counted = "plot,species,count\n1,Fd,4\n";
    insta::assert_snapshot!("three-p-no-column", refused("50", without, counted).stderr);
}

#[test]
fn broken_designs_are_refused_with_their_place() {
    let designs = [
        "method: three-p",
        "method: three-p\n    largest_number: 0",
        "method: three-p\n    largest_number: many",
        "method: three-p\n    largest_number: 800\n    min_dbh_cm: 10",
        "method: three-p\n    largest_number: 800\n    measured: some",
        "method: full-tally\n    largest_number: 800",
        "method: three-p\n    largest_number: 800\n  sweep:\n    method: angle-gauge\n    \
         baf_m2_per_ha: 4\n    measured: none\n    volume_ratio_from: sale",
    ];
    let said = designs.map(|selection| {
        let cruise = cruise("50", TREES, COUNTS).file(
            "design.yaml",
            format!(
                "inputs: {{trees: trees.csv, counts: counts.csv}}\nselections:\n  sale:\n    \
                 {selection}\n"
            ),
        );
        let run = cruise.run(&["check", "design.yaml"]);
        assert_eq!(run.status, 1, "{selection}: {}", run.stderr);
        run.stderr
    });
    insta::assert_snapshot!("three-p-designs", said.join("\n"));
}

/// Sheets of a 3P sample are no plots: beside fixed plots of the same names nothing is paired, and
/// no grid is seen in them.
#[test]
fn sheets_are_not_compared_with_plots() {
    let mut trees = "plot,selection,tree,species,dbh_cm,height_m,prediction\n".to_owned();
    let mut counts = "plot,selection,species,count,prediction\n".to_owned();
    let mut plots = "plot,easting,northing\n".to_owned();
    for plot in 1..=5 {
        plots += &format!("{plot},{},0\n", 100 * plot);
        counts += &format!("{plot},sale,Fd,{},{}\n", 20 + plot, 500 + 30 * plot);
        trees += &format!("{plot},fixed,1,Fd,{},20,\n", 20 + plot);
    }
    trees +=
        "1,sale,1,Fd,40,20,35\n1,sale,2,Fd,30,20,20\n4,sale,1,Fd,50,20,60\n5,sale,1,Fd,25,20,14\n";
    let cruise = Cruise::new()
        .file(
            "design.yaml",
            "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv}\n\
             selections:\n  sale: {method: three-p, largest_number: 800}\n  \
             fixed: {method: fixed-area, radius_m: 7.98}\n\
             sampling: {combine: [sale, fixed]}\n",
        )
        .file("stands.csv", AREAS)
        .file("plots.csv", plots)
        .file("trees.csv", trees)
        .file("counts.csv", counts);
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(
        run.stdout
            .contains("fixed, live trees: standard error found")
    );
    assert!(
        !run.stdout
            .contains("sale, live trees: standard error found")
    );
    assert!(run.stdout.contains("sale and fixed are not combined"));
}
