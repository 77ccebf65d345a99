//! Agreement with R's package survey on an invented cruise of plots in clusters in strata: means,
//! ratios and their standard errors as the program gives them.

use std::collections::BTreeMap;
use std::process::Command;

use spinney::design::{Average, Design, ListedStands, StrataWeights};
use spinney::estimates::{Attribute, CruiseEstimates, Domain};
use spinney::records::{Plot, Records, Tree, Visit, natural_order};

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

/// A stratum, a class of plots or a stand.
struct Place {
    name: String,
    area_ha: f64,
    listed_units: Option<f64>,
    phase_one_points: Option<f64>,
}

/// The areas of one kind, sorted by name as records are.
fn areas(kind: &str) -> Vec<Place> {
    let mut areas: Vec<Place> = rows(&case_file(CASE, "areas.csv"))
        .into_iter()
        .filter(|row| row["kind"] == kind)
        .map(|row| Place {
            area_ha: row["area_ha"].parse().unwrap(),
            listed_units: row["listed_units"].parse().ok(),
            phase_one_points: row["phase_one_points"].parse().ok(),
            name: row["name"].clone(),
        })
        .collect();
    areas.sort_by(|a, b| natural_order(&a.name, &b.name));
    areas
}

/// How one case of the answers is laid out.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Case {
    Plots,
    Clusters,
    Listed,
    Sizes,
    Sorted,
    Points,
    Stands,
}

const CASES: [(&str, Case); 7] = [
    ("plots", Case::Plots),
    ("clusters", Case::Clusters),
    ("listed", Case::Listed),
    ("sizes", Case::Sizes),
    ("sorted", Case::Sorted),
    ("points", Case::Points),
    ("stands", Case::Stands),
];

impl Case {
    fn design(self) -> Design {
        let mut design = design(vec![fixed(0.04)]);
        let sampling = &mut design.sampling;
        match self {
            Case::Plots | Case::Clusters | Case::Listed => {}
            Case::Sizes => sampling.average = Average::RatioOfMeans,
            Case::Sorted => {
                let listed = areas("stratum")
                    .into_iter()
                    .filter_map(|area| area.listed_units);
                sampling.strata = StrataWeights::AfterSampling;
                sampling.listed_units = Some(listed.sum());
            }
            Case::Points => sampling.strata = StrataWeights::Estimated,
            Case::Stands => {
                sampling.listed = Some(ListedStands {
                    stands: 60.0,
                    area_ha: None,
                });
            }
        }
        design
    }

    /// The plots, and the name of the stratum, class or stand of each.
    fn plots(self, design: &Design) -> Vec<(String, Plot)> {
        let trees = rows(&case_file(CASE, "trees.csv"));
        let trees_of = |plot: &str| -> Vec<Tree> {
            let here = trees.iter().filter(|row| row["plot"] == plot);
            here.map(|row| {
                let [dbh_cm, height_m] = ["dbh_cm", "height_m"].map(|c| row[c].parse().unwrap());
                tall(tree(0, dbh_cm), height_m)
            })
            .collect()
        };
        let column = match self {
            Case::Sorted => "class",
            Case::Stands => "cluster",
            _ => "stratum",
        };
        let clusters = !matches!(self, Case::Plots | Case::Points | Case::Stands);
        let plot_of = |row: BTreeMap<String, String>| {
            let visit = Visit {
                plot_fraction: row["fraction"].parse().unwrap(),
                ..visit(design, 0, trees_of(&row["plot"]), Vec::new())
            };
            let plot = Plot {
                name: row["plot"].clone(),
                cluster: clusters.then(|| row["cluster"].clone()),
                ..plot(0, vec![visit])
            };
            (row[column].clone(), plot)
        };
        let plots = rows(&case_file(CASE, "plots.csv"));
        plots.into_iter().map(plot_of).collect()
    }

    fn records(self, design: &Design) -> Records {
        let plots = self.plots(design);
        let areas = areas(match self {
            Case::Sorted => "class",
            Case::Stands => "stand",
            _ => "stratum",
        });
        if self == Case::Stands {
            let stand = |area: &Place| -> Vec<Plot> {
                let here = plots.iter().filter(|(stand, _)| *stand == area.name);
                here.map(|(_, plot)| plot.clone()).collect()
            };
            let stands = areas.iter().map(|area| {
                let strata = vec![("", Some(area.area_ha))];
                (area.name.as_str(), strata, stand(area))
            });
            let mut records = records(1, stands.collect());
            for (stand, area) in records.stands.iter_mut().zip(&areas) {
                stand.strata[0].listed_units = area.listed_units;
            }
            return records;
        }
        let plots = plots.into_iter().map(|(name, plot)| Plot {
            stratum: areas.iter().position(|area| area.name == name).unwrap(),
            ..plot
        });
        let strata = areas
            .iter()
            .map(|area| (area.name.as_str(), Some(area.area_ha)));
        let mut records = records(1, vec![("S", strata.collect(), plots.collect())]);
        for (stratum, area) in records.stands[0].strata.iter_mut().zip(&areas) {
            match self {
                Case::Listed => stratum.listed_units = area.listed_units,
                Case::Points => stratum.phase_one_points = area.phase_one_points,
                _ => {}
            }
        }
        records
    }

    fn estimates(self) -> CruiseEstimates {
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
    for (case_name, case) in CASES {
        let estimates = case.estimates();
        for (place, quantity, mean, std_error) in answers {
            let (name, stratum) = match place.split_once('/') {
                Some((name, stratum)) => (name, Some(stratum)),
                None => (place.as_str(), None),
            };
            let known = ATTRIBUTES.into_iter().find(|(name, _)| name == quantity);
            let (true, Some((_, attribute))) = (name == case_name, known) else {
                continue;
            };
            let stand = (case != Case::Stands).then_some("S");
            let row = (stand, stratum, 0);
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
