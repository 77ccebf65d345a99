//! What `compare` prints and refuses, the trees that it lists, and what it says of definitions.

use crate::compare::{EXAMPLE, close, done, number, rows, same};
use crate::cruise::{Cruise, run};

/// Two stands of known areas, three plots each, a tree on most: few enough that all are listed.
fn two_stands() -> Cruise {
    Cruise::new()
        .file(
            "design.yaml",
            "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
             selections: {circle: {method: fixed-area, area_ha: 0.02}}\n\
             volume: {set: ca-bc-volume-2016, region: CWH}\n",
        )
        .file("stands.csv", "stand,area_ha\nA,3\nB,9\n")
        .file("plots.csv", "stand,plot\nA,1\nA,2\nA,3\nB,1\nB,2\nB,3\n")
        .file(
            "trees.csv",
            "stand,plot,tree,species,dbh_cm,height_m\nA,1,1,Fd,40,30\nA,2,1,Hw,25,20\n\
             A,2,2,Fd,31,24\nB,1,1,Cw,50,28\nB,1,2,Fd,22,19\nB,3,1,Hw,35,27\n",
        )
}

#[test]
fn the_trees_listed_make_the_difference_of_the_mean() {
    let run = two_stands().run(&[
        "compare",
        "design.yaml",
        "--volume-set",
        "ca-bc-taper-1994",
        "--format",
        "json",
    ]);
    let document: serde_json::Value = serde_json::from_str(done(&run)).unwrap();
    let of = |table: &str, stand: &str| -> Vec<serde_json::Value> {
        let rows = document[table].as_array().unwrap().iter();
        rows.filter(|row| row["stand"] == stand).cloned().collect()
    };
    let mut whole = 0.0;
    for (stand, area_share) in [("A", 0.25), ("B", 0.75)] {
        let trees = of("trees", stand);
        assert_eq!(trees.len(), 3);
        let on_the_mean = |row: &serde_json::Value| row["difference_per_ha"].as_f64().unwrap();
        let sum: f64 = trees.iter().map(on_the_mean).sum();
        let shares: f64 = trees
            .iter()
            .map(|row| row["share_pct"].as_f64().unwrap())
            .sum();
        close("shares", shares, 100.0, 1e-12);
        let first = trees.first().unwrap();
        // 50 trees/ha on one of three plots.
        let each = first["alternative_per_tree"].as_f64().unwrap()
            - first["base_per_tree"].as_f64().unwrap();
        close("first", on_the_mean(first), each * 50.0 / 3.0, 1e-12);
        let rows = of("differences", stand);
        let row = rows
            .iter()
            .find(|row| row["species"] == "all" && row["dbh_from_cm"] == "all")
            .unwrap();
        close(
            stand,
            sum,
            row["difference_per_ha"].as_f64().unwrap(),
            1e-12,
        );
        whole += area_share * sum;
    }
    let rows = of("differences", "all");
    let row = rows
        .iter()
        .find(|row| row["species"] == "all" && row["dbh_from_cm"] == "all")
        .unwrap();
    close(
        "whole",
        whole,
        row["difference_per_ha"].as_f64().unwrap(),
        1e-12,
    );
}

#[test]
fn the_report_of_the_example() {
    let design = "examples/marrow-creek/design.yaml";
    let run = run(&[
        "compare",
        design,
        "--volume-set",
        "ca-bc-taper-1994",
        "--curve",
        "naslund3",
        "--merchantable",
        "stump_m=0.3,top_dib_cm=15,min_dbh_cm=17.5",
    ]);
    for line in done(&run).lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    insta::assert_snapshot!("compare-marrow-creek", run.stdout);
    let stands = two_stands().run(&["compare", "design.yaml", "--volume-set", "ca-bc-taper-1994"]);
    insta::assert_snapshot!("compare-two-stands", done(&stands));
}

#[test]
fn csv_columns_are_those_of_the_help() {
    let columns = "stand,stratum,selection,status,species,dbh_from_cm,dbh_to_cm,attribute,unit,\
                   base,alternative,base_per_ha,alternative_per_ha,difference_per_ha,std_error,\
                   ci_lower,ci_upper,difference_pct,df,n_plots";
    let arguments = [
        "compare",
        "examples/marrow-creek/design.yaml",
        "--curve",
        "naslund",
        "--format",
        "csv",
    ];
    let metric = run(&arguments);
    assert_eq!(done(&metric).lines().next().unwrap(), columns);
    let help = run(&["compare", "--help"]).stdout.replace('\n', " ");
    let help: String = help.split_whitespace().collect();
    assert!(help.contains(columns), "{help}");
    let imperial = run(&[&arguments[..], &["--units", "imperial"]].concat());
    let (metric, imperial) = (rows(&metric.stdout), rows(done(&imperial)));
    // 1 m3/ha in ft3/ac: NIST Handbook 44, appendix C (from memory).
    let factor = 0.40468564224 / 0.3048_f64.powi(3);
    assert_eq!(metric.len(), imperial.len());
    for (m, i) in metric.iter().zip(&imperial) {
        let (m, i) = (
            number(m, "difference_per_ha"),
            number(i, "difference_per_ac"),
        );
        assert!((m * factor - i).abs() <= 1e-12 * i.abs());
    }
}

#[test]
fn the_same_set_makes_no_difference() {
    let run = Cruise::copy_of(EXAMPLE).run(&[
        "compare",
        "design.yaml",
        "--volume-set",
        "ca-bc-volume-2016@CWH",
        "--format",
        "csv",
    ]);
    for row in rows(done(&run)) {
        same(number(&row, "difference_per_ha"), 0.0);
        assert_eq!(row["base_per_ha"], row["alternative_per_ha"]);
    }
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let cruise = || Cruise::copy_of(EXAMPLE);
    let none = cruise().run(&["compare", "design.yaml"]);
    assert_eq!(none.status, 2);
    assert!(
        none.stderr
            .contains("--volume-set <SET[@REGION]>|--curve <FORM>"),
        "{}",
        none.stderr
    );
    let volume = "volume:\n  set: ca-bc-volume-2016\n  region: CWH\n  merchantable: { stump_m: 0.3, top_dib_cm: 10, min_dbh_cm: 12.5 }\n";
    let run = cruise().edit("design.yaml", volume, "").run(&[
        "compare",
        "design.yaml",
        "--curve",
        "best",
    ]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("the design names no volume set"),
        "{}",
        run.stderr
    );
    // Everything that is wrong with any alternative comes in one go.
    let run = cruise().run(&[
        "compare",
        "design.yaml",
        "--volume-set",
        "ca-bc-volume-2106",
        "--volume-set",
        "ca-bc-taper-1994@XYZ",
        "--volume-set",
        "ca-taper-2013",
        "--curve",
        "naslnd",
        "--merchantable",
        "stump_m=0.3,top_cm=10",
    ]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    for words in [
        "ca-bc-volume-2016",
        "has no region `XYZ`",
        "ca-bc-taper-1994@REGION",
        "`ca-taper-2013` has no equation for western hemlock",
        "--curve `naslnd` is no known form",
        "--merchantable: error",
    ] {
        assert!(run.stderr.contains(words), "{words}: {}", run.stderr);
    }
    let run = cruise().run(&[
        "compare",
        "design.yaml",
        "--curve",
        "best",
        "--stand",
        "nowhere",
    ]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("there is no stand `nowhere`"),
        "{}",
        run.stderr
    );
}

#[test]
fn other_definitions_are_said_plainly() {
    let remarks = |cruise: &Cruise, options: &[&str]| {
        let fixed = ["compare", "design.yaml", "--format", "json"];
        let run = cruise.run(&[&fixed, options].concat());
        let document: serde_json::Value = serde_json::from_str(done(&run)).unwrap();
        document["remarks"].to_string()
    };
    let limits = remarks(
        &Cruise::copy_of(EXAMPLE),
        &["--merchantable", "stump_m=0.3,top_dib_cm=15"],
    );
    assert!(
        limits.contains("merchantable volume rests on other limits"),
        "{limits}"
    );
    // A set whose bark basis is not resolved, and which has total volume only.
    let douglas_fir = Cruise::new()
        .file(
            "design.yaml",
            "inputs: {plots: plots.csv, trees: trees.csv}\n\
             selections: {circle: {method: fixed-area, area_ha: 0.02}}\n\
             volume: {set: ca-bc-volume-2016, region: CWH}\n",
        )
        .file("plots.csv", "plot\n1\n2\n")
        .file(
            "trees.csv",
            "plot,tree,species,dbh_cm,height_m\n1,1,Fd,40,30\n2,1,Fd,25,20\n",
        );
    let bark = remarks(&douglas_fir, &["--volume-set", "ca-taper-2013"]);
    for words in [
        "as designed are inside bark, here bark basis not known",
        "Fd: bark basis not known",
    ] {
        assert!(bark.contains(words), "{bark}");
    }
}
