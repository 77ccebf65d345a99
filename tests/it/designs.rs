//! Cruise designs compiled from files, with figures worked by hand: expansion factors are
//! 1/area and factor over basal area (definitions), sums and means are written out.

use std::collections::BTreeMap;
use std::f64::consts::PI;

use crate::cruise::{Cruise, Run};

type Row = BTreeMap<String, String>;

fn rows(run: &Run) -> Vec<Row> {
    assert_eq!(run.status, 0, "{}", run.stderr);
    csv::Reader::from_reader(run.stdout.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn compile(design: &str, plots: &str, trees: &str) -> Run {
    cruise(design, plots, trees).run(&["compile", "design.yaml", "--format", "csv"])
}

fn cruise(design: &str, plots: &str, trees: &str) -> Cruise {
    Cruise::new()
        .file("design.yaml", design)
        .file("plots.csv", plots)
        .file("trees.csv", trees)
        .file("stands.csv", "stand,area_ha\nWood,2.5\n")
}

fn all<'r>(rows: &'r [Row], selection: &str, attribute: &str) -> &'r Row {
    rows.iter()
        .find(|row| {
            row["selection"] == selection
                && row["attribute"] == attribute
                && row["species"] == "all"
                && row["dbh_from_cm"] == "all"
                && row["status"] == "live"
        })
        .unwrap()
}

fn value(rows: &[Row], selection: &str, attribute: &str) -> f64 {
    all(rows, selection, attribute)["per_ha"].parse().unwrap()
}

fn assert_close(ours: f64, by_hand: f64) {
    assert!(
        (ours - by_hand).abs() <= 1e-9 * by_hand.abs(),
        "{ours} against {by_hand}"
    );
}

const INPUTS: &str = "inputs: {plots: plots.csv, trees: trees.csv}\nselections:\n";

#[test]
fn nested_rings_strips_and_gauges() {
    let plots = "stand,plot\nWood,1\nWood,2\n";
    let trees = "plot,tree,selection,species,dbh_cm\n\
                 1,1,rings,Fd,6\n1,2,rings,Fd,10\n1,3,strip,Hw,20\n1,4,gauge,Hw,30\n\
                 1,5,gauge,Cw,50\n2,1,rings,Fd,9.9\n";
    let design = format!(
        "{INPUTS}  rings:\n    method: fixed-area\n    rings:\n      \
         - {{area_ha: 0.005, min_dbh_cm: 4, max_dbh_cm: 10}}\n      \
         - {{area_ha: 0.02, min_dbh_cm: 10}}\n  \
         strip: {{method: strip, length_m: 50, width_m: 4}}\n  \
         gauge: {{method: angle-gauge, baf_m2_per_ha: 4}}\n"
    );
    let rows = rows(&compile(&design, plots, trees));
    // (200 + 50) and 200 trees/ha; a tree of exactly 10 cm belongs to the outer ring.
    assert_close(value(&rows, "rings", "trees"), 225.0);
    // One tree on 50 x 4 m = 0.02 ha, one empty strip.
    assert_close(value(&rows, "strip", "trees"), 25.0);
    assert_close(value(&rows, "gauge", "basal_area"), 4.0);
    let g = |dbh: f64| PI * dbh * dbh / 40_000.0;
    assert_close(
        value(&rows, "gauge", "trees"),
        2.0 / g(30.0) + 2.0 / g(50.0),
    );
}

#[test]
fn a_full_tally_has_no_sampling_error() {
    let design = "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
                  selections:\n  tally: {method: full-tally}\n";
    let plots = "stand,plot\nWood,sheet 1\nWood,sheet 2\n";
    let trees = "stand,plot,tree,species,dbh_cm,count\nWood,sheet 1,1,Fd,30,4\n\
                 Wood,sheet 2,1,Fd,40,1\n";
    let rows = rows(&compile(design, plots, trees));
    let trees = all(&rows, "tally", "trees");
    assert_eq!(
        (trees["per_ha"].as_str(), trees["total"].as_str()),
        ("2", "5")
    );
    assert_eq!(trees["std_error"], "0");
}

#[test]
fn plots_may_have_sizes_factors_slopes_and_fractions_of_their_own() {
    let design = format!(
        "{INPUTS}  circle: {{method: fixed-area, area_ha: 0.02}}\n  \
         gauge: {{method: angle-gauge, baf_m2_per_ha: 4}}\n"
    );
    let plots = "stand,plot,circle.area_ha,gauge.baf_ft2_per_ac,slope_pct,slope_corrected,circle.plot_fraction\n\
                 Wood,1,0.01,,,,\nWood,2,,17.424,,,\nWood,3,,,75,no,\nWood,4,,,,,0.5\n";
    let trees = "plot,tree,selection,species,dbh_cm,count,walkthrough\n\
                 1,1,circle,Fd,20,2,\n2,1,gauge,Fd,20,,\n3,1,circle,Fd,20,,\n4,1,circle,Fd,20,,2\n";
    let rows = rows(&compile(&design, plots, trees));
    // 2/0.01; none; sec(atan 0.75) = 1.25 times 1/0.02; walkthrough 2 over half a plot.
    assert_close(
        value(&rows, "circle", "trees"),
        (200.0 + 0.0 + 62.5 + 200.0) / 4.0,
    );
    // 17.424 ft2/ac is 4 m2/ha.
    assert_close(value(&rows, "gauge", "basal_area"), 1.0);
}

#[test]
fn a_species_without_an_equation_needs_a_substitute_that_the_report_names() {
    let design = |more: &str| {
        format!(
            "{INPUTS}  circle: {{method: fixed-area, area_ha: 0.02}}\n\
             volume: {{set: ca-bc-volume-2016, region: CWH{more}}}\n"
        )
    };
    let plots = "plot\n1\n2\n";
    let trees = "plot,tree,species,dbh_cm,height_m\n1,1,Ra,30,15\n2,1,Hm,30,22\n2,2,Fd,30,22\n";
    let refused = cruise(&design(""), plots, trees).run(&["compile", "design.yaml"]);
    assert_eq!((refused.status, refused.stdout.as_str()), (1, ""));
    insta::assert_snapshot!("no-equation", refused.stderr);
    let answered = cruise(
        &design(", substitute: {Ra: Mb}, fallback: genus"),
        plots,
        trees,
    )
    .run(&["compile", "design.yaml"]);
    assert_eq!(answered.status, 0, "{}", answered.stderr);
    let equations = answered.stdout.split("Volume equations\n").nth(1).unwrap();
    insta::assert_snapshot!("substitutes", equations.split("Cautions").next().unwrap());
}

#[test]
fn broken_stems_and_defects_lower_the_volume_and_nothing_else() {
    let design = format!(
        "{INPUTS}  circle: {{method: fixed-area, area_ha: 0.02}}\n\
         volume:\n  set: ca-bc-taper-1994\n  region: CWH\n  \
         merchantable: {{stump_m: 0.3, top_dib_cm: 10, min_dbh_cm: 12.5}}\n"
    );
    let plots = "plot\n1\n2\n";
    let head = "plot,tree,species,dbh_cm,height_m,broken_height_m,defect_pct\n";
    let of = |tree: &str| {
        rows(&compile(
            &design,
            plots,
            &format!("{head}1,1,Fd,40,30,{tree}\n"),
        ))
    };
    let whole = of(",");
    // Printed check value of the 1994 profiles, 40 cm x 30 m in CWH: 1.28547 and, to a top of
    // 10 cm, more than the 1.19816 m3 to 15 cm; on one of two plots of 0.02 ha.
    assert!((value(&whole, "circle", "volume_total") / 25.0 - 1.28547).abs() < 5e-6);
    assert!(value(&whole, "circle", "volume_merch") / 25.0 > 1.19816);
    let broken = of("10,");
    let defect = of(",20");
    for attribute in ["volume_total", "volume_merch"] {
        assert!(value(&broken, "circle", attribute) < 0.8 * value(&whole, "circle", attribute));
        assert_close(
            value(&defect, "circle", attribute),
            value(&whole, "circle", attribute),
        );
    }
    assert_close(
        value(&defect, "circle", "volume_net"),
        0.8 * value(&whole, "circle", "volume_merch"),
    );
    // Without a defect in the column, nothing is off.
    assert_close(
        value(&whole, "circle", "volume_net"),
        value(&whole, "circle", "volume_merch"),
    );
    assert_close(
        value(&broken, "circle", "basal_area"),
        value(&whole, "circle", "basal_area"),
    );
}

#[test]
fn trees_without_a_height_leave_the_volume_out_and_say_so() {
    let design = format!(
        "{INPUTS}  circle: {{method: fixed-area, area_ha: 0.02}}\n\
         volume: {{set: ca-taper-2013}}\n"
    );
    let run = compile(
        &design,
        "plot\n1\n2\n",
        "plot,tree,species,dbh_cm\n1,1,Fd,30\n",
    );
    assert!(
        run.stderr.contains("1 tree of Fd has no height"),
        "{}",
        run.stderr
    );
    let rows = rows(&run);
    assert!(
        rows.iter()
            .all(|row| !row["attribute"].starts_with("volume"))
    );
    assert_close(value(&rows, "circle", "trees"), 25.0);
}

#[test]
fn the_national_scale_set_gives_wood_and_bark() {
    let design = format!(
        "{INPUTS}  circle: {{method: fixed-area, area_ha: 1}}\n\
         volume: {{set: us-national-2024, region: \"240\"}}\n"
    );
    let plots = "plot\n1\n2\n";
    // Worked example 1 of GTR WO-104: Douglas-fir of 20 in and 110 ft, division 240.
    let trees = "plot,tree,species,dbh_in,height_ft\n1,1,202,20,110\n2,1,202,20,110\n";
    let rows = rows(&compile(&design, plots, trees));
    let cubic_feet = |attribute: &str| value(&rows, "circle", attribute) / 0.3048_f64.powi(3);
    assert!((cubic_feet("volume_total") / 88.452275544288 - 1.0).abs() < 1e-9);
    assert!((cubic_feet("volume_bark") / 13.191436232306 - 1.0).abs() < 1e-9);
}
