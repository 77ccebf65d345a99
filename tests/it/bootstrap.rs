//! Limits of ratios by resampling, against R's package boot on the same resamples, and what must
//! hold of any limits. The units are invented.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::fmt::Write as _;
use std::process::Command;

use proptest::prelude::*;
use spinney::design::RatioLimits;
use spinney::estimates::bootstrap::{Draws, Limits, NoLimits, Statistic, Stratum, limits};
use spinney::estimates::metrics::{quadratic_mean_dbh_cm, stand_density_index};

use crate::answers::{case_file, rows};
use crate::random::Random;

/// Trees/ha, basal area, basal area times height.
type Unit = [f64; 3];

const CASE: &str = "r-boot";
const SEED: u64 = 20_261_126;
const RESAMPLES: usize = 999;
const BCA: RatioLimits = RatioLimits::Bca;
const PERCENTILE: RatioLimits = RatioLimits::Percentile;

fn quadratic_mean_dbh(means: &Unit) -> Option<f64> {
    (means[0] > 0.0).then(|| quadratic_mean_dbh_cm(means[1], means[0]))
}

fn lorey_height(means: &Unit) -> Option<f64> {
    (means[1] > 0.0).then(|| means[2] / means[1])
}

fn density_index(means: &Unit) -> Option<f64> {
    Some(stand_density_index(means[0], quadratic_mean_dbh(means)?))
}

const STATISTICS: [(&str, Statistic<3>); 3] = [
    ("quadratic_mean_dbh", &quadratic_mean_dbh),
    ("lorey_height", &lorey_height),
    ("stand_density_index", &density_index),
];

/// A stratum of a case of the check values.
struct Part {
    weight: f64,
    values: Vec<Unit>,
    sizes: Vec<f64>,
    draws: Draws,
}

/// The cases, each with its strata in the order of the file.
fn cases() -> Vec<(String, Vec<Part>)> {
    let mut cases: Vec<(String, Vec<(String, Part)>)> = Vec::new();
    for row in rows(&case_file(CASE, "units.csv")) {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        if cases.last().is_none_or(|(name, _)| *name != row["case"]) {
            cases.push((row["case"].clone(), Vec::new()));
        }
        let parts = &mut cases.last_mut().unwrap().1;
        if parts.last().is_none_or(|(name, _)| *name != row["stratum"]) {
            let part = Part {
                weight: number("weight"),
                values: Vec::new(),
                sizes: Vec::new(),
                draws: Draws::new(0, 0, 0, ""),
            };
            parts.push((row["stratum"].clone(), part));
        }
        let part = &mut parts.last_mut().unwrap().1;
        part.values
            .push(["trees", "basal_area", "basal_area_height"].map(number));
        part.sizes.push(number("size"));
    }
    let with_draws = |case: &str, stratum: &str, part: Part| Part {
        draws: Draws::new(
            part.values.len(),
            RESAMPLES,
            SEED,
            &format!("{case}/{stratum}"),
        ),
        ..part
    };
    cases
        .into_iter()
        .map(|(case, parts)| {
            let parts = parts
                .into_iter()
                .map(|(stratum, part)| with_draws(&case, &stratum, part))
                .collect();
            (case, parts)
        })
        .collect()
}

fn strata_of(parts: &[Part], sized: bool) -> Vec<Stratum<'_, 3>> {
    parts
        .iter()
        .map(|part| Stratum {
            weight: part.weight,
            draws: &part.draws,
            values: &part.values,
            sizes: sized.then_some(part.sizes.as_slice()),
        })
        .collect()
}

/// The resamples as the R script reads them.
fn resamples_csv(cases: &[(String, Vec<Part>)]) -> String {
    let mut text = String::from("case,units\n");
    for (case, parts) in cases {
        for resample in 0..RESAMPLES {
            let mut drawn = Vec::new();
            let mut before = 0;
            for part in parts {
                for unit in 0..part.draws.units() {
                    let times = usize::from(part.draws.of_unit(unit)[resample]);
                    drawn.extend(std::iter::repeat_n((before + unit + 1).to_string(), times));
                }
                before += part.draws.units();
            }
            writeln!(text, "{case},{}", drawn.join(" ")).unwrap();
        }
    }
    text
}

type Row = BTreeMap<String, String>;

/// What R gives for these resamples, or nothing where it is not installed.
fn ask_r(cases: &[(String, Vec<Part>)]) -> Option<Vec<Row>> {
    let folder = tempfile::tempdir().unwrap();
    let resamples = folder.path().join("resamples.csv");
    std::fs::write(&resamples, resamples_csv(cases)).unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/r/boot.R");
    let run = Command::new("Rscript")
        .args(["--vanilla", script])
        .arg(case_file(CASE, "units.csv"))
        .arg(&resamples)
        .output();
    let Ok(run) = run else {
        println!("skipped: Rscript is not here");
        return None;
    };
    let told = String::from_utf8_lossy(&run.stderr);
    if told.contains("there is no package called") {
        println!("skipped: R is here without its package boot");
        return None;
    }
    assert!(run.status.success(), "{told}");
    if std::env::var_os("SPINNEY_STORE_R").is_some() {
        std::fs::write(case_file(CASE, "limits.csv"), &run.stdout).unwrap();
    }
    let mut reader = csv::Reader::from_reader(run.stdout.as_slice());
    Some(reader.deserialize().map(Result::unwrap).collect())
}

fn compare_with(cases: &[(String, Vec<Part>)], answers: &[Row]) {
    let (mut compared, mut at_extreme) = (0, 0);
    for (case, parts) in cases {
        let strata = strata_of(parts, case == "sizes");
        for row in answers.iter().filter(|row| row["case"] == *case) {
            let number = |column: &str| row[column].parse::<f64>().unwrap();
            let (_, statistic) = STATISTICS
                .into_iter()
                .find(|(name, _)| *name == row["statistic"])
                .unwrap();
            let how = if row["method"] == "bca" {
                BCA
            } else {
                PERCENTILE
            };
            let ours = limits(&strata, &[statistic], how, number("confidence"))[0].unwrap();
            for (ours, column) in [
                (ours.lower, "lower"),
                (ours.upper, "upper"),
                (ours.std_error, "jackknife_se"),
            ] {
                let theirs = number(column);
                assert!(
                    (ours / theirs - 1.0).abs() < 1e-9,
                    "{case} {} {} {column}: {ours}, R {theirs}",
                    row["statistic"],
                    row["method"]
                );
            }
            at_extreme += usize::from(ours.at_extreme);
            compared += 1;
        }
    }
    assert_eq!(compared, 36);
    assert!(at_extreme <= 2, "{at_extreme} limits beyond the resamples");
}

#[test]
fn limits_are_those_of_the_package_boot() {
    let cases = cases();
    let fresh = ask_r(&cases);
    compare_with(&cases, &rows(&case_file(CASE, "limits.csv")));
    if let Some(fresh) = fresh {
        compare_with(&cases, &fresh);
    }
}

fn one<'u>(values: &'u [Unit], draws: &'u Draws) -> [Stratum<'u, 3>; 1] {
    [Stratum {
        weight: 1.0,
        draws,
        values,
        sizes: None,
    }]
}

fn units() -> impl Strategy<Value = Vec<Unit>> {
    let unit = (10.0..2000.0, 1.0..60.0, 5.0..35.0).prop_map(|(n, g, h)| [n, g, g * h]);
    prop::collection::vec(unit, 5..25)
}

fn close(ours: Limits, theirs: Limits, factor: f64) -> bool {
    [
        (ours.lower, theirs.lower),
        (ours.upper, theirs.upper),
        (ours.std_error, theirs.std_error),
    ]
    .into_iter()
    .all(|(a, b)| (a / (factor * b) - 1.0).abs() < 1e-9)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn a_multiple_of_a_statistic_has_the_multiple_of_its_limits(
        values in units(), factor in 0.01..100.0_f64, seed in 0..1000_u64,
    ) {
        let draws = Draws::new(values.len(), 300, seed, "x");
        let multiple = |means: &Unit| quadratic_mean_dbh(means).map(|q| factor * q);
        for how in [BCA, PERCENTILE, RatioLimits::T] {
            let found = limits(&one(&values, &draws), &[&quadratic_mean_dbh, &multiple], how, 0.9);
            match (found[0], found[1]) {
                (Ok(plain), Ok(multiple)) => prop_assert!(close(multiple, plain, factor)),
                (plain, multiple) => prop_assert_eq!(plain, multiple),
            }
        }
    }

    #[test]
    fn more_confidence_means_wider_limits(values in units(), seed in 0..1000_u64) {
        let draws = Draws::new(values.len(), 300, seed, "x");
        let strata = one(&values, &draws);
        for how in [PERCENTILE, RatioLimits::T] {
            let mut inner = None::<Limits>;
            for confidence in [0.55, 0.8, 0.9, 0.95, 0.99, 0.999] {
                let outer = limits(&strata, &[&lorey_height], how, confidence)[0].unwrap();
                prop_assert!(outer.lower <= outer.upper);
                if let Some(inner) = inner {
                    prop_assert!(outer.lower <= inner.lower && inner.upper <= outer.upper);
                }
                inner = Some(outer);
            }
        }
    }

    #[test]
    fn units_without_order(values in units(), seed in 0..1000_u64) {
        // The jackknife knows no order.
        let draws = Draws::new(values.len(), 300, seed, "x");
        let backwards: Vec<Unit> = values.iter().rev().copied().collect();
        let of = |values: &[Unit], how| {
            limits(&one(values, &draws), &[&lorey_height], how, 0.9)[0].unwrap()
        };
        let t = RatioLimits::T;
        prop_assert!(close(of(&values, t), of(&backwards, t), 1.0));
        let (forth, back) = (of(&values, PERCENTILE), of(&backwards, PERCENTILE));
        prop_assert!((forth.std_error / back.std_error - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_stratum_of_no_area_changes_nothing(values in units(), weight in 0.1..10.0_f64) {
        let draws = Draws::new(values.len(), 300, 1, "x");
        let [stratum] = one(&values, &draws);
        let none = Stratum { weight: 0.0, ..stratum };
        for how in [PERCENTILE, RatioLimits::T] {
            let of = |strata: &[Stratum<3>]| {
                limits(strata, &[&lorey_height], how, 0.9)[0].unwrap()
            };
            prop_assert!(close(of(&[stratum, none]), of(&[stratum]), 1.0));
        }
        let two = [stratum, Stratum { weight, ..stratum }];
        // The errors of a mean add up as those of independent strata.
        let trees = |means: &Unit| Some(means[0]);
        let error = |strata: &[Stratum<3>]| {
            limits(strata, &[&trees], RatioLimits::T, 0.9)[0].unwrap().std_error
        };
        let share = weight / (1.0 + weight);
        let smaller = (share * share + (1.0 - share) * (1.0 - share)).sqrt();
        prop_assert!((error(&two) / (smaller * error(&[stratum])) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_same_seed_gives_the_same_bits(values in units(), seed in 0..1000_u64) {
        let of = |seed| {
            let draws = Draws::new(values.len(), 200, seed, "x");
            let found = limits(&one(&values, &draws), &[&quadratic_mean_dbh], PERCENTILE, 0.9);
            let limits = found[0].unwrap();
            (limits.lower.to_bits(), limits.upper.to_bits())
        };
        prop_assert_eq!(of(seed), of(seed));
    }
}

#[test]
fn another_seed_or_order_gives_other_limits() {
    // Resamples name units by their position.
    let values: Vec<Unit> = cases()[0].1[0].values.clone();
    let backwards: Vec<Unit> = values.iter().rev().copied().collect();
    let of = |values: &[Unit], seed| {
        let draws = Draws::new(values.len(), 400, seed, "x");
        limits(&one(values, &draws), &[&lorey_height], PERCENTILE, 0.9)[0].unwrap()
    };
    assert_eq!(of(&values, 1), of(&values, 1));
    assert_ne!(of(&values, 1), of(&values, 2));
    assert_ne!(of(&values, 1), of(&backwards, 1));
}

#[test]
fn a_size_of_two_for_all_halves_the_means() {
    let values: Vec<Unit> = cases()[0].1[0].values.clone();
    let draws = Draws::new(values.len(), 200, 3, "x");
    let sizes = vec![2.0; values.len()];
    let trees = |means: &Unit| Some(means[0]);
    let [plain] = one(&values, &draws);
    let sized = Stratum {
        sizes: Some(&sizes),
        ..plain
    };
    for how in [BCA, PERCENTILE, RatioLimits::T] {
        let of = |stratum| limits(&[stratum], &[&trees], how, 0.9)[0].unwrap();
        assert!(close(of(sized), of(plain), 0.5));
    }
}

#[test]
fn t_limits_of_a_mean_are_the_usual_ones() {
    // 12, 30, 25, 8, 19: mean 18.8, s^2 = 326.8/4, t(0.975, 4) = 2.776445105 of a t table.
    let values = [12.0, 30.0, 25.0, 8.0, 19.0].map(|trees| [trees, 0.0, 0.0]);
    let draws = Draws::new(5, 0, 1, "");
    let trees = |means: &Unit| Some(means[0]);
    let found = limits(&one(&values, &draws), &[&trees], RatioLimits::T, 0.95)[0].unwrap();
    let error = (326.8_f64 / 4.0 / 5.0).sqrt();
    assert!((found.std_error / error - 1.0).abs() < 1e-12);
    assert!((found.lower - (18.8 - 2.776445105 * error)).abs() < 1e-8);
    assert!((found.upper - (18.8 + 2.776445105 * error)).abs() < 1e-8);
}

#[test]
fn where_no_limits_are_given_there_is_a_reason() {
    let draws = |units| Draws::new(units, 400, 1, "x");
    let reason = |values: &[Unit], how| {
        let draws = draws(values.len());
        limits(&one(values, &draws), &[&lorey_height], how, 0.95)[0].unwrap_err()
    };
    let spread: Vec<Unit> = (1..=9)
        .map(|i| [1.0, f64::from(i), 20.0 * f64::from(i * i)])
        .collect();
    assert_eq!(reason(&spread, RatioLimits::None), NoLimits::NotAsked);
    for how in [BCA, PERCENTILE, RatioLimits::T] {
        assert_eq!(reason(&spread[..2], how), NoLimits::FewUnits);
        assert_eq!(reason(&[], how), NoLimits::FewUnits);
        // One height for all trees, whatever the basal area.
        let alike: Vec<Unit> = (1..=9)
            .map(|i| [1.0, f64::from(i), 0.1 * f64::from(i)])
            .collect();
        assert_eq!(reason(&alike, how), NoLimits::NoSpread);
        // Trees nowhere; on one plot of nine.
        let mut rare = vec![[0.0; 3]; 9];
        assert_eq!(reason(&rare, how), NoLimits::Undefined);
        rare[4] = [10.0, 2.0, 30.0];
        assert_eq!(reason(&rare, how), NoLimits::Undefined);
    }
    // On two plots of nine: one resample in ten, (7/9)^9, has none.
    let mut rare = vec![[0.0; 3]; 9];
    rare[4] = [10.0, 2.0, 30.0];
    rare[5] = [10.0, 2.0, 40.0];
    assert_eq!(reason(&rare, PERCENTILE), NoLimits::Undefined);
    // Greatest at the sample itself, which no resample equals: sums of twelve powers of two are
    // all different.
    let values: Vec<Unit> = (0..12).map(|i| [2_f64.powi(i), 0.0, 0.0]).collect();
    let sample_mean = 4095.0 / 12.0;
    let peak = |means: &Unit| Some(-(means[0] - sample_mean).abs());
    let twelve = draws(12);
    let found = limits(&one(&values, &twelve), &[&peak], BCA, 0.95)[0];
    assert!(matches!(found, Err(NoLimits::AtTheEdge)), "{found:?}");
}

#[test]
fn a_limit_beyond_the_resamples_is_marked() {
    let values: Vec<Unit> = cases()[0].1[0].values.clone();
    let draws = Draws::new(values.len(), 200, 3, "x");
    let of = |confidence| {
        limits(
            &one(&values, &draws),
            &[&lorey_height],
            PERCENTILE,
            confidence,
        )[0]
        .unwrap()
    };
    assert!(!of(0.95).at_extreme);
    assert!(of(0.995).at_extreme);
}

/// Samples of 30 units with lognormal trees/ha and basal areas tied to them; how often limits hold
/// the true quadratic mean dbh.
#[test]
fn limits_hold_the_truth_about_as_often_as_they_say() {
    const SAMPLES: usize = 200;
    let mut random = Random(SEED);
    let mut normal = move || {
        let (u, v) = (1.0 - random.unit(), random.unit());
        (-2.0 * u.ln()).sqrt() * (2.0 * PI * v).cos()
    };
    // N = 400 exp(0.6 z), G = 0.06 N^0.9 exp(0.3 w): E N = 400 exp(0.18),
    // E G = 0.06 400^0.9 exp(0.54^2/2 + 0.045).
    let truth = quadratic_mean_dbh_cm(
        0.06 * 400_f64.powf(0.9) * (0.54_f64.powi(2) / 2.0 + 0.045).exp(),
        400.0 * 0.18_f64.exp(),
    );
    let draws = Draws::new(30, 400, 1, "x");
    let mut hits = [0_usize; 3];
    for _ in 0..SAMPLES {
        let values: Vec<Unit> = (0..30)
            .map(|_| {
                let trees = 400.0 * (0.6 * normal()).exp();
                [trees, 0.06 * trees.powf(0.9) * (0.3 * normal()).exp(), 0.0]
            })
            .collect();
        for (how, hits) in [BCA, PERCENTILE, RatioLimits::T].into_iter().zip(&mut hits) {
            let found = limits(&one(&values, &draws), &[&quadratic_mean_dbh], how, 0.9);
            let found = found[0].unwrap();
            *hits += usize::from(found.lower <= truth && truth <= found.upper);
        }
    }
    println!("of {SAMPLES} limits at 90 % hold the truth: BCa, percentile, t {hits:?}");
    // 180 expected, standard deviation 4.2.
    for hits in hits {
        assert!((165..=195).contains(&hits), "{hits}");
    }
}
