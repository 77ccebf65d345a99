//! Agreement with R's package survey on an invented cruise of plots in clusters in strata: means,
//! ratios and their standard errors as the program gives them.

use std::process::Command;

use spinney::design::{Average, Design, StrataWeights};
use spinney::estimates::{Attribute, CruiseEstimates, Domain};
use spinney::records::{Plot, Records, Tree, Visit};

use crate::answers::{case_file, numbers, rows};
use crate::sample::{conelike, design, estimate, find, fixed, plot, records, tall, tree, visit};

const CASE: &str = "r-survey-4.1.1";

const ATTRIBUTES: [(&str, Attribute); 9] = [
    ("trees", Attribute::Trees),
    ("basal_area", Attribute::BasalArea),
    ("volume_total", Attribute::VolumeTotal),
    ("sdi_summed", Attribute::StandDensityIndexSummed),
    ("quadratic_mean_dbh", Attribute::QuadraticMeanDbh),
    ("mean_height", Attribute::MeanHeight),
    ("lorey_height", Attribute::LoreyHeight),
    ("density_index", Attribute::StandDensityIndex),
    ("relative_density", Attribute::RelativeDensity),
];

/// Name, area and listed units of the strata or of the classes, sorted by name as records are.
fn areas(kind: &str) -> Vec<(String, f64, Option<f64>)> {
    let mut areas: Vec<_> = rows(&case_file(CASE, "areas.csv"))
        .into_iter()
        .filter(|row| row["kind"] == kind)
        .map(|row| {
            let area_ha = row["area_ha"].parse().unwrap();
            (
                row["name"].clone(),
                area_ha,
                row["listed_units"].parse().ok(),
            )
        })
        .collect();
    areas.sort_by(|a, b| a.0.cmp(&b.0));
    areas
}

/// How one case of the file is laid out.
struct Case {
    name: &'static str,
    clusters: bool,
    listed: bool,
    average: Average,
    /// Are the classes of plots the strata, made after sampling?
    sorted: bool,
}

const CASES: [Case; 5] = [
    Case {
        name: "plots",
        clusters: false,
        listed: false,
        average: Average::MeanOfPlots,
        sorted: false,
    },
    Case {
        name: "clusters",
        clusters: true,
        listed: false,
        average: Average::MeanOfPlots,
        sorted: false,
    },
    Case {
        name: "listed",
        clusters: true,
        listed: true,
        average: Average::MeanOfPlots,
        sorted: false,
    },
    Case {
        name: "sizes",
        clusters: true,
        listed: false,
        average: Average::RatioOfMeans,
        sorted: false,
    },
    Case {
        name: "sorted",
        clusters: true,
        listed: true,
        average: Average::MeanOfPlots,
        sorted: true,
    },
];

impl Case {
    fn design(&self) -> Design {
        let mut design = design(vec![fixed(0.04)]);
        design.sampling.average = self.average;
        if self.sorted {
            design.sampling.strata = StrataWeights::AfterSampling;
            let listed = areas("stratum").iter().filter_map(|area| area.2).sum();
            design.sampling.listed_units = Some(listed);
        }
        design
    }

    fn records(&self, design: &Design) -> Records {
        let (kind, column) = if self.sorted {
            ("class", "class")
        } else {
            ("stratum", "stratum")
        };
        let strata = areas(kind);
        let trees = rows(&case_file(CASE, "trees.csv"));
        let trees_of = |plot: &str| -> Vec<Tree> {
            let here = trees.iter().filter(|row| row["plot"] == plot);
            here.map(|row| {
                let [dbh_cm, height_m] = ["dbh_cm", "height_m"].map(|c| row[c].parse().unwrap());
                tall(tree(0, dbh_cm), height_m)
            })
            .collect()
        };
        let plots = rows(&case_file(CASE, "plots.csv")).into_iter().map(|row| {
            let stratum = strata.iter().position(|area| area.0 == row[column]);
            let visit = Visit {
                plot_fraction: row["fraction"].parse().unwrap(),
                ..visit(design, 0, trees_of(&row["plot"]), Vec::new())
            };
            Plot {
                name: row["plot"].clone(),
                cluster: self.clusters.then(|| row["cluster"].clone()),
                ..plot(stratum.unwrap(), vec![visit])
            }
        });
        let names = strata.iter().map(|area| (area.0.as_str(), Some(area.1)));
        let mut records = records(1, vec![("S", names.collect(), plots.collect())]);
        if self.listed && !self.sorted {
            for (stratum, (_, _, listed)) in records.stands[0].strata.iter_mut().zip(&strata) {
                stratum.listed_units = *listed;
            }
        }
        records
    }

    fn estimates(&self) -> CruiseEstimates {
        let design = self.design();
        estimate(&design, &self.records(&design), conelike)
    }
}

/// A row of what R gives: case (with a stratum), quantity, estimate, standard error.
type Answer = (String, String, f64, f64);

fn answers(text: &str) -> Vec<Answer> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().map(Result::unwrap).collect()
}

/// What R gives now, or nothing where it or its package is not installed.
fn ask_r() -> Option<String> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/r/survey.R");
    let areas = case_file(CASE, "areas.csv");
    let run = Command::new("Rscript")
        .args(["--vanilla", script])
        .arg(areas.parent().unwrap())
        .output();
    let Ok(run) = run else {
        println!("skipped: Rscript is not here");
        return None;
    };
    let told = String::from_utf8_lossy(&run.stderr);
    if told.contains("there is no package called") {
        println!("skipped: R is here without its package survey");
        return None;
    }
    assert!(run.status.success(), "{told}");
    if std::env::var_os("SPINNEY_STORE_R").is_some() {
        std::fs::write(case_file(CASE, "estimates.csv"), &run.stdout).unwrap();
    }
    Some(String::from_utf8(run.stdout).unwrap())
}

/// Compares all answers with ours; gives how many, and the largest relative difference.
fn compare_with(answers: &[Answer]) -> (usize, f64) {
    let mut worst = 0.0_f64;
    let mut faults = Vec::new();
    let mut compared = 0;
    for case in CASES {
        let estimates = case.estimates();
        for (place, quantity, mean, std_error) in answers {
            let (name, stratum) = match place.split_once('/') {
                Some((name, stratum)) => (name, Some(stratum)),
                None => (place.as_str(), None),
            };
            let known = ATTRIBUTES.into_iter().find(|(name, _)| name == quantity);
            let (true, Some((_, attribute))) = (name == case.name, known) else {
                continue;
            };
            let row = (Some("S"), stratum, 0);
            let ours = find(&estimates, row, Domain::LIVE, attribute).unwrap();
            for (ours, theirs) in [(ours.mean, *mean), (ours.std_error.unwrap(), *std_error)] {
                let difference = (ours / theirs - 1.0).abs();
                worst = worst.max(difference);
                if difference > 1e-9 {
                    faults.push(format!("{place} {quantity}: {ours}, R {theirs}"));
                }
            }
            compared += 1;
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    (compared, worst)
}

#[test]
fn means_ratios_and_errors_are_those_of_the_package_survey() {
    let stored = std::fs::read_to_string(case_file(CASE, "estimates.csv")).unwrap();
    let (compared, worst) = compare_with(&answers(&stored));
    // Nine of each case, and the volume of three strata in three cases.
    assert_eq!(compared, 9 * CASES.len() + 9);
    println!("{compared} estimates and errors, largest relative difference {worst:.1e}");
    if let Some(fresh) = ask_r() {
        compare_with(&answers(&fresh));
    }
}

#[test]
fn the_invented_cruise_has_what_makes_layouts_differ() {
    let plots = rows(&case_file(CASE, "plots.csv"));
    let fractions = numbers(&plots, "fraction");
    assert!(fractions.iter().any(|fraction| *fraction < 1.0));
    let trees = rows(&case_file(CASE, "trees.csv"));
    let is_empty = |plot: &str| trees.iter().all(|tree| tree["plot"] != plot);
    assert!(plots.iter().any(|plot| is_empty(&plot["plot"])));
    let reaches = plots.iter().any(|plot| {
        let mut same = plots
            .iter()
            .filter(|other| other["cluster"] == plot["cluster"]);
        same.any(|other| other["class"] != plot["class"])
    });
    assert!(reaches, "no cluster holds plots of both classes");
}
