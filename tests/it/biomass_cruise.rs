//! Biomass and carbon of whole cruises: from records to figures per hectare.

use std::collections::BTreeMap;

use crate::cruise::{Cruise, Run};

type Row = BTreeMap<String, String>;

fn tidy(run: &Run) -> Vec<Row> {
    assert_eq!(run.status, 0, "{}", run.stderr);
    csv::Reader::from_reader(run.stdout.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

fn row<'r>(rows: &'r [Row], selection: &str, status: &str, species: &str, name: &str) -> &'r Row {
    let found = rows.iter().find(|row| {
        row["selection"] == selection
            && row["status"] == status
            && row["species"] == species
            && row["dbh_from_cm"] == "all"
            && row["attribute"] == name
    });
    found.unwrap_or_else(|| panic!("{selection}, {status}, {species}, {name}"))
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

const DESIGN: &str = "\
title: two plots
units: metric
inputs: { plots: plots.csv, trees: trees.csv }
selections:
  fixed: { method: fixed-area, area_ha: 0.05 }
biomass:
  set: ca-national-2005-dbh
";

/// Two plots of 0.05 ha: a black spruce of 20 cm; a jack pine of 25 cm and a dead black spruce of
/// 20 cm. No tree has a height.
fn two_plots() -> Cruise {
    Cruise::new()
        .file("design.yaml", DESIGN)
        .file("plots.csv", "plot\n1\n2\n")
        .file(
            "trees.csv",
            "plot,tree,species,status,dbh_cm\n1,1,PICE.MAR,live,20\n2,1,PINU.BAN,live,25\n\
             2,2,PICE.MAR,dead,20\n",
        )
}

fn close(value: f64, by_hand: f64) {
    // The masses by hand have three decimals.
    assert!((value / by_hand - 1.0).abs() < 5e-6, "{value} {by_hand}");
}

#[test]
fn two_plots_by_hand() {
    // Check values of the sources, computed from table 3 of Lambert et al. 2005: black spruce of
    // 20 cm 89.170 wood, 12.670 bark, 14.298 branches, 11.403 foliage, 127.540 kg in all; jack
    // pine of 25 cm 184.520, 14.420, 18.808, 10.162, 227.911 kg. A tree stands for 20 per ha.
    let cruise = two_plots();
    let rows = tidy(&cruise.run(&["compile", "design.yaml", "--format", "csv"]));
    let live = |name| row(&rows, "fixed", "live", "all", name);
    let t_per_ha = |first_kg: f64, second_kg: f64| (first_kg + second_kg) * 20.0 / 1000.0 / 2.0;
    for (name, spruce_kg, pine_kg) in [
        ("biomass", 127.540, 227.911),
        ("biomass_wood", 89.170, 184.520),
        ("biomass_bark", 12.670, 14.420),
        ("biomass_branches", 14.298, 18.808),
        ("biomass_foliage", 11.403, 10.162),
        ("carbon", 63.770, 113.9555),
        (
            "co2_equivalent",
            63.770 * 44.0 / 12.0,
            113.9555 * 44.0 / 12.0,
        ),
    ] {
        let found = live(name);
        assert_eq!(found["unit"], "t/ha");
        if name == "biomass_foliage" || name == "biomass_branches" {
            // Three decimals of a small number.
            let by_hand = t_per_ha(spruce_kg, pine_kg);
            assert!((number(found, "per_ha") / by_hand - 1.0).abs() < 5e-5);
        } else {
            close(number(found, "per_ha"), t_per_ha(spruce_kg, pine_kg));
        }
    }
    // Two plots: the standard error is half their difference.
    let half = (227.911 - 127.540) * 20.0 / 1000.0 / 2.0;
    assert!((number(live("biomass"), "std_error") / half - 1.0).abs() < 2e-5);
    // The dead spruce lacks its foliage.
    let dead = row(&rows, "fixed", "dead", "all", "biomass");
    close(number(dead, "per_ha"), t_per_ha(0.0, 127.540 - 11.403));
    let needles = row(&rows, "fixed", "dead", "all", "biomass_foliage");
    assert!(number(needles, "per_ha").abs() < 1e-12);
    // Species add up.
    let species = |code| number(row(&rows, "fixed", "live", code, "carbon"), "per_ha");
    let sum = species("PICE.MAR") + species("PINU.BAN");
    assert!((sum / number(live("carbon"), "per_ha") - 1.0).abs() < 1e-12);
}

#[test]
fn imperial_masses_are_short_tons_per_acre_and_pounds() {
    let cruise = two_plots();
    let metric = tidy(&cruise.run(&["compile", "design.yaml", "--format", "csv"]));
    let imperial = tidy(&cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--units",
        "imperial",
        "--tree-list",
        "trees-out.csv",
    ]));
    // 1 short ton is 907.18474 kg, 1 ac 0.40468564224 ha, 1 lb 0.45359237 kg: NIST Handbook 44,
    // appendix C (from memory).
    let size = 907.184_74 / 1000.0 / 0.404_685_642_24;
    let mut masses = 0;
    for (m, i) in metric.iter().zip(&imperial) {
        if i["unit"] == "short ton/ac" {
            assert_eq!(m["unit"], "t/ha");
            let (a, b) = (number(m, "per_ha"), number(i, "per_ac"));
            assert!((a - b * size).abs() <= 1e-12 * a);
            masses += 1;
        }
    }
    assert!(masses > 20);
    let list = cruise.read("trees-out.csv");
    let mut reader = csv::Reader::from_reader(list.as_bytes());
    let trees: Vec<Row> = reader.deserialize().map(Result::unwrap).collect();
    assert!((number(&trees[0], "biomass_lb") * 0.453_592_37 / 127.540 - 1.0).abs() < 5e-6);
    assert!((number(&trees[0], "carbon_lb") * 0.453_592_37 / 63.770 - 1.0).abs() < 5e-6);
    assert_eq!(trees[2]["flags"], "decay not deducted from biomass");
}

#[test]
fn counted_trees_borrow_mass_as_they_borrow_volume() {
    // One centre: a plot of 0.05 ha with a black spruce of 20 cm (127.540 kg, basal area
    // 0.0314159 m2), and a sweep of factor 4 that counted three spruces: 12 m2/ha.
    let cruise = two_plots()
        .edit("plots.csv", "1\n2\n", "1\n2\n")
        .edit(
            "design.yaml",
            "inputs: { plots: plots.csv, trees: trees.csv }",
            "inputs: { plots: plots.csv, trees: trees.csv, counts: counts.csv }",
        )
        .edit(
            "design.yaml",
            "biomass:",
            "  sweep: { method: angle-gauge, baf_m2_per_ha: 4, measured: none, volume_ratio_from: \
             fixed }\nbiomass:",
        )
        .file(
            "trees.csv",
            "plot,selection,tree,species,status,dbh_cm\n1,fixed,1,PICE.MAR,live,20\n\
             2,fixed,1,PICE.MAR,live,20\n",
        )
        .file(
            "counts.csv",
            "plot,selection,species,count\n1,sweep,PICE.MAR,3\n2,sweep,PICE.MAR,1\n",
        );
    let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    let rows = tidy(&run);
    let found = row(&rows, "sweep", "live", "all", "biomass");
    let per_basal_area = 127.540 / (std::f64::consts::PI / 400.0 * 4.0);
    close(number(found, "per_ha"), 8.0 * per_basal_area / 1000.0);
    let report = cruise.run(&["compile", "design.yaml"]).stdout;
    let fact = "- sweep: biomass of counted trees by the biomass/basal-area ratio of fixed";
    assert!(report.contains(fact), "{report}");
    assert!(!report.contains("volume/basal-area"), "{report}");
}

#[test]
fn the_report_says_what_was_left_out_of_account() {
    let report = two_plots().run(&["compile", "design.yaml"]);
    assert_eq!(report.status, 0, "{}", report.stderr);
    assert!(report.stdout.lines().all(|line| line.chars().count() <= 80));
    for words in [
        "Biomass and carbon, selection fixed",
        "biomass above ground  t/ha   3.6",
        "CO2 equivalent        t/ha   6.5",
        "Oven-dry mass above ground, snags (standing dead trees)",
        "- 1 dead tree: foliage is left out where the set gives it",
        "- carbon: 0.5 of dry mass, convention of Canadian carbon accounting",
        "- CO2 equivalent: carbon x 44/12 (IPCC 2006 guidelines)",
        "PICE.MAR  black spruce  ca-national-2005-dbh  PICE.MAR  own",
    ] {
        assert!(report.stdout.contains(words), "{words}\n{}", report.stdout);
    }
}

#[test]
fn explain_shows_every_component() {
    let report = two_plots().run(&["explain", "design.yaml", "--plot", "2", "--tree", "2"]);
    assert_eq!(report.status, 0, "{}", report.stderr);
    for words in [
        "biomass set: ca-national-2005-dbh, Canada without British Columbia, biomass by",
        "equation `PICE.MAR` (black spruce), of the species itself",
        "put in: D = 20 cm",
        "wood mass = 89.1699 kg",
        "bark mass = 12.6699 kg",
        "branch mass = 14.2975 kg",
        "foliage mass = 11.4026 kg",
        "dead: no foliage, and nothing deducted for decay",
        "kg x 0.5 = 58.068",
    ] {
        assert!(report.stdout.contains(words), "{words}\n{}", report.stdout);
    }
}

#[test]
fn the_command_line_names_sets_and_the_design_a_carbon_fraction() {
    let cruise = two_plots().edit(
        "design.yaml",
        "biomass:\n  set: ca-national-2005-dbh\n",
        "biomass: { set: us-taxa-2014, carbon_fraction: 0.47 }\n",
    );
    let run = cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--biomass-set",
        "ca-national-2008-dbh,ca-national-2005-dbh",
    ]);
    let rows = tidy(&run);
    let live = |name| number(row(&rows, "fixed", "live", "all", name), "per_ha");
    assert!((live("carbon") / live("biomass") - 0.47).abs() < 1e-12);
    let report = cruise.run(&[
        "compile",
        "design.yaml",
        "--biomass-set",
        "ca-national-2008-dbh,ca-national-2005-dbh",
    ]);
    for words in [
        "- carbon: 0.47 of dry mass, given in the design",
        "PICE.MAR  black spruce  ca-national-2008-dbh  PICE.MAR  own",
        "PINU.BAN  jack pine     ca-national-2005-dbh  PINU.BAN  own",
    ] {
        assert!(report.stdout.contains(words), "{words}\n{}", report.stdout);
    }
}

fn problems(biomass: &str) -> String {
    let cruise = two_plots().edit(
        "design.yaml",
        "biomass:\n  set: ca-national-2005-dbh\n",
        biomass,
    );
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    run.stderr
}

#[test]
fn whatever_is_wrong_is_said_at_its_place() {
    insta::assert_snapshot!(
        "wrong-design",
        problems(
            "biomass:\n  set: [ca-national-2005-db, us-taxa-2014, us-taxa-2014]\n  carbon_fraction: 47\n  \
         subsitute: { Fd: Hw }\n"
        )
    );
    insta::assert_snapshot!(
        "wrong-region",
        problems("biomass:\n  set: us-species-groups-2003\n  region: CWH\n  province: BC\n")
    );
    // Both species lack an equation: both are named, where they are first recorded.
    insta::assert_snapshot!(
        "not-covered",
        problems(
            "biomass:\n  set: us-taxa-2014\n  substitute: { PICE.MAR: TSHE, PINU.BAN: THPL }\n"
        )
    );
}

#[test]
fn a_set_of_ones_own_is_a_folder() {
    let head = "title: my own\ncitation: measured here\nobtained: set up by the user\n\
                form: exp-log\nquantity: total mass\nunits: { dbh: in, height: ft, mass: lb }\n\
                total_includes: everything above ground\nrange: not published\n\
                error: not published\n";
    let rows = "species,b0,b1,dbh_min,dbh_max\nPICE.MAR,0,2,1,7\nPINU.BAN,0,2,,\n";
    let cruise = two_plots();
    std::fs::create_dir_all(cruise.path("own/biomass/mine")).unwrap();
    let cruise = cruise
        .file("own/biomass/mine/set.yaml", head)
        .file("own/biomass/mine/coefficients.csv", rows)
        .edit("design.yaml", "set: ca-national-2005-dbh", "set: mine");
    let arguments = [
        "compile",
        "design.yaml",
        "--tables",
        "own",
        "--format",
        "csv",
    ];
    let run = cruise.run(&arguments);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr
            .contains("biomass set `mine` has no carbon fraction"),
        "{}",
        run.stderr
    );
    let cruise = cruise.file(
        "own/biomass/mine/set.yaml",
        format!("{head}carbon_fraction: {{ value: 0.5, source: here }}\n"),
    );
    let rows = tidy(&cruise.run(&arguments));
    // exp(2 ln D) lb with D in inches: the square of the dbh in inches.
    let lb = (20.0_f64 / 2.54).powi(2);
    let found = number(row(&rows, "fixed", "live", "PICE.MAR", "biomass"), "per_ha");
    assert!((found / (lb * 0.453_592_37 * 20.0 / 1000.0 / 2.0) - 1.0).abs() < 1e-12);
    let report = cruise
        .run(&["compile", "design.yaml", "--tables", "own"])
        .stdout;
    assert!(
        report.contains("- 2 trees are outside the valid range"),
        "{report}"
    );
    let impossible = format!("{head}carbon_fraction: {{ value: 50, source: here }}\n");
    let cruise = cruise.file("own/biomass/mine/set.yaml", impossible);
    let run = cruise.run(&arguments);
    assert!(
        run.stderr
            .contains("a carbon fraction of `50` is not possible"),
        "{}",
        run.stderr
    );
}
