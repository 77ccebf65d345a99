//! Biomass by the national-scale system of the United States through the whole program: the worked
//! examples of its publication as cruises of one tree, and what is said where something is not
//! known. Citation in `tests/check-values/national-scale-2024/case.yaml`.

use std::collections::BTreeMap;

use crate::answers::{case_file, rows};
use crate::cruise::{Cruise, Run};

type Row = BTreeMap<String, String>;

const CASE: &str = "national-scale-2024";

/// One plot with a gauge of 10 ft2/ac, in feet and inches.
fn design(biomass: &str) -> String {
    format!(
        "title: one tree\nunits: imperial\ninputs: {{ plots: plots.csv, trees: trees.csv }}\n\
         selections:\n  sweep: {{ method: angle-gauge, baf_ft2_per_ac: 10 }}\n\
         biomass:\n  set: us-national-2024\n{biomass}"
    )
}

const HEAD: &str = "plot,tree,species,status,dbh_in,height_ft,broken_height_ft,decay_class,\
                    defect_pct,crown_ratio_pct\n";

fn one_tree(biomass: &str, tree: &str) -> Cruise {
    Cruise::new()
        .file("design.yaml", design(biomass))
        .file("plots.csv", "plot\n1\n")
        .file("trees.csv", format!("{HEAD}1,1,{tree}\n"))
}

/// The tree list of a cruise.
fn trees(cruise: &Cruise) -> Vec<Row> {
    let run = cruise.run(&["compile", "design.yaml", "--tree-list", "list.csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let list = cruise.read("list.csv");
    csv::Reader::from_reader(list.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

fn refused(run: &Run) -> &str {
    assert_eq!(run.status, 1, "{}", run.stdout);
    &run.stderr
}

/// The design keys and the record of a worked example.
fn of_example(row: &Row) -> (String, String) {
    let mut keys = format!("  region: \"{}\"\n", row["division"]);
    if !row["province"].is_empty() {
        keys += &format!("  province: {}\n", row["province"]);
    }
    let status = if row["decay_class"].is_empty() {
        "live"
    } else {
        "dead"
    };
    let record = format!(
        "{},{status},{},{},{},{},{},{}",
        row["species"],
        row["dbh_in"],
        row["height_ft"],
        row["broken_height_ft"],
        row["decay_class"],
        row["cull_pct"],
        row["crown_ratio_pct"]
    );
    (keys, record)
}

#[test]
fn the_worked_examples_come_out_of_the_program() {
    let printed = rows(&case_file(CASE, "worked-examples.csv"));
    let mut checked = 0;
    for example in rows(&case_file(CASE, "trees.csv")) {
        let (keys, record) = of_example(&example);
        let list = trees(&one_tree(&keys, &record));
        for (quantity, column) in [
            ("total_lb", "biomass_lb"),
            ("harmonised_wood_lb", "biomass_wood_lb"),
            ("harmonised_bark_lb", "biomass_bark_lb"),
            ("harmonised_branch_lb", "biomass_branches_lb"),
            ("carbon_lb", "carbon_lb"),
        ] {
            let of_tree =
                |row: &&Row| row["example"] == example["example"] && row["quantity"] == quantity;
            let printed = printed.iter().find(of_tree).unwrap();
            let (value, tolerance) = (number(printed, "value"), number(printed, "tolerance"));
            let ours = number(&list[0], column);
            assert!(
                (ours / value - 1.0).abs() <= tolerance,
                "example {}, {column}: {ours}, printed {value}",
                example["example"]
            );
            checked += 1;
        }
    }
    assert_eq!(checked, 20);
}

#[test]
fn explain_prints_every_figure_of_the_worked_example() {
    // Example 3: a dead, broken tanoak.
    let examples = rows(&case_file(CASE, "trees.csv"));
    let (keys, record) = of_example(&examples[2]);
    let cruise = one_tree(&keys, &record);
    let run = cruise.run(&["explain", "design.yaml", "--plot", "1", "--tree", "1"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let told = |line: &str| assert!(run.stdout.contains(line), "{line}\n{}", run.stdout);
    // Printed: 492.621457718427, 241.968859433448, 114.451270512021.
    told("predicted_total_lb = 492.621");
    told("total_lb = 241.969");
    told("carbon_lb = 114.451");
    told("carbon fraction: by decay class 2");
    told("WO-104");
}

#[test]
fn what_is_not_known_is_taken_as_sound_and_told() {
    let flags = |keys: &str, record: &str| {
        let list = trees(&one_tree(keys, record));
        (list[0]["flags"].clone(), number(&list[0], "biomass_lb"))
    };
    let whole = flags("", "202,live,20,110,,,,");
    assert_eq!(whole.0, "");
    // A snag without a decay class: the mass of the sound tree; foliage is no part of it.
    let (told, lb) = flags("", "202,dead,20,110,,,,");
    assert_eq!(told, "decay not deducted from biomass");
    assert_eq!(lb.to_bits(), whole.1.to_bits());
    // Class 3 leaves less.
    let (told, decayed) = flags("", "202,dead,20,110,,3,,");
    assert_eq!(told, "");
    assert!(decayed < 0.8 * lb, "{decayed} {lb}");
    // Broken: a live tree needs its crown ratio, a dead one the province.
    let (told, lb) = flags("", "202,live,20,110,60,,,");
    assert_eq!(told, "broken; break not deducted from biomass");
    assert_eq!(lb.to_bits(), whole.1.to_bits());
    let (told, lb) = flags("", "202,live,20,110,60,,,40");
    assert_eq!(told, "broken");
    assert!(lb < whole.1);
    let (told, lb) = flags("", "202,dead,20,110,60,3,,");
    assert_eq!(told, "broken; break not deducted from biomass");
    assert_eq!(lb.to_bits(), decayed.to_bits());
    let (told, lb) = flags("  province: M242\n", "202,dead,20,110,60,3,,");
    assert_eq!(told, "broken");
    assert!(lb < decayed);
}

#[test]
fn the_design_is_checked_against_the_set() {
    let compile = |cruise: &Cruise| cruise.run(&["compile", "design.yaml"]);
    let tree = "202,dead,20,110,60,3,,";
    let run = compile(&one_tree("  province: M999\n", tree));
    let stderr = refused(&run);
    assert!(stderr.contains("design.yaml:8:13: error: no biomass set of us-national-2024 has a province `M999`; it can be 132,"), "{stderr}");
    let run = compile(&one_tree("  region: \"999\"\n", tree));
    let stderr = refused(&run);
    assert!(stderr.contains("has a region `999`"), "{stderr}");
    let run = compile(&one_tree("  stand_origin: wild\n", tree));
    let stderr = refused(&run);
    assert!(stderr.contains("design.yaml:8:17"), "{stderr}");
    // Three classes are not the five of the publication.
    let three = one_tree(
        "decay_classes: [hard, soft, rotten]\n",
        "202,dead,20,110,,soft,,",
    );
    let run = compile(&three);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(
        run.stderr
            .contains("knows 5 decay classes, the design 3; nothing is deducted for decay"),
        "{}",
        run.stderr
    );
    assert_eq!(trees(&three)[0]["flags"], "decay not deducted from biomass");
    // Measured at the root collar: no equation.
    let run = compile(&one_tree("", "65,live,10,20,,,,"));
    assert!(refused(&run).contains("us-national-2024"), "{}", run.stderr);
}

#[test]
fn region_and_origin_go_over_from_volume_to_biomass() {
    let tree = "131,live,12,70,,,,";
    let volume = "volume:\n  set: us-national-2024\n  region: \"230\"\n  stand_origin: planted\n";
    let list = trees(&one_tree(volume, tree));
    // Another implementation, planted loblolly pine of division 230: `extra.csv`.
    let extra = rows(&case_file(CASE, "extra.csv"));
    let planted = |row: &&Row| {
        row["species"] == "131" && row["origin"] == "planted" && row["dbh_in"] == "12.0"
    };
    let row = extra.iter().find(planted).unwrap();
    let ours = number(&list[0], "biomass_lb");
    let theirs = number(row, "predicted_total_lb");
    assert!((ours / theirs - 1.0).abs() < 1e-7, "{ours} {theirs}");
    // Its own key wins.
    let own = format!("  stand_origin: natural\n{volume}");
    let list = trees(&one_tree(&own, tree));
    let natural = number(&extra[0], "predicted_total_lb");
    assert!((number(&list[0], "biomass_lb") / natural - 1.0).abs() < 1e-7);
    let report = one_tree(volume, tree)
        .run(&["compile", "design.yaml"])
        .stdout;
    assert!(
        report.contains("biomass region: 230, as for volume"),
        "{report}"
    );
}
