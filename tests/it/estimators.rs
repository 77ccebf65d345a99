//! Estimators against worked examples; the citations stand in `tests/check-values/*/case.yaml`.

use std::collections::BTreeMap;

use spinney::design::{Method, Ring};
use spinney::estimates::sample::Sample;
use spinney::estimates::simple::simple;
use spinney::estimates::stratified::{Part, stratified};
use spinney::estimates::{Attribute, CruiseEstimates, Domain, Estimate, plots_needed};
use spinney::math::t::quantile;
use spinney::records::Plot;
use spinney::stems::TreeValues;
use spinney::units::{CM_PER_IN, M2_PER_HA_PER_FT2_PER_AC};

use crate::answers::{case_file, check, numbers, rows};
use crate::sample::{
    bare, by, conelike, design, estimate, find, fixed, plot, records, tall, tree, visit,
};

/// Mean of a simple random sample drawn from a list of so many units.
fn listed(values: &[f64], units: f64) -> Estimate {
    Sample::of_plots(values.len())
        .from_list(Some(units))
        .estimate(values)
}

/// Mean of the stand `S` over its strata.
pub(crate) fn stand(estimates: &CruiseEstimates, attribute: Attribute) -> Estimate {
    find(estimates, (Some("S"), None, 0), Domain::LIVE, attribute).unwrap()
}

/// Live trees/ha of the stand `S` in two dbh classes together; a class without a row is empty.
pub(crate) fn trees_in_classes(estimates: &CruiseEstimates, classes: [u32; 2]) -> f64 {
    let trees = classes.map(|class| {
        let domain = Domain {
            dbh_class: Some(class),
            ..Domain::LIVE
        };
        find(estimates, (Some("S"), None, 0), domain, Attribute::Trees)
    });
    trees
        .iter()
        .flatten()
        .fold(0.0, |sum, class| sum + class.mean)
}

pub(crate) fn se(estimate: Estimate) -> f64 {
    estimate.std_error.unwrap()
}

#[test]
fn simple_random_sample_of_freese() {
    let case = "freese-1962-simple-random";
    let values = numbers(&rows(&case_file(case, "units.csv")), "value");
    let plain = simple(&values);
    let finite = listed(&values, 100.0);
    let (lower_95, upper_95) = finite.interval(0.95).unwrap();
    let (lower_90, upper_90) = finite.interval(0.90).unwrap();
    let cv_pct = plain.std_error_pct().unwrap() * 20.0_f64.sqrt();
    let needed = |population| plots_needed(cv_pct, 10.0, 0.95, population).unwrap() as f64;
    check(
        case,
        &[
            ("mean", plain.mean),
            ("total", 100.0 * plain.mean),
            ("s2", 20.0 * se(plain).powi(2)),
            ("se_fpc", se(finite)),
            ("se_total_fpc", 100.0 * se(finite)),
            ("se", se(plain)),
            ("cv_pct", cv_pct),
            ("t_95", finite.half_width(0.95).unwrap() / se(finite)),
            ("lower_95", lower_95),
            ("upper_95", upper_95),
            ("lower_90", lower_90),
            ("upper_90", upper_90),
            ("error_pct_95", finite.error_pct(0.95).unwrap()),
            ("plots_10pct", needed(None)),
            ("plots_10pct_of_100", needed(Some(100.0))),
        ],
    );
    assert_eq!(plain.plots_needed(10.0, 0.95), Some(48));
    assert_eq!(finite.plots_needed(10.0, 0.95), Some(33));
}

/// Strata of a case file: name, number of units, sampled values.
fn strata_of(case: &str) -> Vec<(String, f64, Vec<f64>)> {
    let mut strata: Vec<(String, f64, Vec<f64>)> = Vec::new();
    for row in rows(&case_file(case, "plots.csv")) {
        let value = row["value"].parse().unwrap();
        match strata.last_mut() {
            Some((name, _, values)) if *name == row["stratum"] => values.push(value),
            _ => strata.push((
                row["stratum"].clone(),
                row["units"].parse().unwrap(),
                vec![value],
            )),
        }
    }
    strata
}

/// Stratified estimate, without and with a list of the units of each stratum.
fn stratify(strata: &[(String, f64, Vec<f64>)]) -> (Estimate, Estimate) {
    let parts = |from_list: bool| -> Vec<Part> {
        let part = |(_, units, values): &(String, f64, Vec<f64>)| Part {
            area_ha: *units,
            estimate: if from_list {
                listed(values, *units)
            } else {
                simple(values)
            },
        };
        strata.iter().map(part).collect()
    };
    (stratified(&parts(false)), stratified(&parts(true)))
}

#[test]
fn stratified_sample_of_freese() {
    let case = "freese-1962-stratified";
    let strata = strata_of(case);
    let (plain, finite) = stratify(&strata);
    let mut ours: Vec<(String, f64)> = Vec::new();
    for (name, _, values) in &strata {
        let stratum = simple(values);
        ours.push((format!("mean_{name}"), stratum.mean));
        let s2 = se(stratum).powi(2) * values.len() as f64;
        ours.push((format!("s2_{name}"), s2));
    }
    ours.extend([
        ("mean".to_owned(), plain.mean),
        ("se".to_owned(), se(plain)),
        ("se_fpc".to_owned(), se(finite)),
        ("variance_fpc".to_owned(), se(finite).powi(2)),
        ("total".to_owned(), 2500.0 * plain.mean),
        ("df".to_owned(), plain.df.unwrap()),
    ]);
    check(case, &ours);
}

#[test]
fn small_stratified_sample_of_the_survey_references() {
    let case = "survey-reference-small-stratified";
    let strata = strata_of(case);
    let (plain, finite) = stratify(&strata);
    let shares: Vec<_> = strata
        .iter()
        .map(|(name, _, values)| (name.clone(), values.len() as f64, values.clone()))
        .collect();
    let (by_plots, _) = stratify(&shares);
    check(
        case,
        &[
            ("mean", plain.mean),
            ("se", se(plain)),
            ("se_fpc", se(finite)),
            ("mean_plot_shares", by_plots.mean),
            ("se_plot_shares", se(by_plots)),
        ],
    );
}

#[test]
fn stratified_acres_of_lohr() {
    let case = "lohr-1999-stratified-acres";
    let strata = strata_of(case);
    let (plain, finite) = stratify(&strata);
    let units: f64 = strata.iter().map(|(_, units, _)| units).sum();
    let mut ours: Vec<(String, f64)> = strata
        .iter()
        .map(|(name, _, values)| (format!("mean_{name}"), simple(values).mean))
        .collect();
    ours.extend([
        ("total".to_owned(), units * plain.mean),
        ("se_total_fpc".to_owned(), units * se(finite)),
        ("mean".to_owned(), plain.mean),
        ("se_fpc".to_owned(), se(finite)),
    ]);
    check(case, &ours);
}

#[test]
fn stratified_volume_of_cunia() {
    let case = "cunia-1979-stratified-volume";
    let design = design(vec![fixed(0.1)]);
    let mut strata: Vec<(String, f64)> = Vec::new();
    let mut plots: Vec<Plot> = Vec::new();
    for row in rows(&case_file(case, "plots.csv")) {
        if strata
            .last()
            .is_none_or(|(name, _)| *name != row["stratum"])
        {
            strata.push((row["stratum"].clone(), row["area_ha"].parse().unwrap()));
        }
        // The volume on the plot as one tree whose height stands for it; an empty plot has none.
        let volume: f64 = row["volume_m3_on_plot"].parse().unwrap();
        let trees = if volume > 0.0 {
            vec![tall(tree(0, 30.0), volume)]
        } else {
            Vec::new()
        };
        plots.push(plot(
            strata.len() - 1,
            vec![visit(&design, 0, trees, Vec::new())],
        ));
    }
    let names = strata
        .iter()
        .map(|(name, area)| (name.as_str(), Some(*area)));
    let records = records(1, vec![("S", names.collect(), plots)]);
    let estimates = estimate(&design, &records, |tree| TreeValues {
        volume_total_m3: conelike(tree).height_m,
        ..TreeValues::default()
    });
    let whole = stand(&estimates, Attribute::VolumeTotal);
    let mut ours: Vec<(String, f64)> = Vec::new();
    let mut unstratified = 0.0;
    for (name, _) in &strata {
        let place = (Some("S"), Some(name.as_str()), 0);
        let stratum = find(&estimates, place, Domain::LIVE, Attribute::VolumeTotal).unwrap();
        ours.push((format!("mean_{name}"), stratum.mean));
        let n = stratum.n_plots as f64;
        ours.push((format!("s2_{name}"), se(stratum).powi(2) * n));
        unstratified += stratum.mean * n / 60.0;
    }
    let area: f64 = strata.iter().map(|(_, area)| area).sum();
    ours.extend([
        ("total".to_owned(), area * whole.mean),
        ("se_total".to_owned(), area * se(whole)),
        ("mean".to_owned(), whole.mean),
        ("se".to_owned(), se(whole)),
        ("df".to_owned(), whole.df.unwrap()),
        ("error_pct_95".to_owned(), whole.error_pct(0.95).unwrap()),
        ("mean_unstratified".to_owned(), unstratified),
    ]);
    check(case, &ours);
}

/// Trees of a case file grouped by plot.
fn by_plot(case: &str) -> BTreeMap<String, Vec<(f64, Option<f64>)>> {
    let mut plots: BTreeMap<String, Vec<(f64, Option<f64>)>> = BTreeMap::new();
    for row in rows(&case_file(case, "trees.csv")) {
        let height_m = row.get("height_m").map(|text| text.parse().unwrap());
        let plot = row.get("plot").cloned().unwrap_or_default();
        plots
            .entry(plot)
            .or_default()
            .push((row["dbh_cm"].parse().unwrap(), height_m));
    }
    plots
}

#[test]
fn fixed_plots_of_barrett_and_nutt() {
    let case = "barrett-nutt-1979-fixed-plots";
    let mut design = design(vec![fixed(0.01)]);
    design.dbh_class_cm = 2.5;
    let plots = by_plot(case).into_values().map(|trees| {
        let trees = trees.into_iter().map(|(dbh_cm, _)| tree(0, dbh_cm));
        plot(0, vec![visit(&design, 0, trees.collect(), Vec::new())])
    });
    let records = records(1, vec![("S", vec![("", Some(10.0))], plots.collect())]);
    let estimates = estimate(&design, &records, bare);
    let class = |classes: [u32; 2]| -> f64 {
        let trees = classes.map(|class| {
            let domain = Domain {
                dbh_class: Some(class),
                ..Domain::LIVE
            };
            find(&estimates, (Some("S"), None, 0), domain, Attribute::Trees)
        });
        trees
            .iter()
            .flatten()
            .map(|e| e.mean)
            .fold(0.0, |a, b| a + b)
    };
    let trees = stand(&estimates, Attribute::Trees);
    let basal_area = stand(&estimates, Attribute::BasalArea);
    check(
        case,
        &[
            ("trees", trees.mean),
            ("se_trees", se(trees)),
            ("basal_area", basal_area.mean),
            ("se_basal_area", se(basal_area)),
            ("qmd", stand(&estimates, Attribute::QuadraticMeanDbh).mean),
            ("trees_2.5_7.5", class([1, 2])),
            ("trees_7.5_12.5", class([3, 4])),
            ("trees_12.5_17.5", class([5, 6])),
            ("trees_17.5_22.5", class([7, 8])),
        ],
    );
}

#[test]
fn nested_plots() {
    let case = "constructed-nested-plots";
    let ring = |area_ha, min_dbh_cm, max_dbh_cm| Ring {
        area_ha,
        radius_m: 0.0,
        min_dbh_cm,
        max_dbh_cm,
    };
    let rings = vec![ring(0.005, 0.0, Some(12.5)), ring(0.04, 12.5, None)];
    let design = design(vec![by(Method::NestedRings(rings))]);
    let plots = by_plot(case).into_values().map(|trees| {
        let trees = trees.into_iter().map(|(dbh_cm, _)| tree(0, dbh_cm));
        plot(0, vec![visit(&design, 0, trees.collect(), Vec::new())])
    });
    let records = records(1, vec![("S", vec![("", None)], plots.collect())]);
    let estimates = estimate(&design, &records, bare);
    let trees = stand(&estimates, Attribute::Trees);
    let basal_area = stand(&estimates, Attribute::BasalArea);
    check(
        case,
        &[
            ("trees", trees.mean),
            ("se_trees", se(trees)),
            ("basal_area", basal_area.mean),
            ("se_basal_area", se(basal_area)),
            (
                "half_width_basal_area",
                basal_area.half_width(0.95).unwrap(),
            ),
        ],
    );
}

#[test]
fn top_height_of_a_plot() {
    let case = "constructed-top-height";
    let design = design(vec![fixed(0.04)]);
    let trees = by_plot(case).into_values().flatten();
    let trees = trees.map(|(dbh_cm, height_m)| tall(tree(0, dbh_cm), height_m.unwrap()));
    let visits = vec![visit(&design, 0, trees.collect(), Vec::new())];
    let records = records(1, vec![("S", vec![("", None)], vec![plot(0, visits)])]);
    let estimates = estimate(&design, &records, conelike);
    check(
        case,
        &[("top_height", stand(&estimates, Attribute::TopHeight).mean)],
    );
}

#[test]
fn stand_metrics() {
    let case = "constructed-stand-metrics";
    let design = design(vec![fixed(0.02)]);
    let plots = by_plot(case).into_values().map(|trees| {
        let trees = trees
            .into_iter()
            .map(|(dbh, height)| tall(tree(0, dbh), height.unwrap()));
        plot(0, vec![visit(&design, 0, trees.collect(), Vec::new())])
    });
    let records = records(1, vec![("S", vec![("", None)], plots.collect())]);
    let estimates = estimate(&design, &records, conelike);
    let mean = |attribute| stand(&estimates, attribute).mean;
    let (basal_area, qmd) = (
        mean(Attribute::BasalArea),
        mean(Attribute::QuadraticMeanDbh),
    );
    check(
        case,
        &[
            ("trees", mean(Attribute::Trees)),
            ("basal_area", basal_area),
            ("qmd", qmd),
            ("lorey_height", mean(Attribute::LoreyHeight)),
            ("mean_height", mean(Attribute::MeanHeight)),
            ("sdi", mean(Attribute::StandDensityIndex)),
            ("sdi_summed", mean(Attribute::StandDensityIndexSummed)),
            ("rd", mean(Attribute::RelativeDensity)),
            (
                "rd_imperial",
                basal_area / M2_PER_HA_PER_FT2_PER_AC / (qmd / CM_PER_IN).sqrt(),
            ),
        ],
    );
}

#[test]
fn plots_needed_for_an_allowable_error() {
    let n = |cv: f64, error: f64, confidence: f64, population| {
        plots_needed(cv, error, confidence, population).unwrap() as f64
    };
    check(
        "plots-needed",
        &[
            ("cv40_e15_95", n(40.0, 15.0, 0.95, None)),
            ("cv40_e10_95", n(40.0, 10.0, 0.95, None)),
            ("cv40_e10_90", n(40.0, 10.0, 0.90, None)),
            ("cv30_e10_95", n(30.0, 10.0, 0.95, None)),
            ("cv50_e20_90", n(50.0, 20.0, 0.90, None)),
            ("cv60_e10_95", n(60.0, 10.0, 0.95, None)),
            ("cv25_e5_95", n(25.0, 5.0, 0.95, None)),
            ("cv40_e10_95_of_200", n(40.0, 10.0, 0.95, Some(200.0))),
        ],
    );
}

#[test]
fn t_quantiles_of_a_reference_library() {
    let case = "t-quantiles";
    let ours: Vec<(String, f64)> = rows(&case_file(case, "answers.csv"))
        .into_iter()
        .map(|row| {
            let quantity = row["quantity"].clone();
            let (confidence_pct, df) = quantity[2..].split_once('_').unwrap();
            let confidence_pct: f64 = confidence_pct.parse().unwrap();
            let p = 0.5 + confidence_pct / 200.0;
            let t = quantile(p, df.parse().unwrap()).unwrap();
            (quantity, t)
        })
        .collect();
    check(case, &ours);
}
