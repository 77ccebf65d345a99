//! The `volume` of a design as far as it depends on what the set has: stand origin, merchantable
//! limits.

use std::fs;

use crate::cruise::Cruise;

/// Two loblolly pines; the volumes of trees like these stand in
/// `tests/check-values/national-scale-2024/extra.csv`.
fn pines(volume: &str) -> Cruise {
    Cruise::new()
        .file(
            "design.yaml",
            format!(
                "title: pines\n\
                 inputs: {{ trees: trees.csv }}\n\
                 selections: {{ fixed: {{ method: fixed-area, area_ha: 0.1 }} }}\n\
                 volume: {{ {volume} }}\n"
            ),
        )
        .file(
            "trees.csv",
            "plot,tree,species,dbh_in,height_ft\n1,1,131,12,70\n2,1,131,12,70\n",
        )
}

/// The mean of the whole cruise, the first row of an attribute.
fn per_ha(report: &str, attribute: &str) -> f64 {
    let wanted = format!(",{attribute},");
    let line = report.lines().find(|line| line.contains(&wanted)).unwrap();
    let head: Vec<&str> = report.lines().next().unwrap().split(',').collect();
    let at = head.iter().position(|name| *name == "per_ha").unwrap();
    line.split(',').nth(at).unwrap().parse().unwrap()
}

/// One tree of this volume on each plot of 0.1 ha, in m3/ha.
fn expected(tree_ft3: f64) -> f64 {
    tree_ft3 * 0.028_316_846_592 / 0.1
}

#[test]
fn the_origin_of_the_stand_chooses_the_rows_and_is_told() {
    let set = "set: us-national-2024, region: '230'";
    let natural = pines(set).run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(natural.status, 0, "{}", natural.stderr);
    let planted = pines(&format!("{set}, stand_origin: planted"));
    let planted = planted.run(&["compile", "design.yaml", "--format", "csv"]);
    // ft3 of natural and planted trees.
    for (run, tree_ft3) in [(&natural, 22.646_925), (&planted, 21.523_29)] {
        let volume = per_ha(&run.stdout, "volume_total");
        assert!((volume / expected(tree_ft3) - 1.0).abs() < 1e-7, "{volume}");
    }

    let told = "stand_origin: natural";
    let report = pines(set).run(&["compile", "design.yaml"]).stdout;
    assert!(report.contains(told), "{report}");
    let said = pines(&format!("{set}, stand_origin: natural"));
    assert!(!said.run(&["compile", "design.yaml"]).stdout.contains(told));
    // A set without rows for planted stands assumes nothing, and says when it is asked for them.
    let taper = "set: ca-taper-2013";
    let trees = "plot,tree,species,dbh_cm,height_m\n1,1,Fd,40,30\n2,1,Fd,40,30\n";
    let fir = |volume: &str| pines(volume).file("trees.csv", trees);
    let report = fir(taper).run(&["compile", "design.yaml"]).stdout;
    assert!(!report.contains("stand_origin"), "{report}");
    let run = fir(&format!("{taper}, stand_origin: planted")).run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0);
    let warning = "design.yaml:4:45: warning: volume set `ca-taper-2013` has no equations for \
                   planted stands; those for any stand are used [stand-origin]";
    assert!(run.stderr.contains(warning), "{}", run.stderr);
    let run = pines(&format!("{set}, stand_origin: wild")).run(&["check", "design.yaml"]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("`stand_origin` does not know `wild`"),
        "{}",
        run.stderr
    );
}

#[test]
fn merchantable_volume_outside_bark_is_that_of_the_report() {
    // Example 1 of GTR WO-104: 20 in, 110 ft, stump 1 ft, top 4 in outside bark: 85.728641 ft3.
    let volume =
        "set: us-national-2024, region: '240', merchantable: { stump_ft: 1, top_dob_in: 4 }";
    let cruise = pines(volume).file(
        "trees.csv",
        "plot,tree,species,dbh_in,height_ft\n1,1,202,20,110\n2,1,202,20,110\n",
    );
    let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let volume = per_ha(&run.stdout, "volume_merch");
    assert!(
        (volume / expected(85.728_641_209_612) - 1.0).abs() < 1e-7,
        "{volume}"
    );
    let explained = cruise
        .run(&["explain", "design.yaml", "--plot", "1", "--tree", "1"])
        .stdout;
    assert!(
        explained.contains("slope of the volume outside bark"),
        "{explained}"
    );
}

#[test]
fn a_set_without_merchantable_volume_leaves_it_out_and_says_so() {
    let cruise =
        pines("set: us-national-2024, region: '230', merchantable: { stump_ft: 1, top_dob_in: 4 }");
    let folder = cruise.path("own/volume/plain");
    fs::create_dir_all(&folder).unwrap();
    // Coefficients of an invented set: only what is left out is looked at.
    fs::write(
        folder.join("set.yaml"),
        "title: plain\ncitation: invented 2026\nobtained: set up by the user\nform: power\n\
         quantity: total\nunits: { dbh: cm, height: m, result: m3 }\nbark: inside bark\n\
         total_includes: all\nrange: not published\nerror: not published\n\
         regions: { '230': { title: here } }\n",
    )
    .unwrap();
    fs::write(
        folder.join("coefficients.csv"),
        "species,region,a,b,c\n131,230,0.00004,1.9,1\n",
    )
    .unwrap();
    let compile = [
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--tables",
        "own",
    ];
    let with = cruise.run(&compile);
    assert!(with.stdout.contains("volume_merch"), "{}", with.stderr);
    let mut arguments = compile.to_vec();
    arguments.extend(["--volume-set", "plain"]);
    let without = cruise.run(&arguments);
    assert_eq!(without.status, 0, "{}", without.stderr);
    assert!(!without.stdout.contains("volume_merch"));
    assert!(
        without
            .stderr
            .contains("warning: volume set `plain` gives no merchantable volume"),
        "{}",
        without.stderr
    );
    // Named in the design, it is an error.
    let cruise = cruise.edit("design.yaml", "us-national-2024", "plain");
    let run = cruise.run(&compile);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr
            .contains("error: volume set `plain` gives no merchantable volume"),
        "{}",
        run.stderr
    );
}
