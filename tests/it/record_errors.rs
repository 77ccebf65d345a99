//! Records: what is read, what is filled in, and what is refused or doubted at which place.

use spinney::design::SlopeCorrection;
use spinney::read::RecordFiles;
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::records::{HeightRecord, Plot, ReadingScale, Records, Rule, Status, Tree};

use crate::reading::{Cruise, design_of, lines, species_table};

const FIXED: &str = "inputs: {plots: plots.csv, trees: trees.csv}\n\
                     selections: {fixed: {method: fixed-area, area_ha: 0.02}}\n";
const TWO: &str = "
inputs: {plots: plots.csv, trees: trees.csv, counts: counts.csv}
selections:
  fixed: {method: fixed-area, radius_m: 7.98, min_dbh_cm: 10}
  sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some}
";

fn trees(records: &Records) -> Vec<&Tree> {
    let stands = records.stands.iter();
    stands
        .flat_map(|stand| stand.trees().map(|(_, _, tree)| tree))
        .collect()
}

fn plot<'r>(records: &'r Records, name: &str) -> &'r Plot {
    let stands = records.stands.iter();
    stands
        .flat_map(|stand| &stand.plots)
        .find(|plot| plot.name == name)
        .expect("the plot")
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

#[test]
fn a_small_cruise_is_read() {
    let records = Cruise {
        design: FIXED,
        plots: Some("plot\n10\n2\n"),
        trees: Some(
            "plot,tree,species,dbh_cm,status,height_m\n2,1,FD,30,L,25\n10,2,psme,20,dead,\n\
             10,1,Hw,10,,\n",
        ),
        ..Cruise::default()
    }
    .records();
    let stand = &records.stands[0];
    assert_eq!(stand.name, "design", "the title names the stand");
    let names: Vec<&str> = stand.plots.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["2", "10"]);
    let trees = trees(&records);
    assert_eq!(trees[1].number, "1");
    assert_eq!(trees[2].status, Status::Dead { decay_class: None });
    let labels: Vec<&str> = records.species.iter().map(|s| s.label.as_str()).collect();
    assert_eq!(labels, ["FD", "Hw"]);
}

#[test]
fn units_come_from_the_heads() {
    // An inch is 2.54 cm and a foot 0.3048 m, both exact.
    let read = |heads: &str, row: &str| {
        let text = format!("plot,species,{heads}\n1,Fd,{row}\n");
        let cruise = Cruise {
            design: FIXED,
            plots: Some("plot\n1\n"),
            trees: Some(&text),
            ..Cruise::default()
        };
        let records = cruise.records();
        let tree = trees(&records)[0].clone();
        let HeightRecord::Measured { height_m } = tree.height else {
            panic!("a height")
        };
        (tree.dbh_cm, height_m)
    };
    for (heads, row) in [
        ("dbh_in,height_ft", "12,75"),
        ("DBH_CM , height_m", "30.48,22.86"),
        ("dbh_mm,height_dm", "304.8,228.6"),
        ("dbh_in,height_m", "12,22.86"),
    ] {
        let (dbh, height) = read(heads, row);
        assert!(close(dbh, 30.48) && close(height, 22.86), "{heads}");
    }
}

#[test]
fn heights_are_read_from_instruments() {
    let records = Cruise {
        design: FIXED,
        plots: Some("plot\n1\n"),
        trees: Some(
            "plot,tree,species,dbh_cm,top_pct,base_pct,distance_m,slope_distance_m,tape_pct\n\
             1,1,Fd,30,75,-5,25,,\n1,2,Fd,30,75,-20,,25,\n1,3,Fd,30,75,-20,,25,10\n",
        ),
        ..Cruise::default()
    }
    .records();
    let heights: Vec<(ReadingScale, f64)> = trees(&records)
        .iter()
        .map(|tree| match tree.height {
            HeightRecord::Instrument(reading) => (reading.scale, reading.height_m()),
            other => panic!("{other:?}"),
        })
        .collect();
    // 25 m at 75 % and -5 %: 25 x 0.80 = 20 m (plane trigonometry).
    assert!(close(heights[0].1, 20.0));
    // A slope distance without an angle was taped along the sight to the base.
    let untold = ReadingScale::Slope {
        distance_m: 25.0,
        tape_ratio: None,
    };
    assert_eq!(heights[1].0, untold);
    assert!(close(heights[1].1, 25.0 / 1.04_f64.sqrt() * 0.95));
    assert!(close(heights[2].1, 25.0 / 1.01_f64.sqrt() * 0.95));
}

#[test]
fn plots_may_have_sizes_of_their_own() {
    let records = Cruise {
        design: TWO,
        plots: Some(
            "plot,radius_ft,baf_ft2_per_ac,sweep.plot_fraction,slope_deg,slope_corrected\n\
             1,,,,,\n2,37.2,20,0.5,,\n3,,,,45,no\n",
        ),
        trees: Some("plot,selection,species,dbh_cm\n1,,,\n2,fixed,Fd,30\n3,fixed,Fd,30\n"),
        counts: Some("plot,species,count\n2,Fd,3\n3,Fd,2\n"),
        ..Cruise::default()
    }
    .records();
    let rules = |name| {
        let visits = plot(&records, name).visits.iter();
        visits.map(|visit| visit.rule.clone()).collect::<Vec<_>>()
    };
    assert_eq!(rules("1")[1], Rule::AngleGauge { baf_m2_per_ha: 4.0 });
    // The tenth-acre plot has a radius of 37.2 ft, from memory; 37.24 ft more exactly.
    let Rule::FixedArea { area_ha, .. } = rules("2")[0] else {
        panic!("a plot")
    };
    assert_eq!(format!("{:.2}", area_ha / 0.404_685_642_24), "0.10");
    let Rule::AngleGauge { baf_m2_per_ha } = rules("2")[1] else {
        panic!("a sweep")
    };
    assert_eq!(format!("{baf_m2_per_ha:.3}"), "4.591");
    let second = &plot(&records, "2").visits;
    assert!(close(second[0].plot_fraction, 1.0) && close(second[1].plot_fraction, 0.5));
    assert!(close(plot(&records, "3").visits[0].slope_to_correct, 1.0));
    assert!(close(plot(&records, "1").visits[0].slope_to_correct, 0.0));
}

#[test]
fn the_program_corrects_for_slope_where_the_design_says_so() {
    let design = FIXED.replace("0.02}", "0.02, slope_correction: program}");
    let (read, _) = design_of(&design);
    let selection = &read.expect("a design").selections[0];
    assert_eq!(selection.slope_correction, SlopeCorrection::Program);
    let cruise = Cruise {
        design: &design,
        plots: Some("plot,slope_pct,slope_corrected\n1,35,\n2,35,yes\n3,,\n"),
        trees: Some("plot,species,dbh_cm\n1,Fd,30\n2,Fd,30\n3,Fd,30\n"),
        ..Cruise::default()
    };
    let records = cruise.records();
    let slopes: Vec<f64> = (records.stands[0].plots.iter())
        .map(|plot| plot.visits[0].slope_to_correct)
        .collect();
    assert!(close(slopes[0], 0.35) && close(slopes[1], 0.0) && close(slopes[2], 0.0));
    let findings = cruise.findings();
    assert!(
        findings.iter().any(|f| f.contains("[no-slope]")),
        "{findings:#?}"
    );
    assert!(!findings.iter().any(|f| f.contains("[slope-not-corrected]")));
}

#[test]
fn rows_may_name_the_selections_that_were_done() {
    let records = Cruise {
        design: TWO,
        plots: Some("plot,selection,radius_m,stratum\n1,fixed,5.64,a\n1,sweep,,a\n2,sweep,,a\n"),
        trees: Some("plot,selection,species,dbh_cm\n1,fixed,Fd,30\n2,sweep,,\n"),
        counts: Some("plot,species,count\n1,Fd,3\n"),
        ..Cruise::default()
    }
    .records();
    let done: Vec<Vec<usize>> = records.stands[0]
        .plots
        .iter()
        .map(|plot| plot.visits.iter().map(|visit| visit.selection).collect())
        .collect();
    assert_eq!(done, [vec![0, 1], vec![1]]);
    assert!(plot(&records, "2").visits[0].trees.is_empty());
    assert!(close(plot(&records, "1").visits[1].counts[0].count, 3.0));
}

#[test]
fn trees_below_the_limit_are_kept_and_stand_for_nothing() {
    let cruise = Cruise {
        design: TWO,
        plots: Some("plot\n1\n"),
        trees: Some("plot,selection,tree,species,dbh_cm\n1,fixed,1,Fd,9.9\n1,fixed,2,Fd,10\n"),
        counts: Some("plot,species,count\n1,Fd,3\n"),
        ..Cruise::default()
    };
    let records = cruise.records();
    let excluded: Vec<bool> = trees(&records).iter().map(|tree| tree.excluded).collect();
    assert_eq!(excluded, [true, false]);
}

#[test]
fn a_tree_may_have_a_factor_and_count_of_its_own() {
    let records = Cruise {
        design: TWO,
        plots: Some("plot\n1\n"),
        trees: Some(
            "plot,selection,tree,species,dbh_cm,baf_m2_per_ha,count,walkthrough,defect_pct\n\
             1,sweep,1,Fd,30,8,2,yes,15\n1,sweep,2,Fd,31,,,1,\n",
        ),
        counts: Some("plot,species,count,status\n1,Fd,3,dead\n"),
        ..Cruise::default()
    }
    .records();
    let trees = trees(&records);
    assert_eq!(trees[0].baf_m2_per_ha, Some(8.0));
    assert!(close(trees[0].count, 2.0) && close(trees[0].walkthrough, 2.0));
    assert!(close(trees[1].count, 1.0) && close(trees[1].walkthrough, 1.0));
    assert!(records.any_defect);
    let counts = &plot(&records, "1").visits[1].counts;
    assert_eq!(counts[0].status, Status::Dead { decay_class: None });
}

#[test]
fn species_are_named_as_recorded_or_in_a_code_system() {
    let labels = |codes: &str| {
        let design = format!("{FIXED}species_codes: {codes}\n");
        let records = Cruise {
            design: &design,
            plots: Some("plot\n1\n"),
            trees: Some(
                "plot,species,dbh_cm\n1,FD,30\n1,202,31\n1,FD,32\n1,western hemlock,33\n\
                 1,263,34\n1,tshe,35\n",
            ),
            ..Cruise::default()
        }
        .records();
        let labels = records.species.iter().map(|s| s.label.clone());
        labels.collect::<Vec<String>>().join(", ")
    };
    // Of three spellings used once, the first of the alphabet.
    assert_eq!(labels("as-recorded"), "263, FD");
    assert_eq!(labels("bc"), "Fd, Hw");
    assert_eq!(labels("plants"), "PSME, TSHE");
    assert_eq!(labels("fia"), "202, 263");
    assert_eq!(
        labels("scientific"),
        "Pseudotsuga menziesii, Tsuga heterophylla"
    );
}

#[test]
fn two_species_never_share_a_label() {
    let design = format!("{FIXED}species_codes: bc\nspecies_aliases: {{hw: Quercus alba}}\n");
    let records = Cruise {
        design: &design,
        plots: Some("plot\n1\n"),
        trees: Some("plot,species,dbh_cm\n1,HW,30\n1,TSHE,30\n"),
        ..Cruise::default()
    }
    .records();
    let labels: Vec<&str> = records.species.iter().map(|s| s.label.as_str()).collect();
    assert_eq!(labels, ["HW (Quercus alba)", "Hw (Tsuga heterophylla)"]);
}

#[test]
fn trees_find_their_stand_by_the_plot_where_that_is_clear() {
    let design = "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
                  selections: {fixed: {method: fixed-area, area_ha: 0.02}}\n";
    let cruise = |plots, trees| Cruise {
        design,
        stands: Some("stand,area_ac\nA,10\nB,20\n"),
        plots: Some(plots),
        trees: Some(trees),
        ..Cruise::default()
    };
    let clear = cruise(
        "stand,plot\nA,1\nB,2\n",
        "plot,species,dbh_cm\n1,Fd,30\n2,Fd,30\n",
    );
    let records = clear.records();
    assert_eq!(records.stands[1].name, "B");
    // 20 ac are 8.09 ha; the acre from its exact feet.
    let area = records.stands[1].strata[0].area_ha.expect("an area");
    assert_eq!(format!("{area:.2}"), "8.09");
    assert_eq!(records.stands[1].plots[0].visits[0].trees.len(), 1);
    let unclear = cruise("stand,plot\nA,1\nB,1\n", "plot,species,dbh_cm\n1,Fd,30\n");
    assert!(
        (unclear.findings().iter()).any(|f| f.starts_with("trees.csv:2:1: error: several stands")),
        "{:#?}",
        unclear.findings()
    );
}

#[test]
fn one_stand_of_the_stands_file_names_plots_that_name_none() {
    let design = "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
                  selections: {fixed: {method: fixed-area, area_ha: 0.02}}\n";
    let records = Cruise {
        design,
        stands: Some("stand,area_ha\nMarrow Creek 7,12.5\n"),
        plots: Some("plot,stratum\n1,a\n2,a\n"),
        trees: Some("plot,species,dbh_cm\n1,Fd,30\n2,Fd,30\n"),
        ..Cruise::default()
    }
    .records();
    assert_eq!(records.stands[0].name, "Marrow Creek 7");
    let stratum = &records.stands[0].strata[0];
    assert_eq!((stratum.name.as_str(), stratum.area_ha), ("a", Some(12.5)));
}

#[test]
fn without_a_list_the_trees_name_the_plots() {
    let cruise = Cruise {
        design: "inputs: {trees: trees.csv}\n\
                 selections: {sweep: {method: angle-gauge, baf_m2_per_ha: 4}}\n",
        trees: Some("stand,plot,species,dbh_cm\nA,1,Fd,30\nA,2,,\nB,1,Fd,30\n"),
        ..Cruise::default()
    };
    let records = cruise.records();
    let plots: Vec<usize> = records.stands.iter().map(|s| s.plots.len()).collect();
    assert_eq!(plots, [2, 1]);
    assert!(
        cruise
            .findings()
            .iter()
            .any(|f| f.contains("[no-plots-file]"))
    );
}

#[test]
fn a_full_tally_needs_no_plots() {
    let cruise = Cruise {
        design: "inputs: {trees: trees.csv}\nselections: {tally: {method: full-tally}}\n",
        trees: Some("stand,species,dbh_cm\nA,Fd,30\nB,Hw,31\nA,Fd,32\n"),
        ..Cruise::default()
    };
    let records = cruise.records();
    let trees: Vec<usize> = (records.stands.iter())
        .map(|stand| stand.trees().count())
        .collect();
    assert_eq!(trees, [2, 1]);
    assert!(
        !cruise
            .findings()
            .iter()
            .any(|f| f.contains("[no-plots-file]"))
    );
}

#[test]
fn each_species_is_asked_about_once_and_refused_where_it_is_first_recorded() {
    let (design, _) = design_of(FIXED);
    let source = |name, text: &str| Some(Source::new(name, text.to_owned()));
    let files = RecordFiles {
        design: None,
        plots: source("plots.csv", "plot\n1\n"),
        trees: source(
            "trees.csv",
            "plot,species,dbh_cm\n1,Fd,30\n1,Hw,30\n1,202,31\n1,TSHE,32\n",
        ),
        ..RecordFiles::default()
    };
    let mut asked = Vec::new();
    let species = species_table();
    let (records, problems) = read_records(
        &design.expect("a design"),
        &files,
        &species,
        None,
        &mut |id| {
            asked.push(id);
            if species.lookup("Hw") == Some(id) {
                Err(("no equation".to_owned(), "name a substitute".to_owned()))
            } else {
                Ok(())
            }
        },
    );
    assert!(records.is_none());
    assert_eq!(asked.len(), 2);
    let refused: Vec<String> = lines(&problems)
        .into_iter()
        .filter(|f| f.contains("error"))
        .collect();
    assert_eq!(
        refused,
        [
            "trees.csv:3:3: error: no equation (recorded as `Hw`); name a substitute \
             [species-not-covered]"
        ]
    );
}

#[test]
fn many_findings_of_one_kind_are_folded() {
    let rows: Vec<String> = (1..=60).map(|n| format!("1,{n},Fd,{}.5", n % 9)).collect();
    let text = format!("plot,tree,species,dbh_cm\n{}\n", rows.join("\n"));
    let design = FIXED.replace("0.02}", "0.2, min_dbh_cm: 9}");
    let findings = Cruise {
        design: &design,
        plots: Some("plot\n1\n"),
        trees: Some(&text),
        ..Cruise::default()
    }
    .findings();
    let below: Vec<&String> = (findings.iter())
        .filter(|finding| finding.contains("[below-least-dbh]"))
        .collect();
    assert_eq!(below.len(), 6);
    assert!(below[5].contains("55 more of this kind, in lines 7, 8, 9, 10, 11 ..."));
}
